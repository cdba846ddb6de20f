package parts

import (
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/wear"
)

// Arrival is one parcel of an order.
type Arrival struct {
	ID         uuid.UUID  `json:"id"`
	OccurredAt time.Time  `json:"occurred_at"`
	ArrivedOn  time.Time  `json:"arrived_on"`
	Lines      []Received `json:"lines"`
	Note       string     `json:"note"`
	MemberID   uuid.UUID  `json:"member_id"`
	RecordedAt time.Time  `json:"recorded_at"`
	VoidAt     *time.Time `json:"void_at"`
}

// Received is how much of a line was in a parcel.
type Received struct {
	Line     int16 `json:"line"`
	Quantity int   `json:"quantity"`
}

// arrivalOwner is the order that a parcel's id belongs to.
type arrivalOwner struct{ OrderID uuid.UUID }

// FindArrivalsOrder tells which order has the parcel of that id, if any.
func FindArrivalsOrder(b *postgres.Batch, id uuid.UUID) *postgres.Rows[arrivalOwner] {
	return postgres.Query[arrivalOwner](b, `select a.order_id from parts_arrival a where a.club_id = $1 and a.id = $2`, b.Club, id)
}

// LockOrderOfArrival locks the order that the parcel belongs to, with what its
// supplier's deliveries took.
func LockOrderOfArrival(b *postgres.Batch, id uuid.UUID) (*postgres.Rows[Order], *Deliveries) {
	const of = `select a.order_id from parts_arrival a where a.club_id = $1 and a.id = $2`
	postgres.Values[bool](b, `select true from parts_order where club_id = $1 and id = (`+of+`) for no key update`, b.Club, id)
	return postgres.Query[Order](b, selectOrders+` and o.id = (`+of+`)`, b.Club, id),
		deliveries(b, `select x.supplier_id from parts_order x where x.club_id = $1 and x.id = (`+of+`)`, id)
}

// Find returns the parcel of that id among the order's.
func (o Order) Find(arrival uuid.UUID) (Arrival, bool) {
	at := slices.IndexFunc(o.Arrivals, func(a Arrival) bool { return a.ID == arrival })
	if at < 0 {
		return Arrival{}, false
	}
	return o.Arrivals[at], true
}

// Rest is all that is still missing of o.
func (o Order) Rest() []Received {
	var out []Received
	for _, l := range o.Lines {
		if n := o.Missing(l); n > 0 {
			out = append(out, Received{l.Line, n})
		}
	}
	return out
}

// Same reports whether b is a sent again: what was in it was the rest, where b
// does not tell.
func (a Arrival) Same(b Arrival) error {
	if (b.Lines == nil || slices.Equal(a.Lines, sorted(b.Lines))) && a.Note == b.Note && (b.OccurredAt.IsZero() || a.OccurredAt.Equal(b.OccurredAt)) {
		return nil
	}
	return problem.New(problem.IDUsed, "A parcel of other content has this id. Make a new id for a new parcel; to correct that one, take it back and record the right one.")
}

func sorted(lines []Received) []Received {
	out := slices.Clone(lines)
	slices.SortFunc(out, func(a, b Received) int { return int(a.Line) - int(b.Line) })
	return out
}

// Receive records the parcel a of o. Without lines it holds the rest.
func Receive(tx *postgres.Tx, o Order, a Arrival) (Order, error) {
	if o.State() != Open {
		return o, problem.New(problem.NotAllowedNow, "%s Where that is wrong, take back the parcel that does not belong to it, or record another order.", o.Summary())
	}
	if a.Lines == nil {
		a.Lines = o.Rest()
	}
	if faults := o.check(a, tx.Now); len(faults) > 0 {
		return o, problem.Invalid(faults...)
	}
	a.Lines = sorted(a.Lines)
	a.RecordedAt = tx.Now.UTC().Truncate(time.Microsecond)
	o.Lines = slices.Clone(o.Lines)
	for _, r := range a.Lines {
		o.Lines[r.Line].Arrived += r.Quantity
	}
	o.Arrivals = append(slices.Clone(o.Arrivals), a)
	slices.SortStableFunc(o.Arrivals, func(a, b Arrival) int { return a.OccurredAt.Compare(b.OccurredAt) })
	o.settle()
	tx.Queue(`insert into parts_arrival (club_id, id, order_id, occurred_at, arrived_on, note, member_id, recorded_at) values ($1, $2, $3, $4, $5, $6, $7, $8)`,
		tx.Club, a.ID, o.ID, a.OccurredAt, a.ArrivedOn, a.Note, a.MemberID, a.RecordedAt).
		Refuse("parts_arrival_pkey", problem.New(problem.IDUsed, "One with this id came in a moment ago. Send the request again to see it."))
	tx.Queue(`insert into parts_arrival_line (club_id, arrival_id, order_id, line, quantity) select $1, $2, $3, * from unnest($4::smallint[], $5::integer[])`,
		tx.Club, a.ID, o.ID, postgres.Column(a.Lines, func(r Received) int16 { return r.Line }), postgres.Column(a.Lines, func(r Received) int { return r.Quantity }))
	o.count(tx, a.Lines)
	o.keep(tx)
	o.Version++
	o.journal(tx, "parts.arrived", a.MemberID)
	return o, nil
}

// check reports what is wrong with a parcel beside what is missing of o.
func (o Order) check(a Arrival, now time.Time) []problem.Fault {
	faults := wear.Ahead("/occurred_at", a.OccurredAt, now)
	if a.ArrivedOn.Before(o.OrderedOn) {
		faults = append(faults, problem.Fault{Pointer: "/occurred_at", Detail: "is before the day of the order (" + o.OrderedOn.Format(time.DateOnly) + "); check the time"})
	}
	seen := map[int16]bool{}
	for i, r := range a.Lines {
		at := fmt.Sprintf("/lines/%d", i)
		switch {
		case int(r.Line) >= len(o.Lines):
			faults = append(faults, problem.Fault{Pointer: at + "/line", Detail: fmt.Sprintf("is none of this order; its lines are 0 to %d", len(o.Lines)-1)})
		case seen[r.Line]:
			faults = append(faults, problem.Fault{Pointer: at + "/line", Detail: "stands twice; add both quantities"})
		case r.Quantity > o.Missing(o.Lines[r.Line]):
			faults = append(faults, problem.Fault{Pointer: at + "/quantity", Detail: fmt.Sprintf("is more than the %d that are missing; what came beyond the order belongs to an order of its own", o.Missing(o.Lines[r.Line]))})
		}
		seen[r.Line] = true
	}
	return faults
}

// settle works out whether all of o is here, and since when.
func (o *Order) settle() {
	o.ArrivedOn = nil
	if slices.ContainsFunc(o.Lines, func(l Line) bool { return l.Arrived < l.Quantity }) {
		return
	}
	for _, a := range o.Arrivals {
		if a.VoidAt == nil && (o.ArrivedOn == nil || a.ArrivedOn.After(*o.ArrivedOn)) {
			on := a.ArrivedOn
			o.ArrivedOn = &on
		}
	}
}

// count writes how much of the lines of a parcel is here.
func (o Order) count(tx *postgres.Tx, lines []Received) {
	tx.Queue(`update parts_line l set arrived = n.arrived from unnest($3::smallint[], $4::integer[]) n (line, arrived) where l.club_id = $1 and l.order_id = $2 and l.line = n.line`,
		tx.Club, o.ID, postgres.Column(lines, func(r Received) int16 { return r.Line }), postgres.Column(lines, func(r Received) int { return o.Lines[r.Line].Arrived }))
}

// TakeBack makes the parcel, which is o's, count no more; of one that does not it
// changes nothing.
func TakeBack(tx *postgres.Tx, actor, arrival uuid.UUID, o Order) (Order, error) {
	at := slices.IndexFunc(o.Arrivals, func(a Arrival) bool { return a.ID == arrival })
	if at < 0 {
		return o, problem.Absent()
	}
	if o.Arrivals[at].VoidAt != nil {
		return o, nil
	}
	if o.State() == Cancelled {
		return o, problem.New(problem.NotAllowedNow, "This order was cancelled on %s and stays as it is.", o.CancelledOn.Format(time.DateOnly))
	}
	now := tx.Now.UTC().Truncate(time.Microsecond)
	o.Arrivals, o.Lines = slices.Clone(o.Arrivals), slices.Clone(o.Lines)
	o.Arrivals[at].VoidAt = &now
	for _, r := range o.Arrivals[at].Lines {
		o.Lines[r.Line].Arrived -= r.Quantity
	}
	o.settle()
	tx.Queue(`update parts_arrival set void_at = $3, void_by = $4 where club_id = $1 and id = $2`, tx.Club, arrival, now, actor)
	o.count(tx, o.Arrivals[at].Lines)
	o.keep(tx)
	o.Version++
	o.journal(tx, "parts.arrival_voided", actor)
	return o, nil
}
