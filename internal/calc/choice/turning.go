package choice

import (
	"math"
	"slices"

	"pinwright/internal/calc/wornsize"
)

// Turning is what it takes to turn a gauge that nobody has.
type Turning struct {
	CostMinor float64 // time and stock for one gauge, a loss that its reading must outweigh
	Tolerance float64 // width of what the turned size may be, rectangular, µm
	Blur      float64 // standard uncertainty of feel, µm
}

const (
	mostTurned = 3 // sizes tried for one bore
	turnedStep = 5 // µm between sizes that a turner is asked for
	sameGauge  = 4 // µm within which a gauge at hand serves as well
)

func (t Turning) blur() float64 { return math.Hypot(t.Blur, t.Tolerance/math.Sqrt(12)) }

// sizes are the gauges worth turning for a bore, none where a gauge at hand
// serves: high in what its passing size may be and within its clean-up size, since
// a cut fails at the large end, where a gauge starts in a mouth or does not; the
// bore that each reamer cleans up as likely as not; the size about which it is as
// likely to go as not; and the pins of the series.
func (t Turning) sizes(series []Step, post wornsize.FeaturePosterior, have []Gauge) []float64 {
	form := post.CleanUp.Mean() - post.Passing.Mean()
	all := []float64{post.Passing.Quantile(0.95), post.CleanUp.Quantile(0.75), post.CleanUp.Quantile(0.5)}
	for _, s := range series {
		if s.Reamer != nil {
			all = append(all, s.Reamer.cut().mean-form)
		}
	}
	all = append(all, post.Passing.Quantile(0.5))
	for _, s := range series {
		all = append(all, s.Pin.Mid())
	}
	low, high := post.Passing.Quantile(0.02), post.CleanUp.Quantile(0.98)
	var out []float64
	for _, x := range all {
		x = math.Round(x/turnedStep) * turnedStep
		near := func(y float64) bool { return math.Abs(x-y) < sameGauge }
		if x < low || x > high || len(out) == mostTurned || slices.ContainsFunc(out, near) || slices.ContainsFunc(have, func(g Gauge) bool { return near(g.Size) }) {
			continue
		}
		out = append(out, x)
	}
	return out
}
