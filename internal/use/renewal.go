package use

import (
	"time"

	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/wear"
)

// Renewal is the beginning of a new life of a tool. Its words are those of the contract.
type Renewal struct {
	ID         uuid.UUID
	ToolID     uuid.UUID
	ToolNumber string `json:"-"`
	Kind       string
	DoneAt     time.Time
	MemberID   uuid.UUID
	RecordedAt time.Time
	Note       string
	Void
}

const selectRenewal = `select n.id, n.tool_id, t.number as tool_number, n.kind, n.done_at, n.member_id, n.recorded_at, n.note, n.voided_at, n.voided_by, n.void_reason
	from tool_renewal n join tool t on t.club_id = n.club_id and t.id = n.tool_id where n.club_id = $1`

// ListRenewals lists the renewals of a tool, newest first, behind the one of the time and id given.
// Served by tool_renewal_of_tool.
func ListRenewals(b *postgres.Batch, tool postgres.Ref, before time.Time, beforeID uuid.UUID, limit int) *postgres.Rows[Renewal] {
	return postgres.Query[Renewal](b, selectRenewal+` and n.tool_id = `+toolNamed+` and (n.done_at, n.id) < ($4, $5) order by n.done_at desc, n.id desc limit $6`,
		b.Club, tool.ID, tool.Name, before, beforeID, limit)
}

// FindRenewal looks a renewal of whichever tool up.
func FindRenewal(b *postgres.Batch, id uuid.UUID) *postgres.Rows[Renewal] {
	return postgres.Query[Renewal](b, selectRenewal+` and n.id = $2`, b.Club, id)
}

// LockRenewal looks a renewal of a tool up that is to be voided.
func LockRenewal(b *postgres.Batch, tool postgres.Ref, id uuid.UUID) *postgres.Rows[Renewal] {
	return postgres.Query[Renewal](b, selectRenewal+` and n.id = $2 and (t.id = $3 or t.number = $4) for no key update of n`, b.Club, id, tool.ID, tool.Name)
}

// Same reports whether m is n sent again; a time that it does not tell is that of n. It fails where
// the id stands for something else.
func (n Renewal) Same(m Renewal) error {
	if n.ToolID == m.ToolID && n.Kind == m.Kind && n.Note == m.Note && (m.DoneAt.IsZero() || n.DoneAt.Equal(m.DoneAt)) {
		return nil
	}
	return problem.New(problem.IDUsed, "A renewal of other content has this id. Make a new id for a new one; to correct that one, void it and post the right one.")
}

// Renew keeps n; without a time it was now.
func Renew(tx *postgres.Tx, n Renewal) (Renewal, error) {
	n.RecordedAt = stamp(tx.Now)
	if n.DoneAt.IsZero() {
		n.DoneAt = n.RecordedAt
	}
	if faults := wear.Ahead("/done_at", n.DoneAt, tx.Now); len(faults) > 0 {
		return n, problem.Invalid(faults...)
	}
	tx.Queue(`insert into tool_renewal (club_id, id, tool_id, kind, done_at, member_id, recorded_at, note) values ($1, $2, $3, $4, $5, $6, $7, $8)`,
		tx.Club, n.ID, n.ToolID, n.Kind, n.DoneAt, n.MemberID, n.RecordedAt, n.Note).
		RunAgainOn("tool_renewal_pkey").
		Refuse("tool_renewal_once", problem.New(problem.NotAllowedNow, "A renewal of this tool at that very time is on record; GET renewals shows it. Void that one first where it is wrong."))
	n.journal(tx, "tool_renewal.recorded", n.MemberID)
	return n, nil
}

// VoidRenewal lets n count no more.
func VoidRenewal(tx *postgres.Tx, actor uuid.UUID, n Renewal, reason string) (Renewal, error) {
	if err := n.end(tx, "renewal", actor, reason); err != nil {
		return n, err
	}
	n.keep(tx, "tool_renewal", n.ID)
	n.journal(tx, "tool_renewal.voided", actor)
	return n, nil
}

func (n Renewal) journal(tx *postgres.Tx, what string, actor uuid.UUID) {
	n.Note, n.VoidReason = "", ""
	journal.Append(tx, journal.Event{Type: what, Subject: n.ID, Version: n.version(), Audience: journal.ForClub, Actor: actor}, n)
}
