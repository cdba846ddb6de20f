package choice

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"pinwright/internal/calc/wornsize"
)

func TestAGaugeIsTurnedWhereItIsWorthItAndNoneIsAtHand(t *testing.T) {
	t.Parallel()
	set := wornsize.Set{Features: []wornsize.Feature{wornBore(150, 195)}}
	p := problem(wornsize.Posterior{}, hinge("a", 0))
	turning := &Turning{CostMinor: 40, Tolerance: 10, Blur: 1}
	_, next, _ := ask(t, p, set, Search{Turning: turning}, simpleEstimate)
	if len(next) == 0 {
		t.Fatal("nothing is worth turning")
	}
	n := next[0]
	if !n.Turned || n.CostMinor != 40 || n.Size < 150 || n.Size > 195 || math.Abs(n.ValueMinor-(n.GainMinor+n.ProofMinor-40)) > 1e-9 {
		t.Errorf("%+v", n)
	}
	// The same gauge at hand costs nothing and is told instead.
	_, have, _ := ask(t, p, set, Search{Turning: turning, Gauges: []Gauge{{"club", n.Size, turning.blur()}}}, simpleEstimate)
	if have[0].Turned || have[0].Gauge != "club" || math.Abs(have[0].ValueMinor-n.ValueMinor-40) > 1e-6 {
		t.Errorf("at hand: %+v", have[0])
	}
	turning.CostMinor = 1e6
	if _, none, _ := ask(t, p, set, Search{Turning: turning}, simpleEstimate); len(none) != 0 {
		t.Errorf("a gauge that costs more than it can save: %+v", none)
	}
}

// Of whatever is tried, at hand or turned: outcomes add up to one, the gain is
// never negative, and with a cost of nothing neither is the value.
func TestTurnedGaugesAreNeverWorthLessThanNothing(t *testing.T) {
	t.Parallel()
	tried := 0
	rapid.Check(t, func(t *rapid.T) {
		low := rapid.Float64Range(0, 170).Draw(t, "low")
		set := wornsize.Set{Features: []wornsize.Feature{wornBore(low, low+rapid.Float64Range(20, 100).Draw(t, "width"))}}
		p := problem(wornsize.Posterior{}, hinge("a", 0))
		p.Losses.FailedCut = rapid.Float64Range(0, 9000).Draw(t, "failedCut")
		post, err := simpleEstimate(set)
		if err != nil {
			t.Fatal(err)
		}
		p.Posterior = post
		now := judge(p)
		split := newSplitter(set, post, simpleEstimate)
		search := Search{Turning: &Turning{Tolerance: rapid.Float64Range(0, 20).Draw(t, "tolerance"), Blur: 1}}
		for _, c := range candidatesFor(p, post.Features[0], set.Features[0], search) {
			n, err := now.try(c, split.with)
			if err != nil {
				t.Fatal(err)
			}
			sum := 0.0
			for _, o := range n.Outcomes {
				sum += o.Probability
			}
			if n.GainMinor < 0 || n.ValueMinor < 0 || math.Abs(sum-1) > 1e-9 {
				t.Fatalf("%+v: outcomes add up to %v", n, sum)
			}
			tried++
		}
	})
	if tried == 0 {
		t.Error("no gauge was tried")
	}
}

// A reading of a decided joint that shares nothing with the undecided one is
// worth exactly nothing when no outcome moves that joint's choice; nor is one of
// a bore of no joint, whatever it says.
func TestAReadingThatMovesNoChoiceIsWorthExactlyNothing(t *testing.T) {
	t.Parallel()
	p := problem(wornsize.Posterior{}, hinge("sure", 0), hinge("open", 1))
	set := wornsize.Set{Features: []wornsize.Feature{wornBore(48, 52), wornBore(155, 195), wornBore(0, 200)}}
	post, err := simpleEstimate(set)
	if err != nil {
		t.Fatal(err)
	}
	p.Posterior = post
	now := judge(p)
	if now.chosen.Joints[0].Status != Decided || now.chosen.Joints[1].Status == Decided {
		t.Fatalf("the case is not as meant: %+v", now.chosen.Joints)
	}
	split := newSplitter(set, post, simpleEstimate)
	for f, size := range map[int]float64{0: 50, 2: 100} {
		var c candidate
		c.feature, c.joint = f, 0
		for _, k := range []wornsize.Kind{wornsize.Go, wornsize.Starts, wornsize.NoGo} {
			c.readings = append(c.readings, wornsize.Reading{Kind: k, Value: size, U: 1, Common: -1})
		}
		n, err := now.try(c, split.with)
		if err != nil || n.GainMinor != 0 || n.ChangesChoice != 0 {
			t.Errorf("feature %d: error %v, gain %v, changes %v", f, err, n.GainMinor, n.ChangesChoice)
		}
	}
}

// BenchmarkDecideEightWideJoints is eight joints of two bores with a ladder of six
// oversizes, each with a hone, a bush and a new part.
func BenchmarkDecideEightWideJoints(b *testing.B) {
	p := problem(wornsize.Posterior{Weights: []float64{0.25, 0.5, 0.25}})
	for s := 3; s < 7; s++ {
		r := *p.Series[2].Reamer
		r.Diameter += 80 * float64(s-2)
		pin := p.Series[2].Pin
		p.Series = append(p.Series, Step{Code: "further", Pin: Interval{pin.Low + 80*float64(s-2), pin.High + 80*float64(s-2)}, Reamer: &r, PriceMinor: 1100, LeadDays: 4, Available: true})
	}
	for j := range 8 {
		for range 2 {
			s := 60 + 35*float64(j)
			p.Posterior.Features = append(p.Posterior.Features, shiftedBore(s, s+25, 9, []float64{-4, 0, 4}))
		}
		h := hinge("h", 2*j, 2*j+1)
		h.Hone = honed()
		p.Joints = append(p.Joints, h)
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Decide(p); err != nil {
			b.Fatal(err)
		}
	}
}

// A held bore that may be too wide or too narrow for its pin is asked about, too,
// where its grip is judged.
func TestAHeldBoreThatDecidesIsAskedAbout(t *testing.T) {
	t.Parallel()
	p := problem(wornsize.Posterior{}, hinge("a", 0))
	p.Joints[0].Held, p.Joints[0].Dirty = []int{1}, true
	p.Series[1].HeldReamer = nil
	pin := p.Series[1].Pin.Mid()
	set := wornsize.Set{Features: []wornsize.Feature{wornBore(20, 40), {Prior: wornsize.Prior{Low: pin - 60, High: pin}}}}
	g := Gauge{"held", pin - 22, 1}
	_, next, _ := ask(t, p, set, Search{Gauges: []Gauge{g}}, simpleEstimate)
	for _, n := range next {
		if n.Feature == 1 {
			t.Errorf("a held bore that is not judged: %+v", n)
		}
	}
	p.Joints[0].HeldTarget = &Interval{2, 20}
	_, next, _ = ask(t, p, set, Search{Gauges: []Gauge{g}}, simpleEstimate)
	if len(next) == 0 || next[0].Feature != 1 || next[0].GainMinor <= 0 {
		t.Errorf("next %+v", next)
	}
}
