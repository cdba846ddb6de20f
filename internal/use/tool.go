package use

import (
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/postgres"
)

// Recorder is who records something; a keeper may record what others did.
type Recorder struct {
	ID     uuid.UUID
	Keeper bool
}

// toolRow is a tool as far as its uses depend on it.
type toolRow struct {
	ID        uuid.UUID
	Number    string
	Kind      string
	SizeNm    *int64
	Expansion bool // set by hand, so of no one size
}

func findTools(b *postgres.Batch, refs []postgres.Ref) *postgres.Rows[toolRow] {
	ids, numbers := postgres.Split(refs)
	return postgres.Query[toolRow](b, `select t.id, t.number, m.kind, m.size_nm, coalesce((m.build ->> 'expansion')::boolean, false) as expansion
		from tool t join tool_model m on m.club_id = t.club_id and m.id = t.model_id where t.club_id = $1 and (t.id = any($2) or t.number = any($3))`, b.Club, ids, numbers)
}

func (t toolRow) is(ref postgres.Ref) bool {
	return ref.ID != nil && t.ID == *ref.ID || ref.ID == nil && t.Number == ref.Name
}

func (t toolRow) kind() string { return strings.ReplaceAll(t.Kind, "_", " ") }

// measures reports whether a tool of that kind measures.
func measures(kind string) bool {
	return slices.Contains([]string{"pin_gauge", "plug_gauge", "micrometer", "inside_micrometer", "caliper", "bore_gauge", "telescoping_gauge"}, kind)
}

// worksOf are the kinds of work that a tool of that kind does.
func worksOf(kind string) []string {
	switch {
	case kind == "reamer":
		return []string{Holes, OtherWork}
	case kind == "puller":
		return []string{Pulls, OtherWork}
	case kind == "press", kind == "drift": // both drive parts in and out
		return []string{Pulls, Pressings, OtherWork}
	case measures(kind):
		return []string{Measurements, OtherWork}
	}
	return []string{Holes, Pulls, Pressings, Measurements, OtherWork}
}

// Loan is one that had a tool, as far as uses depend on it.
type Loan struct {
	ID          uuid.UUID
	ToolID      uuid.UUID
	MemberID    uuid.UUID
	CollectedAt time.Time
	EndedAt     *time.Time
	Ended       string
}

// lockLoans locks the loans of a tool that are named, or that had it at any time from from to until, so
// that none of them is undone or ended meanwhile. Served by loan_of_tool.
func lockLoans(b *postgres.Batch, tool postgres.Ref, named []uuid.UUID, from, until time.Time) *postgres.Rows[Loan] {
	return postgres.Query[Loan](b, `select l.id, l.tool_id, l.member_id, l.collected_at, l.ended_at, coalesce(l.ended, '') as ended from loan l
		where l.club_id = $1 and l.tool_id = `+toolNamed+` and (l.id = any($4) or l.collected_at <= $6 and (l.ended_at is null or l.ended_at >= $5)) order by l.id for share`,
		b.Club, tool.ID, tool.Name, named, from, until)
}

// had reports whether l had its tool at that time.
func (l Loan) had(at time.Time) bool {
	return l.Ended != "undone" && !at.Before(l.CollectedAt) && (l.EndedAt == nil || !at.After(*l.EndedAt))
}

// covering is the loan that had the tool at that time: the member's own, where there is one (a tool
// may be passed on at just that moment), else with no member the latest.
func covering(loans []Loan, tool, member uuid.UUID, at time.Time) *Loan {
	var found *Loan
	for i, l := range loans {
		if l.ToolID != tool || !l.had(at) || member != uuid.Nil && l.MemberID != member {
			continue
		}
		if found == nil || l.CollectedAt.After(found.CollectedAt) {
			found = &loans[i]
		}
	}
	return found
}
