package choice

import (
	"math"
	"testing"

	"pinwright/internal/calc/wornsize"
)

// The checks of this file are common practice, no published source: pin
// 0.314 in when new, oversizes 0.317 and 0.321 in with reamers 0.318 and
// 0.322 in. Form errors, gauge blur and losses are stated here.

// rustyBore is a bore of a hinge in which the 0.318 in gauge starts but does
// not pass.
func rustyBore() wornsize.Feature {
	return wornsize.Feature{
		Form:     wornsize.Form{BellMouth: 20, MiddleShare: 0.5, Ovality: 20, Surface: 10, Feel: 2},
		Prior:    wornsize.Prior{Low: inch(0.313), High: inch(0.335), Shoulder: 20},
		Readings: []wornsize.Reading{{Kind: wornsize.Starts, Value: inch(0.318), U: 1, Common: -1, Direction: math.NaN()}},
	}
}

// clubGauges are the pins of the series and plugs in whole thousandths.
func clubGauges() []Gauge {
	g := SeriesGauges(hingeSeries(), 1)
	for _, size := range []float64{0.315, 0.316, 0.318, 0.319, 0.320, 0.322} {
		g = append(g, Gauge{"plug", inch(size), 1})
	}
	return g
}

func TestFourRustyHingeBoresTakeTheSecondOversizeProvisionally(t *testing.T) {
	t.Parallel()
	set := wornsize.Set{Features: []wornsize.Feature{rustyBore(), rustyBore(), rustyBore(), rustyBore()}}
	p := problem(wornsize.Posterior{}, hinge("upper left", 0), hinge("lower left", 1), hinge("upper right", 2), hinge("lower right", 3))
	a, next, cost := ask(t, p, set, Search{Gauges: clubGauges()}, wornsize.Estimate)
	for _, plan := range a.Plans {
		if plan.Status != Provisional {
			t.Errorf("%s is %s, want provisional", plan.Preference, plan.Status)
		}
	}
	for j, c := range a.Chosen.Joints {
		o := a.Options[j][c.Option]
		if o.Kind != ReamTo || o.Step != 2 || c.Status != Provisional {
			t.Errorf("joint %d: %s to step %d, %s; want ream_to the second oversize, provisional", j, o.Kind, o.Step, c.Status)
		}
		if o.CleanUp < 0.90 || o.CleanUp > 0.94 {
			t.Errorf("joint %d: the second oversize cleans up with %.4f, want 0.90 to 0.94", j, o.CleanUp)
		}
		if small := find(t, a.Options[j], ReamTo, 1); small.CleanUp >= 0.01 {
			t.Errorf("joint %d: the first oversize cleans up with %.4f, want under 0.01", j, small.CleanUp)
		}
		if math.Abs(o.Clearance.Mean-25.4) > 5 {
			t.Errorf("joint %d: clearance %.1f µm, want about a thousandth, 25.4 µm", j, o.Clearance.Mean)
		}
		if o.WayOut.Kind == "" || c.RunnerUp < 0 || c.WhyNot.Text == "" {
			t.Errorf("joint %d: way out %+v, runner-up %d, %+v", j, o.WayOut, c.RunnerUp, c.WhyNot)
		}
	}
	if got := a.Chosen.Reamers; len(got) != 1 || got[0] != "0.322" {
		t.Errorf("reamers %v, want 0.322 alone", got)
	}
	if cost.LeftOut != 0 || cost.Screening > 3*cost.Candidates || cost.Screening < 2*cost.Candidates || cost.Estimates != 0 {
		t.Errorf("search cost %+v", cost)
	}
	if len(next) == 0 {
		t.Fatal("a provisional set names no reading that would help")
	}
	best := next[0]
	if best.Size <= inch(0.318) || best.Size >= inch(0.322) || best.ValueMinor <= 0 || len(best.SameFor) != 3 {
		t.Errorf("next reading %+v; want a gauge between 0.318 and 0.322 in, the same for all four", best)
	}
	answers := map[wornsize.Kind]bool{}
	for _, o := range best.Outcomes {
		answers[o.Kind] = true
		if len(o.Joints) != 4 {
			t.Errorf("outcome %v answers %d joints", o.Kind, len(o.Joints))
		}
	}
	if !answers[wornsize.Starts] || !answers[wornsize.NoGo] {
		t.Errorf("outcomes %+v", best.Outcomes)
	}
}

func TestABoreReadInTwoDirectionsTakesTheFirstOversize(t *testing.T) {
	t.Parallel()
	f := rustyBore()
	f.Form.Surface = 3
	f.Form.BellMouth, f.Form.Ovality = 15, 15
	f.Readings = []wornsize.Reading{{Kind: wornsize.NoGo, Value: inch(0.316), U: 1, Common: -1, Direction: math.NaN()}}
	for _, st := range []wornsize.Station{wornsize.MouthA, wornsize.Middle, wornsize.MouthB} {
		f.Readings = append(f.Readings,
			wornsize.Reading{Kind: wornsize.Measured, Value: inch(0.3155), U: 4, Common: -1, Station: st, Direction: 0},
			wornsize.Reading{Kind: wornsize.Measured, Value: inch(0.3160), U: 4, Common: -1, Station: st, Direction: 90})
	}
	p := problem(wornsize.Posterior{}, hinge("upper", 0), hinge("lower", 1))
	a, next, _ := ask(t, p, wornsize.Set{Features: []wornsize.Feature{f, f}}, Search{Gauges: clubGauges()}, wornsize.Estimate)
	if a.Chosen.Status != Decided || len(next) != 0 {
		t.Errorf("%s with %.4f, next %+v; want decided", a.Chosen.Status, a.Chosen.Success, next)
	}
	for j, c := range a.Chosen.Joints {
		o := a.Options[j][c.Option]
		if o.Kind != ReamTo || o.Step != 1 || c.Status != Decided || o.CleanUp < 0.99 {
			t.Errorf("joint %d: %s to step %d, %s, clean-up %.4f; want ream_to the first oversize, near certain", j, o.Kind, o.Step, c.Status, o.CleanUp)
		}
	}
}

// BenchmarkNextReading is the search of the four rusty bores: it costs nearly
// nothing but estimates, three for each gauge tried.
func BenchmarkNextReading(b *testing.B) {
	set := wornsize.Set{Features: []wornsize.Feature{rustyBore(), rustyBore(), rustyBore(), rustyBore()}}
	post, err := wornsize.Estimate(set)
	if err != nil {
		b.Fatal(err)
	}
	p := problem(post, hinge("a", 0), hinge("b", 1), hinge("c", 2), hinge("d", 3))
	for b.Loop() {
		if _, _, err := NextReadings(p, set, Search{Gauges: clubGauges()}, wornsize.Estimate); err != nil {
			b.Fatal(err)
		}
	}
}
