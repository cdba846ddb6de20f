package choice

import (
	"math"
	"math/rand/v2"
	"testing"

	"pinwright/internal/calc/wornsize"
)

// The nodes must integrate what they stand for: moments of a standard normal
// (0, 1, 0, 3) and of a rectangular law (1/2, 1/12).
func TestNodesHaveTheMomentsOfTheirLaws(t *testing.T) {
	t.Parallel()
	var m [5]float64
	for i, x := range sharedZ {
		for k := range m {
			m[k] += sharedW[i] * math.Pow(x, float64(k))
		}
	}
	for k, want := range []float64{1, 0, 1, 0, 3} { // the nodes end at 4.2 standard deviations
		if math.Abs(m[k]-want) > 0.003 {
			t.Errorf("normal moment %d = %v, want %v", k, m[k], want)
		}
	}
	mean, square := 0.0, 0.0
	for _, n := range rectangular(Interval{2, 4}) {
		mean += n.w * n.x
		square += n.w * n.x * n.x
	}
	if math.Abs(mean-3) > 1e-9 || math.Abs(square-9-4.0/12) > 1e-9 {
		t.Errorf("rectangular on [2, 4]: mean %v, mean square %v; want 3 and 9.3333", mean, square)
	}
}

func TestMomentsAndQuantilesOfALawAgreeWithItsNormal(t *testing.T) {
	t.Parallel()
	l := normalLaw(30, 7)
	mean, sd := l.Mean(), l.SD()
	if math.Abs(mean-30) > 1e-6 || math.Abs(sd-7) > 0.02 {
		t.Errorf("moments = %v, %v; want 30, 7", mean, sd)
	}
	// 1.959964 is the 97.5 % point of a standard normal.
	if q := l.Quantile(0.975); math.Abs(q-(30+7*1.959964)) > 0.02 {
		t.Errorf("quantile 0.975 = %v", q)
	}
	q := mixture{law: &l, offset: -10, sign: -1, r: Interval{-2, 2}, u: 3}.quantity()
	want := math.Sqrt(49 + 9 + 16.0/12)
	if math.Abs(q.Mean-20) > 1e-6 || math.Abs(q.SD-want) > 0.02 || math.Abs(q.High-q.Mean-1.96*want) > 0.2 {
		t.Errorf("quantity = %+v, want mean 20, sd %.3f", q, want)
	}
}

// JCGM 106 and ISO 14253-1: the probability that 10.012 mm with u = 2 µm lies
// within 10.000 to 10.015 mm is 0.93319, and so on (reference values computed
// with scipy's normal distribution). A cut of that mean and spread with a pin
// of no tolerance and a bore far below must give the same.
func TestClearanceWithinTargetIsAProbabilityOfConformity(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ y, u, want float64 }{
		{12, 2, 0.9331927977445617},
		{15, 2, 0.5},
		{16.5, 2, 0.22662735237685952},
		{0.5, 1, 0.6914624612742283},
		{7.5, 2, 0.9998231654295986},
		{7.5, 5, 0.8663855974622987},
	} {
		step := Step{Code: "s", Pin: Interval{100, 100}, Available: true,
			Reamer: &Reamer{Diameter: 100 + c.y, Scatter: c.u, Available: true}}
		j := Joint{Running: []int{0}, Pin: -1, Target: Interval{0, 15}}
		got := cutJoint(single(bore(-200, -150, 5)), j, step, heldOdds{}, nil)
		if math.Abs(got.joint[0]-c.want) > 1e-6 {
			t.Errorf("y = %v, u = %v: %v, want %v", c.y, c.u, got.joint[0], c.want)
		}
		// The same spread, part of it shared between holes, is integrated by
		// nodes: as good as the comment of sharedNodes says.
		for _, split := range []struct{ ratio, tolerance float64 }{{1, 1e-4}, {0.5, 1e-4}, {0.25, 0.004}, {0.1, 0.05}} {
			step.Reamer.OvercutU = c.u / math.Hypot(1, split.ratio)
			step.Reamer.Scatter = split.ratio * step.Reamer.OvercutU
			got = cutJoint(single(bore(-200, -150, 5)), j, step, heldOdds{}, nil)
			if math.Abs(got.joint[0]-c.want) > split.tolerance {
				t.Errorf("scatter %v of the shared error, y = %v, u = %v: %v, want %v", split.ratio, c.y, c.u, got.joint[0], c.want)
			}
		}
	}
}

// Brute force with a fixed seed: draw node, shared cut error, pins, holes and
// bores, and count. The served probabilities agree within four standard errors.
func TestJointAndSetOddsAgreeWithBruteForce(t *testing.T) {
	t.Parallel()
	shifts := []float64{-6, 0, 6}
	post := wornsize.Posterior{Weights: []float64{0.25, 0.5, 0.25}, Features: []wornsize.FeaturePosterior{
		shiftedBore(inch(0.3185), inch(0.3213), 6, shifts),
		shiftedBore(inch(0.3183), inch(0.3210), 9, shifts),
		shiftedBore(inch(0.3186), inch(0.3214), 5, shifts),
	}}
	p := problem(post, hinge("two bores", 0, 1), hinge("one bore", 2))
	p.Series[2].Reamer.OvercutU, p.Series[2].Reamer.Scatter = 4, 3
	for j := range p.Joints {
		p.Joints[j].Target = Interval{14, 40}
	}
	d := lay(p)
	choice := make([]int, 2)
	for j := range choice {
		for i, o := range d.options[j] {
			if o.Kind == ReamTo && o.Step == 2 {
				choice[j] = i
			}
		}
	}
	set := d.solver(nil, false).success(choice)

	const draws = 400000
	rng := rand.New(rand.NewPCG(7, 11))
	r, pin := p.Series[2].Reamer, p.Series[2].Pin
	var one [2]int
	both, cleans := 0, 0
	for i := 0; i < draws; i++ {
		n := 1
		if u := rng.Float64(); u < 0.25 {
			n = 0
		} else if u > 0.75 {
			n = 2
		}
		e := r.OvercutU * rng.NormFloat64()
		all, clean0 := true, true
		for j, joint := range p.Joints {
			q := pin.Low + pin.Width()*rng.Float64()
			ok := true
			for _, f := range joint.Running {
				c := r.Diameter + r.Overcut + e + r.Scatter*rng.NormFloat64()
				l := post.Features[f].CleanUpAt[n].Quantile(rng.Float64())
				if c < l && j == 0 {
					clean0 = false
				}
				ok = ok && c >= l && c-q >= joint.Target.Low && c-q <= joint.Target.High
			}
			if ok {
				one[j]++
			}
			all = all && ok
		}
		if all {
			both++
		}
		if clean0 {
			cleans++
		}
	}
	for _, c := range []struct {
		what string
		got  float64
		hits int
	}{
		{"joint of two bores", d.options[0][choice[0]].Success, one[0]},
		{"joint of one bore", d.options[1][choice[1]].Success, one[1]},
		{"clean-up of two bores", d.options[0][choice[0]].CleanUp, cleans},
		{"set", set, both},
	} {
		f := float64(c.hits) / draws
		if se := math.Sqrt(f * (1 - f) / draws); math.Abs(c.got-f) > 4*se {
			t.Errorf("%s: served %.5f, brute force %.5f ± %.5f", c.what, c.got, f, se)
		}
	}
	product := d.options[0][choice[0]].Success * d.options[1][choice[1]].Success
	if set < product+0.002 {
		t.Errorf("shared errors must make joints succeed together: set %.4f, product %.4f", set, product)
	}
}
