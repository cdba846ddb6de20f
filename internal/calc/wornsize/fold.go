package wornsize

import (
	"cmp"
	"math"
	"slices"
)

// What an estimate may cost: every shared error that is integrated multiplies
// the work, by most when the readings have no station (those are shared out
// among the sections, group by group, anew at every node).
const (
	mostIntegrated = 2 // shared errors of a set whose readings say where they were taken
	manyLoose      = 4 // measured readings of a feature without a station, beyond which there may be one
)

// FoldShared returns the set with the lesser of its shared errors folded into the
// readings, so that an estimate of it takes bounded time, and whether any was.
// Those that reach the most features stay, among equals the largest.
//
// A shared error of standard uncertainty u over the m readings of a feature
// becomes an own error of u·√m of each: their mean is then as uncertain as it
// was (JCGM 100, 5.2: what is shared does not average out), while the readings
// tell each other less of form than they did. What features knew of each other
// through it is lost. An error of one reading alone is left: Estimate folds it exactly.
func FoldShared(set Set) (Set, bool) {
	type user struct{ common, features, readings int }
	users := make([]user, len(set.Commons))
	loose, mixed := false, false
	for c := range users {
		users[c].common = c
	}
	for _, f := range set.Features {
		seen := map[int]int{}
		unplaced := 0
		by := map[int]bool{}
		for _, r := range f.Readings {
			if r.Common >= 0 {
				seen[r.Common]++
			}
			if r.Kind == Measured && r.Station == AnyStation {
				unplaced++
				by[r.Common] = true
			}
		}
		for c, n := range seen {
			users[c].features++
			users[c].readings += n
		}
		loose = loose || unplaced > manyLoose
		mixed = mixed || unplaced > manyLoose && len(by) > 1
	}
	users = slices.DeleteFunc(users, func(u user) bool { return u.readings < 2 })
	most := mostIntegrated
	switch {
	case mixed:
		most = 0
	case loose:
		most = 1
	}
	if len(users) <= most {
		return set, false
	}
	slices.SortFunc(users, func(a, b user) int {
		return cmp.Or(cmp.Compare(b.features, a.features), cmp.Compare(set.Commons[b.common].standard(), set.Commons[a.common].standard()), cmp.Compare(a.common, b.common))
	})
	folded := map[int]bool{}
	for _, u := range users[most:] {
		folded[u.common] = true
	}
	out := Set{Commons: set.Commons, Features: slices.Clone(set.Features)}
	for f := range out.Features {
		readings := slices.Clone(out.Features[f].Readings)
		uses := map[int]int{}
		for _, r := range readings {
			uses[r.Common]++
		}
		for i, r := range readings {
			if r.Common >= 0 && folded[r.Common] {
				readings[i].U = math.Hypot(r.U, set.Commons[r.Common].standard()*math.Sqrt(float64(uses[r.Common])))
				readings[i].Common = -1
			}
		}
		out.Features[f].Readings = readings
	}
	return out, true
}

// standard is the standard uncertainty of a shared error, µm.
func (c Common) standard() float64 {
	if c.U > 0 {
		return c.U
	}
	return c.HalfWidth / math.Sqrt(3)
}

// FoldBiases returns the set with every one-sided bias that is no wider than
// twice its reading's own standard uncertainty taken as more uncertainty about the
// bias's middle (JCGM 100, F.2.4.5): the two laws can hardly be told apart, and the
// normal one is integrated in a fiftieth of the time. Wider ones stay.
func FoldBiases(set Set) Set {
	out := Set{Commons: set.Commons, Features: slices.Clone(set.Features)}
	for f := range out.Features {
		out.Features[f].Readings = slices.Clone(out.Features[f].Readings)
		for i := range out.Features[f].Readings {
			r := &out.Features[f].Readings[i]
			width := r.BiasHigh - r.BiasLow
			if r.Kind != Measured || width <= 0 || width > 2*r.U {
				continue
			}
			r.Value -= (r.BiasLow + r.BiasHigh) / 2
			r.U, r.BiasLow, r.BiasHigh = math.Hypot(r.U, width/math.Sqrt(12)), 0, 0
		}
	}
	return out
}
