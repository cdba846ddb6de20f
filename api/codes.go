package api

import (
	"net/http"

	"github.com/labstack/echo/v4"

	"pinwright/internal/access"
	"pinwright/internal/club"
	"pinwright/internal/postgres"
)

// exchangeCode answers the code of a request with a token, of the member whom
// find's offer names or makes.
func (s *Server) exchangeCode(c echo.Context, find func(*postgres.Batch, access.Bearer) *postgres.Rows[access.Offer]) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		offer := find(b, in.bearer)
		earlier := access.FindExchanged(b, in.bearer)
		holder := club.FindHolder(b, in.bearer.Holder(), in.bearer.Key())
		theClub := club.Find(b)
		return func(tx *postgres.Tx) (answer, error) {
			o, err := offer.One()
			if err != nil {
				return answer{}, err
			}
			home, err := theClub.One()
			if err != nil {
				return answer{}, err
			}
			var m club.Member
			if len(holder.Items) == 1 {
				m = holder.Items[0]
			} else {
				m = club.Member{ID: newID(), Number: o.Number, Name: o.Name, Roles: o.Roles, GarageID: o.GarageID, Version: 1}
				club.AddMembers(tx, m.ID, []club.Member{m}).RunAgainOn("member_number") // the number was free a moment ago; look for another
			}
			var again *access.Token
			if len(earlier.Items) == 1 {
				again = &earlier.Items[0]
			}
			t, secret := access.Exchange(tx, in.bearer, o, m.ID, again)
			eventOf(in.echo).member = m.ID
			token := tokenOut(t)
			token.Token = pointerTo(secret.Reveal())
			out := answer{status: http.StatusCreated, body: Me{Club: clubOut(home), Member: memberOut(m), Token: &token}}.
				with("Location", in.path("members", m.ID.String())).with("Cache-Control", "no-store")
			if again != nil {
				out = out.with("Idempotency-Replayed", "true")
				eventOf(in.echo).replayed = true
			}
			return out, nil
		}
	})
}

// AcceptInvitation implements the contract.
func (s *Server) AcceptInvitation(c echo.Context, _ InClub, _ AcceptInvitationParams) error {
	return s.exchangeCode(c, access.FindInvited)
}

// AcceptPairing implements the contract.
func (s *Server) AcceptPairing(c echo.Context, _ InClub, _ AcceptPairingParams) error {
	return s.exchangeCode(c, access.FindPaired)
}
