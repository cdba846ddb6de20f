package endfloat_test

import (
	"errors"
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"pinwright/internal/calc/endfloat"
	"pinwright/internal/calc/length"
)

const um = length.Length(1000)

func question(float length.Length, stack ...endfloat.Size) endfloat.Question {
	return endfloat.Question{Float: float, U: 5, Low: 50 * um, High: 150 * um, Stack: stack, Probability: 0.95}
}

// By hand: 0.42 mm of float, target 0.05 to 0.15 mm. One shim of 0.3 leaves 0.12
// (surer than 0.05 + 0.25 with two); without the 0.3 it takes two.
func TestFewestShimsByHand(t *testing.T) {
	t.Parallel()
	c, err := endfloat.Choose(question(420*um, endfloat.Size{50 * um, 2}, endfloat.Size{250 * um, 1}, endfloat.Size{300 * um, 1}))
	if err != nil || !c.Sure || !slices.Equal(c.Shims, []length.Length{300 * um}) || c.Left != 120*um {
		t.Errorf("%+v %v", c, err)
	}
	c, err = endfloat.Choose(question(420*um, endfloat.Size{100 * um, 3}, endfloat.Size{200 * um, 1}))
	if err != nil || !c.Sure || !slices.Equal(c.Shims, []length.Length{200 * um, 100 * um}) {
		t.Errorf("%+v %v", c, err)
	}
	c, err = endfloat.Choose(question(100 * um))
	if err != nil || !c.Sure || len(c.Shims) != 0 {
		t.Errorf("already right: %+v %v", c, err)
	}
	c, err = endfloat.Choose(question(1000*um, endfloat.Size{100 * um, 3}))
	if err != nil || c.Sure || len(c.Shims) != 3 {
		t.Errorf("not enough shims: %+v %v", c, err)
	}
	c, err = endfloat.Choose(question(-100*um, endfloat.Size{100 * um, 3}))
	if err != nil || c.Sure || len(c.Shims) != 0 {
		t.Errorf("binds already: %+v %v", c, err)
	}
	// Odd nanometres of inch shims stay exact: 3 thou and 5 thou.
	c, err = endfloat.Choose(question(300*um, endfloat.Size{76_200, 1}, endfloat.Size{127_000, 1}))
	if err != nil || c.Left != 300*um-76_200-127_000 {
		t.Errorf("%+v %v", c, err)
	}
}

// Brute force over the counts of every size, without any order.
func best(q endfloat.Question) (number int, probability float64, sure bool) {
	counts := make([]int, len(q.Stack))
	number, probability = -1, -1
	var walk func(i, n int, sum length.Length)
	walk = func(i, n int, sum length.Length) {
		if n > endfloat.MostShims {
			return
		}
		if i < len(q.Stack) {
			for k := 0; k <= q.Stack[i].Count; k++ {
				counts[i] = k
				walk(i+1, n+k, sum+length.Length(k)*q.Stack[i].Thickness)
			}
			return
		}
		u := math.Sqrt(q.U*q.U+float64(n)*q.ShimU*q.ShimU) * math.Sqrt2
		left := (q.Float - sum).Micrometres()
		p := (math.Erf((q.High.Micrometres()-left)/u) - math.Erf((q.Low.Micrometres()-left)/u)) / 2
		ok := p >= q.Probability
		switch {
		case ok && (!sure || n < number || n == number && p > probability), !ok && !sure && p > probability:
			number, probability, sure = n, p, ok
		}
	}
	walk(0, 0, 0)
	return number, probability, sure
}

func TestChoiceIsThatOfBruteForce(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		q := question(length.Length(rapid.IntRange(-100, 1500).Draw(t, "float")) * um)
		q.U, q.ShimU = rapid.Float64Range(0.5, 60).Draw(t, "u"), rapid.Float64Range(0, 10).Draw(t, "shim u")
		q.High = q.Low + length.Length(rapid.IntRange(20, 200).Draw(t, "width"))*um
		for _, thickness := range rapid.SliceOfNDistinct(rapid.IntRange(10, 400), 0, 5, rapid.ID).Draw(t, "stack") {
			q.Stack = append(q.Stack, endfloat.Size{Thickness: length.Length(thickness) * um, Count: rapid.IntRange(1, 3).Draw(t, "count")})
		}
		number, probability, sure := best(q)
		if math.Abs(probability-q.Probability) < 1e-9 {
			return // a hair's breadth decides
		}
		c, err := endfloat.Choose(q)
		if err != nil {
			t.Fatal(err)
		}
		if c.Sure != sure || math.Abs(c.Probability-probability) > 1e-9 || sure && len(c.Shims) != number {
			t.Fatalf("%+v, brute force %d shims with %v, sure %v", c, number, probability, sure)
		}
		other := q
		other.Stack = rapid.Permutation(q.Stack).Draw(t, "order")
		if again, err := endfloat.Choose(other); err != nil || !slices.Equal(again.Shims, c.Shims) {
			t.Fatalf("another order: %+v and %+v", c, again)
		}
		steps := q.Derivation(c)
		if steps[0].Result.Value != c.Left.Micrometres() || steps[2].Result.Value != c.Probability {
			t.Fatalf("%+v", steps)
		}
	})
}

func TestRefusals(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		change func(q *endfloat.Question)
		want   error
	}{
		"known without doubt": {func(q *endfloat.Question) { q.U = 0 }, endfloat.ErrFloat},
		"no number":           {func(q *endfloat.Question) { q.U = math.NaN() }, endfloat.ErrFloat},
		"shim below nothing":  {func(q *endfloat.Question) { q.ShimU = -1 }, endfloat.ErrFloat},
		"target upside down":  {func(q *endfloat.Question) { q.Low = q.High }, endfloat.ErrFloat},
		"a hundred metres":    {func(q *endfloat.Question) { q.Float = 1e11 }, endfloat.ErrFloat},
		"a certainty":         {func(q *endfloat.Question) { q.Probability = 1 }, endfloat.ErrFloat},
		"the same twice":      {func(q *endfloat.Question) { q.Stack = []endfloat.Size{{10 * um, 1}, {10 * um, 2}} }, endfloat.ErrStack},
		"none of it":          {func(q *endfloat.Question) { q.Stack = []endfloat.Size{{10 * um, 0}} }, endfloat.ErrStack},
		"thinner than foil":   {func(q *endfloat.Question) { q.Stack = []endfloat.Size{{999, 1}} }, endfloat.ErrStack},
		"a thousand thicknesses": {func(q *endfloat.Question) {
			for i := range 1000 {
				q.Stack = append(q.Stack, endfloat.Size{length.Length(i+1) * um, 1})
			}
		}, endfloat.ErrStack},
	} {
		q := question(420*um, endfloat.Size{50 * um, 2})
		c.change(&q)
		if _, err := endfloat.Choose(q); !errors.Is(err, c.want) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func FuzzChooseNeverPanics(f *testing.F) {
	f.Add(int64(420_000), 5.0, 1.0, int64(50_000), int64(150_000), int64(100_000), 3, 0.95)
	f.Fuzz(func(t *testing.T, float int64, u, shim float64, low, high, thickness int64, count int, p float64) {
		q := endfloat.Question{Float: length.Length(float), U: u, ShimU: shim, Low: length.Length(low), High: length.Length(high), Probability: p,
			Stack: []endfloat.Size{{length.Length(thickness), count}}}
		if c, err := endfloat.Choose(q); err == nil && !(c.Probability >= 0 && c.Probability <= 1) {
			t.Fatalf("%+v", c)
		}
	})
}

func BenchmarkChooseFromAllSizes(b *testing.B) {
	q := question(900 * um)
	for i := range endfloat.MostSizes {
		q.Stack = append(q.Stack, endfloat.Size{Thickness: length.Length(i+1) * 10 * um, Count: 6})
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := endfloat.Choose(q); err != nil {
			b.Fatal(err)
		}
	}
}
