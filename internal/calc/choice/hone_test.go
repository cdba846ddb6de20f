package choice

import (
	"math"
	"math/rand/v2"
	"testing"

	"pinwright/internal/calc/wornsize"
)

func honed() *Hone {
	return &Hone{Code: "workshop", U: 2, Scatter: 2, MaxStock: 80, LabourMinor: 1200, FeeMinor: 2000, WaitDays: 5, Available: true}
}

func TestAHardenedBoreIsHoned(t *testing.T) {
	t.Parallel()
	p := problem(single(bore(inch(0.3165), inch(0.3172), 5)), hinge("h", 0))
	p.Joints[0].Facts, p.Joints[0].Hone = []Fact{HardenedBore}, honed()
	a := decide(t, p)
	o := a.Options[0][a.Chosen.Joints[0].Option]
	if o.Kind != HoneTo || o.Step != 1 || a.Chosen.Status != Decided || o.Rank != 1 || o.StepsLeft != 1 || o.RepairsLeft != 1 {
		t.Fatalf("chosen %s to step %d, %s with %.3f", o.Kind, o.Step, a.Chosen.Status, o.Success)
	}
	// Pin and fee, one bore, assembling, one step; no wear.
	if l := o.Loss; l.Pins != 1100 || l.Wear != 0 || l.Steps != 400 || math.Abs(l.Labour-(1200+2000+300+o.TooMuch*200)) > 1e-9 {
		t.Errorf("loss %+v", l)
	}
	if o.WayOut.Kind != HoneTo || o.WayOut.Step != 2 {
		t.Errorf("way out %+v, want the next step honed", o.WayOut)
	}
	if math.Abs(o.Clearance.Mean-oneThousandthOver.Mid()) > 1e-9 || math.Abs(o.Clearance.SD-math.Sqrt(8)) > 1e-9 {
		t.Errorf("clearance %+v: the middle of the target, give or take tool and scatter, the pin being in hand", o.Clearance)
	}
	if ream := find(t, a.Options[0], ReamTo, 1); ream.Open {
		t.Error("a hardened bore was open for a reamer")
	}
	p.Joints[0].Hone.Available = false
	if o := find(t, decide(t, p).Options[0], HoneTo, 1); o.Open {
		t.Error("open without a tool or workshop")
	}
	p.Joints[0].Hone.Available, p.Joints[0].Facts = true, []Fact{SinteredBush}
	if o := find(t, decide(t, p).Options[0], HoneTo, 1); o.Open || !has(o, "sintered_bush") {
		t.Error("a sintered bush was open for a hone")
	}
}

func TestMoreStockThanIsHonedInOneVisitIsNamed(t *testing.T) {
	t.Parallel()
	p := problem(single(bore(-150, -140, 3)), hinge("h", 0))
	p.Joints[0].Hone = honed()
	if o := find(t, decide(t, p).Options[0], HoneTo, 1); !has(o, "too_much_for_one_pass") || o.TooMuch < 0.999 {
		t.Errorf("%+v", o.Reasons)
	}
}

// Brute force with a fixed seed: honed bores share the error of the tool.
func TestHoningAndFinishedBushesAgreeWithBruteForce(t *testing.T) {
	t.Parallel()
	post := single(bore(80, inch(0.3182), 9), bore(80, inch(0.3180), 6))
	p := problem(post, hinge("two bores", 0, 1))
	j := &p.Joints[0]
	j.Target, j.Coating, j.Hone = Interval{18, 33}, 4, honed()
	j.Hone.U, j.Hone.Scatter = 4, 3
	j.Bush.Finish = &Reamer{Code: "0.315", Diameter: inch(0.315), Overcut: 3, OvercutU: 4, Scatter: 3, Available: true}
	j.Bush.Bore, j.Bush.ClosesIn = Interval{0, 10}, 15
	list := decide(t, p).Options[0]
	hone, bush := find(t, list, HoneTo, 1), find(t, list, BushBack, -1)

	const draws = 200000
	rng := rand.New(rand.NewPCG(3, 5))
	hits, cleans, bushed := 0, 0, 0
	pin0 := p.Series[0].Pin
	for i := 0; i < draws; i++ {
		pin := p.Series[1].Pin.Mid()
		e := j.Hone.U * rng.NormFloat64()
		ok, clean := true, true
		for _, f := range post.Features {
			c := pin + j.Coating + j.Target.Mid() + e + j.Hone.Scatter*rng.NormFloat64()
			l := f.CleanUp.Quantile(rng.Float64())
			clean = clean && c >= l
			ok = ok && c >= l && c-pin-j.Coating >= j.Target.Low && c-pin-j.Coating <= j.Target.High
		}
		if ok {
			hits++
		}
		if clean {
			cleans++
		}
		q := pin0.Low + pin0.Width()*rng.Float64()
		e = 4 * rng.NormFloat64()
		ok = true
		for range post.Features {
			c := inch(0.315) + 3 + e + 3*rng.NormFloat64()
			ok = ok && c-q-j.Coating >= j.Target.Low && c-q-j.Coating <= j.Target.High
		}
		if ok {
			bushed++
		}
	}
	for _, c := range []struct {
		what string
		got  float64
		hits int
	}{{"honed", hone.Success, hits}, {"honed clean", hone.CleanUp, cleans}, {"bush finished in place", bush.Success, bushed}} {
		f := float64(c.hits) / draws
		if se := math.Sqrt(f*(1-f)/draws) + 2e-4; math.Abs(c.got-f) > 4*se {
			t.Errorf("%s: served %.5f, brute force %.5f ± %.5f", c.what, c.got, f, se)
		}
	}
	// What the reamer takes of a bush that has closed in.
	if got, want := bush.Passes[0].Allowance, inch(0.315)+3-(5-15); math.Abs(got-want) > 1e-9 {
		t.Errorf("the reamer takes %v of the bush, want %v", got, want)
	}
}

// With oval sections alone, w ~ Exp(ω) in each of three, the clean-up size is B +
// max w when the reamer floats and B + 2 (max w + m) when it is held with an
// error m of its guidance (pilot, jig, or leaves out of line): the law is a
// power of an exponential one, in closed form.
func TestGuidanceMovesCleanUpAsInClosedForm(t *testing.T) {
	t.Parallel()
	const omega, cut = 12.0, 60.0
	for _, c := range []struct {
		name         string
		guidance     wornsize.Guidance
		misalignment float64
		scale, from  float64
	}{
		{"floating", wornsize.Floating, 0, omega, 0},
		{"held to the axis", wornsize.HeldToAxis, 0, 2 * omega, 0},
		{"pilot of 10 µm", wornsize.HeldToAxis, 5, 2 * omega, 10},
		{"leaves 15 µm out of line", wornsize.HeldToAxis, 15, 2 * omega, 30},
	} {
		post, err := wornsize.Estimate(wornsize.Set{Features: []wornsize.Feature{{Form: wornsize.Form{Ovality: omega},
			Prior: wornsize.Prior{Low: -0.5, High: 0.5}, Guidance: c.guidance, Misalignment: c.misalignment}}})
		if err != nil {
			t.Fatal(err)
		}
		p := problem(post, hinge("h", 0))
		p.Series[1].Reamer.Diameter, p.Series[1].Reamer.OvercutU, p.Series[1].Reamer.Scatter = cut, 0, 0.1
		got := find(t, decide(t, p).Options[0], ReamTo, 1).CleanUp
		want := math.Pow(1-math.Exp(-(cut-c.from)/c.scale), 3)
		if math.Abs(got-want) > 2e-3 {
			t.Errorf("%s: cleans up with %.4f, closed form %.4f", c.name, got, want)
		}
	}
}

// Two held bores cut by one reamer of shared error u and scatter s, for a pin of
// no tolerance: one integral over the shared error, here by Simpson's rule.
func TestHeldOddsAgreeWithQuadrature(t *testing.T) {
	t.Parallel()
	const u, s, pin, hole = 4.0, 3.0, 76.2, 60.0
	grip := Interval{8, 22}
	p := problem(single(bore(-60, -40, 4), bore(-70, -60, 1), bore(-70, -60, 1)), hinge("h", 0))
	p.Joints[0].Held, p.Joints[0].HeldTarget = []int{1, 2}, &grip
	p.Joints[0].Target = Interval{-1e4, 1e4} // the running bore never fails
	p.Series[1].Pin = Interval{pin, pin}
	p.Series[1].HeldReamer = &Reamer{Code: "held", Diameter: hole, OvercutU: u, Scatter: s, Available: true}
	want, h := 0.0, 0.01
	for i := -800; i <= 800; i++ {
		z := float64(i) * h
		one := phi((pin-grip.Low-hole-u*z)/s) - phi((pin-grip.High-hole-u*z)/s)
		w := h / 3 * 2
		if i%2 != 0 {
			w *= 2
		}
		want += w * density(z) * one * one
	}
	if got := find(t, decide(t, p).Options[0], ReamTo, 1).Success; math.Abs(got-want) > 1e-4 {
		t.Errorf("served %.6f, quadrature %.6f", got, want)
	}
}
