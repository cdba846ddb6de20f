package club_test

import (
	"testing"
	"time"

	"pinwright/internal/club"
	"pinwright/internal/pgtest"
)

func date(year int) time.Time { return time.Date(year, 1, 1, 0, 0, 0, 0, time.UTC) }

// Days that begin oddly, by the time zone database: midnight skipped (Beirut and
// Cairo go from 00:00 to 01:00, Sao Paulo did, Apia left out a whole day), shown
// twice (Azores go from 01:00 back to 00:00), or not touched.
func TestADayBeginsWithItsFirstMoment(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	for _, name := range db.ZonesOfOneEdition(t, []string{"UTC", "Europe/Lisbon", "Asia/Beirut", "Africa/Cairo", "America/Sao_Paulo", "Atlantic/Azores", "Australia/Lord_Howe", "America/Havana", "Pacific/Apia", "Asia/Kathmandu"}, date(2008), date(2028)) {
		zone, err := time.LoadLocation(name)
		if err != nil {
			t.Fatal(err)
		}
		rows, err := db.Owner.Query(t.Context(), `select d::date::timestamp, day_begins($1, d::date) from generate_series('2008-01-01'::timestamp, '2027-12-31', '1 day') d order by d`, name)
		if err != nil {
			t.Fatal(err)
		}
		days := 0
		for rows.Next() {
			var day, begins time.Time
			if err := rows.Scan(&day, &begins); err != nil {
				t.Fatal(err)
			}
			days++
			want := club.DayBegins(zone, day)
			if !begins.Equal(want) {
				t.Errorf("%s, %s: %s in the database, %s here", name, day.Format(time.DateOnly), begins.UTC(), want.UTC())
			}
			if name == "Pacific/Apia" && day.Format(time.DateOnly) == "2011-12-30" {
				continue // a day that was not
			}
			// The first moment that shows the day: a minute before it is the day before.
			if at, before := want.In(zone).Format(time.DateOnly), want.Add(-time.Minute).In(zone).Format(time.DateOnly); at != day.Format(time.DateOnly) || before >= at {
				t.Errorf("%s, %s begins at %s, a minute before which it is %s", name, day.Format(time.DateOnly), want.In(zone), before)
			}
		}
		if err := rows.Err(); err != nil || days < 7000 {
			t.Fatalf("%s: %d days: %v", name, days, err)
		}
	}
}
