package criticalpath

import (
	"cmp"
	"slices"
)

// Kind is what a step waits for once all that it comes after is finished.
type Kind string

// The kinds.
const (
	FreeHours Kind = "free_hours" // no free span, or none that is long enough
	Hands     Kind = "hands"      // another step has the hands
	Tools     Kind = "tools"      // outside the spans in which its tools can be had
	Things    Kind = "things"     // another step keeps a thing that it uses
	Later     Kind = "later"      // it could begin earlier, and is planned later
)

// Hold is a stretch for which a step waits, up to Until.
type Hold struct {
	Kind  Kind
	Step  int // that has the hands or the thing; -1
	Until int64
}

// Reason is why a step begins when it does.
type Reason struct {
	Ready   int64 // when everything that it comes after is finished, and its bound is past
	ReadyBy int   // the predecessor that is the last to be finished; -1: the bound, NotBefore or Problem.From
	Holds   []Hold
	// Holder is the step without which it would have begun earlier: that has the hands or
	// the thing to the last, or else ReadyBy; -1: none.
	Holder int
}

// Reasons tells of each step of a plan that Check finds nothing wrong with why it does
// not begin earlier.
func (p Problem) Reasons(plan Plan) []Reason {
	f := p.forward()
	l := f.empty()
	for i, at := range plan.Steps {
		l.put(i, at.Start, at.Worked)
	}
	out := make([]Reason, len(plan.Steps))
	for i, at := range plan.Steps {
		r := Reason{Ready: f.steps[i].lower, ReadyBy: -1}
		for _, b := range p.Steps[i].After {
			if t := plan.Steps[b.Of].Finish + b.Lag; t > r.Ready {
				r.Ready, r.ReadyBy = t, b.Of
			}
		}
		r.Holder = r.ReadyBy
		t := r.Ready
		start, _, ok := l.earliest(i, t, false, func(kind Kind, step int, until int64) {
			if until > at.Start {
				return
			}
			r.Holds = append(r.Holds, Hold{kind, step, until})
			if step >= 0 {
				r.Holder = step
			}
		})
		if ok && start < at.Start {
			r.Holds = append(r.Holds, Hold{Later, -1, at.Start})
			r.Holder = -1
		}
		out[i] = r
	}
	return out
}

// Chain is what the finish hangs on: from the step that is finished last back
// through whatever held each up, told from the first on.
func (p Problem) Chain(plan Plan, reasons []Reason) []int {
	at := -1
	for i, s := range plan.Steps {
		if at < 0 || s.Finish > plan.Steps[at].Finish {
			at = i
		}
	}
	var back []int
	for at >= 0 {
		back = append(back, at)
		at = reasons[at].Holder
	}
	slices.Reverse(back)
	return back
}

// Latest is when each step may begin at the latest, so that with the works in the
// order of the plan all is finished by the moment by, not before the plan's finish. A
// step's slack is the difference to the plan.
func (p Problem) Latest(plan Plan, by int64) Plan {
	f := p.forward()
	m := f.mirrored(by)
	order := make([]int, len(p.Steps))
	place := make([]int, len(p.Steps))
	topological, err := p.validate()
	if err != nil {
		return plan
	}
	for k, i := range topological {
		place[i] = k
	}
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(i, j int) int {
		return cmp.Or(cmp.Compare(plan.Steps[j].Start, plan.Steps[i].Start), cmp.Compare(place[j], place[i]))
	})
	l := m.empty()
	behind := -by - 1
	for _, i := range order {
		t := l.ready(i) + m.steps[i].front
		if m.steps[i].work > 0 {
			t = max(t, behind)
		}
		start, worked, ok := l.earliest(i, t, false, nobody)
		if !ok {
			return plan
		}
		if m.steps[i].work > 0 {
			behind = worked
		}
		l.put(i, start, worked)
	}
	return p.plan(l)
}
