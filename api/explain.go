package api

import (
	"math"

	"pinwright/internal/calc/derivation"
)

// explained renders how an answer came about where that was asked for; steps is
// called only then.
func explained(asked *bool, steps func() []derivation.Step) *Explanation {
	if !or(asked, false) {
		return nil
	}
	out := Explanation{}
	for _, s := range steps() {
		out = append(out, Derivation{Name: s.Name, Formula: s.Formula, Inputs: derivedValues(s.Inputs), Values: derivedValues(s.Values),
			Result: derivedValue(s.Result), Source: s.Source})
	}
	return &out
}

func derivedValues(list []derivation.Value) []DerivedValue {
	out := make([]DerivedValue, 0, len(list))
	for _, v := range list {
		out = append(out, derivedValue(v))
	}
	return out
}

// derivedValue shows a number as it is, or in words where JSON has none for it.
func derivedValue(v derivation.Value) DerivedValue {
	out := DerivedValue{Symbol: v.Symbol, Name: v.Name, Unit: v.Unit}
	switch {
	case v.Text != "":
		out.Text = &v.Text
	case math.IsNaN(v.Value):
		out.Text = pointerTo("not defined")
	case math.IsInf(v.Value, 1):
		out.Text = pointerTo("infinite")
	case math.IsInf(v.Value, -1):
		out.Text = pointerTo("minus infinite")
	default:
		out.Value = &v.Value
	}
	return out
}
