package loan

import (
	"fmt"
	"time"

	"pinwright/internal/club"
	"pinwright/internal/lending"
	"pinwright/internal/opening"
)

// walkIn decides for how long a tool goes out that the member has not reserved:
// as long as the rules or the request say, shortened to what hurts nobody.
func (o *HandoutOrder) walkIn(g *going, who person, at time.Time, done *Handed) []RefusedTool {
	var refused []RefusedTool
	t, rules := g.tool, o.roads.rules()
	no := func(code, format string, args ...any) {
		refused = append(refused, RefusedTool{Tool: t.Number, Code: code, Detail: t.Number + " " + fmt.Sprintf(format, args...)})
	}
	worth := t.ValueMinor != nil && rules.ApprovalFromMinor != nil && *t.ValueMinor >= *rules.ApprovalFromMinor
	if (worth || t.ApprovalNeeded) && who.ID == o.by.ID && !o.by.Officer {
		no("approval_needed", "needs an approval, which nobody but an officer gives to themselves. Let another tool keeper hand it out.")
	}
	if now := o.inTheWay(g, lending.Period{From: at, Until: at.Add(time.Microsecond)}); len(now) > 0 {
		return append(refused, promisedUntil(t, now[0]))
	}
	place := o.roads.table.Place(t.place())
	wanted := o.wanted(t, at, place)
	if place != nil && !o.onward && o.h.Until != nil && !place.TakesBack(wanted) {
		no("closed", "cannot be lent until then: %s.", place.NotBack(wanted))
		return refused
	}
	until, why := wanted, ""
	if longest := at.Add(time.Duration(rules.LongestLoanDays) * day); until.After(longest) {
		until, why = longest, fmt.Sprintf("the club lends for %d days at most", rules.LongestLoanDays)
	}
	if who.isGuestBefore(until) {
		until, why = who.GuestUntil.UTC(), "the guest's stay ends then"
		if until.Before(at.Add(shortest)) {
			no("guest_expired", "is not lent to a guest whose stay ends %s. Let the host extend the stay, or borrow it themselves.", t.clock(until))
			return refused
		}
	}
	if t.CertificateNeeded {
		last := o.lastSkilledDay(t)
		switch {
		case last == nil:
			no("not_certified", "needs a certificate for %s. Record one, or let somebody else borrow it.", t.ModelCode)
			return refused
		case skilled(o.skills.Items, t, until) == nil:
			until, why = midnight(t, last.AddDate(0, 0, 1)), "the certificate ends then"
		}
	}
	if g.presented.DespiteCalibration == "" && !t.holdsBeyond(until) {
		until, why = *t.holdsUntil(), "its calibration holds until then"
		if until.Before(at.Add(shortest)) {
			no("calibration_due", "goes out with a calibration that holds, and it held until %s. Calibrate it first, or say in `despite_calibration` why it goes out all the same.", t.clock(until))
			return refused
		}
	}
	behind := o.roads.behind(t, t.place())
	for _, b := range o.inTheWay(g, lending.Period{From: at, Until: until.Add(behind)}) {
		if latest := b.HeldFrom.Add(-behind).UTC(); latest.Before(until) {
			until, why = latest, "it is promised afterwards"
			if until.Before(at.Add(shortest)) {
				return append(refused, promisedUntil(t, b))
			}
		}
	}
	if last := lastReturn(place, until); last.Before(until) && until.Before(wanted) {
		if until, why = last, why+", and "+place.Name+" closes before"; until.Before(at.Add(shortest)) {
			no("closed", "can be brought back too early only, %s: %s.", t.clock(until), why)
			return refused
		}
	}
	if until.Before(at.Add(shortest)) && wanted.After(until) {
		no("not_certified", "may be used for less than an hour: %s.", why)
		return refused
	}
	if until.Before(wanted) {
		done.Shortened = append(done.Shortened, fmt.Sprintf("%s is lent until %s only: %s.", t.Number, t.clock(until), why))
	}
	g.wanted = wanted
	g.period = lending.Period{From: at, Until: kept(until)}
	g.held = lending.Period{From: at, Until: kept(until.Add(behind))}
	g.before, g.heldAs = g.period, g.held
	return refused
}

// wanted is until when it goes out if nothing is in the way: when none is said,
// until its place closes so many days later or, where it is closed then, when it
// closes next.
func (o *HandoutOrder) wanted(t *item, at time.Time, place *opening.Place) time.Time {
	if o.h.Until != nil {
		return kept(*o.h.Until)
	}
	days := o.h.Days
	if days == 0 {
		days = o.roads.rules().WalkInDays
	}
	if place != nil {
		if closes, ok := place.Closing(place.DateOf(at).AddDate(0, 0, days)); ok {
			return kept(closes)
		}
	}
	return kept(at.Add(time.Duration(days) * day))
}

// lastReturn is until when a tool that may be out until then can be brought back:
// then, or when the place closes before. A place that never opens holds to nothing.
func lastReturn(place *opening.Place, until time.Time) time.Time {
	if place == nil {
		return until
	}
	if last, ok := place.Last(until); ok {
		return last.UTC()
	}
	return until
}

// holdsUntil is until when i's calibration holds: the end of the day on which it
// is due, by the clock at its home; nil where it has none.
func (i *item) holdsUntil() *time.Time {
	if i.CalibrationDueOn == nil {
		return nil
	}
	return pointerTo(midnight(i, i.CalibrationDueOn.AddDate(0, 0, 1)))
}

// holdsBeyond reports whether i's calibration, where it has one, holds until then.
func (i *item) holdsBeyond(until time.Time) bool {
	holds := i.holdsUntil()
	return holds == nil || !until.After(*holds)
}

func midnight(t *item, day time.Time) time.Time {
	return club.DayBegins(t.zone, day).UTC()
}

// lastSkilledDay is the last day on which the member may use t; nil when none. A
// certificate that does not end lasts beyond any loan.
func (o *HandoutOrder) lastSkilledDay(t *item) *time.Time {
	var last *time.Time
	for _, s := range o.skills.Items {
		if s.ModelID != t.ModelID {
			continue
		}
		on := s.ExpiresOn
		if on == nil {
			far := time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC)
			on = &far
		}
		if last == nil || on.After(*last) {
			last = on
		}
	}
	return last
}
