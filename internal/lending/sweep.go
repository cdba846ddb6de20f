package lending

import (
	"context"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/postgres"
)

// swept is how many reservations one sweep looks at: what is left is found by the
// next one.
const swept = 100

// Sweep settles the choices of a club that nobody has decided in time, and
// returns of how many reservations. Running it again, or twice at once, settles each
// once. Served by booking_undecided.
func Sweep(ctx context.Context, db *postgres.DB, club uuid.UUID, now time.Time) (int, error) {
	var due *postgres.Rows[uuid.UUID]
	if err := db.Read(ctx, club, func(b *postgres.Batch) { due = undecided(b, now) }); err != nil {
		return 0, err
	}
	settled := 0
	for _, id := range due.Items {
		done := false
		var found Reservations
		err := db.Write(ctx, club, now, func(b *postgres.Batch) { found, done = LockReservation(b, id), false }, func(tx *postgres.Tx) error {
			r, err := found.One()
			if err != nil {
				return err
			}
			if keep := r.overdue(tx); len(keep) > 0 {
				decided(tx, uuid.Nil, r, keep)
				done = true
			}
			return nil
		})
		if err != nil {
			return settled, err
		}
		if done {
			settled++
		}
	}
	return settled, nil
}

// undecided are reservations with choices whose time is over.
func undecided(b *postgres.Batch, now time.Time) *postgres.Rows[uuid.UUID] {
	return postgres.Values[uuid.UUID](b, `
		select distinct reservation_id from (
			select reservation_id from booking where club_id = $1 and choice is not null and state = 'reserved' and decide_by <= $2 order by decide_by limit $3) as due`,
		b.Club, now, swept)
}
