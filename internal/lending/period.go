package lending

import (
	"fmt"
	"time"

	"pinwright/internal/club"
	"pinwright/internal/opening"
	"pinwright/internal/problem"
)

// Period is a half-open stretch of time.
type Period struct{ From, Until time.Time }

func (p Period) overlaps(o Period) bool {
	return p.From.Before(o.Until) && o.From.Before(p.Until)
}

// behind is p and pause after it.
func (p Period) behind(pause time.Duration) Period {
	return Period{From: p.From, Until: p.Until.Add(pause)}
}

// kept is p as the database keeps it: in UTC, in whole microseconds.
func (p Period) kept() Period {
	return Period{From: kept(p.From), Until: kept(p.Until)}
}

func kept(t time.Time) time.Time { return t.UTC().Truncate(time.Microsecond) }

// Days are whole days, both inclusive, as dates at midnight UTC: from when the
// garage where the tool lives opens on the first until it closes on the last.
type Days struct{ First, Last time.Time }

// When is a period, or days, or neither.
type When struct {
	Period *Period
	Days   *Days
}

func (w When) isGiven() bool { return w.Period != nil || w.Days != nil }

// What may be reserved.
const (
	longest  = 90 * 24 * time.Hour
	farthest = 400 * 24 * time.Hour
	grace    = time.Hour // a request may lie in a phone for so long
	day      = 24 * time.Hour
)

// laterByDays is the moment so many days after t at the same time of zone's
// clock.
func laterByDays(zone *time.Location, t time.Time, days int) time.Time {
	local := t.In(zone)
	shown := time.Date(local.Year(), local.Month(), local.Day()+days, local.Hour(), local.Minute(), local.Second(), local.Nanosecond(), time.UTC)
	return club.Clock(zone, shown)
}

// resolve is w at p, moved by shift days at the same time of the clock. Days
// begin now when the first is today and the place has opened. closed is a day on
// which the place does not open, where days begin or end on one.
func (w When) resolve(p *opening.Place, shift int, now time.Time) (out Period, closed *time.Time) {
	if w.Period != nil {
		if shift == 0 {
			return w.Period.kept(), nil
		}
		return Period{From: laterByDays(p.Zone, w.Period.From, shift), Until: laterByDays(p.Zone, w.Period.Until, shift)}.kept(), nil
	}
	first := w.Days.First.AddDate(0, 0, shift)
	s, closed := p.Resolve(opening.Days{First: first, Last: w.Days.Last.AddDate(0, 0, shift)})
	out = Period{From: s.From, Until: s.Until}
	if closed == nil && out.From.Before(now) && first.Equal(p.DateOf(now)) {
		out.From = now.Truncate(time.Second)
		if opens, ok := p.Next(now); ok && opens.After(now) && first.Equal(p.DateOf(opens)) {
			out.From = opens
		}
	}
	return out.kept(), closed
}

// span is a stretch that covers w in every time zone.
func (w When) span() Period {
	if w.Period != nil {
		return *w.Period
	}
	return Period{From: w.Days.First.Add(-2 * day), Until: w.Days.Last.Add(3 * day)}
}

// faults reports what is wrong with w, resolved as p, standing at the pointer.
func (w When) faults(at string, p Period, now time.Time) []problem.Fault {
	from, until := at+"/period/from", at+"/period/until"
	if w.Days != nil {
		from, until = at+"/days/first", at+"/days/last"
	}
	switch {
	case w.Days != nil && w.Days.Last.Before(w.Days.First):
		return []problem.Fault{{Pointer: until, Detail: "must not be before first"}}
	case w.Days != nil && !p.From.Before(p.Until): // begins now, and now is after the last closing
		return []problem.Fault{{Pointer: from, Detail: "the garage has closed for that day; begin later"}}
	case !p.From.Before(p.Until):
		return []problem.Fault{{Pointer: until, Detail: "must be later than from"}}
	case p.From.Before(now.Add(-grace)):
		return []problem.Fault{{Pointer: from, Detail: "lies in the past; begin now or later"}}
	case p.Until.Sub(p.From) > longest:
		return []problem.Fault{{Pointer: until, Detail: fmt.Sprintf("is too late: a tool can be reserved for %d days at most", int(longest/day))}}
	case p.Until.After(now.Add(farthest)):
		return []problem.Fault{{Pointer: until, Detail: fmt.Sprintf("is too far ahead: reserve at most %d days ahead", int(farthest/day))}}
	}
	return nil
}

// ends are those of a period that may lie where it is closed.
type ends struct{ from, until bool }

// closedFaults reports ends of w, resolved as p, at which the place hands nothing
// out or takes nothing back, but for those that may.
func (w When) closedFaults(at string, place *opening.Place, p Period, may ends) []problem.Fault {
	from, until := at+"/period/from", at+"/period/until"
	if w.Days != nil {
		from, until = at+"/days/first", at+"/days/last"
	}
	var faults []problem.Fault
	if !may.from && !place.IsOpen(p.From) {
		detail := fmt.Sprintf("%s hands nothing out %s", place.Name, inWords(p.From, place.Zone))
		if before, ok := place.Last(p.From); ok {
			detail += "; it closes before that " + inWords(before, place.Zone)
		}
		if after, ok := place.Next(p.From); ok {
			detail += "; begin when it opens next, " + inWords(after, place.Zone) + ", or while it is open"
		}
		faults = append(faults, problem.Fault{Pointer: from, Detail: detail})
	}
	if !may.until && !place.TakesBack(p.Until) {
		faults = append(faults, problem.Fault{Pointer: until, Detail: place.NotBack(p.Until)})
	}
	return faults
}

// shut is the fault of days that begin or end on a day on which the place is
// closed.
func (w When) shut(at string, place *opening.Place, closed time.Time) problem.Fault {
	pointer := at + "/days/last"
	if closed.Equal(w.Days.First) {
		pointer = at + "/days/first"
	}
	detail := place.Name + " is closed on " + closed.Format("Mon 2 Jan 2006")
	if opens, ok := place.Next(club.Clock(place.Zone, closed)); ok {
		detail += "; it opens again " + inWords(opens, place.Zone)
	}
	return problem.Fault{Pointer: pointer, Detail: detail}
}
