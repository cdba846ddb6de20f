package parts

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/repair"
)

// States of an order.
const (
	Open      = "open"
	Arrived   = "arrived"
	Cancelled = "cancelled"
)

// Order is what was ordered of a supplier at one time.
type Order struct {
	ID          uuid.UUID
	SupplierID  uuid.UUID
	Supplier    string // its code
	RepairID    *uuid.UUID
	Reference   string `json:"-"` // what people write stays out of the journal
	Note        string `json:"-"`
	OrderedOn   time.Time
	MemberID    uuid.UUID
	RecordedAt  time.Time
	ArrivedOn   *time.Time
	CancelledOn *time.Time
	CancelledAt *time.Time
	Lines       []Line
	Arrivals    []Arrival
	Version     int64
}

// Line is one thing of an order.
type Line struct {
	Line           int16      `json:"line"`
	What           string     `json:"what"`
	SeriesID       *uuid.UUID `json:"series_id"` // of a pin
	Step           *string    `json:"step"`
	Quantity       int        `json:"quantity"`
	Unit           string     `json:"unit"`
	UnitPriceMinor *int64     `json:"unit_price_minor"`
	Arrived        int        `json:"arrived"`
}

// State is whether something is still to come.
func (o Order) State() string {
	switch {
	case o.ArrivedOn != nil:
		return Arrived
	case o.CancelledOn != nil:
		return Cancelled
	}
	return Open
}

// Missing is how many pieces of a line are still to come.
func (o Order) Missing(l Line) int {
	if o.CancelledOn != nil {
		return 0
	}
	return l.Quantity - l.Arrived
}

// TotalMinor is what the order costs, nil where a price is not known.
func (o Order) TotalMinor() *int64 {
	var sum int64
	for _, l := range o.Lines {
		if l.UnitPriceMinor == nil {
			return nil
		}
		sum += *l.UnitPriceMinor * int64(l.Quantity)
	}
	return &sum
}

// Summary tells how the order stands.
func (o Order) Summary() string {
	var missing []string
	here := 0
	for _, l := range o.Lines {
		if n := o.Missing(l); n > 0 {
			missing = append(missing, fmt.Sprintf("%d × %s", n, l.What))
		}
		here += l.Arrived
	}
	switch o.State() {
	case Arrived:
		return "All of it is here since " + o.ArrivedOn.Format(time.DateOnly) + "."
	case Cancelled:
		return "Cancelled on " + o.CancelledOn.Format(time.DateOnly) + "; nothing more of it is expected."
	}
	if here == 0 {
		return "Nothing of it is here yet."
	}
	return "Still missing: " + strings.Join(missing, ", ") + "."
}

const orderColumns = `o.id, o.supplier_id, s.code as supplier, o.repair_id, o.reference, o.note, o.ordered_on, o.member_id, o.recorded_at, o.arrived_on, o.cancelled_on, o.cancelled_at, o.version,
	(select json_agg(l order by l.line) from parts_line l where l.club_id = o.club_id and l.order_id = o.id) as lines,
	(select coalesce(json_agg(a order by a.occurred_at, a.id), '[]') from (select a.id, a.occurred_at, to_char(a.arrived_on, 'YYYY-MM-DD"T00:00:00Z"') as arrived_on, a.note, a.member_id, a.recorded_at, a.void_at,
		(select json_agg(json_build_object('line', c.line, 'quantity', c.quantity) order by c.line) from parts_arrival_line c where c.club_id = a.club_id and c.arrival_id = a.id) as lines
		from parts_arrival a where a.club_id = o.club_id and a.order_id = o.id) a) as arrivals`

const selectOrders = `select ` + orderColumns + ` from parts_order o join supplier s on s.club_id = o.club_id and s.id = o.supplier_id where o.club_id = $1`

const supplierOfOrder = `select x.supplier_id from parts_order x where x.club_id = $1 and x.id = $2`

// FindOrder looks an order up, with what its supplier's deliveries took.
func FindOrder(b *postgres.Batch, id uuid.UUID) (*postgres.Rows[Order], *Deliveries) {
	return postgres.Query[Order](b, selectOrders+` and o.id = $2`, b.Club, id), deliveries(b, supplierOfOrder, id)
}

// LockOrder is FindOrder, locked until the end of the write. It locks in a statement
// of its own: one that waits for a lock sees the row as it is then, but what it
// looks up beside it, such as the lines, as it was when the statement began.
func LockOrder(b *postgres.Batch, id uuid.UUID) (*postgres.Rows[Order], *Deliveries) {
	postgres.Values[bool](b, `select true from parts_order where club_id = $1 and id = $2 for no key update`, b.Club, id)
	return FindOrder(b, id)
}

// Filter chooses orders; what is nil or empty chooses all.
type Filter struct {
	State    string
	Supplier *postgres.Ref
	Repair   *string // its id or number
}

// ListOrders lists orders, newest first, before the id given, with what their suppliers'
// deliveries took. Served by parts_order_pkey, of a supplier by
// parts_order_of_supplier, of a repair by parts_order_of_repair, those that are open by
// parts_order_open.
func ListOrders(b *postgres.Batch, f Filter, before uuid.UUID, limit int) (*postgres.Rows[Order], *Deliveries) {
	which, args := ` and o.id < $2`, []any{before, limit}
	switch f.State {
	case Open:
		which += ` and o.arrived_on is null and o.cancelled_on is null`
	case Arrived:
		which += ` and o.arrived_on is not null`
	case Cancelled:
		which += ` and o.cancelled_on is not null`
	}
	if f.Supplier != nil {
		which += ` and o.supplier_id = (select n.id from supplier n where n.club_id = $1 and (n.id = $4 or n.code = $5))`
		args = append(args, f.Supplier.ID, f.Supplier.Name)
	}
	if f.Repair != nil {
		id, number := repair.Named(*f.Repair)
		which += fmt.Sprintf(` and o.repair_id = (select r.id from repair r where r.club_id = $1 and (r.id = $%d or r.number = $%d))`, len(args)+2, len(args)+3)
		args = append(args, id, number)
	}
	which += ` order by o.id desc limit $3`
	return postgres.Query[Order](b, selectOrders+which, append([]any{b.Club}, args...)...),
		deliveries(b, `select distinct p.supplier_id from (select o.supplier_id from parts_order o where o.club_id = $1`+which+`) p`, args...)
}

// Check reports what is wrong with a new order that the contract cannot tell.
func (o Order) Check(now time.Time) []problem.Fault {
	if o.OrderedOn.After(Day(now.UTC()).AddDate(0, 0, 1)) { // somewhere it is tomorrow already
		return []problem.Fault{{Pointer: "/ordered_on", Detail: "lies ahead; record an order once it was made"}}
	}
	if days(o.OrderedOn, now) > mostAgo {
		return []problem.Fault{{Pointer: "/ordered_on", Detail: "lies more than two years back; check the year"}}
	}
	return nil
}

const mostAgo = 731

// Add keeps a new order.
func Add(tx *postgres.Tx, o Order) {
	tx.Queue(`insert into parts_order (club_id, id, supplier_id, repair_id, reference, note, ordered_on, member_id, recorded_at) values ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
		tx.Club, o.ID, o.SupplierID, o.RepairID, o.Reference, o.Note, o.OrderedOn, o.MemberID, o.RecordedAt)
	tx.Queue(`insert into parts_line (club_id, order_id, line, what, series_id, step, quantity, unit, unit_price_minor)
		select $1, $2, * from unnest($3::smallint[], $4::text[], $5::uuid[], $6::text[], $7::integer[], $8::text[], $9::bigint[])`,
		tx.Club, o.ID, postgres.Column(o.Lines, func(l Line) int16 { return l.Line }), postgres.Column(o.Lines, func(l Line) string { return l.What }),
		postgres.Column(o.Lines, func(l Line) *uuid.UUID { return l.SeriesID }), postgres.Column(o.Lines, func(l Line) *string { return l.Step }),
		postgres.Column(o.Lines, func(l Line) int { return l.Quantity }), postgres.Column(o.Lines, func(l Line) string { return l.Unit }),
		postgres.Column(o.Lines, func(l Line) *int64 { return l.UnitPriceMinor }))
	o.journal(tx, "parts_order.created", o.MemberID)
}

// Cancel expects no more of o; of one that is cancelled it changes nothing.
func Cancel(tx *postgres.Tx, actor uuid.UUID, o Order) (Order, error) {
	switch o.State() {
	case Cancelled:
		return o, nil
	case Arrived:
		return o, problem.New(problem.NotAllowedNow, "All of this order is here since %s, so there is nothing left to cancel. Where a parcel was recorded by mistake, take that back first.", o.ArrivedOn.Format(time.DateOnly))
	}
	at := tx.Now.UTC().Truncate(time.Microsecond)
	on := Day(at)
	o.CancelledAt, o.CancelledOn = &at, &on
	o.keep(tx)
	o.Version++
	o.journal(tx, "parts_order.cancelled", actor)
	return o, nil
}

// keep writes how o stands, as its next version.
func (o Order) keep(tx *postgres.Tx) {
	tx.Queue(`update parts_order set arrived_on = $3, cancelled_on = $4, cancelled_at = $5, version = $6 where club_id = $1 and id = $2`,
		tx.Club, o.ID, o.ArrivedOn, o.CancelledOn, o.CancelledAt, o.Version+1)
}

// journal notes what happened to o without what people wrote.
func (o Order) journal(tx *postgres.Tx, what string, actor uuid.UUID) {
	o.Arrivals = slices.Clone(o.Arrivals)
	for i := range o.Arrivals {
		o.Arrivals[i].Note = ""
	}
	journal.Append(tx, journal.Event{Type: what, Subject: o.ID, Version: o.Version, Audience: journal.ForClub, Actor: actor}, o)
}
