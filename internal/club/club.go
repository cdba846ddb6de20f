// Package club is a club and where and who its people are: garages and members.
package club

import (
	"fmt"

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

// Touch gives the club its next version for a change of what belongs to it as a
// whole, of which state is the outcome.
func Touch(tx *postgres.Tx, actor uuid.UUID, c Club, event string, state any) {
	tx.Queue(`update club set version = $2 where club_id = $1`, tx.Club, c.Version+1)
	journal.Append(tx, journal.Event{Type: event, Subject: c.ClubID, Version: c.Version + 1, Audience: journal.ForClub, Actor: actor}, state)
}
