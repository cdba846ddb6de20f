package repair

import (
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/postgres"
)

// sweptAtOnce is how many timers ring in one transaction.
const sweptAtOnce = 100

// ringing is a timer that is to ring or to be warned of, with its repair.
type ringing struct {
	Timer
	RepairVersion int64
}

// Sweep rings timers that are due, and warns of those that overstay, each once,
// however often and on however many replicas it runs: a timer that another sweep has
// locked is left to that one. It returns how many events it made.
func Sweep(ctx context.Context, db *postgres.DB, club uuid.UUID, now time.Time) (int, error) {
	made := 0
	for {
		n, seen, err := sweepSome(ctx, db, club, now)
		made += n
		if err != nil || seen < sweptAtOnce {
			return made, err
		}
	}
}

func sweepSome(ctx context.Context, db *postgres.DB, club uuid.UUID, now time.Time) (made, seen int, err error) {
	var due *postgres.Rows[ringing]
	err = db.Write(ctx, club, now, func(b *postgres.Batch) {
		// Served by repair_timer_to_ring and repair_timer_to_warn.
		due = postgres.Query[ringing](b, `select `+timerColumns+`, r.version as repair_version from repair_timer t join repair r on r.club_id = t.club_id and r.id = t.repair_id
			where t.club_id = $1 and t.stopped_at is null and t.id = any(array(
				select d.id from repair_timer d where d.club_id = $1 and d.stopped_at is null and d.rung_at is null and d.due_at <= $2
				union
				select d.id from repair_timer d where d.club_id = $1 and d.stopped_at is null and d.overstayed_at is null and d.most_at is not null and d.most_at <= $2
				order by 1 limit $3))
			order by t.id for no key update of t skip locked`, b.Club, now, sweptAtOnce)
	}, func(tx *postgres.Tx) error {
		made, seen = 0, len(due.Items)
		for _, t := range due.Items {
			made += t.ring(tx)
		}
		return nil
	})
	if err != nil {
		err = fmt.Errorf("repair: sweep: %w", err)
	}
	return made, seen, err
}

// ring says of a timer what is to be said at the time of tx, and returns how much.
func (r ringing) ring(tx *postgres.Tx) int {
	made := 0
	at := tx.Now.UTC().Truncate(time.Microsecond)
	say := func(event string) {
		made++
		journal.Append(tx, journal.Event{Type: event, Subject: r.RepairID, Version: r.RepairVersion, Audience: journal.ForClub, Actor: uuid.Nil}, r.Timer)
	}
	if r.RungAt == nil && !r.DueAt.After(at) {
		r.RungAt = &at
		say("repair.timer_due")
	}
	if r.OverstayedAt == nil && r.MostAt != nil && !r.MostAt.After(at) {
		r.OverstayedAt = &at
		say("repair.timer_overstayed")
	}
	tx.Queue(`update repair_timer set rung_at = $3, overstayed_at = $4 where club_id = $1 and id = $2`, tx.Club, r.ID, r.RungAt, r.OverstayedAt)
	return made
}
