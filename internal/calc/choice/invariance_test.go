package choice

import (
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"pinwright/internal/calc/wornsize"
)

// drawWide is drawProblem with held bores, hones and walls besides.
func drawWide(t *rapid.T, maxJoints int) Problem {
	p := drawProblem(t, maxJoints)
	flip := rapid.Bool()
	for j := range p.Joints {
		one := &p.Joints[j]
		if flip.Draw(t, "hone") {
			one.Hone = honed()
			one.Hone.FeeMinor = int64(rapid.IntRange(0, 3000).Draw(t, "fee"))
			if flip.Draw(t, "hardened") {
				one.Facts = []Fact{HardenedBore}
			}
		}
		if flip.Draw(t, "held") {
			s := rapid.Float64Range(-60, 60).Draw(t, "heldSize")
			shifts := make([]float64, len(p.Posterior.Weights))
			p.Posterior.Features = append(p.Posterior.Features, shiftedBore(s, s+2, rapid.Float64Range(1, 5).Draw(t, "heldSD"), shifts))
			one.Held, one.HeldTarget = []int{len(p.Posterior.Features) - 1}, &Interval{2, rapid.Float64Range(20, 90).Draw(t, "grip")}
		}
		if flip.Draw(t, "wall") {
			one.BossDiameter, one.MinimumWall = 4000+rapid.Float64Range(50, 400).Draw(t, "boss"), 2000
		}
	}
	if flip.Draw(t, "heldReamer") {
		r := *p.Series[1].Reamer
		r.Code, r.Diameter, r.BorrowMinor = "held", p.Series[1].Pin.Mid()-15, 400
		p.Series[1].HeldReamer = &r
	}
	return p
}

func TestWideSetsAreMinimisedExactly(t *testing.T) {
	t.Parallel()
	seen := map[Kind]bool{}
	rapid.Check(t, func(t *rapid.T) {
		d := lay(drawWide(t, 4))
		var best, bestAny []int
		var bestKey, anyKey key
		bruteForce(d, false, func(c []int, k key, success float64) {
			if bestAny == nil || k.less(anyKey) {
				bestAny, anyKey = slices.Clone(c), k
			}
			if meets(success, d.Risk.Set) && (best == nil || k.less(bestKey)) {
				best, bestKey = slices.Clone(c), k
			}
		})
		if best == nil {
			best, bestKey = bestAny, anyKey
		}
		got := d.solve(d.pools, false)
		if k := d.solver(nil, false).key(got); k != bestKey || !slices.Equal(got, best) {
			t.Fatalf("solve took %v with %+v, enumeration %v with %+v", got, k, best, bestKey)
		}
		for j, i := range got {
			seen[d.options[j][i].Kind] = true
		}
	})
	if !seen[HoneTo] || !seen[ReamTo] {
		t.Errorf("drawn sets took %v only: the property was not tried", seen)
	}
}

// Naming the joints in another order changes nothing but the order.
func TestPermutingWideSetsPermutesTheAnswer(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		p := drawWide(t, 5)
		order := rapid.Permutation(indexes(len(p.Joints))).Draw(t, "order")
		q := p
		q.Joints = nil
		for _, j := range order {
			q.Joints = append(q.Joints, p.Joints[j])
		}
		a, b := mustDecide(t, p), mustDecide(t, q)
		for i, plan := range a.Plans {
			other := b.Plans[i]
			if other.Status != plan.Status || !near(other.Success, plan.Success) || !near(other.Loss.Total(), plan.Loss.Total()) || other.Days != plan.Days {
				t.Fatalf("%s: %+v, permuted %+v", plan.Preference, plan, other)
			}
			for k, j := range order {
				if plan.Joints[j].Option != other.Joints[k].Option {
					t.Fatalf("%s: joint %d takes %d, permuted %d", plan.Preference, j, plan.Joints[j].Option, other.Joints[k].Option)
				}
			}
		}
	})
}

// In another unit of length every odds stays and every length is scaled; in
// another currency every choice stays and every loss is scaled.
func TestUnitsOfLengthAndMoneyDoNotMatter(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		p := drawWide(t, 3)
		a := mustDecide(t, p)
		k := rapid.Float64Range(0.2, 5).Draw(t, "length")
		b := mustDecide(t, scaleLengths(p, k))
		c := mustDecide(t, scaleMoney(p, 4)) // a power of two: no rounding
		for j := range a.Options {
			for i, o := range a.Options[j] {
				l, m := b.Options[j][i], c.Options[j][i]
				if math.Abs(l.Success-o.Success) > 1e-6 || math.Abs(l.CleanUp-o.CleanUp) > 1e-6 || l.Open != o.Open || l.RepairsLeft != o.RepairsLeft {
					t.Fatalf("joint %d, %s %d: %.9f, scaled %.9f", j, o.Kind, o.Step, o.Success, l.Success)
				}
				if o.Clearance != nil && math.Abs(l.Clearance.Mean-k*o.Clearance.Mean) > 1e-6*(1+k) {
					t.Fatalf("clearance %v, scaled %v", o.Clearance.Mean, l.Clearance.Mean)
				}
				if o.WallLeft != nil && !near(*l.WallLeft, k**o.WallLeft) {
					t.Fatalf("wall %v, scaled %v", *o.WallLeft, *l.WallLeft)
				}
				if m.Success != o.Success || !near(m.Loss.Total(), 4*o.Loss.Total()) {
					t.Fatalf("joint %d, %s %d: loss %v, in the other currency %v", j, o.Kind, o.Step, o.Loss.Total(), m.Loss.Total())
				}
			}
			if a.Chosen.Joints[j].Option != c.Chosen.Joints[j].Option {
				t.Fatalf("joint %d takes %d, in the other currency %d", j, a.Chosen.Joints[j].Option, c.Chosen.Joints[j].Option)
			}
		}
	})
}

func mustDecide(t *rapid.T, p Problem) Answer {
	a, err := Decide(p)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

func near(a, b float64) bool { return math.Abs(a-b) <= 1e-9*(1+math.Abs(a)) }

func indexes(n int) []int {
	out := make([]int, n)
	for i := range out {
		out[i] = i
	}
	return out
}

func (i Interval) times(k float64) Interval { return Interval{i.Low * k, i.High * k} }

func (r *Reamer) times(k float64) *Reamer {
	if r == nil {
		return nil
	}
	q := *r
	for _, x := range []*float64{&q.Diameter, &q.Overcut, &q.OvercutU, &q.Scatter, &q.MinCut, &q.MaxCut} {
		*x *= k
	}
	return &q
}

func scaleLengths(p Problem, k float64) Problem {
	laws := func(list ...wornsize.Law) []wornsize.Law {
		out := make([]wornsize.Law, len(list))
		for i, l := range list {
			out[i].P = l.P
			for _, x := range l.X {
				out[i].X = append(out[i].X, k*x)
			}
		}
		return out
	}
	features := p.Posterior.Features
	p.Posterior.Features = nil
	for _, f := range features {
		one := laws(f.Passing, f.CleanUp, f.Original)
		p.Posterior.Features = append(p.Posterior.Features, wornsize.FeaturePosterior{Passing: one[0], CleanUp: one[1], Original: one[2],
			PassingAt: laws(f.PassingAt...), CleanUpAt: laws(f.CleanUpAt...)})
	}
	series := slices.Clone(p.Series)
	for i := range series {
		series[i].Pin = series[i].Pin.times(k)
		series[i].Reamer, series[i].HeldReamer = series[i].Reamer.times(k), series[i].HeldReamer.times(k)
	}
	joints := slices.Clone(p.Joints)
	for i := range joints {
		j := &joints[i]
		j.Target, j.BossDiameter, j.MinimumWall, j.Coating = j.Target.times(k), k*j.BossDiameter, k*j.MinimumWall, k*j.Coating
		if j.HeldTarget != nil {
			h := j.HeldTarget.times(k)
			j.HeldTarget = &h
		}
		if j.Hone != nil {
			h := *j.Hone
			h.U, h.Scatter, h.MaxStock = k*h.U, k*h.Scatter, k*h.MaxStock
			j.Hone = &h
		}
		b := *j.Bush
		b.Hole, b.Finished = k*b.Hole, b.Finished.times(k)
		j.Bush = &b
	}
	p.Series, p.Joints, p.Losses.LostWall = series, joints, p.Losses.LostWall/k
	return p
}

func scaleMoney(p Problem, k int64) Problem {
	l := &p.Losses
	for _, x := range []*float64{&l.WaitingDay, &l.FailedCut, &l.FailedTry, &l.LostWall, &l.StepSpent, &l.Hole, &l.ExtraPass, &l.Look, &l.Clean, &l.Assemble, &l.NoWayOut, &l.Unproved} {
		*x *= float64(k)
	}
	reamer := func(r *Reamer) *Reamer {
		if r == nil {
			return nil
		}
		q := *r
		q.WearMinor, q.BorrowMinor = k*q.WearMinor, k*q.BorrowMinor
		return &q
	}
	series := slices.Clone(p.Series)
	for i := range series {
		series[i].PriceMinor *= k
		series[i].Reamer, series[i].HeldReamer = reamer(series[i].Reamer), reamer(series[i].HeldReamer)
	}
	joints := slices.Clone(p.Joints)
	for i := range joints {
		j := &joints[i]
		b, r := *j.Bush, *j.Replacement
		b.PriceMinor, b.LabourMinor, r.PriceMinor, r.LabourMinor = k*b.PriceMinor, k*b.LabourMinor, k*r.PriceMinor, k*r.LabourMinor
		j.Bush, j.Replacement = &b, &r
		if j.Hone != nil {
			h := *j.Hone
			h.LabourMinor, h.FeeMinor = k*h.LabourMinor, k*h.FeeMinor
			j.Hone = &h
		}
	}
	p.Series, p.Joints = series, joints
	return p
}
