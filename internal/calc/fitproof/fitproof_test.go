package fitproof_test

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"

	"pinwright/internal/calc/conformity"
	"pinwright/internal/calc/fitproof"
)

type normal struct{ mean, u float64 }

func (n normal) CDF(x float64) float64 { return math.Erfc((n.mean-x)/n.u/math.Sqrt2) / 2 }

func judge(t testing.TB, q fitproof.Question) fitproof.Answer {
	t.Helper()
	a, err := fitproof.Judge(q)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// A bore without form error and a pin that was measured differ by a normal law
// whose variance is the sum of both (JCGM 100:2008, 5.1.2), so that the judgement is
// that of JCGM 106:2012, 7, which package conformity is held to by published values.
func TestMeasuredPinInARoundBoreIsTheJudgementOfADifference(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct{ bore, ub, pin, up, low, high float64 }{
		{25, 3, 0, 4, 10, 40}, {25, 4, 2, 2, 12.7, 38.1}, {45, 3, 0, 4, 10, 40}, {9, 5, 0, 0, 10, 40}, {17, 2, 0, 1.5, 10, 20},
	} {
		b := normal{tc.bore, tc.ub}
		got := judge(t, fitproof.Question{Passing: b, Pin: fitproof.Pin{Low: tc.pin, High: tc.pin, U: tc.up}, Low: tc.low, High: tc.high, Risk: 0.05})
		want, err := conformity.Judge(conformity.Tolerance{Lower: tc.low, Upper: tc.high}, tc.bore-tc.pin, math.Hypot(tc.ub, tc.up), 0.05)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(got.TooTight-want.Below) > 1e-9 || math.Abs(got.TooLoose-want.Above) > 1e-9 || math.Abs(got.Conforming-want.Conforming) > 1e-9 || got.Decision != want.Decision {
			t.Errorf("%+v: %+v, want %+v", tc, got, want)
		}
	}
}

// The trade's thousandth of an inch over the pin, half to one and a half (12.7 to
// 38.1 µm), with a bore read to 4 µm and a pin to 2.5 µm: u of the difference is 4.7 µm, and
// only a third of the target is left to prove anything in (ISO 14253-1: 1.645 u
// at each end). Of a target of 10 µm nothing is.
func TestADifferenceOftenCannotProveANarrowTarget(t *testing.T) {
	t.Parallel()
	at := func(bore, low, high float64) conformity.Decision {
		b := normal{bore, 4}
		return judge(t, fitproof.Question{Passing: b, Pin: fitproof.Pin{U: 2.5}, Low: low, High: high, Risk: 0.05}).Decision
	}
	proved := 0
	for bore := 0.0; bore <= 60; bore += 0.1 {
		if at(bore, 20.4, 30.4) == conformity.Proved {
			t.Errorf("a clearance of %.1f µm was proved within 10 µm by a difference known to 4.7 µm", bore)
		}
		if at(bore, 12.7, 38.1) == conformity.Proved {
			proved++
		}
	}
	// Acceptance zone 25.4 - 2·1.645·4.717 = 9.88 µm; adding the risks of both ends takes a little off.
	if width := float64(proved) * 0.1; width < 9 || width > 9.9 {
		t.Errorf("proved over %.1f µm, want a little less than 9.88", width)
	}
}

// The pins that it asks for decide: whoever knows that the one goes and the other does
// not knows that the fit is right, whatever the pin is within its limits.
func TestGoAndNoGoPinsProveTheFit(t *testing.T) {
	t.Parallel()
	b := normal{20, 6}
	a := judge(t, fitproof.Question{Passing: b, Pin: fitproof.Pin{Low: -8, High: 0}, Low: 10, High: 30, Risk: 0.05})
	if a.Decision != conformity.Undecided || !a.Provable || a.Go.Size != 10 || a.NoGo.Size != 22 {
		t.Fatalf("%+v", a)
	}
	if math.Abs(a.Go.Goes-(1-b.CDF(10))) > 1e-12 || math.Abs(a.NoGo.Goes-(1-b.CDF(22))) > 1e-12 {
		t.Errorf("%+v", a)
	}
	for bore := a.Go.Size; bore < a.NoGo.Size; bore += 0.5 {
		for pin := -8.0; pin <= 0; pin++ {
			if c := bore - pin; c < 10 || c > 30 {
				t.Errorf("a bore of %g between the gauges has a clearance of %g to a pin of %g", bore, c, pin)
			}
		}
	}
	wide := judge(t, fitproof.Question{Passing: b, Pin: fitproof.Pin{Low: -20, High: 0}, Low: 10, High: 30, Risk: 0.05})
	if wide.Provable {
		t.Errorf("no gauge tells of a pin that may be as far apart as the target is wide: %+v", wide)
	}
}

// Brute force: bores and pins drawn, and counted.
func TestProbabilitiesAreThoseOfBruteForce(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(3, 5))
	passing := normal{26, 4}
	pin := fitproof.Pin{Low: -6, High: 2, U: 1.5}
	a := judge(t, fitproof.Question{Passing: passing, Pin: pin, Low: 20, High: 36, Risk: 0.05})
	const n = 400_000
	tight, loose := 0.0, 0.0
	for range n {
		p := pin.Low + (pin.High-pin.Low)*r.Float64() + pin.U*r.NormFloat64()
		switch c := passing.mean + passing.u*r.NormFloat64() - p; {
		case c < 20:
			tight++
		case c > 36:
			loose++
		}
	}
	for name, v := range map[string][2]float64{"too tight": {a.TooTight, tight / n}, "too loose": {a.TooLoose, loose / n}} {
		if e := 4 * math.Sqrt(v[1]*(1-v[1])/n); math.Abs(v[0]-v[1]) > e {
			t.Errorf("%s: %v, counted %v give or take %.1g", name, v[0], v[1], e)
		}
	}
}

func TestJudgementProperties(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(rt *rapid.T) {
		um := rapid.Float64Range(-50, 50)
		spread := rapid.Float64Range(0.1, 20)
		low := um.Draw(rt, "low")
		b := normal{um.Draw(rt, "bore"), spread.Draw(rt, "u")}
		q := fitproof.Question{Passing: b, Pin: fitproof.Pin{Low: -4, High: 0, U: rapid.Float64Range(0, 5).Draw(rt, "up")}, Low: low, High: low + rapid.Float64Range(0, 40).Draw(rt, "width"),
			Risk: rapid.Float64Range(0.001, 0.4).Draw(rt, "risk")}
		a := judge(t, q)
		// A larger bore is looser, whatever else.
		more := q
		more.Passing = normal{b.mean + 1, b.u}
		if m := judge(t, more); m.TooTight > a.TooTight+1e-9 || m.TooLoose < a.TooLoose-1e-9 {
			rt.Fatalf("a larger bore: %+v after %+v", m, a)
		}
		// The origin that sizes are counted from changes nothing.
		moved := q
		moved.Passing = normal{b.mean + 1000, b.u}
		moved.Pin.Low, moved.Pin.High = q.Pin.Low+1000, q.Pin.High+1000
		if m := judge(t, moved); math.Abs(m.Conforming-a.Conforming) > 1e-9 || math.Abs(m.Go.Size-a.Go.Size-1000) > 1e-9 {
			rt.Fatalf("from another origin: %+v, was %+v", m, a)
		}
		// Together bores are never surer than the worst of them.
		two := fitproof.Together([]fitproof.Answer{a, a}, q.Risk)
		if a.Decision == conformity.Refused && two != conformity.Refused || two == conformity.Proved && a.Decision != conformity.Proved {
			rt.Fatalf("two together %s, each %s", two, a.Decision)
		}
	})
	if d := fitproof.Together(nil, 0.05); d != conformity.Undecided {
		t.Errorf("no bore at all: %s", d)
	}
}

func TestQuestionsThatCannotBe(t *testing.T) {
	t.Parallel()
	b := normal{0, 1}
	for name, q := range map[string]fitproof.Question{
		"nothing known":      {Low: 0, High: 1, Risk: 0.05},
		"limits exchanged":   {Passing: b, Low: 2, High: 1, Risk: 0.05},
		"a pin inside out":   {Passing: b, Pin: fitproof.Pin{Low: 1}, High: 1, Risk: 0.05},
		"no uncertainty":     {Passing: b, Pin: fitproof.Pin{U: -1}, High: 1, Risk: 0.05},
		"no number":          {Passing: b, Low: math.NaN(), High: 1, Risk: 0.05},
		"a risk of nothing":  {Passing: b, High: 1},
		"a risk of one half": {Passing: b, High: 1, Risk: 0.5},
	} {
		if _, err := fitproof.Judge(q); !errors.Is(err, fitproof.ErrQuestion) {
			t.Errorf("%s: %v", name, err)
		}
	}
}
