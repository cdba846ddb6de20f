package api

import (
	openapi_types "github.com/oapi-codegen/runtime/types"

	"github.com/labstack/echo/v4"

	"pinwright/internal/access"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

func identityOut(i access.Identity) Identity {
	out := Identity{Id: i.ID, MemberId: i.MemberID, Issuer: i.Issuer, Subject: i.Subject, LinkedAt: i.LinkedAt}
	if i.UsedOn != nil {
		out.UsedOn = &openapi_types.Date{Time: *i.UsedOn}
	}
	return out
}

// ListIdentities implements the contract.
func (s *Server) ListIdentities(c echo.Context, _ InClub, _ ListIdentitiesParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(1)
		rows := access.ListIdentities(b, in.bearer, in.pageID(p), p.limit+1)
		return func() (answer, error) {
			items, next := cut(in, p, rows.Items, func(i access.Identity) []string { return []string{i.ID.String()} })
			return in.listed(IdentityPage{Items: each(items, identityOut), Next: next}, next), nil
		}
	})
}

// LinkIdentity implements the contract. The issuer may have to be asked, so this
// is done before a connection to the database is held; what comes of it is told
// in its place in the order of checks.
func (s *Server) LinkIdentity(c echo.Context, _ InClub) error {
	in, invalid, err := s.begin(c)
	if err != nil {
		return err
	}
	var subject string
	var refusal error
	if invalid == nil {
		subject, refusal = s.vouchedIn(in)
	}
	return s.change(in, invalid, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		in.fault = refusal
		if refusal != nil {
			return nil
		}
		earlier := access.FindIdentity(b, access.VouchedFor(in.club, s.issuer.URL(), subject))
		return func(tx *postgres.Tx) (answer, error) {
			if err := in.noDevice(); err != nil {
				return answer{}, err
			}
			if len(earlier.Items) == 1 {
				if earlier.Items[0].MemberID != in.caller.MemberID {
					return answer{}, access.ErrLinked
				}
				return ok(identityOut(earlier.Items[0])), nil
			}
			i := access.Identity{ID: newID(), MemberID: in.caller.MemberID, Issuer: s.issuer.URL(), Subject: subject, LinkedAt: tx.Now}
			access.Link(tx, i)
			return created(in.path("identities", i.ID.String()), identityOut(i)), nil
		}
	})
}

// vouchedIn is whom the token in the body is about.
func (s *Server) vouchedIn(in *call) (string, error) {
	if s.issuer == nil {
		return "", problem.New(problem.NotAllowedNow, "No OpenID Connect issuer is set up here. Whoever runs the service can set one up; until then use tokens.")
	}
	subject, err := s.issuer.Vouch(in.ctx, decode[IdentityIn](in).IdentityToken)
	switch {
	case problem.Is(err, problem.Unavailable):
		return "", err
	case err != nil:
		p := problem.Invalid(problem.Fault{Pointer: "/identity_token", Detail: "is not to be trusted: send a token that " + s.issuer.URL() + " has signed for this service and that still holds"})
		p.Cause = err
		return "", p
	}
	return subject, nil
}

// UnlinkIdentity implements the contract.
func (s *Server) UnlinkIdentity(c echo.Context, _ InClub, identity InMemberIdentity) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		row := access.LockIdentity(b, identity)
		return func(tx *postgres.Tx) (answer, error) {
			i, err := row.One()
			if err != nil {
				return answer{}, err
			}
			if i.MemberID != in.caller.MemberID && !in.caller.Has("officer") {
				return answer{}, problem.Absent()
			}
			access.Unlink(tx, in.caller.MemberID, i)
			return ok(identityOut(i)), nil
		}
	})
}
