package criticalpath

import (
	"cmp"
	"fmt"
	"math/bits"
	"slices"
)

func nobody(Kind, int, int64) {}

// lay places all steps, of those that may come next always the one of least rank;
// equal ones by their place in the list. wish, when given, is a moment before which a step is
// not placed. Where looking ahead leaves no room, it is not done.
func (f *frame) lay(rank []int64, wish func(i int) int64) (*layout, int, bool) {
	l, stuck, ok := f.layOnce(rank, wish, !f.back)
	if !ok && !f.back && slices.ContainsFunc(f.steps, func(s seen) bool { return s.most > 0 }) {
		l, stuck, ok = f.layOnce(rank, wish, false)
	}
	return l, stuck, ok
}

func (f *frame) layOnce(rank []int64, wish func(i int) int64, look bool) (*layout, int, bool) {
	l := f.empty()
	waits := make([]int, len(f.steps))
	urgent := make([]bool, len(f.steps))
	eligible := make([]int, 0, len(f.steps))
	for i, s := range f.steps {
		if waits[i] = len(s.before); waits[i] == 0 {
			eligible = append(eligible, i)
		}
	}
	for len(eligible) > 0 {
		best := 0
		for k, i := range eligible {
			if b := eligible[best]; urgent[i] != urgent[b] && urgent[i] || urgent[i] == urgent[b] && (rank[i] < rank[b] || rank[i] == rank[b] && i < b) {
				best = k
			}
		}
		i := eligible[best]
		eligible[best] = eligible[len(eligible)-1]
		eligible = eligible[:len(eligible)-1]
		t := l.ready(i) + f.steps[i].front
		if wish != nil {
			t = max(t, wish(i))
		}
		start, worked, ok := l.earliest(i, t, look, nobody)
		if !ok && look && f.steps[i].most > 0 { // it overstays then, and Overstay tells
			start, worked, ok = l.earliest(i, t, false, nobody)
		}
		if !ok {
			return l, i, false
		}
		l.put(i, start, worked)
		for _, next := range f.steps[i].after {
			urgent[next.Of] = urgent[next.Of] || f.steps[i].most > 0
			if waits[next.Of]--; waits[next.Of] == 0 {
				eligible = append(eligible, next.Of)
			}
		}
	}
	return l, -1, true
}

// plan is what a layout says in the problem's own time.
func (p Problem) plan(l *layout) Plan {
	out := Plan{Steps: make([]Placed, len(l.at)), Finish: p.From}
	for i, a := range l.at {
		at := Placed{Start: a.start, Worked: a.worked}
		if l.back {
			at = Placed{Start: -a.worked, Worked: -a.start}
		}
		at.Finish = at.Worked + p.Steps[i].Wait
		out.Steps[i] = at
		out.Finish = max(out.Finish, at.Finish)
	}
	out.Overstay = p.overstay(out.Steps)
	return out
}

// ranks are the rules, the first first; less is more urgent.
func (f *frame) ranks(order []int) [][]int64 {
	n := len(f.steps)
	if f.back {
		order = slices.Clone(order)
		slices.Reverse(order)
	}
	var free int64
	for _, s := range f.free {
		free += s.length()
	}
	long := free
	if len(f.free) > 0 {
		long = f.free[len(f.free)-1].Until - f.free[0].From
	}
	stretch := max(1, min(500, float64(long)/float64(max(1, free))))
	// tails is the negative of how long the way behind the work of each is.
	tails := func(stretch float64, own bool) []int64 {
		out, whole := make([]int64, n), make([]int64, n)
		for k := n - 1; k >= 0; k-- {
			i := order[k]
			s := &f.steps[i]
			var longest int64
			for _, next := range s.after {
				longest = max(longest, next.Lag+whole[next.Of])
			}
			work := int64(float64(s.work) * stretch)
			whole[i] = s.front + work + s.behind + longest
			out[i] = -(s.behind + longest)
			if own {
				out[i] -= work
			}
		}
		return out
	}
	followers := make([]int64, n)
	if n <= 1000 { // a set of bits for each step
		words := (n + 63) / 64
		sets := make([]uint64, n*words)
		for k := n - 1; k >= 0; k-- {
			i := order[k]
			mine := sets[i*words : (i+1)*words]
			for _, next := range f.steps[i].after {
				mine[next.Of/64] |= 1 << (next.Of % 64)
				for w, v := range sets[next.Of*words : (next.Of+1)*words] {
					mine[w] |= v
				}
			}
			for _, v := range mine {
				followers[i] -= int64(bits.OnesCount64(v))
			}
		}
	}
	weight := make([]int64, n)
	for i, s := range f.steps {
		weight[i] = -s.work
		for _, next := range s.after {
			weight[i] -= f.steps[next.Of].work
		}
	}
	return [][]int64{tails(1, false), tails(stretch, false), tails(1, true), followers, weight, make([]int64, n)}
}

// better says whether a plan overstays less, or ends earlier where that is equal.
func better(a, b Plan) bool {
	return cmp.Or(cmp.Compare(a.Overstay, b.Overstay), cmp.Compare(a.Finish, b.Finish)) < 0
}

// rounds is how often a plan is pushed right and left at most, and longList from how
// many steps on only the first rule is followed, once.
const (
	rounds   = 2
	longList = 1000
)

// Forward plans from Problem.From on towards the earliest finish. Errors wrap
// ErrRange, ErrLink, ErrCycle, or ErrFit where a step finds no room before
// Problem.Until.
func Forward(p Problem) (Plan, error) {
	order, err := p.validate()
	if err != nil {
		return Plan{}, err
	}
	f := p.forward()
	best, found, stuck := Plan{}, false, 0
	for k, rank := range f.ranks(order) {
		if k > 0 && len(p.Steps) > longList && found {
			break
		}
		l, at, ok := f.lay(rank, nil)
		if !ok {
			if k == 0 {
				stuck = at
			}
			continue
		}
		plan := p.plan(l)
		for round := 0; round < rounds && len(p.Steps) <= longList; round++ {
			again, ok := p.justified(f, plan)
			if !ok || !better(again, plan) {
				break
			}
			plan = again
		}
		if !found || better(plan, best) {
			best, found = plan, true
		}
	}
	if !found && len(p.Steps) > 0 {
		return Plan{}, p.noRoom(stuck)
	}
	return p.improved(f, best), nil
}

// tries is how many plans are laid to improve one of so many steps.
func tries(steps int) int { return min(300, 3000/max(1, steps)) }

// improved lets steps of the chain that the finish hangs on go before those that hold
// them up, as long as that makes a better plan.
func (p Problem) improved(f *frame, best Plan) Plan {
	left := tries(len(p.Steps))
	rank := make([]int64, len(p.Steps))
search:
	for left > 0 {
		reasons := p.Reasons(best)
		chain := p.Chain(best, reasons)
		for k := len(chain) - 1; k > 0; k-- {
			i := chain[k]
			if h := reasons[i].Holds; len(h) == 0 || chain[k-1] == reasons[i].ReadyBy {
				continue
			}
			for m := k - 1; m >= 0; m-- {
				for j, at := range best.Steps {
					rank[j] = 2 * at.Start
				}
				rank[i] = 2*best.Steps[chain[m]].Start - 1
				if left--; left < 0 {
					break search
				}
				if l, _, ok := f.lay(rank, nil); ok {
					if plan := p.plan(l); better(plan, best) {
						best = plan
						continue search
					}
				}
			}
		}
		break
	}
	return best
}

// noRoom says why step i was not placed.
func (p Problem) noRoom(i int) error {
	s := p.Steps[i]
	var longest int64
	for _, f := range p.Free {
		longest = max(longest, f.length())
	}
	e := &FitError{Step: i, Longest: longest}
	switch {
	case s.Work > 0 && !s.Split && s.Work > longest:
		e.Kind, e.text = FreeHours, fmt.Sprintf("%v: %q takes %d in one piece, and the longest free span is %d; free a longer one, or let it be split", ErrFit, s.Name, s.Work, longest)
	case s.Within != nil && len(s.Within) == 0:
		e.Kind, e.text = Tools, fmt.Sprintf("%v: what %q needs is never to be had; look further ahead, or do without", ErrFit, s.Name)
	default:
		e.Kind, e.text = Later, fmt.Sprintf("%v: %q finds no room before %d; free more time, or look further ahead", ErrFit, s.Name, p.Until)
	}
	return e
}

// FitError names the step for which there was no room.
type FitError struct {
	Step    int
	Kind    Kind  // FreeHours: no free span is long enough; Tools: never to be had; Later: no room before the end
	Longest int64 // free span
	text    string
}

func (e *FitError) Error() string { return e.text }

// Unwrap tells that it is an ErrFit.
func (e *FitError) Unwrap() error { return ErrFit }

// justified pushes a plan against its finish and back again.
func (p Problem) justified(f *frame, plan Plan) (Plan, bool) {
	right, ok := p.pushed(f, plan, plan.Finish)
	if !ok {
		return plan, false
	}
	rank := make([]int64, len(p.Steps))
	for i, at := range right.Steps {
		rank[i] = at.Start
	}
	l, _, ok := f.lay(rank, nil)
	if !ok {
		return plan, false
	}
	return p.plan(l), true
}

// pushed moves every step of a plan as late as by allows, the last one first.
func (p Problem) pushed(f *frame, plan Plan, by int64) (Plan, bool) {
	rank := make([]int64, len(p.Steps))
	for i, at := range plan.Steps {
		rank[i] = -at.Finish
	}
	l, _, ok := f.mirrored(by).lay(rank, nil)
	if !ok {
		return plan, false
	}
	return p.plan(l), true
}

// LateError says that there is no plan that is done by the moment that was asked
// for, as far as Forward can tell.
type LateError struct {
	By       int64
	Earliest Plan // what Forward finds
}

func (e *LateError) Error() string {
	return fmt.Sprintf("%v: it cannot be done by %d; the earliest finish found is %d", ErrFit, e.By, e.Earliest.Finish)
}

// Unwrap tells that it is an ErrFit.
func (e *LateError) Unwrap() error { return ErrFit }

// Backward plans so that everything is done by the moment by, and begins as late as
// it can. Where Forward ends later than that the error is a LateError.
func Backward(p Problem, by int64) (Plan, error) {
	first, err := Forward(p)
	if err != nil {
		return Plan{}, err
	}
	if first.Finish > by {
		return Plan{}, &LateError{By: by, Earliest: first}
	}
	order, err := p.validate()
	if err != nil {
		return Plan{}, err
	}
	f := p.forward()
	best := first
	take := func(plan Plan) {
		if better(Plan{Overstay: plan.Overstay}, Plan{Overstay: best.Overstay}) || plan.Overstay == best.Overstay && plan.begin() > best.begin() {
			best = plan
		}
	}
	if plan, ok := p.pushed(f, first, by); ok {
		take(plan)
	}
	m := f.mirrored(by)
	for _, rank := range m.ranks(order) {
		if l, _, ok := m.lay(rank, nil); ok {
			take(p.plan(l))
		}
	}
	return best, nil
}

func (p Plan) begin() int64 {
	least := p.Finish
	for _, at := range p.Steps {
		least = min(least, at.Start)
	}
	return least
}
