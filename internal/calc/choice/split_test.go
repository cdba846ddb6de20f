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
	set := wornsize.Set{Commons: []wornsize.Common{{U: 4}, {HalfWidth: 5}}}
	for i, readings := range [][]wornsize.Reading{
		{measured(160, 0)}, {measured(165, 1), measured(168, 1)}, {measured(150, 0)}, rustyBore().Readings,
	} {
		f := rustyBore()
		f.Readings = readings
		f.Form.Surface = float64(i)
		set.Features = append(set.Features, f)
	}
	split := newSplitter(set, wornsize.Estimate)
	if diff := cmp.Diff([]int{0, 1, 0, 3}, split.part); diff != "" {
		t.Fatalf("parts (-want +got):\n%s", diff)
	}
	base, err := wornsize.Estimate(set)
	if err != nil {
		t.Fatal(err)
	}
	gauge := wornsize.Reading{Kind: wornsize.NoGo, Value: 170, U: 2, Common: -1, Direction: nan}
	answer := func(post wornsize.Posterior) Answer {
		return decide(t, problem(post, hinge("a", 0), hinge("b", 1, 2), hinge("c", 3)))
	}
	for f := range set.Features {
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
