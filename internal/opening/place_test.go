package opening_test

import (
	"strings"
	"testing"
	"time"

	"pinwright/internal/opening"
	"pinwright/internal/pgtest"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

func zone(t testing.TB, name string) *time.Location {
	t.Helper()
	z, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return z
}

func date(t testing.TB, text string) time.Time {
	t.Helper()
	d, err := time.Parse(time.DateOnly, text)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func moment(t testing.TB, text string) time.Time {
	t.Helper()
	at, err := time.Parse(time.RFC3339, text)
	if err != nil {
		t.Fatal(err)
	}
	return at
}

// hours reads "1 08:00-12:00, 6 20:00-02:00".
func hours(t testing.TB, text string) []opening.Hours {
	t.Helper()
	minutes := func(clock string) int {
		at, err := time.Parse("15:04", clock)
		if clock == "24:00" {
			return 24 * 60
		}
		if err != nil {
			t.Fatal(err)
		}
		return at.Hour()*60 + at.Minute()
	}
	var out []opening.Hours
	for part := range strings.SplitSeq(text, ", ") {
		opens, closes, _ := strings.Cut(part[2:], "-")
		out = append(out, opening.Hours{Weekday: int(part[0] - '0'), Opens: minutes(opens), Closes: minutes(closes)})
	}
	return out
}

// The days on which the clocks change are those of the rules: in the European
// Union the last Sundays of March and October, at 01:00 UTC (Directive 2000/84/EC,
// articles 2 and 3); in Nova Scotia the second Sunday of March and the first of
// November, at 02:00 local time (Time Definition Act of Nova Scotia, as from 2007);
// on Lord Howe Island the first Sundays of October and April, at 02:00, by half an
// hour (Standard Time Act 1987 of New South Wales and its regulation; IANA time zone
// database, file australasia). The offsets in the wanted times follow from them;
// which of two readings of a time is meant is RFC 5545, 3.3.5; leap days are those
// of the Gregorian calendar (ISO 8601-1:2019, 4.2.1).
func TestDaysResolveToTheFirstOpeningAndTheLastClosing(t *testing.T) {
	t.Parallel()
	const (
		usual   = "1 08:00-20:00, 2 08:00-20:00, 3 08:00-20:00, 4 08:00-20:00, 5 08:00-20:00, 6 08:00-20:00, 7 08:00-20:00"
		split   = "2 08:00-12:00, 2 14:00-18:30, 4 08:00-12:00, 4 14:00-18:30"
		evening = "5 20:00-02:00, 6 20:00-02:00, 7 00:30-03:00"
		lisbon  = "Europe/Lisbon"
		halifax = "America/Halifax"
		howe    = "Australia/Lord_Howe"
	)
	for _, row := range []struct{ name, zone, hours, first, last, from, until string }{
		{"two openings a day", lisbon, split, "2026-06-02", "2026-06-04", "2026-06-02T08:00:00+01:00", "2026-06-04T18:30:00+01:00"},
		{"two openings a day elsewhere", halifax, split, "2026-06-02", "2026-06-04", "2026-06-02T08:00:00-03:00", "2026-06-04T18:30:00-03:00"},
		{"over midnight", lisbon, evening, "2026-06-05", "2026-06-06", "2026-06-05T20:00:00+01:00", "2026-06-07T02:00:00+01:00"},
		{"over the midnight before the clocks spring forward, an hour shorter", lisbon, evening, "2027-03-27", "2027-03-27", "2027-03-27T20:00:00Z", "2027-03-28T02:00:00+01:00"},
		{"over the midnight before the clocks fall back, an hour longer", lisbon, evening, "2026-10-24", "2026-10-24", "2026-10-24T20:00:00+01:00", "2026-10-25T02:00:00Z"},
		{"Lisbon springs forward", lisbon, usual, "2026-03-28", "2026-03-29", "2026-03-28T08:00:00Z", "2026-03-29T20:00:00+01:00"},
		{"Lisbon falls back", lisbon, usual, "2027-10-30", "2027-10-31", "2027-10-30T08:00:00+01:00", "2027-10-31T20:00:00Z"},
		{"Halifax springs forward", halifax, usual, "2027-03-13", "2027-03-14", "2027-03-13T08:00:00-04:00", "2027-03-14T20:00:00-03:00"},
		{"Halifax falls back", halifax, usual, "2026-10-31", "2026-11-01", "2026-10-31T08:00:00-03:00", "2026-11-01T20:00:00-04:00"},
		{"opening in the hour that the clock skips, with the offset before it", lisbon, "7 01:30-20:00", "2027-03-28", "2027-03-28", "2027-03-28T01:30:00Z", "2027-03-28T20:00:00+01:00"},
		{"opening in the hour that is shown twice, the first time", halifax, "7 01:30-20:00", "2026-11-01", "2026-11-01", "2026-11-01T01:30:00-03:00", "2026-11-01T20:00:00-04:00"},
		{"closing in the hour that is shown twice, the first time", halifax, "7 00:00-01:30", "2026-11-01", "2026-11-01", "2026-11-01T00:00:00-03:00", "2026-11-01T01:30:00-03:00"},
		{"half an hour forward", howe, usual, "2026-10-03", "2026-10-04", "2026-10-03T08:00:00+10:30", "2026-10-04T20:00:00+11:00"},
		{"half an hour back", howe, usual, "2027-04-03", "2027-04-04", "2027-04-03T08:00:00+11:00", "2027-04-04T20:00:00+10:30"},
		{"in the half hour that is skipped", howe, "7 02:15-20:00", "2026-10-04", "2026-10-04", "2026-10-04T02:15:00+10:30", "2026-10-04T20:00:00+11:00"},
		{"from a leap day", lisbon, "2 09:00-12:00", "2028-02-29", "2028-02-29", "2028-02-29T09:00:00Z", "2028-02-29T12:00:00Z"}, // a Tuesday
		{"over a leap day", halifax, usual, "2028-02-28", "2028-03-01", "2028-02-28T08:00:00-04:00", "2028-03-01T20:00:00-04:00"},
		{"until midnight", lisbon, "3 00:00-24:00", "2026-06-03", "2026-06-03", "2026-06-03T00:00:00+01:00", "2026-06-04T00:00:00+01:00"},
		{"a day and a night", lisbon, "3 09:00-09:00", "2026-06-03", "2026-06-03", "2026-06-03T09:00:00+01:00", "2026-06-04T09:00:00+01:00"},
	} {
		t.Run(row.name, func(t *testing.T) {
			t.Parallel()
			p := opening.NewPlace("Yard", zone(t, row.zone), hours(t, row.hours), nil)
			got, closed := p.Resolve(opening.Days{First: date(t, row.first), Last: date(t, row.last)})
			if closed != nil {
				t.Fatalf("closed on %s", closed)
			}
			if want := (opening.Stretch{From: moment(t, row.from), Until: moment(t, row.until)}); !got.From.Equal(want.From) || !got.Until.Equal(want.Until) {
				t.Errorf("got %s until %s, want %s until %s", got.From, got.Until, want.From, want.Until)
			}
		})
	}
}

func TestClosedDaysAreTold(t *testing.T) {
	t.Parallel()
	p := opening.NewPlace("Yard", zone(t, "Europe/Lisbon"), hours(t, "1 08:00-20:00, 3 08:00-20:00, 5 22:00-02:00"), []opening.Days{
		{First: date(t, "2026-06-03"), Last: date(t, "2026-06-04")}, {First: date(t, "2026-06-13"), Last: date(t, "2026-06-13")}})
	for _, row := range []struct{ name, first, last, closed string }{
		{"a weekday without hours", "2026-06-02", "2026-06-10", "2026-06-02"},
		{"a closed last day", "2026-06-01", "2026-06-03", "2026-06-03"},
		{"over closed days", "2026-06-01", "2026-06-08", ""},
		{"only the night is closed", "2026-06-12", "2026-06-12", ""},
	} {
		_, closed := p.Resolve(opening.Days{First: date(t, row.first), Last: date(t, row.last)})
		got := ""
		if closed != nil {
			got = closed.Format(time.DateOnly)
		}
		if got != row.closed {
			t.Errorf("%s: closed %q, want %q", row.name, got, row.closed)
		}
	}
	night := p.On(date(t, "2026-06-12"))
	if want := moment(t, "2026-06-13T00:00:00+01:00"); len(night) != 1 || !night[0].Until.Equal(want) {
		t.Errorf("a closed day does not end the night before it: %v", night)
	}
}

func TestFirstAndLastMomentsAtWhichAPlaceIsOpen(t *testing.T) {
	t.Parallel()
	p := opening.NewPlace("Yard", zone(t, "Europe/Lisbon"), hours(t, "1 08:00-12:00, 1 14:00-18:00, 5 20:00-02:00"), []opening.Days{
		{First: date(t, "2026-06-08"), Last: date(t, "2026-06-08")}})
	for _, row := range []struct {
		name, at             string
		open, takesBack      bool
		next, last, returned string
	}{
		{"while it is open", "2026-06-01T09:00:00+01:00", true, true, "2026-06-01T09:00:00+01:00", "2026-06-01T09:00:00+01:00", "2026-06-01T09:00:00+01:00"},
		{"as it opens", "2026-06-01T08:00:00+01:00", true, true, "2026-06-01T08:00:00+01:00", "2026-06-01T08:00:00+01:00", "2026-06-01T08:00:00+01:00"},
		{"as it closes for lunch", "2026-06-01T12:00:00+01:00", false, true, "2026-06-01T14:00:00+01:00", "2026-06-01T12:00:00+01:00", "2026-06-01T12:00:00+01:00"},
		{"at lunch", "2026-06-01T13:00:00+01:00", false, false, "2026-06-01T14:00:00+01:00", "2026-06-01T12:00:00+01:00", "2026-06-01T14:00:00+01:00"},
		{"behind midnight", "2026-06-06T01:59:00+01:00", true, true, "2026-06-06T01:59:00+01:00", "2026-06-06T01:59:00+01:00", "2026-06-06T01:59:00+01:00"},
		{"on the Sunday before a closed Monday", "2026-06-07T12:00:00+01:00", false, false, "2026-06-12T20:00:00+01:00", "2026-06-06T02:00:00+01:00", "2026-06-12T20:00:00+01:00"},
	} {
		at := moment(t, row.at)
		next, found := p.Next(at)
		last, foundLast := p.Last(at)
		back, foundBack := p.NextReturn(at)
		if p.IsOpen(at) != row.open || p.TakesBack(at) != row.takesBack || !found || !foundLast || !foundBack ||
			!next.Equal(moment(t, row.next)) || !last.Equal(moment(t, row.last)) || !back.Equal(moment(t, row.returned)) {
			t.Errorf("%s: open %v, takes back %v, next %s, last %s, returned %s", row.name, p.IsOpen(at), p.TakesBack(at), next, last, back)
		}
	}
	never := opening.NewPlace("Yard", time.UTC, hours(t, "1 08:00-12:00"), []opening.Days{{First: date(t, "2026-01-01"), Last: date(t, "2028-12-31")}})
	if at, found := never.Next(moment(t, "2026-06-01T09:00:00Z")); found {
		t.Errorf("a place that is closed for years opens at %s", at)
	}
	if at, found := never.Last(moment(t, "2028-06-01T09:00:00Z")); found {
		t.Errorf("a place that was closed for years took back until %s", at)
	}
	late := opening.NewPlace("Yard", time.UTC, hours(t, "1 08:00-12:00"), []opening.Days{{First: date(t, "2026-01-01"), Last: date(t, "2027-01-31")}})
	if at, found := late.Next(moment(t, "2026-01-01T00:00:00Z")); !found || !at.Equal(moment(t, "2027-02-01T08:00:00Z")) {
		t.Errorf("a place that is closed for a year opens at %s", at)
	}
}
