package controlchart

import (
	"math"
	"slices"
)

// run is a segment's values as the rules look at them.
type run struct {
	first  int
	values []float64
	seg    Segment
}

// alike is how near to a line, in σ, a value counts as on it: decimals are not
// exact in binary.
const alike = 1e-9

// beyond reports whether value i lies strictly more than k σ from the centre, on
// side +1 or -1.
func (r run) beyond(i int, k float64, side float64) bool {
	away := side * (r.values[i] - r.seg.Centre)
	slack := alike*r.seg.Sigma + 4e-16*math.Max(math.Abs(r.values[i]), math.Abs(r.seg.Centre))
	return away > k*r.seg.Sigma+slack
}

// inside reports whether value i lies strictly within k σ of the centre.
func (r run) inside(i int, k float64) bool {
	away := math.Abs(r.values[i] - r.seg.Centre)
	slack := alike*r.seg.Sigma + 4e-16*math.Max(math.Abs(r.values[i]), math.Abs(r.seg.Centre))
	return away < k*r.seg.Sigma-slack
}

// step is +1, -1 or 0 from the value before i to i.
func (r run) step(i int) float64 {
	d := r.values[i] - r.values[i-1]
	if math.Abs(d) <= 4e-16*math.Max(math.Abs(r.values[i]), math.Abs(r.values[i-1])) {
		return 0
	}
	return math.Copysign(1, d)
}

// law is how a rule is looked for: met gives the points, with the one at i last,
// or nil.
type law struct {
	met     func(r run, i int) []int
	meaning string
}

var laws = map[Rule]law{
	Nelson1:     {oneBeyond, "One value lies beyond three sigma: something happened to this one, or a slip of the pen."},
	Western1:    {oneBeyond, "One value lies beyond three sigma: something happened to this one, or a slip of the pen."},
	Nelson2:     {sameSide(9), "Nine values in a row lie on the same side of the centre: the level has shifted."},
	Western4:    {sameSide(8), "Eight values in a row lie on the same side of the centre: the level has shifted."},
	Nelson3:     {monotone, "Six values in a row rise, or fall, each beyond the one before: a drift, such as wear."},
	Nelson4:     {alternating, "Fourteen values in a row go up and down in turn: two causes take turns, such as two instruments or two people."},
	Nelson5:     {someOf(2, 3, 2), "Two of three values in a row lie beyond two sigma on the same side: the level has probably shifted."},
	Western2:    {someOf(2, 3, 2), "Two of three values in a row lie beyond two sigma on the same side: the level has probably shifted."},
	Nelson6:     {someOf(4, 5, 1), "Four of five values in a row lie beyond one sigma on the same side: a small shift of the level."},
	Western3:    {someOf(4, 5, 1), "Four of five values in a row lie beyond one sigma on the same side: a small shift of the level."},
	Nelson7:     {allInside, "Fifteen values in a row lie within one sigma: the limits are too wide for these values, or they were not really measured anew."},
	Nelson8:     {allOutside, "Eight values in a row avoid the middle zone: two levels are mixed."},
	MovingRange: {wideRange, "The step from the value before is wider than its limit: a sudden change between the two."},
}

// Meaning says in words what a signal by the rule stands for.
func (r Rule) Meaning() string { return laws[r].meaning }

// signals finds the signals of one segment, whose points are already there.
func (c *Chart) signals(s Segment) {
	r := run{first: s.First, seg: s}
	for i := s.First; i <= s.Last; i++ {
		r.values = append(r.values, c.Points[i].Value)
	}
	for i := range r.values {
		for _, rule := range c.Rules {
			met := laws[rule].met(r, i)
			if met == nil {
				continue
			}
			for j := range met {
				met[j] += s.First
			}
			at := s.First + i
			c.Points[at].Rules = append(c.Points[at].Rules, rule)
			c.Signals = append(c.Signals, Signal{Rule: rule, Index: at, Points: met, Meaning: laws[rule].meaning})
		}
	}
}

// last are the n points that end at i, or nil where there are fewer.
func last(n, i int) []int {
	if i+1 < n {
		return nil
	}
	out := make([]int, n)
	for j := range out {
		out[j] = i - n + 1 + j
	}
	return out
}

// all gives the last n points where each holds.
func all(n, i int, holds func(j int) bool) []int {
	points := last(n, i)
	for _, j := range points {
		if !holds(j) {
			return nil
		}
	}
	return points
}

var sides = []float64{1, -1}

func oneBeyond(r run, i int) []int {
	if r.beyond(i, 3, 1) || r.beyond(i, 3, -1) {
		return []int{i}
	}
	return nil
}

func sameSide(n int) func(run, int) []int {
	return func(r run, i int) []int {
		for _, side := range sides {
			if met := all(n, i, func(j int) bool { return r.beyond(j, 0, side) }); met != nil {
				return met
			}
		}
		return nil
	}
}

func monotone(r run, i int) []int {
	const n = 6
	return all(n, i, func(j int) bool { return j == i-n+1 || r.step(j) != 0 && r.step(j) == r.step(i) })
}

func alternating(r run, i int) []int {
	const n = 14
	return all(n, i, func(j int) bool {
		return j == i-n+1 || r.step(j) != 0 && (j == i-n+2 || r.step(j) == -r.step(j-1))
	})
}

// someOf is m of n in a row beyond k σ on one side, the last of them at i. Before
// the first value there was none, so m may be met before n have come.
func someOf(m, n int, k float64) func(run, int) []int {
	return func(r run, i int) []int {
		for _, side := range sides {
			if !r.beyond(i, k, side) {
				continue
			}
			var met []int
			for j := i; j >= 0 && j > i-n && len(met) < m; j-- {
				if r.beyond(j, k, side) {
					met = append(met, j)
				}
			}
			if len(met) == m {
				slices.Reverse(met)
				return met
			}
		}
		return nil
	}
}

func allInside(r run, i int) []int {
	return all(15, i, func(j int) bool { return r.inside(j, 1) })
}

func allOutside(r run, i int) []int {
	return all(8, i, func(j int) bool { return r.beyond(j, 1, 1) || r.beyond(j, 1, -1) })
}

func wideRange(r run, i int) []int {
	if i == 0 {
		return nil
	}
	if d := math.Abs(r.values[i] - r.values[i-1]); d > r.seg.RangeUpper*(1+alike)+4e-16*math.Abs(r.values[i]) {
		return []int{i - 1, i}
	}
	return nil
}
