package workplan

import (
	"context"
	"fmt"

	"pinwright/internal/lending"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/repair"
)

// Reserving is a plan whose tools are to be reserved; it is there once the batch was
// sent.
type Reserving struct {
	work   *repair.Asked
	newest Plans
	plan   Plans
	booked *postgres.Rows[Booked]
}

// Reserved is what is reserved for a plan.
type Reserved struct {
	Plan  Plan
	Made  *lending.Reservation // nil where there was nothing left to reserve
	Lines []Line
}

// LockToReserve looks up a plan with its repair locked, so that its tools are reserved
// once.
func LockToReserve(b *postgres.Batch, name, plan string) *Reserving {
	return &Reserving{work: repair.Lock(b, name), newest: Newest(b, name), plan: Find(b, name, plan), booked: FindBooked(b, name)}
}

// Reserve books all tools that the plan needs and that are not reserved for it, in one
// reservation or none. In the middle of the write it locks the tools; so the repair's row
// is always locked before them.
func (r *Reserving) Reserve(ctx context.Context, tx *postgres.Tx, who lending.Borrower, by lending.Booker) (Reserved, error) {
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
	switch {
	case w.State != repair.Open:
		return out, problem.New(problem.NotAllowedNow, "%s is %s; it needs no tools any more.", w.Label(), w.State)
	case newest.ID != out.Plan.ID:
		return out, problem.New(problem.NotAllowedNow, "Plan %d of %s is the newest; reserve that one's tools.", newest.Number, w.Label())
	}
	c := out.Plan.Content
	out.Lines = Lines(c, r.booked.Items)
	wish := lending.Wish{Now: tx.Now, Garage: c.Garage, Purpose: fmt.Sprintf("%s, plan %d", w.Label(), out.Plan.Number), Recommendation: w.RecommendationID}
	for _, l := range out.Lines {
		if l.State == ToMake {
			wish.Lines = append(wish.Lines, lending.Line{Model: l.Model, When: lending.When{Period: &lending.Period{From: l.Period.From, Until: l.Period.Until}}})
		}
	}
	if len(wish.Lines) == 0 {
		return out, nil
	}
	var order *lending.Order
	if err := tx.Send(ctx, func(b *postgres.Batch) { order = lending.Lock(b, who, wish) }); err != nil {
		return out, err
	}
	made, err := order.Book(ctx, tx, by)
	if err != nil {
		return out, err
	}
	Link(tx, out.Plan.ID, made.ID)
	for _, b := range made.Lines {
		r.booked.Items = append(r.booked.Items, Booked{ReservationID: made.ID, Line: b.Line, Model: b.ToolModel, ToolNumber: b.ToolNumber, State: b.State, BeginsAt: b.Period.From, EndsAt: b.Period.Until})
	}
	out.Made, out.Lines = &made, Lines(c, r.booked.Items)
	return out, nil
}

// Summary tells what is reserved and what is not.
func (r Reserved) Summary() string {
	count := map[string]int{}
	for _, l := range r.Lines {
		count[l.State]++
	}
	text := "There was nothing to reserve"
	if r.Made != nil {
		text = fmt.Sprintf("%d tools were reserved, all in one reservation", len(r.Made.Lines))
		if len(r.Made.Lines) == 1 {
			text = "1 tool was reserved"
		}
	}
	if n := count[ToMove]; n > 0 {
		text += fmt.Sprintf("; %d are reserved for another time than the plan needs, and were left alone", n)
	}
	if n := count[NotNeeded]; n > 0 {
		text += fmt.Sprintf("; %d are needed by no step, and were left alone", n)
	}
	return text + "."
}
