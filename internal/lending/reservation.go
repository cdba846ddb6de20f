package lending

import (
	"fmt"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/postgres"
)

// Reservation is a promise of tools to a member.
type Reservation struct {
	ID               uuid.UUID
	MemberID         uuid.UUID
	Purpose          string `json:"-"` // free text may name people, and the journal keeps no names
	RecommendationID *uuid.UUID
	CreatedAt        time.Time
	CancelledAt      *time.Time
	CancelReason     string `json:"-"`
	// Version grows with every change that shows: the reservation's own, and those
	// of its tools and their models.
	Version int64
	Lines   []Booking
}

// Booking is one tool of a reservation.
type Booking struct {
	Line       int
	ToolID     uuid.UUID
	ToolNumber string
	ToolModel  string `json:"-"`
	Caution    string `json:"-"`
	Period     Period
	Held       Period
	State      string // reserved, out, returned or cancelled
}

// bookingRow is one booking beside its reservation, so that a page of
// reservations with their lines comes from one query and one snapshot.
type bookingRow struct {
	ID               uuid.UUID
	MemberID         uuid.UUID
	Purpose          string
	RecommendationID *uuid.UUID
	CreatedAt        time.Time
	CancelledAt      *time.Time
	CancelReason     string
	Version          int64
	Changes          int64 // of the line's tool and its model
	Line             int
	ToolID           uuid.UUID
	ToolNumber       string
	ToolModel        string
	Caution          string
	BookedFrom       time.Time
	BookedUntil      time.Time
	HeldUntil        time.Time
	State            string
}

const reservationColumns = `id, club_id, member_id, purpose, recommendation_id, created_at, cancelled_at, cancel_reason, version`

// withLines adds the lines to the reservations that the query named page
// selects.
const withLines = `
	select r.id, r.member_id, r.purpose, r.recommendation_id, r.created_at, r.cancelled_at, r.cancel_reason, r.version,
	       t.version + m.version - 2 as changes, b.line, b.tool_id, t.number as tool_number, m.code as tool_model, m.caution,
	       lower(b.period) as booked_from, upper(b.period) as booked_until, upper(b.held) as held_until, b.state
	from page r
	join booking b on b.club_id = r.club_id and b.reservation_id = r.id
	join tool t on t.club_id = b.club_id and t.id = b.tool_id
	join tool_model m on m.club_id = t.club_id and m.id = t.model_id
	order by r.id desc, b.line`

// Reservations is the result of a query; empty until its batch was sent.
type Reservations struct{ rows *postgres.Rows[bookingRow] }

// Items returns the reservations with their lines.
func (r Reservations) Items() []Reservation {
	var out []Reservation
	for _, row := range r.rows.Items {
		if len(out) == 0 || out[len(out)-1].ID != row.ID {
			one := Reservation{ID: row.ID, MemberID: row.MemberID, Purpose: row.Purpose, RecommendationID: row.RecommendationID,
				CreatedAt: row.CreatedAt.UTC(), CancelReason: row.CancelReason, Version: row.Version}
			if row.CancelledAt != nil {
				at := row.CancelledAt.UTC()
				one.CancelledAt = &at
			}
			out = append(out, one)
		}
		last := &out[len(out)-1]
		last.Version += row.Changes
		last.Lines = append(last.Lines, Booking{Line: row.Line, ToolID: row.ToolID, ToolNumber: row.ToolNumber, ToolModel: row.ToolModel, Caution: row.Caution,
			Period: Period{From: row.BookedFrom, Until: row.BookedUntil}.kept(),
			Held:   Period{From: row.BookedFrom, Until: row.HeldUntil}.kept(), State: row.State})
	}
	return out
}

// One returns the only reservation; without one it is problem.Absent.
func (r Reservations) One() (Reservation, error) {
	return (&postgres.Rows[Reservation]{Items: r.Items()}).One()
}

// Find looks a reservation up.
func Find(b *postgres.Batch, id uuid.UUID) Reservations {
	return Reservations{postgres.Query[bookingRow](b, `
		with page as (select `+reservationColumns+` from reservation where club_id = $1 and id = $2)`+withLines, b.Club, id)}
}

// Filter narrows a list of reservations; the zero value takes all.
type Filter struct {
	Member, Tool string // an id or a number
}

// List lists reservations, newest first, with ids below before (the greatest
// UUID for the first page). Served by the primary key of reservation, read backwards;
// with a member by reservation_of_member; with a tool by booking_of_tool.
func List(b *postgres.Batch, f Filter, before uuid.UUID, limit int) Reservations {
	where, args := ``, []any{b.Club, before, limit}
	narrow := func(condition, text string) {
		id, name := named(text)
		args = append(args, id, name)
		where += fmt.Sprintf(condition, len(args)-1, len(args))
	}
	if f.Member != "" {
		narrow(` and member_id = (select id from member where club_id = $1 and (id = $%d or number = $%d))`, f.Member)
	}
	if f.Tool != "" {
		narrow(` and id in (select reservation_id from booking where club_id = $1 and reservation_id < $2
			and tool_id = (select id from tool where club_id = $1 and (id = $%d or number = $%d)))`, f.Tool)
	}
	return Reservations{postgres.Query[bookingRow](b, `
		with page as (select `+reservationColumns+` from reservation where club_id = $1 and id < $2`+where+` order by id desc limit $3)`+withLines, args...)}
}

// named reads an id or a name, the other being nil: what looks like a UUID is an
// id, so that nothing is ever named twice.
func named(text string) (*uuid.UUID, *string) {
	if ref := postgres.ParseRef(text); ref.ID != nil {
		return ref.ID, nil
	}
	return nil, &text
}
