package postgres_test

import (
	"slices"
	"testing"
	"time"

	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
)

func TestZonesThatDifferAreNamed(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	from := time.Date(2024, time.January, 1, 0, 0, 0, 0, time.UTC) // behind us: settled in every edition
	until := from.AddDate(1, 0, 0)
	differ, err := postgres.ZonesThatDiffer(t.Context(), db.Owner, []string{"Europe/Lisbon", "UTC", "America/Halifax"}, from, until)
	if err != nil || len(differ) != 0 {
		t.Errorf("%v differ, %v", differ, err)
	}
	// A name that means one clock to Go and another to the database: EST5 is five hours behind for
	// PostgreSQL by POSIX, and no file that Go reads.
	if differ, err = postgres.ZonesThatDiffer(t.Context(), db.Owner, []string{"UTC", "EST5"}, from, until); err != nil || !slices.Equal(differ, []string{"EST5"}) {
		t.Errorf("%v differ, %v", differ, err)
	}
}

// A changed rule is found: Go's clock stands against a database that is asked for another
// zone under the same name.
func TestZonesWithAnotherRuleAreFound(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	conn, err := db.Owner.Acquire(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Release()
	// An abbreviation is looked up before a file of that name; this one is summer time all year.
	if _, err := conn.Exec(t.Context(), `set timezone_abbreviations = 'Default'`); err != nil {
		t.Fatal(err)
	}
	from := time.Date(2024, time.January, 1, 0, 0, 0, 0, time.UTC)
	differ, err := postgres.ZonesThatDiffer(t.Context(), conn, []string{"EET", "MET", "UTC", "Europe/Lisbon"}, from, from.AddDate(1, 0, 0))
	if err != nil || !slices.Contains(differ, "MET") || slices.Contains(differ, "UTC") || slices.Contains(differ, "Europe/Lisbon") {
		t.Errorf("%v differ, %v", differ, err)
	}
}
