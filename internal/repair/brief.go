package repair

import (
	"github.com/google/uuid"

	"pinwright/internal/postgres"
)

// Brief is a repair without what belongs to it.
type Brief struct {
	ID     uuid.UUID
	Number int
	State  string
	// TimeZone is that of the garage where it is done.
	TimeZone string
}

// FindBrief looks a repair up.
func FindBrief(b *postgres.Batch, name string) *postgres.Rows[Brief] {
	id, number := Named(name)
	return postgres.Query[Brief](b, `select r.id, r.number, r.state, (select g.time_zone from garage g where g.club_id = r.club_id and g.id = r.garage_id) as time_zone from repair r where r.club_id = $1 and (r.id = $2 or r.number = $3)`, b.Club, id, number)
}
