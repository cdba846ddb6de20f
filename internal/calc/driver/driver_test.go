package driver_test

import (
	"errors"
	"math"
	"testing"

	"pgregory.net/rapid"

	"pinwright/internal/calc/driver"
)

// A hinge worked out by hand: a pin of 8 mm and 70 mm length in bores of 60 mm together
// stands out 5 mm at each end.
func TestAHingeByHand(t *testing.T) {
	t.Parallel()
	a, err := driver.Choose(driver.Question{Pin: 8, Bores: []float64{8.02, 7.98}, Through: 60, PinLength: 70})
	if err != nil {
		t.Fatal(err)
	}
	want := driver.Answer{Start: driver.Rod{Diameter: 8, Length: 24}, Follow: driver.Rod{Diameter: 7.7, Length: 70}, ScrewTravel: 4.5, Known: true, Travel: 65, MostForce: a.MostForce}
	if a != want {
		t.Errorf("%+v\nwant %+v", a, want)
	}
	// 7.7 mm, 70 mm: slenderness 36.4, Johnson: 600 - (600*36.36/2π)²/210000 = 542.6 MPa on 46.57 mm², halved.
	if math.Abs(a.MostForce-12635) > 15 {
		t.Errorf("bears %.0f N", a.MostForce)
	}
	if flush, _ := driver.Choose(driver.Question{Pin: 8, Bores: []float64{8}, Through: 60, PinLength: 58}); flush.ScrewTravel != 0 || flush.Travel != 60 {
		t.Errorf("a pin that does not stand out: %+v", flush)
	}
	if bare, _ := driver.Choose(driver.Question{Pin: 8, Bores: []float64{8}}); bare.Known || bare.Follow.Length != 0 || bare.Follow.Diameter != 7.7 {
		t.Errorf("without lengths: %+v", bare)
	}
}

// Both formulas give half the yield stress where they meet (Shigley, as in Bears), and
// a slender rod bears what Euler says: π³Ed⁴/64l², halved.
func TestColumns(t *testing.T) {
	t.Parallel()
	const d = 6.0
	meet := math.Sqrt(2*math.Pi*math.Pi*210_000/600) * d / 4
	area := math.Pi * d * d / 4
	for _, l := range []float64{meet * (1 - 1e-9), meet * (1 + 1e-9)} {
		if got := driver.Bears(driver.Rod{Diameter: d, Length: l}); math.Abs(got-300*area/2) > 1e-3 {
			t.Errorf("where the formulas meet: %v, want %v", got, 300*area/2)
		}
	}
	if got, want := driver.Bears(driver.Rod{Diameter: d, Length: 400}), math.Pi*math.Pi*math.Pi*210_000*d*d*d*d/64/400/400/2; math.Abs(got/want-1) > 1e-9 {
		t.Errorf("slender: %v, want %v", got, want)
	}
	if got := driver.Bears(driver.Rod{Diameter: d}); math.Abs(got-600*area/2) > 1e-9 {
		t.Errorf("stout: %v", got)
	}
}

func TestDriversAlwaysPass(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		size := rapid.Float64Range(2, 100)
		q := driver.Question{Pin: size.Draw(t, "pin"), Bores: rapid.SliceOfN(size, 1, 4).Draw(t, "bores"), Through: rapid.Float64Range(0, 1000).Draw(t, "through"), PinLength: rapid.Float64Range(0, 1000).Draw(t, "length")}
		a, err := driver.Choose(q)
		if err != nil {
			t.Fatal(err)
		}
		for _, b := range append([]float64{q.Pin}, q.Bores...) {
			if a.Follow.Diameter > b-0.2+1e-6 {
				t.Fatalf("a follower of %v in a bore of %v", a.Follow.Diameter, b)
			}
		}
		if a.Start.Diameter > q.Pin+1e-6 || a.ScrewTravel < 0 || a.ScrewTravel > math.Max(0, q.PinLength-q.Through) || a.Travel > 0 && a.Follow.Length < q.Through {
			t.Fatalf("%+v of %+v", a, q)
		}
	})
}

func TestWhatCannotBeAnswered(t *testing.T) {
	t.Parallel()
	for _, q := range []driver.Question{{Pin: 0.5, Bores: []float64{8}}, {Pin: 8}, {Pin: 8, Bores: []float64{math.NaN()}}, {Pin: 8, Bores: []float64{8}, Through: -1}, {Pin: 8, Bores: []float64{8}, PinLength: math.Inf(1)}} {
		if _, err := driver.Choose(q); !errors.Is(err, driver.ErrInput) {
			t.Errorf("%+v: %v", q, err)
		}
	}
}
