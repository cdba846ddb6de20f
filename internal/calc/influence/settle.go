package influence

import (
	"errors"
	"math"

	"pinwright/internal/calc/apart"
	"pinwright/internal/calc/wornsize"
)

// Settling is the further reading that best tells which of two readings is
// wrong.
type Settling struct {
	// Again is the reading of the two that is to be taken once more as it was; -1
	// where a gauge of another size tells more.
	Again int
	Kind  wornsize.Kind // Measured, or Go for a gauge to be tried
	Size  float64       // of the gauge, µm from nominal
	// Station is where: the mouth to try, or the section to measure; AnyStation when
	// nobody knows where it was read before.
	Station   wornsize.Station
	Direction float64 // degrees to measure at, NaN for any
	// Power is the probability that its result points at the wrong one of the two,
	// less the probability that it points at the right one, when either may be wrong: 1
	// settles it, 0 is worth nothing.
	Power float64
	// WithoutFirst and WithoutSecond are the passing sizes (median) that each would leave.
	WithoutFirst, WithoutSecond float64
}

// ErrPair says that two readings of the feature have to be named.
var ErrPair = errors.New("name two different readings of the feature")

// gaugeBlur is the doubt of a further gauge: its class and its feel, µm (common
// practice, no published source).
const gaugeBlur = 2.0

// Settle finds which further reading tells readings first and second apart. Two
// answers stand against each other: the one without the first, the one without
// the second. A gauge of size g separates them by |P₁(go) − P₂(go)|, at best by the greatest
// distance of the two laws of the passing size (A. Kolmogorov's distance), so the gauge is the one where
// they are furthest apart. A measured reading with its own doubt separates them by the total variation of
// its two predictive laws, taken as normal: 2Φ(Δ/2s) − 1. The more powerful is named; a
// gauge when they are equal, since it averages over no direction. Errors are
// ErrPair and those of wornsize.Estimate.
func Settle(f wornsize.Feature, commons []wornsize.Common, first, second int) (Settling, error) {
	n := len(f.Readings)
	if first == second || first < 0 || second < 0 || first >= n || second >= n {
		return Settling{}, ErrPair
	}
	l := looker{f: apart.Feature(f, commons)}
	a, err := l.without(first)
	if err != nil {
		return Settling{}, err
	}
	b, err := l.without(second)
	if err != nil {
		return Settling{}, err
	}
	one, two := a.Features[0].Passing, b.Features[0].Passing
	out := Settling{Again: -1, Kind: wornsize.Go, Direction: math.NaN(), WithoutFirst: one.Quantile(0.5), WithoutSecond: two.Quantile(0.5)}
	for _, x := range [2][]float64{one.X, two.X} {
		for _, g := range x {
			if d := blurredDistance(one, two, g); d > out.Power {
				out.Power, out.Size = d, g
			}
		}
	}
	if f.Shape == wornsize.Bore {
		out.Size -= f.Form.Feel // a gauge goes when the bore exceeds it by the feel
	} else {
		out.Size += f.Form.Feel
	}
	for _, i := range [2]int{first, second} {
		r := f.Readings[i]
		if r.Kind != wornsize.Measured {
			out.Station = r.Station // the mouth that was in question
			continue
		}
		if power := l.again(l.f.Readings[i], a, b); power > out.Power+0.02 {
			out.Again, out.Kind, out.Station, out.Direction, out.Power, out.Size = i, wornsize.Measured, r.Station, r.Direction, power, 0
		}
	}
	return out, nil
}

// blurredDistance is how far apart two laws are at g, each blurred by the
// doubt of a gauge.
func blurredDistance(a, b wornsize.Law, g float64) float64 {
	// Three nodes of Gauss and Hermite's rule (Abramowitz and Stegun, 25.4.46).
	d := func(z float64) float64 { return a.CDF(g+gaugeBlur*z) - b.CDF(g+gaugeBlur*z) }
	return math.Abs(2./3*d(0) + 1./6*d(math.Sqrt(3)) + 1./6*d(-math.Sqrt(3)))
}

// again is how well taking a measured reading once more separates two answers.
// A section lies between the smallest and the largest size; its law is taken as
// normal about their middle.
func (l looker) again(r wornsize.Reading, a, b wornsize.Posterior) float64 {
	middle := func(p wornsize.Posterior) (mean, sd float64) {
		f := p.Features[0]
		mean = (f.Passing.Mean() + f.CleanUp.Mean()) / 2
		return mean, math.Hypot((f.CleanUp.Mean()-f.Passing.Mean())/math.Sqrt(12), (f.Passing.SD()+f.CleanUp.SD())/2)
	}
	ma, sa := middle(a)
	mb, sb := middle(b)
	s := math.Sqrt((sa*sa+sb*sb)/2 + r.U*r.U)
	return math.Erf(math.Abs(ma-mb) / (2 * s) / math.Sqrt2)
}
