package lending

import (
	"context"
	"slices"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Rearranging is what one member asks for at once: lines of their reservations at other
// times, lines given up, and a new reservation. All of it is done, or none.
type Rearranging struct {
	Moves  []LineOf
	GiveUp []LineOf // of which no time is looked at
	New    Wish     // without lines: none
}

// LineOf is a line of a reservation, and when it is to be.
type LineOf struct {
	Reservation uuid.UUID
	LineChange
}

// Rearrangement is a Rearranging with what was looked up and locked for it.
type Rearrangement struct {
	asked      Rearranging
	amendments []*Amendment // one for each reservation
	order      *Order       // nil: nothing new is asked for
	who        *postgres.Rows[uuid.UUID]
}

// LockToRearrange queues the lookups of r: the members, all tools that may serve, in the
// order of ids, then the reservations are locked until the end of the write.
func LockToRearrange(b *postgres.Batch, who Borrower, r Rearranging) *Rearrangement {
	out := &Rearrangement{asked: r}
	var ids []uuid.UUID
	for _, l := range slices.Concat(r.Moves, r.GiveUp) {
		if !slices.Contains(ids, l.Reservation) {
			ids = append(ids, l.Reservation)
		}
	}
	slices.SortFunc(ids, func(x, y uuid.UUID) int { return slices.Compare(x[:], y[:]) })
	postgres.Values[uuid.UUID](b, `select id from member where club_id = $1 and (id = (`+who.query+`) or id in (select r.member_id from reservation r where r.club_id = $1 and r.id = any($3::uuid[]))) order by id for no key update`, b.Club, who.key, ids)
	out.who = postgres.Values[uuid.UUID](b, `select id from member where club_id = $1 and id = (`+who.query+`)`, b.Club, who.key)
	postgres.Values[uuid.UUID](b, `
		select id from tool where club_id = $1 and id = any(`+wanted+` || array(
			select k.tool_id from booking k where k.club_id = $1 and k.reservation_id = any($8::uuid[])
			union select s.id from booking k join tool o on o.club_id = $1 and o.id = k.tool_id join tool s on s.club_id = $1 and s.model_id = o.model_id
				where k.club_id = $1 and k.reservation_id = any($8::uuid[]) and not k.exactly))
		order by id for no key update`, append(r.New.names().arguments(b.Club), ids)...)
	postgres.Values[uuid.UUID](b, `select id from reservation where club_id = $1 and id = any($2) order by id for no key update`, b.Club, ids)
	for _, id := range ids {
		c := Change{Now: r.New.Now}
		for _, l := range r.Moves {
			if l.Reservation == id {
				c.Lines = append(c.Lines, l.LineChange)
			}
		}
		out.amendments = append(out.amendments, LockForChange(b, id, c))
	}
	if len(r.New.Lines) > 0 {
		out.order = Lock(b, who, r.New)
	}
	return out
}

// Rearranged is what came of a Rearrangement.
type Rearranged struct {
	Changed []Reservation
	Made    *Reservation
}

// Do rearranges, or refuses and leaves everything as it was. The lines of a refusal are
// counted in the order of Moves, then of the new lines.
func (r *Rearrangement) Do(ctx context.Context, tx *postgres.Tx, by Booker) (Rearranged, error) {
	left := leaving{}
	bases := []*basis{}
	for _, m := range r.amendments {
		if err := r.open(m, by); err != nil {
			return Rearranged{}, err
		}
		left[m.id] = slices.Concat(m.linesAt(m.changed), m.linesAt(m.gone))
		bases = append(bases, &m.basis)
	}
	if r.order != nil {
		if err := r.order.open(by); err != nil {
			return Rearranged{}, err
		}
		bases = append(bases, &r.order.basis)
	}
	for _, b := range bases {
		b.left = left
	}
	asks, faults := r.asks(0, tx.Now)
	if r.order != nil {
		faults = append(append(faults, r.order.wish.formFaults()...), r.order.unknownGarages()...)
	}
	if faults = once(faults); len(faults) > 0 {
		return Rearranged{}, problem.Invalid(faults...)
	}
	if lines := unlendable(asks); len(lines) > 0 {
		return Rearranged{}, by.Refuse(Refusal{Unlendable: lines})
	}
	chosen := assign(asks, promisedBy(bases, tx.Now))
	if slices.Contains(chosen, -1) {
		refusal, err := bases[0].taken(ctx, tx, asks, chosen, r.asks)
		if err != nil {
			return Rearranged{}, err
		}
		return Rearranged{}, by.Refuse(refusal)
	}
	picked := picks(asks, chosen)
	who := bases[0].borrower
	who.counts = countsOf(bases)
	if err := who.uncertified(picked); err != nil {
		return Rearranged{}, err
	}
	rules := bases[0].rules.Get()
	fresh := 0
	if r.order != nil {
		fresh = len(r.order.parts)
	}
	if err := AgainstRules("Nothing was changed or booked.", who.breaches(rules, picked, left, fresh, tx.Now)); err != nil {
		return Rearranged{}, err
	}
	return r.write(tx, by, asks, picked, rules, by.Refuse(unforeseen(asks, chosen))), nil
}

// open reads the reservation of m and finds the lines that move and that are given up.
func (r *Rearrangement) open(m *Amendment, by Booker) error {
	var err error
	if m.r, err = m.found.One(); err != nil {
		return err
	}
	if len(r.who.Items) == 0 || m.r.MemberID != r.who.Items[0] {
		return problem.New(problem.MissingRole, "Some of it is another member's reservation, and nothing was changed. They change it themselves, or a tool keeper does by POST reservations/%s/change or cancel.", m.id)
	}
	m.garages.Items = append(m.garages.Items, m.kept.Items...)
	if err := m.settle(); err != nil {
		return err
	}
	m.turnaround, m.clerk = by.Turnaround, by.Clerk || m.borrower.isClerk()
	if len(m.change.Lines) > 0 {
		if err := m.choose(); err != nil {
			return err
		}
	}
	for _, l := range r.asked.GiveUp {
		if l.Reservation != m.id {
			continue
		}
		at := slices.IndexFunc(m.r.Lines, func(b Booking) bool { return b.Line == l.Line })
		if at < 0 || m.r.Lines[at].State != "reserved" || slices.Contains(m.changed, at) {
			return problem.New(problem.NotAllowedNow, "Line %d of reservation %s is not to be given up any more; nothing was changed. GET it to see how it stands.", l.Line, m.id)
		}
		m.gone = append(m.gone, at)
	}
	return nil
}

// linesAt are the numbers of the lines at those places.
func (m *Amendment) linesAt(places []int) []int {
	out := make([]int, len(places))
	for i, at := range places {
		out[i] = m.r.Lines[at].Line
	}
	return out
}

// asks resolves all that moves and all that is new. It is a resolver.
func (r *Rearrangement) asks(shift int, now time.Time) ([]ask, []problem.Fault) {
	var asks []ask
	var faults []problem.Fault
	for _, m := range r.amendments {
		list, wrong := m.asks(shift, now)
		asks, faults = append(asks, list...), append(faults, wrong...)
	}
	if r.order != nil {
		list, wrong := r.order.asks(shift, now)
		asks, faults = append(asks, list...), append(faults, wrong...)
	}
	if len(faults) == 0 {
		for i := range asks {
			asks[i].line = i
		}
	}
	return asks, faults
}

// promisedBy is for what the tools of all of them are held.
func promisedBy(bases []*basis, now time.Time) promises {
	out := promises{}
	for _, b := range bases {
		for id, held := range b.promised(b.held.Items, now) {
			out[id] = append(out[id], held...)
		}
	}
	for id := range out {
		slices.SortFunc(out[id], func(a, b Period) int { return a.From.Compare(b.From) })
	}
	return out
}

// countsOf are the models of all of them, each once.
func countsOf(bases []*basis) *postgres.Rows[modelCount] {
	out := &postgres.Rows[modelCount]{}
	for _, b := range bases {
		for _, c := range b.borrower.counts.Items {
			if !slices.ContainsFunc(out.Items, func(o modelCount) bool { return o.ModelID == c.ModelID }) {
				out.Items = append(out.Items, c)
			}
		}
	}
	return out
}

// write writes all of it. Lines may take each other's places, so that no_double_booking is held
// once all are written.
func (r *Rearrangement) write(tx *postgres.Tx, by Booker, asks []ask, picked []option, rules Rules, overlap *problem.Error) Rearranged {
	var out Rearranged
	tx.Queue(`set constraints no_double_booking deferred`)
	for _, m := range r.amendments {
		n := len(m.changed)
		mine, those := asks[:n], picked[:n]
		asks, picked = asks[n:], picked[n:]
		out.Changed = append(out.Changed, m.write(tx, m.r.MemberID, mine, those, needsApproval(rules, those) && !m.clerk, overlap))
	}
	if r.order != nil {
		made := r.order.made(tx, by, asks, picked, rules)
		add(tx, made, overlap)
		out.Made = &made
	}
	tx.Queue(`set constraints no_double_booking immediate`).Refuse("no_double_booking", overlap)
	return out
}

// giveUp cancels the lines of r, which is m's as its next version, that are given up; r with
// them where none of its lines is left.
func (m *Amendment) giveUp(tx *postgres.Tx, r *Reservation) (event string) {
	event = "reservation.changed"
	if len(m.gone) == 0 {
		return event
	}
	for _, at := range m.gone {
		r.Lines[at].State = "cancelled"
	}
	tx.Queue(`update booking set state = 'cancelled' where club_id = $1 and reservation_id = $2 and line = any($3::smallint[]) and state = 'reserved'`, tx.Club, r.ID, m.linesAt(m.gone))
	if !slices.ContainsFunc(r.Lines, func(b Booking) bool { return b.State != "cancelled" }) {
		at := kept(tx.Now)
		r.CancelledAt, event = &at, "reservation.cancelled"
		tx.Queue(`update reservation set cancelled_at = $3 where club_id = $1 and id = $2`, tx.Club, r.ID, at)
	}
	return event
}
