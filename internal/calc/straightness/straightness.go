package straightness

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// What can be wrong; the errors returned wrap one of these and say how to mend it.
var (
	ErrRange    = errors.New("outside what can be computed")
	ErrStations = errors.New("stations are not as they must be")
)

// Estimate is a length in mm with its standard uncertainty.
type Estimate struct{ Value, U float64 }

// Station is one place along the pin.
type Station struct {
	Position float64  // along the pin from either end
	Size     Estimate // diameter
	Offset   Estimate // of the axis from the straight line, signed
}

// FromRunout is the offset that a full dial reading over V-blocks means: half.
func FromRunout(runout Estimate) Estimate { return Estimate{runout.Value / 2, runout.U / 2} }

// FromGap is the offset where a straightedge that rests on ends of size end leaves a
// gap over a place of size here: the gap less what the place is thinner in radius.
func FromGap(gap, end, here Estimate) Estimate {
	return Estimate{gap.Value - (end.Value-here.Value)/2, math.Sqrt(gap.U*gap.U + (end.U*end.U+here.U*here.U)/4)}
}

// Result is what a pin needs.
type Result struct {
	Largest  float64  // greatest size
	Smallest float64  // least size
	Virtual  Estimate // smallest cylinder it fits into
	Bow      float64  // Virtual less Largest: what the bend adds
	Step     float64  // Largest less Smallest
}

// MostStations is how many stations are taken.
const MostStations = 100

// Virtual works out a pin from 1 to MostStations stations, in any order, at different
// positions. ErrStations tells what to mend. The result does not change when the pin is
// turned end for end or over, nor with a tilt of the line that offsets are counted from.
func Virtual(stations []Station) (Result, error) {
	if len(stations) < 1 || len(stations) > MostStations {
		return Result{}, fmt.Errorf("%w: from 1 to %d are taken, not %d", ErrStations, MostStations, len(stations))
	}
	s := slices.Clone(stations)
	slices.SortFunc(s, func(a, b Station) int {
		switch {
		case a.Position < b.Position:
			return -1
		case a.Position > b.Position:
			return 1
		}
		return 0
	})
	for i, x := range s {
		if err := x.check(); err != nil {
			return Result{}, err
		}
		if i > 0 && x.Position-s[i-1].Position < 0.01 {
			return Result{}, fmt.Errorf("%w: two stand within 0.01 mm at %.4g mm; average them", ErrStations, x.Position)
		}
	}
	r := Result{Smallest: math.Inf(1)}
	for _, x := range s {
		r.Largest, r.Smallest = math.Max(r.Largest, x.Size.Value), math.Min(r.Smallest, x.Size.Value)
	}
	r.Virtual = strip(s)
	r.Bow, r.Step = math.Max(0, r.Virtual.Value-r.Largest), r.Largest-r.Smallest
	return r, nil
}

func (s Station) check() error {
	switch {
	case !(math.Abs(s.Position) <= 10_000):
		return fmt.Errorf("%w: positions must be within 10000 mm", ErrStations)
	case !(s.Size.Value >= 0.1 && s.Size.Value <= 1000) || !(s.Size.U >= 0 && s.Size.U <= s.Size.Value):
		return fmt.Errorf("%w: sizes must be from 0.1 to 1000 mm, their uncertainty from 0 to as much", ErrStations)
	case !(math.Abs(s.Offset.Value) <= 100) || !(s.Offset.U >= 0 && s.Offset.U <= 100):
		return fmt.Errorf("%w: offsets must be within 100 mm, their uncertainty from 0 to 100 mm", ErrStations)
	}
	return nil
}

// edge is one side of the pin seen in its plane: side +1 the upper, -1 the lower.
func (s Station) edge(side float64) float64 { return s.Offset.Value + side*s.Size.Value/2 }

// level is how far two widths may differ and still be the same, mm.
const level = 1e-9

// strip is the least vertical width of a straight strip round the pin. Of several
// equal strips the largest uncertainty is kept.
func strip(s []Station) Estimate {
	if len(s) == 1 {
		return s[0].Size
	}
	best := Estimate{Value: math.Inf(1)}
	for i := range s {
		for k := range i {
			for _, side := range []float64{1, -1} {
				slope := (s[i].edge(side) - s[k].edge(side)) / (s[i].Position - s[k].Position)
				upper, lower := farthest(s, slope, 1), farthest(s, slope, -1)
				width := s[upper].edge(1) - s[lower].edge(-1) - slope*(s[upper].Position-s[lower].Position)
				if width > best.Value+level {
					continue
				}
				own, other := upper, lower
				if side < 0 {
					own, other = lower, upper
				}
				u := 0.0
				if onSide := side * (s[own].edge(side) - s[i].edge(side) - slope*(s[own].Position-s[i].Position)); onSide <= level {
					u = doubt(s, side, i, k, other)
				}
				if width < best.Value-level {
					best.U = 0
				}
				best.Value, best.U = math.Min(width, best.Value), math.Max(u, best.U)
			}
		}
	}
	return best
}

// farthest is the station that reaches farthest to a side of a line with the slope.
func farthest(s []Station, slope, side float64) int {
	best := 0
	for i := range s {
		if side*(s[i].edge(side)-slope*s[i].Position) > side*(s[best].edge(side)-slope*s[best].Position) {
			best = i
		}
	}
	return best
}

// doubt is the uncertainty of a width between the line through i and k on one side
// and the station on the other: i and k count by how near it stands to each. It is 0
// where these three do not hold the strip.
func doubt(s []Station, side float64, i, k, other int) float64 {
	weight := (s[other].Position - s[k].Position) / (s[i].Position - s[k].Position)
	if weight < 0 || weight > 1 {
		return 0 // turning the strip would make it narrower: not this one
	}
	offsets, sizes := make([]float64, len(s)), make([]float64, len(s))
	for _, w := range []struct {
		at int
		by float64
	}{{i, weight}, {k, 1 - weight}} {
		offsets[w.at] += side * w.by
		sizes[w.at] += w.by / 2
	}
	offsets[other] -= side
	sizes[other] += 0.5
	var squares float64
	for n := range s {
		squares += sq(offsets[n]*s[n].Offset.U) + sq(sizes[n]*s[n].Size.U)
	}
	return math.Sqrt(squares)
}

func sq(x float64) float64 { return x * x }

// Arc is a pin of one size, bent evenly by bow over its whole length, of which engaged
// turns in the bore (all mm): the virtual size over that. ErrRange tells what to mend.
func Arc(size, bow Estimate, whole, engaged float64) (Result, error) {
	ok := func(e Estimate, low, high float64) bool {
		return e.Value >= low && e.Value <= high && e.U >= 0 && e.U <= high
	}
	switch {
	case !ok(size, 0.1, 1000):
		return Result{}, fmt.Errorf("%w: the size must be from 0.1 to 1000 mm", ErrRange)
	case !(whole >= 0.1 && whole <= 10_000) || !(engaged > 0 && engaged <= whole):
		return Result{}, fmt.Errorf("%w: the pin must be from 0.1 to 10000 mm long, and no more engaged than it is long", ErrRange)
	case !ok(bow, 0, whole/4):
		return Result{}, fmt.Errorf("%w: the bow must be from 0 to a quarter of the pin's length", ErrRange)
	}
	share := sq(engaged / whole)
	return Result{Largest: size.Value, Smallest: size.Value, Bow: bow.Value * share,
		Virtual: Estimate{size.Value + bow.Value*share, math.Hypot(size.U, bow.U*share)}}, nil
}

// Passes is the probability that the pin goes through a bore whose passing size is
// given, mm, with a normal law of the difference (JCGM 106, 7.2); where nothing is in
// doubt 0 or 1.
func (r Result) Passes(bore Estimate) float64 {
	d, u := bore.Value-r.Virtual.Value, math.Hypot(bore.U, r.Virtual.U)
	switch {
	case u > 0:
		return distuv.UnitNormal.CDF(d / u)
	case d >= 0:
		return 1
	}
	return 0
}
