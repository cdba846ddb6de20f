package criticalpath

import "sort"

// frame is a problem seen in one direction of time. Seen backward, times have the
// other sign, what came after comes before, and the wait lies in front of the work.
type frame struct {
	steps  []seen
	free   []Span
	things int
	back   bool
}

type seen struct {
	work, front, behind int64 // the wait in front of the work, and behind it
	most                int64
	split, through      bool
	lower, upper        int64 // of the start of the front, of the end of what is behind
	within              []Span
	uses                []int
	before, after       []Link
}

func (p Problem) forward() *frame {
	f := &frame{free: p.Free, steps: make([]seen, len(p.Steps))}
	for i, s := range p.Steps {
		f.steps[i] = seen{work: s.Work, behind: s.Wait, most: s.Most, split: s.Split, through: s.Through,
			lower: max(p.From, s.NotBefore), upper: p.Until, within: s.Within, uses: s.Uses, before: s.After}
		for _, u := range s.Uses {
			f.things = max(f.things, u+1)
		}
	}
	for i, s := range p.Steps {
		for _, l := range s.After {
			f.steps[l.Of].after = append(f.steps[l.Of].after, Link{i, l.Lag})
		}
	}
	return f
}

// mirrored is f seen from by backward.
func (f *frame) mirrored(by int64) *frame {
	turned := func(list []Span) []Span {
		if list == nil {
			return nil
		}
		out := make([]Span, len(list))
		for i, s := range list {
			out[len(list)-1-i] = Span{-s.Until, -s.From}
		}
		return out
	}
	m := &frame{free: turned(f.free), things: f.things, back: !f.back, steps: make([]seen, len(f.steps))}
	for i, s := range f.steps {
		m.steps[i] = seen{work: s.work, front: s.behind, behind: s.front, split: s.split, through: s.through,
			lower: -min(by, s.upper), upper: -s.lower, within: turned(s.within), uses: s.uses, before: s.after, after: s.before}
	}
	return m
}

// taking is a span that a step has taken up.
type taking struct {
	Span
	step int
}

// layout is a frame with some steps placed.
type layout struct {
	*frame
	at    []place
	hands []taking // sorted, apart from each other
	used  [][]taking
}

// place is where the work of a step lies.
type place struct {
	start, worked int64
	placed        bool
}

func (f *frame) empty() *layout {
	return &layout{frame: f, at: make([]place, len(f.steps)), used: make([][]taking, f.things), hands: make([]taking, 0, len(f.steps))}
}

func (l *layout) end(i int) int64 { return l.at[i].worked + l.steps[i].behind }

// ready is when step i may begin: behind its bound and its predecessors.
func (l *layout) ready(i int) int64 {
	t := l.steps[i].lower
	for _, b := range l.steps[i].before {
		t = max(t, l.end(b.Of)+b.Lag)
	}
	return t
}

func (l *layout) put(i int, start, worked int64) {
	s := &l.steps[i]
	l.at[i] = place{start, worked, true}
	if s.work > 0 {
		k := sort.Search(len(l.hands), func(k int) bool { return l.hands[k].From >= start })
		l.hands = append(l.hands, taking{})
		copy(l.hands[k+1:], l.hands[k:])
		l.hands[k] = taking{Span{start, worked}, i}
	}
	for _, u := range s.uses {
		l.used[u] = append(l.used[u], taking{l.keeps(i, start, worked), i})
	}
}

func (l *layout) keeps(i int, start, worked int64) Span {
	if s := &l.steps[i]; s.through {
		return Span{start - s.front, worked + s.behind}
	}
	return Span{start, worked}
}

// fits returns the earliest start of step i's work, not before t, at which it lies in
// free spans, and the end of the work.
func (l *layout) fits(i int, t int64) (start, worked int64, ok bool) {
	s := &l.steps[i]
	if s.work == 0 {
		return t, t, true
	}
	k := sort.Search(len(l.free), func(k int) bool { return l.free[k].Until > t })
	if !s.split {
		for ; k < len(l.free); k++ {
			if from := max(t, l.free[k].From); l.free[k].Until-from >= s.work {
				return from, from + s.work, true
			}
		}
		return 0, 0, false
	}
	if k == len(l.free) {
		return 0, 0, false
	}
	start = max(t, l.free[k].From)
	left := s.work
	for from := start; ; from = l.free[k].From {
		if room := l.free[k].Until - from; room >= left {
			return start, from + left, true
		} else {
			left -= room
		}
		if k++; k == len(l.free) {
			return 0, 0, false
		}
	}
}

// earliest returns the first moment, not before t, at which the work of step i can
// begin among what is placed. Each rule in turn says from when on it would be
// kept, and the moment moves until all agree; since none skips a moment at which
// it is kept, the first such moment is found. tell hears of every move; look asks that what must
// follow soon finds room.
func (l *layout) earliest(i int, t int64, look bool, tell func(kind Kind, step int, until int64)) (start, worked int64, ok bool) {
	s := &l.steps[i]
	for {
		if start, worked, ok = l.fits(i, t); !ok {
			return 0, 0, false
		}
		if start > t {
			tell(FreeHours, -1, start)
		}
		t = start
		if s.work > 0 {
			busy := false
			// Work takes at least its own time, so gaps that are shorter are passed by at once.
			for k := sort.Search(len(l.hands), func(k int) bool { return l.hands[k].Until > start }); k < len(l.hands) && l.hands[k].From < max(worked, t+s.work); k++ {
				if l.hands[k].step == i {
					continue
				}
				t, worked, busy = l.hands[k].Until, l.hands[k].Until, true
				tell(Hands, l.hands[k].step, t)
			}
			if busy {
				continue
			}
		}
		kept := l.keeps(i, start, worked)
		lead := start - kept.From
		if s.within != nil {
			k := sort.Search(len(s.within), func(k int) bool { return s.within[k].Until >= kept.Until })
			if k == len(s.within) {
				return 0, 0, false
			}
			if s.within[k].From > kept.From {
				t = s.within[k].From + lead
				tell(Tools, -1, t)
				continue
			}
		}
		if other, until := l.taken(i, kept); other >= 0 {
			t = until + lead
			tell(Things, other, t)
			continue
		}
		if look && s.most > 0 {
			if later := l.tooSoon(i, start, worked); later > start {
				t = later
				continue
			}
		}
		return start, worked, worked+s.behind <= s.upper
	}
}

// taken returns the step that has a thing of step i within kept, and until when.
func (l *layout) taken(i int, kept Span) (step int, until int64) {
	step = -1
	for _, u := range l.steps[i].uses {
		for _, o := range l.used[u] {
			if o.step != i && o.From < kept.Until && kept.From < o.Until && (step < 0 || o.Until > until) {
				step, until = o.step, o.Until
			}
		}
	}
	return step, until
}

// tooSoon returns a later moment, before which whatever follows the wait of step i
// would find no room before the wait overstays; or start when it is well.
func (l *layout) tooSoon(i int, start, worked int64) int64 {
	s := &l.steps[i]
	for _, next := range s.after {
		if l.at[next.Of].placed {
			continue
		}
		soon := max(s.most, s.behind+next.Lag) // a longer lag overstays whenever it begins
		from, _, ok := l.earliest(next.Of, max(l.steps[next.Of].lower, worked+s.behind+next.Lag), false, nobody)
		if ok && from > worked+soon {
			return max(start+1, l.workedBy(i, from-soon))
		}
	}
	return start
}

// workedBy is a start of step i's work not behind the earliest at which it is done
// at t or later.
func (l *layout) workedBy(i int, t int64) int64 {
	s := &l.steps[i]
	if !s.split {
		return t - s.work
	}
	left := s.work
	for k := sort.Search(len(l.free), func(k int) bool { return l.free[k].From >= t }) - 1; k >= 0; k-- {
		until := min(t, l.free[k].Until)
		if room := until - l.free[k].From; room >= left {
			return until - left
		} else {
			left -= room
		}
	}
	return t - s.work
}
