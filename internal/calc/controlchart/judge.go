package controlchart

import (
	"fmt"
	"math"
	"slices"
)

// State is whether a segment has limits.
type State string

// The states.
const (
	Limits    State = "limits"
	TooFew    State = "too_few"    // fewer than two values to take limits from
	NoSpread  State = "no_spread"  // the moving ranges tell a σ of nought
	NoValues  State = "no_values"  // of the whole chart
	Baselined State = "in_advance" // the limits were given
)

// Segment is the chart between two starts: the values First to Last. Without
// limits the numbers from Sigma on are 0.
type Segment struct {
	First, Last  int
	State        State
	From         int     // how many values the limits were taken from; 0 where given
	Provisional  bool    // fewer than FewForLimits
	Centre       float64 // the mean of those values, or as given
	Sigma        float64
	MeanRange    float64 // of the moving ranges the limits were taken from
	MedianRange  float64
	Lower, Upper float64 // Centre ∓ 3 Sigma
	RangeUpper   float64 // of the chart of moving ranges
	Why          string  // in words, where State is not Limits
}

// Zones are the edges of the zones from below: -3σ, -2σ, -σ, centre, σ, 2σ, 3σ.
func (s Segment) Zones() [7]float64 {
	var z [7]float64
	for i := range z {
		z[i] = s.Centre + float64(i-3)*s.Sigma
	}
	return z
}

// Point is one value on the chart.
type Point struct {
	Index       int
	Value       float64
	Z           float64  // (Value - Centre)/Sigma of its segment; 0 without limits
	MovingRange *float64 // nil at the first of a segment
	Segment     int
	Rules       []Rule // of the signals that stand at this point
}

// Signal is a rule that was met at the point Index, by the Points.
type Signal struct {
	Rule    Rule
	Index   int
	Points  []int // in order, Index last
	Meaning string
}

// Chart is what Judge found.
type Chart struct {
	State    State // NoValues, else that of the last segment
	Spread   Spread
	Rules    []Rule
	Phase    int // 1 or 2
	Points   []Point
	Segments []Segment
	Signals  []Signal // by Index, then in the order of Rules
}

// Judge draws up the chart of the values and finds the signals. Errors wrap one
// of ErrValue, ErrTooMany, ErrSegment, ErrBaseline, ErrRule and ErrSpread; too
// few values are no error, the chart tells that there are no limits.
func Judge(q Question) (Chart, error) {
	if err := q.check(); err != nil {
		return Chart{}, err
	}
	c := Chart{State: NoValues, Spread: q.Spread, Rules: q.Rules, Phase: 1}
	if c.Spread == "" {
		c.Spread = MeanRange
	}
	if len(c.Rules) == 0 {
		c.Rules = Nelson
	}
	if q.Given != nil || q.Baseline > 0 {
		c.Phase = 2
	}
	if len(q.Values) == 0 {
		return c, nil
	}
	starts := append([]int{0}, q.Starts...)
	slices.Sort(starts)
	starts = slices.Compact(starts)
	for k, first := range starts {
		end := len(q.Values)
		if k+1 < len(starts) {
			end = starts[k+1]
		}
		s := q.segment(first, end, c.Spread)
		c.Segments = append(c.Segments, s)
		c.State = s.State
		for i := first; i < end; i++ {
			p := Point{Index: i, Value: q.Values[i], Segment: k}
			if i > first {
				r := math.Abs(q.Values[i] - q.Values[i-1])
				p.MovingRange = &r
			}
			if s.Sigma > 0 {
				p.Z = (p.Value - s.Centre) / s.Sigma
			}
			c.Points = append(c.Points, p)
		}
		if s.Sigma > 0 {
			c.signals(s)
		}
	}
	return c, nil
}

// segment takes the limits of the values from first up to end.
func (q Question) segment(first, end int, spread Spread) Segment {
	s := Segment{First: first, Last: end - 1, State: Limits}
	own := q.Values[first:end]
	if q.Baseline > 0 && q.Baseline < len(own) {
		own = own[:q.Baseline]
	}
	ranges := make([]float64, 0, len(own))
	for i := 1; i < len(own); i++ {
		ranges = append(ranges, math.Abs(own[i]-own[i-1]))
	}
	s.MeanRange, s.MedianRange = mean(ranges), median(ranges)
	if q.Given != nil {
		s.State, s.Centre, s.Sigma = Baselined, q.Given.Centre, q.Given.Sigma
		s.RangeUpper = (D2 + 3*D3) * s.Sigma
	} else {
		s.From, s.Centre, s.Provisional = len(own), mean(own), len(own) < FewForLimits
		s.Sigma, s.RangeUpper = s.MeanRange/D2, UpperMR*s.MeanRange
		if spread == MedianRange {
			s.Sigma = s.MedianRange / D4Median
			s.RangeUpper = (D2 + 3*D3) * s.Sigma
		}
		size := 0.0
		for _, v := range own {
			size = math.Max(size, math.Abs(v))
		}
		switch {
		case len(own) < 2 || q.Baseline > len(own):
			s.State = TooFew
			s.Why = fmt.Sprintf("There are %d values to take limits from; at least %d are needed, and %d for limits that hold.", len(own), max(2, q.Baseline), FewForLimits)
		case s.Sigma <= 1e-13*size: // of rounding
			s.State = NoSpread
			s.Why = "All values are equal, so there is no spread to set limits by: the instrument's resolution is too coarse to show one."
			if slices.Max(own) > slices.Min(own) {
				s.Why = "More than half of the values equal the one before, so the median moving range is nought; ask for mean_moving_range."
			}
		}
		if s.State != Limits {
			s.Sigma, s.RangeUpper = 0, 0
			return s
		}
	}
	s.Lower, s.Upper = s.Centre-3*s.Sigma, s.Centre+3*s.Sigma
	return s
}

func mean(v []float64) float64 {
	if len(v) == 0 {
		return 0
	}
	sum := 0.0
	for _, x := range v {
		sum += x
	}
	first := sum / float64(len(v))
	rest := 0.0 // of rounding
	for _, x := range v {
		rest += x - first
	}
	return first + rest/float64(len(v))
}

func median(v []float64) float64 {
	n := len(v)
	if n == 0 {
		return 0
	}
	s := slices.Clone(v)
	slices.Sort(s)
	if n%2 == 1 {
		return s[n/2]
	}
	return (s[n/2-1] + s[n/2]) / 2
}
