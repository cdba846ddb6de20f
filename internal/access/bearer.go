package access

import (
	"strings"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/postgres"
)

// Bearer is what a request shows of who sends it: a token, an identity that an
// issuer vouches for, or a code. The zero Bearer is nobody's.
type Bearer struct {
	Club uuid.UUID
	by   way
	key  []byte // what the database knows it by
	code Code
	// request is the fingerprint of the request that presents a code, nil when it
	// cannot be repeated.
	request []byte
}

// way is how somebody comes in.
type way int

const (
	byToken way = iota
	byIdentity
	byInvitation
	byPairing
)

// ReadToken reads a token's text; false when it is none.
func ReadToken(text string) (Bearer, bool) {
	club, ok := Secret(text).Club()
	return Bearer{Club: club, by: byToken, key: Secret(text).Hash()}, ok
}

// ReadCode reads the text of a code for p; false when it is none.
func ReadCode(p Purpose, text string) (Bearer, bool) {
	by := byInvitation
	if p == Pairs {
		by = byPairing
	}
	club, ok := Code(text).Club(p)
	return Bearer{Club: club, by: by, key: Code(text).Hash(), code: Code(text)}, ok
}

// VouchedFor is the bearer whom an issuer vouches for, in that club.
func VouchedFor(club uuid.UUID, issuer, subject string) Bearer {
	return Bearer{Club: club, by: byIdentity, key: identityHash(issuer, subject)}
}

// Presenting is b with the fingerprint of the request that presents its code.
func (b Bearer) Presenting(request []byte) Bearer {
	b.request = request
	return b
}

// Holder is a query of the id of the member behind b, by the club ($1) and
// Key ($2); without a row before an invitation is accepted.
func (b Bearer) Holder() string {
	switch b.by {
	case byIdentity:
		return `select member_id from member_identity where club_id = $1 and hash = $2`
	case byInvitation:
		return `select member_id from token where club_id = $1 and invitation_id = (select id from invitation where club_id = $1 and hash = $2)`
	case byPairing:
		return `select member_id from pairing where club_id = $1 and hash = $2`
	default:
		return `select member_id from token where club_id = $1 and hash = $2`
	}
}

// isOfficer is a condition that holds when the member behind b is an officer;
// it is one value of the statement, asked once and not for every row.
func (b Bearer) isOfficer() string {
	return `(select 'officer' = any(m.roles) from member m where m.club_id = $1 and m.id = (` + b.Holder() + `))`
}

// Key is what Holder looks b up by.
func (b Bearer) Key() []byte { return b.key }

// Repeatable is how long the exchange of a code for a token can be asked for
// again: by the same request, and as long as somebody may still be waiting for
// the lost answer.
const Repeatable = time.Hour

const ofClub = `select c.club_id, c.slug as club_slug, c.currency, c.units, c.turnaround_hours as turnaround, c.origins, m.id as member_id, m.roles, `

// Who asks who shows w; the answer has no row for a token that is unknown,
// expired, revoked or whose member is disabled or a guest no more, so that a revocation takes effect
// with the next request, and none for a code that is unknown, expired,
// withdrawn, used, or whose maker may not let anybody in any more.
func Who(b *postgres.Batch, w Bearer, now time.Time) *postgres.Rows[Caller] {
	switch w.by {
	case byIdentity:
		return postgres.Query[Caller](b, ofClub+`i.id as token_id, 'identity' as kind, '{write}'::text[] as scopes, i.used_on
			from member_identity i
			join member m on m.club_id = i.club_id and m.id = i.member_id
			join club c on c.club_id = i.club_id
			where i.club_id = $1 and i.hash = $2 and `+working,
			b.Club, w.key, now)
	case byInvitation:
		return postgres.Query[Caller](b, ofClub+`i.id as token_id, 'invitation' as kind, '{}'::text[] as scopes, null::date as used_on
			from invitation i
			join member m on m.club_id = i.club_id and m.id = i.invited_by
			join club c on c.club_id = i.club_id
			left join token t on t.club_id = i.club_id and t.invitation_id = i.id
			where i.club_id = $1 and i.hash = $2 and i.withdrawn_at is null and (i.expires_at > $3 or t.id is not null)
			and `+working+` and 'officer' = any(m.roles) and `+unusedOrRepeated,
			b.Club, w.key, now, w.request, now.Add(-Repeatable))
	case byPairing:
		return postgres.Query[Caller](b, ofClub+`i.id as token_id, 'pairing' as kind, '{}'::text[] as scopes, null::date as used_on
			from pairing i
			join member m on m.club_id = i.club_id and m.id = i.member_id
			join club c on c.club_id = i.club_id
			left join token t on t.club_id = i.club_id and t.pairing_id = i.id
			where i.club_id = $1 and i.hash = $2 and i.withdrawn_at is null and (i.expires_at > $3 or t.id is not null) and `+working+` and `+unusedOrRepeated,
			b.Club, w.key, now, w.request, now.Add(-Repeatable))
	default:
		return postgres.Query[Caller](b, ofClub+`t.id as token_id, t.kind, t.scopes, t.used_on
			from token t
			join member m on m.club_id = t.club_id and m.id = t.member_id
			join club c on c.club_id = t.club_id
			where t.club_id = $1 and t.hash = $2 and t.revoked_at is null and t.expires_at > $3 and `+working,
			b.Club, w.key, now)
	}
}

// working holds for a member m who may do anything at $3: neither disabled nor a
// guest whose stay is over, or whose host may do nothing any more, since nobody
// answers for them then.
const working = `m.disabled_at is null and (m.host_id is null or m.guest_until > $3
	and exists (select from member h where h.club_id = m.club_id and h.id = m.host_id and h.disabled_at is null))`

// WorkingAt is the condition that holds for a member m who may do anything at the
// time that is the parameter at, such as $4: what somebody has made ends with
// their being let in.
func WorkingAt(at string) string { return strings.ReplaceAll(working, "$3", at) }

const unusedOrRepeated = `(t.id is null or t.revoked_at is null and t.created_at > $5 and t.fingerprint = $4)`

// Lock locks the row of w's code until the end of the write, before anything of
// it is read: of two who present it, or one who presents and one who withdraws it, the
// second sees what the first has done.
func Lock(b *postgres.Batch, w Bearer) {
	switch w.by {
	case byInvitation:
		postgres.Values[uuid.UUID](b, `select id from invitation where club_id = $1 and hash = $2 for no key update`, b.Club, w.key)
	case byPairing:
		postgres.Values[uuid.UUID](b, `select id from pairing where club_id = $1 and hash = $2 for no key update`, b.Club, w.key)
	case byToken, byIdentity: // are presented by many requests at once
	}
}

// NoteUse keeps the day on which c was last used.
func NoteUse(tx *postgres.Tx, c Caller, today time.Time) {
	table := "token"
	if c.Kind == "identity" {
		table = "member_identity"
	}
	tx.Queue(`update `+table+` set used_on = $3 where club_id = $1 and id = $2 and (used_on is null or used_on < $3)`, tx.Club, c.TokenID, today)
}
