package api

import (
	"slices"
	"strings"

	"github.com/google/uuid"

	"pinwright/internal/club"
	"pinwright/internal/imports"
	"pinwright/internal/postgres"
)

func (r *importing) queueMembers(b *postgres.Batch) func() error {
	known := club.FindMembers(b, r.keys("number"))
	garages := club.FindGarages(b, r.names("garage"))
	return func() error { return r.judgeMembers(known, garages) }
}

func (r *importing) judgeMembers(found *postgres.Rows[club.Member], garages *postgres.Rows[club.Garage]) error {
	known := indexOf(found.Items, func(m club.Member) uuid.UUID { return m.ID }, func(m club.Member) string { return m.Number }).byName
	places, seen := garageIndex(garages), map[string]int{}
	var fresh []club.Member
	for i := range r.bodies {
		body, err := decodeRow[MemberIn](r, i, "MemberIn", false)
		if err != nil {
			return err
		}
		if r.outcomes[i].name = body.Number; !r.sound(i) || !r.once(i, seen, "/number", body.Number) {
			continue
		}
		at, err := r.placeOf(i, places, "/garage", body.Garage)
		if err != nil {
			return err
		}
		if !r.sound(i) {
			continue
		}
		m := club.Member{ID: newID(), Number: body.Number, Name: body.Name, Roles: rolesOf(body.Roles), GarageID: at, Version: 1}
		if was := known[m.Number]; was != nil {
			r.onRecord(i, was.ID, saying{pointer: "/name", given: true, same: m.Name == was.Name, record: "another name"},
				saying{pointer: "/roles", given: body.Roles != nil, same: slices.Equal(m.Roles, was.Roles), record: strings.Join(was.Roles, ", ")},
				saying{pointer: "/garage", given: body.Garage != nil, same: sameID(at, was.GarageID), record: "another garage"})
			continue
		}
		r.create(i, m.ID)
		r.makes(i, imports.AMember, m.ID)
		fresh = append(fresh, m)
	}
	if len(fresh) > 0 {
		club.AddMembers(r.tx, r.in.caller.MemberID, fresh).RunAgainOn("member_number")
	}
	return nil
}
