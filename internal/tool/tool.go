package tool

import (
	"cmp"
	"maps"
	"slices"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/calc/length"
	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// State says whether a tool may be lent.
type State string

// The states. Only a tool in service is lent.
const (
	InService  State = "in_service"
	Quarantine State = "quarantine" // not to be lent until inspected
	Lost       State = "lost"
	Retired    State = "retired"
)

// Condition is what somebody who looked at a tool found last.
type Condition string

// The conditions.
const (
	Good       Condition = "good"
	Worn       Condition = "worn"
	Damaged    Condition = "damaged"
	Incomplete Condition = "incomplete"
)

// Tool is one physical thing with a number, with what is needed of its model.
type Tool struct {
	ID               uuid.UUID
	Number           string
	ModelID          uuid.UUID
	ModelCode        string
	Kind             Kind
	Size             *length.Length `db:"size_nm"`
	GarageID         uuid.UUID
	State            State
	Note             string
	Condition        Condition
	PlaceGarageID    *uuid.UUID // where it is while it is in the house; nil: at its home garage
	ValueMinor       *int64     // nil: as its model has it, as the deposit
	DepositMinor     *int64
	InspectionDueOn  *time.Time
	CalibrationDueOn *time.Time // by the newest calibration
	// Version grows with every change that shows: the tool's own, its model's, and
	// each calibration.
	Version int64
}

// newest orders the calibrations c of one tool so that the first is the one that
// counts. Served by calibration_of_tool.
const newest = `order by c.calibrated_on desc, c.id desc`

const selectTool = `select t.id, t.number, t.model_id, m.code as model_code, m.kind, m.size_nm, t.garage_id, t.state, t.note,
	t.condition, t.place_garage_id, t.value_minor, t.deposit_minor, t.inspection_due_on,
	(select c.due_on from calibration c where c.club_id = t.club_id and c.tool_id = t.id ` + newest + ` limit 1) as calibration_due_on,
	t.version + m.version - 1 as version
	from tool t join tool_model m on m.club_id = t.club_id and m.id = t.model_id
	where t.club_id = $1`

// Find looks a tool up by id or number.
func Find(b *postgres.Batch, ref postgres.Ref) *postgres.Rows[Tool] {
	return postgres.Query[Tool](b, selectTool+` and (t.id = $2 or t.number = $3)`, b.Club, ref.ID, ref.Name)
}

// FindAll looks tools up by ids and numbers.
func FindAll(b *postgres.Batch, refs []postgres.Ref) *postgres.Rows[Tool] {
	ids, numbers := postgres.Split(refs)
	return postgres.Query[Tool](b, selectTool+` and (t.id = any($2) or t.number = any($3))`, b.Club, ids, numbers)
}

// Lock is Find, locked until the end of the write.
func Lock(b *postgres.Batch, ref postgres.Ref) *postgres.Rows[Tool] {
	return postgres.Query[Tool](b, selectTool+` and (t.id = $2 or t.number = $3) for no key update of t`, b.Club, ref.ID, ref.Name)
}

func numberTaken(number string) *problem.Error {
	return problem.New(problem.NameTaken, "Another tool has the number %q. Choose another.", number)
}

// Add creates t, which is of model m.
func Add(tx *postgres.Tx, actor uuid.UUID, t Tool, m Model) Tool {
	t = t.Of(m)
	AddAll(tx, actor, []Tool{t}).Refuse("tool_number", numberTaken(t.Number))
	return t
}

// Of returns t as a new tool of model m.
func (t Tool) Of(m Model) Tool {
	t.ModelID, t.ModelCode, t.Kind, t.Size, t.Version = m.ID, m.Code, m.Kind, m.Size, m.Version
	t.Condition = cmp.Or(t.Condition, Good)
	return t.placed()
}

// placed is t with no other place where that is its home garage: then it moves with
// that.
func (t Tool) placed() Tool {
	if t.PlaceGarageID != nil && *t.PlaceGarageID == t.GarageID {
		t.PlaceGarageID = nil
	}
	return t
}

// AddAll creates tools, each with its model (see Of), in one statement, in the order of their numbers, so that
// two who add the same ones wait for each other and never in a circle. A number
// that is taken violates tool_number; the caller says what that means.
func AddAll(tx *postgres.Tx, actor uuid.UUID, tools []Tool) *postgres.Effect {
	byVersion := map[int64][]Tool{} // of its model; one event tells one version
	for _, t := range tools {
		byVersion[t.Version] = append(byVersion[t.Version], t)
	}
	for _, version := range slices.Sorted(maps.Keys(byVersion)) {
		some := byVersion[version]
		journal.AppendAll(tx, journal.Event{Type: "tool.created", Version: version, Audience: journal.ForClub, Actor: actor},
			postgres.Column(some, func(t Tool) uuid.UUID { return t.ID }), postgres.Column(some, func(t Tool) any { return t }))
	}
	return tx.Queue(`
		insert into tool (club_id, id, number, model_id, garage_id, state, note, condition, place_garage_id, value_minor, deposit_minor, inspection_due_on)
		select $1, u.*
		from unnest($2::uuid[], $3::text[], $4::uuid[], $5::uuid[], $6::text[], $7::text[], $8::text[], $9::uuid[], $10::bigint[], $11::bigint[], $12::date[])
			as u(id, number, model_id, garage_id, state, note, condition, place_garage_id, value_minor, deposit_minor, inspection_due_on) order by number`,
		tx.Club,
		postgres.Column(tools, func(t Tool) uuid.UUID { return t.ID }),
		postgres.Column(tools, func(t Tool) string { return t.Number }),
		postgres.Column(tools, func(t Tool) uuid.UUID { return t.ModelID }),
		postgres.Column(tools, func(t Tool) uuid.UUID { return t.GarageID }),
		postgres.Column(tools, func(t Tool) string { return string(t.State) }),
		postgres.Column(tools, func(t Tool) string { return t.Note }),
		postgres.Column(tools, func(t Tool) string { return string(t.Condition) }),
		postgres.Column(tools, func(t Tool) *uuid.UUID { return t.PlaceGarageID }),
		postgres.Column(tools, func(t Tool) *int64 { return t.ValueMinor }),
		postgres.Column(tools, func(t Tool) *int64 { return t.DepositMinor }),
		postgres.Column(tools, func(t Tool) *time.Time { return t.InspectionDueOn }))
}

// PresentGarageID is where t is while it is in the house.
func (t Tool) PresentGarageID() uuid.UUID {
	if t.PlaceGarageID != nil {
		return *t.PlaceGarageID
	}
	return t.GarageID
}

// Update writes t, which is locked, as its next version; its condition stays as
// whoever looked at it last found it.
func Update(tx *postgres.Tx, actor uuid.UUID, t Tool) Tool {
	t = t.placed()
	t.Version++
	tx.Queue(`update tool set number = $3, garage_id = $4, state = $5, note = $6, place_garage_id = $7, value_minor = $8, deposit_minor = $9, inspection_due_on = $10,
		version = version + 1 where club_id = $1 and id = $2`,
		tx.Club, t.ID, t.Number, t.GarageID, t.State, t.Note, t.PlaceGarageID, t.ValueMinor, t.DepositMinor, t.InspectionDueOn).
		Refuse("tool_number", numberTaken(t.Number))
	journal.Append(tx, journal.Event{Type: "tool.changed", Subject: t.ID, Version: t.Version, Audience: journal.ForClub, Actor: actor}, t)
	return t
}
