package controlchart

import (
	"errors"
	"fmt"
	"math"
	"slices"
)

// What can be wrong with a question; the errors returned wrap one of these.
var (
	ErrValue    = errors.New("not a value")
	ErrTooMany  = errors.New("too many")
	ErrSegment  = errors.New("not a start of a segment")
	ErrBaseline = errors.New("not a baseline")
	ErrRule     = errors.New("not a rule")
	ErrSpread   = errors.New("not a way to the spread")
)

// MostValues is how many values a question may hold; most how large they may be.
const (
	MostValues = 1000
	most       = 1e15
)

// FewForLimits is below how many values limits are called provisional (common
// practice: 20 to 25, no published source; AIAG and handbooks differ).
const FewForLimits = 20

// Constants of ranges of two values of a normal law; closed forms.
var (
	D2       = 2 / math.Sqrt(math.Pi)
	D3       = math.Sqrt(2 - 4/math.Pi)
	UpperMR  = 1 + 3*D3/D2        // D4
	D4Median = 0.9538725524089398 // √2 Φ⁻¹(3/4)
)

// Spread is how σ is found from the moving ranges.
type Spread string

// The ways. Empty is MeanRange.
const (
	MeanRange   Spread = "mean_moving_range"
	MedianRange Spread = "median_moving_range"
)

// Rule names what a signal goes by; see the package comment.
type Rule string

// The rules.
const (
	Nelson1     Rule = "nelson_1"
	Nelson2     Rule = "nelson_2"
	Nelson3     Rule = "nelson_3"
	Nelson4     Rule = "nelson_4"
	Nelson5     Rule = "nelson_5"
	Nelson6     Rule = "nelson_6"
	Nelson7     Rule = "nelson_7"
	Nelson8     Rule = "nelson_8"
	Western1    Rule = "western_electric_1"
	Western2    Rule = "western_electric_2"
	Western3    Rule = "western_electric_3"
	Western4    Rule = "western_electric_4"
	MovingRange Rule = "moving_range"
)

// Nelson and WesternElectric are the two sets of rules.
var (
	Nelson          = []Rule{Nelson1, Nelson2, Nelson3, Nelson4, Nelson5, Nelson6, Nelson7, Nelson8}
	WesternElectric = []Rule{Western1, Western2, Western3, Western4}
)

// Given are limits that are known from elsewhere: the centre and σ of a baseline.
type Given struct{ Centre, Sigma float64 }

// Question is what Judge answers. Values are in the order in which they came, in
// any unit.
type Question struct {
	Values   []float64
	Starts   []int  // indexes at which a segment begins, in any order; 0 always does
	Spread   Spread // not used where Given is
	Baseline int    // phase 2: limits from so many first values of each segment, 2 or more; 0: phase 1
	Given    *Given // phase 2: these limits, for all segments
	Rules    []Rule // empty: Nelson's eight
}

func (q Question) check() error {
	if len(q.Values) > MostValues {
		return fmt.Errorf("%w: %d values, at most %d", ErrTooMany, len(q.Values), MostValues)
	}
	for i, v := range q.Values {
		if !(math.Abs(v) <= most) {
			return fmt.Errorf("%w: value %d: must be a number within ±%g", ErrValue, i, most)
		}
	}
	for _, s := range q.Starts {
		if s < 0 || s >= max(1, len(q.Values)) {
			return fmt.Errorf("%w: %d; there are values 0 to %d", ErrSegment, s, len(q.Values)-1)
		}
	}
	switch q.Spread {
	case "", MeanRange, MedianRange:
	default:
		return fmt.Errorf("%w: %q is neither mean_moving_range nor median_moving_range", ErrSpread, q.Spread)
	}
	switch {
	case q.Given != nil && q.Baseline != 0:
		return fmt.Errorf("%w: give centre and sigma or a number of first values, not both", ErrBaseline)
	case q.Given != nil && !(math.Abs(q.Given.Centre) <= most):
		return fmt.Errorf("%w: the centre must be a number within ±%g", ErrBaseline, most)
	case q.Given != nil && !(q.Given.Sigma > 0 && q.Given.Sigma <= most):
		return fmt.Errorf("%w: sigma must be over 0: without spread there are no limits", ErrBaseline)
	case q.Baseline < 0 || q.Baseline == 1:
		return fmt.Errorf("%w: of %d values; a moving range wants two", ErrBaseline, q.Baseline)
	}
	for _, r := range q.Rules {
		if !slices.Contains(Nelson, r) && !slices.Contains(WesternElectric, r) && r != MovingRange {
			return fmt.Errorf("%w: %q", ErrRule, r)
		}
	}
	return nil
}
