package workplan

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/lending"
	"pinwright/internal/parts"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/procedure"
	"pinwright/internal/repair"
)

// supplies is which models the steps of a repair borrow, and when those can be had.
type supplies struct {
	w      *repair.Work
	ask    Ask
	models []model
	supply []supply
	took   *parts.Deliveries
	booked []Booked
	notes  []Note
	// turnaround is how long the club cleans what has none of its own.
	turnaround time.Duration
	noted      map[string]bool
	free       map[string][]Period // by model; what was booked for the repair counts as free, since it may be moved
}

func (x *supplies) note(code, about, format string, args ...any) {
	if !x.noted[code+about] {
		x.noted[code+about] = true
		x.notes = append(x.notes, Note{Code: code, Params: map[string]any{"about": about}, Text: fmt.Sprintf(format, args...)})
	}
}

// faults reports choices of tools that cannot be followed.
func (x *supplies) faults() []problem.Fault {
	var faults []problem.Fault
	for i, c := range x.ask.Tools {
		if !slices.ContainsFunc(x.models, func(m model) bool { return m.Code == c.Model && m.Kind == c.Kind }) {
			faults = append(faults, problem.Fault{Pointer: fmt.Sprintf("/tools/%d/tool_model", i),
				Detail: fmt.Sprintf("there is no model “%s” of the kind %s that a step of this repair could take; GET tool-models, or leave it out", c.Model, c.Kind)})
		}
	}
	for i, name := range x.ask.AtHand {
		known := slices.ContainsFunc(x.models, func(m model) bool { return m.Code == name || m.Kind == name })
		for _, s := range x.w.Procedure {
			known = known || slices.ContainsFunc(s.Tools, func(t procedure.Tool) bool { return t.Kind == name || t.Model == name })
		}
		if !known {
			faults = append(faults, problem.Fault{Pointer: fmt.Sprintf("/at_hand/%d", i), Detail: "no step of this repair borrows “" + name + "”; name a kind of tools, such as reamer, or a model's code"})
		}
	}
	return faults
}

// of are the models that s borrows, without those that are at hand.
func (x *supplies) of(s repair.Step) []string {
	var out []string
	for _, t := range x.w.Of(s).Tools {
		code := x.model(s, t)
		if code != "" && !slices.Contains(x.ask.AtHand, code) && !slices.Contains(out, code) {
			out = append(out, code)
		}
	}
	slices.Sort(out)
	return out
}

// model is the code of what a step takes for t; empty when it is at hand, or not lent by
// the club.
func (x *supplies) model(s repair.Step, t procedure.Tool) string {
	if t.Model != "" {
		if !slices.ContainsFunc(x.models, func(m model) bool { return m.Code == t.Model && m.Pieces > 0 }) {
			x.note("not_lent", t.Model, "No tool of the model %s is lent by the club now: have one at hand.", t.Model)
			return ""
		}
		return t.Model
	}
	if slices.Contains(x.ask.AtHand, t.Kind) {
		return ""
	}
	if i := slices.IndexFunc(x.ask.Tools, func(c Choice) bool { return c.Kind == t.Kind }); i >= 0 {
		return x.ask.Tools[i].Model
	}
	kind := spelt(t.Kind)
	var list []model
	for _, m := range x.models {
		if m.Kind == t.Kind && m.Pieces > 0 {
			list = append(list, m)
		}
	}
	if size := x.reamer(s); t.Kind == "reamer" && size != nil {
		for _, m := range list {
			if m.SizeNm != nil && *m.SizeNm == *size {
				return m.Code
			}
		}
		x.note("not_lent", fmt.Sprint("reamer", *size), "No reamer of %.3f mm is lent by the club now, which is what was decided for: have one at hand.", float64(*size)/1e6)
		return ""
	}
	if len(list) == 0 {
		x.note("not_lent", t.Kind, "No %s is lent by the club now: have one at hand.", kind)
		return ""
	}
	best := slices.MinFunc(list, func(a, b model) int { return cmp.Or(cmp.Compare(b.Pieces, a.Pieces), cmp.Compare(a.Code, b.Code)) })
	if len(list) > 1 {
		x.note("assumed_model", t.Kind, "The club has %d models of the kind %s, and %s was taken; name another with `tools`.", len(list), kind, best.Code)
	}
	return best.Code
}

// reamer is the size that was decided for the joint of s, nm.
func (x *supplies) reamer(s repair.Step) *int64 {
	if s.JointID == nil {
		return nil
	}
	chosen := x.w.Chosen[*s.JointID]
	for _, p := range x.supply {
		if p.JointID == *s.JointID && p.Step == chosen.Step {
			return p.ReamerNm
		}
	}
	return nil
}

// most is how many free stretches of a model are looked through.
const most = 200

// least is the shortest stretch for which a tool is borrowed.
const least = 15 * time.Minute

// look asks the database when each model that an open step borrows can be had.
func (x *supplies) look(ctx context.Context, tx *postgres.Tx, from, until time.Time) error {
	found := map[string]*lending.Free{}
	var own []uuid.UUID // may be moved, so they hold nothing up
	for _, k := range x.booked {
		own = append(own, k.ReservationID)
	}
	err := tx.Send(ctx, func(b *postgres.Batch) {
		for _, s := range x.w.Steps {
			if s.State != repair.StepOpen {
				continue
			}
			for _, code := range x.of(s) {
				if found[code] == nil {
					found[code] = lending.CommonFree(b, lending.Need{Models: []string{code}, Garage: x.w.GarageCode, Now: tx.Now, Except: own}, lending.Period{From: from, Until: until}, least, most)
				}
			}
		}
	})
	if err != nil {
		return err
	}
	x.free = map[string][]Period{}
	for code, f := range found {
		list := []Period{}
		for _, p := range f.Periods() {
			list = append(list, Period{p.From.UTC(), p.Until.UTC()})
		}
		for _, k := range x.booked {
			if k.Model == code && k.State == "out" && k.EndangeredAt == nil {
				list = append(list, Period{k.BeginsAt.UTC(), k.EndsAt.UTC()})
			}
		}
		x.free[code] = common(list, []Period{{From: from.Add(-farthest), Until: until.Add(farthest)}})
	}
	return nil
}

// within are the stretches in which all of the models can be had.
func (x *supplies) within(models []string) []Period {
	list := slices.Clone(x.free[models[0]])
	for _, code := range models[1:] {
		list = common(list, x.free[code])
	}
	return list
}

func spelt(code string) string {
	out := []rune(code)
	for i, r := range out {
		if r == '_' {
			out[i] = ' '
		}
	}
	return string(out)
}
