package kit_test

import (
	"testing"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/internal/kit"
	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

// A club of 2,000 kits, half of them retired, of three parts each, among 6,000 tools of 600
// models, and 100 clubs of 20 kits beside it.
func TestListsAreServedByTheirIndexes(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	club := uuid.Must(uuid.NewV7())
	if _, err := db.Owner.Exec(t.Context(), `insert into club (club_id, slug, name, currency, created_at)
		select case n when 0 then $1 else gen_random_uuid() end, 'club-' || n, 'Club', 'EUR', '2026-01-01' from generate_series(0, 100) n`, club); err != nil {
		t.Fatal(err)
	}
	if _, err := db.Owner.Exec(t.Context(), `
		create view size as select club_id, slug = 'club-0' as large from club;
		insert into garage (club_id, id, code, name, time_zone) select club_id, gen_random_uuid(), 'g', 'Yard', 'UTC' from size;
		insert into tool_model (club_id, id, code, name, kind) select club_id, gen_random_uuid(), 'm' || n, 'Model', 'other' from size, generate_series(1, case when large then 600 else 10 end) n;
		insert into tool (club_id, id, number, model_id, garage_id) select m.club_id, gen_random_uuid(), m.code || '-' || n, m.id, g.id
		from tool_model m join garage g using (club_id) cross join generate_series(1, 10) n;
		insert into kit (club_id, id, code, name, retired_at) select club_id, gen_random_uuid(), 'k' || n, 'Kit', case when n % 2 = 0 then '2026-01-01Z'::timestamptz end
		from size, generate_series(1, case when large then 2000 else 20 end) n;
		insert into kit_part (club_id, kit_id, ordinal, model_id) select k.club_id, k.id, n, m.id
		from kit k cross join generate_series(0, 2) n join size s on s.club_id = k.club_id
		join tool_model m on m.club_id = k.club_id and m.code = 'm' || (abs(hashtext(k.code || n)) % case when s.large then 600 else 10 end + 1);
		drop view size;
		analyze`); err != nil {
		t.Fatal(err)
	}
	list := func(queue func(b *postgres.Batch)) func(*pgxpool.Pool) error {
		return func(pool *pgxpool.Pool) error {
			return (&postgres.DB{Pool: pool}).Read(t.Context(), club, queue)
		}
	}
	pgtest.HoldPlans(t, db, club, []pgtest.Listing{
		{Name: "the list of kits", Index: "kit_code", Run: list(func(b *postgres.Batch) { kit.List(b, false, "k2", 101) })},
		{Name: "the list of retired kits", Index: "kit_code", Run: list(func(b *postgres.Batch) { kit.List(b, true, "k2", 101) })},
		{Name: "a kit's parts", Index: "tool_of_model", Run: list(func(b *postgres.Batch) { kit.Find(b, postgres.ParseRef("k7")) })},
		{Name: "what parts may be", Index: "tool_of_model", Run: list(func(b *postgres.Batch) { kit.Want(b, []kit.Asked{{Tool: "m7-1"}, {Model: "m8"}}) })},
	})
}
