package wornsize

import (
	"fmt"
	"math"
	"slices"
)

// Slips gives, for each reading of feature f of a set, the probability that it
// has nothing to do with that feature (misread, misplaced, written down wrongly),
// when before any reading one in 1/prior was such a slip and the others are
// none. It flags, it drops nothing: Estimate has answered with all readings in.
//
// By Bayes' rule, from what the set says without the reading (D. S. Sivia and
// J. Skilling, Data Analysis, 2nd ed., 8.3, on outliers): with Z the evidence of all
// readings, Z₋ of all but this one and g what a slip has in its place — for a
// measured value 1/W, W the width of what is believed before any reading, for
// a gauged outcome a third, or a half of a short gauge's two — the
// probability is prior·g·Z₋ / (prior·g·Z₋ + (1 − prior)·Z).
//
// Cost: one estimate for each reading and one more, of the features that share
// errors with f. prior lies between 0 and 1, both excluded; 0.01 is common
// practice, no published source.
func Slips(set Set, f int, prior float64) ([]float64, error) {
	if f < 0 || f >= len(set.Features) {
		return nil, fmt.Errorf("feature %d: the set has %d", f, len(set.Features))
	}
	if !(prior > 0 && prior < 1) {
		return nil, fmt.Errorf("prior is %g: give the share of readings that are slips, between 0 and 1", prior)
	}
	set, f = set.connected(f)
	readings := set.Features[f].Readings
	all, err := evidence(set)
	if err != nil {
		return nil, err
	}
	out := make([]float64, len(readings))
	for i, r := range readings {
		rest := set
		rest.Features = slices.Clone(set.Features)
		rest.Features[f].Readings = slices.Delete(slices.Clone(readings), i, i+1)
		without, err := evidence(rest)
		if err != nil {
			return nil, err
		}
		odds := math.Log(prior/(1-prior)) + slipDensity(set.Features[f], r) + without - all
		out[i] = 1 / (1 + math.Exp(-odds))
	}
	return out, nil
}

// slipDensity is the log of what a slip has in the place of a reading.
func slipDensity(f Feature, r Reading) float64 {
	switch {
	case r.Kind == Measured:
		return observation{u: r.U, low: r.BiasLow, high: r.BiasHigh}.slipOf(spanOf(f)) - math.Log(Slip)
	case r.PartLength:
		return -math.Log(2)
	}
	return -math.Log(3)
}

// evidence is the log evidence of a set, without its laws.
func evidence(set Set) (float64, error) {
	w, err := work(set)
	if err != nil {
		return 0, err
	}
	defer w.giveBack()
	return w.evidence, nil
}

// connected is the part of a set that shares errors with feature f, by whatever
// way, and the place of f in it.
func (s Set) connected(f int) (Set, int) {
	inside := make([]bool, len(s.Features))
	inside[f] = true
	touched := make([]bool, len(s.Commons))
	for grew := true; grew; {
		grew = false
		for i, feature := range s.Features {
			for _, r := range feature.Readings {
				if r.Common < 0 || r.Common >= len(touched) {
					continue
				}
				if inside[i] && !touched[r.Common] {
					touched[r.Common], grew = true, true
				}
				if !inside[i] && touched[r.Common] {
					inside[i], grew = true, true
				}
			}
		}
	}
	out := Set{Commons: s.Commons, Stop: s.Stop}
	place := 0
	for i, feature := range s.Features {
		if i == f {
			place = len(out.Features)
		}
		if inside[i] {
			out.Features = append(out.Features, feature)
		}
	}
	return out, place
}
