package trend

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// solution is a question on its way to its answer.
type solution struct {
	*fitted
	ask      Question
	answer   Answer
	variance float64 // by which the covariance for a scale of 1 is multiplied
}

// Solve fits the question's line and says what follows from it. Errors wrap one
// of ErrPoint, ErrTooMany, ErrScale, ErrCoverage, ErrBreak and ErrLimit; too few
// points are no error, the answer tells what they do not tell.
func Solve(q Question) (Answer, error) {
	if err := q.check(); err != nil {
		return Answer{}, err
	}
	s := &solution{ask: q}
	a := &s.answer
	a.Coverage, a.SharedU, a.Asked = q.Coverage, q.SharedU, q.Scale
	if a.Coverage == 0 {
		a.Coverage = DefaultCoverage
	}
	a.HasUncertain = len(q.Points) > 0 && q.Points[0].U > 0
	if a.Asked == "" {
		a.Asked = Estimated
		if a.HasUncertain {
			a.Asked = Widened
		}
	}
	// Weights relative to the best point, so that no unit costs digits. Sums run in
	// the order of x whatever order was asked.
	points := slices.Clone(q.Points)
	slices.SortFunc(points, func(x, y Point) int {
		for _, d := range []float64{x.X - y.X, x.Y - y.Y, x.U - y.U} {
			if d != 0 {
				return int(math.Copysign(1, d))
			}
		}
		return 0
	})
	best := 1.0
	if a.HasUncertain {
		best = math.Inf(1)
		for _, p := range points {
			best = math.Min(best, p.U)
		}
	}
	root, weight := make([]float64, len(points)), make([]float64, len(points))
	for i, p := range points {
		root[i] = 1
		if a.HasUncertain {
			root[i] = best / p.U
		}
		weight[i] = root[i] * root[i]
	}
	s.fitted = newLayout(points, q.Breaks, weight).solve(points, root)
	s.judge(points, best)
	s.see()
	s.segments(points)
	s.band(points)
	if q.Limit != nil {
		a.Crossing = s.crossing(points)
	}
	return s.answer, nil
}

// value is the fitted line of piece k at X.
func (s *solution) value(k int, x float64) float64 {
	return s.base + dot(s.row(k, s.in(x)), s.estimate)
}

// judge finds the scale, the degrees of freedom and the quantile.
func (s *solution) judge(points []Point, best float64) {
	a := &s.answer
	a.Parameters, a.DoF = s.rank, len(points)-s.rank
	squares, size := 0.0, 0.0
	for _, p := range points {
		r := p.Y - s.value(s.pieceAt(p.X), p.X)
		squares += r * r
		size = math.Max(size, math.Max(math.Abs(p.Y-s.base), math.Abs(p.Y)*1e-3))
		if a.HasUncertain {
			r /= p.U
		}
		a.ChiSquare += r * r
	}
	// Residuals of the order of rounding are none.
	flat := a.DoF > 0 && math.Sqrt(squares/float64(a.DoF)) <= 1e-12*size
	if flat {
		squares, a.ChiSquare = 0, 0
	}
	a.PChiSquare = 1
	if a.DoF > 0 {
		nu := float64(a.DoF)
		a.ResidualSD = math.Sqrt(squares / nu)
		a.Birge = math.Sqrt(a.ChiSquare / nu)
		a.PChiSquare = mathext.GammaIncRegComp(nu/2, a.ChiSquare/2)
	}
	a.Scale = a.Asked
	if a.Asked == Widened {
		a.Scale = Known
		if a.PChiSquare < Contradiction {
			a.Scale = Estimated
		}
	}
	s.variance = best * best // of the unscaled covariance, whose weights count from the best point
	upper := 1 - (1-a.Coverage)/2
	switch {
	case len(points) == 0:
		a.NoInterval = NoPoints
	case a.Scale == Known:
		a.Quantile = distuv.UnitNormal.Quantile(upper)
	case a.DoF == 0:
		a.NoInterval = NoFreedom
	case flat:
		a.NoInterval = NoScatter
	default:
		s.variance *= a.ChiSquare / float64(a.DoF)
		a.Quantile = distuv.StudentsT{Sigma: 1, Nu: float64(a.DoF)}.Quantile(upper)
	}
	a.NewU = s.newU(points)
}

// newU is the standard uncertainty of one further reading: as asked, else that
// of the middle point, on the scale that the scatter tells where it does.
func (s *solution) newU(points []Point) float64 {
	a := &s.answer
	if s.ask.NewU > 0 {
		return s.ask.NewU
	}
	middle := 1.0
	if a.HasUncertain {
		us := make([]float64, len(points))
		for i, p := range points {
			us[i] = p.U
		}
		slices.Sort(us)
		middle = us[len(us)/2]
		if len(us)%2 == 0 {
			middle = (middle + us[len(us)/2-1]) / 2
		}
	}
	if a.Scale == Known {
		return middle
	}
	return middle * a.Birge // 0 where the scatter tells nothing, and then there is no interval either
}

func (s *solution) see() {
	a := &s.answer
	for _, p := range s.ask.Points {
		k := s.pieceAt(p.X)
		seen := Seen{Point: p, Segment: k, Fitted: s.value(k, p.X)}
		seen.Residual = p.Y - seen.Fitted
		switch {
		case a.HasUncertain:
			seen.Standardised = seen.Residual / p.U
		case a.ResidualSD > 0:
			seen.Standardised = seen.Residual / a.ResidualSD
		}
		a.Points = append(a.Points, seen)
	}
}

// told is the estimate of a linear function of the parameters times unit, plus
// base, with extra variance.
func (s *solution) told(row []float64, unit, base, extra float64) Estimate {
	if len(s.ask.Points) == 0 || !s.estimable(row) {
		return Estimate{}
	}
	e := Estimate{Value: base + unit*dot(row, s.estimate), Known: true}
	if s.answer.NoInterval == "" {
		e.Interval = true
		e.SE = math.Sqrt(unit*unit*s.variance*s.covariance(row, row) + extra)
		e.Low, e.High = e.Value-s.answer.Quantile*e.SE, e.Value+s.answer.Quantile*e.SE
	}
	return e
}

func (s *solution) shared() float64 { return s.ask.SharedU * s.ask.SharedU }

func (s *solution) rateRow(k int) []float64 {
	row := make([]float64, s.columns)
	row[s.pieces[k].rate] = 1
	return row
}

func (s *solution) segments(points []Point) {
	a := &s.answer
	for k, p := range s.pieces {
		g := Segment{Points: p.points, Rate: s.told(s.rateRow(k), 1/s.reach, 0, 0),
			Intercept: s.told(s.row(k, s.in(0)), 1, s.base, s.shared())}
		if p.opens != nil {
			g.From, g.Opened = &p.opens.X, p.opens.Change
			g.Start = s.told(s.row(k, p.from), 1, s.base, s.shared())
		} else if len(points) > 0 {
			g.Start = s.told(s.row(k, s.in(points[0].X)), 1, s.base, s.shared())
		}
		if k+1 < len(s.pieces) {
			g.To = &s.pieces[k+1].opens.X
		}
		a.Segments = append(a.Segments, g)
		if k == 0 || s.pieces[k-1].rate == p.rate {
			continue
		}
		difference := s.rateRow(k)
		difference[s.pieces[k-1].rate] = -1
		c := RateChange{X: p.opens.X, Change: p.opens.Change, Before: a.Segments[k-1].Rate, After: g.Rate,
			Difference: s.told(difference, 1/s.reach, 0, 0)}
		if !c.Before.Known || !c.After.Known { // a difference of what is not known is not served
			c.Difference = Estimate{}
		}
		c.Shown = c.Difference.Interval && (c.Difference.Low > 0 || c.Difference.High < 0)
		a.Changes = append(a.Changes, c)
	}
}

// steps is how many points the band has between its ends, besides the changes.
const steps = 40

// At is the line and its doubts at x.
func (s *solution) at(k int, x float64) BandPoint {
	row := s.row(k, s.in(x))
	b := BandPoint{X: x, Segment: k, Mean: s.told(row, 1, s.base, s.shared())}
	b.New = s.told(row, 1, s.base, s.shared()+s.answer.NewU*s.answer.NewU)
	return b
}

// band draws from the first point to Until; at a change both segments end there.
func (s *solution) band(points []Point) {
	if len(points) == 0 {
		return
	}
	from, to := points[0].X, s.until(points)
	for i := range steps + 1 {
		x := from + (to-from)*float64(i)/steps
		if i == steps {
			x = to
		}
		k := s.pieceAt(x)
		if n := len(s.answer.Band); n > 0 {
			for j := s.answer.Band[n-1].Segment; j < k; j++ {
				edge := s.pieces[j+1].opens.X
				s.answer.Band = append(s.answer.Band, s.at(j, edge), s.at(j+1, edge))
			}
		}
		if s.answer.Band = append(s.answer.Band, s.at(k, x)); to == from {
			return
		}
	}
}

// until is how far the band goes: as asked, else a quarter of the points' span
// past the last, or to the crossing where that is within twice the span.
func (s *solution) until(points []Point) float64 {
	first, last := points[0].X, points[len(points)-1].X
	if s.ask.Until != nil {
		return math.Max(*s.ask.Until, last)
	}
	span := last - first
	to := last + span/4
	if s.ask.Now != nil {
		to = math.Max(to, *s.ask.Now)
	}
	if s.ask.Limit != nil && len(s.pieces) > 0 {
		k := len(s.pieces) - 1
		if rate := s.told(s.rateRow(k), 1/s.reach, 0, 0); rate.Known && rate.Value != 0 {
			at := last + (*s.ask.Limit-s.value(k, last))/rate.Value
			if at > to && at <= last+2*span {
				to = at + span/20
			}
		}
	}
	return to
}
