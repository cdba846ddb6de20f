package choice

import (
	"math"
	"testing"
)

// Worked by hand: the first oversize never cleans up, the second always does.
// After the failed first cut the way out is the second oversize: pin 1100,
// wear 60, tool 300, hole 200 and assembly 300, two steps of 400, four days of
// 150, together 3360; to it come the failed cut, 2500, and 5 for each µm of
// diameter cut in vain.
func TestTheWayOutOfAFailedCutIsTheNextStep(t *testing.T) {
	t.Parallel()
	p := problem(single(bore(inch(0.3180)-50, inch(0.3200), 2)), hinge("h", 0))
	p.Losses.LostWall = 500
	list := decide(t, p).Options[0]
	small, large := find(t, list, ReamTo, 1), find(t, list, ReamTo, 2)
	if small.Success > 1e-9 || large.Success < 1-1e-5 {
		t.Fatalf("the case is not as meant: %v, %v", small.Success, large.Success)
	}
	if math.Abs(large.Loss.Total()-3360) > 1 {
		t.Errorf("second oversize loses %v (%+v), want 3360", large.Loss.Total(), large.Loss)
	}
	if want := 3360.0 + 2500 + 5*50; small.WayOut.Kind != ReamTo || small.WayOut.Step != 2 || math.Abs(small.WayOut.LossMinor-want) > 1 {
		t.Errorf("way out of the first %+v, want the second for %v", small.WayOut, want)
	}
	// Standard pin 900, bush 1500, fitting it 2500, assembly 300, six days of 150.
	bush := find(t, list, BushBack, 0)
	if want := 900.0 + 1500 + 2500 + 300 + 6*150; math.Abs(bush.Loss.Total()-want) > 1 {
		t.Errorf("bush loses %v (%+v), want %v", bush.Loss.Total(), bush.Loss, want)
	}
	if large.WayOut.Kind != BushBack {
		t.Errorf("way out of the last step %+v, want a bush", large.WayOut)
	}
}

func TestWithNothingLeftAFailedCutHasNoWayOut(t *testing.T) {
	t.Parallel()
	j := hinge("h", 0)
	j.Bush, j.Replacement = nil, nil
	p := problem(single(bore(inch(0.3200), inch(0.3219), 4)), j)
	o := find(t, decide(t, p).Options[0], ReamTo, 2)
	if o.WayOut.Kind != "" || o.WayOut.LossMinor < p.Losses.NoWayOut {
		t.Errorf("way out %+v, want none at the cost of %v", o.WayOut, p.Losses.NoWayOut)
	}
}

// A bush is safe and open after a failed cut: it does not displace an unsure
// cut until its expected loss is the smaller one.
func TestABushDisplacesAnUnsureCutOnlyWhenItLosesLess(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name   string
		labour int64
		want   Kind
		status Status
	}{
		{"dear bush", 2500, ReamTo, Provisional},
		{"cheap bush", 100, BushBack, Decided},
	} {
		j := hinge("h", 0)
		j.Bush.LabourMinor = c.labour
		a := decide(t, problem(single(bore(inch(0.3200), inch(0.3218), 5)), j))
		got := a.Chosen.Joints[0]
		if o := a.Options[0][got.Option]; o.Kind != c.want || got.Status != c.status {
			t.Errorf("%s: %s, %s (%.3f); want %s, %s", c.name, o.Kind, got.Status, o.Success, c.want, c.status)
		}
	}
}

func TestACoatingEatsClearance(t *testing.T) {
	t.Parallel()
	j := hinge("h", 0)
	p := problem(single(bore(60, 80, 3)), j)
	bare := find(t, decide(t, p).Options[0], ReamTo, 1)
	p.Joints[0].Coating = 12
	coated := find(t, decide(t, p).Options[0], ReamTo, 1)
	if math.Abs(bare.Clearance.Mean-coated.Clearance.Mean-12) > 1e-6 || !has(coated, "coated") {
		t.Errorf("clearance %v bare, %v coated by 12 µm", bare.Clearance.Mean, coated.Clearance.Mean)
	}
	p.Joints[0].Coating = 30
	if o := find(t, decide(t, p).Options[0], ReamTo, 1); o.InTarget > 0.2 {
		t.Errorf("30 µm of coating leave %v of clearance, in target with %v", o.Clearance.Mean, o.InTarget)
	}
}

// A joint that was reamed to the first oversize and whose pin is worn takes a
// new pin of that size, without cutting.
func TestAWornPinInAGoodOversizeBoreIsReplacedByItsLike(t *testing.T) {
	t.Parallel()
	j := hinge("h", 0)
	j.Fitted = 1
	a := decide(t, problem(single(bore(inch(0.318), inch(0.3182), 2)), j))
	o := a.Options[0][a.Chosen.Joints[0].Option]
	if o.Kind != NewPinAsFitted || o.Step != 1 || o.StepsLeft != 1 || a.Chosen.Status != Decided {
		t.Errorf("%s of step %d with %d steps left, %s", o.Kind, o.Step, o.StepsLeft, a.Chosen.Status)
	}
}
