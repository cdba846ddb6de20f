package waiting

import (
	"slices"
	"time"

	"pinwright/internal/lending"
	"pinwright/internal/opening"
	"pinwright/internal/postgres"
)

// times are the times to try, the earliest first: in each free stretch the first
// one, and one a day later and so on, since a rule may refuse the first. None overlaps
// a time that was offered before, or for which the member has one of the tools. Without
// any it says why.
func (e Entry) times(window lending.Period, free *lending.Free, around circumstances) ([]lending.Period, hindrance) {
	none := hindrance{nothingFree, free.Summary()}
	before, own := overlapping(around.before), overlapping(around.own)
	var out []lending.Period
	for _, stretch := range free.Periods() {
		clock := e.clockOf(stretch, around)
		for at := stretch.From; len(out) < starts; {
			p, found := clock(at)
			if !found || p.Until.After(stretch.Until) || p.Until.After(window.Until) {
				break
			}
			if end, hit := before(p); hit {
				none, at = hindrance{declinedAll, "Each time that is free was offered and not taken, or overlaps one that was."}, end
				continue
			}
			if end, hit := own(p); hit {
				none, at = hindrance{hasAlready, "The member has one of these tools at each time that is free."}, end
				continue
			}
			out = append(out, p)
			if e.Days != nil {
				at = p.From.Add(time.Minute)
			} else {
				at = p.From.Add(24 * time.Hour)
			}
		}
	}
	slices.SortStableFunc(out, func(a, b lending.Period) int { return a.From.Compare(b.From) })
	return out, none
}

// overlapping finds whether a period overlaps one of rows, and when that is over.
func overlapping(rows *postgres.Rows[stretch]) func(p lending.Period) (time.Time, bool) {
	return func(p lending.Period) (time.Time, bool) {
		for _, s := range rows.Items {
			if a := s.period(); p.From.Before(a.Until) && a.From.Before(p.Until) {
				return a.Until, true
			}
		}
		return time.Time{}, false
	}
}

// clockOf finds the first period of e's duration that begins at a moment or
// later and at both ends of which all garages are open that tools of the stretch
// live in.
func (e Entry) clockOf(stretch lending.FreePeriod, around circumstances) func(at time.Time) (lending.Period, bool) {
	var places []*opening.Place
	for _, h := range around.homes.Items {
		if p := around.table.Place(h.GarageID); p != nil && slices.Contains(stretch.Tools, h.Number) && !slices.Contains(places, p) {
			places = append(places, p)
		}
	}
	all := func(at time.Time, next func(p *opening.Place, at time.Time) (time.Time, bool)) (time.Time, bool) {
		for agreed := false; !agreed; {
			agreed = true
			for _, p := range places {
				then, found := next(p, at)
				if !found || then.After(stretch.Until) {
					return at, false
				}
				if !then.Equal(at) {
					at, agreed = then, false
				}
			}
		}
		return at, true
	}
	open := func(at time.Time) bool {
		return !slices.ContainsFunc(places, func(p *opening.Place) bool { return !p.IsOpen(at) })
	}
	if e.Days != nil {
		return func(at time.Time) (lending.Period, bool) { return e.wholeDays(places, at, stretch.Until) }
	}
	lasting := func(from time.Time) (lending.Period, bool) {
		until, found := all(from.Add(e.Duration()), (*opening.Place).NextReturn)
		return lending.Period{From: from, Until: until}, found
	}
	return func(at time.Time) (lending.Period, bool) {
		if next := at.Truncate(15 * time.Minute).Add(15 * time.Minute); next.Sub(at) < 15*time.Minute && open(next) { // so that times read well
			if p, found := lasting(next); found && !p.Until.After(stretch.Until) {
				return p, true
			}
		}
		if at.Equal(stretch.From) { // of several garages fewer may be open than are asked here
			return lending.Period{From: at, Until: stretch.Ends}, true
		}
		from, found := all(at, (*opening.Place).Next)
		if !found {
			return lending.Period{}, false
		}
		return lasting(from)
	}
}

// wholeDays is e's duration from opening on the first day until closing on the
// last, beginning at a moment or later.
func (e Entry) wholeDays(places []*opening.Place, at, until time.Time) (lending.Period, bool) {
	if len(places) == 0 {
		return lending.Period{}, false
	}
	for day := places[0].DateOf(at); ; day = day.AddDate(0, 0, 1) {
		var p lending.Period
		isOpen := true
		for i, place := range places {
			s, closed := place.Resolve(opening.Days{First: day, Last: day.AddDate(0, 0, *e.Days-1)})
			if closed != nil {
				isOpen = false
				break
			}
			if i == 0 || s.From.After(p.From) {
				p.From = s.From.UTC()
			}
			if i == 0 || s.Until.Before(p.Until) {
				p.Until = s.Until.UTC()
			}
		}
		switch {
		case day.After(until):
			return p, false
		case isOpen && !p.From.Before(at) && p.From.Before(p.Until):
			return p, true
		}
	}
}
