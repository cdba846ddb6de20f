package shrinkfit_test

import (
	"errors"
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"pinwright/internal/calc/shrinkfit"
)

// NPL's worked example of expansion: a steel part of 500.035 mm at 23.7 °C with 11.7
// millionths per kelvin is 500.013 mm at 20 °C (npl.co.uk, questions on dimensional
// measurement). Here: a hub with a hole of 500.01335 mm, 0.02165 mm of clearance wanted
// and a pin of the same size, is there at 23.7 °C.
func TestExpansionIsThatOfNPL(t *testing.T) {
	t.Parallel()
	j := shrinkfit.Joint{Hole: 500.01335, Clearance: 0.02165, HubExpansion: 11.7e-6, PinExpansion: 11.7e-6}
	if got, err := j.HubTemperature(20); err != nil || math.Abs(got-23.7) > 0.002 {
		t.Errorf("%v %v", got, err)
	}
}

// The rule of thumb for steel: a thousandth of the diameter for each 87 K
// (1/1000 / 11.5e-6; 11.5 is Swyt's value, J. Res. NIST 99 (1994) 31).
func TestAThousandthAsksForEightySevenKelvin(t *testing.T) {
	t.Parallel()
	j := shrinkfit.Joint{Hole: 50, Interference: 0.05, HubExpansion: 11.5e-6, PinExpansion: 11.5e-6}
	got, err := j.HubTemperature(20)
	if err != nil || math.Abs(got-(20+86.9565)) > 0.001 {
		t.Errorf("%v %v", got, err)
	}
	// In dry ice the pin shrinks by 0.75 × 11.5e-6 × 98 = 845 millionths: 13.5 K are left.
	got, err = j.HubTemperature(-78)
	if err != nil || math.Abs(got-33.45) > 0.1 {
		t.Errorf("%v %v", got, err)
	}
}

func anyJoint(t *rapid.T) shrinkfit.Joint {
	d := rapid.Float64Range(1, 200).Draw(t, "d")
	return shrinkfit.Joint{Hole: d, Interference: d * rapid.Float64Range(0, 0.003).Draw(t, "delta/d"), Clearance: d * rapid.Float64Range(0, 0.003).Draw(t, "c/d"),
		HubExpansion: rapid.Float64Range(8e-6, 25e-6).Draw(t, "hub"), PinExpansion: rapid.Float64Range(8e-6, 25e-6).Draw(t, "pin")}
}

// At the temperature found the parts, worked out anew, have just the clearance; both
// questions are each other's inverse; scale does not matter.
func TestTemperaturesOpenTheJoint(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		j := anyJoint(t)
		pin := rapid.Float64Range(-195, 20).Draw(t, "pin")
		hub, err := j.HubTemperature(pin)
		if err != nil {
			t.Fatal(err)
		}
		cold := j.PinExpansion * 0.75
		open := j.Hole*(1+j.HubExpansion*(hub-20)) - (j.Hole+j.Interference)*(1+cold*(pin-20))
		if hub > 20 && math.Abs(open-j.Clearance) > 1e-9*j.Hole || hub == 20 && open < j.Clearance-1e-9*j.Hole {
			t.Fatalf("at %v °C the joint is open by %v, want %v", hub, open, j.Clearance)
		}
		if hub > 20 && hub <= shrinkfit.Hottest {
			if again, err := j.PinTemperature(hub); err != nil || math.Abs(again-pin) > 1e-6 {
				t.Fatalf("back to %v, want %v: %v", again, pin, err)
			}
		}
		k := j
		k.Hole, k.Interference, k.Clearance = j.Hole*2, j.Interference*2, j.Clearance*2
		if twice, err := k.HubTemperature(pin); err != nil || math.Abs(twice-hub) > 1e-6 {
			t.Fatalf("twice as large: %v and %v", twice, hub)
		}
	})
}

func TestWaysTellWhatTheyHarm(t *testing.T) {
	t.Parallel()
	j := shrinkfit.Joint{Hole: 8, Interference: 0.01, Clearance: shrinkfit.Clearance(8), HubExpansion: 11.5e-6, PinExpansion: 11.5e-6}
	ways, err := shrinkfit.Ways(j, []string{"paint", "bare_steel"}, []string{"hardened", "rubber"}, math.NaN())
	if err != nil || len(ways) != 4 {
		t.Fatal(ways, err)
	}
	if w := ways[0]; w.Acceptable || len(w.HubLimits) != 1 || w.HubLimits[0].Name != "paint" || w.Hub < 230 || w.Hub > 245 {
		t.Errorf("%+v", w)
	}
	if w := ways[3]; w.Acceptable || len(w.PinLimits) != 2 {
		t.Errorf("%+v", w)
	}
	for i := 1; i < len(ways); i++ {
		if ways[i].Hub >= ways[i-1].Hub {
			t.Errorf("a colder pin asks for a hotter hub: %+v", ways)
		}
	}
	given, err := shrinkfit.Ways(j, nil, nil, -40)
	if err != nil || len(given) != 1 || given[0].Pin != -40 || !given[0].Acceptable {
		t.Errorf("%+v %v", given, err)
	}
	if again, _ := shrinkfit.Ways(j, nil, nil, math.NaN()); again[0].Cold != "none" {
		t.Errorf("one answer changed the next: %+v", again)
	}
	if _, err := shrinkfit.Ways(j, []string{"chocolate"}, nil, math.NaN()); !errors.Is(err, shrinkfit.ErrName) {
		t.Errorf("%v", err)
	}
	if !slices.Contains(shrinkfit.Names(), "paint") || slices.Contains(shrinkfit.Names(), "rubber_cold") {
		t.Errorf("%v", shrinkfit.Names())
	}
	steps := j.Derivation(ways[1])
	if got := steps[len(steps)-1].Result.Value; got != ways[1].Hub {
		t.Errorf("derived %v, answered %v", got, ways[1].Hub)
	}
}

func FuzzWaysNeverPanic(f *testing.F) {
	f.Add(8.0, 0.01, 0.01, 11.5e-6, 11.5e-6, -78.0)
	f.Fuzz(func(t *testing.T, d, delta, c, hub, pin, celsius float64) {
		ways, err := shrinkfit.Ways(shrinkfit.Joint{Hole: d, Interference: delta, Clearance: c, HubExpansion: hub, PinExpansion: pin}, []string{"grease"}, []string{"hardened"}, celsius)
		if err != nil {
			return
		}
		for _, w := range ways {
			if !(w.Hub >= 20) || math.IsInf(w.Hub, 0) {
				t.Fatalf("%+v", w)
			}
		}
	})
}

func TestRefusals(t *testing.T) {
	t.Parallel()
	good := shrinkfit.Joint{Hole: 8, Interference: 0.01, Clearance: 0.01, HubExpansion: 11.5e-6, PinExpansion: 11.5e-6}
	for name, bad := range map[string]func(j *shrinkfit.Joint){
		"no hole":            func(j *shrinkfit.Joint) { j.Hole = 0 },
		"no number":          func(j *shrinkfit.Joint) { j.Hole = math.NaN() },
		"micrometres":        func(j *shrinkfit.Joint) { j.Interference = 10 },
		"clearance before":   func(j *shrinkfit.Joint) { j.Interference = -0.01 },
		"a barn door":        func(j *shrinkfit.Joint) { j.Clearance = 1 },
		"no expansion":       func(j *shrinkfit.Joint) { j.HubExpansion = 0 },
		"millionths counted": func(j *shrinkfit.Joint) { j.PinExpansion = 11.5 },
	} {
		j := good
		bad(&j)
		if _, err := j.HubTemperature(20); !errors.Is(err, shrinkfit.ErrRange) {
			t.Errorf("%s: %v", name, err)
		}
		if _, err := j.PinTemperature(100); !errors.Is(err, shrinkfit.ErrRange) {
			t.Errorf("%s: %v", name, err)
		}
	}
	for _, celsius := range []float64{-273, 1e9, math.NaN()} {
		if _, err := good.HubTemperature(celsius); !errors.Is(err, shrinkfit.ErrRange) {
			t.Errorf("pin at %v: %v", celsius, err)
		}
		if _, err := good.PinTemperature(celsius); !errors.Is(err, shrinkfit.ErrRange) {
			t.Errorf("hub at %v: %v", celsius, err)
		}
	}
}

func BenchmarkWays(b *testing.B) {
	j := shrinkfit.Joint{Hole: 8, Interference: 0.01, Clearance: 0.01, HubExpansion: 11.5e-6, PinExpansion: 11.5e-6}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := shrinkfit.Ways(j, []string{"paint"}, nil, math.NaN()); err != nil {
			b.Fatal(err)
		}
	}
}
