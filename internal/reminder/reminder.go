package reminder

import (
	"time"

	"github.com/google/uuid"

	"pinwright/internal/postgres"
)

// Reminder is one thing that one member was told.
type Reminder struct {
	ID        uuid.UUID
	MemberID  uuid.UUID
	Kind      string
	Subject   uuid.UUID
	DueAt     time.Time // the moment it is about
	ToldAt    time.Time // the time that it tells
	Detail    string
	Tools     []string // by number
	TimeZone  string
	MadeAt    time.Time
	Mail      string
	MailAt    *time.Time
	MailAfter *time.Time
}

// About is what the subject is: a loan, a reservation or a tool.
func (r Reminder) About() string {
	switch r.Kind {
	case "due_soon", "late":
		return "loan"
	case "calibration", "inspection":
		return "tool"
	}
	return "reservation"
}

const (
	numbers = `array(select t.number from tool t where t.club_id = r.club_id and t.id = any(r.tools) order by array_position(r.tools, t.id)) as tools`
	columns = `r.id, r.member_id, r.kind, r.subject, r.due_at, r.told_at, r.detail, ` + numbers + `, r.time_zone, r.made_at, r.mail, r.mail_at, r.mail_after`
)

// List queues a member's reminders, newest first, from before the id given.
// holder is a query that gives the member, by the club ($1) and who ($2). Served
// by reminder_of_member.
func List(b *postgres.Batch, holder string, who []byte, before uuid.UUID, limit int) *postgres.Rows[Reminder] {
	return postgres.Query[Reminder](b, `
		select `+columns+` from reminder r
		where r.club_id = $1 and r.member_id = (`+holder+`) and r.id < $3 order by r.id desc limit $4`, b.Club, who, before, limit)
}
