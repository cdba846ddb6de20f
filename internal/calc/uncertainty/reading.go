package uncertainty

import (
	"fmt"
	"math"

	"pinwright/internal/calc/length"
)

// Calibration is what a certificate says of an instrument, in micrometres.
type Calibration struct {
	Expanded   float64 // expanded uncertainty U of the certificate
	K          float64 // its coverage factor; 0 means not stated, taken as 2
	DoF        float64 // degrees of freedom; 0 means Infinite
	Correction float64 // to be added to a reading, from the certificate; 0 if none
	// Lapsed says that the calibration is past its date. It still counts, but half
	// of what is assumed of an instrument never calibrated is added to its uncertainty (in
	// quadrature): it has drifted by an unknown part of that (common practice, no
	// published source). Where Drift is known it stands in place of that.
	Lapsed bool
	// Drift is the standard uncertainty of what came since, in a line of its own; 0 where
	// nothing is said of it. By the instrument's own history Correction is the predicted one;
	// DriftAssumed says that it is only what is usual of its kind.
	Drift        float64
	DriftAssumed bool
}

// Study is a gauge study of the instrument (repeatability and reproducibility), as
// standard deviations in micrometres with their degrees of freedom.
type Study struct {
	Repeatability      float64 // one person repeating
	RepeatabilityDoF   float64
	Reproducibility    float64 // between people; shared by all readings of one person
	ReproducibilityDoF float64 // 0 when Reproducibility is 0
	OnePerson          bool    // nobody else took part, so that Reproducibility is not known
}

// Instrument is what is known of the instrument. The zero Instrument is one of
// which nothing is known: the method's defaults stand in.
type Instrument struct {
	Resolution  float64 // µm, smallest step; 0 when not known
	Calibration *Calibration
	Study       *Study
}

// Reading is one measured diameter with what is known about it.
type Reading struct {
	Read       length.Length // as read, nothing corrected
	Shape      Shape
	Method     Method
	Instrument Instrument
	Thermal    Thermal
}

// Result is a reading with its uncertainty. Uncertainties are in micrometres.
type Result struct {
	// At20 is the reading corrected by the certificate and to 20 °C, its bias left in:
	// what calculations on several readings start from.
	At20 length.Length
	// BiasLow and BiasHigh bound At20 minus the true diameter.
	BiasLow, BiasHigh float64
	// Value is At20 less the middle of the bias bounds: the best single statement.
	Value length.Length
	// Shared and Independent are the standard uncertainties of those parts of the budget.
	Shared, Independent float64
	// Budget is that of Value, the bias included.
	Budget   Budget
	Assumed  []Remark
	Warnings []Remark

	// What At20 was worked out from, µm.
	read, correction float64
	used             used
}

// Text returns Value with its expanded uncertainty in the unit, as
// length.Length.TextWithUncertainty writes it: "9.121 ± 0.006 mm".
func (r Result) Text(unit length.Unit) string {
	return r.Value.TextWithUncertainty(unit, length.FromMicrometres(r.Budget.Expanded))
}

// Measure works out one reading at 95 % coverage. ErrInput tells what cannot be
// used: a diameter of nothing, a method that does not fit the shape, a negative
// uncertainty. A pin gauge has no reading; SizeOfGauge is for it.
func Measure(r Reading) (Result, error) {
	defaults, err := DefaultsOf(r.Method, r.Shape)
	if err != nil {
		return Result{}, err
	}
	if r.Method == PinGauge {
		return Result{}, fmt.Errorf("%w: a pin gauge goes or does not go, it reads no value; give the gauge's size with the result go, no_go or starts", ErrInput)
	}
	read, err := micrometres(r.Read, "the reading")
	if err != nil {
		return Result{}, err
	}
	var out Result
	inputs, correction, err := r.Instrument.inputs(r.Method, defaults, &out)
	if err != nil {
		return Result{}, err
	}
	if read+correction <= 0 {
		return Result{}, fmt.Errorf("%w: the calibration's correction of %v µm leaves nothing of the reading", ErrInput, correction)
	}
	at20, err := r.Thermal.toTwenty(read + correction)
	if err != nil {
		return Result{}, err
	}
	out.Assumed = append(out.Assumed, at20.assumed...)
	out.Warnings = append(out.Warnings, at20.warnings...)
	inputs = append(inputs, at20.inputs...)

	out.read, out.correction, out.used = read, correction, at20.used
	out.At20 = length.FromMicrometres(at20.size)
	out.BiasLow, out.BiasHigh = defaults.BiasBounds(at20.size)
	middle := (out.BiasLow + out.BiasHigh) / 2
	out.Value = length.FromMicrometres(at20.size - middle)
	if out.BiasLow != out.BiasHigh {
		out.Assumed = append(out.Assumed, biasRemark(r.Method, r.Shape, defaults, out.BiasLow, out.BiasHigh))
		inputs = append(inputs, Input{Name: "method_bias", Estimate: middle, U: Standard(Rectangular, (out.BiasHigh-out.BiasLow)/2),
			Sensitivity: -1, DoF: Infinite, Distribution: Rectangular, Part: Bias})
	}
	out.Budget, err = Combine(inputs, Coverage)
	if err != nil {
		return Result{}, err
	}
	out.Shared, out.Independent = out.Budget.Of(Shared), out.Budget.Of(Independent)
	return out, nil
}

// inputs are the lines of the instrument itself, with the correction of its
// certificate in µm.
func (i Instrument) inputs(m Method, d Defaults, out *Result) (inputs []Input, correction float64, err error) {
	calibration, correction, err := i.calibration(m, d, out)
	if err != nil {
		return nil, 0, err
	}
	inputs = append(inputs, calibration)
	if c := i.Calibration; c != nil && c.Drift > 0 {
		// The law of a prediction has the doubt about the drift in it: nothing is left for degrees of freedom.
		in := Input{Name: "drift", U: c.Drift, Sensitivity: 1, DoF: Infinite, Distribution: Normal, Part: Shared}
		if c.DriftAssumed {
			in.DoF = judged
			out.Assumed = append(out.Assumed, Remark{AssumedDrift, []Param{{"u", c.Drift, "um"}}, fmt.Sprintf(
				"Too few calibrations tell how this %s drifts; since the last it was taken to have moved by %.2g µm, one standard deviation (common practice, no published source).", m.words(), c.Drift)})
		}
		inputs = append(inputs, in)
	}
	if s := i.Study; s != nil {
		inputs = append(inputs, Input{Name: "repeatability", U: s.Repeatability, Sensitivity: 1, DoF: s.RepeatabilityDoF, Distribution: Normal, Part: Independent})
		if s.OnePerson {
			out.Assumed = append(out.Assumed, Remark{AssumedPeopleAlike, nil, fmt.Sprintf(
				"One person made the study of this %s; that people differ is not in its uncertainty. Let others read the same parts.", m.words())})
		}
		if s.Reproducibility != 0 {
			inputs = append(inputs, Input{Name: "reproducibility", U: s.Reproducibility, Sensitivity: 1, DoF: s.ReproducibilityDoF, Distribution: Normal, Part: Shared})
		}
	} else {
		inputs = append(inputs, Input{Name: "repeatability", U: d.Repeatability, Sensitivity: 1, DoF: judged, Distribution: Normal, Part: Independent})
		out.Assumed = append(out.Assumed, Remark{AssumedRepeatability, []Param{{"u", d.Repeatability, "um"}}, fmt.Sprintf(
			"Nobody has studied this %s; readings were assumed to repeat to %.3g µm, one standard deviation (common practice, no published source).", m.words(), d.Repeatability)})
	}
	resolution := i.Resolution
	if resolution < 0 || math.IsNaN(resolution) || math.IsInf(resolution, 0) {
		return nil, 0, fmt.Errorf("%w: resolution %v µm; it must be over 0", ErrInput, resolution)
	}
	if resolution == 0 {
		resolution = d.Resolution
		out.Assumed = append(out.Assumed, Remark{AssumedResolution, []Param{{"resolution", resolution, "um"}}, fmt.Sprintf(
			"The smallest step of the %s was assumed to be %.3g µm (common practice, no published source).", m.words(), resolution)})
	}
	inputs = append(inputs, Input{Name: "resolution", U: Standard(Rectangular, resolution/2), Sensitivity: 1, DoF: Infinite, Distribution: Rectangular, Part: Independent})
	return inputs, correction, nil
}

func (i Instrument) calibration(m Method, d Defaults, out *Result) (Input, float64, error) {
	in := Input{Name: "calibration", U: Standard(Rectangular, d.Calibration), Sensitivity: 1, DoF: judged, Distribution: Rectangular, Part: Shared}
	if i.Calibration == nil {
		out.Assumed = append(out.Assumed, Remark{AssumedCalibration, []Param{{"half_width", d.Calibration, "um"}}, fmt.Sprintf(
			"No calibration is known; the %s was assumed to be within %.3g µm of true (common practice, no published source).", m.words(), d.Calibration)})
		return in, 0, nil
	}
	u, dof, err := i.Calibration.standard(out)
	if err != nil {
		return Input{}, 0, err
	}
	if i.Calibration.Lapsed {
		if i.Calibration.Drift == 0 {
			never := in.U
			u = math.Hypot(u, never/2)
			dof = math.Min(dof, judged)
		}
		out.Warnings = append(out.Warnings, lapsed(math.Hypot(u, i.Calibration.Drift)))
	}
	in.U, in.DoF, in.Distribution = u, dof, Normal
	return in, i.Calibration.Correction, nil
}

// standard is u = U/k of the certificate.
func (c Calibration) standard(out *Result) (u, dof float64, err error) {
	k, dof := c.K, c.DoF
	if dof == 0 {
		dof = Infinite
	}
	if k == 0 {
		k = 2
		out.Assumed = append(out.Assumed, Remark{AssumedCoverageFactor, []Param{{"k", k, "1"}},
			"The certificate's coverage factor was assumed to be 2, as is usual."})
	}
	if !(c.Expanded >= 0) || math.IsInf(c.Expanded, 0) || !(k > 0) || math.IsInf(k, 0) || !(dof > 0) || !(c.Drift >= 0) || math.IsInf(c.Drift, 0) || math.IsNaN(c.Correction) || math.IsInf(c.Correction, 0) {
		return 0, 0, fmt.Errorf("%w: calibration with U = %v µm, k = %v, degrees of freedom %v, correction %v µm, drift %v µm; U and drift are 0 or more, k and degrees of freedom over 0",
			ErrInput, c.Expanded, k, dof, c.Correction, c.Drift)
	}
	return c.Expanded / k, dof, nil
}

func lapsed(u float64) Remark {
	return Remark{CalibrationLapsed, []Param{{"u", u, "um"}}, fmt.Sprintf(
		"The calibration has lapsed; it still counts, with its standard uncertainty raised to %.2g µm. Have it calibrated.", u)}
}

func biasRemark(m Method, shape Shape, d Defaults, low, high float64) Remark {
	remark := Remark{Code: AssumedBias, Params: []Param{{"low", low, "um"}, {"high", high, "um"}}}
	if low < 0 {
		remark.Params = append(remark.Params, Param{"contact_width", d.ContactWidth, "um"})
		remark.Text = fmt.Sprintf("A %s touches a bore beside the diameter and reads up to %.2g µm too small here (common practice, no published source).", m.words(), -low)
		return remark
	}
	remark.Params = append(remark.Params, Param{"tilt", d.TiltDegrees, "deg"})
	remark.Text = fmt.Sprintf("A %s not quite square to the %s reads up to %.2g µm too large here (common practice, no published source).", m.words(), shape, high)
	return remark
}
