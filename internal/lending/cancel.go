package lending

import (
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// LockReservation is Find, with the reservation and its tools locked until the
// end of the write: tools first, as in every lending write.
func LockReservation(b *postgres.Batch, id uuid.UUID) Reservations {
	postgres.Values[uuid.UUID](b, `
		select id from tool where club_id = $1 and id in (select tool_id from booking where club_id = $1 and reservation_id = $2)
		order by id for no key update`, b.Club, id)
	postgres.Values[uuid.UUID](b, `select id from reservation where club_id = $1 and id = $2 for no key update`, b.Club, id)
	return Find(b, id)
}

// Cancel gives the tools of r free again that were not collected yet, be they
// reserved, offered, or to be decided between. at is when that happened, by the
// caller's word.
func Cancel(tx *postgres.Tx, actor uuid.UUID, r Reservation, reason string, at time.Time) (Reservation, error) {
	at = kept(at)
	switch {
	case r.CancelledAt != nil:
		return r, problem.New(problem.NotAllowedNow, "It was cancelled on %s already; its tools are free.", r.CancelledAt.Format(time.DateOnly))
	case slices.ContainsFunc(r.Lines, func(b Booking) bool { return b.State == "out" }):
		return r, problem.New(problem.NotAllowedNow, "Tools of it are out. Return what is out instead.")
	case !slices.ContainsFunc(r.Lines, func(b Booking) bool { return b.State == "reserved" }):
		return r, problem.New(problem.NotAllowedNow, "Nothing of it is reserved any more; its tools came back.")
	case at.After(tx.Now):
		return r, problem.Invalid(problem.Fault{Pointer: "/occurred_at", Detail: "lies ahead; leave it out when it happens now"})
	case at.Before(r.CreatedAt):
		return r, problem.Invalid(problem.Fault{Pointer: "/occurred_at", Detail: fmt.Sprintf("is before the reservation was made (%s)", r.CreatedAt.Format(time.RFC3339))})
	}
	return end(tx, actor, r, "reservation.cancelled", reason, at), nil
}

// end cancels the lines of r that are reserved, and r with them.
func end(tx *postgres.Tx, actor uuid.UUID, r Reservation, event, reason string, at time.Time) Reservation {
	r = r.next(tx)
	r.CancelledAt, r.CancelReason = &at, reason
	for i := range r.Lines {
		if r.Lines[i].State == "reserved" {
			r.Lines[i].State = "cancelled"
		}
	}
	tx.Queue(`update booking set state = 'cancelled' where club_id = $1 and reservation_id = $2 and state = 'reserved'`, tx.Club, r.ID)
	tx.Queue(`update reservation set cancelled_at = $3, cancel_reason = $4, changed_at = $5, approval = $6, approval_by = coalesce($7, approval_by), approval_at = coalesce($8, approval_at), version = $9
		where club_id = $1 and id = $2`,
		tx.Club, r.ID, at, reason, r.ChangedAt, r.Approval, r.approvedBy, r.approvedAt, r.own)
	journal.Append(tx, journal.Event{Type: event, Subject: r.ID, Version: r.Version, Audience: journal.ForClub, Actor: actor}, r)
	return r
}

// next is r as its next version, with lines of its own.
func (r Reservation) next(tx *postgres.Tx) Reservation {
	r.ChangedAt = kept(tx.Now)
	r.own++
	r.Version++
	r.Lines = slices.Clone(r.Lines)
	return r
}
