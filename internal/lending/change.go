package lending

import (
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/club"
	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Change is a new time or place for lines of a reservation that are still
// reserved.
type Change struct {
	Common When   // for lines without a time of their own; neither: they keep their own
	Garage string // where lines without a garage of their own are collected; empty: as before
	Lines  []LineChange
	Now    time.Time
}

// LineChange is a change of one line. Without any lines a Change is for all that
// are still reserved.
type LineChange struct {
	Line   int
	Garage string
	When
}

// Amendment is a change with what was looked up and locked for it.
type Amendment struct {
	basis
	change Change
	found  Reservations
	kept   *postgres.Rows[counterRow] // where its lines are collected so far
	id     uuid.UUID

	changed []int // lines, as places in the reservation
	gone    []int // those that are given up
	r       Reservation
}

// LockForChange queues the lookups of c: the member, then the tools of the
// reservation and all of their models, in the order of ids, then the reservation are
// locked until the end of the write.
func LockForChange(b *postgres.Batch, id uuid.UUID, c Change) *Amendment {
	who := Borrower{query: `select member_id from reservation where club_id = $1 and id = $2`, key: id}
	m := &Amendment{change: c, id: id}
	places := []string{c.Garage}
	wish := Wish{Common: c.Common, Lines: []Line{{When: c.Common}}}
	for _, l := range c.Lines {
		wish.Lines = append(wish.Lines, Line{When: l.When})
		places = append(places, l.Garage)
	}
	places = slices.DeleteFunc(places, func(name string) bool { return name == "" })
	m.borrower = lockBorrower(b, who)
	const tools = `t.id = any(array(
		select k.tool_id from booking k where k.club_id = $1 and k.reservation_id = $2
		union select s.id from booking k join tool o on o.club_id = $1 and o.id = k.tool_id join tool s on s.club_id = $1 and s.model_id = o.model_id
			where k.club_id = $1 and k.reservation_id = $2 and not k.exactly))`
	m.tools = postgres.Query[tool](b, toolColumns+`where t.club_id = $1 and `+tools+` order by t.id for no key update of t`, b.Club, id)
	postgres.Values[uuid.UUID](b, `select id from reservation where club_id = $1 and id = $2 for no key update`, b.Club, id)
	m.found = Find(b, id)
	span := wish.span()
	if span.From.IsZero() || span.From.Before(c.Now.Add(-longestTravel)) { // what is past is booked by nobody any more
		span.From = c.Now.Add(-longestTravel)
	}
	m.held = postgres.Query[heldRow](b, `
		with own as (select max(upper(held)) as until from booking where club_id = $1 and reservation_id = $2)
		select t.id as tool_id, lower(b.held) as held_from, upper(b.held) as held_until, upper(b.period) as ends, b.state, b.reservation_id as booking, b.line
		from tool t join booking b on b.club_id = t.club_id and b.tool_id = t.id
		where t.club_id = $1 and `+tools+` and b.state not in ('cancelled', 'lost') and b.held_until > $3
		and b.held && tstzrange($3, greatest($4::timestamptz, $3, (select until from own) + interval '30 days'))
		union
		select t.id, lower(b.held), upper(b.held), upper(b.period), b.state, b.reservation_id, b.line
		from tool t join booking b on b.club_id = t.club_id and b.tool_id = t.id
		where t.club_id = $1 and `+tools+` and b.state = 'out'`, b.Club, id, span.From, span.Until)
	m.lookAround(b, who, c.Now, places, tools, []any{b.Club, id})
	m.kept = postgres.Query[counterRow](b, `
		select g.id, g.code, g.version from garage g where g.club_id = $1 and g.id in (select k.garage_id from booking k where k.club_id = $1 and k.reservation_id = $2)`, b.Club, id)
	return m
}

// Reservation returns what is to be changed; without one it is problem.Absent.
func (m *Amendment) Reservation() (Reservation, error) { return m.found.One() }

// Amend changes the reservation in one step, or refuses and leaves it as it was.
// by.ID and what makes a reservation do not count.
func (m *Amendment) Amend(ctx context.Context, tx *postgres.Tx, actor uuid.UUID, by Booker) (Reservation, error) {
	var err error
	if m.r, err = m.found.One(); err != nil {
		return m.r, err
	}
	m.garages.Items = append(m.garages.Items, m.kept.Items...)
	if err := m.settle(); err != nil {
		return m.r, err
	}
	m.turnaround, m.clerk = by.Turnaround, by.Clerk || m.borrower.isClerk()
	if err := m.choose(); err != nil {
		return m.r, err
	}
	m.left = leaving{m.id: m.linesAt(m.changed)}
	asks, faults := m.asks(0, tx.Now)
	if faults = once(append(m.formFaults(), faults...)); len(faults) > 0 {
		return m.r, problem.Invalid(faults...)
	}
	if lines := unlendable(asks); len(lines) > 0 {
		return m.r, by.Refuse(Refusal{Unlendable: lines})
	}
	chosen := assign(asks, m.promised(m.held.Items, tx.Now))
	if slices.Contains(chosen, -1) {
		refusal, err := m.taken(ctx, tx, asks, chosen, m.asks)
		if err != nil {
			return m.r, err
		}
		return m.r, by.Refuse(refusal)
	}
	picked := picks(asks, chosen)
	if err := m.borrower.uncertified(picked); err != nil {
		return m.r, err
	}
	rules := m.rules.Get()
	if err := AgainstRules("Nothing was changed.", m.borrower.breaches(rules, picked, m.left, 0, tx.Now)); err != nil {
		return m.r, err
	}
	return m.write(tx, actor, asks, picked, needsApproval(rules, picked) && !m.clerk, by.Refuse(unforeseen(asks, chosen))), nil
}

// choose finds the lines that change.
func (m *Amendment) choose() error {
	if m.r.CancelledAt != nil {
		return problem.New(problem.NotAllowedNow, "It was cancelled; make a new reservation.")
	}
	var faults []problem.Fault
	for k, l := range m.change.Lines {
		at := slices.IndexFunc(m.r.Lines, func(b Booking) bool { return b.Line == l.Line })
		switch {
		case at < 0:
			faults = append(faults, problem.Fault{Pointer: fmt.Sprintf("/lines/%d/line", k), Detail: "the reservation has no such line; GET it to see its lines"})
		case slices.Contains(m.changed, at):
			faults = append(faults, problem.Fault{Pointer: fmt.Sprintf("/lines/%d/line", k), Detail: "is changed twice; say all of it once"})
		case m.r.Lines[at].State != "reserved":
			return problem.New(problem.NotAllowedNow, "Line %d is not only reserved any more (%s), so its time stays. A loan that is out is extended instead.", l.Line, m.r.Lines[at].State)
		default:
			m.changed = append(m.changed, at)
		}
	}
	if len(faults) > 0 {
		return problem.Invalid(faults...)
	}
	if len(m.change.Lines) == 0 {
		for i, b := range m.r.Lines {
			if b.State == "reserved" {
				m.changed = append(m.changed, i)
			}
		}
	}
	if len(m.changed) == 0 {
		return problem.New(problem.NotAllowedNow, "Nothing of it is only reserved any more. A loan that is out is extended instead.")
	}
	return nil
}

// formFaults reports what is wrong with the change that no lookup is needed for.
func (m *Amendment) formFaults() []problem.Fault {
	var faults []problem.Fault
	both := func(when When, at string) {
		if when.Period != nil && when.Days != nil {
			faults = append(faults, problem.Fault{Pointer: at + "/days", Detail: "give `period` or `days`, not both"})
		}
	}
	both(m.change.Common, "")
	asked := m.change.Common.isGiven() || m.change.Garage != ""
	for k, l := range m.change.Lines {
		both(l.When, fmt.Sprintf("/lines/%d", k))
		if !asked && !l.isGiven() && l.Garage == "" {
			faults = append(faults, problem.Fault{Pointer: fmt.Sprintf("/lines/%d", k), Detail: "says nothing new: give a `period`, `days` or a `garage`"})
		}
	}
	if !asked && len(m.change.Lines) == 0 {
		faults = append(faults, problem.Fault{Detail: "nothing is to be changed: give a `period`, `days`, a `garage`, or `lines` with their own"})
	}
	return faults
}

// asks resolves the lines that change. It is a resolver. Any tool of its model
// will do for a line, the one that it has first, unless it was to be exactly that.
func (m *Amendment) asks(shift int, now time.Time) ([]ask, []problem.Fault) {
	var asks []ask
	var faults []problem.Fault
	for k, at := range m.changed {
		b := m.r.Lines[at]
		a := ask{part: part{line: b.Line, name: b.ToolNumber, exactly: b.Exactly, kit: b.KitID, choice: b.Choice}, isModel: !b.Exactly}
		when, pointer := m.change.Common, ""
		garage, garageAt := m.change.Garage, "/garage"
		if len(m.change.Lines) > 0 {
			l := m.change.Lines[k]
			if l.isGiven() {
				when, pointer = l.When, fmt.Sprintf("/lines/%d", k)
			}
			if l.Garage != "" {
				garage, garageAt = l.Garage, fmt.Sprintf("/lines/%d/garage", k)
			}
		}
		if !when.isGiven() {
			when = When{Period: &b.Period}
		}
		switch {
		case garage != "":
			if a.garage = m.garageNamed(garage); a.garage == nil {
				faults = append(faults, noGarage(garageAt, garage))
				continue
			}
		case b.GarageID != nil:
			a.garage = m.garageNamed(b.GarageID.String())
		}
		var tools []*tool
		var own *tool
		for i := range m.tools.Items {
			if m.tools.Items[i].ID == b.ToolID {
				own = &m.tools.Items[i]
			}
		}
		for i := range m.tools.Items {
			if t := &m.tools.Items[i]; t == own || !b.Exactly && own != nil && t.ModelID == own.ModelID {
				tools = append(tools, t)
			}
		}
		// What has begun may be made longer or shorter though its beginning is past.
		begun := now
		if when.Period != nil && when.Period.From.Equal(b.Period.From) && b.Period.From.Before(now) {
			begun = b.Period.From
		}
		old := &b.Period // where it was collected before, its ends were agreed on
		if garage != "" && (b.GarageID == nil && a.garage.ID != own.HomeID || b.GarageID != nil && a.garage.ID != *b.GarageID) {
			old = nil
		}
		a, refused := m.offer(a, tools, when, pointer, shift, begun, old)
		if begun != now && when.Period.Until.Before(now) {
			refused = append(refused, problem.Fault{Pointer: pointer + "/period/until", Detail: "lies in the past; end it later"})
			a.options = nil
		}
		if len(a.options) == 0 && (len(a.idle) == 0 || begun != now) {
			faults = append(faults, refused...)
		}
		slices.SortStableFunc(a.options, func(x, y option) int { return before(x.tool == own, y.tool == own) })
		asks = append(asks, a)
	}
	return asks, faults
}

// before sorts what is so before what is not.
func before(x, y bool) int {
	switch {
	case x == y:
		return 0
	case x:
		return -1
	default:
		return 1
	}
}

// write moves the lines by one statement, and gives up those that go.
func (m *Amendment) write(tx *postgres.Tx, actor uuid.UUID, asks []ask, picked []option, approve bool, overlap *problem.Error) Reservation {
	earlier, old := m.r.Version, m.r.Lines
	r := m.r.next(tx)
	if approve && r.Approval == notNeeded {
		r.Approval = awaited
	}
	var moved []Booking
	for k, at := range m.changed {
		was := r.Lines[at]
		line := m.line(was.Line, asks[k], picked[k], was.DecideBy)
		line.AskedModelID, line.Kit = was.AskedModelID, was.Kit
		if line.DecideBy != nil && line.DecideBy.After(line.Period.From) {
			line.DecideBy = &line.Period.From
		}
		r.Lines[at] = line
		moved = append(moved, line)
	}
	// Another tool may have changed less often than the one before; the version must
	// grow all the same.
	r.Version += m.changes(r.Lines) - m.changes(old)
	if short := earlier + 1 - r.Version; short > 0 {
		r.own += short
		r.Version += short
	}
	event := m.giveUp(tx, &r)
	if len(moved) > 0 {
		m.move(tx, r, moved, overlap)
	}
	tx.Queue(`update reservation set changed_at = $3, approval = $4, version = $5 where club_id = $1 and id = $2`, tx.Club, r.ID, r.ChangedAt, r.Approval, r.own)
	journal.Append(tx, journal.Event{Type: event, Subject: r.ID, Version: r.Version, Audience: journal.ForClub, Actor: actor}, r)
	return r
}

// move writes lines at their new times.
func (m *Amendment) move(tx *postgres.Tx, r Reservation, moved []Booking, overlap *problem.Error) {
	tx.Queue(`
		update booking b set tool_id = l.tool, period = tstzrange(l.starts, l.ends), held = tstzrange(l.held_from, l.held_until), garage_id = l.garage,
			decide_by = l.decide_by, endangered = null, endangered_at = null
		from unnest($3::smallint[], $4::uuid[], $5::timestamptz[], $6::timestamptz[], $7::timestamptz[], $8::timestamptz[], $9::uuid[], $10::timestamptz[])
			as l(line, tool, starts, ends, held_from, held_until, garage, decide_by)
		where b.club_id = $1 and b.reservation_id = $2 and b.line = l.line`, append([]any{tx.Club, r.ID}, movedColumns(moved)...)...).
		Refuse("no_double_booking", overlap).
		Refuse("guest_stays_as_long", club.BeyondStay())
}

// movedColumns are those of lineColumns that a change writes.
func movedColumns(lines []Booking) []any {
	all := lineColumns(lines)
	return append(slices.Clone(all[:7]), all[len(all)-1])
}
