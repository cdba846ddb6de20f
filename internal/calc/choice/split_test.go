package choice

import (
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"pinwright/internal/calc/wornsize"
)

// Estimating only the part that a reading can move must answer as estimating
// the whole set does.
func TestEstimatingInPartsAnswersAsTheWhole(t *testing.T) {
	t.Parallel()
	nan := math.NaN()
	measured := func(v float64, common int) wornsize.Reading {
		return wornsize.Reading{Kind: wornsize.Measured, Value: v, U: 3, Common: common, Station: wornsize.Middle, Direction: nan}
	}
	set := wornsize.Set{Commons: []wornsize.Common{{U: 4}}}
	for i, readings := range [][]wornsize.Reading{
		{measured(160, 0)}, rustyBore().Readings, {measured(150, 0)},
	} {
		f := rustyBore()
		f.Readings = readings
		f.Form.Surface = float64(i)
		set.Features = append(set.Features, f)
	}
	base, err := wornsize.Estimate(set)
	if err != nil {
		t.Fatal(err)
	}
	split := newSplitter(set, base, wornsize.Estimate)
	if diff := cmp.Diff([]int{0, 1, 0}, split.part); diff != "" {
		t.Fatalf("parts (-want +got):\n%s", diff)
	}
	gauge := wornsize.Reading{Kind: wornsize.NoGo, Value: 170, U: 2, Common: -1, Direction: nan}
	answer := func(post wornsize.Posterior) Answer {
		return decide(t, problem(post, hinge("a", 0), hinge("b", 1, 2)))
	}
	for _, f := range []int{0, 1} {
		whole, err := wornsize.Estimate(with(set, f, gauge))
		if err != nil {
			t.Fatal(err)
		}
		parts, err := split.with(f, gauge)
		if err != nil {
			t.Fatal(err)
		}
		if d := whole.LogEvidence - base.LogEvidence; math.Abs(parts.LogEvidence-whole.LogEvidence) > 0.01*(1+math.Abs(d)) {
			t.Errorf("feature %d: log evidence %v in parts, %v whole", f, parts.LogEvidence, whole.LogEvidence)
		}
		a, b := answer(whole), answer(parts)
		for j := range a.Options {
			for i := range a.Options[j] {
				x, y := a.Options[j][i], b.Options[j][i]
				if diff := cmp.Diff([]float64{x.CleanUp, x.Success}, []float64{y.CleanUp, y.Success}, cmpopts.EquateApprox(0, 0.003)); diff != "" {
					t.Errorf("feature %d, joint %d, %s %d (-whole +parts):\n%s", f, j, x.Kind, x.Step, diff)
				}
			}
		}
		if math.Abs(a.Chosen.Success-b.Chosen.Success) > 0.003 {
			t.Errorf("feature %d: set %v whole, %v in parts", f, a.Chosen.Success, b.Chosen.Success)
		}
	}
}

func TestAFeatureThatSharesNothingIsEstimatedAloneExactly(t *testing.T) {
	t.Parallel()
	set := wornsize.Set{Features: []wornsize.Feature{rustyBore(), rustyBore()}}
	base, err := wornsize.Estimate(set)
	if err != nil {
		t.Fatal(err)
	}
	r := wornsize.Reading{Kind: wornsize.NoGo, Value: inch(0.320), U: 1, Common: -1, Direction: math.NaN()}
	split := newSplitter(set, base, wornsize.Estimate)
	alone, err := split.alone(1, r)
	if err != nil {
		t.Fatal(err)
	}
	whole, err := wornsize.Estimate(with(set, 1, r))
	if err != nil {
		t.Fatal(err)
	}
	for f := range set.Features {
		for _, x := range []float64{inch(0.318), inch(0.320), inch(0.322)} {
			if a, b := alone.Features[f].CleanUpAt[0].CDF(x), whole.Features[f].CleanUpAt[0].CDF(x); math.Abs(a-b) > 1e-6 {
				t.Errorf("feature %d at %.1f µm: %v alone, %v whole", f, x, a, b)
			}
		}
	}
}

// Bores tried with one gauge share its size: the readings served are worked
// out with that, not only screened.
func TestReadingsOfBoresThatShareAGaugeAreWorkedOutTogether(t *testing.T) {
	t.Parallel()
	f := rustyBore()
	f.Readings[0].Common = 0
	set := wornsize.Set{Features: []wornsize.Feature{f, f}, Commons: []wornsize.Common{{HalfWidth: 3}}}
	p := problem(wornsize.Posterior{}, hinge("a", 0), hinge("b", 1))
	_, next, cost := ask(t, p, set, Search{Gauges: clubGauges(), Keep: 1}, wornsize.Estimate)
	if len(next) != 1 || cost.Estimates < 2 || cost.Estimates > 3 || cost.Screening <= cost.Estimates {
		t.Fatalf("%d readings, cost %+v", len(next), cost)
	}
	if best := next[0]; best.Size <= inch(0.318) || best.Size >= inch(0.322) || best.ValueMinor <= 0 {
		t.Errorf("next %+v, want a gauge between 0.318 and 0.322 in", best)
	}
}
