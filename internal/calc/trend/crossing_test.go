package trend_test

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"

	"pinwright/internal/calc/trend"
)

func seeded(t testing.TB, seed uint64) *rand.Rand {
	t.Helper()
	t.Logf("seed %d", seed)
	return rand.New(rand.NewPCG(seed, 1))
}

func inside(r trend.Region, x float64) bool {
	switch r.Set {
	case trend.Bounded:
		return x >= r.Low && x <= r.High
	case trend.UnboundedAbove:
		return x >= r.Low
	case trend.UnboundedBelow:
		return x <= r.High
	case trend.TwoRays:
		return x <= r.Low || x >= r.High
	}
	return r.Set == trend.WholeLine
}

// Fieller's set holds the true crossing as often as it says, whether the rate is
// told well, badly or hardly at all (J. R. Statist. Soc. B 16 (1954) 175); an
// interval of estimate ± delta-method error does not, which the test sees too.
func TestCoverageOfTheCrossing(t *testing.T) {
	t.Parallel()
	draws := 4000
	if long {
		draws = 200_000
	}
	x := []float64{0, 60, 200, 370, 410, 730}
	for _, c := range []struct {
		name        string
		rate, sigma float64
		scale       trend.Scale
		shared      float64
	}{
		{"well told, known", 0.05, 2, trend.Known, 0},
		{"well told, estimated", 0.05, 2, trend.Estimated, 0},
		{"shared error", 0.05, 2, trend.Known, 3},
		{"g about 1, known", 0.008, 2.5, trend.Known, 0},
		{"g about 1, estimated", 0.008, 2.5, trend.Estimated, 0},
		{"hardly at all", 0.001, 3, trend.Estimated, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			random := seeded(t, 20261125)
			const level, limit = 20.0, 60.0
			truth := (limit - level) / c.rate
			held, single, shapes := 0, 0, map[trend.Set]int{}
			for range draws {
				points := make([]trend.Point, len(x))
				offset := c.shared * random.NormFloat64()
				for i := range x {
					points[i] = trend.Point{X: x[i], Y: level + c.rate*x[i] + c.sigma*random.NormFloat64() + offset, U: c.sigma}
				}
				a := solve(t, trend.Question{Points: points, Scale: c.scale, SharedU: c.shared, Limit: of(limit)})
				shapes[a.Crossing.Mean.Set]++
				if inside(a.Crossing.Mean, truth) {
					held++
				}
				// A reading taken at a place is within the calibration interval of what it shows.
				at := 300.0
				y := level + c.rate*at + c.sigma*random.NormFloat64()
				b := solve(t, trend.Question{Points: points, Scale: c.scale, SharedU: c.shared, Limit: of(y)})
				if inside(b.Crossing.Individual, at) {
					single++
				}
			}
			t.Logf("shapes %v", shapes)
			for what, n := range map[string]int{"the line's crossing": held, "a reading's place": single} {
				got := float64(n) / float64(draws)
				if math.Abs(got-0.95) > 4*math.Sqrt(0.95*0.05/float64(draws)) {
					t.Errorf("%s was held %.4f of the time, want 0.95 within four standard errors", what, got)
				}
			}
		})
	}
}

// Where the rate is told well, resampling the residuals tells the same interval;
// elsewhere it is no judge.
func TestCrossingAgainstBootstrap(t *testing.T) {
	t.Parallel()
	draws := 4000
	if long {
		draws = 40_000
	}
	random := seeded(t, 7)
	points := make([]trend.Point, 60)
	for i := range points {
		points[i] = trend.Point{X: float64(10 * i), Y: 20 + 0.06*float64(10*i) + 2*random.NormFloat64()}
	}
	ask := trend.Question{Points: points, Limit: of(70)}
	a := solve(t, ask)
	var at []float64
	for range draws {
		again := make([]trend.Point, len(points))
		for i := range again {
			pick := a.Points[random.IntN(len(points))]
			again[i] = trend.Point{X: points[i].X, Y: a.Points[i].Fitted + pick.Residual*math.Sqrt(60.0/58)}
		}
		at = append(at, solve(t, trend.Question{Points: again, Limit: of(70)}).Crossing.At)
	}
	low, high := quantile(at, 0.025), quantile(at, 0.975)
	r := a.Crossing.Mean
	width := r.High - r.Low
	near(t, "low", r.Low, low, 0.08*width)
	near(t, "high", r.High, high, 0.08*width)
	if r.G > 0.05 {
		t.Errorf("g is %v: not the well determined case that was meant", r.G)
	}
}

// The ends of every region are where the test of "the line is at the limit here"
// turns, by looking at the band itself.
func TestRegionIsWhereTheBandHoldsTheLimit(t *testing.T) {
	t.Parallel()
	seen := map[trend.Set]int{}
	rapid.Check(t, func(t *rapid.T) {
		q := trend.Question{Points: drawn(t), Scale: trend.Known, Limit: of(rapid.OneOf(rapid.Float64Range(-50, 150), rapid.Float64Range(28, 36)).Draw(t, "limit"))}
		a, err := trend.Solve(q)
		if err != nil {
			t.Fatal(err)
		}
		c := a.Crossing
		if c.State != trend.Crosses {
			return
		}
		seen[c.Mean.Set]++
		for i := range 200 {
			x := -3000 + 37*float64(i)
			q.Until = of(x)
			q.Now = of(x)
			b, err := trend.Solve(q)
			if err != nil {
				t.Fatal(err)
			}
			e := b.Crossing.AtNow
			holds := e.Low <= *q.Limit && *q.Limit <= e.High
			edge := math.Min(math.Abs(e.Low-*q.Limit), math.Abs(e.High-*q.Limit)) < 1e-6
			if holds != inside(c.Mean, x) && !edge {
				t.Fatalf("at %v the band [%v, %v] and limit %v say %v, the region %+v says otherwise", x, e.Low, e.High, *q.Limit, holds, c.Mean)
			}
			ahead := false
			for _, v := range c.Mean.Ahead {
				ahead = ahead || (v.From == nil || x >= *v.From) && (v.To == nil || x <= *v.To)
			}
			if ahead != (inside(c.Mean, x) && x >= c.Now) && math.Abs(x-c.Now) > 1e-9 && !edge {
				t.Fatalf("at %v: ahead %v of %+v", x, ahead, c.Mean)
			}
		}
		if !inside(c.Mean, c.At) && c.Mean.G < 0.999 {
			t.Fatalf("the estimate %v is outside its own region %+v", c.At, c.Mean)
		}
		if math.Abs(c.Mean.G-1) > 1e-9 && (c.Mean.Set == trend.Bounded) != (c.Mean.G < 1) {
			t.Fatalf("g %v with %s", c.Mean.G, c.Mean.Set)
		}
	})
	for _, set := range []trend.Set{trend.Bounded, trend.TwoRays, trend.WholeLine} {
		if seen[set] == 0 {
			t.Errorf("no %s was drawn: %v", set, seen)
		}
	}
}

// g of exactly 1 leaves a ray: with two points of u = 1 at x = ±1 the variance of
// the rate is 1/2, so a rate of q/√2 has g = 1.
func TestRayAtGOfOne(t *testing.T) {
	t.Parallel()
	rate := 1.959963984540054 / math.Sqrt2
	a := solve(t, trend.Question{Points: line([]float64{-1, 1}, []float64{-rate, rate}, 1), Scale: trend.Known, Limit: of(3)})
	if r := a.Crossing.Mean; r.Set != trend.UnboundedAbove || r.High != 0 || len(r.Ahead) != 1 || r.Ahead[0].To != nil {
		t.Errorf("%+v, want a ray", r)
	}
	a = solve(t, trend.Question{Points: line([]float64{-1, 1}, []float64{rate, -rate}, 1), Scale: trend.Known, Limit: of(3), Now: of(2)})
	if r := a.Crossing.Mean; r.Set != trend.UnboundedBelow || r.Low != 0 || len(r.Ahead) != 0 {
		t.Errorf("%+v, want a ray behind", r)
	}
}

func TestFewPoints(t *testing.T) {
	t.Parallel()
	limit := of(100)
	t.Run("none", func(t *testing.T) {
		t.Parallel()
		a := solve(t, trend.Question{Limit: limit})
		if a.NoInterval != trend.NoPoints || a.Crossing.State != trend.RateUnknown || a.Segments[0].Rate.Known || a.Crossing.Mean.Why == "" || len(a.Band) != 0 {
			t.Errorf("%+v", a)
		}
	})
	t.Run("one", func(t *testing.T) {
		t.Parallel()
		a := solve(t, trend.Question{Points: line([]float64{5}, []float64{40}, 2), Limit: limit})
		g := a.Segments[0]
		if g.Rate.Known || g.Intercept.Known || !g.Start.Known || g.Start.Value != 40 || g.Start.SE != 2 || a.Crossing.State != trend.RateUnknown {
			t.Errorf("%+v", g)
		}
	})
	t.Run("same x", func(t *testing.T) {
		t.Parallel()
		a := solve(t, trend.Question{Points: line([]float64{5, 5, 5}, []float64{40, 42, 44}), Limit: limit})
		g := a.Segments[0]
		near(t, "mean", g.Start.Value, 42, 1e-12)
		near(t, "se", g.Start.SE, 2/math.Sqrt(3), 1e-12)
		if g.Rate.Known || a.DoF != 2 || a.Crossing.Mean.Set != trend.NoSet {
			t.Errorf("%+v", a)
		}
	})
	t.Run("two without u", func(t *testing.T) {
		t.Parallel()
		a := solve(t, trend.Question{Points: line([]float64{0, 10}, []float64{40, 50}), Limit: limit})
		if g := a.Segments[0].Rate; !g.Known || g.Interval || math.Abs(g.Value-1) > 1e-12 || a.NoInterval != trend.NoFreedom {
			t.Errorf("%+v", a)
		}
		near(t, "crossing", a.Crossing.At, 60, 1e-9)
	})
	t.Run("two with u", func(t *testing.T) {
		t.Parallel()
		a := solve(t, trend.Question{Points: line([]float64{0, 10}, []float64{40, 50}, 1), Limit: limit})
		if g := a.Segments[0].Rate; !g.Interval || a.Crossing.Mean.Set != trend.Bounded || a.PChiSquare != 1 || a.Scale != trend.Known {
			t.Errorf("%+v", a)
		}
	})
	t.Run("exactly on a line", func(t *testing.T) {
		t.Parallel()
		a := solve(t, trend.Question{Points: line([]float64{0, 1, 2, 3}, []float64{40.1, 40.2, 40.3, 40.4}), Limit: limit})
		if a.NoInterval != trend.NoScatter || a.Crossing.Mean.Set != trend.NoSet || a.Crossing.State != trend.Crosses {
			t.Errorf("%+v", a)
		}
		near(t, "crossing", a.Crossing.At, 599, 1e-6)
	})
	t.Run("flat", func(t *testing.T) {
		t.Parallel()
		a := solve(t, trend.Question{Points: line([]float64{0, 1, 2}, []float64{40.3, 40.3, 40.3}, 1), Limit: limit})
		if a.Crossing.State != trend.Parallel || a.Crossing.Mean.Set != trend.TwoRays {
			t.Errorf("%+v", a.Crossing)
		}
	})
}

func TestRefusals(t *testing.T) {
	t.Parallel()
	p := line([]float64{0, 1}, []float64{1, 2}, 1)
	for _, c := range []struct {
		name string
		q    trend.Question
		want error
	}{
		{"NaN", trend.Question{Points: []trend.Point{{X: math.NaN()}}}, trend.ErrPoint},
		{"infinite", trend.Question{Points: []trend.Point{{Y: math.Inf(1)}}}, trend.ErrPoint},
		{"negative u", trend.Question{Points: []trend.Point{{U: -1}}}, trend.ErrPoint},
		{"NaN u", trend.Question{Points: []trend.Point{{U: math.NaN()}}}, trend.ErrPoint},
		{"u of some", trend.Question{Points: []trend.Point{{U: 1}, {}}}, trend.ErrScale},
		{"known without u", trend.Question{Points: []trend.Point{{}}, Scale: trend.Known}, trend.ErrScale},
		{"another scale", trend.Question{Points: p, Scale: "guessed"}, trend.ErrScale},
		{"negative shared", trend.Question{Points: p, SharedU: -1}, trend.ErrScale},
		{"coverage", trend.Question{Points: p, Coverage: 1}, trend.ErrCoverage},
		{"coverage NaN", trend.Question{Points: p, Coverage: math.NaN()}, trend.ErrCoverage},
		{"limit", trend.Question{Points: p, Limit: of(math.Inf(-1))}, trend.ErrLimit},
		{"change", trend.Question{Points: p, Breaks: []trend.Break{{Change: "paint"}}}, trend.ErrBreak},
		{"change at NaN", trend.Question{Points: p, Breaks: []trend.Break{{X: math.NaN(), Change: trend.Repair}}}, trend.ErrBreak},
		{"many", trend.Question{Points: make([]trend.Point, trend.MostPoints+1)}, trend.ErrTooMany},
		{"many changes", trend.Question{Breaks: make([]trend.Break, trend.MostBreaks+1)}, trend.ErrTooMany},
	} {
		if _, err := trend.Solve(c.q); !errors.Is(err, c.want) {
			t.Errorf("%s: %v, want %v", c.name, err, c.want)
		}
	}
}
