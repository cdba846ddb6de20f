package wornsize

import (
	"fmt"
	"math"

	"pinwright/internal/calc/uncertainty"
)

// Codes of what the defaults of this file assume.
const (
	AssumedForm  = "assumed_form"
	AssumedFeel  = "assumed_feel_of_surface"
	AssumedPrior = "assumed_size_before_reading"
)

// defaultForms are the means of form error by state of the surface, in
// micrometres: orders of magnitude seen on bores of about 8 mm; common practice,
// no published source. Wear makes mouths and ovals grow, rust and pits put the
// metal to be reached further out, and rust takes the feel from a gauge. They
// are meant to be replaced by what a club has seen on its own joints.
var defaultForms = map[string]Form{
	"bright":  {BellMouth: 10, MiddleShare: 0.5, Ovality: 10, Surface: 3, Feel: 1.5},
	"rusty":   {BellMouth: 20, MiddleShare: 0.5, Ovality: 20, Surface: 10, Feel: 4},
	"pitted":  {BellMouth: 20, MiddleShare: 0.5, Ovality: 20, Surface: 10, Feel: 2},
	"scored":  {BellMouth: 15, MiddleShare: 0.5, Ovality: 15, Surface: 6, Feel: 2},
	"unknown": {BellMouth: 15, MiddleShare: 0.5, Ovality: 15, Surface: 6, Feel: 3},
}

// DefaultForm returns the form error to expect of a worn bore or pin when
// nothing better is known, and what that assumes. surface is bright, rusty,
// pitted, scored or unknown; any other text counts as unknown. Micrometres;
// common practice, no published source.
func DefaultForm(surface string) (Form, []uncertainty.Remark) {
	form, known := defaultForms[surface]
	if !known {
		surface, form = "unknown", defaultForms["unknown"]
	}
	kind := "a " + surface + " surface"
	if surface == "unknown" {
		kind = "a surface nobody described"
	}
	um := func(name string, value float64) uncertainty.Param {
		return uncertainty.Param{Name: name, Value: value, Unit: "um"}
	}
	return form, []uncertainty.Remark{
		{Code: AssumedForm, Params: []uncertainty.Param{um("bell_mouth", form.BellMouth), um("ovality", form.Ovality), um("surface", form.Surface)},
			Text: fmt.Sprintf("For %s a bell mouth of %g µm, an ovality of %g µm and %g µm of metal to be reached beyond it were assumed, each on average (common practice, no published source).",
				kind, form.BellMouth, form.Ovality, form.Surface)},
		{Code: AssumedFeel, Params: []uncertainty.Param{um("feel", form.Feel)},
			Text: fmt.Sprintf("On %s a gauge was assumed to go when the bore exceeds it by %g µm (common practice, no published source).", kind, form.Feel)},
	}
}

// DefaultPrior returns what is believed of the base size, counted from a nominal
// size in micrometres, before any reading: it may have been made a little small,
// and worn or been cut by a fourteenth of its size but at least half a
// millimetre. A pin mirrors it. Common practice, no published source; readings
// outweigh it wherever there are any on both sides of the size.
func DefaultPrior(shape Shape, nominal float64) (Prior, []uncertainty.Remark) {
	const made, shoulder = 30, 20
	worn := math.Max(500, nominal/14)
	p := Prior{Low: -made, High: worn, Shoulder: shoulder}
	if shape == Pin {
		p.Low, p.High = -worn, made
	}
	return p, []uncertainty.Remark{{Code: AssumedPrior,
		Params: []uncertainty.Param{{Name: "low", Value: p.Low, Unit: "um"}, {Name: "high", Value: p.High, Unit: "um"}},
		Text:   fmt.Sprintf("Before any reading every size from %.0f µm to %+.0f µm beside the nominal size was held equally likely (common practice, no published source).", p.Low, p.High)}}
}
