package criticalpath

import (
	"fmt"
	"slices"
)

// Step is work by hand and a wait behind it.
type Step struct {
	Name string
	Work int64 // by hand, within free spans; 0: none
	Wait int64 // behind the work, by day and night
	// Most is how long after the work whatever follows has to begin at the latest; 0:
	// whenever it likes. Not less than Wait.
	Most      int64
	Split     bool // the work may be cut by the ends of free spans
	NotBefore int64
	After     []Link // predecessors; the time to a predecessor's Finish is at least the lag
	// Within are spans of which one must hold all of the work; nil: at any time. Sorted,
	// none within another; they may overlap.
	Within []Span
	Uses   []int // things that it keeps to itself, by numbers of the caller's, from 0 on
	// Through says that Within and Uses are meant until the end of the wait.
	Through bool
}

// Problem is what is to be planned.
type Problem struct {
	Steps []Step
	Free  []Span // when the hands are free; sorted, apart from each other
	From  int64  // nothing begins before
	Until int64  // nothing ends later
}

// Placed is when a step is done.
type Placed struct {
	Start  int64 // of the work
	Worked int64 // end of the work
	Finish int64 // end of the wait
}

// Plan is when all steps are done, in the order of the problem.
type Plan struct {
	Steps    []Placed
	Finish   int64 // of the last step; Problem.From when there is none
	Overstay int64 // sum over the steps of how long after Most the last that follows begins
}

// validate refuses what no rule could place.
func (p Problem) validate() ([]int, error) {
	bad := func(v int64) bool { return v < -Farthest || v > Farthest }
	if bad(p.From) || bad(p.Until) {
		return nil, fmt.Errorf("%w: the first and the last moment must be within ±%d", ErrRange, Farthest)
	}
	for i, s := range p.Free {
		if bad(s.From) || bad(s.Until) || s.From >= s.Until || i > 0 && s.From < p.Free[i-1].Until {
			return nil, fmt.Errorf("%w: free span %d must end after it begins, behind the one before, within ±%d", ErrRange, i, Farthest)
		}
	}
	links := make([][]Link, len(p.Steps))
	for i, s := range p.Steps {
		links[i] = s.After
		for _, v := range []int64{s.Work, s.Wait, s.Most} {
			if v < 0 || v > Farthest {
				return nil, fmt.Errorf("%w: work and waits of %q must be from 0 to %d", ErrRange, s.Name, Farthest)
			}
		}
		if s.Most > 0 && s.Most < s.Wait {
			return nil, fmt.Errorf("%w: %q would overstay before its wait is over; let the longest wait be at least the wait", ErrRange, s.Name)
		}
		if bad(s.NotBefore) {
			return nil, fmt.Errorf("%w: the earliest moment of %q must be within ±%d", ErrRange, s.Name, Farthest)
		}
		for k, w := range s.Within {
			if bad(w.From) || bad(w.Until) || w.From > w.Until || k > 0 && (w.From <= s.Within[k-1].From || w.Until <= s.Within[k-1].Until) {
				return nil, fmt.Errorf("%w: the spans of %q must be sorted, none within another", ErrRange, s.Name)
			}
		}
		for _, u := range s.Uses {
			if u < 0 || u >= Most {
				return nil, fmt.Errorf("%w: things of %q are numbered from 0 to %d", ErrRange, s.Name, Most-1)
			}
		}
	}
	return sorted(links, func(i int) string { return p.Steps[i].Name })
}

// Check says what is wrong with a plan, wrapping ErrFit, or nil when it keeps
// everything that the problem asks for. It looks at the definitions only, not at how a plan is
// made.
func (p Problem) Check(plan Plan) error {
	if len(plan.Steps) != len(p.Steps) {
		return fmt.Errorf("%w: the plan has %d steps, the problem %d", ErrFit, len(plan.Steps), len(p.Steps))
	}
	wrong := func(i int, format string, a ...any) error {
		return fmt.Errorf("%w: %q %s", ErrFit, p.Steps[i].Name, fmt.Sprintf(format, a...))
	}
	finish := p.From
	for i, s := range p.Steps {
		at := plan.Steps[i]
		finish = max(finish, at.Finish)
		switch {
		case at.Start < p.From || at.Start < s.NotBefore:
			return wrong(i, "begins too early")
		case at.Finish > p.Until:
			return wrong(i, "ends too late")
		case at.Finish != at.Worked+s.Wait:
			return wrong(i, "waits another time than it should")
		case s.Work == 0 && at.Worked != at.Start:
			return wrong(i, "works though it has no work")
		}
		if s.Work > 0 {
			var free int64
			within := false
			for _, f := range p.Free {
				free += max(0, min(f.Until, at.Worked)-max(f.From, at.Start))
				within = within || f.From <= at.Start && at.Worked <= f.Until
			}
			whole := slices.ContainsFunc(p.Free, func(f Span) bool { return f.From <= at.Start && at.Start < f.Until }) &&
				slices.ContainsFunc(p.Free, func(f Span) bool { return f.From < at.Worked && at.Worked <= f.Until })
			if free != s.Work || !whole || !s.Split && !within {
				return wrong(i, "works outside the free spans, or another time than it should")
			}
		}
		for _, l := range s.After {
			if at.Start < plan.Steps[l.Of].Finish+l.Lag {
				return wrong(i, "begins before what it comes after, %q", p.Steps[l.Of].Name)
			}
		}
		kept := s.kept(at)
		if s.Within != nil && !slices.ContainsFunc(s.Within, func(w Span) bool { return w.From <= kept.From && kept.Until <= w.Until }) {
			return wrong(i, "lies outside its spans")
		}
		for j := range i {
			other := plan.Steps[j]
			if s.Work > 0 && p.Steps[j].Work > 0 && at.Start < other.Worked && other.Start < at.Worked {
				return wrong(i, "needs the hands that %q has", p.Steps[j].Name)
			}
			theirs := p.Steps[j].kept(other)
			if kept.From < theirs.Until && theirs.From < kept.Until && slices.ContainsFunc(s.Uses, func(u int) bool { return slices.Contains(p.Steps[j].Uses, u) }) {
				return wrong(i, "needs a thing that %q has", p.Steps[j].Name)
			}
		}
	}
	if plan.Finish != finish || plan.Overstay != p.overstay(plan.Steps) {
		return fmt.Errorf("%w: the finish or what overstays is told wrongly", ErrFit)
	}
	return nil
}

// kept is for how long s keeps its things, placed at at.
func (s Step) kept(at Placed) Span {
	if s.Through {
		return Span{at.Start, at.Finish}
	}
	return Span{at.Start, at.Worked}
}

func (p Problem) overstay(at []Placed) int64 {
	late := make([]int64, len(p.Steps))
	for i, s := range p.Steps {
		for _, l := range s.After {
			if before := p.Steps[l.Of]; before.Most > 0 {
				late[l.Of] = max(late[l.Of], at[i].Start-at[l.Of].Worked-before.Most)
			}
		}
	}
	var sum int64
	for _, v := range late {
		sum += v
	}
	return sum
}
