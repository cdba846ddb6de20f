package use

import (
	"fmt"
	"math"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/calc/length"
	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/wear"
)

// Kinds of checks.
const (
	CheckCut      = "check_cut"
	CutterReading = "cutter_reading"
)

// Check is a reamer's size as it was found. Its words are those of the contract.
type Check struct {
	ID         uuid.UUID
	ToolID     uuid.UUID
	ToolNumber string `json:"-"`
	NominalNm  *int64 `json:"-"` // of its model; none of what is set by hand
	Kind       string
	SizeNm     int64
	UNm        int64 // standard uncertainty
	Cut
	InstrumentID *uuid.UUID
	CheckedAt    time.Time
	MemberID     uuid.UUID
	RecordedAt   time.Time
	Note         string
	// Of the check of this kind before, in the same life of the tool.
	BeforeNm  *int64 `json:"-"`
	BeforeUNm *int64 `json:"-"`
	Void
}

const selectCheck = `select c.id, c.tool_id, t.number as tool_number, case when not coalesce((m.build ->> 'expansion')::boolean, false) then m.size_nm end as nominal_nm, c.kind, c.size_nm, c.u_nm,
		c.depth_nm, c.material, c.lubricant, c.guidance, c.instrument_id, c.checked_at, c.member_id, c.recorded_at, c.note, b.size_nm as before_nm, b.u_nm as before_u_nm,
		c.voided_at, c.voided_by, c.void_reason
	from tool_check c
	join tool t on t.club_id = c.club_id and t.id = c.tool_id
	join tool_model m on m.club_id = t.club_id and m.id = t.model_id
	left join lateral (select p.size_nm, p.u_nm from tool_check p where p.club_id = c.club_id and p.tool_id = c.tool_id and p.kind = c.kind and p.voided_at is null
		and (p.checked_at, p.id) < (c.checked_at, c.id)
		and p.checked_at >= coalesce((select n.done_at from tool_renewal n where n.club_id = c.club_id and n.tool_id = c.tool_id and n.voided_at is null and n.done_at <= c.checked_at
			order by n.done_at desc limit 1), '-infinity')
		order by p.checked_at desc, p.id desc limit 1) b on true
	where c.club_id = $1`

// ListChecks lists the checks of a tool, newest first, behind the one of the time and id given.
// Served by tool_check_of_tool.
func ListChecks(b *postgres.Batch, tool postgres.Ref, before time.Time, beforeID uuid.UUID, limit int) *postgres.Rows[Check] {
	return postgres.Query[Check](b, selectCheck+` and c.tool_id = `+toolNamed+` and (c.checked_at, c.id) < ($4, $5) order by c.checked_at desc, c.id desc limit $6`,
		b.Club, tool.ID, tool.Name, before, beforeID, limit)
}

// LockCheck looks a check of a tool up that is to be voided.
func LockCheck(b *postgres.Batch, tool postgres.Ref, id uuid.UUID) *postgres.Rows[Check] {
	return postgres.Query[Check](b, selectCheck+` and c.id = $2 and (t.id = $3 or t.number = $4) for no key update of c`, b.Club, id, tool.ID, tool.Name)
}

// before is a check that one comes after.
type before struct {
	Kind        string
	SizeNm, UNm int64
}

// CheckOrder is a check with what was looked up for it.
type CheckOrder struct {
	at     *time.Time // when it was made, where that is told
	tools  *postgres.Rows[toolRow]
	loans  *postgres.Rows[Loan]
	kept   *postgres.Rows[Check]
	before *postgres.Rows[before]
	with   *postgres.Rows[toolRow]
	named  string // the instrument
}

// LookUpCheck queues the lookups for the check of that id and time; instrument may be empty.
func LookUpCheck(b *postgres.Batch, now time.Time, tool postgres.Ref, id uuid.UUID, at *time.Time, instrument string) *CheckOrder {
	when := now
	if at != nil {
		when = *at
	}
	o := &CheckOrder{at: at, tools: findTools(b, []postgres.Ref{tool}), named: instrument}
	o.loans = lockLoans(b, tool, nil, when, when)
	o.kept = postgres.Query[Check](b, selectCheck+` and c.id = $2`, b.Club, id)
	o.before = postgres.Query[before](b, `select distinct on (p.kind) p.kind, p.size_nm, p.u_nm from tool_check p where p.club_id = $1 and p.tool_id = `+toolNamed+` and p.voided_at is null and p.checked_at <= $4
		and p.checked_at >= coalesce((select n.done_at from tool_renewal n where n.club_id = $1 and n.tool_id = `+toolNamed+` and n.voided_at is null and n.done_at <= $4 order by n.done_at desc limit 1), '-infinity')
		order by p.kind, p.checked_at desc, p.id desc`, b.Club, tool.ID, tool.Name, when)
	if instrument != "" {
		o.with = findTools(b, []postgres.Ref{postgres.ParseRef(instrument)})
	}
	return o
}

// Make keeps c, or finds that it is on record already.
func (o *CheckOrder) Make(tx *postgres.Tx, by Recorder, c Check) (made Check, already bool, err error) {
	t, err := o.tools.One()
	if err != nil {
		return c, false, err
	}
	c.ToolID, c.ToolNumber, c.MemberID, c.RecordedAt = t.ID, t.Number, by.ID, stamp(tx.Now)
	c.CheckedAt = c.RecordedAt
	if o.at != nil {
		c.CheckedAt = stamp(*o.at)
	}
	faults := o.check(&c, t, tx.Now)
	if len(o.kept.Items) > 0 {
		k := o.kept.Items[0]
		if len(faults) > 0 || !k.same(c, o.at != nil) {
			return c, false, problem.New(problem.IDUsed, "A check of other content has this id. Make a new id for a new one; to correct that one, void it and post the right one.")
		}
		return k, true, nil
	}
	if !by.Keeper && covering(o.loans.Items, t.ID, by.ID, c.CheckedAt) == nil {
		return c, false, problem.New(problem.MissingRole, "You had not %s on loan at that time. Give the time of the check, or let a tool_keeper or officer record it.", t.Number)
	}
	if len(faults) > 0 {
		return c, false, problem.Invalid(faults...)
	}
	for _, b := range o.before.Items {
		if b.Kind == c.Kind {
			c.BeforeNm, c.BeforeUNm = &b.SizeNm, &b.UNm
		}
	}
	if !t.Expansion {
		c.NominalNm = t.SizeNm
	}
	tx.Queue(`insert into tool_check (club_id, id, tool_id, kind, size_nm, u_nm, depth_nm, material, lubricant, guidance, instrument_id, checked_at, member_id, recorded_at, note)
		values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15)`,
		tx.Club, c.ID, c.ToolID, c.Kind, c.SizeNm, c.UNm, c.DepthNm, c.Material, c.Lubricant, c.Guidance, c.InstrumentID, c.CheckedAt, c.MemberID, c.RecordedAt, c.Note).
		RunAgainOn("tool_check_pkey")
	c.journal(tx, "tool_check.recorded", c.MemberID)
	return c, false, nil
}

// mostOff is how far a reamer's size may lie from that of its model, in nanometres: what is further
// off is another reamer, or a slip of the pen. Common practice, no published source.
const mostOff = 500_000

// check fills in what c was measured with, and reports what is wrong with c.
func (o *CheckOrder) check(c *Check, t toolRow, now time.Time) []problem.Fault {
	faults := wear.Ahead("/checked_at", c.CheckedAt, now)
	if t.Kind != "reamer" {
		faults = append(faults, problem.Fault{Pointer: "/kind", Detail: fmt.Sprintf("is of reamers, and %s is none; what a %s measures wrongly POST to its calibrations", t.Number, t.kind())})
	} else if t.SizeNm != nil && !t.Expansion && length.Length(c.SizeNm-*t.SizeNm).Abs() > mostOff {
		faults = append(faults, problem.Fault{Pointer: "/size", Detail: fmt.Sprintf("lies more than 0.5 mm beside the %s of %s; check the size, its unit and the number on the tool", length.Length(*t.SizeNm).Text(length.Millimetre), t.Number)})
	}
	if c.SizeNm <= 0 {
		faults = append(faults, problem.Fault{Pointer: "/size", Detail: "must be more than nothing"})
	}
	if c.UNm <= 0 || c.UNm > mostOff {
		faults = append(faults, problem.Fault{Pointer: "/u", Detail: "must be the standard uncertainty of the size, more than nothing and at most 0.5 mm; half of an expanded uncertainty with coverage factor 2"})
	}
	if c.Kind != CheckCut && !c.none() {
		faults = append(faults, problem.Fault{Pointer: "/kind", Detail: "is of the tool itself, which has no depth, material, lubricant or guidance; leave them out, or say check_cut"})
	}
	faults = append(faults, c.faults("")...)
	if o.with != nil {
		switch {
		case len(o.with.Items) == 0:
			faults = append(faults, problem.Fault{Pointer: "/instrument", Detail: fmt.Sprintf("there is no tool “%s” in this club; check the number, or leave it out", o.named)})
		case o.with.Items[0].ID == t.ID || !measures(o.with.Items[0].Kind):
			faults = append(faults, problem.Fault{Pointer: "/instrument", Detail: "measures nothing; name the micrometer, gauge or other instrument that was used"})
		default:
			c.InstrumentID = &o.with.Items[0].ID
		}
	}
	return faults
}

// faults are what is wrong with how a hole was cut.
func (c Cut) faults(at string) []problem.Fault {
	if c.DepthNm != nil && (*c.DepthNm <= 0 || *c.DepthNm > 1_000_000_000) {
		return []problem.Fault{{Pointer: at + "/depth", Detail: "must be more than nothing and at most a metre"}}
	}
	return nil
}

// same reports whether d is c sent again; timed where it tells the time.
func (c Check) same(d Check, timed bool) bool {
	return c.ToolID == d.ToolID && c.Kind == d.Kind && c.SizeNm == d.SizeNm && c.UNm == d.UNm && c.Cut.equal(d.Cut) && same(c.InstrumentID, d.InstrumentID) && c.Note == d.Note &&
		(!timed || c.CheckedAt.Equal(d.CheckedAt))
}

// Over is how much more than its model's size the check found; none of what is set by hand.
func (c Check) Over() *int64 {
	if c.NominalNm == nil {
		return nil
	}
	over := c.SizeNm - *c.NominalNm
	return &over
}

// Change is how much more than the check before it found.
func (c Check) Change() *int64 {
	if c.BeforeNm == nil {
		return nil
	}
	change := c.SizeNm - *c.BeforeNm
	return &change
}

// Summary says what the check tells. Two checks are told apart where they differ by more than the
// expanded uncertainty (coverage factor 2) of their difference (JCGM 100:2008, 5.1.2 and G.6.6).
func (c Check) Summary(unit length.Unit) string {
	text := fmt.Sprintf("%s measures %s over its edges", c.ToolNumber, length.Length(c.SizeNm).Text(unit))
	if c.Kind == CheckCut {
		text = fmt.Sprintf("%s cut a hole of %s", c.ToolNumber, length.Length(c.SizeNm).Text(unit))
	}
	beside := func(nm int64) string {
		switch {
		case nm > 0:
			return length.Length(nm).Text(unit) + " more than "
		case nm < 0:
			return length.Length(-nm).Text(unit) + " less than "
		}
		return "just "
	}
	if over := c.Over(); over != nil {
		text += ", " + beside(*over) + "its nominal size"
	}
	text += fmt.Sprintf(" (standard uncertainty %s).", length.Length(c.UNm).Text(unit))
	change := c.Change()
	if change == nil {
		return text
	}
	if math.Abs(float64(*change)) <= 2*math.Hypot(float64(c.UNm), float64(*c.BeforeUNm)) {
		return text + " It cannot be told apart from what the check before it found."
	}
	return text + " That is " + beside(*change) + "what the check before it found."
}

// VoidCheck lets c count no more.
func VoidCheck(tx *postgres.Tx, actor uuid.UUID, c Check, reason string) (Check, error) {
	if err := c.end(tx, "check", actor, reason); err != nil {
		return c, err
	}
	c.keep(tx, "tool_check", c.ID)
	c.journal(tx, "tool_check.voided", actor)
	return c, nil
}

func (c Check) journal(tx *postgres.Tx, what string, actor uuid.UUID) {
	c.Note, c.VoidReason = "", ""
	journal.Append(tx, journal.Event{Type: what, Subject: c.ID, Version: c.version(), Audience: journal.ForClub, Actor: actor}, c)
}
