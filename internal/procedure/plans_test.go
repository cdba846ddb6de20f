package procedure_test

import (
	"testing"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
	"pinwright/internal/procedure"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

// A club of 2,000 procedures, half of them retired, of three editions each, and 100 clubs
// of 20 beside it.
func TestListsAreServedByTheirIndexes(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	club := uuid.Must(uuid.NewV7())
	if _, err := db.Owner.Exec(t.Context(), `insert into club (club_id, slug, name, currency, created_at)
		select case n when 0 then $1 else gen_random_uuid() end, 'club-' || n, 'Club', 'EUR', '2026-01-01' from generate_series(0, 100) n`, club); err != nil {
		t.Fatal(err)
	}
	if _, err := db.Owner.Exec(t.Context(), `
		insert into member (club_id, id, number, name, roles) select club_id, gen_random_uuid(), 'M1', 'Member', '{member}' from club;
		insert into procedure (club_id, id, code, name, kind_of_joint, edition, retired_at)
		select club_id, gen_random_uuid(), 'p' || n, 'Procedure', 'Joint', 3, case when n % 2 = 0 then '2026-01-01Z'::timestamptz end from club, generate_series(1, case slug when 'club-0' then 2000 else 20 end) n;
		insert into procedure_edition (club_id, id, procedure_id, edition, steps, member_id, recorded_at)
		select p.club_id, gen_random_uuid(), p.id, n, '[{}]', m.id, '2026-01-01Z' from procedure p join member m using (club_id), generate_series(1, 3) n;
		analyze`); err != nil {
		t.Fatal(err)
	}
	list := func(queue func(b *postgres.Batch)) func(*pgxpool.Pool) error {
		return func(pool *pgxpool.Pool) error {
			return (&postgres.DB{Pool: pool}).Read(t.Context(), club, queue)
		}
	}
	two := 2
	pgtest.HoldPlans(t, db, club, []pgtest.Listing{
		{Name: "the list of procedures", Index: "procedure_code", Run: list(func(b *postgres.Batch) { procedure.List(b, false, "p2", 101) })},
		{Name: "the list of retired procedures", Index: "procedure_code", Run: list(func(b *postgres.Batch) { procedure.List(b, true, "p2", 101) })},
		{Name: "a procedure's editions", Index: "procedure_edition_number", Run: list(func(b *postgres.Batch) { procedure.ListEditions(b, postgres.ParseRef("p7"), 99, 101) })},
		{Name: "an edition", Index: "procedure_edition_number", Run: list(func(b *postgres.Batch) { procedure.FindEdition(b, postgres.ParseRef("p7"), postgres.Ref{}, &two) })},
	})
}
