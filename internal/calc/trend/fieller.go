package trend

import (
	"fmt"
	"math"
)

// crossing finds where the line of the last segment reaches the limit.
func (s *solution) crossing(points []Point) *Crossing {
	c := &Crossing{Limit: *s.ask.Limit, State: RateUnknown}
	none := func(why string) Region { return Region{Set: NoSet, Why: why} }
	switch {
	case s.ask.Now != nil:
		c.Now = *s.ask.Now
	case len(points) > 0:
		c.Now = points[len(points)-1].X
	}
	k := len(s.pieces) - 1
	rate := s.told(s.rateRow(k), 1, 0, 0)
	middle := s.centre(points, k)
	c.AtNow = s.told(s.row(k, s.in(c.Now)), 1, s.base, s.shared())
	level := s.told(s.row(k, middle), 1, s.base, 0)
	c.Above = c.AtNow.Known && c.AtNow.Value > c.Limit
	if !rate.Known || !level.Known {
		why := "The points since the last change do not tell both level and rate; measure on two more occasions that lie apart."
		c.Mean, c.Individual = none(why), none(why)
		return c
	}
	f := quadratic{d: level.Value - c.Limit, b: rate.Value, q: s.answer.Quantile,
		vmm: s.variance * s.covariance(s.row(k, middle), s.row(k, middle)),
		vmb: s.variance * s.covariance(s.row(k, middle), s.rateRow(k)),
		vbb: s.variance * s.covariance(s.rateRow(k), s.rateRow(k))}
	size := math.Max(math.Abs(f.d), math.Abs(level.Value))
	if math.Abs(f.b) <= 1e-13*size || f.b == 0 { // of rounding
		c.State, f.b = Parallel, 0
	} else {
		c.State = Crosses
		c.At = s.out(middle - f.d/f.b)
		c.Behind = c.At < c.Now
	}
	if s.answer.NoInterval != "" {
		why := map[Reason]string{
			NoFreedom: "There are no more points than the line has parameters, so their scatter tells no interval; measure once more, or give the points' uncertainties.",
			NoScatter: "The points lie exactly on a line, so their scatter tells no interval; give the points' uncertainties.",
		}[s.answer.NoInterval]
		c.Mean, c.Individual = none(why), none(why)
		return c
	}
	f.vmm += s.shared()
	c.Mean = s.region(f, middle, c.Now, "the line")
	f.vmm += s.answer.NewU * s.answer.NewU
	c.Individual = s.region(f, middle, c.Now, "a single reading")
	return c
}

// centre is the scaled x that the quadratic counts from: the middle of the last
// segment's points, or its start.
func (s *solution) centre(points []Point, k int) float64 {
	sum, n := 0.0, 0.0
	for _, p := range points {
		if s.pieceAt(p.X) == k {
			sum += s.in(p.X)
			n++
		}
	}
	if n > 0 {
		return sum / n
	}
	if s.pieces[k].opens != nil {
		return s.pieces[k].from
	}
	return 0
}

func (s *solution) out(t float64) float64 { return s.middle + t*s.reach }

// quadratic is Fieller's inequality (d + b t)² <= q² (vmm + 2 t vmb + t² vbb).
type quadratic struct{ d, b, q, vmm, vmb, vbb float64 }

// solve gives the shape of the set of t and its ends.
func (f quadratic) solve() (set Set, low, high, g float64) {
	qq := f.q * f.q
	g = math.Inf(1)
	if f.b != 0 {
		g = qq * f.vbb / (f.b * f.b)
	} else if f.vbb == 0 {
		return NoSet, 0, 0, 0
	}
	a, b, c := f.b*f.b-qq*f.vbb, f.d*f.b-qq*f.vmb, f.d*f.d-qq*f.vmm
	if math.Abs(a) <= 1e-12*math.Max(f.b*f.b, qq*f.vbb) {
		switch {
		case b > 0:
			return UnboundedBelow, 0, -c / (2 * b), g
		case b < 0:
			return UnboundedAbove, -c / (2 * b), 0, g
		}
		return WholeLine, 0, 0, g
	}
	disc := b*b - a*c
	if a < 0 && disc <= 0 {
		return WholeLine, 0, 0, g
	}
	// The root without cancellation first, the other by the product of both.
	r := -(b + math.Copysign(math.Sqrt(math.Max(0, disc)), b))
	t1, t2 := r/a, 0.0
	if r != 0 {
		t2 = c / r
	}
	low, high = math.Min(t1, t2), math.Max(t1, t2)
	if a < 0 {
		return TwoRays, low, high, g
	}
	return Bounded, low, high, g
}

func (s *solution) region(f quadratic, middle, now float64, of string) Region {
	set, low, high, g := f.solve()
	r := Region{Set: set, G: g}
	if set != NoSet && set != WholeLine {
		if set != UnboundedBelow {
			r.Low = s.out(middle + low)
		}
		if set != UnboundedAbove {
			r.High = s.out(middle + high)
		}
	}
	switch set {
	case Bounded:
		r.Why = fmt.Sprintf("g = %.3g is below 1: the rate is told apart from nought, so %s has an earliest and a latest crossing.", g, of)
		r.add(now, &r.Low, &r.High)
	case UnboundedAbove:
		r.Why = fmt.Sprintf("g = 1: the rate is just not told apart from nought, so the crossing of %s has no latest.", of)
		r.add(now, &r.Low, nil)
	case UnboundedBelow:
		r.Why = fmt.Sprintf("g = 1: the rate is just not told apart from nought, so the crossing of %s has no earliest.", of)
		r.add(now, nil, &r.High)
	case TwoRays:
		r.Why = fmt.Sprintf("g = %.3g is over 1: the rate cannot be told apart from nought, so all is possible for %s but the gap between the two ends: the limit may be reached after it, or never.", g, of)
		r.add(now, nil, &r.Low)
		r.add(now, &r.High, nil)
	case WholeLine:
		r.Why = fmt.Sprintf("g = %.3g is over 1, and the limit lies within the doubt of %s at every x: nothing can be ruled out.", g, of)
		r.add(now, nil, nil)
	case NoSet:
		r.Why = "The rate is exactly nought and without doubt: there is no crossing to look for."
	}
	return r
}

// add keeps of an interval what lies at now and after.
func (r *Region) add(now float64, from, to *float64) {
	if to != nil && *to < now {
		return
	}
	v := Interval{From: &now}
	if from != nil && *from > now {
		copied := *from
		v.From = &copied
	}
	if to != nil {
		copied := *to
		v.To = &copied
	}
	r.Ahead = append(r.Ahead, v)
}
