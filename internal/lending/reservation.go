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
	CancelReason     string     `json:"-"`
	Approval         string     // not_needed, awaited, given or declined
	OfferUntil       *time.Time // held for somebody who waits, who has until then to say yes
	WalkIn           bool       // made and collected at once, over the counter
	ChangedAt        time.Time  // when it last changed, or was made
	// Version grows with every change that shows: the reservation's own, and those
	// of its tools and their models.
	Version int64
	Lines   []Booking

	own        int64 // the part of Version that is the reservation's own
	approvedBy *uuid.UUID
	approvedAt *time.Time
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
	State      string // reserved, out, returned, cancelled or lost

	GarageID     *uuid.UUID // where it is collected and brought back; nil: the tool's home garage
	AskedModelID *uuid.UUID // any tool of it will do; nil: the tool was named
	Exactly      bool       // no equal will do in its place
	KitID        *uuid.UUID
	Choice       *int       // lines with the same number stand for one another until one is decided for
	DecideBy     *time.Time // then the first of them stays
	Endangered   string     // why the tool may not be there: late, quarantine, lost, retired or calibration; empty when it should be
	EndangeredAt *time.Time

	CollectedID  uuid.UUID `json:"-"` // the garage where it is collected and brought back, whether it was asked for or not
	CollectedAt  string    `json:"-"` // its code
	Kit          string    `json:"-"` // its code
	DepositMinor *int64    `json:"-"` // asked for when it is handed out

	zone *time.Location // of the garage where it is collected; UTC for none
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
	Approval         string
	OfferUntil       *time.Time
	WalkIn           bool
	ChangedAt        time.Time
	Version          int64
	Changes          int64 // of what shows of the line: tool, model, garage, kit and the club's rules
	Line             int
	ToolID           uuid.UUID
	ToolNumber       string
	ToolModel        string
	Caution          string
	BookedFrom       time.Time
	BookedUntil      time.Time
	HeldFrom         time.Time
	HeldUntil        time.Time
	State            string
	GarageID         *uuid.UUID
	AskedModelID     *uuid.UUID
	Exactly          bool
	KitID            *uuid.UUID
	Choice           *int
	DecideBy         *time.Time
	Endangered       string
	EndangeredAt     *time.Time
	CollectedID      uuid.UUID
	CollectedAt      string
	TimeZone         string
	Kit              string
	DepositMinor     *int64
}

const reservationColumns = `id, club_id, member_id, purpose, recommendation_id, created_at, cancelled_at, cancel_reason, approval, offer_until, walk_in,
	coalesce(changed_at, created_at) as changed_at, version`

// withLines adds the lines to the reservations that the query named page
// selects.
const withLines = `
	select r.id, r.member_id, r.purpose, r.recommendation_id, r.created_at, r.cancelled_at, r.cancel_reason, r.approval, r.offer_until, r.walk_in, r.changed_at, r.version,
	       t.version + m.version + g.version - 3 + coalesce(k.version, 1) - 1 + coalesce(l.version, 1) - 1 as changes, b.line, b.tool_id, t.number as tool_number, m.code as tool_model, m.caution,
	       lower(b.period) as booked_from, upper(b.period) as booked_until, lower(b.held) as held_from, upper(b.held) as held_until, b.state,
	       b.garage_id, b.asked_model_id, b.exactly, b.kit_id, b.choice, b.decide_by, coalesce(b.endangered, '') as endangered, b.endangered_at,
	       g.id as collected_id, g.code as collected_at, g.time_zone, coalesce(k.code, '') as kit,
	       case when l.deposit_at_handout then coalesce(t.deposit_minor, m.deposit_minor) end as deposit_minor
	from page r
	join booking b on b.club_id = r.club_id and b.reservation_id = r.id
	join tool t on t.club_id = b.club_id and t.id = b.tool_id
	join tool_model m on m.club_id = t.club_id and m.id = t.model_id
	join garage g on g.club_id = b.club_id and g.id = coalesce(b.garage_id, t.garage_id)
	left join kit k on k.club_id = b.club_id and k.id = b.kit_id
	left join lending_rule l on l.club_id = b.club_id
	order by r.id desc, b.line`

// Reservations is the result of a query; empty until its batch was sent.
type Reservations struct{ rows *postgres.Rows[bookingRow] }

// Items returns the reservations with their lines.
func (r Reservations) Items() []Reservation {
	var out []Reservation
	for _, row := range r.rows.Items {
		if len(out) == 0 || out[len(out)-1].ID != row.ID {
			one := Reservation{ID: row.ID, MemberID: row.MemberID, Purpose: row.Purpose, RecommendationID: row.RecommendationID,
				CreatedAt: row.CreatedAt.UTC(), CancelledAt: utc(row.CancelledAt), CancelReason: row.CancelReason, Approval: row.Approval,
				OfferUntil: utc(row.OfferUntil), WalkIn: row.WalkIn, ChangedAt: row.ChangedAt.UTC(), Version: row.Version, own: row.Version}
			out = append(out, one)
		}
		last := &out[len(out)-1]
		last.Version += row.Changes
		last.Lines = append(last.Lines, Booking{Line: row.Line, ToolID: row.ToolID, ToolNumber: row.ToolNumber, ToolModel: row.ToolModel, Caution: row.Caution,
			Period: Period{From: row.BookedFrom, Until: row.BookedUntil}.kept(),
			Held:   Period{From: row.HeldFrom, Until: row.HeldUntil}.kept(), State: row.State,
			GarageID: row.GarageID, AskedModelID: row.AskedModelID, Exactly: row.Exactly, KitID: row.KitID,
			Choice: row.Choice, DecideBy: utc(row.DecideBy), Endangered: row.Endangered, EndangeredAt: utc(row.EndangeredAt),
			CollectedID: row.CollectedID, CollectedAt: row.CollectedAt, Kit: row.Kit, DepositMinor: row.DepositMinor, zone: zoneNamed(row.TimeZone)})
	}
	return out
}

// zoneNamed is a zone by its name, UTC where this program does not know it.
func zoneNamed(name string) *time.Location {
	if zone, err := time.LoadLocation(name); err == nil {
		return zone
	}
	return time.UTC
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

func utc(t *time.Time) *time.Time {
	if t == nil {
		return nil
	}
	at := t.UTC()
	return &at
}
