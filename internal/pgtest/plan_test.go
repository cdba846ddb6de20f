package pgtest_test

import (
	"slices"
	"strings"
	"testing"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/internal/pgtest"
)

// filled returns a database with a club of 5,000 members and the club's id.
func filled(t *testing.T) (*pgtest.DB, uuid.UUID) {
	t.Helper()
	db, club := pgtest.New(t), uuid.Must(uuid.NewV7())
	if _, err := db.Owner.Exec(t.Context(), `insert into club (club_id, slug, name, currency, created_at) values ($1, 'c', 'Club', 'EUR', '2026-01-01')`, club); err != nil {
		t.Fatal(err)
	}
	if _, err := db.Owner.Exec(t.Context(), `
		insert into member (club_id, id, number, name, roles)
		select club_id, gen_random_uuid(), 'M' || n, 'Member ' || n, '{member}' from club, generate_series(1, 5000) n;
		analyze`); err != nil {
		t.Fatal(err)
	}
	return db, club
}

func TestAPlanTellsIndexesWholeTablesAndSorts(t *testing.T) {
	t.Parallel()
	db, club := filled(t)
	rows := map[string]struct {
		sql                            string
		index, whole, sort, customOnly bool
	}{
		"by number, which has an index":    {sql: `select id from member where club_id = $1 and number > $2 order by number limit 10`, index: true},
		"by name, which has none":          {sql: `select id from member where club_id = $1 and name > $2 order by name limit 10`, whole: true, sort: true, customOnly: true},
		"by name, where one row is sorted": {sql: `select id from member where club_id = $1 and name = $2 order by version limit 10`, whole: true, customOnly: true},
	}
	for name, row := range rows {
		t.Run(name, func(t *testing.T) {
			custom, generic := pgtest.PlanOf(t, db, club, row.sql, club, "M")
			for kind, p := range map[string]pgtest.Plan{"custom": custom, "generic": generic} {
				if kind == "generic" && row.customOnly {
					continue // how much it is hidden behind a parameter depends on estimates
				}
				if slices.Contains(p.Indexes, "member_number") != row.index || (len(p.SeqScans) > 0) != row.whole || (len(p.Sorts) > 0) != row.sort {
					t.Errorf("the %s plan: indexes %v, whole tables %v, sorts %v\n%s", kind, p.Indexes, p.SeqScans, p.Sorts, p.Text)
				}
			}
		})
	}
}

func TestAListingIsFaultyUnlessItsIndexServesIt(t *testing.T) {
	t.Parallel()
	db, club := filled(t)
	ordered := func(by string) func(*pgxpool.Pool) error {
		return func(pool *pgxpool.Pool) error {
			b := &pgx.Batch{}
			b.Queue(`begin read only`)
			b.Queue(`select set_config('app.club', $1, true)`, club.String())
			b.Queue(`select id from member where club_id = $1 and `+by+` > $2 order by `+by+` limit 100`, club, "M")
			b.Queue(`commit`)
			return pool.SendBatch(t.Context(), b).Close()
		}
	}
	for _, row := range []struct {
		name    string
		listing pgtest.Listing
		faults  []string
	}{
		{"by its index", pgtest.Listing{Index: "member_number", Run: ordered("number")}, nil},
		{"by another index than it says", pgtest.Listing{Index: "member_pkey", Run: ordered("number")}, []string{"no custom plan uses member_pkey", "no generic plan uses member_pkey"}},
		{"by none", pgtest.Listing{Index: "member_number", Run: ordered("name")}, []string{"the custom plan reads all of [member]", "the custom plan sorts by [member.name]", "no custom plan uses member_number"}},
	} {
		t.Run(row.name, func(t *testing.T) {
			faults := row.listing.Faults(t, db, club)
			if row.faults == nil && faults != nil {
				t.Errorf("faults of a served list: %s", faults)
			}
			for _, want := range row.faults {
				if !slices.ContainsFunc(faults, func(f string) bool { return strings.HasPrefix(f, want) }) {
					t.Errorf("%q is missing in %q", want, faults)
				}
			}
		})
	}
}
