package trend_test

import (
	"encoding/binary"
	"math"
	"slices"
	"testing"

	"gonum.org/v1/gonum/mat"
	"pgregory.net/rapid"

	"pinwright/internal/calc/trend"
)

func quantile(v []float64, p float64) float64 {
	s := slices.Clone(v)
	slices.Sort(s)
	return s[int(p*float64(len(s)-1)+0.5)]
}

func drawn(t *rapid.T) []trend.Point {
	n := rapid.IntRange(2, 12).Draw(t, "n")
	rate := rapid.Float64Range(-0.05, 0.1).Draw(t, "rate")
	out := make([]trend.Point, n)
	for i := range out {
		x := float64(rapid.IntRange(0, 1000).Draw(t, "x"))
		out[i] = trend.Point{X: x, Y: 30 + rate*x + rapid.Float64Range(-6, 6).Draw(t, "e"), U: rapid.Float64Range(1, 5).Draw(t, "u")}
	}
	return out
}

func drawnBreaks(t *rapid.T) []trend.Break {
	out := make([]trend.Break, rapid.IntRange(0, 3).Draw(t, "changes"))
	for i := range out {
		out[i] = trend.Break{X: float64(rapid.IntRange(-100, 1100).Draw(t, "at")),
			Change: rapid.SampledFrom([]trend.Change{trend.Repair, trend.RepairNewRate, trend.Lubrication}).Draw(t, "change")}
	}
	return out
}

// alike compares estimates, of which the second was asked in other units: value
// times k plus c.
func alike(t *rapid.T, what string, a, b trend.Estimate, k, c float64) {
	t.Helper()
	if a.Known != b.Known || a.Interval != b.Interval {
		t.Fatalf("%s: %+v and %+v", what, a, b)
	}
	size := math.Abs(a.Value) + a.SE + math.Abs(c/k) + 1e-3
	if !a.Known {
		return
	}
	if math.Abs(b.Value-(k*a.Value+c)) > 1e-7*size*math.Abs(k) || math.Abs(b.SE-math.Abs(k)*a.SE) > 1e-7*size*math.Abs(k) {
		t.Fatalf("%s: %+v and %+v, factor %v", what, a, b, k)
	}
}

// Neither units, nor origins, nor order matter.
func TestUnitsOriginAndOrderDoNotMatter(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		q := trend.Question{Points: drawn(t), Breaks: drawnBreaks(t), Limit: of(80), SharedU: 1,
			Scale: rapid.SampledFrom([]trend.Scale{trend.Known, trend.Estimated, trend.Widened}).Draw(t, "scale")}
		a, err := trend.Solve(q)
		if err != nil {
			t.Fatal(err)
		}
		kx, cx := rapid.SampledFrom([]float64{1, 1.609344, 1. / 365.25, 86400}).Draw(t, "kx"), rapid.Float64Range(-50_000, 50_000).Draw(t, "cx")
		ky, cy := rapid.SampledFrom([]float64{1, 1e-3, 1. / 25.4}).Draw(t, "ky"), rapid.Float64Range(-8000, 8000).Draw(t, "cy")
		other := trend.Question{Scale: q.Scale, SharedU: ky, Limit: of(80*ky + cy)}
		for _, i := range rapid.Permutation(index(len(q.Points))).Draw(t, "order") {
			p := q.Points[i]
			other.Points = append(other.Points, trend.Point{X: p.X*kx + cx, Y: p.Y*ky + cy, U: p.U * ky})
		}
		for _, b := range q.Breaks {
			other.Breaks = append(other.Breaks, trend.Break{X: b.X*kx + cx, Change: b.Change})
		}
		b, err := trend.Solve(other)
		if err != nil {
			t.Fatal(err)
		}
		if a.DoF != b.DoF || a.Scale != b.Scale || a.NoInterval != b.NoInterval {
			t.Fatalf("%d %s %s and %d %s %s", a.DoF, a.Scale, a.NoInterval, b.DoF, b.Scale, b.NoInterval)
		}
		for i := range a.Segments {
			alike(t, "rate", a.Segments[i].Rate, b.Segments[i].Rate, ky/kx, 0)
			alike(t, "start", a.Segments[i].Start, b.Segments[i].Start, ky, cy)
		}
		for i := range a.Changes {
			alike(t, "change of rate", a.Changes[i].Difference, b.Changes[i].Difference, ky/kx, 0)
		}
		if a.Crossing.State != b.Crossing.State {
			t.Fatalf("%s and %s", a.Crossing.State, b.Crossing.State)
		}
		if g := a.Crossing.Mean.G; a.Crossing.State == trend.Crosses && math.Abs(g-1) > 1e-3 && math.Abs(a.Crossing.At) < 1e6 {
			if a.Crossing.Mean.Set != b.Crossing.Mean.Set {
				t.Fatalf("%+v and %+v", a.Crossing.Mean, b.Crossing.Mean)
			}
			if x := a.Crossing.At*kx + cx; math.Abs(x-b.Crossing.At) > 1e-5*(math.Abs(x)+kx*1000+math.Abs(cx)) {
				t.Fatalf("crosses at %v and %v", x, b.Crossing.At)
			}
		}
	})
}

func index(n int) []int {
	out := make([]int, n)
	for i := range out {
		out[i] = i
	}
	return out
}

// The fit with changes agrees with normal equations of a design written here
// apart: a column for each level, and for each rate the x gained under it since
// its level began. What they cannot invert the package calls not known.
func TestSegmentsAgainstNormalEquations(t *testing.T) {
	t.Parallel()
	compared := 0
	rapid.Check(t, func(t *rapid.T) {
		breaks := drawnBreaks(t)
		slices.SortFunc(breaks, func(a, b trend.Break) int { return int(a.X - b.X) })
		for i := 1; i < len(breaks); i++ {
			if breaks[i].X == breaks[i-1].X {
				return
			}
		}
		points := drawn(t)
		levels, rates := 1, 1
		for _, b := range breaks {
			if b.Change != trend.Lubrication {
				levels++
			}
			if b.Change != trend.Repair {
				rates++
			}
		}
		row := func(x float64) []float64 {
			r := make([]float64, levels+rates)
			level, rate, since := 0, 0, 0.0
			for _, b := range breaks {
				if x < b.X {
					break
				}
				if b.Change == trend.Lubrication {
					r[levels+rate] += b.X - since
				} else {
					level++
					for j := range rates {
						r[levels+j] = 0
					}
				}
				since = b.X
				if b.Change != trend.Repair {
					rate++
				}
			}
			r[level] = 1
			r[levels+rate] += x - since
			return r
		}
		n := len(points)
		p := levels + rates
		if n < p {
			return
		}
		x, y := mat.NewDense(n, p, nil), mat.NewVecDense(n, nil)
		for i, pt := range points {
			for j, v := range row(pt.X) {
				x.Set(i, j, v/pt.U)
			}
			y.SetVec(i, pt.Y/pt.U)
		}
		var normal, inverse mat.Dense
		normal.Mul(x.T(), x)
		if mat.Cond(&normal, 2) > 1e10 || inverse.Inverse(&normal) != nil {
			return
		}
		var right, beta mat.VecDense
		right.MulVec(x.T(), y)
		beta.MulVec(&inverse, &right)
		a, err := trend.Solve(trend.Question{Points: points, Breaks: breaks, Scale: trend.Known})
		if err != nil {
			t.Fatal(err)
		}
		if a.Parameters != p {
			t.Fatalf("%d parameters, want %d", a.Parameters, p)
		}
		compared++
		for i, pt := range points {
			want := 0.0
			for j, v := range row(pt.X) {
				want += v * beta.AtVec(j)
			}
			if math.Abs(a.Points[i].Fitted-want) > 1e-4*(1+math.Abs(want)) {
				t.Fatalf("fitted %v, want %v", a.Points[i].Fitted, want)
			}
		}
		rate := 0
		for k, g := range a.Segments {
			if k > 0 && breaks[k-1].Change != trend.Repair {
				rate++
			}
			se := math.Sqrt(inverse.At(levels+rate, levels+rate))
			if !g.Rate.Known || math.Abs(g.Rate.Value-beta.AtVec(levels+rate)) > 1e-4*(1+math.Abs(g.Rate.Value)) || math.Abs(g.Rate.SE-se) > 1e-4*se {
				t.Fatalf("rate %+v, want %v ± %v", g.Rate, beta.AtVec(levels+rate), se)
			}
		}
	})
	if compared < 10 {
		t.Errorf("only %d sets could be compared", compared)
	}
}

// A lubrication that halves the rate is shown as such; a repair's jump is not
// taken for wear.
func TestChanges(t *testing.T) {
	t.Parallel()
	random := seeded(t, 3)
	var points []trend.Point
	for x := 0.0; x < 1000; x += 25 {
		y := 20 + 0.1*math.Min(x, 400) + 0.04*math.Max(0, x-400)
		if x >= 800 {
			y -= 50
		}
		points = append(points, trend.Point{X: x, Y: y + random.NormFloat64(), U: 1})
	}
	a := solve(t, trend.Question{Points: points, Limit: of(60), Breaks: []trend.Break{{X: 800, Change: trend.Repair}, {X: 400, Change: trend.Lubrication}}})
	if len(a.Segments) != 3 || len(a.Changes) != 1 {
		t.Fatalf("%+v", a.Segments)
	}
	c := a.Changes[0]
	if !c.Shown || math.Abs(c.Difference.Value+0.06) > 4*c.Difference.SE {
		t.Errorf("%+v, want a shown difference of -0.06", c.Difference)
	}
	near(t, "level after the repair", a.Segments[2].Start.Value, 26, 4*a.Segments[2].Start.SE)
	near(t, "crossing", a.Crossing.At, 800+34/0.04, 100)
	edges := 0
	for i := 1; i < len(a.Band); i++ {
		if a.Band[i].X == a.Band[i-1].X {
			edges++
		}
		if a.Band[i].X < a.Band[i-1].X || a.Band[i].Segment < a.Band[i-1].Segment {
			t.Fatal("the band runs backwards")
		}
	}
	if edges != 2 {
		t.Errorf("%d edges in the band, want 2", edges)
	}
	// Lubricated after the last point: nothing tells the new rate yet.
	a = solve(t, trend.Question{Points: points, Limit: of(60), Breaks: []trend.Break{{X: 2000, Change: trend.Lubrication}}})
	if a.Crossing.State != trend.RateUnknown || a.Segments[1].Rate.Known || !a.Segments[1].Start.Known || a.Changes[0].Difference.Known {
		t.Errorf("%+v", a.Segments[1])
	}
}

// Uncertainties that are too small are seen by chi-square, and widened.
func TestScatterAgainstUncertainties(t *testing.T) {
	t.Parallel()
	x, y := []float64{0, 1, 2, 3, 4}, []float64{1, 9, 2, 12, 6}
	a := solve(t, trend.Question{Points: line(x, y, 0.1)})
	if a.Scale != trend.Estimated || a.Birge < 10 || a.PChiSquare > 1e-6 {
		t.Errorf("%s with a Birge ratio of %v, p %v", a.Scale, a.Birge, a.PChiSquare)
	}
	b := solve(t, trend.Question{Points: line(x, y)})
	near(t, "se of the rate without u", b.Segments[0].Rate.SE, a.Segments[0].Rate.SE, 1e-12)
	if k := solve(t, trend.Question{Points: line(x, y, 0.1), Scale: trend.Known}); k.Scale != trend.Known || k.Segments[0].Rate.SE > a.Segments[0].Rate.SE/10 {
		t.Errorf("known: %+v", k.Segments[0].Rate)
	}
}

func FuzzSolve(f *testing.F) {
	f.Add([]byte("0123456789abcdef0123456789abcdef0123456789abcdef0123456789abcdef"), uint8(3))
	f.Add(make([]byte, 96), uint8(1))
	f.Fuzz(func(t *testing.T, raw []byte, kind uint8) {
		var q trend.Question
		next := func() float64 {
			v := math.Float64frombits(binary.LittleEndian.Uint64(raw))
			raw = raw[8:]
			return v
		}
		if len(raw) >= 8 {
			q.Limit = of(next())
		}
		if kind&1 != 0 && len(raw) >= 8 {
			q.Breaks = []trend.Break{{X: next(), Change: []trend.Change{trend.Repair, trend.RepairNewRate, trend.Lubrication}[kind/2%3]}}
		}
		for len(raw) >= 24 && len(q.Points) < 20 {
			q.Points = append(q.Points, trend.Point{X: next(), Y: next(), U: math.Abs(next()) * float64(kind&8)})
		}
		a, err := trend.Solve(q)
		if err != nil {
			return
		}
		for _, e := range a.Band {
			if math.IsNaN(e.Mean.Value) || math.IsNaN(e.Mean.SE) || math.IsNaN(e.New.High) {
				t.Fatalf("%+v of %+v", e, q)
			}
		}
		for _, g := range a.Segments {
			if math.IsNaN(g.Rate.Value) || math.IsNaN(g.Rate.SE) || math.IsNaN(g.Start.Value) {
				t.Fatalf("%+v of %+v", g, q)
			}
		}
	})
}

func BenchmarkSolve(b *testing.B) {
	points := make([]trend.Point, 60)
	for i := range points {
		points[i] = trend.Point{X: float64(i * 30), Y: 20 + float64(i%7) + float64(i), U: 3}
	}
	q := trend.Question{Points: points, Limit: of(120), Breaks: []trend.Break{{X: 700, Change: trend.Lubrication}}}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := trend.Solve(q); err != nil {
			b.Fatal(err)
		}
	}
}
