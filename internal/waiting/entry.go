package waiting

import (
	"fmt"
	"strings"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/lending"
	"pinwright/internal/postgres"
)

// States of an entry. The first two are open; the others end it.
const (
	Waiting  = "waiting"
	Offered  = "offered"
	Taken    = "taken"
	Declined = "declined"
	Lapsed   = "lapsed"
	Left     = "left"
	Passed   = "passed"
)

// Entry is one place in the line.
type Entry struct {
	ID            uuid.UUID
	MemberID      uuid.UUID
	JoinedBy      uuid.UUID // the member, or a keeper
	JoinedAt      time.Time
	Window        lending.Period // any time within it will do
	Hours         *int           // one of the two says for how long
	Days          *int
	State         string
	ChangedAt     time.Time
	LookedAt      *time.Time `json:"-"` // when it was last tried to serve it
	Hindrance     string     `json:"-"` // what was in the way then; empty when it was not tried
	HindranceText string     `json:"-"`
	Version       int64
	Lines         []Line
	Offer         *Offer // the newest
}

// Line is one thing that is needed: a tool, any tool of a model, or a kit.
type Line struct {
	Ordinal int
	ToolID  *uuid.UUID
	ModelID *uuid.UUID
	KitID   *uuid.UUID
	Label   string `json:"-"` // its number or code
}

// Offer is a time that was offered.
type Offer struct {
	ReservationID uuid.UUID
	Period        lending.Period // of all lines together
	OfferedAt     time.Time
	Until         time.Time // until when it can be accepted
	Outcome       string    // open, accepted, declined, lapsed or withdrawn
}

// IsOpen reports whether e still waits for something.
func (e Entry) IsOpen() bool { return e.State == Waiting || e.State == Offered }

// Duration is how long e needs its tools at least.
func (e Entry) Duration() time.Duration {
	if e.Hours != nil {
		return time.Duration(*e.Hours) * time.Hour
	}
	// From opening on the first day until closing on the last, of which both may be
	// short: at least the days between them.
	return max(time.Duration(*e.Days-2)*24*time.Hour, time.Minute)
}

// Needs says in words what e waits for.
func (e Entry) Needs() string {
	var names []string
	for _, l := range e.Lines {
		switch {
		case l.ModelID != nil:
			names = append(names, "a "+l.Label)
		case l.KitID != nil:
			names = append(names, "the kit "+l.Label)
		default:
			names = append(names, l.Label)
		}
	}
	what := strings.Join(names, ", ")
	if len(names) > 1 {
		what = strings.Join(names[:len(names)-1], ", ") + " and " + names[len(names)-1]
	}
	if e.Hours != nil {
		return fmt.Sprintf("%s for %d h", what, *e.Hours)
	}
	if *e.Days == 1 {
		return what + " for a day"
	}
	return fmt.Sprintf("%s for %d days", what, *e.Days)
}

// lineRow is one line beside its entry, so that a page comes from one query and
// one snapshot.
type lineRow struct {
	ID            uuid.UUID
	MemberID      uuid.UUID
	JoinedBy      uuid.UUID
	JoinedAt      time.Time
	WindowFrom    time.Time
	WindowUntil   time.Time
	Hours         *int
	Days          *int
	State         string
	ChangedAt     time.Time
	LookedAt      *time.Time
	Hindrance     string
	HindranceText string
	Version       int64
	Ordinal       int
	ToolID        *uuid.UUID
	ModelID       *uuid.UUID
	KitID         *uuid.UUID
	Label         string
	ReservationID *uuid.UUID
	OfferFrom     *time.Time
	OfferTo       *time.Time
	OfferedAt     *time.Time
	OfferUntil    *time.Time
	Outcome       string
}

const withLines = `
	select e.id, e.member_id, e.joined_by, e.joined_at, e.window_from, e.window_until, e.hours, e.days, e.state, e.changed_at, e.looked_at,
	       coalesce(e.hindrance, '') as hindrance, coalesce(e.hindrance_text, '') as hindrance_text, e.version,
	       l.ordinal, l.tool_id, l.model_id, l.kit_id, coalesce(t.number, m.code, k.code) as label,
	       o.reservation_id, lower(o.period) as offer_from, upper(o.period) as offer_to, o.offered_at, o.offer_until, coalesce(o.outcome, '') as outcome
	from page e
	join waiting_line l on l.club_id = e.club_id and l.entry_id = e.id
	left join tool t on t.club_id = l.club_id and t.id = l.tool_id
	left join tool_model m on m.club_id = l.club_id and m.id = l.model_id
	left join kit k on k.club_id = l.club_id and k.id = l.kit_id
	left join lateral (
		select * from waiting_offer o where o.club_id = e.club_id and o.entry_id = e.id order by o.offered_at desc, o.reservation_id desc limit 1
	) o on true
	order by e.id desc, l.ordinal`

// Entries is the result of a query; empty until its batch was sent.
type Entries struct{ rows *postgres.Rows[lineRow] }

// Items returns the entries with their lines.
func (r Entries) Items() []Entry {
	var out []Entry
	for _, row := range r.rows.Items {
		if len(out) == 0 || out[len(out)-1].ID != row.ID {
			e := Entry{ID: row.ID, MemberID: row.MemberID, JoinedBy: row.JoinedBy, JoinedAt: row.JoinedAt.UTC(),
				Window: lending.Period{From: row.WindowFrom.UTC(), Until: row.WindowUntil.UTC()}, Hours: row.Hours, Days: row.Days,
				State: row.State, ChangedAt: row.ChangedAt.UTC(), Hindrance: row.Hindrance, HindranceText: row.HindranceText, Version: row.Version}
			if row.LookedAt != nil {
				at := row.LookedAt.UTC()
				e.LookedAt = &at
			}
			if row.ReservationID != nil {
				e.Offer = &Offer{ReservationID: *row.ReservationID, Period: lending.Period{From: row.OfferFrom.UTC(), Until: row.OfferTo.UTC()},
					OfferedAt: row.OfferedAt.UTC(), Until: row.OfferUntil.UTC(), Outcome: row.Outcome}
			}
			out = append(out, e)
		}
		last := &out[len(out)-1]
		last.Lines = append(last.Lines, Line{Ordinal: row.Ordinal, ToolID: row.ToolID, ModelID: row.ModelID, KitID: row.KitID, Label: row.Label})
	}
	return out
}

// One returns the only entry; without one it is problem.Absent.
func (r Entries) One() (Entry, error) {
	return (&postgres.Rows[Entry]{Items: r.Items()}).One()
}

// Find looks an entry up.
func Find(b *postgres.Batch, id uuid.UUID) Entries {
	return Entries{postgres.Query[lineRow](b, `with page as (select * from waiting_entry where club_id = $1 and id = $2)`+withLines, b.Club, id)}
}

// Lock is Find, with the entry locked until the end of the write: before
// everything else, and read behind the lock.
func Lock(b *postgres.Batch, id uuid.UUID) Entries {
	postgres.Values[uuid.UUID](b, `select id from waiting_entry where club_id = $1 and id = $2 for no key update`, b.Club, id)
	return Find(b, id)
}

// Filter narrows a list of entries; the zero value takes all.
type Filter struct {
	Member, Tool, Model string // an id or the people's own name
	State               string
}

// all are the roles that see everybody's entries.
const all = `'{tool_keeper,officer,auditor}'`

// List lists entries, newest first, with ids below before (the greatest UUID for
// the first page): to the member that holder, a query by the club ($1) and key
// ($2), gives their own, to keepers, officers and auditors everybody's. The
// latter is served by the primary key, read backwards; one's own and a member's by
// waiting_entry_of_member; with a state by waiting_entry_in_state; with a tool or a model by
// waiting_line_of_tool and waiting_line_of_model.
func List(b *postgres.Batch, holder string, key []byte, f Filter, before uuid.UUID, limit int) Entries {
	where, args := ``, []any{b.Club, key, before, limit}
	narrow := func(condition string, values ...any) {
		places := make([]any, len(values))
		for i := range values {
			places[i] = len(args) + 1 + i
		}
		args = append(args, values...)
		where += fmt.Sprintf(condition, places...)
	}
	named := func(condition, text string) {
		if ref := postgres.ParseRef(text); text != "" {
			narrow(condition, ref.ID, ref.Name)
		}
	}
	named(` and e.member_id = (select id from member where club_id = $1 and (id = $%d or number = $%d))`, f.Member)
	if f.State != "" {
		narrow(` and e.state = $%d`, f.State)
	}
	named(` and e.id in (select entry_id from waiting_line where club_id = $1 and entry_id < $3
		and tool_id = (select id from tool where club_id = $1 and (id = $%d or number = $%d)))`, f.Tool)
	named(` and e.id in (select entry_id from waiting_line where club_id = $1 and entry_id < $3
		and model_id = (select id from tool_model where club_id = $1 and (id = $%d or code = $%d)))`, f.Model)
	sees := `(select m.roles && ` + all + ` from member m where m.club_id = $1 and m.id = (` + holder + `))`
	return Entries{postgres.Query[lineRow](b, `
		with page as (
			(select e.* from waiting_entry e where e.club_id = $1 and e.id < $3 and not `+sees+` and e.member_id = (`+holder+`)`+where+` order by e.id desc limit $4)
			union all
			(select e.* from waiting_entry e where e.club_id = $1 and e.id < $3 and `+sees+where+` order by e.id desc limit $4)
		)`+withLines, args...)}
}
