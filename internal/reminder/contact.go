package reminder

import (
	"net/mail"
	"slices"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Kinds are what there is to be reminded of.
var Kinds = []string{"due_soon", "late", "begins_soon", "offer", "endangered", "moved", "approval", "to_approve", "choice", "calibration", "inspection"}

// How a member hears of a kind.
const (
	ByMail    = "mail" // and as an event
	AsEvent   = "event"
	NotAtAll  = "none"
	usualLead = 24 // hours
)

// Contact is how a member wants to hear of things.
type Contact struct {
	MemberID    uuid.UUID
	MailAddress *string `json:"-"`
	HoursBefore int
	QuietFrom   *string // on the clock of the member's garage, as 22:00
	QuietUntil  *string
	EventOnly   []string
	Unwanted    []string
	Version     int64
}

// Usual is the contact of a member who said nothing.
func Usual(member uuid.UUID) Contact {
	return Contact{MemberID: member, HoursBefore: usualLead, Version: 1}
}

// Choice is how the member hears of kind.
func (c Contact) Choice(kind string) string {
	switch {
	case slices.Contains(c.Unwanted, kind):
		return NotAtAll
	case slices.Contains(c.EventOnly, kind):
		return AsEvent
	}
	return ByMail
}

// Choose sets how the member hears of kind.
func (c *Contact) Choose(kind, choice string) {
	other := func(k string) bool { return k == kind }
	c.EventOnly, c.Unwanted = slices.DeleteFunc(slices.Clone(c.EventOnly), other), slices.DeleteFunc(slices.Clone(c.Unwanted), other)
	switch choice {
	case AsEvent:
		c.EventOnly = append(c.EventOnly, kind)
	case NotAtAll:
		c.Unwanted = append(c.Unwanted, kind)
	}
}

func (c Contact) quiet() quiet {
	q, _ := quietBetween(c.QuietFrom, c.QuietUntil) // the table takes times only
	return q
}

// Holder is the zone by whose clock a member's quiet hours are; empty without a
// garage.
type Holder struct{ TimeZone string }

// FindContact queues a member's contact, by the member's id or number; no row for
// one who said nothing.
func FindContact(b *postgres.Batch, member postgres.Ref) *postgres.Rows[Contact] {
	return postgres.Query[Contact](b, `
		select k.member_id, k.mail_address, k.hours_before, to_char(k.quiet_from, 'HH24:MI') as quiet_from, to_char(k.quiet_until, 'HH24:MI') as quiet_until,
		       k.event_only, k.unwanted, k.version
		from member m join contact k on k.club_id = m.club_id and k.member_id = m.id
		where m.club_id = $1 and (m.id = $2 or m.number = $3)`, b.Club, member.ID, member.Name)
}

// FindHolder queues the zone of a member's garage.
func FindHolder(b *postgres.Batch, member postgres.Ref) *postgres.Rows[Holder] {
	return postgres.Query[Holder](b, `
		select coalesce(g.time_zone, '') as time_zone from member m left join garage g on g.club_id = m.club_id and g.id = m.garage_id
		where m.club_id = $1 and (m.id = $2 or m.number = $3)`, b.Club, member.ID, member.Name)
}

// Save writes c as its next version. Its member's row is locked.
func Save(tx *postgres.Tx, actor uuid.UUID, c Contact) (Contact, error) {
	if _, err := quietBetween(c.QuietFrom, c.QuietUntil); err != nil {
		return c, err
	}
	// The contract's pattern takes some that RFC 5322 does not, such as two dots in a row.
	if c.MailAddress != nil {
		if a, err := mail.ParseAddress(*c.MailAddress); err != nil || a.Address != *c.MailAddress || a.Name != "" {
			return c, problem.Invalid(problem.Fault{Pointer: "/mail_address", Detail: "is no mail address; write it like name@garage.example"})
		}
	}
	slices.Sort(c.EventOnly)
	slices.Sort(c.Unwanted)
	c.Version++
	tx.Queue(`
		insert into contact (club_id, member_id, mail_address, hours_before, quiet_from, quiet_until, event_only, unwanted, version)
		values ($1, $2, $3, $4, $5::text::time, $6::text::time, coalesce($7::text[], '{}'), coalesce($8::text[], '{}'), $9)
		on conflict (club_id, member_id) do update set mail_address = excluded.mail_address, hours_before = excluded.hours_before,
			quiet_from = excluded.quiet_from, quiet_until = excluded.quiet_until, event_only = excluded.event_only, unwanted = excluded.unwanted, version = excluded.version`,
		tx.Club, c.MemberID, c.MailAddress, c.HoursBefore, c.QuietFrom, c.QuietUntil, c.EventOnly, c.Unwanted, c.Version)
	// Only those who may see a contact hear that it changed.
	journal.Append(tx, journal.Event{Type: "contact.changed", Subject: c.MemberID, Version: c.Version, Audience: journal.ForOfficers, Actor: actor}, c)
	return c, nil
}

// quiet is a stretch of every day, in minutes of the clock from midnight.
type quiet struct {
	from, until int
	kept        bool
}

func quietBetween(from, until *string) (quiet, error) {
	if from == nil || until == nil {
		return quiet{}, nil
	}
	a, err := time.Parse("15:04", *from)
	b, err2 := time.Parse("15:04", *until)
	switch {
	case err != nil:
		return quiet{}, problem.Invalid(problem.Fault{Pointer: "/quiet_hours/from", Detail: "should be a time of day such as 22:00"})
	case err2 != nil:
		return quiet{}, problem.Invalid(problem.Fault{Pointer: "/quiet_hours/until", Detail: "should be a time of day such as 07:00"})
	case a.Equal(b):
		return quiet{}, problem.Invalid(problem.Fault{Pointer: "/quiet_hours/until", Detail: "is when they begin: no mail would ever go out; leave the address out for that"})
	}
	return quiet{from: 60*a.Hour() + a.Minute(), until: 60*b.Hour() + b.Minute(), kept: true}, nil
}

func (q quiet) holds(at time.Time, zone *time.Location) bool {
	local := at.In(zone)
	minute := 60*local.Hour() + local.Minute()
	switch {
	case !q.kept:
		return false
	case q.from < q.until:
		return q.from <= minute && minute < q.until
	}
	return q.from <= minute || minute < q.until
}

// ends is the first moment from at on that is not quiet. It looks at the clock
// minute by minute: so hours that a zone skips or shows twice need no rule.
func (q quiet) ends(at time.Time, zone *time.Location) time.Time {
	for q.holds(at, zone) {
		at = at.Truncate(time.Minute).Add(time.Minute)
	}
	return at
}
