package wear

import (
	"fmt"
	"strconv"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Units of distance, and how many kilometres a mile has (exactly, since the
// international yard of 1959).
const (
	Kilometre = "km"
	Mile      = "mi"
	inMile    = 1.609344
)

// Distance is what a vehicle's odometer showed.
type Distance struct {
	ID         uuid.UUID
	VehicleID  uuid.UUID
	Shown      float64
	Unit       string
	TakenAt    time.Time
	Replaced   bool     // since the reading before, the odometer was replaced, set back or ran past its last digit
	Previous   *float64 // what it showed last before that, in Unit; nil: not known
	MemberID   uuid.UUID
	RecordedAt time.Time
	Void
}

func kilometres(v float64, unit string) float64 {
	if unit == Mile {
		return v * inMile
	}
	return v
}

func (d Distance) km() float64 { return kilometres(d.Shown, d.Unit) }

func (d Distance) words() string {
	return strconv.FormatFloat(d.Shown, 'f', -1, 64) + " " + d.Unit + " of " + d.TakenAt.UTC().Format(time.DateOnly)
}

const selectDistance = `select d.id, d.vehicle_id, d.shown, d.unit, d.taken_at, d.replaced, d.previous, d.member_id, d.recorded_at, v.reason as void_reason, v.at as void_at
	from distance d left join distance_void v on v.club_id = d.club_id and v.distance_id = d.id where d.club_id = $1`

const ofVehicle = ` and d.vehicle_id = (select id from vehicle where club_id = $1 and (id = $2 or code = $3))`

// stands keeps voided ones out, one row at a time: as a join the planner would
// read all that were ever voided.
const stands = ` and (select x.at from distance_void x where x.club_id = d.club_id and x.distance_id = d.id) is null`

// FindDistance looks a reading of an odometer up.
func FindDistance(b *postgres.Batch, id uuid.UUID) *postgres.Rows[Distance] {
	return postgres.Query[Distance](b, selectDistance+` and d.id = $2`, b.Club, id)
}

// ListDistances lists the readings of a vehicle's odometer, newest first, behind
// the one of the time and id given, voided ones with them. Served by
// distance_of_vehicle.
func ListDistances(b *postgres.Batch, vehicle postgres.Ref, before time.Time, beforeID uuid.UUID, limit int) *postgres.Rows[Distance] {
	return postgres.Query[Distance](b, selectDistance+ofVehicle+` and (d.taken_at, d.id) < ($4, $5) order by d.taken_at desc, d.id desc limit $6`,
		b.Club, vehicle.ID, vehicle.Name, before, beforeID, limit)
}

// Neighbours are the readings that count next before and next after a time; of
// one time that before. Served by distance_of_vehicle.
func Neighbours(b *postgres.Batch, vehicle postgres.Ref, at time.Time) (before, after *postgres.Rows[Distance]) {
	const counts = selectDistance + ofVehicle + stands
	return postgres.Query[Distance](b, counts+` and d.taken_at <= $4 order by d.taken_at desc, d.id desc limit 1`, b.Club, vehicle.ID, vehicle.Name, at),
		postgres.Query[Distance](b, counts+` and d.taken_at > $4 order by d.taken_at, d.id limit 1`, b.Club, vehicle.ID, vehicle.Name, at)
}

// mostDistances is how many of the newest readings of an odometer a trend uses.
const mostDistances = 2000

// standingDistances are the readings that count of the vehicles that have a
// joint of the name, in their order. Served by distance_of_vehicle.
func standingDistances(b *postgres.Batch, joint postgres.Ref) *postgres.Rows[Distance] {
	return postgres.Query[Distance](b, `select * from (`+selectDistance+` and d.vehicle_id in (select vehicle_id from joint where club_id = $1 and (id = $2 or position = $3))`+stands+`
		order by d.taken_at desc, d.id desc limit $4) d order by d.taken_at, d.id`, b.Club, joint.ID, joint.Name, mostDistances)
}

// Check reports what is wrong with d beside its neighbours, nil for none.
func (d Distance) Check(before, after *Distance, now time.Time) []problem.Fault {
	faults := Ahead("/taken_at", d.TakenAt, now)
	const since = "; if the odometer was replaced, set back or ran past its last digit in between, say replaced, with what it showed last as previous"
	if d.Previous != nil && !d.Replaced {
		faults = append(faults, problem.Fault{Pointer: "/previous", Detail: "is what a replaced odometer showed last: say replaced too, or leave it out"})
	}
	if before != nil && !d.Replaced && d.km() < before.km() {
		faults = append(faults, problem.Fault{Pointer: "/shown", Detail: "is less than the " + before.words() + since})
	}
	if before != nil && d.Replaced && d.Previous != nil && kilometres(*d.Previous, d.Unit) < before.km() {
		faults = append(faults, problem.Fault{Pointer: "/previous", Detail: "is less than the " + before.words() + ", which it showed earlier"})
	}
	if after != nil {
		last, pointer := after.Shown, "/shown"
		if after.Replaced {
			if after.Previous == nil {
				return faults
			}
			last = *after.Previous
		}
		if kilometres(last, after.Unit) < d.km() {
			faults = append(faults, problem.Fault{Pointer: pointer, Detail: fmt.Sprintf("is more than the odometer showed later (%s %s, told on %s); check the time and the number",
				strconv.FormatFloat(last, 'f', -1, 64), after.Unit, after.TakenAt.UTC().Format(time.DateOnly))})
		}
	}
	return faults
}

// Same reports whether e is d sent again.
func (d Distance) Same(e Distance) error {
	previous := d.Previous == nil && e.Previous == nil || d.Previous != nil && e.Previous != nil && *d.Previous == *e.Previous
	if d.VehicleID == e.VehicleID && d.Shown == e.Shown && d.Unit == e.Unit && d.Replaced == e.Replaced && previous && d.TakenAt.Equal(e.TakenAt) {
		return nil
	}
	return problem.New(problem.IDUsed, "A distance of other content has this id. Make a new id for a new one; to correct that one, void it and post the right one.")
}

// RecordDistance keeps d.
func RecordDistance(tx *postgres.Tx, d Distance) Distance {
	d.RecordedAt = stamp(tx.Now)
	tx.Queue(`insert into distance (club_id, id, vehicle_id, shown, unit, taken_at, replaced, previous, member_id, recorded_at) values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)`,
		tx.Club, d.ID, d.VehicleID, d.Shown, d.Unit, d.TakenAt, d.Replaced, d.Previous, d.MemberID, d.RecordedAt).
		Refuse("distance_pkey", errTaken)
	journal.Append(tx, journal.Event{Type: "distance.recorded", Subject: d.ID, Version: 1, Audience: journal.ForClub, Actor: d.MemberID}, d)
	return d
}

// VoidDistance takes d, which stands, out of every answer.
func VoidDistance(tx *postgres.Tx, actor uuid.UUID, d Distance, reason string) (Distance, error) {
	if d.VoidAt != nil {
		return d, voided("distance", *d.VoidAt)
	}
	at := stamp(tx.Now)
	d.VoidAt = &at
	tx.Queue(`insert into distance_void (club_id, distance_id, reason, at, member_id) values ($1, $2, $3, $4, $5)`, tx.Club, d.ID, reason, at, actor).
		Refuse("distance_void_pkey", voided("distance", at))
	journal.Append(tx, journal.Event{Type: "distance.voided", Subject: d.ID, Version: 2, Audience: journal.ForClub, Actor: actor}, d)
	d.VoidReason = &reason
	return d, nil
}

// road is how far a vehicle has gone, in kilometres on one scale: that of the
// latest stretch without a gap.
type road struct {
	at     []time.Time
	km     []float64
	unit   string // of the newest reading
	broken bool   // there are readings before the stretch
	fell   bool   // the gap is one that nobody told of
}

// slack is how far from the first or last reading of an odometer a moment still
// takes it (common practice, no published source).
const slack = 7 * 24 * time.Hour

// travelled joins the readings that count, in their order.
func travelled(readings []Distance) road {
	r := road{unit: Kilometre}
	offset := 0.0
	for i, d := range readings {
		r.unit = d.Unit
		if i == 0 {
			r.at, r.km = []time.Time{d.TakenAt}, []float64{d.km()}
			continue
		}
		last := r.km[len(r.km)-1]
		next := offset + d.km()
		if d.Replaced && d.Previous != nil {
			ended := offset + kilometres(*d.Previous, d.Unit)
			offset = ended - d.km()
			next = ended
		}
		if d.Replaced && d.Previous == nil || next < last {
			r = road{at: []time.Time{d.TakenAt}, km: []float64{d.km()}, unit: d.Unit, broken: true, fell: r.fell || !d.Replaced}
			offset = 0
			continue
		}
		r.at, r.km = append(r.at, d.TakenAt), append(r.km, next)
	}
	return r
}

// where is how far the vehicle had gone at t, in unit; false where it is not known.
func (r road) where(t time.Time) (float64, bool) {
	n := len(r.at)
	if n == 0 || t.Before(r.at[0].Add(-slack)) || t.After(r.at[n-1].Add(slack)) {
		return 0, false
	}
	return r.in(r.between(t)), true
}

// between takes the vehicle to go evenly between two readings.
func (r road) between(t time.Time) float64 {
	n := len(r.at)
	if !t.After(r.at[0]) {
		return r.km[0]
	}
	for i := 1; i < n; i++ {
		if t.Before(r.at[i]) {
			share := float64(t.Sub(r.at[i-1])) / float64(r.at[i].Sub(r.at[i-1]))
			return r.km[i-1] + share*(r.km[i]-r.km[i-1])
		}
	}
	return r.km[n-1]
}

func (r road) in(km float64) float64 {
	if r.unit == Mile {
		return km / inMile
	}
	return km
}
