package procedure

import (
	"time"

	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Procedure is a procedure with its newest edition.
type Procedure struct {
	ID          uuid.UUID
	Code        string
	Name        string
	KindOfJoint string
	Edition     int
	Steps       []Step // of that edition
	RetiredAt   *time.Time
	Version     int64
}

// Edition is a procedure's steps at one time.
type Edition struct {
	ID          uuid.UUID
	ProcedureID uuid.UUID
	Number      int
	Steps       []Step
	Note        string `json:"-"` // free text may name people, and the journal keeps no names
	MemberID    uuid.UUID
	RecordedAt  time.Time
}

const selectProcedure = `select p.id, p.code, p.name, p.kind_of_joint, p.edition, e.steps, p.retired_at, p.version
	from procedure p join procedure_edition e on e.club_id = p.club_id and e.procedure_id = p.id and e.edition = p.edition `

const selectEdition = `select e.id, e.procedure_id, e.edition as number, e.steps, e.note, e.member_id, e.recorded_at from procedure_edition e `

// Find looks a procedure up by id or code.
func Find(b *postgres.Batch, ref postgres.Ref) *postgres.Rows[Procedure] {
	return postgres.Query[Procedure](b, selectProcedure+`where p.club_id = $1 and (p.id = $2 or p.code = $3)`, b.Club, ref.ID, ref.Name)
}

// Lock is Find, locked until the end of the write.
func Lock(b *postgres.Batch, ref postgres.Ref) *postgres.Rows[Procedure] {
	return postgres.Query[Procedure](b, selectProcedure+`where p.club_id = $1 and (p.id = $2 or p.code = $3) for no key update of p`, b.Club, ref.ID, ref.Name)
}

// List lists procedures by code, after the code given: those in use, or the retired
// ones. Served by procedure_code.
func List(b *postgres.Batch, retired bool, after string, limit int) *postgres.Rows[Procedure] {
	which := `p.retired_at is null`
	if retired {
		which = `p.retired_at is not null`
	}
	return postgres.Query[Procedure](b, selectProcedure+`where p.club_id = $1 and p.code > $2 and `+which+` order by p.code limit $3`, b.Club, after, limit)
}

// FindEdition looks an edition of a procedure up by its id or number.
func FindEdition(b *postgres.Batch, of, edition postgres.Ref, number *int) *postgres.Rows[Edition] {
	return postgres.Query[Edition](b, selectEdition+`join procedure p on p.club_id = e.club_id and p.id = e.procedure_id
		where e.club_id = $1 and (p.id = $2 or p.code = $3) and (e.id = $4 or e.edition = $5)`, b.Club, of.ID, of.Name, edition.ID, number)
}

// ListEditions lists a procedure's editions, newest first, before the number given.
// Served by procedure_edition_number.
func ListEditions(b *postgres.Batch, of postgres.Ref, before, limit int) *postgres.Rows[Edition] {
	return postgres.Query[Edition](b, selectEdition+`where e.club_id = $1 and e.procedure_id = (select p.id from procedure p where p.club_id = $1 and (p.id = $2 or p.code = $3))
		and e.edition < $4 order by e.edition desc limit $5`, b.Club, of.ID, of.Name, before, limit)
}

// Add creates p with its first edition, which was checked.
func Add(tx *postgres.Tx, actor uuid.UUID, p Procedure, note string) Procedure {
	p.Edition, p.Version = 1, 1
	tx.Queue(`insert into procedure (club_id, id, code, name, kind_of_joint) values ($1, $2, $3, $4, $5)`, tx.Club, p.ID, p.Code, p.Name, p.KindOfJoint).
		Refuse("procedure_code", problem.New(problem.NameTaken, "Another procedure has the code %q, perhaps one that is retired. Choose another.", p.Code))
	p.addEdition(tx, actor, note)
	journal.Append(tx, journal.Event{Type: "procedure.created", Subject: p.ID, Version: p.Version, Audience: journal.ForClub, Actor: actor}, p)
	return p
}

// Edit makes steps, which were checked, the next edition of p, which is locked.
func Edit(tx *postgres.Tx, actor uuid.UUID, p Procedure, steps []Step, note string) (Procedure, Edition) {
	p.Edition, p.Steps, p.Version = p.Edition+1, steps, p.Version+1
	e := p.addEdition(tx, actor, note)
	tx.Queue(`update procedure set edition = $3, version = $4 where club_id = $1 and id = $2`, tx.Club, p.ID, p.Edition, p.Version)
	journal.Append(tx, journal.Event{Type: "procedure.edited", Subject: p.ID, Version: p.Version, Audience: journal.ForClub, Actor: actor}, p)
	return p, e
}

func (p Procedure) addEdition(tx *postgres.Tx, actor uuid.UUID, note string) Edition {
	e := Edition{ID: uuid.Must(uuid.NewV7()), ProcedureID: p.ID, Number: p.Edition, Steps: p.Steps, Note: note, MemberID: actor, RecordedAt: tx.Now.UTC().Truncate(time.Microsecond)}
	tx.Queue(`insert into procedure_edition (club_id, id, procedure_id, edition, steps, note, member_id, recorded_at) values ($1, $2, $3, $4, $5, $6, $7, $8)`,
		tx.Club, e.ID, e.ProcedureID, e.Number, e.Steps, e.Note, e.MemberID, e.RecordedAt)
	return e
}

// Offered is p as it is when it is offered again, or no more.
func (p Procedure) Offered(again bool, now time.Time) (Procedure, error) {
	switch {
	case again && p.RetiredAt == nil:
		return p, problem.New(problem.NotAllowedNow, "The procedure %s is offered already. Nothing is to do.", p.Code)
	case again:
		p.RetiredAt = nil
	case p.RetiredAt != nil:
		return p, problem.New(problem.NotAllowedNow, "The procedure %s was retired on %s already. bring-back offers it again.", p.Code, p.RetiredAt.UTC().Format(time.DateOnly))
	default:
		at := now.UTC().Truncate(time.Microsecond)
		p.RetiredAt = &at
	}
	return p, nil
}

// Update writes p's name and whether it is offered as its next version, with an
// event of that type.
func Update(tx *postgres.Tx, actor uuid.UUID, p Procedure, event string) Procedure {
	p.Version++
	tx.Queue(`update procedure set name = $3, retired_at = $4, version = $5 where club_id = $1 and id = $2`, tx.Club, p.ID, p.Name, p.RetiredAt, p.Version)
	journal.Append(tx, journal.Event{Type: event, Subject: p.ID, Version: p.Version, Audience: journal.ForClub, Actor: actor}, p)
	return p
}
