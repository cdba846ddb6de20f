package reading

import (
	"fmt"

	"pinwright/internal/calc/length"
)

// Remark is a sentence for people with its code and values for programs, so
// that a client can say it in another language.
type Remark struct {
	Code   string
	Params map[string]any
	Text   string
}

// Codes of what is assumed where an entry says nothing.
const (
	AssumedFeature      = "assumed_usual_feature"
	AssumedPinGauge     = "assumed_pin_gauge"
	AssumedBothEnds     = "assumed_both_ends"
	AssumedWholeLength  = "assumed_whole_length"
	AssumedAnyStation   = "assumed_any_station"
	AssumedAnyDirection = "assumed_any_direction"
	AssumedDeburred     = "assumed_deburred"
	AssumedStage        = "assumed_stage"
	AssumedSurface      = "assumed_surface"
	AssumedTemperature  = "assumed_temperature"
	AssumedTakenNow     = "assumed_taken_when_received"
)

var assumptions = map[string]string{
	AssumedPinGauge:     "The gauge is a plain pin gauge.",
	AssumedBothEnds:     "The gauge was tried from both ends and behaved the same.",
	AssumedWholeLength:  "The gauge is at least as long as the bore.",
	AssumedAnyStation:   "Where along the axis was not said; it may be anywhere.",
	AssumedAnyDirection: "In which direction across the axis was not said; it may be any.",
	AssumedDeburred:     "The mouth was free of burrs and staking.",
	AssumedStage:        "The feature was read as found.",
	AssumedSurface:      "Nothing is known of the surface.",
	AssumedTemperature:  "The workpiece was at 20 degrees Celsius.",
	AssumedTakenNow:     "It was taken when it was received.",
}

// Remarks says what was assumed of r.
func (r Reading) Remarks() []Remark {
	out := make([]Remark, len(r.Assumed))
	for i, code := range r.Assumed {
		out[i] = Remark{Code: code, Text: assumptions[code]}
		switch code {
		case AssumedFeature:
			out[i].Params = map[string]any{"feature": r.FeatureCode}
			out[i].Text = "The joint's usual feature was meant: " + r.FeatureCode + "."
		case AssumedTemperature:
			out[i].Params = map[string]any{"temperature_celsius": 20}
		}
	}
	return out
}

// Codes of doubt.
const (
	FarFromNominal = "far_from_nominal"
	OutOfRange     = "out_of_range"
)

// What a size may be before it is doubted (common practice, no published
// source): wear and reaming move a joint's sizes by a few per cent, a slip of
// unit or decimal point by more than two, so there is wide room for this line between them. Without
// a nominal size only what no pin or bore of a car has is doubted.
const (
	nominalShare               = 0.3
	smallest     length.Length = 500_000
	largest      length.Length = 100_000_000
)

// doubt returns the code of what is implausible in a size; nil for nothing.
func doubt(size length.Length, nominal *length.Length) *string {
	switch {
	case nominal != nil && !near(size, *nominal):
		return pointerTo(FarFromNominal)
	case nominal == nil && (size < smallest || size > largest):
		return pointerTo(OutOfRange)
	}
	return nil
}

func near(size, nominal length.Length) bool {
	return (size - nominal).Abs().Millimetres() <= nominalShare*nominal.Millimetres()
}

// Question asks whether a doubtful reading was meant as it was entered; nil for
// a sound one. When the digits fit in another unit, or with the decimal point
// one place along, it asks for just that.
func (r Reading) Question() *Remark {
	if r.Doubtful == nil {
		return nil
	}
	entered := r.Entered + " " + r.EnteredUnit
	out := &Remark{Code: *r.Doubtful, Params: map[string]any{"entered": entered}}
	meant := r.meant()
	if meant != "" {
		out.Params["perhaps"] = meant
	}
	if r.Nominal != nil {
		nominal := r.Nominal.Text(length.Unit(r.EnteredUnit))
		out.Params["nominal"] = nominal
		out.Text = fmt.Sprintf("%s is %s the nominal %s", entered, proportion(r.Size, *r.Nominal), nominal)
	} else {
		out.Text = fmt.Sprintf("%s is hardly the size of a pin or bore (%s to %s)", entered, smallest.Text(length.Millimetre), largest.Text(length.Millimetre))
	}
	if meant != "" {
		out.Text += fmt.Sprintf(": was it %s? Replace it if so", meant)
	} else {
		out.Text += ": is that so? Replace it if not"
	}
	out.Text += ", or with the same size to confirm it; until then it counts for nothing."
	return out
}

// meant is the entry that would be plausible; empty when none or several would.
func (r Reading) meant() string {
	plausible := func(q length.Quantity, err error) bool { return err == nil && doubt(q.Length(), r.Nominal) == nil }
	var found []string
	for _, unit := range length.Units() {
		if q, err := length.New(r.Entered, unit); plausible(q, err) {
			found = append(found, q.String())
		}
	}
	if len(found) == 0 && r.Nominal != nil {
		for _, size := range []length.Length{r.Size / 10, r.Size * 10} {
			if q, err := size.Quantity(length.Unit(r.EnteredUnit)); plausible(q, err) {
				found = append(found, q.String())
			}
		}
	}
	if len(found) != 1 {
		return ""
	}
	return found[0]
}

// proportion says by how much size is off nominal.
func proportion(size, nominal length.Length) string {
	ratio := size.Millimetres() / nominal.Millimetres()
	switch {
	case ratio >= 2:
		return fmt.Sprintf("%.3g times", ratio)
	case ratio > 1:
		return fmt.Sprintf("%.0f %% above", 100*(ratio-1))
	case ratio > 0.5:
		return fmt.Sprintf("%.0f %% below", 100*(1-ratio))
	}
	return fmt.Sprintf("1/%.3g of", 1/ratio)
}
