package pgtest

import (
	"testing"
	"time"

	"pinwright/internal/postgres"
)

// ZonesOfOneEdition are those of the named time zones whose clocks Go and this
// database foresee alike from from until until, for tests that hold arithmetic in
// one against arithmetic in the other: the rules themselves come with the machine, and
// a new edition may be on one side only. Fewer than half of them fail the test.
func (db *DB) ZonesOfOneEdition(t testing.TB, names []string, from, until time.Time) []string {
	t.Helper()
	differ, err := postgres.ZonesThatDiffer(t.Context(), db.Owner, names, from, until)
	if err != nil {
		t.Fatal(err)
	}
	apart := map[string]bool{}
	for _, name := range differ {
		apart[name] = true
	}
	var same []string
	for _, name := range names {
		if !apart[name] {
			same = append(same, name)
		}
	}
	if len(differ) > 0 {
		t.Logf("left out, since Go and this PostgreSQL have rules of different editions for them: %v", differ)
	}
	if 2*len(same) < len(names) {
		t.Fatalf("of %v the rules differ between Go and this PostgreSQL for %v", names, differ)
	}
	return same
}
