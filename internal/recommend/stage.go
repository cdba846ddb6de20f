package recommend

import (
	"slices"

	"pinwright/internal/calc/length"
	"pinwright/internal/calc/wornsize"
	"pinwright/internal/reading"
)

// What is left of the surface allowance once a feature was cleaned or cut, as a
// share of what was there as found: loose rust and scale are gone, pits and
// scores stay for the most part, and a reamer leaves bright metal but for what it did not
// reach. A pin sits in its boss by its ends, which wear a tenth as much as its middle.
// Common practice, no published source.
const (
	cleanedShare       = 0.5
	cleanedPittedShare = 0.8
	reamedShare        = 0.2
	pinEndShare        = 0.1
	biasedLayers       = 3 // widths of a one-sided bias that reaches as far as 95 % of an exponential layer
)

// state is how far the work on a feature has come, by its standing readings.
type state struct {
	surface string // last described
	found   string // as described before it was cleaned, else the same
	cleaned bool
	reamed  bool
	layer   float64 // mean of what lay on the metal as found, µm
}

func stateOf(own []reading.Observation) state {
	s := state{surface: "unknown", found: "unknown"}
	described := false // since it was cleaned
	for _, r := range own {
		clean := r.Stage != "as_found"
		s.cleaned = s.cleaned || r.Stage == "cleaned"
		s.reamed = s.reamed || r.Stage == "reamed"
		if r.Surface == "unknown" {
			continue
		}
		if !clean {
			s.found = r.Surface
		}
		if clean || !described { // what was seen on clean metal stands, whenever the rest was posted
			s.surface = r.Surface
		}
		described = described || clean
	}
	if s.found == "unknown" {
		s.found = s.surface
	}
	if s.cleaned && !described && s.surface == "rusty" {
		s.surface = "unknown" // the rust is off, and nobody said what it left
	}
	return s
}

// allow makes the surface allowance what the stage leaves of it; found is what
// it is as found.
func (o *observation) allow(f FeatureRow, s *state, found float64, form *wornsize.Form) {
	s.layer = found
	share := 1.0
	switch {
	case s.reamed:
		share = reamedShare
	case s.cleaned && (s.surface == "pitted" || s.surface == "scored"):
		share = cleanedPittedShare
	case s.cleaned:
		share = cleanedShare
	}
	form.Surface = found * share
	if share < 1 && f.Shape == "bore" {
		o.assumed.add("assumed_surface_after_stage", map[string]any{"feature": f.Code, "found_um": found, "left_um": form.Surface},
			"%s: since it was cleaned or cut, %.2g µm of metal to be reached beyond the surface were assumed in place of %.2g µm as found (common practice, no published source).", f.Code, form.Surface, found)
	}
	if f.Shape == "pin" {
		form.MiddleShare = pinEndShare
		o.assumed.add("assumed_pin_ends", map[string]any{"share": pinEndShare},
			"The ends of a pin were taken to have worn a tenth as much as its middle, so that they tell its original size (common practice, no published source).")
	}
}

// asFound makes a reading from before cleaning a bound, not a size: rust and
// dirt only take from a bore and add to a pin, so clean metal lies at or beyond
// what was read. At a mouth that is a lip for the engine, elsewhere a one-sided
// bias that reaches about as far.
func (o *observation) asFound(f FeatureRow, s state, r reading.Observation, out *wornsize.Reading) {
	if !s.cleaned || r.Stage != "as_found" || s.layer <= 0 {
		return
	}
	o.assumed.add("found_before_cleaning", map[string]any{"feature": f.Code, "layer_um": s.layer},
		"%s was cleaned: what was read as found was taken to bound the clean size, with %.2g µm of rust or dirt between them on average (common practice, no published source).", f.Code, s.layer)
	switch {
	case out.Kind != wornsize.Measured, out.Station != wornsize.Middle:
		out.Burred = true
	case f.Shape == "pin":
		out.BiasHigh += biasedLayers * s.layer
	default:
		out.BiasLow -= biasedLayers * s.layer
	}
}

// lip is the mean of the lips of a feature's mouths: that of rust, unless some
// reading met a burr, which is the larger.
func (s state) lip(own []reading.Observation) float64 {
	burred := slices.ContainsFunc(own, func(r reading.Observation) bool { return r.Deburred != nil && !*r.Deburred })
	if !s.cleaned || burred {
		return 0
	}
	return s.layer
}

// surfaceOf is the surface allowance as found: the template's, else by how it
// looked.
func (s state) surfaceOf(j JointRow) float64 {
	if j.SurfaceNm != nil {
		return length.Length(*j.SurfaceNm).Micrometres()
	}
	form, _ := wornsize.DefaultForm(s.found)
	return form.Surface
}
