package workplan

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"pinwright/internal/opening"
	"pinwright/internal/problem"
)

// When parts are ordered.
const (
	Before = "before" // measuring: everything that may be needed, at the beginning
	After  = "after"  // measuring, when it is known what is needed
	AtHand = "at_hand"
)

// Ask is what a plan is made for. Named in JSON as the contract has it, since it is
// kept with its plan.
type Ask struct {
	Start    *time.Time `json:"start,omitempty"`     // nothing is done before
	FinishBy *time.Time `json:"finish_by,omitempty"` // instead: done by then, and begun as late as that allows
	Free     *Free      `json:"free,omitempty"`
	Ordering string     `json:"ordering,omitempty"`
	Quantile float64    `json:"quantile,omitempty"`
	LeadDays *int       `json:"lead_days,omitempty"` // what parts take, where it is known better
	AtHand   []string   `json:"at_hand,omitempty"`   // kinds or models of tools that need not be borrowed
	Tools    []Choice   `json:"tools,omitempty"`
	Assume   string     `json:"assume,omitempty"` // option of a recommendation, for joints without one
}

// Free is when hands are free, by the clock of the repair's garage.
type Free struct {
	Weekly  []Hours  `json:"weekly,omitempty"`
	Periods []Period `json:"periods,omitempty"` // besides
	Away    []Days   `json:"away,omitempty"`    // not in these days, whatever the weekly hours say
}

// Hours are some of a weekday, as a clock shows them.
type Hours struct {
	Weekday int    `json:"weekday"`
	From    string `json:"from"`
	Until   string `json:"until"` // at or before From: on the next day
}

// Period is a half-open stretch of time.
type Period struct {
	From  time.Time `json:"from"`
	Until time.Time `json:"until"`
}

// Days are whole days, both inclusive, as dates.
type Days struct {
	First string `json:"first"`
	Last  string `json:"last"`
}

// Choice says which model of a kind of tools is taken.
type Choice struct {
	Kind  string `json:"kind"`
	Model string `json:"tool_model"`
}

// Defaults of an Ask.
const (
	usualQuantile = 0.8
	usualOption   = "ream_to"
)

// How far ahead is planned, and how far ahead a finish may lie.
const (
	outlook  = 180 * 24 * time.Hour
	farthest = 390 * 24 * time.Hour
)

// Over is a with what it leaves open taken from the plan before, or by default.
func (a Ask) Over(before Ask) Ask {
	if a.Start == nil && a.FinishBy == nil {
		a.Start, a.FinishBy = before.Start, before.FinishBy
	}
	if a.Free == nil {
		a.Free = before.Free
	}
	if a.LeadDays == nil {
		a.LeadDays = before.LeadDays
	}
	if a.AtHand == nil {
		a.AtHand = before.AtHand
	}
	if a.Tools == nil {
		a.Tools = before.Tools
	}
	a.Ordering = cmp.Or(a.Ordering, before.Ordering, After)
	a.Quantile = cmp.Or(a.Quantile, before.Quantile, usualQuantile)
	a.Assume = cmp.Or(a.Assume, before.Assume, usualOption)
	return a
}

// Faults reports what is wrong with a that the contract cannot tell.
func (a Ask) Faults(now time.Time) []problem.Fault {
	var faults []problem.Fault
	fault := func(at, format string, args ...any) {
		faults = append(faults, problem.Fault{Pointer: at, Detail: fmt.Sprintf(format, args...)})
	}
	if a.Start != nil && a.FinishBy != nil {
		fault("/finish_by", "stands instead of start; give one of the two")
	}
	if a.Start != nil && a.Start.After(now.Add(farthest-outlook)) {
		fault("/start", "is too far ahead: begin within %d days", int((farthest-outlook).Hours()/24))
	}
	if a.FinishBy != nil {
		switch {
		case !a.FinishBy.After(now):
			fault("/finish_by", "lies in the past; name a later moment, or leave it out for the earliest finish")
		case a.FinishBy.After(now.Add(farthest)):
			fault("/finish_by", "is too far ahead: be finished within %d days", int(farthest.Hours()/24))
		}
	}
	if a.Free == nil || len(a.Free.Weekly)+len(a.Free.Periods) == 0 {
		fault("/free", "say when you are free: `weekly` hours such as {\"weekday\": 6, \"from\": \"09:00\", \"until\": \"17:00\"}, or `periods`")
		return faults
	}
	for i, p := range a.Free.Periods {
		if !p.From.Before(p.Until) {
			fault(fmt.Sprintf("/free/periods/%d/until", i), "must be later than from")
		}
	}
	for i, d := range a.Free.Away {
		if d.Last < d.First { // dates sort as texts
			fault(fmt.Sprintf("/free/away/%d/last", i), "must not be before first")
		}
	}
	return faults
}

// minutes reads a clock's hh:mm, as the contract bounds it.
func minutes(clock string) int {
	var h, m int
	_, _ = fmt.Sscanf(clock, "%d:%d", &h, &m) // the contract's pattern holds
	return 60*h + m
}

// spans are the free stretches that touch the time from one moment to another.
func (f Free) spans(zone *time.Location, from, until time.Time) []Period {
	var hours []opening.Hours
	for _, h := range f.Weekly {
		hours = append(hours, opening.Hours{Weekday: h.Weekday, Opens: minutes(h.From), Closes: minutes(h.Until)})
	}
	var away []opening.Days
	for _, d := range f.Away {
		first, err := time.Parse(time.DateOnly, d.First)
		last, failed := time.Parse(time.DateOnly, d.Last)
		if err == nil && failed == nil {
			away = append(away, opening.Days{First: first, Last: last})
		}
	}
	var all []Period
	for _, s := range opening.NewPlace("", zone, hours, away).Within(from, until) {
		all = append(all, Period{s.From, s.Until})
	}
	all = append(all, f.Periods...)
	slices.SortFunc(all, func(a, b Period) int { return a.From.Compare(b.From) })
	var out []Period
	for _, p := range all {
		switch n := len(out); {
		case !p.Until.After(from) || !p.From.Before(until):
		case n > 0 && !p.From.After(out[n-1].Until):
			if p.Until.After(out[n-1].Until) {
				out[n-1].Until = p.Until
			}
		default:
			out = append(out, p)
		}
	}
	return out
}
