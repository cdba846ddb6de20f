package api

import (
	"context"
	"errors"
	"strings"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"pinwright/internal/access"
	"pinwright/internal/problem"
)

// Issuer vouches for people by JSON Web Tokens.
type Issuer interface {
	// URL is the issuer's identifier.
	URL() string
	// Vouch returns whom token is about. A problem.Unavailable says that it cannot
	// be told now, any other error that the token is not to be trusted.
	Vouch(ctx context.Context, token string) (subject string, err error)
}

// bearerOf reads who sends the request, without the database. The issuer's keys
// are mostly at hand, so that it is not asked either.
func (s *Server) bearerOf(c echo.Context, op *operation) (access.Bearer, error) {
	scheme, _, _ := strings.Cut(c.Request().Header.Get("Authorization"), " ")
	text := credentials(c.Request())
	var out access.Bearer
	known := false
	switch {
	case !strings.EqualFold(scheme, "Bearer"): // schemes know no case (RFC 9110, 11.1)
	case op.Code != "":
		out, known = access.ReadCode(op.Code, text)
	case s.issuer != nil && strings.Count(text, ".") == 2: // a JWS in its compact form (RFC 7515, 7.1)
		return s.vouchedFor(c, op, text)
	default:
		out, known = access.ReadToken(text)
	}
	if !known {
		return out, op.nobody(nil)
	}
	return out, nil
}

// vouchedFor is whom the issuer vouches for by token. Such a token names no club,
// so the path must, by its id: slugs are not unique and never looked up.
func (s *Server) vouchedFor(c echo.Context, op *operation, token string) (access.Bearer, error) {
	club, err := uuid.Parse(c.Param("club"))
	if err != nil || len(c.Param("club")) != 36 {
		return access.Bearer{}, op.nobody(errors.New("a token of the issuer, and the club is not named by its id"))
	}
	subject, err := s.issuer.Vouch(c.Request().Context(), token)
	switch {
	case problem.Is(err, problem.Unavailable):
		return access.Bearer{}, err
	case err != nil:
		return access.Bearer{}, op.nobody(err)
	}
	return access.VouchedFor(club, s.issuer.URL(), subject), nil
}

// nobody is the one answer to a request of nobody who is known; it never says
// why, but for the log.
func (op *operation) nobody(cause error) error {
	detail := "Send a valid token as Authorization: Bearer pw_… (or, with the club's id in the address, a token of the OpenID Connect issuer if there is one); this one is missing, unknown, expired or revoked."
	switch op.Code {
	case access.Invites:
		detail = "Send the code of an invitation as Authorization: Bearer pwi_…; this one is missing, unknown, used, withdrawn or expired. Ask an officer of your club for a new one."
	case access.Pairs:
		detail = "Send the code of a pairing as Authorization: Bearer pwp_…; this one is missing, unknown, used, called off or expired. Show a new one and scan that."
	}
	return &problem.Error{Kind: problem.Unauthenticated, Detail: detail, Cause: cause}
}
