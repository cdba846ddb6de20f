package wear

import (
	"time"

	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/postgres"
)

// elsewhere is why what came voided is void.
const elsewhere = "Taken back in the club that it came from"

// AdoptEvents keeps what another club noted, under the ids that it has there.
func AdoptEvents(tx *postgres.Tx, actor uuid.UUID, events []Event) {
	if len(events) == 0 {
		return
	}
	ids := postgres.Column(events, func(e Event) uuid.UUID { return e.ID })
	tx.Queue(`insert into wear_event (club_id, id, joint_id, kind, occurred_at, member_id, recorded_at) select $1, id, joint_id, kind, occurred_at, $2, $3
		from unnest($4::uuid[], $5::uuid[], $6::text[], $7::timestamptz[]) as u(id, joint_id, kind, occurred_at) order by id`,
		tx.Club, actor, stamp(tx.Now), ids, postgres.Column(events, func(e Event) uuid.UUID { return e.JointID }), postgres.Column(events, func(e Event) string { return e.Kind }),
		postgres.Column(events, func(e Event) time.Time { return e.OccurredAt })).RunAgainOn("wear_event_pkey")
	journal.AppendAll(tx, journal.Event{Type: "wear_event.recorded", Version: 1, Audience: journal.ForClub, Actor: actor}, ids, postgres.Column(events, func(e Event) any { return e }))
}

// AdoptDistances keeps what an odometer showed while the vehicle was elsewhere.
func AdoptDistances(tx *postgres.Tx, actor uuid.UUID, distances []Distance) {
	if len(distances) == 0 {
		return
	}
	ids := postgres.Column(distances, func(d Distance) uuid.UUID { return d.ID })
	tx.Queue(`insert into distance (club_id, id, vehicle_id, shown, unit, taken_at, replaced, previous, member_id, recorded_at)
		select $1, id, $2, shown, unit, taken_at, replaced, previous, $3, $4
		from unnest($5::uuid[], $6::double precision[], $7::text[], $8::timestamptz[], $9::boolean[], $10::double precision[]) as u(id, shown, unit, taken_at, replaced, previous) order by id`,
		tx.Club, distances[0].VehicleID, actor, stamp(tx.Now), ids, postgres.Column(distances, func(d Distance) float64 { return d.Shown }), postgres.Column(distances, func(d Distance) string { return d.Unit }),
		postgres.Column(distances, func(d Distance) time.Time { return d.TakenAt }), postgres.Column(distances, func(d Distance) bool { return d.Replaced }),
		postgres.Column(distances, func(d Distance) *float64 { return d.Previous })).RunAgainOn("distance_pkey")
	journal.AppendAll(tx, journal.Event{Type: "distance.recorded", Version: 1, Audience: journal.ForClub, Actor: actor}, ids, postgres.Column(distances, func(d Distance) any { return d }))
}

// AdoptVoids takes back what another club took back; why, it did not say.
func AdoptVoids(tx *postgres.Tx, actor uuid.UUID, events, distances map[uuid.UUID]time.Time) {
	for _, of := range []struct {
		table, kind string
		voids       map[uuid.UUID]time.Time
	}{{"wear_event", "wear_event.voided", events}, {"distance", "distance.voided", distances}} {
		if len(of.voids) == 0 {
			continue
		}
		var ids []uuid.UUID
		var times []time.Time
		for id, at := range of.voids {
			ids, times = append(ids, id), append(times, at)
		}
		tx.Queue(`insert into `+of.table+`_void (club_id, `+of.table+`_id, reason, at, member_id) select $1, id, $2, at, $3 from unnest($4::uuid[], $5::timestamptz[]) as u(id, at) order by id`,
			tx.Club, elsewhere, actor, ids, times).RunAgainOn(of.table + "_void_pkey")
		journal.AppendAll(tx, journal.Event{Type: of.kind, Version: 2, Audience: journal.ForClub, Actor: actor}, ids, postgres.Column(times, func(t time.Time) any { return t }))
	}
}
