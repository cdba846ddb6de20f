package api

import (
	"bytes"
	"crypto/sha256"
	"net/http"
	"slices"

	openapi_types "github.com/oapi-codegen/runtime/types"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"pinwright/internal/access"
	"pinwright/internal/club"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

func tokenOut(t access.Token) Token {
	out := Token{Id: t.ID, Label: t.Label, Kind: TokenKind(t.Kind), MemberId: t.MemberID,
		Scopes: each(t.Scopes, func(s string) Scope { return Scope(s) }), CreatedAt: t.CreatedAt, ExpiresAt: t.ExpiresAt, RevokedAt: t.RevokedAt}
	if t.UsedOn != nil {
		out.UsedOn = &openapi_types.Date{Time: *t.UsedOn}
	}
	return out
}

var greatestID = uuid.Max

// ListTokens implements the contract.
func (s *Server) ListTokens(c echo.Context, _ InClub, _ ListTokensParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(1)
		rows := access.ListTokens(b, in.bearer, in.pageID(p), p.limit+1)
		return func() (answer, error) {
			items, next := cut(in, p, rows.Items, func(t access.Token) []string { return []string{t.ID.String()} })
			return in.listed(TokenPage{Items: each(items, tokenOut), Next: next}, next), nil
		}
	})
}

// CreateToken implements the contract.
func (s *Server) CreateToken(c echo.Context, _ InClub) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[TokenIn](in)
		earlier := access.LockToken(b, body.Id)
		var holder *postgres.Rows[club.Member]
		if body.Member != nil {
			holder = club.FindMember(b, postgres.ParseRef(*body.Member))
		}
		print := sha256.Sum256(in.body)
		return func(tx *postgres.Tx) (answer, error) {
			t := access.Token{ID: body.Id, MemberID: in.caller.MemberID, Label: body.Label, Kind: string(or(body.Kind, "personal")),
				CreatedAt: tx.Now, ExpiresAt: or(body.ExpiresAt, tx.Now.Add(access.DefaultLife)), Fingerprint: print[:]}
			if holder != nil {
				m, err := holder.OneOf("/member", *body.Member, func(m club.Member) string { return m.Number })
				if err != nil {
					return answer{}, err
				}
				t.MemberID = m.ID
			}
			if t.MemberID != in.caller.MemberID && !in.caller.Has("officer") {
				return answer{}, problem.New(problem.MissingRole, "Only an officer makes tokens for others. Leave `member` out to make your own.")
			}
			t.Scopes = access.DefaultScopes(t.Kind)
			if body.Scopes != nil {
				t.Scopes = each(*body.Scopes, func(s Scope) string { return string(s) })
			} else if !access.Covers(in.caller.Scopes, "write") {
				t.Scopes = in.caller.Scopes
			}
			slices.Sort(t.Scopes)
			for _, scope := range t.Scopes {
				if !access.Covers(in.caller.Scopes, scope) {
					return answer{}, problem.New(problem.InsufficientScope, "A token can make no token with more than its own scopes; this one lacks %q.", scope)
				}
			}
			if !t.ExpiresAt.After(tx.Now) || t.ExpiresAt.After(tx.Now.Add(access.GreatestLife)) {
				return answer{}, problem.Invalid(problem.Fault{Pointer: "/expires_at", Detail: "must lie ahead, at most 400 days"})
			}
			if len(earlier.Items) == 1 {
				was := earlier.Items[0]
				if was.MemberID != t.MemberID || !bytes.Equal(was.Fingerprint, t.Fingerprint) {
					return answer{}, problem.New(problem.IDUsed, "Make a new id for a new token.")
				}
				return answer{status: http.StatusOK, body: tokenOut(was)}, nil
			}
			secret := access.NewSecret(tx.Club)
			access.Issue(tx, in.caller.MemberID, t, secret)
			out := tokenOut(t)
			out.Token = pointerTo(secret.Reveal())
			return created(in.path("tokens", t.ID.String()), out).with("Cache-Control", "no-store"), nil
		}
	})
}

// RevokeToken implements the contract.
func (s *Server) RevokeToken(c echo.Context, _ InClub, token InToken) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		row := access.LockToken(b, token)
		return func(tx *postgres.Tx) (answer, error) {
			t, err := row.One()
			if err != nil {
				return answer{}, err
			}
			if t.MemberID != in.caller.MemberID && !in.caller.Has("officer") {
				return answer{}, problem.Absent()
			}
			return ok(tokenOut(access.Revoke(tx, in.caller.MemberID, t))), nil
		}
	})
}

// pageID is where a list that is ordered by id downwards continues.
func (in *call) pageID(p page) uuid.UUID {
	id, err := uuid.Parse(p.key(0, greatestID.String()))
	if err != nil {
		in.fault = problem.Invalid(problem.Fault{Pointer: "?cursor", Detail: "is damaged; start without a cursor"})
	}
	return id
}
