package reminder

import (
	"context"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/postgres"
)

// atOnce bounds what one transaction makes.
const atOnce = 100

// found is something that a member is to be told.
type found struct {
	Kind        string
	MemberID    uuid.UUID
	Subject     uuid.UUID
	DueAt       time.Time
	ToldAt      time.Time
	Detail      string
	Tools       []uuid.UUID
	TimeZone    string
	HomeZone    string // of the member's garage
	MailAddress *string
	QuietFrom   *string
	QuietUntil  *string
	EventOnly   []string
}

// find queues what source has to tell and nobody was told yet.
func (s source) find(b *postgres.Batch, now time.Time) *postgres.Rows[found] {
	return postgres.Query[found](b, `
		select $3::text as kind, f.member_id, f.subject, f.due_at, f.told_at, f.detail, f.tools, f.time_zone, coalesce(h.time_zone, f.time_zone) as home_zone,
		       c.mail_address, to_char(c.quiet_from, 'HH24:MI') as quiet_from, to_char(c.quiet_until, 'HH24:MI') as quiet_until, coalesce(c.event_only, '{}') as event_only
		from (`+s.query+`) f
		join member w on w.club_id = $1 and w.id = f.member_id and w.disabled_at is null
		left join garage h on h.club_id = w.club_id and h.id = w.garage_id
		left join contact c on c.club_id = w.club_id and c.member_id = w.id
		where not ($3 = any(coalesce(c.unwanted, '{}')))
		and not exists (select from reminder r where r.club_id = $1 and r.member_id = f.member_id and r.kind = $3 and r.subject = f.subject and r.due_at = f.due_at)
		order by f.due_at, f.member_id, f.subject limit $4`, b.Club, now, s.kind, atOnce)
}

// Sweep makes the reminders of lending that are due at now and were not made
// yet, and returns how many. It may run at any time and several times at once.
func Sweep(ctx context.Context, db *postgres.DB, club uuid.UUID, now time.Time) (int, error) {
	return sweep(ctx, db, club, now, lendingSources)
}

// SweepTools is Sweep for what tool keepers are told of their tools. It looks at
// every tool, so it need not come as often.
func SweepTools(ctx context.Context, db *postgres.DB, club uuid.UUID, now time.Time) (int, error) {
	return sweep(ctx, db, club, now, toolSources)
}

func sweep(ctx context.Context, db *postgres.DB, club uuid.UUID, now time.Time, sources []source) (int, error) {
	for made := 0; ; {
		n := 0
		rows := make([]*postgres.Rows[found], len(sources))
		err := db.Write(ctx, club, now, func(b *postgres.Batch) {
			for i, s := range sources {
				rows[i] = s.find(b, now)
			}
		}, func(tx *postgres.Tx) error {
			var due []found
			for _, r := range rows {
				due = append(due, r.Items...)
			}
			due = due[:min(len(due), atOnce)]
			n = len(due)
			add(tx, due)
			return nil
		})
		made += n
		if err != nil || n < atOnce {
			return made, err
		}
	}
}

// told is what the journal sees of a reminder.
type told struct {
	ID       uuid.UUID
	MemberID uuid.UUID
	Kind     string
	Subject  uuid.UUID
	DueAt    time.Time
	ToldAt   time.Time
	Detail   string
	Tools    []uuid.UUID
}

// add makes reminders. Another sweep may make the same ones at this moment: then
// this one looks again.
func add(tx *postgres.Tx, due []found) {
	if len(due) == 0 {
		return
	}
	ids, states := make([]uuid.UUID, len(due)), make([]any, len(due))
	mail, after := make([]string, len(due)), make([]*time.Time, len(due))
	for i, f := range due {
		ids[i] = uuid.Must(uuid.NewV7())
		states[i] = told{ID: ids[i], MemberID: f.MemberID, Kind: f.Kind, Subject: f.Subject, DueAt: f.DueAt.UTC(), ToldAt: f.ToldAt.UTC(), Detail: f.Detail, Tools: f.Tools}
		mail[i] = "unwanted"
		c := Contact{MailAddress: f.MailAddress, QuietFrom: f.QuietFrom, QuietUntil: f.QuietUntil, EventOnly: f.EventOnly}
		if c.MailAddress != nil && c.Choice(f.Kind) == ByMail {
			at := c.quiet().ends(tx.Now, zoneOf(f.HomeZone))
			mail[i], after[i] = "waiting", &at
		}
		// Tools go one by one, since PostgreSQL's arrays of arrays are rectangles.
		tx.Queue(`
			insert into reminder (club_id, id, member_id, kind, subject, due_at, told_at, detail, tools, time_zone, made_at, mail, mail_after)
			values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13)`,
			tx.Club, ids[i], f.MemberID, f.Kind, f.Subject, f.DueAt, f.ToldAt, f.Detail, f.Tools, f.TimeZone, tx.Now, mail[i], after[i]).RunAgainOn("reminder_once")
	}
	// The event holds an id that only its member can look up, so everybody's feed may carry it.
	journal.AppendAll(tx, journal.Event{Type: "reminder.due", Version: 1, Audience: journal.ForClub, Actor: uuid.Nil}, ids, states)
}

// zoneOf is a zone by its name; the service takes no garage whose zone it does
// not know.
func zoneOf(name string) *time.Location {
	if zone, err := time.LoadLocation(name); err == nil {
		return zone
	}
	return time.UTC
}
