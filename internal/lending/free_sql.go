package lending

import (
	"strings"

	"pinwright/internal/opening"
)

// Names of the parameters that the texts below share, in the order of
// freeArguments.
var freeParameters = strings.NewReplacer(
	"@club", "$1", "@tool_ids", "$2::uuid[]", "@numbers", "$3::text[]", "@model_ids", "$4::uuid[]", "@codes", "$5::text[]", "@kit_ids", "$6::uuid[]", "@kits", "$7::text[]",
	"@garage_id", "$8::uuid", "@garage", "$9::text", "@from", "$10::timestamptz", "@until", "$11::timestamptz", "@long", "make_interval(secs => $12)", "@first", "$13::integer", "@now", "$14::timestamptz", "@except", "$15::uuid[]",
	"@usual_travel", "60",
	"@holds_until", opening.AtClock("(c.due_on + 1)::timestamp", "h.time_zone"))

// freeTables are the common table expressions from what is needed to free
// (which tool is free when, opening hours left aside):
//
//   - named, modelled: the tools and models asked for, by themselves and in kits.
//   - piece: the tools that may serve, each with the time that it is cleaned
//     (pause) and travels to where it is collected (way).
//   - promised: what holds them within the time looked through. Promises of one
//     tool never overlap, so those that end within it and the next one are all. Their
//     bounds are computed before (reach): behind row security an index takes a
//     comparison with a column only, since arithmetic on one might tell of foreign rows
//     in an error. PostgreSQL 15.18 was laxer there, 15.20 is not.
//   - busy: stretches in which a *period* of a tool cannot lie, since something
//     is held, or since the tool would not be clean and on its place in time.
var freeTables = freeParameters.Replace(`
	with kitted as materialized (
		select k.id from unnest(@kit_ids) as r(id) join kit k on k.club_id = @club and k.id = r.id where k.retired_at is null
		union all
		select k.id from unnest(@kits) as r(code) join kit k on k.club_id = @club and k.code = r.code where k.retired_at is null
	), named as materialized (
		select t.id from tool t where t.club_id = @club and t.id = any(array(
			select unnest(@tool_ids)
			union select n.id from tool n where n.club_id = @club and n.number = any(@numbers)
			union select p.tool_id from kitted k join kit_part p on p.club_id = @club and p.kit_id = k.id where p.tool_id is not null))
	), modelled as materialized (
		select a.id, count(*)::integer as pieces from (
			select m.id from unnest(@model_ids) as r(id) join tool_model m on m.club_id = @club and m.id = r.id
			union all
			select m.id from unnest(@codes) as r(code) join tool_model m on m.club_id = @club and m.code = r.code
			union all
			select p.model_id from kitted k join kit_part p on p.club_id = @club and p.kit_id = k.id where p.model_id is not null
		) a group by a.id
	), rule as materialized (
		select c.turnaround_hours, coalesce((select r.travel_minutes from lending_rule r where r.club_id = @club), @usual_travel) as travel_minutes,
		       (select g.id from garage g where g.club_id = @club and (g.id = @garage_id or g.code = @garage)) as garage
		from club c where c.club_id = @club
	), piece as materialized (
		select a.need, a.pieces, t.id as tool, t.number, t.state, m.code, p.garage,
		       make_interval(hours => coalesce(m.turnaround_hours, rule.turnaround_hours)) as pause,
		       case when p.garage = t.garage_id then interval '0' else make_interval(mins => coalesce((select x.minutes from travel_time x
				where x.club_id = @club and x.garage_id = least(p.garage, t.garage_id) and x.other_garage_id = greatest(p.garage, t.garage_id)), rule.travel_minutes)) end as way,
		       (select @holds_until from calibration c join garage h on h.club_id = @club and h.id = t.garage_id
				where c.club_id = @club and c.tool_id = t.id order by c.calibrated_on desc, c.id desc limit 1) as holds_until
		from (
			select null::uuid as need, 1 as pieces, n.id as tool from named n
			union all
			select w.id, w.pieces, t.id from modelled w join tool t on t.club_id = @club and t.model_id = w.id where t.id not in (select n.id from named n)
		) a
		join tool t on t.club_id = @club and t.id = a.tool
		join tool_model m on m.club_id = @club and m.id = t.model_id
		cross join rule
		cross join lateral (select coalesce(rule.garage, t.garage_id) as garage) p
	), reach as materialized ( -- bounds as columns: see promised
		select p.tool, p.pause, p.way, @from - p.way as since, @until + p.pause + p.way as beyond from piece p where p.state = 'in_service'
	), promised as materialized (
		select p.tool, p.pause, p.way, b.state, lower(b.period) as starts, upper(b.period) as ends, lower(b.held) as held_from, b.held_until
		from reach p
		cross join lateral (
			select b.state, b.period, b.held, b.held_until from booking b
			where b.club_id = @club and b.tool_id = p.tool and b.state not in ('cancelled', 'lost')
			and b.held_until > p.since and b.held_until <= p.beyond
			and (b.state <> 'reserved' or b.reservation_id <> all(@except))
			union all
			(select b.state, b.period, b.held, b.held_until from booking b
			where b.club_id = @club and b.tool_id = p.tool and b.state not in ('cancelled', 'lost') and b.held_until > p.beyond
			and (b.state <> 'reserved' or b.reservation_id <> all(@except))
			order by b.held_until limit 1)
		) b
		where lower(b.held) - p.pause - p.way < @until
	), late as materialized ( -- and not promised before it could be clean again
		select p.tool, @now + greatest(p.pause, upper(b.held) - upper(b.period)) + p.way as until
		from piece p
		join loan l on l.club_id = @club and l.tool_id = p.tool and l.ended is null
		join booking b on b.club_id = @club and b.reservation_id = l.reservation_id and b.line = l.line
		where p.state = 'in_service' and upper(b.period) < @now
	), busy as (
		select b.tool, tstzrange(b.held_from - b.pause - b.way, b.held_until + b.way) as during from promised b
		union all select l.tool, tstzrange(null, l.until) from late l
		union all select p.tool, tstzrange(p.holds_until, null) from piece p where p.holds_until is not null
	), free as materialized (
		select p.need, p.pieces, p.tool, p.number, p.garage, case p.state when 'in_service' then
			tstzmultirange(tstzrange(@from, @until)) - coalesce((select range_agg(b.during) from busy b where b.tool = p.tool), '{}') else '{}' end as during
		from piece p
	), place as materialized (
		select g.id as garage, g.name, g.time_zone, g.opens, g.closes from garage g where g.club_id = @club and g.id = any(array(select distinct p.garage from piece p))
	), ` + opening.Moments("@club", "@from", "@until"))

// freePeriods continue freeTables up to periods. Both ends of a period lie in
// the opening hours of all places where something is collected, so places that
// open alike make one timetable, and each choice of timetables is looked through by
// itself: those of the tools that were named, and at most two more that tools of
// the models have. Within one choice the longest stretch from a start on ends where, of some
// need, no tool that is free at the start is free any more: for n tools of a model
// at the n-th latest end. It is then cut to the first and the last moment at which all places
// of the choice are open.
var freePeriods = freeParameters.Replace(`, opens as materialized ( -- n: the timetable
		select o.garage, o.moments, dense_rank() over (order by o.moments) as n from opening o
	), timetable as (
		select o.n, o.moments from opens o group by o.n, o.moments
	), fixed as materialized ( -- what was named is free together
		select count(*) > 0 as is_named, coalesce(range_intersect_agg(f.during), tstzmultirange(tstzrange(@from, @until))) as during,
		       coalesce(array_agg(distinct o.n), '{}') as timetables
		from free f join opens o on o.garage = f.garage where f.need is null
	), stretch as materialized (
		select null::uuid as need, 1 as pieces, null::text as number, null::uuid as garage, null::bigint as timetable, s.s
		from fixed x cross join lateral unnest(x.during) as s(s) where x.is_named and upper(s.s) - lower(s.s) >= @long
		union all
		select f.need, f.pieces, f.number, f.garage, o.n, s.s
		from free f join opens o on o.garage = f.garage cross join fixed x cross join lateral unnest(f.during * x.during) as s(s)
		where f.need is not null and upper(s.s) - lower(s.s) >= @long
	), further as (
		select distinct o.n from free f join opens o on o.garage = f.garage cross join fixed x where f.need is not null and o.n <> all(x.timetables)
	), choice as materialized (
		select c.timetables, (select range_intersect_agg(t.moments) from timetable t where t.n = any(c.timetables)) as moments
		from (
			select x.timetables from fixed x
			union all select x.timetables || a.n from fixed x, further a
			union all select x.timetables || a.n || b.n from fixed x, further a, further b where a.n < b.n
		) c where cardinality(c.timetables) > 0
	), common as (
		select c.moments, c.moments * tstzmultirange(tstzrange(a.at, least.until, '[]')) as within
		from choice c
		cross join lateral (select distinct lower(s.s) as at from stretch s where s.timetable is null or s.timetable = any(c.timetables)) a
		cross join lateral (
			select min(e.until) as until, count(e.until) as served from (
				select (array_agg(upper(s.s) order by upper(s.s) desc))[s.pieces] as until
				from stretch s where s.s @> a.at and (s.timetable is null or s.timetable = any(c.timetables)) group by s.need, s.pieces
			) e
		) least
		where least.served = (select count(*) from modelled) + (select x.is_named::integer from fixed x)
	), fitting as (
		select c.moments, lower(c.within) as at, upper(c.within) as until from common c where upper(c.within) - lower(c.within) >= @long
	), periods as materialized (
		select row_number() over (order by m.at) as k, m.at, m.until, m.moments
		from (select f.*, max(f.until) over (order by f.at, f.until desc rows between unbounded preceding and 1 preceding) as reached from fitting f) m
		where m.reached is null or m.reached < m.until
		order by m.at limit @first
	), answered as (
		select p.k, p.at, p.until,
		       case when upper(p.moments * tstzmultirange(tstzrange(p.at, p.at + @long, '[]'))) = p.at + @long then p.at + @long
				else lower(p.moments * tstzmultirange(tstzrange(p.at + @long, p.until, '[]'))) end as ends,
		       array(
				select f.number from free f where f.need is null
				union
				select s.number from stretch s join opening o on o.garage = s.garage
				where s.s @> tstzrange(p.at, p.until) and o.moments @> p.at and upper(o.moments * tstzmultirange(tstzrange(p.at, p.until, '[]'))) = p.until
				order by 1) as numbers
		from periods p
	)`)

// freeReasons continue freePeriods: why nothing fits in the time before each period,
// and behind the last where fewer were found than asked for. Of each
// need that could not begin in that time by itself, it tells what holds its tools
// then; where each could, they are not free together.
var freeReasons = freeParameters.Replace(`, ahead as (
		select p.k, p.at as until, coalesce(max(p.until) over (order by p.k rows between unbounded preceding and 1 preceding), @from) as at from periods p
		union all
		select count(*) + 1, @until, coalesce(max(p.until), @from) from periods p having count(*) < @first
	), gap as materialized (
		select b.k, b.at, b.until, tstzrange(b.at, b.until) as during from ahead b where b.at < b.until
	), segment as (
		select b.tool, case b.state when 'returned' then 'cleaning' else b.state end as reason, tstzrange(b.starts, b.ends) as during from promised b
		union all select b.tool, 'cleaning', tstzrange(b.held_from - b.pause - b.way, b.held_from - b.way) from promised b
		union all select b.tool, 'travel', tstzrange(b.held_from - b.way, b.starts) from promised b
		union all select b.tool, 'cleaning', tstzrange(b.ends, b.held_until) from promised b
		union all select b.tool, 'travel', tstzrange(b.held_until, b.held_until + b.way) from promised b
		union all select l.tool, 'late', tstzrange(null, l.until) from late l
		union all select p.tool, 'calibration_due', tstzrange(p.holds_until, null) from piece p where p.holds_until is not null and p.state = 'in_service'
		union all select p.tool, p.state, tstzrange(null, null) from piece p where p.state <> 'in_service'
	), chance as materialized ( -- what each tool could do by itself, of periods that begin in the gap
		select g.k, g.at, g.until, g.during, p.need, p.pieces, p.tool, p.number, p.code, p.garage, c.raw, coalesce(c.able, false) as able,
		       row_number() over (partition by g.k, p.need order by p.number) as place_in_need
		from gap g cross join piece p
		left join free f on f.tool = p.tool and f.need is not distinct from p.need
		left join opening o on o.garage = p.garage
		cross join lateral (
			select max(upper(s.s) - greatest(lower(s.s), g.at)) as raw,
			       bool_or(lower(w.within) < g.until and upper(w.within) - lower(w.within) >= @long) as able
			from unnest(f.during) as s(s)
			cross join lateral (select o.moments * tstzmultirange(tstzrange(greatest(lower(s.s), g.at), upper(s.s), '[]')) as within) w
			where s.s && g.during
		) c
	), needed as (
		select g.k, g.at, g.until, w.id as need, w.pieces from gap g cross join modelled w
		union all
		select c.k, c.at, c.until, null, count(*)::integer from chance c where c.need is null group by c.k, c.at, c.until
	), blamed as materialized (
		select n.k, n.at, n.until, n.need, n.pieces, (select count(*) from piece p where p.need = n.need and p.state = 'in_service') as lendable
		from needed n
		where (select count(*) from chance c where c.k = n.k and c.need is not distinct from n.need and c.able) < n.pieces
	), why as (
		select c.k, c.at, c.until, c.need, c.number, c.code, c.garage, s.reason, count(*) as times, min(lower(s.during)) as since, max(upper(s.during)) as ends, null::interval as longest
		from blamed b
		join chance c on c.k = b.k and c.need is not distinct from b.need and not c.able and c.place_in_need <= 20
		join segment s on s.tool = c.tool and s.during && c.during
		group by c.k, c.at, c.until, c.need, c.number, c.code, c.garage, s.reason
		union all
		select c.k, c.at, c.until, c.need, c.number, c.code, c.garage, case when c.raw >= @long then 'closed' else 'too_short' end, 1, null, null, c.raw
		from blamed b
		join chance c on c.k = b.k and c.need is not distinct from b.need and not c.able and c.place_in_need <= 20 and c.raw is not null
		union all
		select b.k, b.at, b.until, b.need, null, m.code, null, 'too_few', b.lendable, null, null, null
		from blamed b join tool_model m on m.club_id = @club and m.id = b.need where b.lendable < b.pieces
		union all
		select g.k, g.at, g.until, null, null, null, null, 'too_short', 0, null, null, null
		from gap g where not exists (select from blamed b where b.k = g.k)
	)`)

// freeAnswer is a row for each period, freeWhy a row for each reason too.
var (
	freeAnswer = freeTables + freePeriods + `
	select a.k, a.at, a.until, a.ends, a.numbers, '' as reason, '' as number, '' as code, '' as place, (select p.time_zone from piece e join place p on p.garage = e.garage where e.number = a.numbers[1]) as time_zone, false as of_model, 0 as times,
	       null::timestamptz as since, null::timestamptz as reason_until, null::float8 as longest
	from answered a order by a.k`
	freeWhy = freeTables + freePeriods + freeReasons + `
	select r.* from (
	select a.k, a.at, a.until, a.ends, a.numbers, '' as reason, '' as number, '' as code, '' as place, (select p.time_zone from piece e join place p on p.garage = e.garage where e.number = a.numbers[1]) as time_zone, false as of_model, 0 as times,
	       null::timestamptz as since, null::timestamptz as reason_until, null::float8 as longest
	from answered a
	union all
	select w.k, w.at, w.until, null, null, w.reason, coalesce(w.number, ''), coalesce(w.code, ''), coalesce(p.name, ''), coalesce(p.time_zone, 'UTC'), w.need is not null, w.times::integer,
	       w.since, w.ends, extract(epoch from w.longest)::float8
	from why w left join place p on p.garage = w.garage
	) r order by r.k, r.reason = '' desc, r.of_model, r.code, r.number, r.since nulls last, r.reason`
)
