package access

import (
	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/postgres"
)

// Exchanging a code for a token: once, and again only for the request that did
// it.

// Offer is what a code stands for when it is exchanged, with what makes the
// token.
type Offer struct {
	ID       uuid.UUID
	Salt     []byte
	Name     string   // of the member to be
	Number   string   // of the member to be
	Roles    []string // of the member to be
	GarageID *uuid.UUID
	Label    string // of the token
	Scopes   []string
	MemberID *uuid.UUID // whose token it is; nil while there is no such member
}

// FindInvited returns what the invitation with w's code offers. Its number is
// the one that was chosen, while that is free, else the next whole number.
func FindInvited(b *postgres.Batch, w Bearer) *postgres.Rows[Offer] {
	return postgres.Query[Offer](b, `
		select i.id, i.salt, i.name, i.roles, i.garage_id, 'invitation' as label, '{write}'::text[] as scopes, null::uuid as member_id,
		       case when i.number is not null and not exists (select from member m where m.club_id = $1 and m.number = i.number) then i.number
		       else (select (coalesce(max(m.number::bigint), 0) + 1)::text from member m where m.club_id = $1 and m.number ~ '^[1-9][0-9]{0,8}$') end as number
		from invitation i where i.club_id = $1 and i.hash = $2`, b.Club, w.key)
}

// FindExchanged returns the token that w's code was exchanged for, if it was.
func FindExchanged(b *postgres.Batch, w Bearer) *postgres.Rows[Token] {
	column, table := "invitation_id", "invitation"
	if w.by == byPairing {
		column, table = "pairing_id", "pairing"
	}
	return postgres.Query[Token](b, `select `+tokenColumns+` from token where club_id = $1 and `+column+` = (select id from `+table+` where club_id = $1 and hash = $2)`, b.Club, w.key)
}

// FindPaired returns what the pairing with w's code offers.
func FindPaired(b *postgres.Batch, w Bearer) *postgres.Rows[Offer] {
	return postgres.Query[Offer](b, `
		select id, salt, '' as name, '' as number, '{}'::text[] as roles, null::uuid as garage_id, label, scopes, member_id
		from pairing where club_id = $1 and hash = $2`, b.Club, w.key)
}

// Exchange makes the token of member that w's code is exchanged for; earlier is
// the one that it was exchanged for before, by the same request.
func Exchange(tx *postgres.Tx, w Bearer, o Offer, member uuid.UUID, earlier *Token) (Token, Secret) {
	secret := w.code.Token(tx.Club, o.Salt, w.request)
	if earlier != nil {
		return *earlier, secret
	}
	t := Token{ID: uuid.Must(uuid.NewV7()), MemberID: member, Label: o.Label, Kind: "personal", Scopes: o.Scopes,
		CreatedAt: tx.Now, ExpiresAt: tx.Now.Add(DefaultLife), Fingerprint: w.request}
	event := "invitation.accepted"
	if w.by == byPairing {
		t.Kind, t.PairingID = "device", &o.ID
		event = "pairing.accepted"
	} else {
		t.InvitationID = &o.ID
	}
	journal.Append(tx, journal.Event{Type: event, Subject: o.ID, Version: 2, Audience: journal.ForOfficers, Actor: member}, t.ID)
	Issue(tx, member, t, secret)
	return t, secret
}

// RandomSalt is salt for the token that a code will be exchanged for.
func RandomSalt() []byte {
	salt := make([]byte, secretBytes)
	fill(salt)
	return salt
}
