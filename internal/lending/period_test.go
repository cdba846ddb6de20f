package lending

import (
	"strings"
	"testing"
	"time"

	"pinwright/internal/opening"
)

func mustZone(t testing.TB, name string) *time.Location {
	t.Helper()
	zone, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return zone
}

func mustTime(t testing.TB, text string) time.Time {
	t.Helper()
	at, err := time.Parse(time.RFC3339, text)
	if err != nil {
		t.Fatal(err)
	}
	return at
}

func mustDate(t testing.TB, text string) time.Time {
	t.Helper()
	at, err := time.Parse(time.DateOnly, text)
	if err != nil {
		t.Fatal(err)
	}
	return at
}

// The days on which the clocks change are those of the rules: in the European
// Union the last Sundays of March and October, at 01:00 UTC (Directive 2000/84/EC,
// articles 2 and 3); in Nova Scotia the second Sunday of March and the first of
// November, at 02:00 local time (Time Definition Act of Nova Scotia, as from 2007).
// The offsets in the wanted times follow from them.
func TestDaysAcrossAChangeOfTheClock(t *testing.T) {
	t.Parallel()
	const usual = "08:00-20:00"
	for _, row := range []struct{ name, zone, hours, first, last, from, until string }{
		{"a summer day in Lisbon", "Europe/Lisbon", usual, "2026-07-04", "2026-07-04", "2026-07-04T08:00:00+01:00", "2026-07-04T20:00:00+01:00"},
		{"a winter day in Lisbon", "Europe/Lisbon", usual, "2026-01-04", "2026-01-04", "2026-01-04T08:00:00Z", "2026-01-04T20:00:00Z"},
		{"Lisbon springs forward in 2026", "Europe/Lisbon", usual, "2026-03-28", "2026-03-29", "2026-03-28T08:00:00Z", "2026-03-29T20:00:00+01:00"},
		{"Lisbon springs forward in 2027", "Europe/Lisbon", usual, "2027-03-27", "2027-03-28", "2027-03-27T08:00:00Z", "2027-03-28T20:00:00+01:00"},
		{"Lisbon falls back in 2026", "Europe/Lisbon", usual, "2026-10-24", "2026-10-25", "2026-10-24T08:00:00+01:00", "2026-10-25T20:00:00Z"},
		{"Lisbon falls back in 2027", "Europe/Lisbon", usual, "2027-10-30", "2027-10-31", "2027-10-30T08:00:00+01:00", "2027-10-31T20:00:00Z"},
		{"Halifax springs forward in 2026", "America/Halifax", usual, "2026-03-07", "2026-03-08", "2026-03-07T08:00:00-04:00", "2026-03-08T20:00:00-03:00"},
		{"Halifax springs forward in 2027", "America/Halifax", usual, "2027-03-13", "2027-03-14", "2027-03-13T08:00:00-04:00", "2027-03-14T20:00:00-03:00"},
		{"Halifax falls back in 2026", "America/Halifax", usual, "2026-10-31", "2026-11-01", "2026-10-31T08:00:00-03:00", "2026-11-01T20:00:00-04:00"},
		{"Halifax falls back in 2027", "America/Halifax", usual, "2027-11-06", "2027-11-07", "2027-11-06T08:00:00-03:00", "2027-11-07T20:00:00-04:00"},
		{"a whole day of 23 hours", "Europe/Lisbon", "00:00-24:00", "2026-03-29", "2026-03-29", "2026-03-29T00:00:00Z", "2026-03-30T00:00:00+01:00"},
		{"a whole day of 25 hours", "Europe/Lisbon", "00:00-24:00", "2026-10-25", "2026-10-25", "2026-10-25T00:00:00+01:00", "2026-10-26T00:00:00Z"},
		{"opening in the hour that the clock skips, with the offset before it", "Europe/Lisbon", "01:30-20:00", "2027-03-28", "2027-03-28", "2027-03-28T01:30:00Z", "2027-03-28T20:00:00+01:00"},
		{"opening in the hour that the clock shows twice, the first time", "America/Halifax", "01:30-20:00", "2027-11-07", "2027-11-07", "2027-11-07T01:30:00-03:00", "2027-11-07T20:00:00-04:00"},
	} {
		t.Run(row.name, func(t *testing.T) {
			t.Parallel()
			opens, closes, _ := strings.Cut(row.hours, "-")
			p := opening.NewPlace("Yard", mustZone(t, row.zone), opening.EveryDay(minutes(opens), minutes(closes)), nil)
			when := When{Days: &Days{First: mustDate(t, row.first), Last: mustDate(t, row.last)}}
			got, _ := when.resolve(p, 0, mustTime(t, "2025-12-01T00:00:00Z"))
			if want := (Period{From: mustTime(t, row.from), Until: mustTime(t, row.until)}).kept(); got != want {
				t.Errorf("got %s until %s, want %s until %s", got.From, got.Until, want.From, want.Until)
			}
		})
	}
}

func minutes(clock string) int {
	return int(clock[0]-'0')*600 + int(clock[1]-'0')*60 + int(clock[3]-'0')*10 + int(clock[4]-'0')
}

func TestMovedByDaysTheClockShowsTheSame(t *testing.T) {
	t.Parallel()
	lisbon := opening.NewPlace("Yard", mustZone(t, "Europe/Lisbon"), nil, nil)
	when := When{Period: &Period{From: mustTime(t, "2026-03-27T18:00:00Z"), Until: mustTime(t, "2026-03-28T09:00:00Z")}}
	got, _ := when.resolve(lisbon, 1, time.Time{})
	if want := (Period{From: mustTime(t, "2026-03-28T18:00:00Z"), Until: mustTime(t, "2026-03-29T09:00:00+01:00")}).kept(); got != want {
		t.Errorf("got %v, want %v", got, want)
	}
	when.Period.Until = mustTime(t, "2026-03-28T01:30:00Z") // a day later the clock skips 01:30
	got, _ = when.resolve(lisbon, 1, time.Time{})
	if want := mustTime(t, "2026-03-29T01:30:00Z"); !got.Until.Equal(want) {
		t.Errorf("got %s, want %s", got.Until, want)
	}
}

func TestDaysThatBeginTodayBeginNow(t *testing.T) {
	t.Parallel()
	p := opening.NewPlace("Yard", mustZone(t, "America/Halifax"), opening.EveryDay(8*60, 20*60), nil)
	today := When{Days: &Days{First: mustDate(t, "2026-06-10"), Last: mustDate(t, "2026-06-11")}}
	for _, row := range []struct{ name, now, from, pointer string }{
		{"before it opens", "2026-06-10T09:00:00Z", "2026-06-10T11:00:00Z", ""},
		{"while it is open", "2026-06-10T15:30:00Z", "2026-06-10T15:30:00Z", ""},
		{"late, when UTC has the next day", "2026-06-11T01:00:00Z", "2026-06-11T01:00:00Z", "/days/first"}, // it has closed
		{"the day after", "2026-06-11T15:00:00Z", "2026-06-10T11:00:00Z", "/days/first"},
		{"when all is over", "2026-06-12T15:00:00Z", "2026-06-10T11:00:00Z", "/days/first"},
	} {
		now := mustTime(t, row.now)
		got, _ := today.resolve(p, 0, now)
		if want := mustTime(t, row.from); !got.From.Equal(want) {
			t.Errorf("%s: begins %s, want %s", row.name, got.From, want)
		}
		pointer := ""
		if faults := append(today.faults("", got, now), today.closedFaults("", p, got, ends{})...); len(faults) > 0 {
			pointer = faults[0].Pointer
		}
		if pointer != row.pointer {
			t.Errorf("%s: fault at %q, want %q", row.name, pointer, row.pointer)
		}
	}
	closed := When{Days: &Days{First: mustDate(t, "2026-06-10"), Last: mustDate(t, "2026-06-10")}}
	now := mustTime(t, "2026-06-10T23:30:00Z")
	over, _ := closed.resolve(p, 0, now)
	if faults := closed.faults("", over, now); len(faults) != 1 || faults[0].Pointer != "/days/first" {
		t.Errorf("a day that is over gets %v", faults)
	}
}

func TestPeriodsBeginAndEndInOpeningHours(t *testing.T) {
	t.Parallel()
	lisbon := mustZone(t, "Europe/Lisbon")
	// Closed on Sundays, twice open on Wednesdays, and closed from 10 until 12 June 2026 (a Wednesday to a Friday).
	hours := []opening.Hours{{Weekday: 1, Opens: 480, Closes: 1200}, {Weekday: 2, Opens: 480, Closes: 1200}, {Weekday: 3, Opens: 480, Closes: 720}, {Weekday: 3, Opens: 840, Closes: 1200},
		{Weekday: 4, Opens: 480, Closes: 1200}, {Weekday: 5, Opens: 480, Closes: 1200}, {Weekday: 6, Opens: 1080, Closes: 60}}
	p := opening.NewPlace("Yard", lisbon, hours, []opening.Days{{First: mustDate(t, "2026-06-10"), Last: mustDate(t, "2026-06-12")}})
	for _, row := range []struct{ name, from, until, pointers, words string }{
		{"from opening until closing", "2026-06-03T08:00:00+01:00", "2026-06-03T20:00:00+01:00", "", ""},
		{"brought back at the moment of closing", "2026-06-03T09:00:00+01:00", "2026-06-03T12:00:00+01:00", "", ""},
		{"collected at the moment of closing", "2026-06-03T12:00:00+01:00", "2026-06-03T15:00:00+01:00", "/period/from", "Wed 3 Jun 2026 14:00"},
		{"brought back between two openings", "2026-06-03T09:00:00+01:00", "2026-06-03T13:00:00+01:00", "/period/until", "Wed 3 Jun 2026 12:00"},
		{"both in the night", "2026-06-03T03:00:00+01:00", "2026-06-04T23:00:00+01:00", "/period/from /period/until", "Wed 3 Jun 2026 08:00"},
		{"out over closed days", "2026-06-09T09:00:00+01:00", "2026-06-13T19:00:00+01:00", "", ""},
		{"on a closed day", "2026-06-10T09:00:00+01:00", "2026-06-13T19:00:00+01:00", "/period/from", "Sat 13 Jun 2026 18:00"},
		{"past midnight, of hours that began the day before", "2026-06-13T19:00:00+01:00", "2026-06-14T00:30:00+01:00", "", ""},
		{"on a Sunday", "2026-06-13T19:00:00+01:00", "2026-06-14T09:00:00+01:00", "/period/until", "Mon 15 Jun 2026 08:00"},
	} {
		when := When{Period: &Period{From: mustTime(t, row.from), Until: mustTime(t, row.until)}}
		var pointers, words []string
		for _, f := range when.closedFaults("", p, *when.Period, ends{}) {
			pointers, words = append(pointers, f.Pointer), append(words, f.Detail)
		}
		if got := strings.Join(pointers, " "); got != row.pointers || !strings.Contains(strings.Join(words, " "), row.words) {
			t.Errorf("%s: faults at %q, want %q, with %q: %v", row.name, got, row.pointers, row.words, words)
		}
	}
	when := When{Period: &Period{From: mustTime(t, "2026-06-03T03:00:00+01:00"), Until: mustTime(t, "2026-06-04T23:00:00+01:00")}}
	if faults := when.closedFaults("", p, *when.Period, ends{from: true, until: true}); len(faults) != 0 {
		t.Errorf("%v", faults)
	}
	days := When{Days: &Days{First: mustDate(t, "2026-06-09"), Last: mustDate(t, "2026-06-11")}}
	if _, closed := days.resolve(p, 0, mustTime(t, "2026-06-01T00:00:00Z")); closed == nil || days.shut("", p, *closed).Pointer != "/days/last" || !strings.Contains(days.shut("", p, *closed).Detail, "Sat 13 Jun 2026 18:00") {
		t.Errorf("closed: %v", closed)
	}
	days.Days.Last = mustDate(t, "2026-06-13")
	got, closed := days.resolve(p, 0, mustTime(t, "2026-06-01T00:00:00Z"))
	if want := (Period{From: mustTime(t, "2026-06-09T08:00:00+01:00"), Until: mustTime(t, "2026-06-14T01:00:00+01:00")}).kept(); got != want || closed != nil {
		t.Errorf("got %v, want %v", got, want)
	}
}

func TestNextPeriodBeginsAndEndsWhereAllPlacesAreOpen(t *testing.T) {
	t.Parallel()
	yard := opening.NewPlace("Yard", time.UTC, opening.EveryDay(8*60, 12*60), nil)
	mill := opening.NewPlace("Mill", time.UTC, opening.EveryDay(11*60, 20*60), nil)
	night := opening.NewPlace("Night", time.UTC, opening.EveryDay(22*60, 23*60), nil)
	got, ok := openPeriod([]*opening.Place{yard, mill}, mustTime(t, "2026-06-01T09:00:00Z"), 2*time.Hour)
	if want := (Period{From: mustTime(t, "2026-06-01T11:00:00Z"), Until: mustTime(t, "2026-06-02T11:00:00Z")}); !ok || !got.From.Equal(want.From) || !got.Until.Equal(want.Until) {
		t.Errorf("got %v, want %v", got, want)
	}
	if got, ok := openPeriod([]*opening.Place{yard, night}, mustTime(t, "2026-06-01T09:00:00Z"), time.Hour); ok {
		t.Errorf("never open together, but %v", got)
	}
}
