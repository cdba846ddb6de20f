package lifttest_test

import (
	"errors"
	"math"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"

	"pinwright/internal/calc/lifttest"
)

func exact(x float64) lifttest.Estimate { return lifttest.Estimate{Value: x} }

func door(lift, u float64, hinges ...lifttest.Hinge) lifttest.Test {
	return lifttest.Test{Hinges: hinges, Reach: exact(900), Lift: lifttest.Estimate{Value: lift, U: u}, Prior: 0.5, Rest: 2}
}

// By hand: two hinges 400 mm apart, bores 20 mm long, 0.2 mm of clearance each. The
// outermost mouths are 420 mm apart: swing 0.4/420, at 900 mm 0.857 mm.
func TestADoorByHand(t *testing.T) {
	t.Parallel()
	r, err := lifttest.Judge(door(0.9, 0.1, lifttest.Hinge{Height: 0, Length: 20, Clearance: lifttest.Estimate{Value: 0.2, U: 0.02}}, lifttest.Hinge{Height: 400, Length: 20, Clearance: lifttest.Estimate{Value: 0.2, U: 0.02}}))
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(r.Explained.Value-0.4/420*900) > 1e-12 || math.Abs(r.Explained.U-math.Sqrt2*0.02/420*900) > 1e-12 {
		t.Errorf("%+v", r)
	}
	if r.Else > 0.3 || r.Contradicts {
		t.Errorf("%+v", r)
	}
	soft := door(1.5, 0.2, lifttest.Hinge{Height: 0, Length: 20, Clearance: exact(0.2)}, lifttest.Hinge{Height: 400, Length: 20, Clearance: exact(0.2)})
	rigid, err := lifttest.Judge(soft)
	if err != nil {
		t.Fatal(err)
	}
	soft.Give, soft.EndFloat = lifttest.Estimate{Value: 0.3, U: 0.3}, lifttest.Estimate{Value: 0.1, U: 0.4}
	if r, err = lifttest.Judge(soft); err != nil || math.Abs(r.Explained.Value-rigid.Explained.Value-0.4) > 1e-12 || math.Abs(r.Explained.U-0.5) > 1e-12 || r.Else > rigid.Else {
		t.Errorf("%+v after %+v: %v", r, rigid, err)
	}
	// One long loose bore beside a short tight one limits by itself.
	r, err = lifttest.Judge(door(9, 0.1, lifttest.Hinge{Height: 0, Length: 10, Clearance: exact(5)}, lifttest.Hinge{Height: 400, Length: 100, Clearance: exact(0.1)}))
	if err != nil || r.First != 1 || r.Second != 1 || math.Abs(r.Swing-0.002) > 1e-15 || r.Else < 0.99 {
		t.Errorf("%+v %v", r, err)
	}
}

// oversteps reports by how much the worst mouth is overstepped when the pins, straight
// lines with their thickness, are turned by theta and shifted by x: no formula of the
// package, only where the edges of a turned pin are.
func oversteps(test lifttest.Test, theta, x float64) float64 {
	const pin = 8.0
	worst := math.Inf(-1)
	for _, h := range test.Hinges {
		for _, z := range []float64{h.Height - h.Length/2, h.Height + h.Length/2} {
			middle, half := x+z*math.Tan(theta), pin/2/math.Cos(theta)
			wall := (pin + h.Clearance.Value) / 2
			worst = math.Max(worst, math.Max(middle+half-wall, -wall-(middle-half)))
		}
	}
	return worst
}

// swingByMoving turns the door step by step for as long as some shift lets it, by
// halving; the shift is found by thirds, since oversteps is convex in it.
func swingByMoving(test lifttest.Test) float64 {
	possible := func(theta float64) bool {
		low, high := -1e4, 1e4
		for range 200 {
			a, b := low+(high-low)/3, high-(high-low)/3
			if oversteps(test, theta, a) < oversteps(test, theta, b) {
				high = b
			} else {
				low = a
			}
		}
		return oversteps(test, theta, (low+high)/2) <= 1e-9
	}
	low, high := 0.0, 1.0
	for range 60 {
		if middle := (low + high) / 2; possible(middle) {
			low = middle
		} else {
			high = middle
		}
	}
	return 2 * low
}

func anyHinges(t *rapid.T) []lifttest.Hinge {
	var out []lifttest.Hinge
	height := rapid.Float64Range(-500, 500).Draw(t, "mark")
	for range rapid.IntRange(2, 4).Draw(t, "hinges") {
		h := lifttest.Hinge{Length: rapid.Float64Range(5, 80).Draw(t, "length"), Clearance: exact(rapid.Float64Range(0.01, 0.6).Draw(t, "clearance"))}
		h.Height = height + h.Length/2
		height += h.Length + rapid.Float64Range(30, 400).Draw(t, "gap")
		out = append(out, h)
	}
	return out
}

func TestSwingIsThatOfMovingBodies(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		test := door(1, 0.1, anyHinges(t)...)
		r, err := lifttest.Judge(test)
		if err != nil {
			t.Fatal(err)
		}
		// Turned pins of 8 mm are wider by 4 theta² mm, which over mouths at least 5 mm
		// apart is less than half of the squared swing: 2e-6 of a usual 2e-3.
		if moved := swingByMoving(test); math.Abs(moved-r.Swing) > 1e-6+r.Swing*r.Swing/2 {
			t.Fatalf("moved %.9g, computed %.9g", moved, r.Swing)
		}
	})
}

func TestOrderAndMarkDoNotMatter(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		hinges := anyHinges(t)
		r, err := lifttest.Judge(door(1, 0.1, hinges...))
		if err != nil {
			t.Fatal(err)
		}
		other := rapid.Permutation(hinges).Draw(t, "order")
		for i := range other {
			other[i].Height += 100
		}
		s, err := lifttest.Judge(door(1, 0.1, other...))
		if err != nil || math.Abs(s.Swing-r.Swing) > 1e-12 || math.Abs(s.Else-r.Else) > 1e-9 {
			t.Fatalf("%+v and %+v, %v", r, s, err)
		}
	})
}

// Bayes' rule with the mixture summed in small steps.
func TestProbabilityAgainstSumming(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		lift, u := rapid.Float64Range(0, 12).Draw(t, "lift"), rapid.Float64Range(0.05, 1).Draw(t, "u")
		test := door(lift, u, lifttest.Hinge{Height: 0, Length: 20, Clearance: exact(0.3)}, lifttest.Hinge{Height: 300, Length: 20, Clearance: exact(0.4)})
		test.Prior, test.Rest = rapid.Float64Range(0.05, 0.95).Draw(t, "prior"), rapid.Float64Range(0.2, 5).Draw(t, "rest")
		r, err := lifttest.Judge(test)
		if err != nil {
			t.Fatal(err)
		}
		error := distuv.Normal{Mu: 0, Sigma: r.Left.U}
		nothing, something := error.Prob(r.Left.Value), 0.0
		step := math.Min(r.Left.U, test.Rest) / 200
		for x := step / 2; x < 20*test.Rest+10*u; x += step {
			something += math.Exp(-x/test.Rest) / test.Rest * error.Prob(r.Left.Value-x) * step
		}
		want := test.Prior * something / (test.Prior*something + (1-test.Prior)*nothing)
		if nothing+something > 1e-250 && math.Abs(r.Else-want) > 1e-3 {
			t.Fatalf("%v, summed %v (%+v)", r.Else, want, r)
		}
	})
}

func TestExtremesStayProbabilities(t *testing.T) {
	t.Parallel()
	for _, lift := range []float64{0, 0.01, 1, 500} {
		for _, u := range []float64{1e-6, 0.1, 500} {
			for _, c := range []float64{0, 5} {
				test := door(lift, u, lifttest.Hinge{Height: 0, Length: 50, Clearance: exact(c)}, lifttest.Hinge{Height: 100, Length: 50, Clearance: exact(c)})
				r, err := lifttest.Judge(test)
				if err != nil || !(r.Else >= 0 && r.Else <= 1) {
					t.Errorf("lift %v u %v c %v: %+v %v", lift, u, c, r, err)
				}
				if c == 5 && lift < 1 && u < 1 && !r.Contradicts {
					t.Errorf("5 mm of clearance and no lift is no contradiction: %+v", r)
				}
				steps := test.Derivation()
				if last := steps[len(steps)-1].Result.Value; last != r.Else {
					t.Errorf("derived %v, answered %v", last, r.Else)
				}
			}
		}
	}
}

// A door of 30 kg, centre 450 mm out, hinges 400 mm apart: 331 N out and in.
func TestLoads(t *testing.T) {
	t.Parallel()
	l, err := lifttest.LoadOf(30, 450, 400)
	if err != nil || math.Abs(l.Horizontal-330.974) > 0.001 || math.Abs(l.Most-math.Hypot(330.974, 294.1995)) > 0.001 {
		t.Errorf("%+v %v", l, err)
	}
	for _, bad := range [][3]float64{{0, 1, 100}, {1, 0, 100}, {1, 1, 0}, {math.NaN(), 1, 100}, {1, math.Inf(1), 100}} {
		if _, err := lifttest.LoadOf(bad[0], bad[1], bad[2]); !errors.Is(err, lifttest.ErrRange) {
			t.Errorf("%v: %v", bad, err)
		}
	}
}

func TestRefusals(t *testing.T) {
	t.Parallel()
	h := func(z float64) lifttest.Hinge { return lifttest.Hinge{Height: z, Length: 20, Clearance: exact(0.1)} }
	loose := func(z float64) lifttest.Hinge {
		return lifttest.Hinge{Height: z, Length: 20, Clearance: exact(20)}
	}
	vague := func(z float64) lifttest.Hinge {
		return lifttest.Hinge{Height: z, Length: 1, Clearance: lifttest.Estimate{Value: 0.01, U: 20}}
	}
	endless := door(1, 0.1, h(0), h(100))
	endless.Give.Value = math.Inf(1)
	for name, c := range map[string]struct {
		test lifttest.Test
		want error
	}{
		"a rubber door":            {endless, lifttest.ErrRange},
		"one hinge":                {door(1, 0.1, h(0)), lifttest.ErrHinges},
		"no hinge":                 {door(1, 0.1), lifttest.ErrHinges},
		"seven":                    {door(1, 0.1, h(0), h(100), h(200), h(300), h(400), h(500), h(600)), lifttest.ErrHinges},
		"in one another":           {door(1, 0.1, h(0), h(10)), lifttest.ErrHinges},
		"no number":                {door(1, 0.1, h(0), h(math.NaN())), lifttest.ErrHinges},
		"known without doubt":      {door(1, 0, h(0), h(100)), lifttest.ErrRange},
		"sinking":                  {door(-1, 0.1, h(0), h(100)), lifttest.ErrRange},
		"a lift that is none":      {door(math.NaN(), 0.1, h(0), h(100)), lifttest.ErrRange},
		"an uncertainty of none":   {door(1, math.NaN(), h(0), h(100)), lifttest.ErrRange},
		"a barn door on string":    {door(1, 0.1, loose(0), loose(100)), lifttest.ErrHinges},
		"a clearance of who knows": {door(1, 0.1, vague(0), vague(10)), lifttest.ErrHinges},
	} {
		if _, err := lifttest.Judge(c.test); !errors.Is(err, c.want) {
			t.Errorf("%s: %v", name, err)
		}
	}
	certain := door(1, 0.1, h(0), h(100))
	certain.Prior = 1
	if _, err := lifttest.Judge(certain); !errors.Is(err, lifttest.ErrRange) {
		t.Errorf("a prior of 1: %v", err)
	}
}

func FuzzJudgeNeverPanics(f *testing.F) {
	f.Add(0.0, 400.0, 20.0, 0.2, 0.1, 900.0, 1.0, 0.3)
	f.Fuzz(func(t *testing.T, low, high, length, c, u, reach, lift, uLift float64) {
		test := door(lift, uLift, lifttest.Hinge{Height: low, Length: length, Clearance: lifttest.Estimate{Value: c, U: u}}, lifttest.Hinge{Height: high, Length: length, Clearance: lifttest.Estimate{Value: c, U: u}})
		test.Reach = lifttest.Estimate{Value: reach, U: u}
		r, err := lifttest.Judge(test)
		if err == nil && !(r.Else >= 0 && r.Else <= 1 && r.Explained.Value >= 0 && r.Left.U > 0) {
			t.Fatalf("%+v", r)
		}
	})
}

func BenchmarkJudge(b *testing.B) {
	test := door(1, 0.1, lifttest.Hinge{Height: 0, Length: 20, Clearance: exact(0.3)}, lifttest.Hinge{Height: 300, Length: 20, Clearance: exact(0.4)})
	b.ReportAllocs()
	for b.Loop() {
		if _, err := lifttest.Judge(test); err != nil {
			b.Fatal(err)
		}
	}
}
