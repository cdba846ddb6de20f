package migrations_test

import (
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/internal/founding"
	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
	"pinwright/internal/specimen"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

// exempt is the one table that belongs to no club.
const exempt = "schema_migrations"

// found makes a club with one row in every table.
func found(t *testing.T, db *pgtest.DB, slug string) uuid.UUID {
	t.Helper()
	c, err := founding.Create(t.Context(), &postgres.DB{Pool: db.Owner}, founding.Charter{
		Slug: slug, Name: "Fern Row Garages", Currency: "EUR", Units: "mm", OfficerNumber: "M1", OfficerName: "Piers Halloway"}, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	if _, err := specimen.Fill(t.Context(), db.Owner, c.ClubID, "same"); err != nil {
		t.Fatal(err)
	}
	return c.ClubID
}

// list answers a query of one column.
func list[T any](t *testing.T, pool *pgxpool.Pool, sql string, args ...any) []T {
	t.Helper()
	rows, err := pool.Query(t.Context(), sql, args...)
	if err != nil {
		t.Fatalf("%s: %v", sql, err)
	}
	out, err := pgx.CollectRows(rows, pgx.RowTo[T])
	if err != nil {
		t.Fatalf("%s: %v", sql, err)
	}
	return out
}

// none reports what a query of faults finds.
func none(t *testing.T, pool *pgxpool.Pool, why, sql string, args ...any) {
	t.Helper()
	for _, fault := range list[string](t, pool, sql, args...) {
		t.Errorf("%s: %s", fault, why)
	}
}

func tables(t *testing.T, pool *pgxpool.Pool) []string {
	t.Helper()
	out := list[string](t, pool, `select relname::text from pg_class where relnamespace = 'public'::regnamespace and relkind in ('r', 'p') and relname <> $1 order by 1`, exempt)
	if len(out) < 20 {
		t.Fatalf("found only the tables %v; the queries on the catalogue would prove nothing", out)
	}
	return out
}
