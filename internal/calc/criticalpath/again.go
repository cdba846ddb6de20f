package criticalpath

// Again plans anew what was planned before: every step stays where it was, or moves
// as little later as it must. before gives the earlier start of a step, and false for one
// that is new. What Forward finds, or Backward where by is given, is taken instead where
// it overstays less, ends earlier where no finish is given, or where the earlier plan can
// no longer be done by then. So when nothing has changed, nothing moves. Errors are those of
// Forward and Backward.
func Again(p Problem, by *int64, before func(step int) (int64, bool)) (Plan, error) {
	best, err := Forward(p)
	if by != nil {
		best, err = Backward(p, *by)
	}
	if err != nil {
		return best, err
	}
	serves := func(plan Plan) bool {
		if by != nil {
			return plan.Finish <= *by && plan.Overstay <= best.Overstay
		}
		return !better(best, plan)
	}
	some := false
	for i := range p.Steps {
		_, known := before(i)
		some = some || known
	}
	if !some {
		return best, nil
	}
	f := p.forward()
	rank, wish := make([]int64, len(p.Steps)), make([]int64, len(p.Steps))
	same := f.empty()
	all := true
	for i := range rank {
		t, known := before(i)
		if !known { // what is new takes the room that is left
			rank[i], wish[i], all = 2*Farthest, -2*Farthest, false
			continue
		}
		rank[i], wish[i] = t, t
		start, worked, ok := same.fits(i, t)
		same.at[i] = place{start, worked, true}
		all = all && ok
	}
	if plan := p.plan(same); all && p.Check(plan) == nil && serves(plan) {
		return plan, nil
	}
	if l, _, ok := f.lay(rank, func(i int) int64 { return wish[i] }); ok {
		if plan := p.plan(l); serves(plan) {
			return plan, nil
		}
	}
	return best, nil
}
