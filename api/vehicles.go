package api

import (
	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"pinwright/internal/calc/chassis"
	"pinwright/internal/club"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/recommend"
	"pinwright/internal/vehicle"
)

func vehicleOut(v vehicle.Vehicle) Vehicle {
	out := Vehicle{Id: v.ID, Code: v.Code, Name: v.Name, ChassisNumber: v.ChassisNumber, GarageId: v.GarageID, MemberId: v.MemberID, Version: v.Version}
	if v.ChassisKind != nil {
		out.ChassisKind = pointerTo(VehicleChassisKind(*v.ChassisKind))
	}
	if v.BuiltYear != nil {
		out.BuiltYear = pointerTo(int(*v.BuiltYear))
	}
	if warnings := v.ChassisWarnings(); len(warnings) > 0 {
		out.Warnings = pointerTo(each(warnings, func(w chassis.Warning) Text { return Text{Code: w.Code, Text: w.Text} }))
	}
	return out
}

// vehicleIn is v as it would be created, but for its owner.
func vehicleIn(v vehicle.Vehicle) VehicleIn {
	in := VehicleIn{Code: v.Code, Name: v.Name, ChassisNumber: v.ChassisNumber}
	if v.BuiltYear != nil {
		in.BuiltYear = pointerTo(int(*v.BuiltYear))
	}
	if v.GarageID != nil {
		in.Garage = pointerTo(v.GarageID.String())
	}
	return in
}

// fillVehicle takes what in says into v, but for its owner; garage is the one
// that it names.
func fillVehicle(v vehicle.Vehicle, in VehicleIn, garage *uuid.UUID) (vehicle.Vehicle, error) {
	v.Code, v.Name, v.GarageID, v.BuiltYear = in.Code, in.Name, garage, nil
	if in.BuiltYear != nil {
		v.BuiltYear = pointerTo(int32(*in.BuiltYear)) //nolint:gosec // bounded by the contract
	}
	if faults := v.SetChassisNumber(in.ChassisNumber); len(faults) > 0 {
		return v, problem.Invalid(faults...)
	}
	return v, nil
}

// mayEnterFor allows everybody their own vehicles and whoever keeps the tools or
// runs the club all of them.
func (in *call) mayEnterFor(member uuid.UUID) error {
	if member == in.caller.MemberID || in.caller.Has("officer", "tool_keeper") {
		return nil
	}
	return problem.New(problem.MissingRole, "Only an officer or tool keeper enters vehicles of others. Leave `member` out to enter your own.")
}

// ListVehicles implements the contract.
func (s *Server) ListVehicles(c echo.Context, _ InClub, _ ListVehiclesParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(1)
		rows := vehicle.List(b, p.key(0, ""), p.limit+1)
		return func() (answer, error) {
			items, next := cut(in, p, rows.Items, func(v vehicle.Vehicle) []string { return []string{v.Code} })
			return in.listed(VehiclePage{Items: each(items, vehicleOut), Next: next}, next), nil
		}
	})
}

// CreateVehicle implements the contract.
func (s *Server) CreateVehicle(c echo.Context, _ InClub, _ CreateVehicleParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[VehicleIn](in)
		garage := garageNamed(b, body.Garage)
		var owner *postgres.Rows[club.Member]
		if body.Member != nil {
			owner = club.FindMember(b, postgres.ParseRef(*body.Member))
		}
		return func(tx *postgres.Tx) (answer, error) {
			v := vehicle.Vehicle{ID: newID(), MemberID: in.caller.MemberID, Version: 1}
			if owner != nil {
				m, err := owner.OneOf("/member", *body.Member, func(m club.Member) string { return m.Number })
				if err != nil {
					return answer{}, err
				}
				v.MemberID = m.ID
			}
			if err := in.mayEnterFor(v.MemberID); err != nil {
				return answer{}, err
			}
			at, err := garage()
			if err != nil {
				return answer{}, err
			}
			if v, err = fillVehicle(v, body, at); err != nil {
				return answer{}, err
			}
			vehicle.Add(tx, in.caller.MemberID, v)
			return created(in.path("vehicles", v.ID.String()), vehicleOut(v)).versioned(v.Version, in.caller.Units), nil
		}
	})
}

// GetVehicle implements the contract.
func (s *Server) GetVehicle(c echo.Context, _ InClub, name InVehicle, _ GetVehicleParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		ref := postgres.ParseRef(name)
		row := vehicle.Find(b, ref)
		var joints *postgres.Rows[vehicle.Joint]
		if in.includes("joints", "features", "estimates") {
			joints = vehicle.ListJoints(b, ref, "", mostIncluded+1)
		}
		var known *recommend.Snapshot
		if in.includes("estimates") {
			known = recommend.QueueVehicle(b, ref, "", mostIncluded)
		}
		return func() (answer, error) {
			v, err := row.One()
			if err != nil {
				return answer{}, err
			}
			out := vehicleOut(v)
			if joints != nil {
				if out, err = in.withJoints(out, joints.Items, known); err != nil {
					return answer{}, err
				}
			}
			return in.including(ok(out), v.Version)
		}
	})
}

// PatchVehicle implements the contract.
func (s *Server) PatchVehicle(c echo.Context, _ InClub, name InVehicle, _ PatchVehicleParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		change := decode[VehiclePatch](in)
		row := vehicle.Lock(b, postgres.ParseRef(name))
		garage := garageNamed(b, change.Garage)
		return func(tx *postgres.Tx) (answer, error) {
			v, err := row.One()
			if err != nil {
				return answer{}, err
			}
			if err := in.match(v.Version, vehicleOut(v)); err != nil {
				return answer{}, err
			}
			body, err := merged(s, in, "VehicleIn", vehicleIn(v))
			if err != nil {
				return answer{}, err
			}
			at := v.GarageID
			if in.names("garage") {
				if at, err = garage(); err != nil {
					return answer{}, err
				}
			}
			if v, err = fillVehicle(v, body, at); err != nil {
				return answer{}, err
			}
			v = vehicle.Update(tx, in.caller.MemberID, v)
			return ok(vehicleOut(v)).versioned(v.Version, in.caller.Units), nil
		}
	})
}

// names reports whether the body has the member, be it null.
func (in *call) names(member string) bool {
	object, _ := in.value.(map[string]any)
	_, named := object[member]
	return named
}
