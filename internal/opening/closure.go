package opening

import (
	"time"

	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Closure are days on which a garage, or the whole club, is closed.
type Closure struct {
	ID          uuid.UUID
	GarageID    *uuid.UUID // nil: the whole club
	FirstDay    time.Time  // dates at midnight UTC
	LastDay     time.Time
	Reason      string `json:"-"` // what people write stays out of the journal
	MemberID    uuid.UUID
	RecordedAt  time.Time
	WithdrawnAt *time.Time
	Version     int64
}

// Bounds of a closure, in days: how long it may be, and how far it may lie ahead.
const (
	longestClosure  = 400
	farthestClosure = 2 * 366
)

// Check reports what is wrong with c that the contract cannot tell.
func (c Closure) Check(now time.Time) []problem.Fault {
	today := dateIn(time.UTC, now)
	switch {
	case c.LastDay.Before(c.FirstDay):
		return []problem.Fault{{Pointer: "/last_day", Detail: "must not be before first_day"}}
	case c.LastDay.After(c.FirstDay.AddDate(0, 0, longestClosure)):
		return []problem.Fault{{Pointer: "/last_day", Detail: "must be at most 400 days after first_day; for a garage that is given up, change its hours"}}
	case c.LastDay.Before(today.AddDate(0, 0, -1)): // somewhere it is still yesterday
		return []problem.Fault{{Pointer: "/last_day", Detail: "lies in the past; a closure is for days to come"}}
	case c.LastDay.After(today.AddDate(0, 0, farthestClosure)):
		return []problem.Fault{{Pointer: "/last_day", Detail: "is too far ahead: at most two years"}}
	}
	return nil
}

const closureColumns = `id, garage_id, first_day, last_day, reason, member_id, recorded_at, withdrawn_at, version`

// FindClosure looks a closure up.
func FindClosure(b *postgres.Batch, id uuid.UUID) *postgres.Rows[Closure] {
	return postgres.Query[Closure](b, `select `+closureColumns+` from closure where club_id = $1 and id = $2`, b.Club, id)
}

// LockClosure is FindClosure, locked until the end of the write.
func LockClosure(b *postgres.Batch, id uuid.UUID) *postgres.Rows[Closure] {
	return postgres.Query[Closure](b, `select `+closureColumns+` from closure where club_id = $1 and id = $2 for no key update`, b.Club, id)
}

// ListClosures lists closures, newest first, before the id given; withdrawn, where
// set, chooses those that are or those that are not. Served by closure_pkey.
func ListClosures(b *postgres.Batch, withdrawn *bool, before uuid.UUID, limit int) *postgres.Rows[Closure] {
	return postgres.Query[Closure](b, `select `+closureColumns+` from closure
		where club_id = $1 and id < $2 and ($3::boolean is null or (withdrawn_at is not null) = $3) order by id desc limit $4`, b.Club, before, withdrawn, limit)
}

// Close records c.
func Close(tx *postgres.Tx, c Closure) {
	tx.Queue(`insert into closure (club_id, id, garage_id, first_day, last_day, reason, member_id, recorded_at) values ($1, $2, $3, $4, $5, $6, $7, $8)`,
		tx.Club, c.ID, c.GarageID, c.FirstDay, c.LastDay, c.Reason, c.MemberID, c.RecordedAt)
	journal.Append(tx, journal.Event{Type: "closure.created", Subject: c.ID, Version: c.Version, Audience: journal.ForClub, Actor: c.MemberID}, c)
}

// Withdraw opens on the days of c again; of one that is withdrawn it changes
// nothing.
func Withdraw(tx *postgres.Tx, actor uuid.UUID, c Closure) Closure {
	if c.WithdrawnAt != nil {
		return c
	}
	now := tx.Now.UTC().Truncate(time.Microsecond)
	c.WithdrawnAt = &now
	c.Version++
	tx.Queue(`update closure set withdrawn_at = $3, version = $4 where club_id = $1 and id = $2`, tx.Club, c.ID, c.WithdrawnAt, c.Version)
	journal.Append(tx, journal.Event{Type: "closure.withdrawn", Subject: c.ID, Version: c.Version, Audience: journal.ForClub, Actor: actor}, c)
	return c
}
