package opening

import (
	"bytes"
	"cmp"
	"fmt"
	"slices"

	"github.com/google/uuid"

	"pinwright/internal/club"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Travel is how long a tool travels between two garages, either way.
type Travel struct {
	GarageID      uuid.UUID // the smaller of the two ids
	OtherGarageID uuid.UUID
	Garage        string `json:"-"` // code
	OtherGarage   string `json:"-"`
	Minutes       int
}

// Between returns the travel time between two garages.
func Between(a, b club.Garage, minutes int) Travel {
	if bytes.Compare(a.ID[:], b.ID[:]) > 0 {
		a, b = b, a
	}
	return Travel{GarageID: a.ID, OtherGarageID: b.ID, Garage: a.Code, OtherGarage: b.Code, Minutes: minutes}
}

func (t Travel) isOf(other Travel) bool {
	return t.GarageID == other.GarageID && t.OtherGarageID == other.OtherGarageID
}

// CheckTravels reports pairs that are none or stand twice, at the pointer of each
// row.
func CheckTravels(list []Travel, pointer string) []problem.Fault {
	var faults []problem.Fault
	for i, t := range list {
		at := fmt.Sprintf("%s/%d/other_garage", pointer, i)
		switch j := slices.IndexFunc(list[:i], t.isOf); {
		case t.GarageID == t.OtherGarageID:
			faults = append(faults, problem.Fault{Pointer: at, Detail: "is the same garage; name another"})
		case j >= 0:
			faults = append(faults, problem.Fault{Pointer: at, Detail: fmt.Sprintf("this pair stands in row %d already; the way back takes as long, so give each pair once", j)})
		}
	}
	return faults
}

// Travels are all travel times of a club.
type Travels struct {
	pairs     *postgres.Rows[Travel]
	otherwise *postgres.Rows[int]
}

// ListTravels queues all travel times of the club, by the garages' codes. Served
// by travel_time_pkey.
func ListTravels(b *postgres.Batch) *Travels {
	return &Travels{
		pairs: postgres.Query[Travel](b, `
			select t.garage_id, t.other_garage_id, (select code from garage g where g.club_id = t.club_id and g.id = t.garage_id) as garage,
			       (select code from garage g where g.club_id = t.club_id and g.id = t.other_garage_id) as other_garage, t.minutes
			from travel_time t where t.club_id = $1`, b.Club),
		otherwise: postgres.Values[int](b, `select coalesce((select travel_minutes from lending_rule where club_id = $1), $2)::integer`, b.Club, usualTravel),
	}
}

// Pairs returns the pairs by the garages' codes.
func (t *Travels) Pairs() []Travel { return byCode(t.pairs.Items) }

func byCode(list []Travel) []Travel {
	for i, t := range list {
		if t.Garage > t.OtherGarage {
			list[i].Garage, list[i].OtherGarage = t.OtherGarage, t.Garage
			list[i].GarageID, list[i].OtherGarageID = t.OtherGarageID, t.GarageID
		}
	}
	slices.SortFunc(list, func(a, b Travel) int {
		return cmp.Or(cmp.Compare(a.Garage, b.Garage), cmp.Compare(a.OtherGarage, b.OtherGarage))
	})
	return list
}

// Otherwise is the minutes between garages of which no pair tells.
func (t *Travels) Otherwise() int { return t.otherwise.Items[0] }

// SetTravels writes the pairs of list, and forgets all others unless they are to
// be kept. The club's row c is locked; it is the subject of the change, and gets
// its next version. SetTravels returns the table as it is then.
func (t *Travels) SetTravels(tx *postgres.Tx, actor uuid.UUID, c club.Club, list []Travel, keepOthers bool) []Travel {
	now := slices.Clone(list)
	if keepOthers {
		for _, old := range t.pairs.Items {
			if !slices.ContainsFunc(list, old.isOf) {
				now = append(now, old)
			}
		}
	} else {
		tx.Queue(`delete from travel_time where club_id = $1 and not exists (
			select from unnest($2::uuid[], $3::uuid[]) as n(a, b) where n.a = garage_id and n.b = other_garage_id)`, tx.Club,
			postgres.Column(list, func(t Travel) uuid.UUID { return t.GarageID }), postgres.Column(list, func(t Travel) uuid.UUID { return t.OtherGarageID }))
	}
	tx.Queue(`insert into travel_time (club_id, garage_id, other_garage_id, minutes)
		select $1, a, b, minutes from unnest($2::uuid[], $3::uuid[], $4::integer[]) as n(a, b, minutes)
		on conflict (club_id, garage_id, other_garage_id) do update set minutes = excluded.minutes`, tx.Club,
		postgres.Column(list, func(t Travel) uuid.UUID { return t.GarageID }), postgres.Column(list, func(t Travel) uuid.UUID { return t.OtherGarageID }),
		postgres.Column(list, func(t Travel) int32 { return int32(t.Minutes) })) //nolint:gosec // two weeks at most
	slices.SortFunc(now, func(a, b Travel) int {
		return cmp.Or(bytes.Compare(a.GarageID[:], b.GarageID[:]), bytes.Compare(a.OtherGarageID[:], b.OtherGarageID[:]))
	})
	club.Touch(tx, actor, c, "club.travel_times_changed", now)
	return byCode(now)
}
