package opening

import (
	"slices"
	"time"

	"pinwright/internal/club"
)

// Hours are one opening of a weekday, in minutes of the local clock.
type Hours struct {
	Weekday int // ISO 8601: 1 is Monday
	Opens   int
	Closes  int // 1440 is midnight at the end of the day; at or before Opens: on the next day
}

// Days are whole days, both inclusive, as dates at midnight UTC.
type Days struct{ First, Last time.Time }

// Stretch is a half-open stretch of time.
type Stretch struct{ From, Until time.Time }

// Place is a garage, as far as it decides when things are handed out and taken
// back.
type Place struct {
	Name   string
	Zone   *time.Location
	week   [8][]Hours // by weekday
	closed []Days
}

// NewPlace returns the place that is open in hours but on the days that are
// closed.
func NewPlace(name string, zone *time.Location, hours []Hours, closed []Days) *Place {
	p := &Place{Name: name, Zone: zone, closed: closed}
	for _, h := range hours {
		p.week[h.Weekday] = append(p.week[h.Weekday], h)
	}
	return p
}

// EveryDay are the hours of a garage that opens alike on all days.
func EveryDay(opens, closes int) []Hours {
	out := make([]Hours, 7)
	for i := range out {
		out[i] = Hours{Weekday: i + 1, Opens: opens, Closes: closes}
	}
	return out
}

const day = 24 * time.Hour

// DateOf is the date that the place's clock shows at t, at midnight UTC.
func (p *Place) DateOf(t time.Time) time.Time { return dateIn(p.Zone, t) }

func dateIn(zone *time.Location, t time.Time) time.Time {
	local := t.In(zone)
	return time.Date(local.Year(), local.Month(), local.Day(), 0, 0, 0, 0, time.UTC)
}

// EndOf is the moment at which the date is over by the place's clock.
func (p *Place) EndOf(date time.Time) time.Time { return club.Clock(p.Zone, date.AddDate(0, 0, 1)) }

// hoursOf are the openings that begin on date, whatever is closed. Where the
// clock skips the opening there may be nothing left of one.
func (p *Place) hoursOf(date time.Time) []Stretch {
	var out []Stretch
	weekday := int(date.Weekday()+6)%7 + 1
	for _, h := range p.week[weekday] {
		closes := h.Closes
		if closes <= h.Opens {
			closes += 24 * 60
		}
		s := Stretch{club.Clock(p.Zone, date.Add(time.Duration(h.Opens)*time.Minute)), club.Clock(p.Zone, date.Add(time.Duration(closes)*time.Minute))}
		if s.From.Before(s.Until) {
			out = append(out, s)
		}
	}
	return out
}

// merged sorts stretches and joins those that touch or overlap.
func merged(list []Stretch) []Stretch {
	slices.SortFunc(list, func(a, b Stretch) int { return a.From.Compare(b.From) })
	var out []Stretch
	for _, s := range list {
		if n := len(out); n > 0 && !s.From.After(out[n-1].Until) {
			if s.Until.After(out[n-1].Until) {
				out[n-1].Until = s.Until
			}
			continue
		}
		out = append(out, s)
	}
	return out
}

// without takes the closed days out of list.
func (p *Place) without(list []Stretch) []Stretch {
	for _, c := range p.closed {
		shut := Stretch{club.Clock(p.Zone, c.First), p.EndOf(c.Last)}
		var left []Stretch
		for _, s := range list {
			if !s.From.Before(shut.Until) || !shut.From.Before(s.Until) {
				left = append(left, s)
				continue
			}
			if s.From.Before(shut.From) {
				left = append(left, Stretch{s.From, shut.From})
			}
			if shut.Until.Before(s.Until) {
				left = append(left, Stretch{shut.Until, s.Until})
			}
		}
		list = left
	}
	return list
}

// Within are the stretches in which the place is open that touch the time from
// one moment to another, whole and in order.
func (p *Place) Within(from, until time.Time) []Stretch {
	var all []Stretch
	// An opening may have begun on the day before, and a day may be skipped.
	for date := p.DateOf(from).AddDate(0, 0, -2); !date.After(p.DateOf(until)); date = date.AddDate(0, 0, 1) {
		all = append(all, p.hoursOf(date)...)
	}
	return slices.DeleteFunc(p.without(merged(all)), func(s Stretch) bool { return s.Until.Before(from) || s.From.After(until) })
}

// IsOpen reports whether things are handed out at t.
func (p *Place) IsOpen(t time.Time) bool {
	return slices.ContainsFunc(p.Within(t, t), func(s Stretch) bool { return !t.Before(s.From) && t.Before(s.Until) })
}

// TakesBack reports whether things are taken back at t: while the place is open,
// and at the moment at which it closes.
func (p *Place) TakesBack(t time.Time) bool { return len(p.Within(t, t)) > 0 }

// How far an opening is looked for, and how many days of it at a time.
const (
	reach = 490 // days: as far ahead as a period may lie, and as long
	pace  = 14
)

// Next is the first moment at or after t at which things are handed out; false
// when there is none within reach.
func (p *Place) Next(t time.Time) (time.Time, bool) {
	for n := 0; n < reach; n += pace {
		for _, s := range p.Within(t.Add(time.Duration(n)*day), t.Add(time.Duration(n+pace)*day)) {
			if s.Until.After(t) {
				return later(s.From, t), true
			}
		}
	}
	return time.Time{}, false
}

// Last is the last moment at or before t at which things are taken back; false
// when there is none within reach.
func (p *Place) Last(t time.Time) (time.Time, bool) {
	for n := 0; n < reach; n += pace {
		list := p.Within(t.Add(-time.Duration(n+pace)*day), t.Add(-time.Duration(n)*day))
		for _, s := range slices.Backward(list) {
			if !s.From.After(t) {
				if s.Until.After(t) {
					return t, true
				}
				return s.Until, true
			}
		}
	}
	return time.Time{}, false
}

// NextReturn is the first moment at or after t at which things are taken back.
func (p *Place) NextReturn(t time.Time) (time.Time, bool) {
	if p.TakesBack(t) {
		return t, true
	}
	return p.Next(t)
}

// InWords tells a moment by the place's clock.
func (p *Place) InWords(t time.Time) string {
	return t.In(p.Zone).Format("Mon 2 Jan 2006 15:04") + " (" + p.Zone.String() + ")"
}

// NotBack says that things are not taken back at t, and when nearest to it they
// are.
func (p *Place) NotBack(t time.Time) string {
	detail := p.Name + " takes nothing back " + p.InWords(t)
	if before, ok := p.Last(t); ok {
		detail += "; end it when it closes before that, " + p.InWords(before)
	}
	if after, ok := p.NextReturn(t); ok {
		detail += "; or when it opens next, " + p.InWords(after)
	}
	return detail
}

// Closing is the last moment at which things are taken back in the openings that
// begin on date or, where there are none, on the first day after it that has some;
// false when there is none within reach.
func (p *Place) Closing(date time.Time) (time.Time, bool) {
	for n := range reach {
		if list := p.On(date.AddDate(0, 0, n)); len(list) > 0 {
			return list[len(list)-1].Until, true
		}
	}
	return time.Time{}, false
}

// On are the openings that begin on date, without what is closed; none on a day on
// which nothing is handed out.
func (p *Place) On(date time.Time) []Stretch { return p.without(merged(p.hoursOf(date))) }

// Resolve is the stretch from the first opening of d's first day until the last
// closing of its last. Where there is none it returns the day that is closed.
func (p *Place) Resolve(d Days) (s Stretch, closed *time.Time) {
	first, last := p.On(d.First), p.On(d.Last)
	switch {
	case len(first) == 0:
		return s, &d.First
	case len(last) == 0:
		return s, &d.Last
	}
	return Stretch{first[0].From, last[len(last)-1].Until}, nil
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}
