package whereabouts_test

import (
	"math"
	"testing"
	"time"

	"pinwright/internal/whereabouts"
)

// Days are equally wide where time is drawn, also those of 23 and 25 hours: the
// last Sundays of March and October in Lisbon (Directive 2000/84/EC).
func TestPositionCountsDaysOfTheClock(t *testing.T) {
	t.Parallel()
	zone, err := time.LoadLocation("Europe/Lisbon")
	if err != nil {
		t.Fatal(err)
	}
	zero := time.Date(2027, 3, 27, 0, 0, 0, 0, time.UTC)
	for moment, want := range map[string]float64{
		"2027-03-27T00:00:00Z":      0,
		"2027-03-27T12:00:00Z":      0.5,
		"2027-03-28T00:00:00Z":      1,
		"2027-03-28T11:30:00Z":      1.5, // of 23 hours
		"2027-03-28T23:00:00Z":      2,
		"2027-10-30T23:00:00Z":      218,
		"2027-10-31T11:30:00Z":      218.5, // of 25 hours
		"2027-11-01T00:00:00Z":      219,
		"2027-03-25T18:00:00-01:00": -1.2083333333, // 19:00 the day before the day before
	} {
		at, err := time.Parse(time.RFC3339, moment)
		if err != nil {
			t.Fatal(err)
		}
		if got := whereabouts.Position(at, zone, zero); math.Abs(got-want) > 1e-9 {
			t.Errorf("%s is %v days on, want %v", moment, got, want)
		}
	}
}
