package controlchart_test

import (
	"encoding/binary"
	"errors"
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"pinwright/internal/calc/controlchart"
)

func TestTooFew(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name string
		q    controlchart.Question
		want controlchart.State
	}{
		{"none", controlchart.Question{}, controlchart.NoValues},
		{"one", controlchart.Question{Values: []float64{1}}, controlchart.TooFew},
		{"equal", controlchart.Question{Values: []float64{0.1, 0.1, 0.1}}, controlchart.NoSpread},
		{"mostly equal, by the median", controlchart.Question{Values: []float64{1, 1, 1, 2}, Spread: controlchart.MedianRange}, controlchart.NoSpread},
		{"baseline longer than the values", controlchart.Question{Values: []float64{1, 2}, Baseline: 3}, controlchart.TooFew},
		{"two", controlchart.Question{Values: []float64{1, 2}}, controlchart.Limits},
	} {
		got := judge(t, c.q)
		if got.State != c.want {
			t.Errorf("%s: %s, want %s", c.name, got.State, c.want)
		}
		for _, s := range got.Segments {
			if s.State != controlchart.Limits && (s.Why == "" || len(got.Signals) > 0 || s.Sigma != 0) {
				t.Errorf("%s: %+v", c.name, s)
			}
		}
	}
}

// A regrind starts anew: neither limits nor rules nor moving ranges reach over.
func TestSegments(t *testing.T) {
	t.Parallel()
	values := []float64{1, 2, 1, 2, 1, 11, 12, 11, 12, 11}
	c := judge(t, controlchart.Question{Values: values, Starts: []int{5, 5, 0}, Rules: append(slices.Clone(controlchart.Nelson), controlchart.MovingRange)})
	if len(c.Segments) != 2 || len(c.Signals) != 0 || c.Points[5].MovingRange != nil || c.Points[6].MovingRange == nil {
		t.Errorf("%+v", c)
	}
	if a, b := c.Segments[0], c.Segments[1]; math.Abs(b.Centre-a.Centre-10) > 1e-12 || math.Abs(a.Sigma-b.Sigma) > 1e-12 {
		t.Errorf("%+v %+v", a, b)
	}
	if whole := judge(t, controlchart.Question{Values: values, Rules: []controlchart.Rule{controlchart.MovingRange}}); len(whole.Signals) != 1 || whole.Signals[0].Index != 5 {
		t.Errorf("%+v", whole.Signals)
	}
	// Phase 2: limits of the first values only.
	c = judge(t, controlchart.Question{Values: values, Baseline: 5, Rules: []controlchart.Rule{controlchart.Nelson1}})
	if c.Phase != 2 || !slices.Equal(fired(c), []int{6, 7, 8, 9, 10}) || c.Segments[0].From != 5 {
		t.Errorf("%+v", c.Signals)
	}
}

func TestMedianResistsAJump(t *testing.T) {
	t.Parallel()
	values := []float64{0, 1, 0, 1, 0, 1, 0, 100, 101, 100, 101, 100}
	byMean := judge(t, controlchart.Question{Values: values}).Segments[0]
	byMedian := judge(t, controlchart.Question{Values: values, Spread: controlchart.MedianRange}).Segments[0]
	near(t, "by the median", byMedian.Sigma, 1/0.9538725524089398, 1e-12)
	near(t, "by the mean", byMean.Sigma, 110.0/11*math.Sqrt(math.Pi)/2, 1e-12)
}

func TestRefusals(t *testing.T) {
	t.Parallel()
	two := []float64{1, 2}
	for _, c := range []struct {
		name string
		q    controlchart.Question
		want error
	}{
		{"NaN", controlchart.Question{Values: []float64{math.NaN()}}, controlchart.ErrValue},
		{"infinite", controlchart.Question{Values: []float64{math.Inf(-1)}}, controlchart.ErrValue},
		{"many", controlchart.Question{Values: make([]float64, controlchart.MostValues+1)}, controlchart.ErrTooMany},
		{"start", controlchart.Question{Values: two, Starts: []int{2}}, controlchart.ErrSegment},
		{"start before", controlchart.Question{Values: two, Starts: []int{-1}}, controlchart.ErrSegment},
		{"rule", controlchart.Question{Values: two, Rules: []controlchart.Rule{"nelson_9"}}, controlchart.ErrRule},
		{"spread", controlchart.Question{Values: two, Spread: "sd"}, controlchart.ErrSpread},
		{"baseline of one", controlchart.Question{Values: two, Baseline: 1}, controlchart.ErrBaseline},
		{"no sigma", controlchart.Question{Values: two, Given: &controlchart.Given{}}, controlchart.ErrBaseline},
		{"centre", controlchart.Question{Values: two, Given: &controlchart.Given{Centre: math.NaN(), Sigma: 1}}, controlchart.ErrBaseline},
		{"both", controlchart.Question{Values: two, Baseline: 2, Given: &controlchart.Given{Sigma: 1}}, controlchart.ErrBaseline},
	} {
		if _, err := controlchart.Judge(c.q); !errors.Is(err, c.want) {
			t.Errorf("%s: %v, want %v", c.name, err, c.want)
		}
	}
}

// slow are the rules, written anew from their definitions on zones, point by
// point, as a judge apart from the package.
func slow(z []float64, rule controlchart.Rule, i int) bool {
	window := func(n int) []float64 {
		if i+1 < n {
			return nil
		}
		return z[i+1-n : i+1]
	}
	count := func(v []float64, f func(float64) bool) (n int) {
		for _, x := range v {
			if f(x) {
				n++
			}
		}
		return n
	}
	some := func(m, n int, k float64) bool {
		v := z[max(0, i+1-n) : i+1]
		up := count(v, func(x float64) bool { return x > k }) >= m && z[i] > k
		return up || count(v, func(x float64) bool { return x < -k }) >= m && z[i] < -k
	}
	every := func(n int, f func(float64) bool) bool { v := window(n); return v != nil && count(v, f) == n }
	steps := func(n int, f func(a, b float64, k int) bool) bool {
		v := window(n)
		if v == nil {
			return false
		}
		for k := 1; k < n; k++ {
			if !f(v[k-1], v[k], k) {
				return false
			}
		}
		return true
	}
	one := func(n int) bool {
		return every(n, func(x float64) bool { return x > 0 }) || every(n, func(x float64) bool { return x < 0 })
	}
	switch rule {
	case controlchart.Nelson1, controlchart.Western1:
		return math.Abs(z[i]) > 3
	case controlchart.Nelson2:
		return one(9)
	case controlchart.Western4:
		return one(8)
	case controlchart.Nelson3:
		return steps(6, func(a, b float64, _ int) bool { return a < b }) || steps(6, func(a, b float64, _ int) bool { return a > b })
	case controlchart.Nelson4:
		up := func(odd int) bool {
			return steps(14, func(a, b float64, k int) bool {
				if k%2 == odd {
					return a < b
				}
				return a > b
			})
		}
		return up(0) || up(1)
	case controlchart.Nelson5, controlchart.Western2:
		return some(2, 3, 2)
	case controlchart.Nelson6, controlchart.Western3:
		return some(4, 5, 1)
	case controlchart.Nelson7:
		return every(15, func(x float64) bool { return math.Abs(x) < 1 })
	}
	return every(8, func(x float64) bool { return math.Abs(x) > 1 })
}

func TestRulesAgainstSlowOnes(t *testing.T) {
	t.Parallel()
	seen := map[controlchart.Rule]int{}
	rules := append(slices.Clone(controlchart.Nelson), controlchart.WesternElectric...)
	rapid.Check(t, func(t *rapid.T) {
		// Values in quarters, so that lines are met exactly; calm and wild ones, so that
		// every rule has its turn.
		reach := rapid.SampledFrom([]int{2, 6, 14}).Draw(t, "reach")
		lean := rapid.SampledFrom([]int{-3, 0, 3}).Draw(t, "lean")
		n := rapid.IntRange(0, 60).Draw(t, "n")
		z := make([]float64, n)
		swing := rapid.Bool().Draw(t, "swing")
		for i := range z {
			z[i] = float64(rapid.IntRange(-reach, reach).Draw(t, "z")+lean) / 4
			if swing {
				z[i] = math.Abs(z[i]) * float64(1-2*(i%2))
			}
		}
		if rapid.Bool().Draw(t, "sorted") {
			slices.Sort(z)
		}
		c, err := controlchart.Judge(controlchart.Question{Values: z, Given: &controlchart.Given{Sigma: 1}, Rules: rules})
		if err != nil {
			t.Fatal(err)
		}
		for i := range z {
			for _, r := range rules {
				got := slices.Contains(c.Points[i].Rules, r)
				if got != slow(z, r, i) {
					t.Fatalf("%s at %d of %v: %v", r, i, z, got)
				}
				if got {
					seen[r]++
				}
			}
		}
	})
	for _, r := range rules {
		if seen[r] == 0 {
			t.Errorf("%s never had its turn", r)
		}
	}
}

// The unit and the origin do not matter.
func TestUnitsDoNotMatter(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		values := rapid.SliceOfN(rapid.Map(rapid.IntRange(-10_000, 10_000), func(i int) float64 { return float64(i) / 1000 }), 2, 60).Draw(t, "values")
		k, shift := rapid.SampledFrom([]float64{1e-3, 1. / 25.4, 25.4, 1e3}).Draw(t, "k"), rapid.Float64Range(-100, 100).Draw(t, "c")
		other := make([]float64, len(values))
		for i, v := range values {
			other[i] = k * (v + shift)
		}
		q := controlchart.Question{Spread: rapid.SampledFrom([]controlchart.Spread{controlchart.MeanRange, controlchart.MedianRange}).Draw(t, "spread")}
		q.Values = values
		a, err := controlchart.Judge(q)
		if err != nil {
			t.Fatal(err)
		}
		q.Values = other
		b, err := controlchart.Judge(q)
		if err != nil {
			t.Fatal(err)
		}
		s, r := a.Segments[0], b.Segments[0]
		if s.Sigma < 1e-9 {
			return // a spread near the rounding of the shift
		}
		if math.Abs(r.Sigma-k*s.Sigma) > 1e-6*k*s.Sigma || math.Abs(r.Centre-k*(s.Centre+shift)) > 1e-9*k*(math.Abs(shift)+10) {
			t.Fatalf("%+v and %+v", s, r)
		}
		for i := range a.Points {
			near := func(edge float64) bool { return math.Abs(math.Abs(a.Points[i].Z)-edge) < 1e-5 }
			if near(0) || near(1) || near(2) || near(3) {
				return
			}
		}
		if !slices.Equal(fired(a), fired(b)) && s.Sigma > 1e-3 {
			t.Fatalf("%v and %v", a.Signals, b.Signals)
		}
	})
}

func FuzzJudge(f *testing.F) {
	f.Add([]byte("0123456789abcdef0123456789abcdef"), uint8(3))
	f.Fuzz(func(t *testing.T, raw []byte, kind uint8) {
		q := controlchart.Question{Baseline: int(kind / 16)}
		if kind&1 != 0 {
			q.Spread = controlchart.MedianRange
		}
		if kind&2 != 0 {
			q.Starts = []int{int(kind % 7)}
		}
		q.Rules = append(slices.Clone(controlchart.WesternElectric), controlchart.MovingRange)
		for len(raw) >= 8 && len(q.Values) < 100 {
			q.Values = append(q.Values, math.Float64frombits(binary.LittleEndian.Uint64(raw)))
			raw = raw[8:]
		}
		c, err := controlchart.Judge(q)
		if err != nil {
			return
		}
		for _, s := range c.Segments {
			if math.IsNaN(s.Upper) || math.IsInf(s.Upper, 0) || s.Upper < s.Lower {
				t.Fatalf("%+v", s)
			}
		}
		for _, s := range c.Signals {
			for _, p := range s.Points {
				if p < c.Segments[c.Points[s.Index].Segment].First || p > s.Index {
					t.Fatalf("%+v", s)
				}
			}
		}
	})
}

func BenchmarkJudge(b *testing.B) {
	values := make([]float64, 200)
	for i := range values {
		values[i] = float64(i * 7919 % 101)
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := controlchart.Judge(controlchart.Question{Values: values}); err != nil {
			b.Fatal(err)
		}
	}
}
