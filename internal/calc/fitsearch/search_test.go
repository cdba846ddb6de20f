package fitsearch_test

import (
	"errors"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"pinwright/internal/calc/fitsearch"
	"pinwright/internal/calc/length"
	"pinwright/internal/calc/limits"
)

func um(v float64) length.Length { return length.FromMicrometres(v) }
func mm(v float64) length.Length { return um(v * 1000) }

func symbols(list []fitsearch.Found) string {
	var out []string
	for _, f := range list {
		out = append(out, f.Symbol())
	}
	return strings.Join(out, " ")
}

// TestPreferredFitsAreFound asks for exactly the clearances that ANSI B4.2-1978
// prints for preferred fits (here of ISO 286-2's limits; 25 H7/g6 leaves 7 to 41
// µm, 25 H7/p6 -35 to -1) and for the ones of ANSI B4.1-1967.
func TestPreferredFitsAreFound(t *testing.T) {
	t.Parallel()
	thou := func(v float64) length.Length { return um(v * 25.4) }
	for _, c := range []struct {
		q     fitsearch.Question
		among string
	}{
		{fitsearch.Question{Size: mm(25), Least: um(7), Greatest: um(41)}, "H7/g6"},
		{fitsearch.Question{Size: mm(25), Least: um(7), Greatest: um(41), Basis: fitsearch.ShaftBasis}, "G7/h6"},
		{fitsearch.Question{Size: mm(25), Least: um(20), Greatest: um(74), Basis: fitsearch.HoleBasis}, "H8/f7"},
		{fitsearch.Question{Size: mm(25), Least: um(-35), Greatest: um(-1)}, "H7/p6"},
		{fitsearch.Question{Size: mm(25), Least: um(-35), Greatest: um(-1), Basis: fitsearch.ShaftBasis}, "P7/h6"},
		{fitsearch.Question{Size: mm(25), Least: um(110), Greatest: um(370), Uncommon: true, Order: fitsearch.Easiest}, "H11/c11"},
		{fitsearch.Question{Size: mm(12.7), Least: thou(0.6), Greatest: thou(2.3), Inch: true}, "RC4"},
		{fitsearch.Question{Size: mm(25.4), Least: thou(-1.9), Greatest: thou(-0.6), Inch: true}, "FN2"},
	} {
		c.q.Limit = 100
		got, err := fitsearch.Search(c.q)
		if err != nil {
			t.Fatal(err)
		}
		if !strings.Contains(" "+symbols(got.Fits)+" ", " "+c.among+" ") {
			t.Errorf("%+v: %s is not among %s", c.q, c.among, symbols(got.Fits))
		}
	}
}

// bruteForce reads every pair of symbols and looks at its clearances, knowing
// nothing of bases but the letters.
func bruteForce(t interface{ Fatal(...any) }, q fitsearch.Question) []limits.Pair {
	var out []limits.Pair
	if q.Inch {
		for _, class := range limits.InchClasses() {
			p, err := limits.InchFit(class, q.Size)
			if err == nil && p.LeastClearance >= q.Least && p.GreatestClearance <= q.Greatest && q.Basis != fitsearch.ShaftBasis {
				out = append(out, p)
			}
		}
		return out
	}
	for _, hole := range limits.HoleClasses() {
		for _, shaft := range limits.ShaftClasses() {
			onHole := strings.TrimLeft(hole, "0123456789")[0] == 'H'
			onShaft := shaft[0] == 'h'
			switch {
			case q.Basis == fitsearch.HoleBasis && !onHole, q.Basis == fitsearch.ShaftBasis && !onShaft,
				q.Basis == fitsearch.Either && !onHole && !onShaft,
				!q.Uncommon && (!limits.Printed(hole) || !limits.Printed(shaft)):
				continue
			}
			fit, err := limits.ParseFit(hole + "/" + shaft)
			if err != nil {
				t.Fatal(err)
			}
			p, err := fit.At(q.Size)
			if errors.Is(err, limits.ErrSize) {
				continue
			}
			if err != nil {
				t.Fatal(err)
			}
			// The width of each part's zone is its grade's; a zone finer than wanted is no candidate.
			finest := length.Length(0)
			if q.Finest > 0 {
				finest, _ = limits.Grade(limits.Grades()[q.Finest-1], q.Size)
			}
			if p.Hole.Width() < finest || p.Shaft.Width() < finest {
				continue
			}
			if p.LeastClearance >= q.Least && p.GreatestClearance <= q.Greatest {
				out = append(out, p)
			}
		}
	}
	return out
}

func TestSearchFindsWhatBruteForceFinds(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		q := fitsearch.Question{
			Size:     length.Length(rapid.Int64Range(int64(limits.Smallest), int64(limits.Largest)).Draw(t, "size")),
			Basis:    rapid.SampledFrom([]fitsearch.Basis{fitsearch.HoleBasis, fitsearch.ShaftBasis, fitsearch.Either, fitsearch.Any}).Draw(t, "basis"),
			Order:    rapid.SampledFrom([]fitsearch.Order{fitsearch.Tightest, fitsearch.Easiest}).Draw(t, "order"),
			Inch:     rapid.Bool().Draw(t, "inch"),
			Uncommon: rapid.IntRange(0, 9).Draw(t, "uncommon") == 0,
			Finest:   rapid.SampledFrom([]int{0, 5, 7}).Draw(t, "finest"),
			Limit:    fitsearch.Most,
		}
		q.Least = um(float64(rapid.IntRange(-150, 150).Draw(t, "least")))
		q.Greatest = q.Least + um(float64(rapid.IntRange(0, 200).Draw(t, "width")))
		got, err := fitsearch.Search(q)
		if err != nil {
			t.Fatal(err)
		}
		want := bruteForce(t, q)
		if got.Inside != len(want) || len(got.Fits) != min(len(want), q.Limit) {
			t.Fatalf("%+v: %d inside, %d told; brute force finds %d", q, got.Inside, len(got.Fits), len(want))
		}
		// What is told is inside, and nothing that is left out comes before it.
		var last length.Length
		for i, f := range got.Fits {
			if !slices.Contains(want, f.Pair) {
				t.Errorf("%s is not inside", f.Symbol())
			}
			key := f.LeastClearance + f.GreatestClearance
			if q.Order == fitsearch.Easiest {
				key = f.LeastClearance - f.GreatestClearance
			}
			if i > 0 && key < last {
				t.Errorf("%s is out of order", f.Symbol())
			}
			last = key
		}
		ahead := 0
		for _, p := range want {
			key := p.LeastClearance + p.GreatestClearance
			if q.Order == fitsearch.Easiest {
				key = p.LeastClearance - p.GreatestClearance
			}
			if key < last {
				ahead++
			}
		}
		if ahead > len(got.Fits) {
			t.Errorf("%d fits come before the last that is told, %d are told", ahead, len(got.Fits))
		}
		if again, _ := fitsearch.Search(q); symbols(again.Fits) != symbols(got.Fits) {
			t.Errorf("asked again: %s after %s", symbols(again.Fits), symbols(got.Fits))
		}
		if got.Inside > 0 && len(got.Misses) > 0 || got.Inside == 0 && got.Considered > 0 && len(got.Misses) == 0 {
			t.Errorf("%d inside, misses %s", got.Inside, symbols(got.Misses))
		}
	})
}

// TestNearestMisses: a window of 30 µm at 25 mm is narrower than H7 with g6 (21 and
// 13), and of the common classes H6/g5 (13 and 9 µm) lies inside from 7 on.
func TestNearestMisses(t *testing.T) {
	t.Parallel()
	got, err := fitsearch.Search(fitsearch.Question{Size: mm(25), Least: um(8), Greatest: um(30), Finest: 6})
	if err != nil {
		t.Fatal(err)
	}
	if got.Inside != 0 || got.Narrowest != um(26) {
		t.Fatalf("%d inside, narrowest %v", got.Inside, got.Narrowest)
	}
	// By hand, ISO 286-2 at 25 mm: H6 0/13, G6 7/20, g6 -20/-7, h6 -13/0. H6/g6 and
	// G6/h6 leave 7 to 33: 1 below and 3 above; nothing else of grade 6 is as near.
	if s := symbols(got.Misses); !strings.HasPrefix(s, "H6/g6 G6/h6") {
		t.Errorf("nearest misses %s", s)
	}
	if m := got.Misses[0]; m.Below != um(1) || m.Above != um(3) {
		t.Errorf("%s misses by %v below and %v above", m.Symbol(), m.Below, m.Above)
	}
}

func TestRefusals(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		q    fitsearch.Question
		kind error
		says string
	}{
		"a window the wrong way round": {fitsearch.Question{Size: mm(8), Least: 2, Greatest: 1}, fitsearch.ErrWindow, "exchange"},
		"a clearance of the size":      {fitsearch.Question{Size: mm(8), Least: 0, Greatest: mm(9)}, fitsearch.ErrWindow, "unit"},
		"a size above the table":       {fitsearch.Question{Size: mm(50.001)}, fitsearch.ErrSize, "50 mm"},
		"a size of nothing":            {fitsearch.Question{}, fitsearch.ErrSize, "1 mm"},
		"an inch size above the table": {fitsearch.Question{Size: mm(90), Inch: true}, fitsearch.ErrSize, "3.15 in"},
		"an unknown basis":             {fitsearch.Question{Size: mm(8), Basis: "bore"}, fitsearch.ErrChoice, "hole"},
		"an unknown order":             {fitsearch.Question{Size: mm(8), Order: "best"}, fitsearch.ErrChoice, "easiest"},
		"a thousand answers":           {fitsearch.Question{Size: mm(8), Limit: 1000}, fitsearch.ErrChoice, "100"},
		"a grade that does not exist":  {fitsearch.Question{Size: mm(8), Finest: 13}, fitsearch.ErrChoice, "12"},
	} {
		if _, err := fitsearch.Search(c.q); !errors.Is(err, c.kind) || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v; want %v saying %q", name, err, c.kind, c.says)
		}
	}
	// Shaft basis in inches: none is considered, and nothing is told.
	got, err := fitsearch.Search(fitsearch.Question{Size: mm(8), Greatest: mm(1), Inch: true, Basis: fitsearch.ShaftBasis})
	if err != nil || got.Considered != 0 || len(got.Misses) != 0 {
		t.Errorf("%+v, %v", got, err)
	}
}

func TestDerivationEndsInTheAnswer(t *testing.T) {
	t.Parallel()
	for _, q := range []fitsearch.Question{
		{Size: mm(25), Least: um(7), Greatest: um(41)}, {Size: mm(25), Least: um(7), Greatest: um(8)},
		{Size: mm(25), Least: um(7), Greatest: um(410), Inch: true}, {Size: mm(25), Inch: true, Basis: fitsearch.ShaftBasis},
	} {
		got, err := fitsearch.Search(q)
		if err != nil {
			t.Fatal(err)
		}
		steps := got.Derivation(q)
		for _, s := range steps {
			if s.Source == "" || s.Formula == "" || s.Result.Name == "" {
				t.Errorf("%+v", s)
			}
		}
		if n := len(got.Fits); n > 0 {
			want := (got.Fits[0].LeastClearance + got.Fits[0].GreatestClearance).Micrometres() / 2
			if last := steps[len(steps)-1]; last.Result.Value != want {
				t.Errorf("ends in %v, want %v", last.Result, want)
			}
		}
	}
}

func BenchmarkSearch(b *testing.B) {
	for name, q := range map[string]fitsearch.Question{
		"common": {Size: mm(25), Least: um(7), Greatest: um(41)},
		"every":  {Size: mm(25), Least: um(-500), Greatest: um(500), Basis: fitsearch.Any, Uncommon: true, Limit: 100},
	} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := fitsearch.Search(q); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
