package calendar

import (
	"time"

	"github.com/google/uuid"

	"pinwright/internal/access"
	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Subject is what a calendar shows.
type Subject string

// A calendar shows what its maker borrows, what becomes of a tool, or what a
// garage hands out and takes back.
const (
	OfMember Subject = "member"
	OfTool   Subject = "tool"
	OfGarage Subject = "garage"
)

// Calendar is what is known of a calendar, without its address.
type Calendar struct {
	ID          uuid.UUID
	MemberID    uuid.UUID // whose it is
	Shows       Subject
	ToolID      *uuid.UUID
	ToolNumber  *string `json:"-"`
	GarageID    *uuid.UUID
	GarageCode  *string `json:"-"`
	Names       bool    // tells who borrows
	CreatedAt   time.Time
	RevokedAt   *time.Time
	Fingerprint []byte `json:"-"`
}

// selectCalendar looks the names up row by row, or a page would be joined with all
// tools and garages.
const selectCalendar = `
	select k.id, k.member_id, k.shows, k.tool_id, (select t.number from tool t where t.club_id = $1 and t.id = k.tool_id) as tool_number,
	       k.garage_id, (select g.code from garage g where g.club_id = $1 and g.id = k.garage_id) as garage_code, k.names, k.created_at, k.revoked_at, k.fingerprint
	from calendar k where k.club_id = $1 `

// Find looks a calendar up by its id.
func Find(b *postgres.Batch, id uuid.UUID) *postgres.Rows[Calendar] {
	return postgres.Query[Calendar](b, selectCalendar+`and k.id = $2`, b.Club, id)
}

// Lock is Find, locked until the end of the write.
func Lock(b *postgres.Batch, id uuid.UUID) *postgres.Rows[Calendar] {
	return postgres.Query[Calendar](b, selectCalendar+`and k.id = $2 for no key update of k`, b.Club, id)
}

// List lists w's calendars, or all to an officer, by id, newest first, after the
// id given (the greatest UUID for the first page). Served by calendar_pkey.
func List(b *postgres.Batch, w access.Bearer, before uuid.UUID, limit int) *postgres.Rows[Calendar] {
	return postgres.Query[Calendar](b, selectCalendar+`and k.id < $3
		and (k.member_id = (`+w.Holder()+`) or (select 'officer' = any(m.roles) from member m where m.club_id = $1 and m.id = (`+w.Holder()+`)))
		order by k.id desc limit $4`, b.Club, w.Key(), before, limit)
}

// Make makes k at that address.
func Make(tx *postgres.Tx, k Calendar, a access.Address) {
	tx.Queue(`insert into calendar (club_id, id, hash, member_id, shows, tool_id, garage_id, names, created_at, fingerprint) values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)`,
		tx.Club, k.ID, a.Hash(), k.MemberID, k.Shows, k.ToolID, k.GarageID, k.Names, k.CreatedAt, k.Fingerprint).
		Refuse("calendar_pkey", problem.New(problem.IDUsed, "A calendar with this id was made a moment ago. Send the request again to see it."))
	journal.Append(tx, journal.Event{Type: "calendar.created", Subject: k.ID, Version: 1, Audience: journal.ForOfficers, Actor: k.MemberID}, k)
}

// Revoke ends k: its address shows nothing from then on. One that is revoked
// already stays as it is.
func Revoke(tx *postgres.Tx, actor uuid.UUID, k Calendar) Calendar {
	if k.RevokedAt != nil {
		return k
	}
	k.RevokedAt = &tx.Now
	tx.Queue(`update calendar set revoked_at = $3 where club_id = $1 and id = $2`, tx.Club, k.ID, tx.Now)
	journal.Append(tx, journal.Event{Type: "calendar.revoked", Subject: k.ID, Version: 2, Audience: journal.ForOfficers, Actor: actor}, k)
	return k
}
