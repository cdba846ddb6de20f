package lending

import (
	"fmt"
	"strings"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Need is what is needed together: each of the tools, by id or number, and of
// each model, by id or code, one tool for each time that it is named.
type Need struct{ Tools, Models []string }

// FreePeriod is a stretch in which everything needed is free together: any
// period within it can be booked.
type FreePeriod struct {
	Period
	Tools []string // by number; of a model all that are free throughout

	zone *time.Location
}

// Free is the result of CommonFree; empty until its batch was sent.
type Free struct {
	need     Need
	duration time.Duration
	tools    *postgres.Rows[namedRow]
	models   *postgres.Rows[namedRow]
	periods  *postgres.Rows[freeRow]
}

type namedRow struct {
	Name     string // as it was asked for
	Found    bool
	Label    string // its number or code
	State    string // of a tool
	Lendable int    // tools in service
	TimeZone string
}

type freeRow struct {
	FreeFrom  time.Time
	FreeUntil time.Time
	Numbers   []string
}

// CommonFree queues the search for the first maximal stretches of window, at
// least duration long, in which everything needed is free together. A stretch
// is covered by the same tools from end to end: two tools of a model that are
// free one after the other make two stretches, not one. Both ends leave room for
// the turnaround. Tools that are not in service are never free. Served by
// booking_ahead.
func CommonFree(b *postgres.Batch, need Need, window Period, duration time.Duration, first int) *Free {
	f := &Free{need: need, duration: duration}
	window = window.kept()
	if window.Until.Before(window.From) {
		window.Until = window.From
	}
	toolIDs, toolNames := columns(need.Tools)
	modelIDs, modelNames := columns(need.Models)
	f.tools = postgres.Query[namedRow](b, `
		select coalesce(r.id::text, r.name) as name, t.id is not null as found, coalesce(t.number, '') as label, coalesce(t.state, '') as state,
		       (t.state is not distinct from 'in_service')::integer as lendable, coalesce(g.time_zone, 'UTC') as time_zone
		from unnest($2::uuid[], $3::text[]) with ordinality as r(id, name, at)
		left join tool t on t.club_id = $1 and (t.id = r.id or t.number = r.name)
		left join garage g on g.club_id = t.club_id and g.id = t.garage_id
		order by r.at`, b.Club, toolIDs, toolNames)
	f.models = postgres.Query[namedRow](b, `
		select coalesce(r.id::text, r.name) as name, m.id is not null as found, coalesce(m.code, '') as label, '' as state,
		       (count(t.id) filter (where t.state = 'in_service'))::integer as lendable, coalesce(min(g.time_zone), 'UTC') as time_zone
		from unnest($2::uuid[], $3::text[]) with ordinality as r(id, name, at)
		left join tool_model m on m.club_id = $1 and (m.id = r.id or m.code = r.name)
		left join tool t on t.club_id = m.club_id and t.model_id = m.id
		left join garage g on g.club_id = t.club_id and g.id = t.garage_id
		group by r.at, r.id, r.name, m.id, m.code order by r.at`, b.Club, modelIDs, modelNames)
	// blocked is where a *period* cannot lie: each held stretch, and the turnaround
	// before it. The longest stretch from a start on ends where, of some need, no
	// tool that is free at the start is free any more: for n tools of a model at the
	// n-th latest end.
	f.periods = postgres.Query[freeRow](b, `
		with named as (
			select distinct t.id, t.number, t.state from unnest($2::uuid[], $3::text[]) as r(id, name)
			join tool t on t.club_id = $1 and (t.id = r.id or t.number = r.name)
		), modelled as (
			select m.id, count(*)::integer as pieces from unnest($4::uuid[], $5::text[]) as r(id, name)
			join tool_model m on m.club_id = $1 and (m.id = r.id or m.code = r.name)
			group by m.id
		), piece as (
			select id as need, 1 as pieces, id as tool, number from named where state = 'in_service'
			union all
			select m.id, m.pieces, t.id, t.number from modelled m
			join tool t on t.club_id = $1 and t.model_id = m.id
			where t.state = 'in_service' and t.id not in (select id from named)
		), rule as (
			select make_interval(hours => turnaround_hours) as pause, make_interval(secs => $8) as long from club where club_id = $1
		), stretch as materialized (
			select p.need, p.pieces, p.number, s.s
			from piece p cross join rule
			cross join lateral (
				select coalesce(range_agg(tstzrange(lower(b.held) - rule.pause, upper(b.held))), '{}') as blocked
				from booking b
				where b.club_id = $1 and b.tool_id = p.tool and b.state not in ('returned', 'cancelled')
				and b.held_until > $6 and b.held && tstzrange($6, $7::timestamptz + rule.pause)
			) taken
			cross join lateral unnest(tstzmultirange(tstzrange($6, $7)) - taken.blocked) as s(s)
			where lower(s.s) + rule.long <= upper(s.s)
		), common as (
			select a.at, least.until
			from (select distinct lower(s) as at from stretch) a
			cross join lateral (
				select min(e.until) as until, count(e.until) as served from (
					select (array_agg(upper(s.s) order by upper(s.s) desc))[s.pieces] as until
					from stretch s where s.s @> a.at group by s.need, s.pieces
				) e
			) least
			where least.served = (select count(*) from named) + (select count(*) from modelled)
			and a.at + (select long from rule) <= least.until
		), maximal as (
			select at, until, max(until) over (order by at rows between unbounded preceding and 1 preceding) as reached from common
		)
		select m.at as free_from, m.until as free_until,
		       (select array_agg(distinct s.number order by s.number) from stretch s where s.s @> tstzrange(m.at, m.until)) as numbers
		from maximal m where m.reached is null or m.reached < m.until
		order by m.at limit $9`,
		b.Club, toolIDs, toolNames, modelIDs, modelNames, window.From, window.Until, duration.Seconds(), first)
	return f
}

// columns spells names as two columns, of which each row has one.
func columns(names []string) ([]*uuid.UUID, []*string) {
	ids, texts := make([]*uuid.UUID, len(names)), make([]*string, len(names))
	for i, n := range names {
		ids[i], texts[i] = named(n)
	}
	return ids, texts
}

// Unknown reports needs that name nothing in the club, as faults at the
// pointers.
func (f *Free) Unknown(toolPointer, modelPointer string) []problem.Fault {
	var faults []problem.Fault
	for _, r := range f.tools.Items {
		if !r.Found {
			faults = append(faults, problem.Fault{Pointer: toolPointer, Detail: fmt.Sprintf("there is no tool “%s” in this club; check the spelling, or GET tools", r.Name)})
		}
	}
	for _, r := range f.models.Items {
		if !r.Found {
			faults = append(faults, problem.Fault{Pointer: modelPointer, Detail: fmt.Sprintf("there is no tool model “%s” in this club; check the spelling, or GET tool-models", r.Name)})
		}
	}
	return faults
}

// Periods returns the stretches, earliest first.
func (f *Free) Periods() []FreePeriod {
	zone := f.zone()
	out := make([]FreePeriod, len(f.periods.Items))
	for i, r := range f.periods.Items {
		out[i] = FreePeriod{Period: Period{From: r.FreeFrom, Until: r.FreeUntil}.kept(), Tools: r.Numbers, zone: zone}
	}
	return out
}

// zone is where the first of what is needed lives.
func (f *Free) zone() *time.Location {
	for _, rows := range [][]namedRow{f.tools.Items, f.models.Items} {
		for _, r := range rows {
			if zone, err := time.LoadLocation(r.TimeZone); err == nil && r.Found {
				return zone
			}
		}
	}
	return time.UTC
}

// Summary tells the outcome in a sentence.
func (f *Free) Summary() string {
	var names, idle []string
	for _, r := range f.tools.Items {
		names = append(names, r.Label)
		if r.Found && r.State != inService {
			idle = append(idle, r.Label+" "+stateInWords[r.State])
		}
	}
	for _, r := range f.models.Items {
		names = append(names, "a "+r.Label)
		if r.Found && r.Lendable == 0 {
			idle = append(idle, "no "+r.Label+" is in service")
		}
	}
	what, are, together := strings.Join(names, ", "), "is", ""
	if len(names) > 1 {
		what, are, together = strings.Join(names[:len(names)-1], ", ")+" and "+names[len(names)-1], "are", " together"
	}
	switch periods := f.Periods(); {
	case len(idle) > 0:
		return sentence("Not to be had:", strings.Join(idle, ", ")+"; choose another, or ask a tool keeper")
	case len(periods) == 0:
		return sentence(what, are, "not free"+together, "for", inHours(f.duration), "in that time; ask for less time, or look further ahead")
	default:
		p := periods[0]
		return sentence(what, are, "free"+together, "from", inWords(p.From, p.zone), "until", inWords(p.Until, p.zone))
	}
}
