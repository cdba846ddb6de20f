package lending

import (
	"fmt"
	"time"

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

// place is where a tool lives, as far as it decides when days begin and end.
type place struct {
	zone          *time.Location
	opens, closes int // minutes of the local clock; 1440 is the end of the day
}

// clock is the moment at which the place's clock shows the date of day and the
// minutes. A time that the clock skips is read with the offset before the gap, and
// of a time that it shows twice the first is meant (RFC 5545, 3.3.5).
func (p place) clock(date time.Time, minutes int) time.Time {
	return atClock(p.zone, time.Date(date.Year(), date.Month(), date.Day(), 0, minutes, 0, 0, time.UTC))
}

// atClock is the moment at which zone's clock shows what shown shows in UTC.
func atClock(zone *time.Location, shown time.Time) time.Time {
	offset := func(at time.Time) time.Duration {
		_, seconds := at.In(zone).Zone()
		return time.Duration(seconds) * time.Second
	}
	// No zone has ever moved its clock twice within two days.
	before, after := shown.Add(-offset(shown.Add(-day))), shown.Add(-offset(shown.Add(day)))
	first, second := before, after
	if second.Before(first) {
		first, second = second, first
	}
	for _, t := range []time.Time{first, second} {
		if t.Add(offset(t)).Equal(shown) {
			return t
		}
	}
	return before
}

// laterByDays is the moment so many days after t at the same time of zone's
// clock.
func laterByDays(zone *time.Location, t time.Time, days int) time.Time {
	local := t.In(zone)
	shown := time.Date(local.Year(), local.Month(), local.Day()+days, local.Hour(), local.Minute(), local.Second(), local.Nanosecond(), time.UTC)
	return atClock(zone, shown)
}

// resolve is w at p, moved by shift days at the same time of the clock. When the
// first day is today and the garage has opened, it begins now.
func (w When) resolve(p place, shift int, now time.Time) Period {
	if w.Period != nil {
		if shift == 0 {
			return w.Period.kept()
		}
		return Period{From: laterByDays(p.zone, w.Period.From, shift), Until: laterByDays(p.zone, w.Period.Until, shift)}.kept()
	}
	first, last := w.Days.First.AddDate(0, 0, shift), w.Days.Last.AddDate(0, 0, shift)
	out := Period{From: p.clock(first, p.opens), Until: p.clock(last, p.closes)}
	if out.From.Before(now) && first.Format(time.DateOnly) == now.In(p.zone).Format(time.DateOnly) {
		out.From = now.Truncate(time.Second)
	}
	return out.kept()
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
	case w.Days != nil && !p.From.Before(p.Until):
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
