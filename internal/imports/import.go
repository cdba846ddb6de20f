package imports

import (
	"time"

	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Import is a sheet that came in.
type Import struct {
	ID           uuid.UUID
	Kind         Kind
	MemberID     uuid.UUID // who brought it in
	CreatedAt    time.Time
	Created      int32
	Existing     int32
	Refused      int32
	RevertedAt   *time.Time
	RevertedBy   *uuid.UUID
	RevertReason string
	Version      int64
}

const columns = `id, kind, member_id, created_at, created, existing, refused, reverted_at, reverted_by, revert_reason, version`

// Kept is an import with its report, byte for byte.
type Kept struct {
	Import
	Report []byte
}

// Thing names a table whose rows an import makes.
type Thing string

// The things.
const (
	AMember    Thing = "member"
	AToolModel Thing = "tool_model"
	ATool      Thing = "tool"
	AKit       Thing = "kit"
	AVehicle   Thing = "vehicle"
	AJoint     Thing = "joint"
	AFeature   Thing = "feature"
	AReading   Thing = "reading"
)

// Made is one thing that an import made, by a row of its sheet.
type Made struct {
	Thing Thing
	ID    uuid.UUID
	Row   int
}

// Find looks an import up by its id.
func Find(b *postgres.Batch, id uuid.UUID) *postgres.Rows[Kept] {
	return postgres.Query[Kept](b, `select `+columns+`, report from import where club_id = $1 and id = $2`, b.Club, id)
}

// Lock is Find, locked until the end of the write.
func Lock(b *postgres.Batch, id uuid.UUID) *postgres.Rows[Kept] {
	return postgres.Query[Kept](b, `select `+columns+`, report from import where club_id = $1 and id = $2 for no key update`, b.Club, id)
}

// List lists imports, newest first, after the id given. Served by the primary
// key: ids are in the order in which they were made.
func List(b *postgres.Batch, after uuid.UUID, limit int) *postgres.Rows[Import] {
	return postgres.Query[Import](b, `select `+columns+` from import where club_id = $1 and id < $2 order by id desc limit $3`, b.Club, after, limit)
}

// Keep keeps an import with its report and what it made.
func Keep(tx *postgres.Tx, i Import, report []byte, made []Made) {
	tx.Queue(`insert into import (club_id, id, kind, member_id, created_at, created, existing, refused, report) values ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
		tx.Club, i.ID, i.Kind, i.MemberID, i.CreatedAt, i.Created, i.Existing, i.Refused, report)
	if len(made) > 0 {
		tx.Queue(`insert into import_made (club_id, import_id, thing, thing_id, row_number) select $1, $2, u.* from unnest($3::text[], $4::uuid[], $5::integer[]) as u`,
			tx.Club, i.ID,
			postgres.Column(made, func(m Made) string { return string(m.Thing) }),
			postgres.Column(made, func(m Made) uuid.UUID { return m.ID }),
			postgres.Column(made, func(m Made) int { return m.Row }))
	}
	journal.Append(tx, journal.Event{Type: "import.created", Subject: i.ID, Version: i.Version, Audience: journal.ForClub, Actor: i.MemberID}, i)
}

// Making looks up what an import made of some thing.
func Making(b *postgres.Batch, id uuid.UUID) *postgres.Rows[Made] {
	return postgres.Query[Made](b, `select thing, thing_id as id, row_number as row from import_made where club_id = $1 and import_id = $2 order by row_number, thing, thing_id`, b.Club, id)
}

// Holder is what keeps something that an import made from being taken back: it
// was changed, or rows of a table rest on it.
type Holder struct {
	RowNumber int32
	ThingID   uuid.UUID
	HeldBy    string // changed, or the name of the table
}

// QueueRevert deletes what the import made, readings apart, or finds what holds
// it, once for each row and reason; then it deletes nothing.
func QueueRevert(b *postgres.Batch, id uuid.UUID) *postgres.Rows[Holder] {
	return postgres.Query[Holder](b, `select distinct on (row_number, held_by) row_number, thing_id, held_by from revert_import($1, $2) order by row_number, held_by, thing_id`, b.Club, id)
}

// deleted is the event that tells that a thing is gone.
var deleted = map[Thing]string{AMember: "member.removed", AToolModel: "tool_model.removed", ATool: "tool.removed", AKit: "kit.removed", AVehicle: "vehicle.removed", AJoint: "joint.removed"}

// Reverted notes that i, which is locked, was taken back by actor, with an event
// for everything that is gone.
func Reverted(tx *postgres.Tx, actor uuid.UUID, i Import, reason string, made []Made) Import {
	at := tx.Now.UTC().Truncate(time.Microsecond)
	i.RevertedAt, i.RevertedBy, i.RevertReason = &at, &actor, reason
	i.Version++
	tx.Queue(`update import set reverted_at = $3, reverted_by = $4, revert_reason = $5, version = $6 where club_id = $1 and id = $2`, tx.Club, i.ID, at, actor, reason, i.Version)
	for _, thing := range []Thing{AJoint, AVehicle, AKit, ATool, AToolModel, AMember} {
		var gone []uuid.UUID
		var states []any
		for _, m := range made {
			if m.Thing == thing {
				gone, states = append(gone, m.ID), append(states, i.ID)
			}
		}
		journal.AppendAll(tx, journal.Event{Type: deleted[thing], Version: 2, Audience: journal.ForClub, Actor: actor}, gone, states)
	}
	journal.Append(tx, journal.Event{Type: "import.reverted", Subject: i.ID, Version: i.Version, Audience: journal.ForClub, Actor: actor}, i)
	return i
}

// MayRevert says why i cannot be taken back again, nil when it can.
func (i Import) MayRevert() error {
	if i.RevertedAt == nil {
		return nil
	}
	return problem.New(problem.NotAllowedNow, "This import was taken back on %s. Bring the sheet in again to have its rows again.", i.RevertedAt.UTC().Format(time.DateOnly))
}
