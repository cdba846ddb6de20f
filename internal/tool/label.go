package tool

import (
	"pinwright/internal/calc/length"
	"pinwright/internal/postgres"
)

// Label is what stands on the label of a tool.
type Label struct {
	Number    string
	Name      string         // of its model
	Size      *length.Length `db:"size_nm"`
	RangeFrom *length.Length `db:"range_from_nm"`
	RangeTo   *length.Length `db:"range_to_nm"`
	Caution   string
}

// Labels lists what stands on the labels of tools by number: of those named, or of
// all that the club still has; only of those at the garage unless it is nil.
// Served by tool_number, or by tool_at_garage where a garage is named.
func Labels(b *postgres.Batch, named []postgres.Ref, garage *postgres.Ref, limit int) *postgres.Rows[Label] {
	sql := `select t.number, m.name, m.size_nm, m.range_from_nm, m.range_to_nm, m.caution
		from tool t join tool_model m on m.club_id = t.club_id and m.id = t.model_id where t.club_id = $1`
	args := []any{b.Club, limit}
	if len(named) > 0 {
		ids, numbers := postgres.Split(named)
		sql += ` and (t.id = any($3) or t.number = any($4))`
		args = append(args, ids, numbers)
	} else {
		sql += ` and t.state not in ($3, $4)`
		args = append(args, Lost, Retired)
	}
	if garage != nil {
		sql += ` and t.present_garage_id = (select id from garage where club_id = $1 and (id = $5 or code = $6))`
		args = append(args, garage.ID, garage.Name)
	}
	return postgres.Query[Label](b, sql+` order by t.number limit $2`, args...)
}
