package uncertainty

import (
	"fmt"
	"math"

	"pinwright/internal/calc/length"
)

// Estimate is a number with its standard uncertainty in the same unit. DoF of 0
// means that the uncertainty is taken as exact.
type Estimate struct{ Value, U, DoF float64 }

func (e Estimate) dof() float64 {
	if e.DoF == 0 {
		return Infinite
	}
	return e.DoF
}

func (e Estimate) check(what string, low, high float64) error {
	if !(e.Value >= low && e.Value <= high) {
		return fmt.Errorf("%w: %s is %v; it must be from %v to %v", ErrInput, what, e.Value, low, high)
	}
	if !(e.U >= 0) || e.U > high-low {
		return fmt.Errorf("%w: standard uncertainty of %s is %v; it must be 0 or more and below %v", ErrInput, what, e.U, high-low)
	}
	if e.DoF < 0 || math.IsNaN(e.DoF) {
		return fmt.Errorf("%w: degrees of freedom of %s are %v; they must be over 0", ErrInput, what, e.DoF)
	}
	return nil
}

// Material is what a workpiece or instrument is made of.
type Material string

// The materials with a known expansion.
const (
	Steel     Material = "steel"
	CastIron  Material = "cast_iron"
	Aluminium Material = "aluminium"
	Brass     Material = "brass"
	Bronze    Material = "bronze"
)

// Expansion returns the linear expansion coefficient of a material near 20 °C, per
// kelvin, with a standard uncertainty of 1e-6 for the spread between alloys (steels
// alone run from 10 to 12.5). Steel and aluminium: D. A. Swyt, J. Res. NIST 99 (1994)
// 31. The others are handbook values from memory. ErrInput names the known materials.
func Expansion(m Material) (Estimate, error) {
	perMillion := map[Material]float64{Steel: 11.5, CastIron: 10.5, Aluminium: 23.1, Brass: 19, Bronze: 18}[m]
	if perMillion == 0 {
		return Estimate{}, fmt.Errorf("%w: no expansion known for material %.20q; known are steel, cast_iron, aluminium, brass, bronze", ErrInput, string(m))
	}
	return Estimate{Value: perMillion * 1e-6, U: 1e-6, DoF: judged}, nil
}

// Thermal is what is known of temperature. Every field may be nil: then 20 °C with a
// rectangular law of ±10 K for an unheated garage, no difference between workpiece
// and instrument with ±2 K, and steel are assumed (common practice, no published
// source), and said.
type Thermal struct {
	Temperature *Estimate // of the workpiece, °C, -60 to 200
	Difference  *Estimate // workpiece minus instrument, K
	// InstrumentTemperature, °C, stands in place of Difference where the two temperatures
	// were read independently of one another; it needs Temperature.
	InstrumentTemperature *Estimate
	Expansion             *Estimate // of the workpiece, per K
	InstrumentExpansion   *Estimate // of the instrument or gauge, per K
}

// twenty is a size brought to 20 °C.
type twenty struct {
	size     float64 // µm
	inputs   []Input
	assumed  []Remark
	warnings []Remark
	used     used
}

// toTwenty corrects a size in µm as read at temperature to 20 °C (ISO 1):
// the instrument has grown by αi θi and the workpiece by αw θw, so the size at 20 °C
// is L (1 + αi θi)/(1 + αw θw), θ counted from 20 °C. For the budget the model is put as
// in JCGM 100, H.1, L [1 - (αw - αi) θw - αi δθ] with δθ = θw - θi, because the two
// temperatures are not independent but θw and δθ are. Near 20 °C with like materials
// the first-order terms vanish, so those of second order are kept (H.1.7).
func (t Thermal) toTwenty(size float64) (twenty, error) {
	if t.InstrumentTemperature != nil {
		if t.Temperature == nil || t.Difference != nil {
			return twenty{}, fmt.Errorf("%w: the instrument's temperature stands beside that of the workpiece and in place of their difference", ErrInput)
		}
		if err := t.InstrumentTemperature.check("temperature of the instrument in °C", -60, 200); err != nil {
			return twenty{}, err
		}
		apart := t
		apart.InstrumentTemperature = nil
		apart.Difference = &Estimate{Value: t.Temperature.Value - t.InstrumentTemperature.Value}
		out, err := apart.toTwenty(size)
		if err != nil {
			return twenty{}, err
		}
		out.used.apart = t.InstrumentTemperature
		out.inputs = out.used.independently(size)
		return out, nil
	}
	var out twenty
	temperature := Estimate{Value: 20, U: Standard(Rectangular, 10), DoF: judged}
	difference := Estimate{U: Standard(Rectangular, 2), DoF: judged}
	workpiece, _ := Expansion(Steel)
	instrument := workpiece
	for _, field := range []struct {
		given     *Estimate
		into      *Estimate
		what      string
		low, high float64
		otherwise Remark
	}{
		{t.Temperature, &temperature, "temperature in °C", -60, 200, Remark{AssumedTemperature,
			[]Param{{"temperature", 20, "Cel"}, {"half_width", 10, "K"}},
			"Nobody noted the temperature; 20 °C give or take 10 K was assumed (common practice, no published source)."}},
		{t.Difference, &difference, "temperature difference in K", -150, 150, Remark{AssumedDifference,
			[]Param{{"difference", 0, "K"}, {"half_width", 2, "K"}},
			"Part and instrument were assumed equally warm, give or take 2 K (common practice, no published source)."}},
		{t.Expansion, &workpiece, "expansion coefficient of the workpiece per K", 0, 100e-6, Remark{AssumedExpansion,
			[]Param{{"expansion", workpiece.Value, "1/K"}, {"u", workpiece.U, "1/K"}},
			"The part was assumed to be of steel (11.5 µm per metre and kelvin)."}},
		{t.InstrumentExpansion, &instrument, "expansion coefficient of the instrument per K", 0, 100e-6, Remark{AssumedInstrumentExpansion,
			[]Param{{"expansion", instrument.Value, "1/K"}, {"u", instrument.U, "1/K"}},
			"The instrument was assumed to be of steel (11.5 µm per metre and kelvin)."}},
	} {
		if field.given == nil {
			out.assumed = append(out.assumed, field.otherwise)
			continue
		}
		if err := field.given.check(field.what, field.low, field.high); err != nil {
			return twenty{}, err
		}
		*field.into = *field.given
	}
	ofPart := temperature.Value - 20
	ofInstrument := ofPart - difference.Value
	out.used = used{temperature: temperature, difference: difference, workpiece: workpiece, instrument: instrument}
	out.size = size * (1 + instrument.Value*ofInstrument) / (1 + workpiece.Value*ofPart)
	if math.Abs(ofPart) > 15 {
		out.warnings = append(out.warnings, Remark{FarFromTwenty, []Param{{"temperature", temperature.Value, "Cel"}},
			fmt.Sprintf("The part was at %.0f °C; let it come to room temperature and read it again.", temperature.Value)})
	}
	out.inputs = []Input{
		input("temperature", temperature, -size*(workpiece.Value-instrument.Value)),
		input("temperature_difference", difference, -size*instrument.Value),
		input("expansion", workpiece, -size*ofPart),
		input("instrument_expansion", instrument, size*ofInstrument),
		secondOrder("temperature_times_expansion", size, temperature, math.Hypot(workpiece.U, instrument.U), math.Min(workpiece.dof(), instrument.dof())),
		secondOrder("difference_times_expansion", size, difference, instrument.U, instrument.dof()),
	}
	return out, nil
}

func input(name string, e Estimate, sensitivity float64) Input {
	return Input{Name: name, Estimate: e.Value, U: e.U, Sensitivity: sensitivity, DoF: e.dof(), Distribution: Normal, Part: Shared}
}

// independently are the inputs where each temperature has an error of its own: then the
// temperatures are uncorrelated, and their difference is with neither.
func (u used) independently(size float64) []Input {
	return []Input{
		input("temperature", u.temperature, -size*u.workpiece.Value),
		input("instrument_temperature", *u.apart, size*u.instrument.Value),
		input("expansion", u.workpiece, -size*(u.temperature.Value-20)),
		input("instrument_expansion", u.instrument, size*(u.apart.Value-20)),
		secondOrder("temperature_times_expansion", size, u.temperature, u.workpiece.U, u.workpiece.dof()),
		secondOrder("instrument_temperature_times_expansion", size, *u.apart, u.instrument.U, u.instrument.dof()),
	}
}

// secondOrder is the term L u(x) u(α) of JCGM 100, 5.1.2 note, for a product of two
// inputs that may both be near zero. Its degrees of freedom are those of the worse
// known factor.
func secondOrder(name string, size float64, x Estimate, expansionU, expansionDoF float64) Input {
	return Input{Name: name, U: x.U * expansionU, Sensitivity: size, DoF: math.Min(x.dof(), expansionDoF), Distribution: Normal, Part: Shared}
}

// micrometres is the size on which the model calculates; it refuses what is no diameter.
func micrometres(size length.Length, what string) (float64, error) {
	if size <= 0 || size > length.Limit {
		return 0, fmt.Errorf("%w: %s is %s; a diameter must be over 0 and below 10 m", ErrInput, what, size.Text(length.Millimetre))
	}
	return size.Micrometres(), nil
}
