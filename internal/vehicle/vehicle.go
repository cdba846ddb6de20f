package vehicle

import (
	"github.com/google/uuid"

	"pinwright/internal/calc/chassis"
	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Vehicle is a car or another vehicle under repair.
type Vehicle struct {
	ID            uuid.UUID
	Code          string
	Name          string
	ChassisNumber *string
	ChassisKind   *string // free_text or vin; nil without a chassis number
	BuiltYear     *int32
	GarageID      *uuid.UUID
	MemberID      uuid.UUID // whose it is
	Version       int64
}

const vehicleColumns = `id, code, name, chassis_number, chassis_kind, built_year, garage_id, member_id, version`

// Kinds of chassis numbers.
const (
	freeText = "free_text"
	vin      = "vin"
)

// SetChassisNumber takes a chassis number as package chassis reads it, or nil
// for none. A refused one is a fault with the way to mend it.
func (v *Vehicle) SetChassisNumber(text *string) []problem.Fault {
	v.ChassisNumber, v.ChassisKind = nil, nil
	if text == nil {
		return nil
	}
	number, err := chassis.Check(*text)
	if err != nil {
		return []problem.Fault{{Pointer: "/chassis_number", Detail: err.Error()}}
	}
	kind := freeText
	if number.IsVIN {
		kind = vin
	}
	v.ChassisNumber, v.ChassisKind = &number.Text, &kind
	return nil
}

// ChassisWarnings are what to look at again in the chassis number.
func (v Vehicle) ChassisWarnings() []chassis.Warning {
	if v.ChassisNumber == nil {
		return nil
	}
	number, err := chassis.Check(*v.ChassisNumber)
	if err != nil {
		return nil // it was taken by an earlier rule, and stays
	}
	return number.Warnings
}

// Find looks a vehicle up by id or code.
func Find(b *postgres.Batch, ref postgres.Ref) *postgres.Rows[Vehicle] {
	return postgres.Query[Vehicle](b, `select `+vehicleColumns+` from vehicle where club_id = $1 and (id = $2 or code = $3)`, b.Club, ref.ID, ref.Name)
}

// FindAll looks vehicles up by ids and codes.
func FindAll(b *postgres.Batch, refs []postgres.Ref) *postgres.Rows[Vehicle] {
	ids, codes := postgres.Split(refs)
	return postgres.Query[Vehicle](b, `select `+vehicleColumns+` from vehicle where club_id = $1 and (id = any($2) or code = any($3))`, b.Club, ids, codes)
}

// Lock is Find, locked until the end of the write.
func Lock(b *postgres.Batch, ref postgres.Ref) *postgres.Rows[Vehicle] {
	return postgres.Query[Vehicle](b, `select `+vehicleColumns+` from vehicle where club_id = $1 and (id = $2 or code = $3) for no key update`, b.Club, ref.ID, ref.Name)
}

// List lists vehicles by code, after the code given. Served by vehicle_code.
func List(b *postgres.Batch, after string, limit int) *postgres.Rows[Vehicle] {
	return postgres.Query[Vehicle](b, `select `+vehicleColumns+` from vehicle where club_id = $1 and code > $2 order by code limit $3`, b.Club, after, limit)
}

func vehicleTaken(code string) *problem.Error {
	return problem.New(problem.NameTaken, "Another vehicle has the code %q. Choose another.", code)
}

// Add creates v.
func Add(tx *postgres.Tx, actor uuid.UUID, v Vehicle) {
	AddAll(tx, actor, []Vehicle{v}).Refuse("vehicle_code", vehicleTaken(v.Code))
}

// AddAll creates vehicles in one statement, in the order of their codes, so that
// two who add the same ones wait for each other and never in a circle. A code
// that is taken violates vehicle_code; the caller says what that means.
func AddAll(tx *postgres.Tx, actor uuid.UUID, vehicles []Vehicle) *postgres.Effect {
	journal.AppendAll(tx, journal.Event{Type: "vehicle.created", Version: 1, Audience: journal.ForClub, Actor: actor},
		postgres.Column(vehicles, func(v Vehicle) uuid.UUID { return v.ID }), postgres.Column(vehicles, func(v Vehicle) any { return v }))
	return tx.Queue(`
		insert into vehicle (club_id, id, code, name, chassis_number, chassis_kind, built_year, garage_id, member_id)
		select $1, id, code, name, chassis_number, chassis_kind, built_year, garage_id, member_id
		from unnest($2::uuid[], $3::text[], $4::text[], $5::text[], $6::text[], $7::integer[], $8::uuid[], $9::uuid[])
			as u(id, code, name, chassis_number, chassis_kind, built_year, garage_id, member_id)
		order by code`,
		tx.Club,
		postgres.Column(vehicles, func(v Vehicle) uuid.UUID { return v.ID }),
		postgres.Column(vehicles, func(v Vehicle) string { return v.Code }),
		postgres.Column(vehicles, func(v Vehicle) string { return v.Name }),
		postgres.Column(vehicles, func(v Vehicle) *string { return v.ChassisNumber }),
		postgres.Column(vehicles, func(v Vehicle) *string { return v.ChassisKind }),
		postgres.Column(vehicles, func(v Vehicle) *int32 { return v.BuiltYear }),
		postgres.Column(vehicles, func(v Vehicle) *uuid.UUID { return v.GarageID }),
		postgres.Column(vehicles, func(v Vehicle) uuid.UUID { return v.MemberID }))
}

// Update writes v as its next version.
func Update(tx *postgres.Tx, actor uuid.UUID, v Vehicle) Vehicle {
	v.Version++
	tx.Queue(`update vehicle set code = $3, name = $4, chassis_number = $5, chassis_kind = $6, built_year = $7, garage_id = $8, version = $9 where club_id = $1 and id = $2`,
		tx.Club, v.ID, v.Code, v.Name, v.ChassisNumber, v.ChassisKind, v.BuiltYear, v.GarageID, v.Version).
		Refuse("vehicle_code", vehicleTaken(v.Code))
	journal.Append(tx, journal.Event{Type: "vehicle.changed", Subject: v.ID, Version: v.Version, Audience: journal.ForClub, Actor: actor}, v)
	return v
}
