package honing_test

import (
	"errors"
	"math"
	"testing"

	"pgregory.net/rapid"

	"pinwright/internal/calc/honing"
)

// Common practice, no published source: what any bench hand would say.
func TestAdviceIsThatOfTheBench(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		bore honing.Bore
		want honing.Method
	}{
		"a hardened bore with little to take": {honing.Bore{Stock: 30, Hardness: 60, Ra: 0.4, Before: 0.8}, honing.Hone},
		"a hardened bore with much to take":   {honing.Bore{Stock: 400, Hardness: 60, Ra: 0.4, Before: 0.8}, honing.BoreFirst},
		"a soft bore with much to take":       {honing.Bore{Stock: 200, Ra: 0.8, Before: 3}, honing.Ream},
		"a soft bore with next to nothing":    {honing.Bore{Stock: 20, Ra: 0.8, Before: 1.6}, honing.Hone},
		"a soft bore with something":          {honing.Bore{Stock: 100, Ra: 0.8, Before: 1.6}, honing.Either},
		"a sintered bush":                     {honing.Bore{Stock: 20, Ra: 0.8, Before: 1.6, Porous: true}, honing.Neither},
		"a lined bush":                        {honing.Bore{Stock: 20, Ra: 0.8, Before: 1.6, Lined: true}, honing.Neither},
	} {
		a, err := honing.Advise(c.bore)
		if err != nil || a.Method != c.want || len(a.Reasons) == 0 {
			t.Errorf("%s: %+v %v", name, a, err)
		}
	}
	for _, bad := range []honing.Bore{{}, {Stock: math.NaN(), Ra: 1, Before: 1}, {Stock: 1, Ra: 0, Before: 1}, {Stock: 1, Ra: 1, Before: 1, Hardness: 80}, {Stock: 1, Ra: 1, Before: 100}} {
		if _, err := honing.Advise(bad); !errors.Is(err, honing.ErrRange) {
			t.Errorf("%+v: %v", bad, err)
		}
	}
}

// The passes together take the stock, from coarse to fine, each at least what the
// scratches before it ask for, the last no rougher than wanted where any grit is fine
// enough; and the steps shown are those passes.
func TestPassesTakeTheStock(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		b := honing.Bore{Stock: rapid.Float64Range(1, 150).Draw(t, "stock"), Hardness: rapid.Float64Range(0, 65).Draw(t, "hardness"),
			Ra: rapid.Float64Range(0.2, 2).Draw(t, "Ra"), Before: rapid.Float64Range(0.2, 6).Draw(t, "before")}
		a, err := honing.Advise(b)
		if err != nil {
			t.Fatal(err)
		}
		sum := 0.0
		for i, p := range a.Passes {
			sum += p.Stock
			if p.Stock <= 0 || i > 0 && (p.Grit <= a.Passes[i-1].Grit || p.Stock < 8*a.Passes[i-1].Ra-1e-9) {
				t.Fatalf("%+v: %+v", b, a)
			}
		}
		if math.Abs(sum-b.Stock) > 1e-9 || a.Passes[len(a.Passes)-1].Ra > b.Ra {
			t.Fatalf("%+v: %+v takes %v", b, a, sum)
		}
		if a.Short != (a.Passes[0].Stock < 8*b.Before) {
			t.Fatalf("%+v: %+v", b, a)
		}
		if steps := b.Derivation(a); len(steps) != 1+len(a.Passes) || steps[1].Result.Value != a.Passes[0].Stock {
			t.Fatalf("%+v", steps)
		}
	})
}

func FuzzAdviseNeverPanics(f *testing.F) {
	f.Add(30.0, 60.0, 0.4, 0.8, false)
	f.Fuzz(func(t *testing.T, stock, hardness, ra, before float64, soft bool) {
		a, err := honing.Advise(honing.Bore{Stock: stock, Hardness: hardness, Ra: ra, Before: before, Soft: soft})
		if err == nil && (a.Method == "" || len(a.Reasons) == 0) {
			t.Fatalf("%+v", a)
		}
	})
}

func BenchmarkAdvise(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		if _, err := honing.Advise(honing.Bore{Stock: 100, Hardness: 60, Ra: 0.2, Before: 0.8}); err != nil {
			b.Fatal(err)
		}
	}
}
