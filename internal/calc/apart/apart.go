// Package apart makes the readings of one feature independent of each other, so
// that estimating it many times over has a bounded cost.
//
// What an instrument does to all of its readings alike says nothing of how they
// differ. So of the shared errors of a feature (JCGM 100:2008, 5.2) the one that most
// readings carry is dropped: those readings are then known to each other as well
// as they are, and the feature's size is out by that one error. Every other reading
// takes it in, together with its own: u' = √(u² + u_own² + u_common²). One-sided biases
// become normal laws about their middle (JCGM 100, F.2.4.5), and directions count
// as unknown. All but the first tells less than the readings do, never more.
//
// It estimates nothing. An answer that is served rests on the readings
// themselves; this serves questions about differences, such as which reading does not go
// with the others.
package apart

import (
	"math"

	"pinwright/internal/calc/wornsize"
)

// Feature returns f with readings that share nothing, in the same order. Micrometres.
// commons are what f's readings refer to; a reference beyond them is
// left for wornsize to refuse. f itself is not changed.
func Feature(f wornsize.Feature, commons []wornsize.Common) wornsize.Feature {
	uses := make([]int, len(commons))
	for _, r := range f.Readings {
		if r.Common >= 0 && r.Common < len(commons) {
			uses[r.Common]++
		}
	}
	reference := -1
	for c, n := range uses {
		if n > 1 && (reference < 0 || n > uses[reference]) {
			reference = c
		}
	}
	shift := 0.0 // of the reference, that all other readings do not share
	if reference >= 0 {
		shift = standard(commons[reference])
	}
	out := f
	out.Readings = make([]wornsize.Reading, len(f.Readings))
	for i, r := range f.Readings {
		switch {
		case r.Common < 0:
			r.U = math.Hypot(r.U, shift)
		case r.Common >= len(commons):
		case r.Common == reference:
			r.Common = -1
			if r.U == 0 { // all of its error was shared: what is left is below what anybody reads
				r.U = 0.1
			}
		default:
			r.U = math.Hypot(math.Hypot(r.U, shift), standard(commons[r.Common]))
			r.Common = -1
		}
		if r.Kind == wornsize.Measured && r.BiasHigh > r.BiasLow {
			r.Value -= (r.BiasLow + r.BiasHigh) / 2
			r.U = math.Hypot(r.U, (r.BiasHigh-r.BiasLow)/math.Sqrt(12))
			r.BiasLow, r.BiasHigh = 0, 0
		}
		r.Direction = math.NaN()
		out.Readings[i] = r
	}
	return out
}

// standard is the standard uncertainty of a shared error.
func standard(c wornsize.Common) float64 {
	if c.U > 0 {
		return c.U
	}
	return c.HalfWidth / math.Sqrt(3)
}
