package whereabouts

import (
	"pinwright/internal/calc/length"
	"pinwright/internal/postgres"
)

// Kept is a tool that lives at a garage, as it stands on the sheet inside its
// cupboard.
type Kept struct {
	Number       string
	ModelName    string
	Size         *length.Length `db:"size_nm"`
	Caution      string
	DepositMinor *int64
	Parts        int
	State        string
	NeedsShowing bool // only for who was shown how, by certificate
}

// ListKept lists the tools that live at a garage, by number, after the number
// given. Served by tool_in_garage.
func ListKept(b *postgres.Batch, garage postgres.Ref, after string, limit int) *postgres.Rows[Kept] {
	return postgres.Query[Kept](b, `
		select t.number, m.name as model_name, m.size_nm, m.caution, coalesce(t.deposit_minor, m.deposit_minor) as deposit_minor, m.parts, t.state, m.certificate_needed as needs_showing
		from tool t
		cross join lateral (select name, size_nm, caution, deposit_minor, parts, certificate_needed from tool_model where club_id = t.club_id and id = t.model_id limit 1) m
		where t.club_id = $1 and t.garage_id = (select id from garage where club_id = $1 and (id = $2 or code = $3)) and t.number > $4
		and t.state in ('in_service', 'quarantine') order by t.number limit $5`, b.Club, garage.ID, garage.Name, after, limit)
}
