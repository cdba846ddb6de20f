package api

import (
	"slices"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"pinwright/internal/club"
	"pinwright/internal/erasure"
	"pinwright/internal/postgres"
)

func memberOut(m club.Member) Member {
	out := Member{Id: m.ID, Number: m.Number, Name: m.Name, Roles: each(m.Roles, func(r string) Role { return Role(r) }),
		GarageId: m.GarageID, Disabled: m.DisabledAt != nil, Guest: stayOut(m), Version: m.Version}
	if m.ErasedAt != nil {
		out.Erased = pointerTo(true)
	}
	return out
}

// ListMembers implements the contract.
func (s *Server) ListMembers(c echo.Context, _ InClub, _ ListMembersParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(1)
		rows := club.ListMembers(b, p.key(0, ""), p.limit+1)
		return func() (answer, error) {
			items, next := cut(in, p, rows.Items, func(m club.Member) []string { return []string{m.Number} })
			return in.listed(MemberPage{Items: each(items, memberOut), Next: next}, next), nil
		}
	})
}

// GetMember implements the contract.
func (s *Server) GetMember(c echo.Context, _ InClub, member InMember, _ GetMemberParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		row := club.FindMember(b, postgres.ParseRef(member))
		return func() (answer, error) {
			m, err := row.One()
			return ok(memberOut(m)).versioned(m.Version, in.caller.Units), err
		}
	})
}

// rolesOf spells roles in one order, so that equal sets are equal.
func rolesOf(roles *[]Role) []string {
	list := each(or(roles, []Role{"member"}), func(r Role) string { return string(r) })
	slices.Sort(list)
	return list
}

// garageNamed looks up the garage that a body names, if it names one.
func garageNamed(b *postgres.Batch, name *string) func() (*uuid.UUID, error) {
	return garageAt(b, "/garage", name)
}

// garageAt is garageNamed for what is said at pointer.
func garageAt(b *postgres.Batch, pointer string, name *string) func() (*uuid.UUID, error) {
	if name == nil {
		return func() (*uuid.UUID, error) { return nil, nil }
	}
	row := club.FindGarage(b, postgres.ParseRef(*name))
	return func() (*uuid.UUID, error) {
		g, err := row.OneOf(pointer, *name, func(g club.Garage) string { return g.Code })
		return &g.ID, err
	}
}

// CreateMember implements the contract.
func (s *Server) CreateMember(c echo.Context, _ InClub, _ CreateMemberParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[MemberIn](in)
		garage := garageNamed(b, body.Garage)
		return func(tx *postgres.Tx) (answer, error) {
			at, err := garage()
			if err != nil {
				return answer{}, err
			}
			m := club.Member{ID: newID(), Number: body.Number, Name: body.Name, Roles: rolesOf(body.Roles), GarageID: at, Version: 1}
			club.AddMember(tx, in.caller.MemberID, m)
			return created(in.path("members", m.ID.String()), memberOut(m)).versioned(m.Version, in.caller.Units), nil
		}
	})
}

// PatchMember implements the contract.
func (s *Server) PatchMember(c echo.Context, _ InClub, member InMember, _ PatchMemberParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		change := decode[MemberPatch](in)
		officers := club.LockOfficers(b) // before the member, so that all edits lock in one order
		row := club.LockMember(b, postgres.ParseRef(member))
		garage := garageNamed(b, change.Garage)
		present := club.FindHostOf(b, postgres.ParseRef(member))
		var asked *postgres.Rows[club.Host]
		if change.Guest != nil && change.Guest.Host != nil {
			asked = club.FindHost(b, postgres.ParseRef(*change.Guest.Host))
		}
		return func(tx *postgres.Tx) (answer, error) {
			m, err := row.One()
			if err != nil {
				return answer{}, err
			}
			if err := in.match(m.Version, memberOut(m)); err != nil {
				return answer{}, err
			}
			m.Number, m.Name = or(change.Number, m.Number), or(change.Name, m.Name)
			if change.Roles != nil {
				m.Roles = rolesOf(change.Roles)
			}
			if patch, _ := in.value.(map[string]any); patch != nil {
				if _, named := patch["garage"]; named {
					if m.GarageID, err = garage(); err != nil {
						return answer{}, err
					}
				}
			}
			switch disable := or(change.Disabled, m.DisabledAt != nil); {
			case disable && m.DisabledAt == nil:
				m.DisabledAt = &tx.Now
			case !disable:
				m.DisabledAt = nil
			}
			if m, err = in.patchStay(m, change.Guest, asked, present, tx.Now); err != nil {
				return answer{}, err
			}
			if m, err = club.UpdateMember(tx, in.caller.MemberID, m, officers.Items); err != nil {
				return answer{}, err
			}
			return ok(memberOut(m)).versioned(m.Version, in.caller.Units), nil
		}
	})
}

// EraseMember implements the contract.
func (s *Server) EraseMember(c echo.Context, _ InClub, member InMember, _ EraseMemberParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		officers := club.LockOfficers(b) // before the member, so that all edits lock in one order
		row := club.LockMember(b, postgres.ParseRef(member))
		return func(tx *postgres.Tx) (answer, error) {
			m, err := row.One()
			if err != nil {
				return answer{}, err
			}
			if m, err = erasure.Member(tx, in.caller.MemberID, m, officers.Items); err != nil {
				return answer{}, err
			}
			return ok(memberOut(m)), nil
		}
	})
}
