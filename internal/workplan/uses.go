package workplan

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/opening"
)

// uses are the stretches for which steps borrow tools, model by model. Steps that
// follow each other closely share one, as long as the tool can be had all the time.
func (x *supplies) uses(n *network, steps []Step, place *opening.Place) []Use {
	days := map[string]int{} // how long a model is wanted, by step and model
	for _, s := range x.w.Steps {
		for _, t := range x.w.Of(s).Tools {
			if code := x.model(s, t); code != "" {
				days[x.w.Ref(s)+" "+code] = max(days[x.w.Ref(s)+" "+code], t.Days)
			}
		}
	}
	byModel := map[string][]Use{}
	order := slices.Clone(steps)
	slices.SortStableFunc(order, func(a, b Step) int { return a.BeginsAt.Compare(b.BeginsAt) })
	for _, s := range order {
		for _, code := range s.Tools {
			needed := Period{s.BeginsAt, s.WorkedAt}
			list := byModel[code]
			if k := len(list) - 1; k >= 0 {
				last := &list[k]
				joined := Period{last.Needed.From, later(last.Needed.Until, needed.Until)}
				if gap := needed.From.Sub(last.Needed.Until); (gap <= together || !needed.From.After(last.Period.Until)) && x.holds(code, joined) != nil {
					last.Needed, last.Steps = joined, append(last.Steps, s.Ref)
					last.Period = reserved(joined, x.holds(code, joined), max(1, days[s.Ref+" "+code]), place)
					continue
				}
			}
			if w := x.holds(code, needed); w != nil {
				byModel[code] = append(list, Use{Model: code, Steps: []string{s.Ref}, Needed: needed, Period: reserved(needed, w, max(1, days[s.Ref+" "+code]), place)})
			}
		}
	}
	var out []Use
	for _, list := range byModel {
		for i := range list {
			if k := list[i].servedBy(x.booked); k >= 0 { // and is kept as it is
				list[i].Period = Period{x.booked[k].BeginsAt.UTC(), x.booked[k].EndsAt.UTC()}
			}
		}
		for i := range list[:len(list)-1] {
			x.giveWay(&list[i], list[i+1], days, place)
		}
		out = append(out, list...)
	}
	slices.SortFunc(out, func(a, b Use) int {
		return cmp.Or(a.Needed.From.Compare(b.Needed.From), cmp.Compare(a.Model, b.Model))
	})
	return out
}

// giveWay ends a use's period so that its tool is clean before the next one's begins: the longer
// wish gives way.
func (x *supplies) giveWay(u *Use, next Use, days map[string]int, place *opening.Place) {
	pause := x.turnaround
	for _, m := range x.models {
		if m.Code == u.Model && m.Pause != nil {
			pause = time.Duration(*m.Pause) * time.Hour
		}
	}
	limit := next.Period.From.Add(-pause)
	if !u.Period.Until.After(limit) || u.servedBy(x.booked) >= 0 {
		return
	}
	most := 1
	for _, ref := range u.Steps {
		most = max(most, days[ref+" "+u.Model])
	}
	if w := x.holds(u.Model, u.Needed); w != nil {
		u.Period = reserved(u.Needed, &Period{w.From, earlier(w.Until, later(limit, u.Needed.Until))}, most, place)
	}
}

// servedBy is the place of the booking that serves u as it is; -1 when none does.
func (u Use) servedBy(booked []Booked) int {
	return slices.IndexFunc(booked, func(k Booked) bool {
		return k.Model == u.Model && k.EndangeredAt == nil && !k.BeginsAt.After(u.Needed.From) && !k.EndsAt.Before(u.Needed.Until)
	})
}

// together is how much time may lie between two steps that share one reservation.
const together = 36 * time.Hour

// holds is the stretch of a model that holds p; nil when none does.
func (x *supplies) holds(code string, p Period) *Period {
	for _, w := range x.free[code] {
		if !w.From.After(p.From) && !w.Until.Before(p.Until) {
			return &w
		}
	}
	return nil
}

// reserved is what is asked for so that a tool is there while it is needed: from the
// opening before until it is taken back again after so many days, within the
// stretch in which it can be had.
func reserved(needed Period, within *Period, days int, place *opening.Place) Period {
	out := Period{within.From, within.Until}
	if place == nil {
		return out
	}
	if place.IsOpen(needed.From) {
		out.From = needed.From
	} else {
		for _, s := range place.Within(needed.From.AddDate(0, 0, -14), needed.From) {
			if !s.From.After(needed.From) && s.From.After(out.From) {
				out.From = s.From
			}
		}
	}
	for _, wish := range []time.Time{needed.From.AddDate(0, 0, days), needed.Until} {
		if until, ok := place.NextReturn(later(wish, needed.Until)); ok && !until.After(within.Until) {
			out.Until = until
			break
		}
	}
	return out
}

// States of a Line.
const (
	ToMake    = "to_make"
	Kept      = "kept"
	ToMove    = "to_move"
	NotNeeded = "not_needed"
)

// Line is a use of a plan held against what was reserved for the repair, or a
// reserved line that no use needs.
type Line struct {
	State       string     `json:"state"`
	Model       string     `json:"tool_model"`
	Steps       []string   `json:"steps"`
	Needed      *Period    `json:"needed,omitempty"`
	Period      *Period    `json:"period,omitempty"` // that should be reserved
	Reservation *uuid.UUID `json:"reservation_id,omitempty"`
	Number      *int       `json:"line,omitempty"`
	Tool        string     `json:"tool_number,omitempty"`
	Reserved    *Period    `json:"reserved,omitempty"`
	Text        string     `json:"text"`
}

// Lines holds the uses of a plan against what is reserved for its repair. Every
// reserved line is told, once: none is ever lost from sight.
func Lines(c Content, booked []Booked) []Line {
	zone, err := time.LoadLocation(c.TimeZone)
	if err != nil {
		zone = time.UTC
	}
	show := func(p Period) string {
		return p.From.In(zone).Format("Mon 2 Jan 15:04") + " to " + p.Until.In(zone).Format("Mon 2 Jan 15:04")
	}
	taken := make([]bool, len(booked))
	serves := make([]int, len(c.Uses))
	for i, u := range c.Uses {
		serves[i] = u.servedBy(booked)
		if serves[i] >= 0 {
			taken[serves[i]] = true // of several uses, where it holds them all
		}
	}
	out := []Line{} // in an answer a list, also where nothing is needed
	with := func(l Line, k Booked) Line {
		l.Reservation, l.Number, l.Tool, l.Reserved = &k.ReservationID, &k.Line, k.ToolNumber, &Period{k.BeginsAt.UTC(), k.EndsAt.UTC()}
		return l
	}
	for i, u := range c.Uses {
		l := Line{State: ToMake, Model: u.Model, Steps: u.Steps, Needed: &u.Needed, Period: &u.Period}
		if k := serves[i]; k >= 0 {
			l.State, l.Period = Kept, nil
			l = with(l, booked[k])
			l.Text = fmt.Sprintf("%s is reserved %s, which still fits.", booked[k].ToolNumber, show(*l.Reserved))
			out = append(out, l)
			continue
		}
		for k, b := range booked {
			if !taken[k] && b.Model == u.Model && b.State == "reserved" {
				taken[k] = true
				l.State = ToMove
				l = with(l, b)
				l.Text = fmt.Sprintf("%s is reserved %s, and would be needed %s. Reserve the plan's tools with `move`, and it is moved.", b.ToolNumber, show(*l.Reserved), show(u.Period))
				break
			}
		}
		if l.State == ToMake {
			l.Text = fmt.Sprintf("A tool of the model %s is to be reserved %s.", u.Model, show(u.Period))
		}
		out = append(out, l)
	}
	for k, b := range booked {
		if !taken[k] {
			l := with(Line{State: NotNeeded, Model: b.Model, Steps: []string{}}, b)
			l.Text = fmt.Sprintf("%s is reserved %s, and no step of this plan needs it then. It stays reserved; name it in `give_up` if nothing else needs it.", b.ToolNumber, show(*l.Reserved))
			if b.State == "out" {
				l.Text = fmt.Sprintf("%s is out until %s, and no step of this plan needs it meanwhile.", b.ToolNumber, b.EndsAt.In(zone).Format("Mon 2 Jan 15:04"))
			}
			out = append(out, l)
		}
	}
	return out
}
