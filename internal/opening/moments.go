package opening

import "strings"

// Moments is the text of common table expressions that end with opening
// (garage, moments): of each row of place, when that garage is open from
// somewhat before the moment from until somewhat after until, as a multirange. place
// has the columns garage, time_zone, opens and closes; club, from and until are
// expressions, such as $1. It is the twin of Place.Within. Served by
// garage_hours_pkey and closure_ahead.
func Moments(club, from, until string) string {
	return strings.NewReplacer("@club", club, "@from", from, "@until", until, "@opens", AtClock("s.opens", "s.time_zone"), "@closes", AtClock("s.closes", "s.time_zone"),
		"@first", AtClock("c.first_day::timestamp", "p.time_zone"), "@last", AtClock("(c.last_day + 1)::timestamp", "p.time_zone")).Replace(`
	opening_hours as (
		select p.garage, p.time_zone, h.weekday::integer as weekday, h.opens, h.closes
		from place p join garage_hours h on h.club_id = @club and h.garage_id = p.garage
		union all
		select p.garage, p.time_zone, w.weekday, p.opens, p.closes from place p cross join generate_series(1, 7) as w(weekday)
		where not exists (select from garage_hours h where h.club_id = @club and h.garage_id = p.garage)
	), opening_shown as ( -- by the clock that hangs there
		select h.garage, h.time_zone, d.midnight + h.opens::interval as opens,
		       d.midnight + h.closes::interval + case when h.closes <= h.opens then interval '1 day' else interval '0' end as closes
		from opening_hours h
		cross join lateral generate_series(date_trunc('week', @from::timestamptz at time zone h.time_zone) + make_interval(days => h.weekday - 8),
			(@until::timestamptz at time zone h.time_zone) + interval '1 day', interval '7 days') as d(midnight)
	), opening_closed as (
		select p.garage, range_agg(tstzrange(@first, @last)) as days
		from place p join closure c on c.club_id = @club and c.withdrawn_at is null and c.last_day >= (@from::timestamptz at time zone 'UTC')::date - 2
			and (c.garage_id is null or c.garage_id = p.garage)
		group by p.garage
	), opening as materialized (
		select p.garage, coalesce(range_agg(tstzrange(m.opens, m.closes)) filter (where m.opens < m.closes), '{}') -
			coalesce((select c.days from opening_closed c where c.garage = p.garage), '{}') as moments
		from place p left join (select s.garage, @opens as opens, @closes as closes from opening_shown s) m on m.garage = p.garage
		group by p.garage
	)`)
}

// AtClock is the SQL twin of Clock. AT TIME ZONE reads a skipped time with the offset
// before the gap, but of a time that is shown twice it takes the second; so the
// moment by the offset of the day before is preferred where the clock then shows
// the same.
func AtClock(shown, zone string) string {
	return strings.NewReplacer("@x", "("+shown+")", "@z", zone).Replace(
		`(select case when early.at at time zone @z = @x then least(early.at, @x at time zone @z) else @x at time zone @z end
		from (select (@x at time zone 'UTC') - ((((@x at time zone 'UTC') - interval '24 hours') at time zone @z) - (@x - interval '24 hours')) as at) early)`)
}
