package criticalpath_test

import (
	"testing"

	"pgregory.net/rapid"

	"pinwright/internal/calc/criticalpath"
)

// best tries all beginnings of all steps, one after another, and knows nothing of
// how plans are made but Problem.Check.
func best(p criticalpath.Problem, horizon int64) int64 {
	least := int64(-1)
	at := make([]criticalpath.Placed, len(p.Steps))
	var try func(i int)
	try = func(i int) {
		if i == len(p.Steps) {
			finish := p.From
			for _, s := range at {
				finish = max(finish, s.Finish)
			}
			if (least < 0 || finish < least) && p.Check(criticalpath.Plan{Steps: at, Finish: finish}) == nil {
				least = finish
			}
			return
		}
		for start := p.From; start <= horizon; start++ {
			worked := start
			for left := p.Steps[i].Work; left > 0 && worked <= horizon; worked++ {
				for _, f := range p.Free {
					if f.From <= worked && worked < f.Until {
						left--
					}
				}
			}
			at[i] = criticalpath.Placed{Start: start, Worked: worked, Finish: worked + p.Steps[i].Wait}
			if at[i].Finish > horizon || least >= 0 && at[i].Finish >= least {
				break
			}
			try(i + 1)
		}
	}
	try(0)
	return least
}

// bestOrder lays the steps in every order that their predecessors allow. As long as no
// wait can overstay, ending earlier is never worse, so one of these plans is the best of all.
func bestOrder(p criticalpath.Problem) int64 {
	least := int64(-1)
	n := len(p.Steps)
	order := make([]int, 0, n)
	used := make([]bool, n)
	var try func()
	try = func() {
		if len(order) == n {
			if finish, ok := inTurn(p, order); ok && (least < 0 || finish < least) {
				least = finish
			}
			return
		}
		for i, s := range p.Steps {
			ready := !used[i]
			for _, l := range s.After {
				ready = ready && used[l.Of]
			}
			if !ready {
				continue
			}
			used[i] = true
			order = append(order, i)
			try()
			order = order[:len(order)-1]
			used[i] = false
		}
	}
	try()
	return least
}

// inTurn places steps in an order, each at the first moment, tried one by one, at
// which Check finds nothing wrong with those placed so far.
func inTurn(p criticalpath.Problem, order []int) (finish int64, ok bool) {
	part := criticalpath.Problem{Free: p.Free, From: p.From, Until: p.Until}
	at := map[int]int{}
	var plan criticalpath.Plan
	plan.Finish = p.From
	for k, i := range order {
		s := p.Steps[i]
		ready := max(p.From, s.NotBefore)
		s.After = nil
		for _, l := range p.Steps[i].After {
			s.After = append(s.After, criticalpath.Link{Of: at[l.Of], Lag: l.Lag})
			ready = max(ready, plan.Steps[at[l.Of]].Finish+l.Lag)
		}
		at[i] = k
		part.Steps = append(part.Steps, s)
		plan.Steps = append(plan.Steps, criticalpath.Placed{})
		before := plan.Finish
		for start := ready; ; start++ {
			if start > p.Until {
				return 0, false
			}
			worked, left := start, s.Work
			for _, f := range p.Free {
				if left > 0 && f.Until > start {
					from := max(f.From, start)
					here := min(left, f.Until-from)
					left -= here
					worked = from + here
				}
			}
			plan.Steps[k] = criticalpath.Placed{Start: start, Worked: worked, Finish: worked + s.Wait}
			plan.Finish = max(before, worked+s.Wait)
			if part.Check(plan) == nil {
				break
			}
		}
	}
	return plan.Finish, true
}

// Two independent searches agree that trying all orders finds the best finish.
func TestSomeOrderIsTheBest(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := drawProblem(t, 3, true)
		bound := bestOrder(p)
		if bound > p.From+60 {
			t.Skip("too far ahead to try all beginnings")
		}
		if got := best(p, bound); got != bound {
			t.Fatalf("of all orders %d, of all beginnings %d", bound, got)
		}
	})
}

// What the rule loses against the best of all orders, over random networks of up to
// six steps with all that a step may have. Of 2000 (2026-11-30) 14 were longer, all
// together by 0.07 %, the worst by 17 %; the bounds leave room for the luck of 150.
func TestGapToTheBestOrder(t *testing.T) {
	var plans, missed int
	var lost, length, worst float64
	rapid.Check(t, func(t *rapid.T) {
		p := drawProblem(t, 6, true)
		plan := must(criticalpath.Forward(p))(t)
		least := bestOrder(p)
		if plan.Finish < least {
			t.Fatalf("the rule ends at %d, the best order at %d", plan.Finish, least)
		}
		plans++
		length += float64(least - p.From)
		if plan.Finish > least {
			missed++
			lost += float64(plan.Finish - least)
			worst = max(worst, float64(plan.Finish-least)/float64(least-p.From))
		}
	})
	t.Logf("%d of %d plans are longer than the best, all together by %.3f %%, the worst by %.1f %%", missed, plans, 100*lost/length, 100*worst)
	if lost > 0.003*length || missed*50 > plans {
		t.Errorf("%d of %d plans are longer than the best of all orders, all together by %.3f %%; at most one in fifty and 0.3 %% are expected", missed, plans, 100*lost/length)
	}
}
