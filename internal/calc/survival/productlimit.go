package survival

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// Step is the share that survives from At on until the next step.
type Step struct {
	At       float64 // where it falls to Survival
	AtRisk   int     // watched and not ended just before At
	Failures int     // at At
	Survival float64
	SE       float64 // Greenwood's standard error of Survival; 0 where Survival is 0
	Low      float64 // of the interval asked for
	High     float64
}

// ProductLimit is the Kaplan–Meier estimate: a step for each moment at which
// lives ended, in order, with intervals of the given level (such as 0.95). Of two that
// happen at one moment, failing comes before being censored, and before being watched
// from there on. Lives known between inspections only are refused (ErrLife): see Turnbull.
//
// While few are watched early (left truncation) an estimate can fall to 0 although lives go
// on; it then says nothing of those and stays at 0, as the product does.
func ProductLimit(lives []Life, level float64) ([]Step, error) {
	if err := check(lives); err != nil {
		return nil, err
	}
	if level <= 0 || level >= 1 {
		return nil, fmt.Errorf("the level of an interval lies between 0 and 1, not at %g", level)
	}
	var ends []float64
	for i, l := range lives {
		if l.failed() && !l.exact() {
			return nil, fmt.Errorf("%w seen to end: of life %d it is known only that it ended in (%g, %g]", ErrLife, i+1, l.From, l.Until)
		}
		if l.failed() {
			ends = append(ends, l.From)
		}
	}
	slices.Sort(ends)
	ends = slices.Compact(ends)
	z := distuv.UnitNormal.Quantile(0.5 + level/2)
	steps := make([]Step, 0, len(ends))
	survival, sum := 1.0, 0.0 // sum: Greenwood's
	for _, at := range ends {
		s := Step{At: at}
		for _, l := range lives {
			if l.Entered < at && l.From >= at {
				s.AtRisk++
				if l.exact() && l.From == at {
					s.Failures++
				}
			}
		}
		n, d := float64(s.AtRisk), float64(s.Failures)
		survival *= (n - d) / n
		if survival > 0 {
			sum += d / (n * (n - d))
			s.SE = survival * math.Sqrt(sum)
			w := math.Exp(z * math.Sqrt(sum) / math.Log(survival)) // log is below 0
			s.Low, s.High = math.Pow(survival, 1/w), math.Pow(survival, w)
		}
		s.Survival = survival
		steps = append(steps, s)
	}
	return steps, nil
}

// Median is the first moment at which at most half survive; false where more do to the
// end.
func Median(steps []Step) (float64, bool) {
	for _, s := range steps {
		if s.Survival <= 0.5 {
			return s.At, true
		}
	}
	return 0, false
}
