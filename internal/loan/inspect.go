package loan

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/calc/length"
	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Inspection is what somebody found who looked at a tool. It is never edited; a
// later one counts.
type Inspection struct {
	ID          uuid.UUID
	ToolID      uuid.UUID
	ToolNumber  string
	Verdict     string // good, usable or bad
	Condition   string
	Parts       *int
	Checks      []Check
	Note        string `json:"-"`
	NextDueOn   *time.Time
	ReturnID    *uuid.UUID
	InspectedAt time.Time
	MemberID    uuid.UUID
	RecordedAt  time.Time
}

// Check is a size that was read on a tool, such as the diameter of a gauge or a
// reamer.
type Check struct {
	Size    length.Length   `json:"nm"`
	Entered length.Quantity `json:"entered"`
	With    string          `json:"with,omitempty"` // the instrument's number
	Place   string          `json:"place,omitempty"`
}

const inspectionColumns = `i.id, i.tool_id, t.number as tool_number, i.verdict, i.condition, i.parts, i.checks, i.note, i.next_due_on, i.return_id, i.inspected_at, i.member_id, i.recorded_at`

// ListInspections lists what was found at a tool, newest first, with ids below
// before; without those of a return that was undone. Served by inspection_of_tool.
func ListInspections(b *postgres.Batch, tool postgres.Ref, before uuid.UUID, limit int) *postgres.Rows[Inspection] {
	return postgres.Query[Inspection](b, `
		select `+inspectionColumns+` from inspection i join tool t on t.club_id = i.club_id and t.id = i.tool_id
		where i.club_id = $1 and i.tool_id = (select id from tool where club_id = $1 and (id = $2 or number = $3)) and i.id < $4
		and not exists (select from counter_act a where a.club_id = i.club_id and a.id = i.return_id and a.undone_at is not null)
		order by i.id desc limit $5`, b.Club, tool.ID, tool.Name, before, limit)
}

func addInspection(tx *postgres.Tx, i Inspection, version int64) {
	if i.Checks == nil {
		i.Checks = []Check{}
	}
	checks, err := json.Marshal(i.Checks)
	if err != nil {
		panic(fmt.Sprintf("loan: checks: %v", err)) // lengths and texts always marshal
	}
	tx.Queue(`insert into inspection (club_id, id, tool_id, verdict, condition, parts, checks, note, next_due_on, return_id, inspected_at, member_id, recorded_at)
		values ($1, $2, $3, $4, $5, $6, $7::text::jsonb, $8, $9, $10, $11, $12, $13)`,
		tx.Club, i.ID, i.ToolID, i.Verdict, i.Condition, i.Parts, string(checks), i.Note, i.NextDueOn, i.ReturnID, i.InspectedAt, i.MemberID, i.RecordedAt)
	journal.Append(tx, journal.Event{Type: "tool.inspected", Subject: i.ToolID, Version: version, Audience: journal.ForClub, Actor: i.MemberID}, i)
}

// InspectionOrder is an inspection with its tool and the tool's equals, locked.
type InspectionOrder struct {
	tool  string
	items *postgres.Rows[item]
	shelf shelf
}

// LockInspection queues the lookups for an inspection of the tool.
func LockInspection(b *postgres.Batch, tool string) *InspectionOrder {
	return &InspectionOrder{tool: tool, items: lockItems(b, []asked{{Name: tool, Leaving: true}}), shelf: shelf{roads: findRoads(b)}}
}

// Make records i. A bad tool goes into quarantine and its later promises go along;
// a good or usable one that was in quarantine is lent again.
func (o *InspectionOrder) Make(ctx context.Context, tx *postgres.Tx, i Inspection) (Inspection, Displaced, error) {
	o.shelf.items = o.items.Items
	t := itemOf(o.shelf.items, o.tool)
	if t == nil {
		return i, Displaced{}, problem.Absent()
	}
	at, faults := occurred(i.InspectedAt, tx.Now)
	missing := i.Parts != nil && *i.Parts < t.Parts
	if missing && i.Verdict == "good" {
		faults = append(faults, problem.Fault{Pointer: "/verdict", Detail: fmt.Sprintf("cannot be good with %d of %d parts; say usable or bad", *i.Parts, t.Parts)})
	}
	if i.NextDueOn != nil && i.NextDueOn.Before(at.Truncate(day)) {
		faults = append(faults, problem.Fault{Pointer: "/next_due_on", Detail: "is before the inspection itself; give a later day, or leave it out"})
	}
	if len(faults) > 0 {
		return i, Displaced{}, problem.Invalid(faults...)
	}
	if t.State == "lost" || t.State == "retired" {
		return i, Displaced{}, problem.New(problem.NotAllowedNow, "%s %s.", t.Number, stateInWords[t.State])
	}
	if err := o.shelf.stock(ctx, tx, tx.Now, nil); err != nil {
		return i, Displaced{}, err
	}
	if i.Condition == "" {
		i.Condition = map[string]string{"good": "good", "usable": "worn", "bad": "damaged"}[i.Verdict]
		if missing {
			i.Condition = "incomplete"
		}
	}
	i.ToolID, i.ToolNumber, i.InspectedAt, i.RecordedAt = t.ID, t.Number, at, kept(tx.Now)
	state := inService
	var d Displaced
	switch {
	case i.Verdict == "bad" && t.State == inService:
		state = "quarantine"
		d = o.shelf.leave(tx, i.MemberID, t, state)
		quarantined(tx, i.MemberID, t, i.Condition)
	case i.Verdict == "bad":
		state = t.State
	case t.State != inService:
		d = o.shelf.safe(tx, i.MemberID, t, "quarantine", "lost", "retired")
	}
	tx.Queue(`update tool set condition = $3, state = $4, inspection_due_on = $5, version = version + 1 where club_id = $1 and id = $2`, tx.Club, t.ID, i.Condition, state, i.NextDueOn)
	addInspection(tx, i, t.changes()+2)
	return i, d, nil
}
