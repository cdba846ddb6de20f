package use

import (
	"fmt"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/repair"
)

// Kinds of work.
const (
	Holes        = "holes"
	Pulls        = "pulls"
	Pressings    = "pressings"
	Measurements = "measurements"
	OtherWork    = "other"
)

// Use is something that a tool did. Its words are those of the contract.
type Use struct {
	ID           uuid.UUID
	ToolID       uuid.UUID
	ToolNumber   string `json:"-"`
	LoanID       *uuid.UUID
	MemberID     uuid.UUID // who used it
	RepairID     *uuid.UUID
	RepairNumber *int `json:"-"`
	JointID      *uuid.UUID
	Position     *string `json:"-"`
	FeatureID    *uuid.UUID
	Feature      *string `json:"-"`
	UsedAt       time.Time
	RecordedAt   time.Time
	RecordedBy   uuid.UUID
	Work         string
	Count        int
	Cut
	SizeBeforeNm *int64
	Note         string
	Void
}

// Cut is how a hole was cut, as far as that is known.
type Cut struct {
	DepthNm   *int64
	Material  *string
	Lubricant *string
	Guidance  *string
}

func (c Cut) equal(d Cut) bool {
	return same(c.DepthNm, d.DepthNm) && same(c.Material, d.Material) && same(c.Lubricant, d.Lubricant) && same(c.Guidance, d.Guidance)
}

func (c Cut) none() bool { return c.equal(Cut{}) }

func same[T comparable](a, b *T) bool {
	return a == nil && b == nil || a != nil && b != nil && *a == *b
}

// Void is why something counts no more; the zero value while it does.
type Void struct {
	VoidedAt   *time.Time
	VoidedBy   *uuid.UUID
	VoidReason string
}

func (v Void) version() int64 {
	if v.VoidedAt != nil {
		return 2
	}
	return 1
}

// end makes v void, once.
func (v *Void) end(tx *postgres.Tx, what string, actor uuid.UUID, reason string) error {
	if v.VoidedAt != nil {
		return problem.New(problem.NotAllowedNow, "This %s was voided on %s and stays so. To add what is right, post a new one.", what, v.VoidedAt.UTC().Format(time.DateOnly))
	}
	at := stamp(tx.Now)
	v.VoidedAt, v.VoidedBy, v.VoidReason = &at, &actor, reason
	return nil
}

// keep queues that the row of that id counts no more.
func (v Void) keep(tx *postgres.Tx, table string, id uuid.UUID) {
	tx.Queue(`update `+table+` set voided_at = $3, voided_by = $4, void_reason = $5, version = version + 1 where club_id = $1 and id = $2`, tx.Club, id, v.VoidedAt, v.VoidedBy, v.VoidReason)
}

// stamp is a time as the tables keep it.
func stamp(t time.Time) time.Time { return t.UTC().Truncate(time.Microsecond) }

// shown adds what is shown to the uses u that from selects.
const shown = `select u.id, u.tool_id, t.number as tool_number, u.loan_id, u.member_id, u.repair_id, r.number as repair_number, u.joint_id, j.position,
		u.feature_id, f.code as feature, u.used_at, u.recorded_at, u.recorded_by, u.work, u.count, u.size_before_nm, u.depth_nm, u.material, u.lubricant, u.guidance, u.note,
		u.voided_at, u.voided_by, u.void_reason
	from %s u
	join tool t on t.club_id = u.club_id and t.id = u.tool_id
	left join repair r on r.club_id = u.club_id and r.id = u.repair_id
	left join joint j on j.club_id = u.club_id and j.id = u.joint_id
	left join feature f on f.club_id = u.club_id and f.id = u.feature_id`

// Find looks a use of a tool up, and locks it when it is to be voided.
func Find(b *postgres.Batch, tool postgres.Ref, id uuid.UUID, lock bool) *postgres.Rows[Use] {
	locked := ``
	if lock {
		locked = ` for no key update of u`
	}
	return postgres.Query[Use](b, fmt.Sprintf(shown, "tool_use")+` where u.club_id = $1 and u.id = $2 and (t.id = $3 or t.number = $4)`+locked, b.Club, id, tool.ID, tool.Name)
}

// Filter narrows a list of uses; the zero value takes all.
type Filter struct {
	Loan           *uuid.UUID
	Member, Repair string // an id or a number
}

// List lists the uses of a tool, newest first, behind the one of the time and id given, voided ones
// with them. Served by tool_use_of_tool.
func List(b *postgres.Batch, tool postgres.Ref, f Filter, before time.Time, beforeID uuid.UUID, limit int) *postgres.Rows[Use] {
	where, args := ``, []any{b.Club, tool.ID, tool.Name, before, beforeID, limit}
	if f.Loan != nil {
		args = append(args, *f.Loan)
		where += fmt.Sprintf(` and u.loan_id = $%d`, len(args))
	}
	if f.Member != "" {
		who := postgres.ParseRef(f.Member)
		args = append(args, who.ID, who.Name)
		where += fmt.Sprintf(` and u.member_id = (select id from member where club_id = $1 and (id = $%d or number = $%d))`, len(args)-1, len(args))
	}
	if f.Repair != "" {
		id, number := repair.Named(f.Repair)
		args = append(args, id, number)
		where += fmt.Sprintf(` and u.repair_id = (select id from repair where club_id = $1 and (id = $%d or number = $%d))`, len(args)-1, len(args))
	}
	return postgres.Query[Use](b, `with page as (select u.* from tool_use u where u.club_id = $1 and u.tool_id = (select id from tool where club_id = $1 and (id = $2 or number = $3))
			and (u.used_at, u.id) < ($4, $5)`+where+` order by u.used_at desc, u.id desc limit $6)
		`+fmt.Sprintf(shown, "page")+` order by u.used_at desc, u.id desc`, args...)
}

// IsLoanOf asks whether the loan is one of the tool's.
func IsLoanOf(b *postgres.Batch, tool postgres.Ref, loan uuid.UUID) *postgres.Rows[bool] {
	return postgres.Values[bool](b, `select true from loan l join tool t on t.club_id = l.club_id and t.id = l.tool_id where l.club_id = $1 and l.id = $2 and (t.id = $3 or t.number = $4)`, b.Club, loan, tool.ID, tool.Name)
}

// VoidUse lets u count no more.
func VoidUse(tx *postgres.Tx, actor uuid.UUID, u Use, reason string) (Use, error) {
	if err := u.end(tx, "use", actor, reason); err != nil {
		return u, err
	}
	u.keep(tx, "tool_use", u.ID)
	u.journal(tx, "tool_use.voided", actor)
	return u, nil
}

// journal notes what happened to u without its words, which may name people and must be erasable.
func (u Use) journal(tx *postgres.Tx, what string, actor uuid.UUID) {
	u.Note, u.VoidReason = "", ""
	journal.Append(tx, journal.Event{Type: what, Subject: u.ID, Version: u.version(), Audience: journal.ForClub, Actor: actor}, u)
}
