package workplan

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/google/uuid"

	"pinwright/internal/lending"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/repair"
)

// Reserving is a plan whose tools are to be reserved; it is there once the batch was
// sent.
type Reserving struct {
	name   string
	work   *repair.Asked
	newest Plans
	plan   Plans
	booked *postgres.Rows[Booked]
}

// Wanted is what is done beside reserving what is not reserved yet.
type Wanted struct {
	Move   bool         // what is reserved for another time
	GiveUp []BookedLine // of what no step needs
	Digest string       // of what was reserved when it was looked at; empty: whatever is
}

// BookedLine is one reserved line.
type BookedLine struct {
	Reservation uuid.UUID
	Line        int
}

// Reserved is what is reserved for a plan.
type Reserved struct {
	Plan    Plan
	Made    *lending.Reservation  // nil where there was nothing left to reserve
	Changed []lending.Reservation // of which lines were moved or given up
	Lines   []Line
	Digest  string
	moved   int
	gone    int
}

// LockToReserve looks up a plan with its repair locked, so that its tools are reserved
// once.
func LockToReserve(b *postgres.Batch, name, plan string) *Reserving {
	return &Reserving{name: name, work: repair.Lock(b, name), newest: Newest(b, name), plan: Find(b, name, plan), booked: FindBooked(b, name)}
}

// Digest stands for what is reserved for a repair: it differs whenever that does.
func Digest(booked []Booked) string {
	h := sha256.New()
	for _, k := range booked {
		endangered := int64(0)
		if k.EndangeredAt != nil {
			endangered = k.EndangeredAt.UnixMicro()
		}
		fmt.Fprintln(h, k.ReservationID, k.Line, k.ToolNumber, k.State, k.BeginsAt.UnixMicro(), k.EndsAt.UnixMicro(), endangered)
	}
	sum := h.Sum(nil)
	return hex.EncodeToString(sum[:8])
}

// Reserve books all tools that the plan needs and that are not reserved for it, in one
// reservation, and does what else is wanted: all of it, or none. In the middle of the write it
// locks the tools; so the repair's row is always locked before them.
func (r *Reserving) Reserve(ctx context.Context, tx *postgres.Tx, who lending.Borrower, by lending.Booker, want Wanted) (Reserved, error) {
	w, err := r.work.Work()
	if err != nil {
		return Reserved{}, err
	}
	out := Reserved{}
	if out.Plan, err = r.plan.One(); err != nil {
		return out, err
	}
	newest, err := r.newest.One()
	if err != nil {
		return out, err
	}
	out.Digest = Digest(r.booked.Items)
	switch {
	case w.State != repair.Open:
		return out, problem.New(problem.NotAllowedNow, "%s is %s; it needs no tools any more.", w.Label(), w.State)
	case newest.ID != out.Plan.ID:
		return out, problem.New(problem.NotAllowedNow, "Plan %d of %s is the newest; reserve that one's tools.", newest.Number, w.Label())
	case want.Digest != "" && want.Digest != out.Digest:
		return out, r.changed(w)
	}
	c := out.Plan.Content
	out.Lines = Lines(c, r.booked.Items)
	ask, lines, err := r.rearranging(tx, w, out, want)
	if err != nil || len(lines)+len(ask.GiveUp) == 0 {
		return out, err
	}
	var locked *lending.Rearrangement
	var again *postgres.Rows[Booked]
	err = tx.Send(ctx, func(b *postgres.Batch) {
		locked = lending.LockToRearrange(b, who, ask)
		again = FindBooked(b, r.name)
	})
	if err != nil {
		return out, err
	}
	if Digest(again.Items) != out.Digest {
		return out, r.changed(w)
	}
	refuse := by.Refuse
	by.Refuse = func(f lending.Refusal) *problem.Error { // told by the plan's lines
		for i := range f.Taken {
			f.Taken[i].Line = lines[f.Taken[i].Line]
		}
		for i := range f.Unlendable {
			f.Unlendable[i].Line = lines[f.Unlendable[i].Line]
		}
		return refuse(f)
	}
	done, err := locked.Do(ctx, tx, by)
	if err != nil {
		return out, r.outdated(w, err)
	}
	out.Made, out.Changed, out.moved, out.gone = done.Made, done.Changed, len(ask.Moves), len(ask.GiveUp)
	if done.Made != nil {
		Link(tx, out.Plan.ID, done.Made.ID)
	}
	after := after(r.booked.Items, done)
	out.Lines, out.Digest = Lines(c, after), Digest(after)
	return out, nil
}

// rearranging is what is asked of the lending for the lines of out, and which of them each
// line of a refusal is.
func (r *Reserving) rearranging(tx *postgres.Tx, w *repair.Work, out Reserved, want Wanted) (lending.Rearranging, []int, error) {
	ask := lending.Rearranging{New: lending.Wish{Now: tx.Now, Garage: out.Plan.Content.Garage, Purpose: fmt.Sprintf("%s, plan %d", w.Label(), out.Plan.Number), Recommendation: w.RecommendationID}}
	var faults []problem.Fault
	for i, g := range want.GiveUp {
		at := slices.IndexFunc(out.Lines, func(l Line) bool {
			return l.Reservation != nil && *l.Reservation == g.Reservation && *l.Number == g.Line
		})
		pointer := fmt.Sprintf("/give_up/%d", i)
		switch {
		case at < 0:
			faults = append(faults, problem.Fault{Pointer: pointer, Detail: "is no line that is reserved for this repair; GET the plan, whose `reservations` name them"})
		case out.Lines[at].State != NotNeeded:
			faults = append(faults, problem.Fault{Pointer: pointer, Detail: fmt.Sprintf("%s is needed by %s; only lines that are not_needed are given up here", out.Lines[at].Tool, strings.Join(out.Lines[at].Steps, ", "))})
		case slices.Contains(want.GiveUp[:i], g):
			faults = append(faults, problem.Fault{Pointer: pointer, Detail: "is named already; leave it out"})
		default:
			ask.GiveUp = append(ask.GiveUp, lending.LineOf{Reservation: g.Reservation, LineChange: lending.LineChange{Line: g.Line}})
		}
	}
	if len(faults) > 0 {
		return ask, nil, problem.Invalid(faults...)
	}
	var moved, made []int
	for i, l := range out.Lines {
		switch {
		case l.State == ToMove && want.Move:
			moved = append(moved, i)
		case l.State == ToMake:
			made = append(made, i)
			ask.New.Lines = append(ask.New.Lines, lending.Line{Model: l.Model, When: when(l)})
		}
	}
	slices.SortStableFunc(moved, func(x, y int) int { return slices.Compare(out.Lines[x].Reservation[:], out.Lines[y].Reservation[:]) })
	for _, i := range moved {
		l := out.Lines[i]
		ask.Moves = append(ask.Moves, lending.LineOf{Reservation: *l.Reservation, LineChange: lending.LineChange{Line: *l.Number, When: when(l)}})
	}
	return ask, append(moved, made...), nil
}

func when(l Line) lending.When {
	return lending.When{Period: &lending.Period{From: l.Period.From, Until: l.Period.Until}}
}

// changed refuses what was asked on another footing.
func (r *Reserving) changed(w *repair.Work) error {
	return problem.New(problem.NotAllowedNow, "What is reserved for %s was changed by somebody else, so nothing was changed or booked. GET the plan to see how it stands, and send the request again with its digest.", w.Label())
}

// outdated tells faults of times, which are the plan's and not the request's.
func (r *Reserving) outdated(w *repair.Work, err error) error {
	var p *problem.Error
	if !errors.As(err, &p) || len(p.Faults) == 0 {
		return err
	}
	var texts []string
	for _, f := range p.Faults {
		texts = append(texts, f.Detail)
	}
	return problem.New(problem.NotAllowedNow, "The plan's times serve no longer, and nothing was changed or booked: a period %s. Plan %s anew (POST plans with an empty object) and reserve that plan's tools.", strings.Join(texts, "; "), w.Label())
}

// after is what is reserved once done is kept.
func after(booked []Booked, done lending.Rearranged) []Booked {
	out := slices.Clone(booked)
	of := func(r lending.Reservation, b lending.Booking) Booked {
		return Booked{ReservationID: r.ID, Line: b.Line, Model: b.ToolModel, ToolNumber: b.ToolNumber, State: b.State, BeginsAt: b.Period.From, EndsAt: b.Period.Until, EndangeredAt: b.EndangeredAt}
	}
	for _, r := range done.Changed {
		for _, b := range r.Lines {
			i := slices.IndexFunc(out, func(k Booked) bool { return k.ReservationID == r.ID && k.Line == b.Line })
			switch {
			case i < 0:
			case b.State == "reserved" || b.State == "out":
				out[i] = of(r, b)
			default:
				out = slices.Delete(out, i, i+1)
			}
		}
	}
	if done.Made != nil {
		for _, b := range done.Made.Lines {
			out = append(out, of(*done.Made, b))
		}
	}
	slices.SortStableFunc(out, inTime)
	return out
}

// Summary tells what is reserved and what is not.
func (r Reserved) Summary() string {
	count := map[string]int{}
	for _, l := range r.Lines {
		count[l.State]++
	}
	text := "There was nothing to reserve"
	if r.Made != nil {
		text = counted(len(r.Made.Lines), "1 tool was reserved", "%d tools were reserved, all in one reservation")
	}
	for _, told := range []struct {
		n         int
		one, many string
	}{
		{r.moved, "1 reserved before was moved to when it is needed", "%d reserved before were moved to when they are needed"},
		{r.gone, "1 that no step needs was given up", "%d that no step needs were given up"},
		{count[ToMove], "1 is reserved for another time than the plan needs, and was left alone", "%d are reserved for another time than the plan needs, and were left alone"},
		{count[NotNeeded], "1 is needed by no step, and was left alone", "%d are needed by no step, and were left alone"},
	} {
		if told.n > 0 {
			text += "; " + counted(told.n, told.one, told.many)
		}
	}
	return text + "."
}

// counted tells n things.
func counted(n int, one, many string) string {
	if n == 1 {
		return one
	}
	return fmt.Sprintf(many, n)
}
