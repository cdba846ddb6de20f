package reports

import (
	"time"

	"pinwright/internal/ledger"
)

// Period is which days a report is of: the financial year that begins in Year, or that of
// today, or other days where they are given.
type Period struct {
	Year        *int
	From, Until *time.Time
	Today       time.Time
}

// Of are the days, by how the club's books are kept.
func (p Period) Of(k ledger.Books) ledger.Year {
	y := k.YearOf(p.Today)
	if p.Year != nil {
		y = k.YearFrom(*p.Year)
	}
	if p.From != nil {
		y.From = *p.From
	}
	if p.Until != nil {
		y.Until = *p.Until
	}
	return y
}

func (p Period) args() []any { return []any{p.Year, p.Today, p.From, p.Until} }

// span is Of as a query of begins and ends, so that a report takes one round trip: $2 the year, $3 today,
// $4 and $5 other days.
const span = `span as (
		select coalesce($4::date, y.begins) as begins, coalesce($5::date, (y.begins + interval '1 year' - interval '1 day')::date) as ends
		from (select (case when $2::int is null and f.day > $3::date then f.day - interval '1 year' else f.day end)::date as begins
			from (select (lpad(coalesce($2::int, extract(year from $3::date)::int)::text, 4, '0') || '-' || coalesce((select year_begins from books where club_id = $1), '01-01'))::date as day) f) y)`
