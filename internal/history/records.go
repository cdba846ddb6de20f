package history

import (
	"time"

	"github.com/google/uuid"

	"pinwright/internal/postgres"
)

// Record is one of a vehicle's, made here or elsewhere.
type Record struct {
	OriginID *uuid.UUID // nil: made here
	Place    int
	Previous []byte
	Hash     []byte
	RepairID uuid.UUID
	Number   string
	MadeAt   time.Time
}

// ListRecords lists a vehicle's records, those of other clubs first: by origin, each
// in the order of its chain, behind the one given; uuid.Max is the club's own.
// Served by history_record_pkey and repair_record_place.
func ListRecords(b *postgres.Batch, of postgres.Ref, origin uuid.UUID, place, limit int) *postgres.Rows[Record] {
	return postgres.Query[Record](b, `select * from (
		(select h.origin_id, h.place, h.previous, h.hash, coalesce((h.content::json #>> '{repair,id}')::uuid, '00000000-0000-0000-0000-000000000000') as repair_id, coalesce(h.content::json #>> '{repair,number}', '') as number, h.made_at
			from history_record h where h.club_id = $1 and h.vehicle_id`+theVehicle+` and (h.origin_id, h.place) > ($4, $5) order by h.origin_id, h.place limit $6)
		union all
		(select null, k.place, k.previous, k.hash, k.repair_id, 'R' || r.number, k.made_at from repair_record k join repair r on r.club_id = k.club_id and r.id = k.repair_id
			where k.club_id = $1 and k.vehicle_id`+theVehicle+` and (`+own+`, k.place) > ($4, $5) order by k.place limit $6)) l
		order by coalesce(l.origin_id, `+own+`), l.place limit $6`, b.Club, of.ID, of.Name, origin, place, limit)
}

// own stands for the club itself among origins: behind all others.
const own = `'ffffffff-ffff-ffff-ffff-ffffffffffff'::uuid`
