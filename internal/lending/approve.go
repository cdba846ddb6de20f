package lending

import (
	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Approve lets the tools of r be handed out.
func Approve(tx *postgres.Tx, actor uuid.UUID, r Reservation) (Reservation, error) {
	if err := r.awaitsApproval(); err != nil {
		return r, err
	}
	r = r.next(tx)
	r.Approval, r.approvedBy, r.approvedAt = given, &actor, &r.ChangedAt
	tx.Queue(`update reservation set approval = $3, approval_by = $4, approval_at = $5, changed_at = $5, version = $6 where club_id = $1 and id = $2`,
		tx.Club, r.ID, r.Approval, actor, r.ChangedAt, r.own)
	journal.Append(tx, journal.Event{Type: "reservation.approved", Subject: r.ID, Version: r.Version, Audience: journal.ForClub, Actor: actor}, r)
	return r, nil
}

// Decline gives the tools of r free again, since nobody approves.
func Decline(tx *postgres.Tx, actor uuid.UUID, r Reservation, reason string) (Reservation, error) {
	if err := r.awaitsApproval(); err != nil {
		return r, err
	}
	at := kept(tx.Now)
	r.Approval, r.approvedBy, r.approvedAt = declined, &actor, &at
	return end(tx, actor, r, "reservation.declined", reason, at), nil
}

func (r Reservation) awaitsApproval() error {
	switch {
	case r.CancelledAt != nil:
		return problem.New(problem.NotAllowedNow, "It was cancelled, so there is nothing to approve.")
	case r.Approval == notNeeded:
		return problem.New(problem.NotAllowedNow, "It needs no approval; its tools can be handed out.")
	case r.Approval == given:
		return problem.New(problem.NotAllowedNow, "It was approved already. Who reserved it, a tool keeper or an officer can cancel it.")
	}
	return nil
}
