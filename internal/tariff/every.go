package tariff

import (
	"time"

	"pinwright/internal/postgres"
)

// EveryCost is each model's edition that is valid on a day. Served by tool_cost_edition.
func EveryCost(b *postgres.Batch, day time.Time) *postgres.Rows[Costs] {
	return postgres.Query[Costs](b, `
		select e.* from (select club_id as of_club, id as of_model from tool_model where club_id = $1) m
		cross join lateral (select `+costColumns+` from tool_cost c where c.club_id = of_club and c.model_id = of_model and c.valid_from <= $2::date order by c.number desc limit 1) e`, b.Club, day)
}
