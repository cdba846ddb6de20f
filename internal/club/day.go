package club

import "time"

// Clock is the moment at which zone's clock shows what shown shows in UTC. A
// time that the clock skips is read with the offset before the gap, and of a time
// that it shows twice the first is meant (RFC 5545, 3.3.5). The database's
// day_begins is the same for midnights.
func Clock(zone *time.Location, shown time.Time) time.Time {
	offset := func(at time.Time) time.Duration {
		_, seconds := at.In(zone).Zone()
		return time.Duration(seconds) * time.Second
	}
	const day = 24 * time.Hour // no zone has ever moved its clock twice within two of them
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

// DayBegins is the first moment of a day, given as its date at midnight UTC,
// where the clock is zone's.
func DayBegins(zone *time.Location, day time.Time) time.Time {
	return Clock(zone, time.Date(day.Year(), day.Month(), day.Day(), 0, 0, 0, 0, time.UTC))
}
