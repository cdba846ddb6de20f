package access

import (
	"time"

	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Identity is a person at an OpenID Connect issuer who is a member.
type Identity struct {
	ID       uuid.UUID
	MemberID uuid.UUID
	Issuer   string
	Subject  string // the issuer's own name for the person
	LinkedAt time.Time
	UsedOn   *time.Time
}

func identityHash(issuer, subject string) []byte { return hashOf(issuer + " " + subject) }

const identityColumns = `id, member_id, issuer, subject, linked_at, used_on`

// FindIdentity returns the identity that w is, if it is one.
func FindIdentity(b *postgres.Batch, w Bearer) *postgres.Rows[Identity] {
	if w.by != byIdentity {
		return &postgres.Rows[Identity]{}
	}
	return postgres.Query[Identity](b, `select `+identityColumns+` from member_identity where club_id = $1 and hash = $2`, b.Club, w.Key())
}

// LockIdentity looks an identity up by its id and locks it until the end of the
// write.
func LockIdentity(b *postgres.Batch, id uuid.UUID) *postgres.Rows[Identity] {
	return postgres.Query[Identity](b, `select `+identityColumns+` from member_identity where club_id = $1 and id = $2 for no key update`, b.Club, id)
}

// ListIdentities lists w's identities, or all to an officer, by id, newest first,
// after the id given. Served by member_identity_id.
func ListIdentities(b *postgres.Batch, w Bearer, before uuid.UUID, limit int) *postgres.Rows[Identity] {
	return postgres.Query[Identity](b, `
		select `+identityColumns+` from member_identity where club_id = $1 and id < $3
		and (member_id = (`+w.Holder()+`) or `+w.isOfficer()+`)
		order by id desc limit $4`, b.Club, w.Key(), before, limit)
}

// nameless is what the journal sees of an identity: not what the issuer calls
// the person, so that it can be erased.
func (i Identity) nameless() Identity {
	i.Subject = ""
	return i
}

// Link makes i. That one identity is one member's only is the primary key.
func Link(tx *postgres.Tx, i Identity) {
	tx.Queue(`insert into member_identity (club_id, hash, id, member_id, issuer, subject, linked_at) values ($1, $2, $3, $4, $5, $6, $7)`,
		tx.Club, identityHash(i.Issuer, i.Subject), i.ID, i.MemberID, i.Issuer, i.Subject, i.LinkedAt).
		RunAgainOn("member_identity_pkey")
	journal.Append(tx, journal.Event{Type: "identity.linked", Subject: i.ID, Version: 1, Audience: journal.ForOfficers, Actor: i.MemberID}, i.nameless())
}

// ErrLinked is the answer to linking what is somebody else's.
var ErrLinked = problem.New(problem.NotAllowedNow, "This identity is linked to another member of this club. It must be unlinked there first.")

// Unlink ends i. The row goes, so that the identity may become somebody else's.
func Unlink(tx *postgres.Tx, actor uuid.UUID, i Identity) {
	tx.Queue(`delete from member_identity where club_id = $1 and id = $2`, tx.Club, i.ID)
	journal.Append(tx, journal.Event{Type: "identity.unlinked", Subject: i.ID, Version: 2, Audience: journal.ForOfficers, Actor: actor}, i.nameless())
}
