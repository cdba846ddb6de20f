package pluggauge_test

import (
	"errors"
	"math"
	"testing"

	"pgregory.net/rapid"

	"pinwright/internal/calc/length"
	"pinwright/internal/calc/pluggauge"
	"pinwright/internal/calc/uncertainty"
)

func inch(v float64) length.Length { return length.Length(math.Round(v * 25.4e6)) }
func mm(v float64) length.Length   { return length.FromMicrometres(v * 1000) }

// TestWorkedExamples are two gauge makers' worked examples of the ten percent rule:
// a hole of 0.250 +0.004 in has gauges of 0.0002 in, class ZZ; one of 1.000 ±0.001
// in has 0.0001 in, class Z, go 0.999 plus and no-go 1.001 minus. Neither keeps
// anything for wear.
func TestWorkedExamples(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		least, greatest, tolerance float64
		class                      uncertainty.GaugeClass
	}{
		{0.250, 0.254, 0.0002, "ZZ"},
		{0.999, 1.001, 0.0001, "Z"},
	} {
		got, err := pluggauge.For(inch(c.least), inch(c.greatest), pluggauge.Practice{Tolerance: pluggauge.TenPercentRule})
		if err != nil {
			t.Fatal(err)
		}
		if got.Tolerance != inch(c.tolerance) || got.Go.Least != inch(c.least) || got.Go.Greatest != inch(c.least+c.tolerance) ||
			got.NoGo.Greatest != inch(c.greatest) || got.NoGo.Least != inch(c.greatest-c.tolerance) || got.Go.Class != c.class || got.NoGo.Class != c.class {
			t.Errorf("%v to %v in: %+v; want T = %v in, class %s", c.least, c.greatest, got, c.tolerance, c.class)
		}
	}
}

func TestNoClassIsReachedByWideGauges(t *testing.T) {
	t.Parallel()
	// 25 H11 has 130 µm, so each gauge 6.5 µm; ZZ of ASME B89.1.5 over 0.825 in is
	// 0.00024 in, 6.096 µm.
	got, err := pluggauge.For(mm(25), mm(25.13), pluggauge.Usual())
	if err != nil || got.Go.Class != "" || got.NoGo.Class != "" {
		t.Errorf("%+v, %v", got, err)
	}
	// Below 0.010 in there is no class.
	if got, err := pluggauge.For(mm(0.2), mm(0.21), pluggauge.Usual()); err != nil || got.Go.Class != "" {
		t.Errorf("%+v, %v", got, err)
	}
}

// TestGaugesNeverPassABadHole tries every kind of hole, practice and gauge within
// its limits: a hole that takes the go gauge and not the no-go one is good.
func TestGaugesNeverPassABadHole(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		least := length.Length(rapid.Int64Range(int64(mm(0.1)), int64(mm(100))).Draw(t, "least"))
		it := length.Length(rapid.Int64Range(1, int64(mm(0.5))).Draw(t, "tolerance"))
		p := pluggauge.Practice{Tolerance: rapid.Float64Range(0.001, 0.25).Draw(t, "share"), Wear: rapid.Float64Range(0, 0.25).Draw(t, "wear")}
		g, err := pluggauge.For(least, least+it, p)
		if err != nil {
			if !errors.Is(err, pluggauge.ErrHole) || float64(it)*p.Tolerance > 101 {
				t.Fatalf("%v, %+v: %v", it, p, err)
			}
			return
		}
		within := func(plug pluggauge.Plug, name string) length.Length {
			return length.Length(rapid.Int64Range(int64(plug.Least), int64(plug.Greatest)).Draw(t, name))
		}
		goes, stays := within(g.Go, "go"), within(g.NoGo, "no-go")
		if goes < g.Retire+g.Wear || goes > stays {
			t.Fatalf("go %v, no-go %v of %+v", goes, stays, g)
		}
		hole := length.Length(rapid.Int64Range(int64(least-it), int64(least+2*it)).Draw(t, "hole"))
		good := hole >= least && hole <= least+it
		if passes := hole >= goes && hole < stays; passes && !good {
			t.Errorf("a hole of %v passes %v/%v though its limits are %v and %v", hole, goes, stays, least, least+it)
		}
		if refused := float64(g.Refused) / float64(it); refused > 2*p.Tolerance+p.Wear+1/float64(it) {
			t.Errorf("%v of the tolerance refused with %+v", refused, p)
		}
		for _, s := range g.Derivation() {
			if s.Source == "" {
				t.Errorf("%+v", s)
			}
		}
		// The class is the finest that is wide enough, by the table itself.
		for _, class := range uncertainty.GaugeClasses() {
			tolerance, err := uncertainty.ClassTolerance(class, g.Go.Least)
			if wide := err == nil && tolerance >= g.Tolerance; wide != (class == g.Go.Class) && (wide || class == g.Go.Class) {
				t.Errorf("%v reaches %q, not %s", g.Tolerance, g.Go.Class, class)
			}
			if class == g.Go.Class {
				break
			}
		}
	})
}

func TestRefusals(t *testing.T) {
	t.Parallel()
	usual := pluggauge.Usual()
	for name, c := range map[string]struct {
		least, greatest length.Length
		p               pluggauge.Practice
		kind            error
	}{
		"nothing":              {0, mm(1), usual, pluggauge.ErrHole},
		"the wrong way round":  {mm(9), mm(8), usual, pluggauge.ErrHole},
		"no tolerance":         {mm(9), mm(9), usual, pluggauge.ErrHole},
		"a tolerance of 1 µm":  {mm(9), mm(9.001), usual, pluggauge.ErrHole},
		"beyond any length":    {mm(9), 1 << 62, usual, pluggauge.ErrHole},
		"no share":             {mm(9), mm(9.1), pluggauge.Practice{}, pluggauge.ErrShare},
		"half for each gauge":  {mm(9), mm(9.1), pluggauge.Practice{Tolerance: 0.5}, pluggauge.ErrShare},
		"a share that is none": {mm(9), mm(9.1), pluggauge.Practice{Tolerance: math.NaN()}, pluggauge.ErrShare},
		"wear that is none":    {mm(9), mm(9.1), pluggauge.Practice{Tolerance: 0.1, Wear: math.NaN()}, pluggauge.ErrShare},
		"wear below nothing":   {mm(9), mm(9.1), pluggauge.Practice{Tolerance: 0.1, Wear: -0.1}, pluggauge.ErrShare},
		"wear of all there is": {mm(9), mm(9.1), pluggauge.Practice{Tolerance: 0.1, Wear: 1}, pluggauge.ErrShare},
		"an infinite share":    {mm(9), mm(9.1), pluggauge.Practice{Tolerance: math.Inf(1)}, pluggauge.ErrShare},
	} {
		if got, err := pluggauge.For(c.least, c.greatest, c.p); !errors.Is(err, c.kind) {
			t.Errorf("%s: %+v, %v", name, got, err)
		}
	}
}
