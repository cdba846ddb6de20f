package uncertainty

import (
	"bytes"
	_ "embed"
	"encoding/json"
	"fmt"
	"math"
	"sync"

	"pinwright/internal/calc/length"
)

// GaugeClass is a class of plain pin and plug gauges of ASME B89.1.5, finest first:
// XXX, XX, X, Y, Z, ZZ.
type GaugeClass string

// GaugeClasses lists the classes, finest first.
func GaugeClasses() []GaugeClass { return []GaugeClass{"XXX", "XX", "X", "Y", "Z", "ZZ"} }

// Side says to which side of its marked size a gauge may lie.
type Side string

// Plus is usual for go gauges, Minus for no-go gauges and for sets of pins.
const (
	Plus  Side = "plus"
	Minus Side = "minus"
)

//go:embed gauge_classes.json
var gaugeClassesJSON []byte

// classTable holds the exact ranges and tolerances, read once.
type classTable struct {
	over, upTo []length.Length
	tolerance  map[GaugeClass][]length.Length
}

var gaugeTable = sync.OnceValue(func() classTable {
	var file map[string]json.RawMessage
	mustRead(gaugeClassesJSON, &file)
	var ranges [][]json.Number
	mustRead(file["over_in_to_in"], &ranges)
	t := classTable{tolerance: map[GaugeClass][]length.Length{}}
	for _, r := range ranges {
		t.over = append(t.over, inches(r[0]))
		t.upTo = append(t.upTo, inches(r[1]))
	}
	for _, class := range GaugeClasses() {
		var tolerances []json.Number
		mustRead(file[string(class)], &tolerances)
		for _, tolerance := range tolerances {
			t.tolerance[class] = append(t.tolerance[class], inches(tolerance))
		}
	}
	return t
})

// mustRead reads an embedded table, whose faults are the program's own.
func mustRead(raw []byte, into any) {
	decoder := json.NewDecoder(bytes.NewReader(raw))
	decoder.UseNumber()
	if err := decoder.Decode(into); err != nil {
		panic(fmt.Sprintf("uncertainty: embedded gauge classes: %v", err))
	}
}

func inches(n json.Number) length.Length {
	q, err := length.New(n.String(), length.Inch)
	if err != nil {
		panic(fmt.Sprintf("uncertainty: embedded gauge classes: %v", err))
	}
	return q.Length()
}

// ClassTolerance returns the gauge makers' tolerance T of a class at a marked size
// over 0.010 in and up to 4.510 in. ErrInput otherwise. Source: ASME B89.1.5.
func ClassTolerance(class GaugeClass, marked length.Length) (length.Length, error) {
	t := gaugeTable()
	tolerances, known := t.tolerance[class]
	if !known {
		return 0, fmt.Errorf("%w: gauge class %.20q is none of XXX, XX, X, Y, Z, ZZ", ErrInput, string(class))
	}
	for i, upTo := range t.upTo {
		if marked <= upTo && marked > t.over[i] {
			return tolerances[i], nil
		}
	}
	return 0, fmt.Errorf("%w: a gauge of %s has no class tolerance; classes cover over %s up to %s", ErrInput,
		marked.Text(length.Inch), t.over[0].Text(length.Inch), t.upTo[len(t.upTo)-1].Text(length.Inch))
}

// Gauge is a plain pin or plug gauge of which something is known.
type Gauge struct {
	Marked length.Length // the size engraved on it
	Class  GaugeClass    // empty: assumed ZZ
	Side   Side          // empty: assumed minus
	// Calibration, when not nil, replaces the class: the size is Marked plus
	// Correction, known to U/k.
	Calibration *Calibration
	Feel        float64 // µm, standard deviation of where it is felt to go; 0: the default
	Thermal     Thermal
}

// GaugeSize is what size, at 20 °C, the bore has in which the gauge just goes.
type GaugeSize struct {
	Middle length.Length // of the law of the size
	// HalfWidth is that of a rectangular law about Middle, µm, for a gauge known by
	// its class; 0 for a calibrated one.
	HalfWidth float64
	// Calibration is the standard uncertainty of a calibrated gauge, µm; 0 for one known by class.
	Calibration float64
	// Drift is that of what came since the calibration, µm; 0 where nothing tells.
	Drift float64
	// Temperature is the standard uncertainty from temperature, µm.
	Temperature float64
	// Shared is the standard uncertainty of all that every use of this gauge in
	// one sitting shares, µm: size, drift and temperature.
	Shared float64
	// Feel is new at each try, µm.
	Feel     float64
	Assumed  []Remark
	Warnings []Remark
}

// SizeOfGauge works out the size of a gauge. ErrInput tells what cannot be used.
func SizeOfGauge(g Gauge) (GaugeSize, error) {
	marked, err := micrometres(g.Marked, "the gauge's marked size")
	if err != nil {
		return GaugeSize{}, err
	}
	defaults, err := DefaultsOf(PinGauge, Bore)
	if err != nil {
		return GaugeSize{}, err
	}
	var out GaugeSize
	var size float64
	if g.Calibration != nil {
		size, err = out.calibrated(g, marked)
	} else {
		size, err = out.byClass(g, marked)
	}
	if err != nil {
		return GaugeSize{}, err
	}
	out.Feel = g.Feel
	if out.Feel < 0 || math.IsNaN(out.Feel) || math.IsInf(out.Feel, 0) {
		return GaugeSize{}, fmt.Errorf("%w: feel of %v µm; it must be over 0", ErrInput, out.Feel)
	}
	if out.Feel == 0 {
		out.Feel = defaults.Feel
		out.Assumed = append(out.Assumed, Remark{AssumedFeel, []Param{{"u", out.Feel, "um"}}, fmt.Sprintf(
			"Where a gauge is felt to go was assumed to repeat to %.2g µm, one standard deviation (common practice, no published source).", out.Feel)})
	}
	at20, err := g.Thermal.toTwenty(size)
	if err != nil {
		return GaugeSize{}, err
	}
	thermal, err := Combine(at20.inputs, Coverage)
	if err != nil {
		return GaugeSize{}, err
	}
	out.Middle = length.FromMicrometres(at20.size)
	out.Temperature = thermal.U
	out.Shared = math.Hypot(math.Hypot(out.Calibration, Standard(Rectangular, out.HalfWidth)), math.Hypot(out.Temperature, out.Drift))
	out.Assumed = append(out.Assumed, at20.assumed...)
	out.Warnings = append(out.Warnings, at20.warnings...)
	return out, nil
}

// byClass places a rectangular law on [g, g+T] or [g-T, g].
func (out *GaugeSize) byClass(g Gauge, marked float64) (size float64, err error) {
	class, side := g.Class, g.Side
	if class == "" {
		class = "ZZ"
	}
	if side == "" {
		side = Minus
	}
	tolerance, err := ClassTolerance(class, g.Marked)
	if err != nil {
		return 0, err
	}
	half := tolerance.Micrometres() / 2
	out.HalfWidth = half
	if class != g.Class || side != g.Side {
		out.Assumed = append(out.Assumed, Remark{AssumedGaugeClass, []Param{{"tolerance", tolerance.Micrometres(), "um"}}, fmt.Sprintf(
			"The gauge was assumed to be of class %s %s, within %.3g µm (common practice, no published source).", class, side, tolerance.Micrometres())})
	}
	switch side {
	case Plus:
		return marked + half, nil
	case Minus:
		return marked - half, nil
	}
	return 0, fmt.Errorf("%w: side %.20q of a gauge is neither plus nor minus", ErrInput, string(side))
}

// calibrated takes size and uncertainty from the certificate. What a lapsed one may
// have worn is judged by the class as for an instrument never calibrated: half of
// the standard uncertainty of the class is added in quadrature.
func (out *GaugeSize) calibrated(g Gauge, marked float64) (size float64, err error) {
	var said Result
	u, _, err := g.Calibration.standard(&said)
	if err != nil {
		return 0, err
	}
	size = marked + g.Calibration.Correction
	if size <= 0 {
		return 0, fmt.Errorf("%w: the calibration's correction of %v µm leaves nothing of the gauge", ErrInput, g.Calibration.Correction)
	}
	out.Assumed = append(out.Assumed, said.Assumed...)
	out.Drift = g.Calibration.Drift
	if g.Calibration.Lapsed && out.Drift > 0 {
		out.Warnings = append(out.Warnings, lapsed(math.Hypot(u, out.Drift)))
	} else if g.Calibration.Lapsed {
		var asNew GaugeSize
		if _, err := asNew.byClass(Gauge{Marked: g.Marked, Class: g.Class, Side: g.Side}, marked); err != nil {
			return 0, err
		}
		out.Assumed = append(out.Assumed, asNew.Assumed...)
		u = math.Hypot(u, Standard(Rectangular, asNew.HalfWidth)/2)
		out.Warnings = append(out.Warnings, lapsed(u))
	}
	out.Calibration = u
	return size, nil
}
