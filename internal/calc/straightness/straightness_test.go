package straightness_test

import (
	"errors"
	"math"
	"testing"

	"pgregory.net/rapid"

	"pinwright/internal/calc/straightness"
)

func at(z, size, offset float64) straightness.Station {
	return straightness.Station{Position: z, Size: straightness.Estimate{Value: size, U: 0.002}, Offset: straightness.Estimate{Value: offset, U: 0.005}}
}

// By hand. Runout of 0.06 in the middle of V-blocks is a bow of 0.03; a pin of 8.00
// then needs 8.03.
func TestPinsByHand(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		stations   []straightness.Station
		virtual, u float64
		bow, step  float64
	}{
		"straight":                       {[]straightness.Station{at(0, 8, 0), at(30, 8, 0), at(60, 8, 0)}, 8, 0.002, 0, 0},
		"bowed":                          {[]straightness.Station{at(0, 8, 0), at(30, 8, 0.03), at(60, 8, 0)}, 8.03, 0, 0.03, 0},
		"tilted is not bowed":            {[]straightness.Station{at(0, 8, 0), at(30, 8, 0.03), at(60, 8, 0.06)}, 8, 0, 0, 0},
		"worn in the middle":             {[]straightness.Station{at(0, 8, 0), at(30, 7.9, 0), at(60, 8, 0)}, 8, 0, 0, 0.1},
		"worn where it is bowed most":    {[]straightness.Station{at(0, 8, 0), at(30, 7.9, 0.03), at(60, 8, 0)}, 8, 0, 0, 0.1},
		"one place":                      {[]straightness.Station{at(10, 8.01, 0.5)}, 8.01, 0.002, 0, 0},
		"a step alone":                   {[]straightness.Station{at(0, 8.02, 0), at(60, 8, 0)}, 8.02, 0.002, 0, 0.02},
		"bent like an S, one side first": {[]straightness.Station{at(0, 8, 0), at(20, 8, 0.02), at(40, 8, -0.02), at(60, 8, 0)}, 0, 0, 0, 0},
	} {
		r, err := straightness.Virtual(c.stations)
		if err != nil {
			t.Fatal(err)
		}
		if name == "bent like an S, one side first" {
			// The best line through it falls by 1/1000 per mm or less: try all finely.
			c.virtual, c.bow = swept(c.stations), swept(c.stations)-8
		}
		if math.Abs(r.Virtual.Value-c.virtual) > 1e-9 || math.Abs(r.Bow-c.bow) > 1e-9 || math.Abs(r.Step-c.step) > 1e-9 {
			t.Errorf("%s: %+v, want %+v", name, r, c)
		}
		if c.u > 0 && math.Abs(r.Virtual.U-c.u) > 1e-9 {
			t.Errorf("%s: u %v, want %v", name, r.Virtual.U, c.u)
		}
	}
	// u of the bowed pin: V = e2 - (e1+e3)/2 + r2 + (r1+r3)/2.
	r, _ := straightness.Virtual([]straightness.Station{at(0, 8, 0), at(30, 8, 0.03), at(60, 8, 0)})
	if want := math.Sqrt(1.5*0.005*0.005 + 1.5*0.002*0.002/4); math.Abs(r.Virtual.U-want) > 1e-12 {
		t.Errorf("u %v, want %v", r.Virtual.U, want)
	}
}

// swept is the width with every slope tried by thirds, since it is convex in it.
func swept(s []straightness.Station) float64 {
	width := func(a float64) float64 {
		high, low := math.Inf(-1), math.Inf(1)
		for _, x := range s {
			high = math.Max(high, x.Offset.Value+x.Size.Value/2-a*x.Position)
			low = math.Min(low, x.Offset.Value-x.Size.Value/2-a*x.Position)
		}
		return high - low
	}
	a, b := -100.0, 100.0
	for range 300 {
		if c, d := a+(b-a)/3, b-(b-a)/3; width(c) < width(d) {
			b = d
		} else {
			a = c
		}
	}
	return width((a + b) / 2)
}

func anyPin(t *rapid.T) []straightness.Station {
	var out []straightness.Station
	z := 0.0
	for range rapid.IntRange(1, 8).Draw(t, "stations") {
		z += rapid.Float64Range(0.5, 50).Draw(t, "apart")
		out = append(out, at(z, rapid.Float64Range(7.8, 8.1).Draw(t, "size"), rapid.Float64Range(-0.3, 0.3).Draw(t, "offset")))
	}
	return out
}

func TestVirtualSizeAgainstSweeping(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		s := anyPin(t)
		r, err := straightness.Virtual(s)
		if err != nil {
			t.Fatal(err)
		}
		if want := swept(s); math.Abs(r.Virtual.Value-want) > 1e-9 {
			t.Fatalf("%v, swept %v", r.Virtual.Value, want)
		}
		if r.Virtual.Value < r.Largest-1e-12 || !(r.Virtual.U > 0) {
			t.Fatalf("%+v", r)
		}
		// Turned over, end for end, and seen from a tilted line.
		other := rapid.Permutation(s).Draw(t, "order")
		tilt := rapid.Float64Range(-0.01, 0.01).Draw(t, "tilt")
		for i := range other {
			other[i].Offset.Value = -other[i].Offset.Value + tilt*other[i].Position + 1
			other[i].Position = 300 - other[i].Position
		}
		again, err := straightness.Virtual(other)
		if err != nil || math.Abs(again.Virtual.Value-r.Virtual.Value) > 1e-9 {
			t.Fatalf("%+v and %+v, %v", r, again, err)
		}
	})
}

// The sensitivity behind the uncertainty, by moving each reading a little: where the
// optimum is unique the derivative is the weight.
func TestUncertaintyAgainstDifferences(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		s := anyPin(t)
		r, err := straightness.Virtual(s)
		if err != nil {
			t.Fatal(err)
		}
		const h = 1e-7
		var squares float64
		for i := range s {
			for _, which := range []func(*straightness.Station) *straightness.Estimate{
				func(x *straightness.Station) *straightness.Estimate { return &x.Size }, func(x *straightness.Station) *straightness.Estimate { return &x.Offset }} {
				e := which(&s[i])
				was := e.Value
				e.Value = was + h
				up, _ := straightness.Virtual(s)
				e.Value = was - h
				down, _ := straightness.Virtual(s)
				e.Value = was
				d, left, right := (up.Virtual.Value-down.Virtual.Value)/2/h, (r.Virtual.Value-down.Virtual.Value)/h, (up.Virtual.Value-r.Virtual.Value)/h
				if math.Abs(left-right) > 1e-4 {
					return // a corner: no derivative there
				}
				squares += d * d * e.U * e.U
			}
		}
		if math.Abs(math.Sqrt(squares)-r.Virtual.U) > 1e-5 {
			t.Fatalf("u %v, by differences %v", r.Virtual.U, math.Sqrt(squares))
		}
	})
}

// An arc's sagitta over a part of its chord, by the circle itself, from which the
// parabola differs by 4 (bow/whole)² of it.
func TestArcIsACircle(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		whole, bow := rapid.Float64Range(20, 300).Draw(t, "whole"), rapid.Float64Range(0.001, 0.5).Draw(t, "bow")
		engaged := whole * rapid.Float64Range(0.05, 1).Draw(t, "engaged")
		radius := (whole*whole/4 + bow*bow) / 2 / bow
		half := engaged / 2
		want := half * half / (radius + math.Sqrt(radius*radius-half*half)) // radius less the root, without cancelling
		r, err := straightness.Arc(straightness.Estimate{Value: 8, U: 0.001}, straightness.Estimate{Value: bow, U: 0.01}, whole, engaged)
		if err != nil || math.Abs(r.Bow-want) > 5*(bow/whole)*(bow/whole)*want+1e-9 {
			t.Fatalf("%v, circle %v: %v", r.Bow, want, err)
		}
	})
}

func TestReadingsAndPassing(t *testing.T) {
	t.Parallel()
	if e := straightness.FromRunout(straightness.Estimate{Value: 0.06, U: 0.004}); e.Value != 0.03 || e.U != 0.002 {
		t.Errorf("%+v", e)
	}
	e := straightness.FromGap(straightness.Estimate{Value: 0.05, U: 0.01}, straightness.Estimate{Value: 8}, straightness.Estimate{Value: 7.96})
	if math.Abs(e.Value-0.03) > 1e-12 || e.U != 0.01 {
		t.Errorf("%+v", e)
	}
	r := straightness.Result{Virtual: straightness.Estimate{Value: 8.03, U: 0.003}}
	if p := r.Passes(straightness.Estimate{Value: 8.035, U: 0.004}); math.Abs(p-0.841345) > 1e-6 { // one sigma: normal table
		t.Errorf("%v", p)
	}
	r.Virtual.U = 0
	if r.Passes(straightness.Estimate{Value: 8.03}) != 1 || r.Passes(straightness.Estimate{Value: 8.02}) != 0 {
		t.Error("what is not in doubt")
	}
	bore := straightness.Estimate{Value: 8.05, U: 0.004}
	if steps := r.Derivation(&bore); len(steps) != 3 || steps[2].Result.Value != r.Passes(bore) {
		t.Errorf("%+v", steps)
	}
}

func TestRefusals(t *testing.T) {
	t.Parallel()
	for name, s := range map[string][]straightness.Station{
		"none":           nil,
		"many":           make([]straightness.Station, straightness.MostStations+1),
		"the same place": {at(1, 8, 0), at(1, 8, 0)},
		"no size":        {at(1, 0, 0)},
		"no number":      {at(math.NaN(), 8, 0)},
		"no offset":      {at(1, 8, math.NaN())},
		"far off":        {at(1, 8, 1e9)},
	} {
		if _, err := straightness.Virtual(s); !errors.Is(err, straightness.ErrStations) {
			t.Errorf("%s: %v", name, err)
		}
	}
	for _, bad := range [][4]float64{{0, 0, 60, 60}, {8, -1, 60, 60}, {8, 0, 0, 0}, {8, 0, 60, 61}, {8, math.NaN(), 60, 60}, {8, 30, 60, 60}} {
		if _, err := straightness.Arc(straightness.Estimate{Value: bad[0]}, straightness.Estimate{Value: bad[1]}, bad[2], bad[3]); !errors.Is(err, straightness.ErrRange) {
			t.Errorf("%v: %v", bad, err)
		}
	}
}

func FuzzVirtualNeverPanics(f *testing.F) {
	f.Add(0.0, 8.0, 0.0, 30.0, 8.0, 0.03, 60.0, 0.002)
	f.Fuzz(func(t *testing.T, z1, d1, e1, z2, d2, e2, z3, u float64) {
		s := []straightness.Station{at(z1, d1, e1), at(z2, d2, e2), at(z3, d1, e2)}
		s[0].Size.U = u
		if r, err := straightness.Virtual(s); err == nil && !(r.Virtual.Value >= r.Largest-1e-6 && r.Virtual.U >= 0) {
			t.Fatalf("%+v", r)
		}
	})
}

func BenchmarkVirtual(b *testing.B) {
	var s []straightness.Station
	for i := range 20 {
		s = append(s, at(float64(i)*3, 8, 0.03*math.Sin(float64(i)/6)))
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := straightness.Virtual(s); err != nil {
			b.Fatal(err)
		}
	}
}
