package api

import (
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"
	openapi_types "github.com/oapi-codegen/runtime/types"

	"pinwright/internal/club"
	"pinwright/internal/opening"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

func closureOut(c opening.Closure) Closure {
	state := ClosureStateStands
	if c.WithdrawnAt != nil {
		state = ClosureStateWithdrawn
	}
	return Closure{Id: c.ID, GarageId: c.GarageID, FirstDay: openapi_types.Date{Time: c.FirstDay}, LastDay: openapi_types.Date{Time: c.LastDay}, Reason: present(c.Reason), State: state,
		MemberId: c.MemberID, RecordedAt: c.RecordedAt.UTC(), WithdrawnAt: c.WithdrawnAt, Version: c.Version}
}

func garageCode(g club.Garage) string { return g.Code }

// ListClosures implements the contract.
func (s *Server) ListClosures(c echo.Context, _ InClub, params ListClosuresParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(1)
		var withdrawn *bool
		if params.State != nil {
			withdrawn = pointerTo(*params.State == ListClosuresParamsStateWithdrawn)
		}
		rows := opening.ListClosures(b, withdrawn, in.pageID(p), p.limit+1)
		return func() (answer, error) {
			items, next := cut(in, p, rows.Items, func(c opening.Closure) []string { return []string{c.ID.String()} })
			return in.listed(ClosurePage{Items: each(items, closureOut), Next: next}, next), nil
		}
	})
}

// CreateClosure implements the contract.
func (s *Server) CreateClosure(c echo.Context, _ InClub, _ CreateClosureParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[ClosureIn](in)
		var garages *postgres.Rows[club.Garage]
		if body.Garage != nil {
			garages = club.FindGarage(b, postgres.ParseRef(*body.Garage))
		}
		return func(tx *postgres.Tx) (answer, error) {
			c := opening.Closure{ID: newID(), FirstDay: body.FirstDay.Time, LastDay: body.LastDay.Time, Reason: or(body.Reason, ""), MemberID: in.caller.MemberID,
				RecordedAt: tx.Now.UTC().Truncate(time.Microsecond), Version: 1}
			if garages != nil {
				g, err := garages.OneOf("/garage", *body.Garage, garageCode)
				if err != nil {
					return answer{}, err
				}
				c.GarageID = &g.ID
			}
			if faults := c.Check(tx.Now); len(faults) > 0 {
				return answer{}, problem.Invalid(faults...)
			}
			opening.Close(tx, c)
			return created(in.path("closures", c.ID.String()), closureOut(c)).versioned(c.Version, in.caller.Units), nil
		}
	})
}

// GetClosure implements the contract.
func (s *Server) GetClosure(c echo.Context, _ InClub, closure InClosure, _ GetClosureParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		row := opening.FindClosure(b, closure)
		return func() (answer, error) {
			c, err := row.One()
			return ok(closureOut(c)).versioned(c.Version, in.caller.Units), err
		}
	})
}

// WithdrawClosure implements the contract.
func (s *Server) WithdrawClosure(c echo.Context, _ InClub, closure InClosure, _ WithdrawClosureParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		row := opening.LockClosure(b, closure)
		return func(tx *postgres.Tx) (answer, error) {
			c, err := row.One()
			if err != nil {
				return answer{}, err
			}
			c = opening.Withdraw(tx, in.caller.MemberID, c)
			return ok(closureOut(c)).versioned(c.Version, in.caller.Units), nil
		}
	})
}

func travelOut(t opening.Travel) TravelTime {
	return TravelTime{GarageId: t.GarageID, OtherGarageId: t.OtherGarageID, Garage: t.Garage, OtherGarage: t.OtherGarage, Minutes: t.Minutes}
}

// ListTravelTimes implements the contract.
func (s *Server) ListTravelTimes(c echo.Context, _ InClub) error {
	return s.read(c, func(b *postgres.Batch, _ *call) func() (answer, error) {
		travels := opening.ListTravels(b)
		return func() (answer, error) {
			return ok(TravelTimes{Items: each(travels.Pairs(), travelOut), OtherwiseMinutes: travels.Otherwise()}), nil
		}
	})
}

// PutTravelTimes implements the contract.
func (s *Server) PutTravelTimes(c echo.Context, _ InClub, _ PutTravelTimesParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[TravelTimesIn](in)
		var refs []postgres.Ref
		for _, t := range body.TravelTimes {
			refs = append(refs, postgres.ParseRef(t.Garage), postgres.ParseRef(t.OtherGarage))
		}
		clubs := club.Lock(b)
		garages := club.FindGarages(b, refs)
		travels := opening.ListTravels(b) // behind the club's lock, so that no other writer changes them
		return func(tx *postgres.Tx) (answer, error) {
			found := garageIndex(garages)
			var faults []problem.Fault
			garage := func(i int, field, name string) club.Garage {
				pointer := fmt.Sprintf("/travel_times/%d/%s", i, field)
				g, err := found.find(pointer, name)
				if err != nil {
					faults = append(faults, problem.Fault{Pointer: pointer, Detail: "there is no garage “" + name + "” in this club; check the spelling, or GET garages"})
					return club.Garage{ID: uuid.New()} // of no pair
				}
				return *g
			}
			var list []opening.Travel
			for i, t := range body.TravelTimes {
				list = append(list, opening.Between(garage(i, "garage", t.Garage), garage(i, "other_garage", t.OtherGarage), t.Minutes))
			}
			if faults = append(faults, opening.CheckTravels(list, "/travel_times")...); len(faults) > 0 {
				return answer{}, problem.Invalid(faults...)
			}
			own, err := clubs.One()
			if err != nil {
				return answer{}, err
			}
			now := travels.SetTravels(tx, in.caller.MemberID, own, list, or(body.Others, TravelTimesInOthersForget) == TravelTimesInOthersKeep)
			return ok(TravelTimes{Items: each(now, travelOut), OtherwiseMinutes: travels.Otherwise()}), nil
		}
	})
}
