package lending

import (
	"fmt"
	"strings"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Need is what is needed together: each of the tools, by id or number; of each
// model, by id or code, one tool for each time that it is named; and all that is
// in the kits, by id or code.
type Need struct {
	Tools, Models, Kits []string
	Garage              string      // where everything is collected and brought back; none: each tool at home
	Now                 time.Time   // what is late is not back before; none: when the window begins
	Except              []uuid.UUID // reservations of which nothing that is only reserved counts: they may be moved
}

// FreePeriod is a stretch in which everything needed is free together: any
// period within it that begins and ends in opening hours can be booked.
type FreePeriod struct {
	Period
	Ends  time.Time // the first moment from which on the duration is over and things are taken back
	Tools []string  // by number; of a model all that are free throughout

	zone *time.Location
}

// Free is the result of CommonFree; empty until its batch was sent.
type Free struct {
	need     Need
	duration time.Duration
	tools    *postgres.Rows[namedRow]
	models   *postgres.Rows[namedRow]
	kits     *postgres.Rows[namedRow]
	garages  *postgres.Rows[garageRow]
	rows     *postgres.Rows[freeRow]
}

type namedRow struct {
	Name     string // as it was asked for
	Found    bool
	Label    string // its number or code
	State    string // of a tool; retired, of a kit
	Lendable int    // tools in service
	TimeZone string
}

type garageRow struct {
	ID       uuid.UUID
	Name     string
	TimeZone string
}

// freeRow is a period (Reason is empty), or a reason why there is none in the time
// before the K-th.
type freeRow struct {
	K           int
	At          time.Time
	Until       time.Time
	Ends        *time.Time
	Numbers     []string
	Reason      string
	Number      string // of the tool; none: not of one tool
	Code        string // of its model
	Place       string
	TimeZone    string
	OfModel     bool
	Times       int
	Since       *time.Time
	ReasonUntil *time.Time
	Longest     *float64 // seconds
}

// CommonFree queues the search for the first stretches of window, at least
// duration long, in which everything needed is free together. A stretch is covered
// by the same tools from end to end: two tools of a model that are free one
// after the other make two stretches, not one. Both ends lie in opening hours, and
// leave room for cleaning and for the way to another garage and back. Tools that are not
// in service are never free, those that are late not before they can be clean
// again, and those with a calibration not beyond the last day on which it holds.
// Served by booking_ahead; the cost grows with what is promised within the window, not
// with what was before.
func CommonFree(b *postgres.Batch, need Need, window Period, duration time.Duration, first int) *Free {
	return commonFree(b, freeAnswer, need, window, duration, first)
}

// CommonFreeAndWhy is CommonFree, with the reasons why there is nothing in the
// time before each stretch.
func CommonFreeAndWhy(b *postgres.Batch, need Need, window Period, duration time.Duration, first int) *Free {
	return commonFree(b, freeWhy, need, window, duration, first)
}

func commonFree(b *postgres.Batch, sql string, need Need, window Period, duration time.Duration, first int) *Free {
	f := &Free{need: need, duration: duration}
	window = window.kept()
	if window.Until.Before(window.From) {
		window.Until = window.From
	}
	now := kept(need.Now)
	if need.Now.IsZero() {
		now = window.From
	}
	toolIDs, numbers := sortedApart(need.Tools)
	modelIDs, codes := sortedApart(need.Models)
	kitIDs, kits := sortedApart(need.Kits)
	var garageID *uuid.UUID
	var garage *string
	if need.Garage != "" {
		garageID, garage = named(need.Garage)
		f.garages = postgres.Query[garageRow](b, `select id, name, time_zone from garage where club_id = $1 and (id = $2 or code = $3)`, b.Club, garageID, garage)
	}
	f.tools = postgres.Query[namedRow](b, `
		select coalesce(r.id::text, r.name) as name, t.id is not null as found, coalesce(t.number, '') as label, coalesce(t.state, '') as state,
		       (t.state is not distinct from 'in_service')::integer as lendable, coalesce(g.time_zone, 'UTC') as time_zone
		from unnest($2::uuid[], $3::text[]) with ordinality as r(id, name, at)
		left join tool t on t.club_id = $1 and (t.id = r.id or t.number = r.name)
		left join garage g on g.club_id = t.club_id and g.id = t.garage_id
		order by r.at`, append([]any{b.Club}, columns(need.Tools)...)...)
	f.models = postgres.Query[namedRow](b, `
		select coalesce(r.id::text, r.name) as name, m.id is not null as found, coalesce(m.code, '') as label, '' as state,
		       (count(t.id) filter (where t.state = 'in_service'))::integer as lendable, coalesce(min(g.time_zone), 'UTC') as time_zone
		from unnest($2::uuid[], $3::text[]) with ordinality as r(id, name, at)
		left join tool_model m on m.club_id = $1 and (m.id = r.id or m.code = r.name)
		left join tool t on t.club_id = m.club_id and t.model_id = m.id
		left join garage g on g.club_id = t.club_id and g.id = t.garage_id
		group by r.at, r.id, r.name, m.id, m.code order by r.at`, append([]any{b.Club}, columns(need.Models)...)...)
	if len(need.Kits) > 0 {
		f.kits = postgres.Query[namedRow](b, `
			select coalesce(r.id::text, r.name) as name, k.id is not null as found, coalesce(k.code, '') as label, case when k.retired_at is not null then 'retired' else '' end as state,
			       (select count(*) from kit_part p where p.club_id = $1 and p.kit_id = k.id)::integer as lendable, 'UTC' as time_zone
			from unnest($2::uuid[], $3::text[]) with ordinality as r(id, name, at)
			left join kit k on k.club_id = $1 and (k.id = r.id or k.code = r.name)
			order by r.at`, append([]any{b.Club}, columns(need.Kits)...)...)
	}
	f.rows = postgres.Query[freeRow](b, sql, b.Club, toolIDs, numbers, modelIDs, codes, kitIDs, kits, garageID, garage, window.From, window.Until, duration.Seconds(), first, now, append([]uuid.UUID{}, need.Except...))
	return f
}

// columns spells names as two columns, of which each row has one.
func columns(names []string) []any {
	ids, texts := make([]*uuid.UUID, len(names)), make([]*string, len(names))
	for i, n := range names {
		ids[i], texts[i] = named(n)
	}
	return []any{ids, texts}
}

// sortedApart are the ids among names, and the others.
func sortedApart(names []string) ([]uuid.UUID, []string) {
	ids, texts := []uuid.UUID{}, []string{}
	for _, n := range names {
		if id, text := named(n); id != nil {
			ids = append(ids, *id)
		} else {
			texts = append(texts, *text)
		}
	}
	return ids, texts
}

// Pointers are where the needs stand in a request.
type Pointers struct{ Tool, Model, Kit, Garage string }

// Unknown reports needs that name nothing in the club, as faults at the
// pointers.
func (f *Free) Unknown(at Pointers) []problem.Fault {
	var faults []problem.Fault
	absent := func(pointer, what, name, list string) {
		faults = append(faults, problem.Fault{Pointer: pointer, Detail: fmt.Sprintf("there is no %s “%s” in this club; check the spelling, or GET %s", what, name, list)})
	}
	for _, r := range f.tools.Items {
		if !r.Found {
			absent(at.Tool, "tool", r.Name, "tools")
		}
	}
	for _, r := range f.models.Items {
		if !r.Found {
			absent(at.Model, "tool model", r.Name, "tool-models")
		}
	}
	if f.kits != nil {
		for _, r := range f.kits.Items {
			switch {
			case !r.Found:
				absent(at.Kit, "kit", r.Name, "kits")
			case r.State != "":
				faults = append(faults, problem.Fault{Pointer: at.Kit, Detail: fmt.Sprintf("the kit “%s” is no longer lent; choose another, or name its tools", r.Label)})
			case r.Lendable == 0:
				faults = append(faults, problem.Fault{Pointer: at.Kit, Detail: fmt.Sprintf("nothing is in the kit “%s”; leave it out, or fill it", r.Label)})
			}
		}
	}
	if f.garages != nil && len(f.garages.Items) == 0 {
		absent(at.Garage, "garage", f.need.Garage, "garages")
	}
	return faults
}

// Periods returns the stretches, earliest first.
func (f *Free) Periods() []FreePeriod {
	zone := f.zone()
	out := []FreePeriod{}
	for _, r := range f.rows.Items {
		if r.Reason == "" {
			out = append(out, FreePeriod{Period: Period{From: r.At, Until: r.Until}.kept(), Ends: kept(*r.Ends), Tools: r.Numbers, zone: zone})
		}
	}
	return out
}

// zone is where everything is collected, or else where the first of what is
// needed lives.
func (f *Free) zone() *time.Location {
	names := []string{}
	if f.garages != nil {
		for _, g := range f.garages.Items {
			names = append(names, g.TimeZone)
		}
	}
	for _, rows := range [][]namedRow{f.tools.Items, f.models.Items} {
		for _, r := range rows {
			if r.Found {
				names = append(names, r.TimeZone)
			}
		}
	}
	for _, r := range f.rows.Items {
		names = append(names, r.TimeZone)
	}
	for _, name := range names {
		if zone, err := time.LoadLocation(name); err == nil {
			return zone
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
	if f.kits != nil {
		for _, r := range f.kits.Items {
			names = append(names, "the kit "+r.Label)
		}
	}
	what, are, together := strings.Join(names, ", "), "is", ""
	if len(names) > 1 {
		what, are, together = strings.Join(names[:len(names)-1], ", ")+" and "+names[len(names)-1], "are", " together"
	}
	at := ""
	if f.garages != nil && len(f.garages.Items) > 0 {
		at = " at " + f.garages.Items[0].Name
	}
	switch periods := f.Periods(); {
	case len(idle) > 0:
		return sentence("Not to be had:", strings.Join(idle, ", ")+"; choose another, or ask a tool keeper")
	case len(periods) == 0:
		return sentence(what, are, "not free"+together+at, "for", inHours(f.duration), "in that time; ask for less time, or look further ahead")
	default:
		p := periods[0]
		return sentence(what, are, "free"+together+at, "from", inWords(p.From, p.zone), "until", inWords(p.Until, p.zone))
	}
}
