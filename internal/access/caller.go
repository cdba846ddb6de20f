package access

import (
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Caller is the member behind a valid token, with what is needed of the club
// to answer.
type Caller struct {
	ClubID     uuid.UUID
	ClubSlug   string
	Currency   string
	Units      string // the club's choice, unless the request names another
	MemberID   uuid.UUID
	Roles      []string
	TokenID    uuid.UUID
	Scopes     []string
	UsedOn     *time.Time
	Turnaround int      // hours of cleaning after a loan
	Origins    []string // of web pages that may work for the club's members
}

// Queue asks who holds secret; the answer has no row for a token that is
// unknown, expired, revoked or whose member is disabled. A revocation therefore
// takes effect with the next request.
func Queue(b *postgres.Batch, secret Secret, now time.Time) *postgres.Rows[Caller] {
	return postgres.Query[Caller](b, `
		select c.club_id, c.slug as club_slug, c.currency, c.units, m.id as member_id, m.roles, t.id as token_id, t.scopes, t.used_on,
		       c.turnaround_hours as turnaround, c.origins
		from token t
		join member m on m.club_id = t.club_id and m.id = t.member_id
		join club c on c.club_id = t.club_id
		where t.club_id = $1 and t.hash = $2 and t.revoked_at is null and t.expires_at > $3 and m.disabled_at is null`,
		b.Club, secret.Hash(), now)
}

// May checks the caller's roles and the token's scopes; one of roles suffices.
func (c Caller) May(roles []string, scope string) error {
	if !slices.ContainsFunc(roles, func(r string) bool { return slices.Contains(c.Roles, r) }) {
		return problem.New(problem.MissingRole, "This needs the role %s; yours: %s. One of the club's officers can give it.", strings.Join(roles, " or "), strings.Join(c.Roles, ", "))
	}
	if !Covers(c.Scopes, scope) {
		return problem.New(problem.InsufficientScope, "This needs a token with the scope %q; this one has: %s.", scope, strings.Join(c.Scopes, ", "))
	}
	return nil
}

// Has reports whether the caller has one of roles.
func (c Caller) Has(roles ...string) bool {
	return slices.ContainsFunc(roles, func(r string) bool { return slices.Contains(c.Roles, r) })
}

// Covers reports whether scopes allow what scope names: write covers
// everything, readings covers read.
func Covers(scopes []string, scope string) bool {
	return slices.Contains(scopes, scope) || slices.Contains(scopes, "write") ||
		scope == "read" && slices.Contains(scopes, "readings")
}
