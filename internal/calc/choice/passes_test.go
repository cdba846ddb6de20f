package choice

import (
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
)

func TestStockComesOffInOnePassOrTwo(t *testing.T) {
	t.Parallel()
	const s1, s2 = 0.318, 0.322 // reamers, in: 101.6 and 203.2 µm over the pin of 0.314 in
	for _, c := range []struct {
		name           string
		bore           float64 // its passing size, µm from nominal
		maximum        float64 // of each reamer
		nominal        float64
		firstAvailable bool
		want           []Pass
	}{
		{"one", 100, 300, 0, true, []Pass{{"0.322", true, inch(s2), inch(s2) - 100}}},
		{"the smaller step's reamer first", 20, 120, 0, true, []Pass{{"0.318", true, inch(s1), inch(s1) - 20}, {"0.322", true, inch(s2), inch(s2) - inch(s1)}}},
		{"no smaller reamer to be had: a bar, to the middle of 20 to 120", 20, 120, 0, false, []Pass{{"", false, inch(s2) - 70, inch(s2) - 90}, {"0.322", true, inch(s2), 70}}},
		// 0.322 in is 8.1788 mm: of 8.1 mm the reamer takes 78.8 µm.
		{"a drill of a tenth of a millimetre", 20, 120, 314 * 25.4, false, []Pass{{"", false, 8100 - 314*25.4, 8080 - 314*25.4}, {"0.322", true, inch(s2), inch(s2) - (8100 - 314*25.4)}}},
	} {
		p := problem(single(bore(c.bore, c.bore, 2)), hinge("h", 0))
		p.Nominal = c.nominal
		for s := 1; s < 3; s++ {
			p.Series[s].Reamer.MaxCut = c.maximum
		}
		p.Series[1].Reamer.Available = c.firstAvailable
		got := find(t, decide(t, p).Options[0], ReamTo, 2).Passes
		if diff := cmp.Diff(c.want, got, cmpopts.EquateApprox(0, 0.01)); diff != "" {
			t.Errorf("%s (- want, + got):\n%s", c.name, diff)
		}
	}
}

func TestALookNamesItsCutsInTheirOrder(t *testing.T) {
	t.Parallel()
	got := find(t, decide(t, problem(single(bore(40, 60, 2)), hinge("h", 0))).Options[0], CutSmallerAndLook, 1).Passes
	want := []Pass{{"0.318", true, inch(0.318), inch(0.318) - 40}, {"0.322", true, inch(0.322), inch(0.322) - inch(0.318)}}
	if diff := cmp.Diff(want, got, cmpopts.EquateApprox(0, 0.01)); diff != "" {
		t.Error(diff)
	}
}

// Steps that leave their reamer too little after the one before are no repair
// of their own, nor are those that the boss does not bear.
func TestRepairsLeftAreThoseThatCanBeCutOneAfterTheOther(t *testing.T) {
	t.Parallel()
	p := problem(single(bore(20, 30, 2)), hinge("h", 0))
	for i, size := range []float64{0.3223, 0.325, 0.330} { // the first is 7.6 µm over the one before, of 20 needed
		r := *p.Series[1].Reamer
		r.Code, r.Diameter = "further", inch(size)
		p.Series = append(p.Series, Step{Code: "further", Pin: Interval{inch(0.3212) + float64(i)*70, inch(0.3213) + float64(i)*70}, Reamer: &r, Available: true})
	}
	left := func() []int {
		list := decide(t, p).Options[0]
		var out []int
		for s := 1; s < len(p.Series); s++ {
			o := find(t, list, ReamTo, s)
			out = append(out, o.StepsLeft, o.RepairsLeft)
		}
		return append(out, find(t, list, NewStandardPin, 0).RepairsLeft)
	}
	if diff := cmp.Diff([]int{4, 3, 3, 2, 2, 2, 1, 1, 0, 0, 4}, left()); diff != "" {
		t.Errorf("steps and repairs left after each step, then with the standard pin:\n%s", diff)
	}
	p.Joints[0].BossDiameter, p.Joints[0].MinimumWall = inch(0.326)+4000, 2000
	if diff := cmp.Diff([]int{4, 2, 3, 1, 2, 1, 1, 0, 0, 0, 3}, left()); diff != "" {
		t.Errorf("with a boss that bears 0.326 in:\n%s", diff)
	}
}

// The greatest hole a boss bears is where the wall equals its minimum.
func TestWallLeftIsHalfOfBossLessHole(t *testing.T) {
	t.Parallel()
	p := problem(single(bore(20, 30, 2)), hinge("h", 0))
	p.Joints[0].BossDiameter, p.Joints[0].MinimumWall = 8000, 1
	for _, o := range decide(t, p).Options[0] {
		hole := 0.0
		switch o.Kind {
		case ReamTo:
			hole = p.Series[o.Step].Reamer.cut().mean
		case BushBack:
			hole = p.Joints[0].Bush.Hole
		default:
			continue
		}
		if o.WallLeft == nil || math.Abs(*o.WallLeft-(8000-hole)/2) > 1e-9 {
			t.Errorf("%s %d: %v", o.Kind, o.Step, o.WallLeft)
		}
	}
}
