package access

import (
	"time"

	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Invitation lets one person become a member, with a name and roles that an
// officer has chosen. It stands on that officer's authority: it is void once
// they are disabled or no officer any more.
type Invitation struct {
	ID          uuid.UUID
	Name        string
	Number      *string
	Roles       []string
	GarageID    *uuid.UUID
	InvitedBy   uuid.UUID
	CreatedAt   time.Time
	ExpiresAt   time.Time
	WithdrawnAt *time.Time
	Fingerprint []byte `json:"-"`
	// MemberID became member by it at AcceptedAt.
	MemberID   *uuid.UUID
	AcceptedAt *time.Time
}

// Default and greatest life of an invitation.
const (
	InvitationLife         = 7 * 24 * time.Hour
	GreatestInvitationLife = 30 * 24 * time.Hour
)

const invitations = `
	select i.id, i.name, i.number, i.roles, i.garage_id, i.invited_by, i.created_at, i.expires_at, i.withdrawn_at, i.fingerprint,
	       t.member_id, t.created_at as accepted_at
	from invitation i left join token t on t.club_id = i.club_id and t.invitation_id = i.id
	where i.club_id = $1 `

// FindInvitation looks an invitation up by its id.
func FindInvitation(b *postgres.Batch, id uuid.UUID) *postgres.Rows[Invitation] {
	return postgres.Query[Invitation](b, invitations+`and i.id = $2`, b.Club, id)
}

// LockInvitation is FindInvitation, locked until the end of the write. The lock is
// taken before the row is read with what may have come of it meanwhile.
func LockInvitation(b *postgres.Batch, id uuid.UUID) *postgres.Rows[Invitation] {
	postgres.Values[uuid.UUID](b, `select id from invitation where club_id = $1 and id = $2 for no key update`, b.Club, id)
	return FindInvitation(b, id)
}

// ListInvitations lists invitations by id, newest first, after the id given.
// Served by invitation_pkey.
func ListInvitations(b *postgres.Batch, before uuid.UUID, limit int) *postgres.Rows[Invitation] {
	return postgres.Query[Invitation](b, invitations+`and i.id < $2 order by i.id desc limit $3`, b.Club, before, limit)
}

// personless is what the journal sees of an invitation: no name, so that it can
// be erased.
func (i Invitation) personless() Invitation {
	i.Name = ""
	return i
}

// Invite makes i with that code and with salt for the token to come.
func Invite(tx *postgres.Tx, i Invitation, code Code, salt []byte) {
	tx.Queue(`insert into invitation (club_id, id, hash, salt, name, number, roles, garage_id, invited_by, created_at, expires_at, fingerprint)
		values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12)`,
		tx.Club, i.ID, code.Hash(), salt, i.Name, i.Number, i.Roles, i.GarageID, i.InvitedBy, i.CreatedAt, i.ExpiresAt, i.Fingerprint).
		Refuse("invitation_pkey", problem.New(problem.IDUsed, "An invitation with this id was made a moment ago. Send the request again to see it."))
	journal.Append(tx, journal.Event{Type: "invitation.created", Subject: i.ID, Version: 1, Audience: journal.ForOfficers, Actor: i.InvitedBy}, i.personless())
}

// Withdraw voids i; one that is withdrawn already stays as it is.
func Withdraw(tx *postgres.Tx, actor uuid.UUID, i Invitation) (Invitation, error) {
	switch {
	case i.AcceptedAt != nil:
		return i, problem.New(problem.NotAllowedNow, "It was accepted already. Disable the member who came of it instead.")
	case i.WithdrawnAt != nil:
		return i, nil
	}
	i.WithdrawnAt = &tx.Now
	tx.Queue(`update invitation set withdrawn_at = $3 where club_id = $1 and id = $2`, tx.Club, i.ID, tx.Now)
	journal.Append(tx, journal.Event{Type: "invitation.withdrawn", Subject: i.ID, Version: 2, Audience: journal.ForOfficers, Actor: actor}, i.personless())
	return i, nil
}
