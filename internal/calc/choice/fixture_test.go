package choice

import (
	"math"

	"pinwright/internal/calc/wornsize"
)

// inch is a size in inches as micrometres from a nominal of 0.314 in.
func inch(x float64) float64 { return (x - 0.314) * 25400 }

// normalLaw is a normal law as a table.
func normalLaw(mean, sd float64) wornsize.Law {
	l := wornsize.Law{}
	for i := -60; i <= 60; i++ {
		z := float64(i) / 10
		l.X = append(l.X, mean+sd*z)
		l.P = append(l.P, phi(z))
	}
	l.P[0], l.P[120] = 0, 1
	return l
}

// bore is a feature without common errors.
func bore(passing, cleanUp, sd float64) wornsize.FeaturePosterior {
	s, l := normalLaw(passing, sd), normalLaw(cleanUp, sd)
	return wornsize.FeaturePosterior{Passing: s, CleanUp: l, Original: s,
		PassingAt: []wornsize.Law{s}, CleanUpAt: []wornsize.Law{l}}
}

// shiftedBore is a feature whose sizes move with each node of a common error.
func shiftedBore(passing, cleanUp, sd float64, shifts []float64) wornsize.FeaturePosterior {
	spread := 0.0
	for _, x := range shifts {
		spread = math.Max(spread, math.Abs(x))
	}
	f := wornsize.FeaturePosterior{
		Passing: normalLaw(passing, math.Hypot(sd, spread/2)),
		CleanUp: normalLaw(cleanUp, math.Hypot(sd, spread/2)),
	}
	f.Original = f.Passing
	for _, x := range shifts {
		f.PassingAt = append(f.PassingAt, normalLaw(passing+x, sd))
		f.CleanUpAt = append(f.CleanUpAt, normalLaw(cleanUp+x, sd))
	}
	return f
}

// hingeSeries is the series of the common-practice check: pin 0.314 in new,
// oversizes 0.317 and 0.321 in, reamers 0.318 and 0.322 in (common practice,
// no published source). Tolerances and cut laws are invented for the checks.
func hingeSeries() []Step {
	pin := func(size float64) Interval { return Interval{inch(size) - 5, inch(size)} }
	reamer := func(code string, size float64) *Reamer {
		return &Reamer{Code: code, Diameter: inch(size), Overcut: 0, OvercutU: 2, Scatter: 2,
			MinCut: 20, MaxCut: 300, WearMinor: 60, BorrowMinor: 300, WaitDays: 2, Available: true}
	}
	return []Step{
		{Code: "standard", Pin: pin(0.314), PriceMinor: 900, LeadDays: 4, Available: true},
		{Code: "oversize_1", Pin: pin(0.317), Reamer: reamer("0.318", 0.318), PriceMinor: 1100, LeadDays: 4, Available: true},
		{Code: "oversize_2", Pin: pin(0.321), Reamer: reamer("0.322", 0.322), PriceMinor: 1100, LeadDays: 4, Available: true},
	}
}

// oneThousandthOver is the trade's rule, the reamer 0.001 in over the pin,
// with room of 20 µm either way.
var oneThousandthOver = Interval{5, 46}

func hinge(code string, running ...int) Joint {
	return Joint{Code: code, Running: running, Pin: -1, Target: oneThousandthOver, Dirty: true,
		Bush:        &Bush{Hole: inch(0.390), Finished: Interval{inch(0.315), inch(0.315) + 10}, PriceMinor: 1500, LabourMinor: 2500, LeadDays: 6},
		Replacement: &Replacement{PriceMinor: 14000, LabourMinor: 3000, LeadDays: 14, Meets: 0.99}}
}

func problem(post wornsize.Posterior, joints ...Joint) Problem {
	return Problem{Posterior: post, Series: hingeSeries(), Joints: joints, Losses: DefaultLosses(), Risk: DefaultRisk()}
}

func single(features ...wornsize.FeaturePosterior) wornsize.Posterior {
	return wornsize.Posterior{Weights: []float64{1}, Features: features}
}
