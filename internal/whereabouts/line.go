package whereabouts

import (
	"cmp"
	"slices"
	"time"

	"github.com/google/uuid"
)

// Line is one tool of a reservation, promised or out, with who has or gets it.
type Line struct {
	ReservationID uuid.UUID
	Line          int
	LoanID        *uuid.UUID // of what is out
	ToolID        uuid.UUID
	ToolNumber    string
	ModelCode     string
	ModelName     string
	Caution       string
	Parts         int
	DepositMinor  *int64
	MemberID      uuid.UUID
	MemberNumber  string
	MemberName    string
	HostID        *uuid.UUID // of a guest
	HostNumber    *string
	HostName      *string
	GarageCode    string // where it is collected and brought back
	BeginsAt      time.Time
	EndsAt        time.Time
	CollectedAt   *time.Time // of what is out
	Endangered    string     // why it may not be there: late, quarantine, lost, retired or calibration; empty when it should be
	Approval      string     // not_needed, awaited, given or declined
	OfferUntil    *time.Time
	Choice        *int // lines of the reservation with the same number stand for one another
}

// Each thing beside a row is looked up by a lateral of one row: left to itself
// the planner reads whole tables of a club where it expects many rows.
const (
	// lineColumns are the columns of Line, of a booking b with its reservation r,
	// the member w who has or gets it, and what lineJoins adds.
	lineColumns = `b.reservation_id, b.line, b.tool_id, t.number as tool_number, m.code as model_code, m.name as model_name, m.caution, m.parts,
	coalesce(t.deposit_minor, m.deposit_minor) as deposit_minor, w.id as member_id, w.number as member_number, w.name as member_name,
	h.id as host_id, h.number as host_number, h.name as host_name, g.code as garage_code, b.begins_at, b.ends_at,
	coalesce(b.endangered, '') as endangered, r.approval, r.offer_until, b.choice`

	lineJoins = `
	cross join lateral (select number, model_id, garage_id, deposit_minor from tool where club_id = b.club_id and id = b.tool_id limit 1) t
	cross join lateral (select code, name, caution, parts, deposit_minor from tool_model where club_id = b.club_id and id = t.model_id limit 1) m
	cross join lateral (select id, code from garage where club_id = b.club_id and id = coalesce(b.garage_id, t.garage_id) limit 1) g
	left join lateral (select id, number, name from member where club_id = b.club_id and id = w.host_id limit 1) h on true `

	bookingColumns     = `club_id, reservation_id, line, tool_id, garage_id, begins_at, ends_at, endangered, choice`
	reservationColumns = `member_id, approval, offer_until, cancelled_at`
	memberOfIt         = `
	cross join lateral (select id, number, name, host_id from member where club_id = r.club_id and id = r.member_id limit 1) w `

	// promisedLines selects bookings that nobody has collected; a condition on b, r
	// or g follows.
	promisedLines = `select ` + lineColumns + `, null::uuid as loan_id, null::timestamptz as collected_at
	from booking b
	cross join lateral (select club_id, ` + reservationColumns + ` from reservation where club_id = b.club_id and id = b.reservation_id limit 1) r` + memberOfIt + lineJoins + `
	where b.club_id = $1 and b.state = 'reserved' `

	// linesOfReservations is promisedLines for conditions that few reservations
	// meet.
	linesOfReservations = `select ` + lineColumns + `, null::uuid as loan_id, null::timestamptz as collected_at
	from reservation r
	cross join lateral (select ` + bookingColumns + ` from booking where club_id = r.club_id and reservation_id = r.id and state = 'reserved' limit 100) b` + memberOfIt + lineJoins + `
	where r.club_id = $1 and r.cancelled_at is null `

	// openLoans selects what is out; a condition follows. a is the act by which it
	// went out.
	openLoans = `select ` + lineColumns + `, l.id as loan_id, l.collected_at
	from loan l
	cross join lateral (select ` + bookingColumns + ` from booking where club_id = l.club_id and reservation_id = l.reservation_id and line = l.line limit 1) b
	cross join lateral (select ` + reservationColumns + ` from reservation where club_id = l.club_id and id = l.reservation_id limit 1) r
	cross join lateral (select garage_id from counter_act where club_id = l.club_id and id = l.handout_id limit 1) a
	cross join lateral (select id, number, name, host_id from member where club_id = l.club_id and id = l.member_id limit 1) w` + lineJoins + `
	where l.club_id = $1 and l.ended is null `
)

// IsLate reports whether l is out and was due before now.
func (l Line) IsLate(now time.Time) bool { return l.LoanID != nil && l.EndsAt.Before(now) }

// by sorts lines by a time, then by the tool's number.
func by(of func(Line) time.Time, lines []Line) []Line {
	slices.SortStableFunc(lines, func(a, b Line) int {
		return cmp.Or(of(a).Compare(of(b)), cmp.Compare(a.ToolNumber, b.ToolNumber), cmp.Compare(a.Line, b.Line))
	})
	return lines
}

func begins(l Line) time.Time { return l.BeginsAt }
func ends(l Line) time.Time   { return l.EndsAt }
