package access

import (
	"time"

	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Token is what is known of a token, without its text.
type Token struct {
	ID          uuid.UUID
	MemberID    uuid.UUID
	Label       string
	Kind        string
	Scopes      []string
	CreatedAt   time.Time
	ExpiresAt   time.Time
	RevokedAt   *time.Time
	UsedOn      *time.Time
	Fingerprint []byte `json:"-"`
	// InvitationID or PairingID is the code that the token was made for, if any.
	InvitationID, PairingID *uuid.UUID
}

const tokenColumns = `id, member_id, label, kind, scopes, created_at, expires_at, revoked_at, used_on, fingerprint, invitation_id, pairing_id` //nolint:gosec // names of columns

// Default and greatest life of a token.
const (
	DefaultLife  = 90 * 24 * time.Hour
	GreatestLife = 400 * 24 * time.Hour
)

// DefaultScopes of a token of that kind: a phone in the garage only looks and
// posts readings, since phones get lost.
func DefaultScopes(kind string) []string {
	if kind == "device" {
		return []string{"read", "readings"}
	}
	return []string{"write"}
}

// FindToken returns the token that w is, if it is one.
func FindToken(b *postgres.Batch, w Bearer) *postgres.Rows[Token] {
	if w.by != byToken {
		return &postgres.Rows[Token]{}
	}
	return postgres.Query[Token](b, `select `+tokenColumns+` from token where club_id = $1 and hash = $2`, b.Club, w.Key())
}

// ListByLabel lists the standing tokens with that label, oldest first.
func ListByLabel(b *postgres.Batch, label string) *postgres.Rows[Token] {
	return postgres.Query[Token](b, `select `+tokenColumns+` from token where club_id = $1 and label = $2 and revoked_at is null order by id for no key update`, b.Club, label)
}

// LockToken looks a token up by its id and locks it until the end of the write.
func LockToken(b *postgres.Batch, id uuid.UUID) *postgres.Rows[Token] {
	return postgres.Query[Token](b, `select `+tokenColumns+` from token where club_id = $1 and id = $2 for no key update`, b.Club, id)
}

// ListTokens lists w's tokens, or all to an officer, by id, newest first, after
// the id given (the greatest UUID for the first page). Served by token_id.
func ListTokens(b *postgres.Batch, w Bearer, before uuid.UUID, limit int) *postgres.Rows[Token] {
	return postgres.Query[Token](b, `
		select `+tokenColumns+` from token where club_id = $1 and id < $3
		and (member_id = (`+w.Holder()+`) or `+w.isOfficer()+`)
		order by id desc limit $4`, b.Club, w.Key(), before, limit)
}

// Issue makes t with the given secret.
func Issue(tx *postgres.Tx, actor uuid.UUID, t Token, secret Secret) {
	tx.Queue(`insert into token (club_id, hash, id, member_id, label, kind, scopes, created_at, expires_at, fingerprint, invitation_id, pairing_id) values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12)`,
		tx.Club, secret.Hash(), t.ID, t.MemberID, t.Label, t.Kind, t.Scopes, t.CreatedAt, t.ExpiresAt, t.Fingerprint, t.InvitationID, t.PairingID).
		Refuse("token_id", problem.New(problem.IDUsed, "A token with this id was made a moment ago. Send the request again to see it.")).
		RunAgainOn("token_of_invitation").RunAgainOn("token_of_pairing")
	journal.Append(tx, journal.Event{Type: "token.created", Subject: t.ID, Version: 1, Audience: journal.ForOfficers, Actor: actor}, t)
}

// Revoke ends t; a token that is revoked already stays as it is.
func Revoke(tx *postgres.Tx, actor uuid.UUID, t Token) Token {
	if t.RevokedAt != nil {
		return t
	}
	t.RevokedAt = &tx.Now
	tx.Queue(`update token set revoked_at = $3 where club_id = $1 and id = $2`, tx.Club, t.ID, tx.Now)
	journal.Append(tx, journal.Event{Type: "token.revoked", Subject: t.ID, Version: 2, Audience: journal.ForOfficers, Actor: actor}, t)
	return t
}
