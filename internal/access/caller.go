package access

import (
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/problem"
)

// Caller is the member behind a request, with what is needed of the club to
// answer. Behind a code it is who made the code.
type Caller struct {
	ClubID   uuid.UUID
	ClubSlug string
	Currency string
	Units    string // the club's choice, unless the request names another
	MemberID uuid.UUID
	Roles    []string
	// TokenID is the token's id, or that of the identity, invitation or pairing
	// that came in its place; Kind says which.
	TokenID    uuid.UUID
	Kind       string // personal, device, identity, invitation or pairing
	Scopes     []string
	UsedOn     *time.Time
	Turnaround int      // hours of cleaning after a loan
	Origins    []string // of web pages that may work for the club's members
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
