package lending

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Booker is for whom and by which rule an order is booked.
type Booker struct {
	ID         uuid.UUID // of the reservation
	Member     uuid.UUID
	Turnaround time.Duration
	// Refuse makes the problem that a refusal is told as.
	Refuse func(Refusal) *problem.Error
}

// Book books all lines of o, in the transaction whose batch o was queued on, or
// refuses: with faults that the member must mend, or with what Booker.Refuse makes
// of lines that cannot be served. A refusal costs a further round trip, for when
// the tools are free.
func (o *Order) Book(ctx context.Context, tx *postgres.Tx, by Booker) (Reservation, error) {
	if err := o.settle(); err != nil {
		return Reservation{}, err
	}
	form := o.wish.formFaults() // of what was asked, before it is given a period
	found := o.take()
	asks, faults := o.asks(0, by.Turnaround, tx.Now)
	faults = append(form, faults...)
	if o.recommendations != nil && len(o.recommendations.Items) == 0 {
		faults = append(faults, problem.Fault{Pointer: "/recommendation", Detail: "there is no such recommendation in this club; leave it out, or GET recommendations"})
	}
	faults = append(faults, repeated(asks, by.Turnaround)...)
	if faults = once(faults); len(faults) > 0 {
		return Reservation{}, problem.Invalid(faults...)
	}
	if !found {
		return Reservation{}, by.Refuse(o.nothingFree())
	}
	if lines := unlendable(asks); len(lines) > 0 {
		return Reservation{}, by.Refuse(Refusal{Unlendable: lines})
	}
	chosen := assign(asks, promised(o.held.Items))
	if slices.Contains(chosen, -1) {
		refusal, err := o.taken(ctx, tx, asks, chosen, by.Turnaround)
		if err != nil {
			return Reservation{}, err
		}
		return Reservation{}, by.Refuse(refusal)
	}
	r := Reservation{ID: by.ID, MemberID: by.Member, Purpose: o.wish.Purpose, RecommendationID: o.wish.Recommendation, CreatedAt: kept(tx.Now), Version: 1}
	for i, a := range asks {
		option := a.options[chosen[i]]
		r.Version += option.tool.Changes
		r.Lines = append(r.Lines, Booking{Line: i, ToolID: option.tool.ID, ToolNumber: option.tool.Number, ToolModel: option.tool.ModelCode,
			Caution: option.tool.Caution, Period: option.period, Held: option.held, State: "reserved"})
	}
	add(tx, r, by.Refuse(unforeseen(asks, chosen)))
	return r, nil
}

// nothingFree refuses a wish for the next free stretch when there is none.
func (o *Order) nothingFree() Refusal {
	var r Refusal
	for i, l := range o.wish.Lines {
		r.Taken = append(r.Taken, TakenLine{Line: i, Tools: []string{}, Asked: Period{From: o.wish.Now, Until: o.wish.Now.Add(outlook)},
			Detail: fmt.Sprintf("%s is not free for %s together with the rest within %d days, or not in service.", cmp.Or(l.Tool, l.Model), inHours(o.wish.NextFree), int(outlook.Hours()/24))})
	}
	return r
}

// once leaves out faults that stand in the list already: a common period is
// resolved for each line that uses it.
func once(faults []problem.Fault) []problem.Fault {
	var out []problem.Fault
	for _, f := range faults {
		if !slices.ContainsFunc(out, func(g problem.Fault) bool { return g.Pointer == f.Pointer && g.Detail == f.Detail }) {
			out = append(out, f)
		}
	}
	return out
}

func promised(rows []heldRow) promises {
	out := promises{}
	for _, row := range rows {
		out[row.ToolID] = append(out[row.ToolID], Period{From: row.HeldFrom, Until: row.HeldUntil})
	}
	for id := range out {
		slices.SortFunc(out[id], func(a, b Period) int { return a.From.Compare(b.From) })
	}
	return out
}

// add writes r. overlap is told when no_double_booking refuses it, which takes a
// writer that has not locked the tool.
func add(tx *postgres.Tx, r Reservation, overlap *problem.Error) {
	tx.Queue(`insert into reservation (club_id, id, member_id, purpose, recommendation_id, created_at) values ($1, $2, $3, $4, $5, $6)`,
		tx.Club, r.ID, r.MemberID, r.Purpose, r.RecommendationID, r.CreatedAt)
	var (
		lines              []int16
		tools              []uuid.UUID
		froms, tills, free []time.Time
	)
	for _, b := range r.Lines {
		lines, tools = append(lines, int16(b.Line)), append(tools, b.ToolID) //nolint:gosec // at most 20 lines
		froms, tills, free = append(froms, b.Period.From), append(tills, b.Period.Until), append(free, b.Held.Until)
	}
	tx.Queue(`
		insert into booking (club_id, reservation_id, line, tool_id, period, held)
		select $1, $2, line, tool, tstzrange(starts, ends), tstzrange(starts, free)
		from unnest($3::smallint[], $4::uuid[], $5::timestamptz[], $6::timestamptz[], $7::timestamptz[]) as l(line, tool, starts, ends, free)`,
		tx.Club, r.ID, lines, tools, froms, tills, free).
		Refuse("no_double_booking", overlap)
	journal.Append(tx, journal.Event{Type: "reservation.created", Subject: r.ID, Version: r.Version, Audience: journal.ForClub, Actor: r.MemberID}, r)
}
