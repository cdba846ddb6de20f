package reading

import (
	"time"

	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Void takes r, which stands, out of every answer; replacedBy is the reading
// that takes its place, nil for none. It returns r as it is then. Of two who
// void a reading at once, one is refused.
func Void(tx *postgres.Tx, actor uuid.UUID, r Reading, reason string, replacedBy *uuid.UUID) (Reading, error) {
	if r.VoidAt != nil {
		return r, voided(*r.VoidAt)
	}
	at := stamp(tx.Now)
	r.VoidReason, r.VoidAt, r.ReplacedBy = &reason, &at, replacedBy
	tx.Queue(`insert into reading_void (club_id, reading_id, reason, at, member_id, replaced_by) values ($1, $2, $3, $4, $5, $6)`,
		tx.Club, r.ID, reason, at, actor, replacedBy).
		Refuse("reading_void_pkey", voided(at))
	journal.Append(tx, journal.Event{Type: "reading.voided", Subject: r.ID, Version: r.Version(), Audience: journal.ForClub, Actor: actor}, r)
	return r, nil
}

// VoidAll takes those of readings that stand out of every answer, without one to
// replace them, and returns how many. When another
// write voids one of them meanwhile, all of this one runs again.
func VoidAll(tx *postgres.Tx, actor uuid.UUID, readings []Reading, reason string) int {
	at := stamp(tx.Now)
	var ids []uuid.UUID
	var states []any
	for _, r := range readings {
		if r.VoidAt == nil {
			r.VoidReason, r.VoidAt = &reason, &at
			ids, states = append(ids, r.ID), append(states, r)
		}
	}
	if len(ids) == 0 {
		return 0
	}
	tx.Queue(`insert into reading_void (club_id, reading_id, reason, at, member_id) select $1, id, $3, $4, $5 from unnest($2::uuid[]) as u(id) order by id`,
		tx.Club, ids, reason, at, actor).
		RunAgainOn("reading_void_pkey")
	journal.AppendAll(tx, journal.Event{Type: "reading.voided", Version: 2, Audience: journal.ForClub, Actor: actor}, ids, states)
	return len(ids)
}

func voided(at time.Time) *problem.Error {
	return problem.New(problem.NotAllowedNow, "This reading was voided on %s and stays so. GET it to see why; to add what is right, post a new reading.", at.UTC().Format(time.DateOnly))
}
