package reminder

import (
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/postgres"
)

// Letter is a reminder that is being sent. It tells its member what the list of
// their reminders tells, and nothing of other people.
type Letter struct {
	ID      uuid.UUID
	To      string
	Subject string
	Text    string
	Try     int // from 1
}

// Outcome is how sending a letter went.
type Outcome int

// What may become of a letter.
const (
	Sent    Outcome = iota + 1 // the server took it
	Refused                    // the server will never take it
	Later                      // the server certainly did not take it now, and may another time
	Unknown                    // it may have been taken
)

const (
	// letterLife is the age from which a reminder is mailed no more: it stands in
	// the list, and old news by mail does harm.
	letterLife = 3 * 24 * time.Hour
	// silence is how long a letter may be on its way before whoever sends it counts
	// as dead.
	silence = 15 * time.Minute
	// firstPause doubles with each try up to longestPause.
	firstPause, longestPause = 2 * time.Minute, 4 * time.Hour
)

// pause is how long to wait after so many tries.
func pause(tries int) time.Duration {
	d := firstPause
	for range tries - 1 {
		if d *= 2; d >= longestPause {
			return longestPause
		}
	}
	return d
}

// waiting is a letter that waits, with all that decides whether it goes.
type waiting struct {
	Reminder
	Tries       int
	Gone        bool // the member
	Stands      bool // what it tells is so still
	Number      string
	Club        string
	HomeZone    string
	MailAddress *string
	QuietFrom   *string
	QuietUntil  *string
	EventOnly   []string
	Unwanted    []string
}

// stands asks whether what a reminder tells is so still.
const stands = `
	case r.kind
	when 'due_soon' then r.due_at > $2 and exists (select from loan l join booking b on b.club_id = l.club_id and b.reservation_id = l.reservation_id and b.line = l.line
		where l.club_id = r.club_id and l.id = r.subject and l.ended is null and b.ends_at = r.due_at)
	when 'late' then exists (select from loan l join booking b on b.club_id = l.club_id and b.reservation_id = l.reservation_id and b.line = l.line
		where l.club_id = r.club_id and l.id = r.subject and l.ended is null and b.ends_at = r.told_at)
	when 'begins_soon' then exists (select from booking b
		where b.club_id = r.club_id and b.reservation_id = r.subject and b.state = 'reserved' and b.begins_at = r.told_at and b.ends_at > $2)
	when 'offer' then r.due_at > $2 and exists (select from reservation v
		where v.club_id = r.club_id and v.id = r.subject and v.offer_until = r.due_at and v.cancelled_at is null)
	when 'endangered' then exists (select from booking b
		where b.club_id = r.club_id and b.reservation_id = r.subject and b.state = 'reserved' and b.endangered_at = r.due_at)
	when 'moved' then exists (select from booking b where b.club_id = r.club_id and b.reservation_id = r.subject and b.state = 'reserved')
	when 'to_approve' then exists (select from reservation v where v.club_id = r.club_id and v.id = r.subject and v.approval = 'awaited' and v.cancelled_at is null)
	when 'choice' then r.due_at > $2 and exists (select from booking b
		where b.club_id = r.club_id and b.reservation_id = r.subject and b.state = 'reserved' and b.choice is not null and b.decide_by = r.due_at)
	else true end as stands`

// findWaiting queues the letters that may go out now, locked. Served by
// reminder_to_mail.
func findWaiting(b *postgres.Batch, now time.Time, most int) *postgres.Rows[waiting] {
	return postgres.Query[waiting](b, `
		with taken as materialized (
			select * from reminder where club_id = $1 and mail = 'waiting' and mail_after <= $2 order by mail_after, id limit $3 for no key update skip locked
		)
		select `+columns+`, r.mail_tries as tries, m.disabled_at is not null as gone, `+stands+`, m.number, c.name as club, coalesce(g.time_zone, r.time_zone) as home_zone,
		       k.mail_address, to_char(k.quiet_from, 'HH24:MI') as quiet_from, to_char(k.quiet_until, 'HH24:MI') as quiet_until,
		       coalesce(k.event_only, '{}') as event_only, coalesce(k.unwanted, '{}') as unwanted
		from taken r
		join club c on c.club_id = r.club_id
		join member m on m.club_id = r.club_id and m.id = r.member_id
		left join garage g on g.club_id = m.club_id and g.id = m.garage_id
		left join contact k on k.club_id = m.club_id and k.member_id = m.id
		order by r.mail_after, r.id`, b.Club, now, most)
}

// Claim takes up to most letters that are to go out at now and commits that they
// are being sent: whoever got them from here, and nobody else, may send them, once.
// more tells that there are others. Letters that were on their way for long are
// given up as unknown.
func Claim(ctx context.Context, db *postgres.DB, club uuid.UUID, now time.Time, most int) (letters []Letter, more bool, err error) {
	var rows *postgres.Rows[waiting]
	err = db.Write(ctx, club, now, func(b *postgres.Batch) { rows = findWaiting(b, now, most) }, func(tx *postgres.Tx) error {
		letters, more = nil, len(rows.Items) == most
		tx.Queue(`update reminder set mail = 'unknown', mail_at = $2 where club_id = $1 and mail = 'sending' and mail_at < $3`, tx.Club, now, now.Add(-silence))
		changes := map[string][]uuid.UUID{}
		for _, w := range rows.Items {
			state, quietUntil := w.fate(now)
			if state == "waiting" {
				tx.Queue(`update reminder set mail_after = $3 where club_id = $1 and id = $2`, tx.Club, w.ID, quietUntil)
				continue
			}
			changes[state] = append(changes[state], w.ID)
			if state == "sending" {
				letters = append(letters, w.letter())
			}
		}
		for _, state := range []string{"sending", "obsolete", "unwanted"} {
			if ids := changes[state]; len(ids) > 0 {
				tx.Queue(`update reminder set mail = $3, mail_at = $4, mail_tries = mail_tries + case $3 when 'sending' then 1 else 0 end where club_id = $1 and id = any($2)`,
					tx.Club, ids, state, now)
			}
		}
		return nil
	})
	if err != nil {
		return nil, false, err
	}
	return letters, more, nil
}

// fate is what becomes of a letter now; where it waits on, until when.
func (w waiting) fate(now time.Time) (state string, quietUntil time.Time) {
	c := Contact{MailAddress: w.MailAddress, QuietFrom: w.QuietFrom, QuietUntil: w.QuietUntil, EventOnly: w.EventOnly, Unwanted: w.Unwanted}
	switch until := c.quiet().ends(now, zoneOf(w.HomeZone)); {
	case !w.Stands || now.Sub(w.MadeAt) > letterLife:
		return "obsolete", until
	case w.Gone || w.MailAddress == nil || c.Choice(w.Kind) != ByMail:
		return "unwanted", until
	case until.After(now):
		return "waiting", until
	default:
		return "sending", until
	}
}

func (w waiting) letter() Letter {
	return Letter{ID: w.ID, To: *w.MailAddress, Try: w.Tries + 1,
		Subject: w.Club + ": " + fmt.Sprintf(subjects[w.Kind], listed(w.Tools)),
		Text: w.Summary() + "\n\n" +
			"This reminder went to member " + w.Number + " of " + w.Club + ". To have fewer or none, change your contact there (the kind is " + w.Kind + "), or ask an officer to.\n" +
			"Nobody reads answers to this message.\n"}
}

// Settle keeps how the sending of a letter went; reply is the server's code, 0
// where it gave none. A word that comes after a letter was given up still counts,
// unless it was sent anew meanwhile.
func Settle(ctx context.Context, db *postgres.DB, club uuid.UUID, now time.Time, l Letter, how Outcome, reply int) error {
	state, after := map[Outcome]string{Sent: "sent", Refused: "refused", Later: "waiting", Unknown: "unknown"}[how], (*time.Time)(nil)
	if how == Later {
		at := now.Add(pause(l.Try))
		after = &at
	}
	var code *int
	if reply > 0 {
		code = &reply
	}
	return db.Write(ctx, club, now, nil, func(tx *postgres.Tx) error {
		tx.Queue(`update reminder set mail = $3, mail_at = $4, mail_after = coalesce($5, mail_after), mail_reply = $6
			where club_id = $1 and id = $2 and mail in ('sending', 'unknown') and mail_tries = $7`, tx.Club, l.ID, state, now, after, code, l.Try)
		return nil
	})
}
