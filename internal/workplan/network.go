package workplan

import (
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/calc/criticalpath"
	"pinwright/internal/procedure"
	"pinwright/internal/repair"
)

// delivery is the ref and phase of the step that waits for parts.
const delivery = "delivery"

// network is what is still to be done of a repair, as criticalpath takes it. Its times
// count minutes from zero.
type network struct {
	zero    time.Time
	problem criticalpath.Problem
	steps   []Step // as far as they are known before they are placed
	places  map[string]int
}

// at is a moment of the network as a time.
func (n *network) at(minute int64) time.Time { return n.zero.Add(time.Duration(minute) * time.Minute) }

// floor and ceil are the whole minutes before and after a time.
func (n *network) floor(t time.Time) int64 {
	d := t.Sub(n.zero)
	minute := int64(d / time.Minute)
	if d < 0 && d%time.Minute != 0 {
		minute--
	}
	return minute
}

func (n *network) ceil(t time.Time) int64 {
	minute := n.floor(t)
	if n.at(minute).Before(t) {
		minute++
	}
	return minute
}

// arrival is when parts are there.
type arrival struct {
	days  int        // after they are ordered
	due   *time.Time // some are ordered, and are expected then
	whole bool       // all that is needed was ordered: nothing more is to be waited for
	notes []Note
}

// build makes the network of w's open steps. within are the stretches in which a
// step's tools can be had, nil for one that borrows nothing.
func build(w *repair.Work, ask Ask, ordering string, from time.Time, free []Period, zero time.Time, came arrival, tools func(repair.Step) []string, within func(models []string) []Period) *network {
	n := &network{zero: zero, places: map[string]int{}}
	n.problem.From = n.ceil(from)
	var longest int64
	for _, f := range free {
		span := criticalpath.Span{From: n.ceil(f.From), Until: n.floor(f.Until)}
		if span.From < span.Until {
			n.problem.Free = append(n.problem.Free, span)
			n.problem.Until = span.Until
			if span.Until > n.problem.From {
				longest = max(longest, span.Until-max(span.From, n.problem.From))
			}
		}
	}
	n.problem.Until += int64(outlook / time.Minute) // waits may run on behind the last free hour
	chosen := planned(w, ask)
	place := map[uuid.UUID]int{}
	var parts, orders []int
	for _, s := range w.Steps {
		of := w.Of(s)
		if s.IsClosed() || !chosen(s) || of.Phase == procedure.Order && ordering == AtHand && s.State == repair.StepOpen {
			continue
		}
		i := len(n.steps)
		place[s.ID] = i
		step := Step{Ref: w.Ref(s), Name: of.Name, Phase: string(of.Phase), StepID: &s.ID, State: s.State, Minutes: of.Minutes, ClosedBy: of.ClosedBy}
		if s.JointID != nil {
			step.Position = w.Position(*s.JointID)
		}
		one := criticalpath.Step{Name: step.Ref, Work: int64(of.Minutes), NotBefore: n.problem.From}
		n.waits(w, s, of, &one)
		if s.State == repair.StepOpen {
			if step.Tools = tools(s); len(step.Tools) > 0 {
				one.Within = n.spans(within(step.Tools))
			}
		}
		one.Split = one.Work > longest
		n.steps, n.problem.Steps = append(n.steps, step), append(n.problem.Steps, one)
		n.places[step.Ref] = i
		switch {
		case of.Phase == procedure.Order && s.State == repair.StepOpen:
			orders = append(orders, i)
		case of.Parts:
			parts = append(parts, i)
		}
	}
	for _, s := range w.Steps {
		i, open := place[s.ID]
		if !open || s.State != repair.StepOpen || ordering == Before && slices.Contains(orders, i) {
			continue
		}
		for _, b := range w.Before(s) {
			if j, open := place[b.ID]; open {
				n.problem.Steps[i].After = append(n.problem.Steps[i].After, criticalpath.Link{Of: j})
			}
		}
	}
	n.deliver(ordering, parts, orders, came)
	return n
}

// planned tells which steps are done by what was decided for their joints, or is
// assumed.
func planned(w *repair.Work, ask Ask) func(repair.Step) bool {
	return func(s repair.Step) bool {
		only := w.Of(s).OnlyIf
		if len(only) == 0 || s.JointID == nil || s.State != repair.StepOpen {
			return true
		}
		if w.Chosen[*s.JointID].Option != "" {
			return w.Wants(s)
		}
		return slices.Contains(only, ask.Assume)
	}
}

// waits sets what passes by itself behind a step, counted from its beginning, and for
// one that was begun what is left of it.
func (n *network) waits(w *repair.Work, s repair.Step, of procedure.Step, one *criticalpath.Step) {
	var wait, most int64 // from the beginning
	if of.Wait != nil {
		wait = int64(of.Wait.Minutes)
		if of.Wait.MostMinutes != nil {
			most = int64(*of.Wait.MostMinutes)
		}
	}
	every := int64(0)
	if of.Repeat != nil {
		every = int64(of.Repeat.EveryHours) * 60
	}
	if s.State == repair.StepOpen {
		later := every * int64(of.Rounds()-1)
		one.Wait = max(0, later+wait-one.Work)
		if most > 0 {
			one.Most = max(one.Wait, later+most-one.Work, 1)
		}
		return
	}
	left := int64(of.Rounds() - s.RoundsDone)
	if timer := w.TimerOf(s); timer != nil {
		due := n.ceil(timer.DueAt) - n.problem.From
		if timer.Kind == repair.Repeat { // the next round is due then
			one.Wait = max(0, due) + every*max(0, left-1) + wait
		} else {
			one.Wait = max(0, due) + every*left
		}
		if timer.MostAt != nil {
			one.Most = max(one.Wait, n.floor(*timer.MostAt)-n.problem.From, 1)
		}
	}
	if s.BeganAt != nil && s.State == repair.Running {
		one.Work = max(0, one.Work-max(0, n.problem.From-n.floor(*s.BeganAt)))
	} else {
		one.Work = 0
	}
	one.Wait = max(0, one.Wait-one.Work)
	if one.Most > 0 {
		one.Most = max(one.Wait, one.Most-one.Work, 1)
	}
}

// deliver puts the delivery between what orders and what needs parts.
func (n *network) deliver(ordering string, parts, orders []int, came arrival) {
	if len(parts) == 0 || came.due == nil && (ordering == AtHand || came.whole) {
		return
	}
	i := len(n.steps)
	step := Step{Ref: delivery, Name: "Delivery of parts", Phase: delivery, State: repair.StepOpen}
	one := criticalpath.Step{Name: delivery, NotBefore: n.problem.From}
	switch {
	case came.due != nil && (len(orders) == 0 || ordering != After || came.whole): // else more is ordered after measuring
		one.NotBefore = max(n.problem.From, n.ceil(*came.due))
		step.Name = "Delivery of what was ordered"
	case len(orders) == 0: // it was ordered, and nothing of it is missing
		return
	default:
		one.Wait = int64(came.days) * 24 * 60
		for _, o := range orders {
			one.After = append(one.After, criticalpath.Link{Of: o})
		}
	}
	n.steps, n.problem.Steps = append(n.steps, step), append(n.problem.Steps, one)
	n.places[delivery] = i
	for _, p := range parts {
		n.problem.Steps[p].After = append(n.problem.Steps[p].After, criticalpath.Link{Of: i})
	}
}

// spans are periods as the network counts; one that lies within another is left out.
func (n *network) spans(list []Period) []criticalpath.Span {
	out := []criticalpath.Span{}
	for _, p := range list {
		s := criticalpath.Span{From: n.ceil(p.From), Until: n.floor(p.Until)}
		if s.From < s.Until {
			out = append(out, s)
		}
	}
	return unnested(out, func(s criticalpath.Span) (int64, int64) { return s.From, s.Until })
}

// unnested sorts spans and leaves out those that lie within another.
func unnested[S any](list []S, ends func(S) (from, until int64)) []S {
	slices.SortStableFunc(list, func(a, b S) int {
		af, au := ends(a)
		bf, bu := ends(b)
		switch {
		case af < bf || af == bf && au > bu:
			return -1
		case af == bf && au == bu:
			return 0
		}
		return 1
	})
	out := list[:0]
	for _, s := range list {
		if n := len(out); n > 0 {
			_, last := ends(out[n-1])
			if _, until := ends(s); until <= last {
				continue
			}
		}
		out = append(out, s)
	}
	return out
}

// common are the stretches in which two lists of stretches agree: a pair's overlap.
func common(a, b []Period) []Period {
	var out []Period
	for _, x := range a {
		for _, y := range b {
			p := Period{later(x.From, y.From), earlier(x.Until, y.Until)}
			if p.From.Before(p.Until) {
				out = append(out, p)
			}
		}
	}
	return unnested(out, func(p Period) (int64, int64) { return p.From.UnixMicro(), p.Until.UnixMicro() })
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

func earlier(a, b time.Time) time.Time {
	if b.Before(a) {
		return b
	}
	return a
}

// inDays spells minutes as days or hours.
func inDays(minutes int64) string {
	switch {
	case minutes >= 2*24*60:
		return fmt.Sprintf("%.1f days", float64(minutes)/(24*60))
	case minutes >= 120:
		return fmt.Sprintf("%.1f hours", float64(minutes)/60)
	}
	return fmt.Sprintf("%d minutes", minutes)
}
