package recommend

import (
	"crypto/sha256"
	"slices"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/calc/length"
	"pinwright/internal/journal"
	"pinwright/internal/postgres"
)

// Kept is an answer as it was given.
type Kept struct {
	ID           uuid.UUID
	VehicleID    uuid.UUID
	CreatedAt    time.Time
	Body         []byte
	SupersededBy *uuid.UUID // the latest answer for the same joints, when it is not this one
	Explanation  []byte     // how its numbers came about, as JSON; nil when not asked for, or not kept
}

// keptColumns has the answer in the units of $2, else in the club's; it is kept in
// all.
const keptColumns = `r.id, r.vehicle_id, r.created_at,
	coalesce((select o.body from recommendation_in_units o where o.club_id = r.club_id and o.recommendation_id = r.id and o.units = coalesce($2, (select c.units from club c where c.club_id = r.club_id))), r.body) as body,
	(select nullif(max(n.id::text), r.id::text)::uuid from recommendation n where n.club_id = r.club_id and n.joint_key = r.joint_key and n.id >= r.id) as superseded_by`

// JointKey stands for a set of joints, in whatever order they were named.
func JointKey(joints []JointRow) []byte {
	ids := make([]uuid.UUID, len(joints))
	for i, j := range joints {
		ids[i] = j.ID
	}
	slices.SortFunc(ids, func(a, b uuid.UUID) int { return slices.Compare(a[:], b[:]) })
	sum := sha256.New()
	for _, id := range ids {
		_, _ = sum.Write(id[:]) // a hash never fails to be written to
	}
	return sum.Sum(nil)
}

// Keep stores the answer under id for good: as it was asked for, and in the other
// units, with how its numbers came about.
func Keep(tx *postgres.Tx, actor, id uuid.UUID, a *Answer, bodies map[length.Unit][]byte, explanation []byte) {
	tx.Queue(`insert into recommendation (club_id, id, vehicle_id, member_id, created_at, joint_key, digest, body, explanation) values ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
		tx.Club, id, a.Vehicle, actor, tx.Now, JointKey(a.Joints), a.Digest[:], bodies[a.Question.Unit], explanation)
	var units []string
	var others [][]byte
	for _, unit := range length.Units() {
		if unit != a.Question.Unit {
			units, others = append(units, string(unit)), append(others, bodies[unit])
		}
	}
	tx.Queue(`insert into recommendation_in_units (club_id, recommendation_id, units, body) select $1, $2, * from unnest($3::text[], $4::bytea[])`, tx.Club, id, units, others)
	journal.Append(tx, journal.Event{Type: "recommendation.created", Subject: id, Version: 1, Audience: journal.ForClub, Actor: actor}, a.Digest[:])
}

// Find returns the answer with that id in units, in
// the club's where that is nil. Served by the primary key and
// recommendation_of_joints.
func Find(b *postgres.Batch, id uuid.UUID, units *string) *postgres.Rows[Kept] {
	return find(b, id, units, false)
}

// FindExplained is Find with how the numbers came about.
func FindExplained(b *postgres.Batch, id uuid.UUID, units *string) *postgres.Rows[Kept] {
	return find(b, id, units, true)
}

func find(b *postgres.Batch, id uuid.UUID, units *string, explained bool) *postgres.Rows[Kept] {
	return postgres.Query[Kept](b, `select `+keptColumns+`, case when $4 then r.explanation end as explanation from recommendation r where r.club_id = $1 and r.id = $3`, b.Club, units, id, explained)
}

// List lists answers, newest first, before the id given, of the vehicle named
// where one is. Served by the primary key and recommendation_of_vehicle.
func List(b *postgres.Batch, vehicle, units *string, before uuid.UUID, limit int) *postgres.Rows[Kept] {
	if vehicle == nil {
		return postgres.Query[Kept](b, `select `+keptColumns+`, null::bytea as explanation from recommendation r where r.club_id = $1 and r.id < $3 order by r.id desc limit $4`, b.Club, units, before, limit)
	}
	ref := postgres.ParseRef(*vehicle)
	return postgres.Query[Kept](b, `select `+keptColumns+`, null::bytea as explanation from recommendation r
		where r.club_id = $1 and r.vehicle_id = (select v.id from vehicle v where v.club_id = $1 and (v.id = $5 or v.code = $6)) and r.id < $3 order by r.id desc limit $4`,
		b.Club, units, before, limit, ref.ID, ref.Name)
}
