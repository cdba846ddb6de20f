package access

import (
	"time"

	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Pairing lets one phone have a token of the member who made it, for the few
// minutes in which the phone is held before the screen that shows its code.
type Pairing struct {
	ID          uuid.UUID
	MemberID    uuid.UUID
	Label       string
	Scopes      []string
	CreatedAt   time.Time
	ExpiresAt   time.Time
	WithdrawnAt *time.Time
	Fingerprint []byte `json:"-"`
	// TokenID is the token that it was exchanged for at PairedAt.
	TokenID  *uuid.UUID
	PairedAt *time.Time
}

// PairingLife is how long a pairing's code is good for.
const PairingLife = 10 * time.Minute

const pairings = `
	select p.id, p.member_id, p.label, p.scopes, p.created_at, p.expires_at, p.withdrawn_at, p.fingerprint, t.id as token_id, t.created_at as paired_at
	from pairing p left join token t on t.club_id = p.club_id and t.pairing_id = p.id
	where p.club_id = $1 and p.id = $2`

// FindPairing looks a pairing up by its id.
func FindPairing(b *postgres.Batch, id uuid.UUID) *postgres.Rows[Pairing] {
	return postgres.Query[Pairing](b, pairings, b.Club, id)
}

// LockPairing is FindPairing, locked until the end of the write. The lock is
// taken before the row is read with what may have come of it meanwhile.
func LockPairing(b *postgres.Batch, id uuid.UUID) *postgres.Rows[Pairing] {
	postgres.Values[uuid.UUID](b, `select id from pairing where club_id = $1 and id = $2 for no key update`, b.Club, id)
	return FindPairing(b, id)
}

// Pair makes p with that code and with salt for the token to come.
func Pair(tx *postgres.Tx, p Pairing, code Code, salt []byte) {
	tx.Queue(`insert into pairing (club_id, id, hash, salt, member_id, label, scopes, created_at, expires_at, fingerprint) values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)`,
		tx.Club, p.ID, code.Hash(), salt, p.MemberID, p.Label, p.Scopes, p.CreatedAt, p.ExpiresAt, p.Fingerprint).
		Refuse("pairing_pkey", problem.New(problem.IDUsed, "A pairing with this id was made a moment ago. Send the request again to see it."))
	journal.Append(tx, journal.Event{Type: "pairing.created", Subject: p.ID, Version: 1, Audience: journal.ForOfficers, Actor: p.MemberID}, p)
}

// CallOff voids p; one that is void already stays as it is.
func CallOff(tx *postgres.Tx, actor uuid.UUID, p Pairing) (Pairing, error) {
	switch {
	case p.PairedAt != nil:
		return p, problem.New(problem.NotAllowedNow, "A phone was paired already. Revoke its token %s instead.", p.TokenID)
	case p.WithdrawnAt != nil:
		return p, nil
	}
	p.WithdrawnAt = &tx.Now
	tx.Queue(`update pairing set withdrawn_at = $3 where club_id = $1 and id = $2`, tx.Club, p.ID, tx.Now)
	journal.Append(tx, journal.Event{Type: "pairing.withdrawn", Subject: p.ID, Version: 2, Audience: journal.ForOfficers, Actor: actor}, p)
	return p, nil
}
