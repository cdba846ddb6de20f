package waiting

import (
	"context"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/lending"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Outcomes of an offer, once it is answered or over.
const (
	accepted  = "accepted"
	declined  = "declined"
	lapsed    = "lapsed"
	withdrawn = "withdrawn" // cancelled as a reservation, by whomever
)

// Accept makes e's offer a reservation like any other. e is locked.
func Accept(ctx context.Context, tx *postgres.Tx, actor uuid.UUID, e Entry) (Entry, error) {
	r, err := offered(ctx, tx, e)
	switch {
	case err != nil:
		return e, err
	case r.CancelledAt != nil:
		return e, problem.New(problem.NotAllowedNow, "The offer was cancelled on %s. The entry keeps its place and is offered another time when one is free.", r.CancelledAt.Format(time.DateOnly))
	case r.OfferUntil != nil && !r.OfferUntil.After(tx.Now):
		return e, problem.New(problem.NotAllowedNow, "The offer was good until %s. The entry keeps its place the first time that this happens; GET it to see how it stands.", r.OfferUntil.Format(time.RFC3339))
	}
	confirm(tx, actor, r)
	return e.end(tx, actor, Taken, accepted), nil
}

// Decline gives e's offer up. With keepWaiting the entry keeps its place, but is
// not offered that time again; otherwise it ends. e is locked.
func Decline(ctx context.Context, tx *postgres.Tx, actor uuid.UUID, e Entry, keepWaiting bool) (Entry, error) {
	state := Declined
	if keepWaiting {
		state = Waiting
	}
	return giveUp(ctx, tx, actor, e, state)
}

// Leave ends e, and gives up its offer where there is one. e is locked.
func Leave(ctx context.Context, tx *postgres.Tx, actor uuid.UUID, e Entry) (Entry, error) {
	switch e.State {
	case Waiting:
		return e.end(tx, actor, Left, ""), nil
	case Offered:
		return giveUp(ctx, tx, actor, e, Left)
	}
	return e, problem.New(problem.NotAllowedNow, "The entry ended already: it is %s.", e.State)
}

func giveUp(ctx context.Context, tx *postgres.Tx, actor uuid.UUID, e Entry, state string) (Entry, error) {
	r, err := offered(ctx, tx, e)
	if err != nil {
		return e, err
	}
	if r.CancelledAt == nil {
		if _, err := lending.Cancel(tx, actor, r, "", tx.Now); err != nil {
			return e, err
		}
	}
	return e.end(tx, actor, state, declined), nil
}

// offered locks the reservation of e's open offer.
func offered(ctx context.Context, tx *postgres.Tx, e Entry) (lending.Reservation, error) {
	if e.State != Offered {
		return lending.Reservation{}, problem.New(problem.NotAllowedNow, "Nothing is offered to this entry now: it is %s. GET it to see its place.", e.State)
	}
	var found lending.Reservations
	if err := tx.Send(ctx, func(b *postgres.Batch) { found = lending.LockReservation(b, e.Offer.ReservationID) }); err != nil {
		return lending.Reservation{}, err
	}
	return found.One()
}

// confirm makes an offer a reservation.
func confirm(tx *postgres.Tx, actor uuid.UUID, r lending.Reservation) {
	r.OfferUntil, r.ChangedAt = nil, kept(tx.Now)
	r.Version++
	tx.Queue(`update reservation set offer_until = null, changed_at = $3, version = version + 1 where club_id = $1 and id = $2`, tx.Club, r.ID, r.ChangedAt)
	journal.Append(tx, journal.Event{Type: "reservation.offer_accepted", Subject: r.ID, Version: r.Version, Audience: journal.ForClub, Actor: actor}, r)
}

// end puts e into a state, Waiting among them, and closes its open offer with
// the outcome, where there is one.
func (e Entry) end(tx *postgres.Tx, actor uuid.UUID, state, outcome string) Entry {
	if outcome != "" {
		offer := *e.Offer
		offer.Outcome = outcome
		e.Offer = &offer
		tx.Queue(`update waiting_offer set outcome = $4, ended_at = $5 where club_id = $1 and entry_id = $2 and reservation_id = $3`,
			tx.Club, e.ID, offer.ReservationID, outcome, kept(tx.Now))
	}
	e.State, e.ChangedAt, e.LookedAt, e.Hindrance, e.HindranceText = state, kept(tx.Now), nil, "", ""
	e.Version++
	tx.Queue(`update waiting_entry set state = $3, changed_at = $4, looked_at = null, looked_seq = null, hindrance = null, hindrance_text = null, version = version + 1
		where club_id = $1 and id = $2`, tx.Club, e.ID, e.State, e.ChangedAt)
	happened := state
	if state == Waiting {
		happened = "resumed"
	}
	journal.Append(tx, journal.Event{Type: "waiting." + happened, Subject: e.ID, Version: e.Version, Audience: journal.ForClub, Actor: actor}, e)
	return e
}
