package api

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"slices"
	"time"

	"github.com/labstack/echo/v4"

	"pinwright/internal/access"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

func pairingOut(p access.Pairing, now time.Time) Pairing {
	out := Pairing{Id: p.ID, Label: p.Label, Scopes: each(p.Scopes, func(s string) Scope { return Scope(s) }), MemberId: p.MemberID,
		CreatedAt: p.CreatedAt, ExpiresAt: p.ExpiresAt, WithdrawnAt: p.WithdrawnAt, PairedAt: p.PairedAt, TokenId: p.TokenID, State: PairingStateOpen}
	switch {
	case p.PairedAt != nil:
		out.State = PairingStatePaired
	case p.WithdrawnAt != nil:
		out.State = PairingStateWithdrawn
	case !p.ExpiresAt.After(now):
		out.State = PairingStateExpired
	}
	return out
}

// CreatePairing implements the contract.
func (s *Server) CreatePairing(c echo.Context, _ InClub) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[PairingIn](in)
		earlier := access.LockPairing(b, body.Id)
		print := sha256.Sum256(in.body)
		return func(tx *postgres.Tx) (answer, error) {
			if err := in.noDevice(); err != nil {
				return answer{}, err
			}
			if len(earlier.Items) == 1 {
				was := earlier.Items[0]
				if was.MemberID != in.caller.MemberID || !bytes.Equal(was.Fingerprint, print[:]) {
					return answer{}, problem.New(problem.IDUsed, "Make a new id for a new pairing.")
				}
				return ok(pairingOut(was, in.now)), nil
			}
			p := access.Pairing{ID: body.Id, MemberID: in.caller.MemberID, Label: body.Label, Scopes: access.DefaultScopes("device"),
				CreatedAt: tx.Now, ExpiresAt: tx.Now.Add(access.PairingLife), Fingerprint: print[:]}
			if body.Scopes != nil {
				p.Scopes = each(*body.Scopes, func(s Scope) string { return string(s) })
			}
			slices.Sort(p.Scopes)
			code := access.NewCode(access.Pairs, tx.Club)
			out := pairingOut(p, in.now)
			address := cmp.Or(s.publicURL, s.ownOrigin(c.Request())) + "/pair#" + code.Reveal()
			picture, err := qrSVG(address)
			if err != nil {
				return answer{}, err
			}
			access.Pair(tx, p, code, access.RandomSalt())
			out.Code, out.Url, out.QrSvg = pointerTo(code.Reveal()), &address, &picture
			return created(in.path("pairings", p.ID.String()), out).with("Cache-Control", "no-store"), nil
		}
	})
}

// noDevice refuses a device: one that is lost must not make ways in that
// outlast it.
func (in *call) noDevice() error {
	if in.caller.Kind == "device" {
		return problem.New(problem.InsufficientScope, "A device's token opens no further way in. Use your personal token.")
	}
	return nil
}

// GetPairing implements the contract.
func (s *Server) GetPairing(c echo.Context, _ InClub, pairing InPairing) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		row := access.FindPairing(b, pairing)
		return func() (answer, error) {
			p, err := in.ownPairing(row)
			return ok(pairingOut(p, in.now)), err
		}
	})
}

// WithdrawPairing implements the contract.
func (s *Server) WithdrawPairing(c echo.Context, _ InClub, pairing InPairing) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		row := access.LockPairing(b, pairing)
		return func(tx *postgres.Tx) (answer, error) {
			p, err := in.ownPairing(row)
			if err != nil {
				return answer{}, err
			}
			p, err = access.CallOff(tx, in.caller.MemberID, p)
			return ok(pairingOut(p, in.now)), err
		}
	})
}

// ownPairing is the pairing if the caller may see it.
func (in *call) ownPairing(row *postgres.Rows[access.Pairing]) (access.Pairing, error) {
	p, err := row.One()
	if err == nil && p.MemberID != in.caller.MemberID && !in.caller.Has("officer") {
		err = problem.Absent()
	}
	return p, err
}
