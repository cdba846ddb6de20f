package api

import (
	"time"

	"github.com/labstack/echo/v4"
	openapi_types "github.com/oapi-codegen/runtime/types"

	"pinwright/internal/club"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

func stayOut(m club.Member) *Stay {
	s, isGuest := m.Stays()
	if !isGuest {
		return nil
	}
	return &Stay{HostId: s.HostID, LastDay: openapi_types.Date{Time: s.LastDay}, Until: s.Until.UTC()}
}

func byNumber(h club.Host) string { return h.Number }

// CreateGuest implements the contract.
func (s *Server) CreateGuest(c echo.Context, _ InClub, _ CreateGuestParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[GuestIn](in)
		hosts := club.FindHost(b, postgres.ParseRef(body.Host))
		var garages *postgres.Rows[club.Garage]
		if body.Garage != nil {
			garages = club.FindGarage(b, postgres.ParseRef(*body.Garage))
		}
		return func(tx *postgres.Tx) (answer, error) {
			m := club.Member{ID: newID(), Number: body.Number, Name: body.Name, Roles: []string{"member"}, Version: 1}
			var own *string
			var noGarage error
			if garages != nil {
				var g club.Garage
				if g, noGarage = garages.OneOf("/garage", *body.Garage, func(g club.Garage) string { return g.Code }); noGarage == nil {
					m.GarageID, own = &g.ID, &g.TimeZone
				}
			}
			host, noHost := hosts.OneOf("/host", body.Host, byNumber)
			if err := together(noGarage, noHost); err != nil {
				return answer{}, err
			}
			stay, faults := club.StayUntil(host, "/last_day", body.LastDay.Time, tx.Now, own, host.TimeZone)
			if len(faults) > 0 {
				return answer{}, problem.Invalid(faults...)
			}
			m = m.AsGuest(stay)
			club.AddGuest(tx, in.caller.MemberID, m)
			return created(in.path("members", m.ID.String()), memberOut(m)).versioned(m.Version, in.caller.Units), nil
		}
	})
}

// ExtendStay implements the contract.
func (s *Server) ExtendStay(c echo.Context, _ InClub, member InMember, _ ExtendStayParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[StayIn](in)
		row := club.LockMember(b, postgres.ParseRef(member))
		hosts := club.FindHostOf(b, postgres.ParseRef(member))
		return func(tx *postgres.Tx) (answer, error) {
			m, err := row.One()
			if err != nil {
				return answer{}, err
			}
			var stay club.Stay
			var faults []problem.Fault
			if len(hosts.Items) == 1 {
				stay, faults = club.StayUntil(hosts.Items[0], "/last_day", body.LastDay.Time, tx.Now, hosts.Items[0].TimeZone)
			}
			m, err = club.ExtendStay(tx, in.caller.MemberID, in.caller.Has("officer"), m, stay)
			if err == nil && len(faults) > 0 { // who may not is told that first
				err = problem.Invalid(faults...)
			}
			return ok(memberOut(m)).versioned(m.Version, in.caller.Units), err
		}
	})
}

// patchStay is what a merge patch of a member makes of their stay.
func (in *call) patchStay(m club.Member, change *GuestPatch, asked, present *postgres.Rows[club.Host], now time.Time) (club.Member, error) {
	if !in.says("guest") {
		return m, nil
	}
	if change == nil {
		return m.AsMember(), nil
	}
	var host club.Host
	if change.Host != nil {
		var err error
		if host, err = asked.OneOf("/guest/host", *change.Host, byNumber); err != nil {
			return m, err
		}
	}
	was, isGuest := m.Stays()
	if !isGuest || len(present.Items) != 1 {
		return m, problem.New(problem.NotAllowedNow, "Member %s is no guest. Guests are added by POST …/guests.", m.Number)
	}
	zone := present.Items[0].TimeZone
	if change.Host == nil {
		host = present.Items[0]
	}
	day := was.LastDay
	if change.LastDay != nil {
		day = change.LastDay.Time
	}
	stay, faults := club.StayUntil(host, "/guest/last_day", day, now, zone, host.TimeZone)
	for i := range faults {
		if faults[i].Pointer == "/host" {
			faults[i].Pointer = "/guest/host"
		}
	}
	if len(faults) > 0 {
		return m, problem.Invalid(faults...)
	}
	return m.AsGuest(stay), nil
}
