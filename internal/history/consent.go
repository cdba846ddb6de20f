package history

import (
	"time"

	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/vehicle"
)

// Consent is an owner's leave to give a vehicle's history out.
type Consent struct {
	ID          uuid.UUID
	VehicleID   uuid.UUID
	OwnerID     uuid.UUID
	RecordedBy  uuid.UUID
	Written     bool // on paper
	Note        string
	GivenAt     time.Time
	ExpiresAt   time.Time
	WithdrawnAt *time.Time
	// MemberID is whose the vehicle is now.
	MemberID uuid.UUID
}

// Live reports whether the history may be given out by c at a time.
func (c Consent) Live(now time.Time) bool {
	return c.WithdrawnAt == nil && now.Before(c.ExpiresAt) && c.OwnerID == c.MemberID
}

const selectConsent = `select c.id, c.vehicle_id, c.owner_id, c.recorded_by, c.written, c.note, c.given_at, c.expires_at, c.withdrawn_at, v.member_id
	from history_consent c join vehicle v on v.club_id = c.club_id and v.id = c.vehicle_id where c.club_id = $1`

const theVehicle = ` = (select x.id from vehicle x where x.club_id = $1 and (x.id = $2 or x.code = $3))`

// ListConsents lists the consents for a vehicle, newest first, behind the one
// given. Served by history_consent_of_vehicle.
func ListConsents(b *postgres.Batch, of postgres.Ref, after uuid.UUID, limit int) *postgres.Rows[Consent] {
	return postgres.Query[Consent](b, selectConsent+` and c.vehicle_id`+theVehicle+` and c.id < $4 order by c.id desc limit $5`, b.Club, of.ID, of.Name, after, limit)
}

// LockConsent looks a consent up and locks it until the end of the write.
func LockConsent(b *postgres.Batch, id uuid.UUID) *postgres.Rows[Consent] {
	return postgres.Query[Consent](b, selectConsent+` and c.id = $2 for update of c`, b.Club, id)
}

// Give keeps the leave of v's owner, for so many days: their own, or on paper.
func Give(tx *postgres.Tx, actor uuid.UUID, v vehicle.Vehicle, days int, note string) (Consent, error) {
	c := Consent{ID: uuid.Must(uuid.NewV7()), VehicleID: v.ID, OwnerID: v.MemberID, MemberID: v.MemberID, RecordedBy: actor, Written: actor != v.MemberID, Note: note,
		GivenAt: tx.Now.UTC(), ExpiresAt: tx.Now.UTC().AddDate(0, 0, days)}
	if c.Written && note == "" {
		return c, problem.Invalid(problem.Fault{Pointer: "/note", Detail: "is needed: the vehicle is another member's, so say where the paper is that they signed"})
	}
	tx.Queue(`insert into history_consent (club_id, id, vehicle_id, owner_id, recorded_by, written, note, given_at, expires_at) values ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
		tx.Club, c.ID, c.VehicleID, c.OwnerID, c.RecordedBy, c.Written, c.Note, c.GivenAt, c.ExpiresAt)
	c.journal(tx, "history_consent.given", actor, 1)
	return c, nil
}

// Withdraw ends c; one that was withdrawn stays as it is.
func Withdraw(tx *postgres.Tx, actor uuid.UUID, c Consent) Consent {
	if c.WithdrawnAt != nil {
		return c
	}
	at := tx.Now.UTC()
	c.WithdrawnAt = &at
	tx.Queue(`update history_consent set withdrawn_at = $3, withdrawn_by = $4 where club_id = $1 and id = $2`, tx.Club, c.ID, at, actor)
	c.journal(tx, "history_consent.withdrawn", actor, 2)
	return c
}

// journal notes what became of c without its note, which may name people.
func (c Consent) journal(tx *postgres.Tx, kind string, actor uuid.UUID, version int64) {
	c.Note = ""
	journal.Append(tx, journal.Event{Type: kind, Subject: c.ID, Version: version, Audience: journal.ForOfficers, Actor: actor}, c)
}

// Export is that a history was given out.
type Export struct {
	ID        uuid.UUID
	ConsentID uuid.UUID
	MemberID  uuid.UUID
	MadeAt    time.Time
	Hash      []byte
	Rows      int
}

// ListExports lists when a vehicle's history was given out, newest first. Served
// by history_export_of_vehicle.
func ListExports(b *postgres.Batch, of postgres.Ref, after uuid.UUID, limit int) *postgres.Rows[Export] {
	return postgres.Query[Export](b, `select e.id, e.consent_id, e.member_id, e.made_at, e.hash, e.rows from history_export e
		where e.club_id = $1 and e.vehicle_id`+theVehicle+` and e.id < $4 order by e.id desc limit $5`, b.Club, of.ID, of.Name, after, limit)
}
