package tool

import (
	"fmt"
	"strings"
	"time"

	"pinwright/internal/calc/length"
	"pinwright/internal/postgres"
)

// Filter narrows a list of tools; what is empty or nil does not.
type Filter struct {
	Kind   Kind
	State  State
	Garage *postgres.Ref // where it is while it is in the house
	Model  *postgres.Ref
	Bore   *Bore
	// Bounds of the size that the tool is known by, both included.
	SizeFrom, SizeUntil *length.Length
	Free                *Stretch
}

// Bore is a bore that a tool is wanted for. Reamers and gauges serve it when they
// cut or show it within so much; instruments when it is in their range.
type Bore struct{ Size, Within length.Length }

// Stretch is when a tool is wanted, seen at some time: who has it late keeps it
// from being free.
type Stretch struct{ From, Until, Now time.Time }

// List lists tools by number, after the number given. Served by tool_number, or
// by tool_at_garage or tool_of_model where a garage or model is named; the models
// that serve a bore by tool_model_serves, those of a size by tool_model_size or
// tool_model_kind_size; what is held of a tool by booking_ahead, and whether it is
// out late by loan_open. Kind and state are looked at on the way.
func List(b *postgres.Batch, f Filter, after string, limit int) *postgres.Rows[Tool] {
	sql := strings.Builder{}
	sql.WriteString(selectTool + ` and t.number > $2`)
	args := []any{b.Club, after, limit}
	place := func(v any) string {
		args = append(args, v)
		return fmt.Sprintf("$%d", len(args))
	}
	if f.Garage != nil {
		sql.WriteString(` and t.present_garage_id = (select id from garage where club_id = $1 and (id = ` + place(f.Garage.ID) + ` or code = ` + place(f.Garage.Name) + `))`)
	}
	if f.Model != nil {
		sql.WriteString(` and t.model_id = (select id from tool_model where club_id = $1 and (id = ` + place(f.Model.ID) + ` or code = ` + place(f.Model.Name) + `))`)
	}
	ofKind := ""
	if f.Kind != "" {
		ofKind = ` and m.kind = ` + place(f.Kind)
		sql.WriteString(ofKind)
	}
	if f.State != "" {
		sql.WriteString(` and t.state = ` + place(f.State))
	}
	// The models come first, as a list, since there are few of them and an index tells
	// which; whoever joined them would look at every tool of the club.
	models := func(conditions string) {
		sql.WriteString(` and t.model_id = any(array(select m.id from tool_model m where m.club_id = $1` + ofKind + conditions + `))`)
	}
	if f.Bore != nil {
		size, within := place(f.Bore.Size), place(f.Bore.Within)
		models(` and m.serves_until_nm >= ` + size + `::bigint - ` + within + `::bigint and m.serves_from_nm <= ` + size + `::bigint + ` + within + `::bigint
			and (m.kind in ('reamer', 'pin_gauge', 'plug_gauge') or ` + size + `::bigint between m.serves_from_nm and m.serves_until_nm)`)
	}
	if f.SizeFrom != nil || f.SizeUntil != nil {
		sizes := ``
		if f.SizeFrom != nil {
			sizes += ` and m.size_nm >= ` + place(*f.SizeFrom)
		}
		if f.SizeUntil != nil {
			sizes += ` and m.size_nm <= ` + place(*f.SizeUntil)
		}
		models(sizes)
	}
	if f.Free != nil {
		from, until, now := place(f.Free.From), place(f.Free.Until), place(f.Free.Now)
		// The words about the states are those of booking_ahead, or it would not be used.
		sql.WriteString(` and t.state = 'in_service' and not exists (select from booking b where b.club_id = t.club_id and b.tool_id = t.id and b.state not in ('cancelled', 'lost')
				and b.held_until > ` + from + ` and lower(b.held) < ` + until + `::timestamptz + make_interval(hours => coalesce(m.turnaround_hours, (select c.turnaround_hours from club c where c.club_id = $1))))
			and not exists (select from loan l join booking b on b.club_id = l.club_id and b.reservation_id = l.reservation_id and b.line = l.line
				where l.club_id = t.club_id and l.tool_id = t.id and l.ended is null and upper(b.period) <= ` + now + `)`)
	}
	sql.WriteString(` order by t.number limit $3`)
	return postgres.Query[Tool](b, sql.String(), args...)
}
