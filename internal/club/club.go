// Package club is a club and where and who its people are: garages and members.
package club

import (
	"fmt"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Club is the tenant: nothing of one club is ever seen from another.
type Club struct {
	ClubID          uuid.UUID
	Slug            string
	Name            string
	Currency        string
	Units           string
	TurnaroundHours int
	Origins         []string // of web pages that may work for members
	Version         int64
}

const clubColumns = `club_id, slug, name, currency, units, turnaround_hours, origins, version`

// Find returns the batch's club.
func Find(b *postgres.Batch) *postgres.Rows[Club] {
	return postgres.Query[Club](b, `select `+clubColumns+` from club where club_id = $1`, b.Club)
}

// Lock returns the batch's club, locked until the end of the write.
func Lock(b *postgres.Batch) *postgres.Rows[Club] {
	return postgres.Query[Club](b, `select `+clubColumns+` from club where club_id = $1 for no key update`, b.Club)
}

// Check reports what is wrong with c that the contract cannot tell.
func (c Club) Check() []problem.Fault {
	var faults []problem.Fault
	for i, origin := range c.Origins {
		if !IsOrigin(origin) {
			faults = append(faults, problem.Fault{Pointer: fmt.Sprintf("/origins/%d", i),
				Detail: "give the origin of a page as browsers write it, such as https://garage.example: https, a host in lower case, a port only where it is not 443, nothing behind; http only for localhost"})
		}
	}
	return faults
}

// Update writes the club's rules.
func Update(tx *postgres.Tx, actor uuid.UUID, c Club) Club {
	c.Version++
	tx.Queue(`update club set name = $2, units = $3, turnaround_hours = $4, origins = $5, version = $6 where club_id = $1`, tx.Club, c.Name, c.Units, c.TurnaroundHours, c.Origins, c.Version)
	journal.Append(tx, journal.Event{Type: "club.changed", Subject: c.ClubID, Version: c.Version, Audience: journal.ForClub, Actor: actor}, c)
	return c
}

// Garage is a place with a time zone and opening hours, where tools live and
// cars stand.
type Garage struct {
	ID       uuid.UUID
	Code     string
	Name     string
	Address  string
	TimeZone string
	Opens    string // local time, hh:mm
	Closes   string // local time, hh:mm; 24:00 is the end of the day
	Version  int64
}

const garageColumns = `id, code, name, address, time_zone, to_char(opens, 'HH24:MI') as opens, case when closes = '24:00' then '24:00' else to_char(closes, 'HH24:MI') end as closes, version`

// Check reports what is wrong with g that the contract cannot tell.
func (g Garage) Check() []problem.Fault {
	var faults []problem.Fault
	if _, err := time.LoadLocation(g.TimeZone); err != nil || g.TimeZone == "Local" {
		faults = append(faults, problem.Fault{Pointer: "/time_zone", Detail: "use an IANA time zone name, such as Europe/Lisbon"})
	}
	if g.Opens >= g.Closes {
		faults = append(faults, problem.Fault{Pointer: "/closes", Detail: "must be later than opens (" + g.Opens + ")"})
	}
	return faults
}

// FindGarage looks a garage up by id or code.
func FindGarage(b *postgres.Batch, ref postgres.Ref) *postgres.Rows[Garage] {
	return postgres.Query[Garage](b, `select `+garageColumns+` from garage where club_id = $1 and (id = $2 or code = $3)`, b.Club, ref.ID, ref.Name)
}

// FindGarages looks garages up by ids and codes.
func FindGarages(b *postgres.Batch, refs []postgres.Ref) *postgres.Rows[Garage] {
	ids, codes := postgres.Split(refs)
	return postgres.Query[Garage](b, `select `+garageColumns+` from garage where club_id = $1 and (id = any($2) or code = any($3))`, b.Club, ids, codes)
}

// LockGarage is FindGarage, locked until the end of the write.
func LockGarage(b *postgres.Batch, ref postgres.Ref) *postgres.Rows[Garage] {
	return postgres.Query[Garage](b, `select `+garageColumns+` from garage where club_id = $1 and (id = $2 or code = $3) for no key update`, b.Club, ref.ID, ref.Name)
}

// ListGarages lists garages by code, after the code given. Served by
// garage_code.
func ListGarages(b *postgres.Batch, after string, limit int) *postgres.Rows[Garage] {
	return postgres.Query[Garage](b, `select `+garageColumns+` from garage where club_id = $1 and code > $2 order by code limit $3`, b.Club, after, limit)
}

func codeTaken(code string) *problem.Error {
	return problem.New(problem.NameTaken, "Another garage has the code %q. Choose another.", code)
}

// AddGarage creates g.
func AddGarage(tx *postgres.Tx, actor uuid.UUID, g Garage) {
	tx.Queue(`insert into garage (club_id, id, code, name, address, time_zone, opens, closes) values ($1, $2, $3, $4, $5, $6, $7::text::time, $8::text::time)`,
		tx.Club, g.ID, g.Code, g.Name, g.Address, g.TimeZone, g.Opens, g.Closes).
		Refuse("garage_code", codeTaken(g.Code))
	journal.Append(tx, journal.Event{Type: "garage.created", Subject: g.ID, Version: g.Version, Audience: journal.ForClub, Actor: actor}, g)
}

// UpdateGarage writes g as its next version.
func UpdateGarage(tx *postgres.Tx, actor uuid.UUID, g Garage) Garage {
	g.Version++
	tx.Queue(`update garage set code = $3, name = $4, address = $5, time_zone = $6, opens = $7::text::time, closes = $8::text::time, version = $9 where club_id = $1 and id = $2`,
		tx.Club, g.ID, g.Code, g.Name, g.Address, g.TimeZone, g.Opens, g.Closes, g.Version).
		Refuse("garage_code", codeTaken(g.Code))
	journal.Append(tx, journal.Event{Type: "garage.changed", Subject: g.ID, Version: g.Version, Audience: journal.ForClub, Actor: actor}, g)
	return g
}
