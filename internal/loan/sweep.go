package loan

import (
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/postgres"
)

const (
	sweptAtOnce = 100                // tools in one transaction
	warned      = 7 * 24 * time.Hour // before the next promise of a late tool
)

// Sweep finds what is late, warns whoever is promised a late tool within a week,
// and takes warnings back whose reason is gone. Each change is made once, however
// often and on however many replicas it runs: a tool that another one has locked
// is left to that one. It returns how many changes it made.
func Sweep(ctx context.Context, db *postgres.DB, club uuid.UUID, now time.Time) (int, error) {
	changes := 0
	after := uuid.Nil
	for {
		made, seen, last, err := sweepSome(ctx, db, club, now, after)
		changes += made
		if err != nil || seen < sweptAtOnce {
			return changes, err
		}
		after = last
	}
}

// dueTools are tools, from an id on, of which something may have to be said.
// Served by loan_out and booking_in_danger.
const dueTools = `
	select l.tool_id from loan l join booking b on b.club_id = l.club_id and b.reservation_id = l.reservation_id and b.line = l.line
	where l.club_id = $1 and l.ended is null and upper(b.period) < $2 and (l.late_at is null or exists (
		select from booking n where n.club_id = l.club_id and n.tool_id = l.tool_id and n.state not in ('cancelled', 'lost') and n.held_until > $2
		and n.state = 'reserved' and n.endangered is null and lower(n.period) <= $2::timestamptz + interval '7 days'))
	union
	select b.tool_id from booking b join tool t on t.club_id = b.club_id and t.id = b.tool_id
	where b.club_id = $1 and b.endangered is not null and b.state = 'reserved' and upper(b.period) > $2 and (b.endangered = 'late' or t.state = 'in_service' and b.endangered in ('quarantine', 'lost', 'retired'))`

func sweepSome(ctx context.Context, db *postgres.DB, club uuid.UUID, now time.Time, after uuid.UUID) (made, seen int, last uuid.UUID, err error) {
	var items *postgres.Rows[item]
	err = db.Write(ctx, club, now, func(b *postgres.Batch) {
		items = postgres.Query[item](b, selectItem+` and t.id = any(array(select d.tool_id from (`+dueTools+`) as d(tool_id) where d.tool_id > $3 order by 1 limit $4))
			order by t.id for no key update of t skip locked`, b.Club, now, after, sweptAtOnce)
	}, func(tx *postgres.Tx) error {
		made, seen, last = 0, len(items.Items), after
		if seen == 0 {
			return nil
		}
		last = items.Items[seen-1].ID
		s := shelf{items: items.Items}
		if err := s.stock(ctx, tx, now, nil); err != nil {
			return err
		}
		for i := range s.items {
			made += s.sweep(tx, &s.items[i])
		}
		return nil
	})
	if err != nil {
		err = fmt.Errorf("loan: sweep: %w", err)
	}
	return made, seen, last, err
}

// sweep says of one tool what is to be said now, and returns how much.
func (s *shelf) sweep(tx *postgres.Tx, t *item) int {
	made := 0
	l := s.loanOf(t.ID)
	late := l != nil && l.IsLate(tx.Now)
	if late && l.LateAt == nil {
		l.LateAt = pointerTo(kept(tx.Now))
		l.own++
		l.Version += 2
		tx.Queue(`update loan set late_at = $3, version = version + 1 where club_id = $1 and id = $2 and late_at is null`, tx.Club, l.ID, l.LateAt)
		touched(tx, []uuid.UUID{t.ID})
		tell(tx, uuid.Nil, "loan.late", *l)
		made++
	}
	next := true // by time; only the next is in danger yet
	for i := range s.held {
		b := &s.held[i]
		if b.ToolID != t.ID || b.State != "reserved" || !b.BookedUntil.After(tx.Now) {
			continue
		}
		if late && next && b.Endangered == "" && !b.BookedFrom.After(tx.Now.Add(warned)) {
			b.endanger(tx, uuid.Nil, "late")
			made++
		}
		next = false
	}
	if !late {
		made += s.safe(tx, uuid.Nil, t, "late").Safe
	}
	if t.State == inService {
		made += s.safe(tx, uuid.Nil, t, "quarantine", "lost", "retired").Safe
	}
	return made
}
