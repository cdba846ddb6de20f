package api

import (
	"github.com/labstack/echo/v4"

	"pinwright/internal/access"
	"pinwright/internal/club"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

func clubOut(c club.Club) Club {
	return Club{Id: c.ClubID, Slug: c.Slug, Name: c.Name, Currency: c.Currency, Units: Unit(c.Units), TurnaroundHours: c.TurnaroundHours, Origins: c.Origins, Version: c.Version}
}

// GetClub implements the contract.
func (s *Server) GetClub(c echo.Context, _ InClub, _ GetClubParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		row := club.Find(b)
		return func() (answer, error) {
			found, err := row.One()
			return ok(clubOut(found)).versioned(found.Version, in.caller.Units), err
		}
	})
}

// PatchClub implements the contract.
func (s *Server) PatchClub(c echo.Context, _ InClub, _ PatchClubParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		row := club.Lock(b)
		change := decode[ClubPatch](in)
		if change.Origins != nil && in.fault == nil {
			if faults := (club.Club{Origins: *change.Origins}).Check(); len(faults) > 0 {
				in.fault = problem.Invalid(faults...)
			}
		}
		return func(tx *postgres.Tx) (answer, error) {
			found, err := row.One()
			if err != nil {
				return answer{}, err
			}
			if err := in.match(found.Version, clubOut(found)); err != nil {
				return answer{}, err
			}
			found.Name = or(change.Name, found.Name)
			found.Units = string(or(change.Units, Unit(found.Units)))
			found.TurnaroundHours = or(change.TurnaroundHours, found.TurnaroundHours)
			found.Origins = or(change.Origins, found.Origins)
			found = club.Update(tx, in.caller.MemberID, found)
			return ok(clubOut(found)).versioned(found.Version, in.caller.Units), nil
		}
	})
}

// GetMe implements the contract.
func (s *Server) GetMe(c echo.Context, _ InClub) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		theClub := club.Find(b)
		member := club.FindHolder(b, in.bearer.Holder(), in.bearer.Key())
		token, identity := access.FindToken(b, in.bearer), access.FindIdentity(b, in.bearer)
		return func() (answer, error) {
			found, err := theClub.One()
			if err != nil {
				return answer{}, err
			}
			m, err := member.One()
			if err != nil {
				return answer{}, err
			}
			me := Me{Club: clubOut(found), Member: memberOut(m)}
			if len(token.Items) == 1 {
				me.Token = pointerTo(tokenOut(token.Items[0]))
			}
			if len(identity.Items) == 1 {
				me.Identity = pointerTo(identityOut(identity.Items[0]))
			}
			return ok(me), nil
		}
	})
}
