package loan

import (
	"fmt"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/lending"
	"pinwright/internal/postgres"
)

// Loan is a tool in a member's hands, or that was.
type Loan struct {
	ID            uuid.UUID
	ReservationID uuid.UUID
	Line          int
	ToolID        uuid.UUID
	ToolNumber    string
	ToolModel     string `json:"-"`
	Caution       string `json:"-"`
	MemberID      uuid.UUID
	MemberNumber  string `json:"-"`
	MemberName    string `json:"-"` // the journal keeps no names
	Period        lending.Period
	Held          lending.Period
	WalkIn        bool
	HandoutID     uuid.UUID
	CollectedAt   time.Time
	ConditionOut  string
	NoteOut       string `json:"-"`
	DepositMinor  *int64
	// DespiteCalibration is why it went out though its calibration did not hold.
	DespiteCalibration string `json:"-"`
	LateAt             *time.Time
	ReturnID           *uuid.UUID
	EndedAt            *time.Time
	Ended              string // returned, handed_over, lost or undone; empty while it is open
	ConditionIn        string
	PartsIn            *int
	NoteIn             string `json:"-"`
	RecordedAt         time.Time
	PassingTo          *uuid.UUID // to whom its borrower offers it
	PassingSince       *time.Time
	// Version grows with every change that shows: of the loan, its tool, the tool's
	// model and its member.
	Version int64

	own                      int64 // the loan's own version
	toolZone                 string
	periodBefore, heldBefore lending.Period
	periodOut, heldOut       *lending.Period
	stateBefore, stateLeft   string
	conditBefore             string
	placeBefore              *uuid.UUID
	displaced                int
	guestUntil               *time.Time
	tool                     *item
}

// IsLate reports whether it should be back at t.
func (l Loan) IsLate(t time.Time) bool { return l.Ended == "" && t.After(l.Period.Until) }

type loanRow struct {
	ID, ReservationID              uuid.UUID
	Line                           int
	ToolID                         uuid.UUID
	ToolNumber, ToolModel, Caution string
	MemberID                       uuid.UUID
	MemberNumber, MemberName       string
	BookedFrom, BookedUntil        time.Time
	HeldFrom, HeldUntil            time.Time
	WalkIn                         bool
	HandoutID                      uuid.UUID
	CollectedAt                    time.Time
	ConditionOut, NoteOut          string
	DespiteCalibration             string
	DepositMinor                   *int64
	LateAt                         *time.Time
	ReturnID                       *uuid.UUID
	EndedAt                        *time.Time
	Ended, ConditionIn             string
	PartsIn                        *int
	NoteIn                         string
	RecordedAt                     time.Time
	PassingTo                      *uuid.UUID
	PassingSince                   *time.Time
	Changes, Own                   int64
	ToolZone                       string
	PeriodBeforeFrom               *time.Time
	PeriodBeforeUntil              *time.Time
	HeldBeforeFrom                 time.Time
	HeldBeforeUntil                time.Time
	PeriodOutFrom, PeriodOutUntil  *time.Time
	HeldOutFrom, HeldOutUntil      *time.Time
	StateBefore, StateLeft         string
	ConditionBefore                string
	PlaceBefore                    *uuid.UUID
	Displaced                      int
	GuestUntil                     *time.Time
}

// shown adds what is shown to the loans l that from selects.
const shown = `select l.id, l.reservation_id, l.line, l.tool_id, t.number as tool_number, m.code as tool_model, m.caution, l.member_id, p.number as member_number, p.name as member_name,
		lower(b.period) as booked_from, upper(b.period) as booked_until, lower(b.held) as held_from, upper(b.held) as held_until, r.walk_in, l.handout_id, l.collected_at,
		l.condition_out, l.note_out, l.despite_calibration, l.deposit_minor, l.late_at, l.return_id, l.ended_at, coalesce(l.ended, '') as ended, coalesce(l.condition_in, '') as condition_in,
		l.parts_in, l.note_in, l.recorded_at, o.to_member as passing_to, o.offered_at as passing_since, t.version + m.version + p.version - 3 as changes, l.version as own,
		g.time_zone as tool_zone,
		lower(l.period_before) as period_before_from, upper(l.period_before) as period_before_until, lower(l.held_before) as held_before_from,
		upper(l.held_before) as held_before_until, lower(l.period_out) as period_out_from, upper(l.period_out) as period_out_until,
		lower(l.held_out) as held_out_from, upper(l.held_out) as held_out_until, coalesce(l.state_before, '') as state_before, coalesce(l.state_left, '') as state_left,
		coalesce(l.condition_before, '') as condition_before, l.place_before, l.displaced, p.guest_until
	from %s l
	join booking b on b.club_id = l.club_id and b.reservation_id = l.reservation_id and b.line = l.line
	join reservation r on r.club_id = l.club_id and r.id = l.reservation_id
	join tool t on t.club_id = l.club_id and t.id = l.tool_id
	join tool_model m on m.club_id = t.club_id and m.id = t.model_id
	join garage g on g.club_id = t.club_id and g.id = t.garage_id
	join member p on p.club_id = l.club_id and p.id = l.member_id
	left join hand_over o on o.club_id = l.club_id and o.loan_id = l.id and o.answer is null`

// Loans is the result of a query; empty until its batch was sent.
type Loans struct{ rows *postgres.Rows[loanRow] }

// Items returns the loans.
func (l Loans) Items() []Loan {
	out := make([]Loan, len(l.rows.Items))
	for i, r := range l.rows.Items {
		out[i] = Loan{ID: r.ID, ReservationID: r.ReservationID, Line: r.Line, ToolID: r.ToolID, ToolNumber: r.ToolNumber, ToolModel: r.ToolModel, Caution: r.Caution,
			MemberID: r.MemberID, MemberNumber: r.MemberNumber, MemberName: r.MemberName, Period: stretch(r.BookedFrom, r.BookedUntil), Held: stretch(r.HeldFrom, r.HeldUntil),
			WalkIn: r.WalkIn, HandoutID: r.HandoutID, CollectedAt: r.CollectedAt.UTC(), ConditionOut: r.ConditionOut, NoteOut: r.NoteOut, DespiteCalibration: r.DespiteCalibration, DepositMinor: r.DepositMinor,
			LateAt: utc(r.LateAt), ReturnID: r.ReturnID, EndedAt: utc(r.EndedAt), Ended: r.Ended, ConditionIn: r.ConditionIn, PartsIn: r.PartsIn, NoteIn: r.NoteIn,
			RecordedAt: r.RecordedAt.UTC(), PassingTo: r.PassingTo, PassingSince: utc(r.PassingSince), Version: r.Own + r.Changes,
			own: r.Own, toolZone: r.ToolZone, heldBefore: stretch(r.HeldBeforeFrom, r.HeldBeforeUntil), periodOut: known(r.PeriodOutFrom, r.PeriodOutUntil),
			heldOut: known(r.HeldOutFrom, r.HeldOutUntil), stateBefore: r.StateBefore, stateLeft: r.StateLeft, conditBefore: r.ConditionBefore, placeBefore: r.PlaceBefore, displaced: r.Displaced,
			guestUntil: utc(r.GuestUntil)}
		out[i].periodBefore = out[i].Period
		if before := known(r.PeriodBeforeFrom, r.PeriodBeforeUntil); before != nil {
			out[i].periodBefore = *before
		}
	}
	return out
}

// One returns the only loan; without one it is problem.Absent.
func (l Loans) One() (Loan, error) { return (&postgres.Rows[Loan]{Items: l.Items()}).One() }

func stretch(from, until time.Time) lending.Period {
	return lending.Period{From: from.UTC(), Until: until.UTC()}
}

func known(from, until *time.Time) *lending.Period {
	if from == nil || until == nil {
		return nil
	}
	p := stretch(*from, *until)
	return &p
}

func utc(t *time.Time) *time.Time {
	if t == nil {
		return nil
	}
	at := t.UTC()
	return &at
}

// Find looks a loan up.
func Find(b *postgres.Batch, id uuid.UUID) Loans {
	return Loans{postgres.Query[loanRow](b, fmt.Sprintf(shown, "loan")+` where l.club_id = $1 and l.id = $2`, b.Club, id)}
}

// openOf reads the open loans of tools, which are locked. Served by loan_open.
func openOf(b *postgres.Batch, tools []uuid.UUID) Loans {
	return Loans{postgres.Query[loanRow](b, `with page as materialized (select l.* from unnest($2::uuid[]) as w(tool_id) join loan l on l.club_id = $1 and l.tool_id = w.tool_id where l.ended is null)
		`+fmt.Sprintf(shown, "page"), b.Club, tools)}
}

// Filter narrows a list of loans; the zero value takes all.
type Filter struct {
	Member, Tool string // an id or a number
	State        string // open, late or ended
	Now          time.Time
}

// List lists loans, newest first, with ids below before (the greatest UUID for
// the first page). Served by the primary key of loan, read backwards; those that
// are open by loan_out; with a tool by loan_of_tool, else with a member by
// loan_of_member.
func List(b *postgres.Batch, f Filter, before uuid.UUID, limit int) Loans {
	where, args := ``, []any{b.Club, before, limit}
	narrow := func(condition, text string) {
		ref := postgres.ParseRef(text)
		args = append(args, ref.ID, ref.Name)
		where += fmt.Sprintf(condition, len(args)-1, len(args))
	}
	if f.Member != "" {
		narrow(` and l.member_id = (select id from member where club_id = $1 and (id = $%d or number = $%d))`, f.Member)
	}
	if f.Tool != "" {
		narrow(` and l.tool_id = (select id from tool where club_id = $1 and (id = $%d or number = $%d))`, f.Tool)
	}
	switch f.State {
	case "open":
		where += ` and l.ended is null`
	case "late":
		args = append(args, f.Now)
		where += fmt.Sprintf(` and l.ended is null and exists (select from booking b where b.club_id = l.club_id and b.reservation_id = l.reservation_id and b.line = l.line and upper(b.period) < $%d)`, len(args))
	case "ended":
		where += ` and l.ended is not null`
	}
	return Loans{postgres.Query[loanRow](b, `with page as (select l.* from loan l where l.club_id = $1 and l.id < $2`+where+` order by l.id desc limit $3)
		`+fmt.Sprintf(shown, "page")+` order by l.id desc`, args...)}
}

// tell adds an event of l, as it is after the change.
func tell(tx *postgres.Tx, actor uuid.UUID, what string, l Loan) {
	journal.Append(tx, journal.Event{Type: what, Subject: l.ID, Version: l.Version, Audience: journal.ForClub, Actor: actor}, l)
}

// touched marks tools as changed: what is shown of them did.
func touched(tx *postgres.Tx, tools []uuid.UUID) {
	tx.Queue(`update tool set version = version + 1 where club_id = $1 and id = any($2)`, tx.Club, tools)
}
