package api

import (
	"bytes"
	"crypto/sha256"
	"time"

	"github.com/labstack/echo/v4"

	"pinwright/internal/access"
	"pinwright/internal/club"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

func invitationOut(i access.Invitation, now time.Time) Invitation {
	out := Invitation{Id: i.ID, Name: i.Name, Number: i.Number, Roles: each(i.Roles, func(r string) Role { return Role(r) }),
		GarageId: i.GarageID, InvitedBy: i.InvitedBy, CreatedAt: i.CreatedAt, ExpiresAt: i.ExpiresAt,
		WithdrawnAt: i.WithdrawnAt, AcceptedAt: i.AcceptedAt, MemberId: i.MemberID, State: InvitationStateOpen}
	switch {
	case i.AcceptedAt != nil:
		out.State = InvitationStateAccepted
	case i.WithdrawnAt != nil:
		out.State = InvitationStateWithdrawn
	case !i.ExpiresAt.After(now):
		out.State = InvitationStateExpired
	}
	return out
}

// ListInvitations implements the contract.
func (s *Server) ListInvitations(c echo.Context, _ InClub, _ ListInvitationsParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(1)
		rows := access.ListInvitations(b, in.pageID(p), p.limit+1)
		return func() (answer, error) {
			items, next := cut(in, p, rows.Items, func(i access.Invitation) []string { return []string{i.ID.String()} })
			return in.listed(InvitationPage{Items: each(items, func(i access.Invitation) Invitation { return invitationOut(i, in.now) }), Next: next}, next), nil
		}
	})
}

// GetInvitation implements the contract.
func (s *Server) GetInvitation(c echo.Context, _ InClub, invitation InInvitation) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		row := access.FindInvitation(b, invitation)
		return func() (answer, error) {
			i, err := row.One()
			return ok(invitationOut(i, in.now)), err
		}
	})
}

// CreateInvitation implements the contract.
func (s *Server) CreateInvitation(c echo.Context, _ InClub) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[InvitationIn](in)
		earlier := access.LockInvitation(b, body.Id)
		garage := garageNamed(b, body.Garage)
		namesake := club.FindMember(b, postgres.Ref{Name: or(body.Number, "")})
		print := sha256.Sum256(in.body)
		return func(tx *postgres.Tx) (answer, error) {
			if len(earlier.Items) == 1 {
				was := earlier.Items[0]
				if was.InvitedBy != in.caller.MemberID || !bytes.Equal(was.Fingerprint, print[:]) {
					return answer{}, problem.New(problem.IDUsed, "Make a new id for a new invitation.")
				}
				return ok(invitationOut(was, in.now)), nil
			}
			at, err := garage()
			if err != nil {
				return answer{}, err
			}
			i := access.Invitation{ID: body.Id, Name: body.Name, Number: body.Number, Roles: rolesOf(body.Roles), GarageID: at,
				InvitedBy: in.caller.MemberID, CreatedAt: tx.Now, ExpiresAt: or(body.ExpiresAt, tx.Now.Add(access.InvitationLife)), Fingerprint: print[:]}
			if !i.ExpiresAt.After(tx.Now) || i.ExpiresAt.After(tx.Now.Add(access.GreatestInvitationLife)) {
				return answer{}, problem.Invalid(problem.Fault{Pointer: "/expires_at", Detail: "must lie ahead, at most 30 days"})
			}
			if len(namesake.Items) > 0 {
				return answer{}, problem.New(problem.NameTaken, "Another member has the number %q. Choose another, or leave it out.", *i.Number)
			}
			code := access.NewCode(access.Invites, tx.Club)
			access.Invite(tx, i, code, access.RandomSalt())
			out := invitationOut(i, in.now)
			out.Code = pointerTo(code.Reveal())
			return created(in.path("invitations", i.ID.String()), out).with("Cache-Control", "no-store"), nil
		}
	})
}

// WithdrawInvitation implements the contract.
func (s *Server) WithdrawInvitation(c echo.Context, _ InClub, invitation InInvitation) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		row := access.LockInvitation(b, invitation)
		return func(tx *postgres.Tx) (answer, error) {
			i, err := row.One()
			if err != nil {
				return answer{}, err
			}
			i, err = access.Withdraw(tx, in.caller.MemberID, i)
			return ok(invitationOut(i, in.now)), err
		}
	})
}
