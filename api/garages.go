package api

import (
	"github.com/labstack/echo/v4"

	"pinwright/internal/club"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

func garageOut(g club.Garage) Garage {
	return Garage{Id: g.ID, Code: g.Code, Name: g.Name, Address: present(g.Address), TimeZone: g.TimeZone, Opens: g.Opens, Closes: g.Closes, Hours: each(g.Hours, hoursOut), Version: g.Version}
}

func garageIn(g club.Garage) GarageIn {
	hours := each(g.Hours, hoursOut)
	return GarageIn{Code: g.Code, Name: g.Name, Address: present(g.Address), TimeZone: g.TimeZone, Opens: &g.Opens, Closes: &g.Closes, Hours: &hours}
}

func hoursOut(h club.Hours) GarageHours {
	return GarageHours{Weekday: h.Weekday, Opens: h.Opens, Closes: h.Closes}
}

// fill takes what in says into g.
func fillGarage(g club.Garage, in GarageIn) (club.Garage, error) {
	g.Code, g.Name, g.TimeZone = in.Code, in.Name, in.TimeZone
	g.Address = or(in.Address, "")
	g.Opens = or(in.Opens, "08:00")
	g.Closes = or(in.Closes, "20:00")
	g.Hours = each(or(in.Hours, nil), func(h GarageHours) club.Hours {
		return club.Hours{Weekday: h.Weekday, Opens: h.Opens, Closes: h.Closes}
	})
	if faults := g.Check(); len(faults) > 0 {
		return g, problem.Invalid(faults...)
	}
	return g, nil
}

// ListGarages implements the contract.
func (s *Server) ListGarages(c echo.Context, _ InClub, _ ListGaragesParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(1)
		rows := club.ListGarages(b, p.key(0, ""), p.limit+1)
		return func() (answer, error) {
			items, next := cut(in, p, rows.Items, func(g club.Garage) []string { return []string{g.Code} })
			return in.listed(GaragePage{Items: each(items, garageOut), Next: next}, next), nil
		}
	})
}

// CreateGarage implements the contract.
func (s *Server) CreateGarage(c echo.Context, _ InClub, _ CreateGarageParams) error {
	return s.write(c, func(_ *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[GarageIn](in)
		return func(tx *postgres.Tx) (answer, error) {
			g, err := fillGarage(club.Garage{ID: newID(), Version: 1}, body)
			if err != nil {
				return answer{}, err
			}
			g = club.AddGarage(tx, in.caller.MemberID, g)
			return created(in.path("garages", g.ID.String()), garageOut(g)).versioned(g.Version, in.caller.Units), nil
		}
	})
}

// GetGarage implements the contract.
func (s *Server) GetGarage(c echo.Context, _ InClub, garage InGarage, _ GetGarageParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		row := club.FindGarage(b, postgres.ParseRef(garage))
		return func() (answer, error) {
			g, err := row.One()
			return ok(garageOut(g)).versioned(g.Version, in.caller.Units), err
		}
	})
}

// PatchGarage implements the contract.
func (s *Server) PatchGarage(c echo.Context, _ InClub, garage InGarage, _ PatchGarageParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		row := club.LockGarage(b, postgres.ParseRef(garage))
		return func(tx *postgres.Tx) (answer, error) {
			g, err := row.One()
			if err != nil {
				return answer{}, err
			}
			if err := in.match(g.Version, garageOut(g)); err != nil {
				return answer{}, err
			}
			body, err := merged(s, in, "GarageIn", garageIn(g))
			if err != nil {
				return answer{}, err
			}
			if g, err = fillGarage(g, body); err != nil {
				return answer{}, err
			}
			g = club.UpdateGarage(tx, in.caller.MemberID, g)
			return ok(garageOut(g)).versioned(g.Version, in.caller.Units), nil
		}
	})
}
