package choice

import (
	"math"
	"strings"
	"testing"

	"pinwright/internal/calc/conformity"
	"pinwright/internal/calc/wornsize"
)

func find(t *testing.T, list []Option, k Kind, step int) Option {
	t.Helper()
	for _, o := range list {
		if o.Kind == k && (step < 0 || o.Step == step) {
			return o
		}
	}
	t.Fatalf("no option %s of step %d", k, step)
	return Option{}
}

func decide(t *testing.T, p Problem) Answer {
	t.Helper()
	a, err := Decide(p)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

func has(o Option, code string) bool {
	for _, r := range o.Reasons {
		if r.Code == code && r.Text != "" {
			return true
		}
	}
	return false
}

func TestFactsCloseWhatTheyForbidAndSayWhy(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		fact                  Fact
		ream, bush, keep, new bool // open
	}{
		{CrackedBoss, false, false, false, true},
		{ThinBoss, false, false, true, true},
		{SinteredBush, false, true, true, true},
		{LinedBush, false, true, true, true},
		{HardenedBore, false, false, true, true},
		{BentLeaf, false, false, true, true},
		{LeavesOutOfLine, false, false, true, true},
		{Coated, true, true, true, true},
	} {
		t.Run(string(c.fact), func(t *testing.T) {
			t.Parallel()
			j := hinge("h", 0)
			j.Facts = []Fact{c.fact}
			list := decide(t, problem(single(bore(60, 80, 4)), j)).Options[0]
			for _, x := range []struct {
				o    Option
				open bool
			}{
				{find(t, list, ReamTo, 1), c.ream},
				{find(t, list, BushBack, -1), c.bush},
				{find(t, list, NewStandardPin, -1), c.keep},
				{find(t, list, ReplacePart, -1), c.new},
			} {
				if x.o.Open != x.open || !x.open && !has(x.o, string(c.fact)) {
					t.Errorf("%s: open %v with reasons %+v, want open %v", x.o.Kind, x.o.Open, x.o.Reasons, x.open)
				}
			}
		})
	}
}

func TestWallBelowItsMinimumClosesTheStep(t *testing.T) {
	t.Parallel()
	j := hinge("h", 0)
	j.BossDiameter, j.MinimumWall = inch(0.322)+2*2000, 2010
	list := decide(t, problem(single(bore(60, 80, 4)), j)).Options[0]
	small, large := find(t, list, ReamTo, 1), find(t, list, ReamTo, 2)
	if !small.Open || math.Abs(*small.WallLeft-2050.8) > 0.01 {
		t.Errorf("0.318: open %v, wall %v; want open with 2050.8 µm", small.Open, *small.WallLeft)
	}
	if large.Open || !has(large, "wall_too_thin") || math.Abs(*large.WallLeft-2000) > 1e-6 {
		t.Errorf("0.322: open %v, wall %v; want closed with 2000 µm", large.Open, *large.WallLeft)
	}
}

func TestAReamerWithTooLittleOrTooMuchToCutIsNamed(t *testing.T) {
	t.Parallel()
	reamer := inch(0.318) // takes 20 to 300 µm
	for _, c := range []struct {
		name         string
		left         float64
		little, much bool
	}{
		{"only rubs", 5, true, false},
		{"a good cut", 120, false, false},
		{"needs a smaller cut first", 400, false, true},
	} {
		o := find(t, decide(t, problem(single(bore(reamer-c.left, reamer-c.left, 3)), hinge("h", 0))).Options[0], ReamTo, 1)
		if has(o, "too_little_to_cut") != c.little || has(o, "too_much_for_one_pass") != c.much {
			t.Errorf("%s: %+v", c.name, o.Reasons)
		}
		if math.Abs(o.Allowance.Mean-c.left) > 0.01 {
			t.Errorf("%s: allowance %v, want %v", c.name, o.Allowance.Mean, c.left)
		}
	}
}

func TestAnUncutBoreMustPassThePinEverywhereAndBeLooseNowhere(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name            string
		passing, widest float64
		want            conformity.Decision
	}{
		{"round and of the right size", 22, 26, conformity.Proved},
		{"the pin does not pass with its clearance", -10, 20, conformity.Refused},
		{"worn wide at one place", 22, 90, conformity.Refused},
		{"at the limit of play", 20, 43.5, conformity.Undecided},
	} {
		o := find(t, decide(t, problem(single(bore(c.passing, c.widest, 2)), hinge("h", 0))).Options[0], NewStandardPin, 0)
		if o.Verdict != c.want {
			t.Errorf("%s: %s with %.3f, want %s", c.name, o.Verdict, o.Success, c.want)
		}
	}
}

func TestAFirmJointIsLeftAsItIs(t *testing.T) {
	t.Parallel()
	pin := bore(-4, -6, 1) // largest, smallest size of the pin
	j := hinge("h", 0)
	j.Dirty, j.Pin = false, 1
	a := decide(t, problem(single(bore(18, 22, 2), pin), j))
	c := a.Chosen.Joints[0]
	if o := a.Options[0][c.Option]; o.Kind != Leave || c.Status != Decided || a.Chosen.Loss.Total() > 300 {
		t.Errorf("chosen %s, %s, loss %v; want leave, decided", o.Kind, c.Status, a.Chosen.Loss)
	}
	j.Dirty = true
	a = decide(t, problem(single(bore(18, 22, 2), pin), j))
	if o := a.Options[0][a.Chosen.Joints[0].Option]; o.Kind != CleanAndLubricate {
		t.Errorf("dirty: chosen %s, want clean_and_lubricate", o.Kind)
	}
	j.Pin = -1
	if o := find(t, decide(t, problem(single(bore(18, 22, 2)), j)).Options[0], CleanAndLubricate, -1); o.Open || !has(o, "pin_not_read") {
		t.Errorf("a pin that was not read: open %v, %+v", o.Open, o.Reasons)
	}
}

// A look ends at the smallest step that cleans up: its success is the sum over
// the ends, and it spends as many pins as it has ends.
func TestALookEndsAtTheFirstStepThatCleansUp(t *testing.T) {
	t.Parallel()
	list := decide(t, problem(single(bore(inch(0.3170), inch(0.318), 10)), hinge("h", 0))).Options[0]
	look, small, large := find(t, list, CutSmallerAndLook, 1), find(t, list, ReamTo, 1), find(t, list, ReamTo, 2)
	if look.Last != 2 || len(look.Ends) != 2 {
		t.Fatalf("look from %d to %d with ends %v", look.Step, look.Last, look.Ends)
	}
	if math.Abs(look.Ends[0]-small.CleanUp) > 1e-9 || math.Abs(look.Ends[0]+look.Ends[1]-large.CleanUp) > 1e-9 {
		t.Errorf("ends %v; want clean-up %v, then up to %v", look.Ends, small.CleanUp, large.CleanUp)
	}
	if !(look.Success > 0.99 && small.Success < 0.7) {
		t.Errorf("look %.3f, small step %.3f", look.Success, small.Success)
	}
	if want := look.Ends[0]*1100 + look.Ends[1]*1100; math.Abs(look.own.Pins-want) > 1e-9 {
		t.Errorf("pins %v, want %v", look.own.Pins, want)
	}
}

func TestAHeldBoreMustGripThePinOfTheStep(t *testing.T) {
	t.Parallel()
	grip := Interval{5, 30}
	held := func(size float64, r *Reamer) Option {
		p := problem(single(bore(60, 80, 4), bore(size, size+2, 1)), hinge("h", 0))
		p.Joints[0].Held, p.Joints[0].HeldTarget = []int{1}, &grip
		p.Series[1].HeldReamer = r
		return find(t, decide(t, p).Options[0], ReamTo, 1)
	}
	pin := inch(0.317) - 2.5
	if o := held(pin-15, nil); o.Success < 0.95 || math.Abs(o.Interference.Mean-15) > 0.1 {
		t.Errorf("a held bore 15 µm under the pin grips: %.3f, %+v", o.Success, o.Interference)
	}
	if o := held(inch(0.3138), nil); o.InTarget > 0.01 || o.Interference.Mean < 60 {
		t.Errorf("a held bore left at the standard size is far too tight: %.3f, %+v", o.InTarget, o.Interference)
	}
	cutter := &Reamer{Code: "held", Diameter: pin - 15, OvercutU: 1, Scatter: 1, WearMinor: 60, Available: true}
	o := held(inch(0.3138), cutter)
	if o.Success < 0.95 || math.Abs(o.Interference.Mean-15) > 0.1 {
		t.Errorf("cut to its own size it grips: %.3f, %+v", o.Success, o.Interference)
	}
	cutter.Available = false
	if o := held(inch(0.3138), cutter); o.Open {
		t.Error("without its reamer the step is closed")
	}
}

func TestAProblemThatDoesNotFitTogetherSaysHowToMendIt(t *testing.T) {
	t.Parallel()
	good := func() Problem { return problem(single(bore(60, 80, 4)), hinge("h", 0)) }
	for _, c := range []struct {
		name, want string
		spoil      func(*Problem)
	}{
		{"no joints", "at least one joint", func(p *Problem) { p.Joints = nil }},
		{"no series", "pin series", func(p *Problem) { p.Series = nil }},
		{"series out of order", "ascending", func(p *Problem) { p.Series[0], p.Series[2] = p.Series[2], p.Series[0] }},
		{"no posterior", "estimate the set", func(p *Problem) { p.Posterior = wornsize.Posterior{} }},
		{"nodes that do not match", "one law for each", func(p *Problem) { p.Posterior.Weights = []float64{0.5, 0.5} }},
		{"joint without bore", "running bore", func(p *Problem) { p.Joints[0].Running = nil }},
		{"bore that is not there", "does not exist", func(p *Problem) { p.Joints[0].Running = []int{4} }},
		{"target upside down", "low not above high", func(p *Problem) { p.Joints[0].Target = Interval{5, 1} }},
		{"risk of one half", "below 0.5", func(p *Problem) { p.Risk.Set = 0.5 }},
		{"unknown fact", "unknown", func(p *Problem) { p.Joints[0].Facts = []Fact{"dusty"} }},
		{"unknown preference", "uniform, least_metal or cheapest", func(p *Problem) { p.Preference = "prettiest" }},
		{"negative scatter", "at least 0", func(p *Problem) { p.Series[1].Reamer.Scatter = -1 }},
		{"negative cost", "at least 0", func(p *Problem) { p.Series[1].PriceMinor = -1 }},
		{"loss that is not a number", "at least 0", func(p *Problem) { p.Losses.FailedCut = math.NaN() }},
	} {
		p := good()
		c.spoil(&p)
		if _, err := Decide(p); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: error %v, want one that says %q", c.name, err, c.want)
		}
	}
}
