package recommend

import (
	"crypto/sha256"
	"slices"
	"time"

	"github.com/google/uuid"

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
}

const keptColumns = `r.id, r.vehicle_id, r.created_at, r.body,
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

// Keep stores the answer under id for good.
func Keep(tx *postgres.Tx, actor, id uuid.UUID, a *Answer, body []byte) {
	tx.Queue(`insert into recommendation (club_id, id, vehicle_id, member_id, created_at, joint_key, digest, body) values ($1, $2, $3, $4, $5, $6, $7, $8)`,
		tx.Club, id, a.Vehicle, actor, tx.Now, JointKey(a.Joints), a.Digest[:], body)
	journal.Append(tx, journal.Event{Type: "recommendation.created", Subject: id, Version: 1, Audience: journal.ForClub, Actor: actor}, a.Digest[:])
}

// Find returns the answer with that id. Served by the primary key and
// recommendation_of_joints.
func Find(b *postgres.Batch, id uuid.UUID) *postgres.Rows[Kept] {
	return postgres.Query[Kept](b, `select `+keptColumns+` from recommendation r where r.club_id = $1 and r.id = $2`, b.Club, id)
}

// List lists answers, newest first, before the id given, of the vehicle named
// where one is. Served by the primary key and recommendation_of_vehicle.
func List(b *postgres.Batch, vehicle *string, before uuid.UUID, limit int) *postgres.Rows[Kept] {
	if vehicle == nil {
		return postgres.Query[Kept](b, `select `+keptColumns+` from recommendation r where r.club_id = $1 and r.id < $2 order by r.id desc limit $3`, b.Club, before, limit)
	}
	ref := postgres.ParseRef(*vehicle)
	return postgres.Query[Kept](b, `select `+keptColumns+` from recommendation r
		where r.club_id = $1 and r.vehicle_id = (select v.id from vehicle v where v.club_id = $1 and (v.id = $4 or v.code = $5)) and r.id < $2 order by r.id desc limit $3`,
		b.Club, before, limit, ref.ID, ref.Name)
}
