package tariff_test

import (
	"testing"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
	"pinwright/internal/tariff"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

// largeClub fills db with a club of 300 models and 2,000 editions of rules, and 30 small
// clubs beside it.
func largeClub(t *testing.T, db *pgtest.DB) uuid.UUID {
	t.Helper()
	club := uuid.Must(uuid.NewV7())
	for _, sql := range []string{
		`insert into club (club_id, slug, name, currency, created_at) select case n when 0 then '` + club.String() + `'::uuid else gen_random_uuid() end, 'club-' || n, 'Club', 'EUR', '2026-01-01' from generate_series(0, 30) n`,
		`create view size as select club_id, slug = 'club-0' as large from club`,
		`insert into member (club_id, id, number, name, roles) select club_id, gen_random_uuid(), 'M' || n, 'Member', '{member}' from size, generate_series(0, case when large then 199 else 4 end) n`,
		`insert into tool_model (club_id, id, code, name, kind, size_nm) select club_id, gen_random_uuid(), 'm' || n, 'Model', 'reamer', 8000000 from size, generate_series(0, case when large then 299 else 4 end) n`,
		`insert into charge_rule (club_id, id, number, valid_from, late_minor, late_grace_days, least_minor, consumables, exempt, member_id, recorded_at)
			select m.club_id, gen_random_uuid(), n, date '2020-01-01' + n::int, 100, 0, 0, '{}', '{}', m.id, '2026-01-01Z' from member m, generate_series(1, 2000) n where m.number = 'M1' and m.club_id = '` + club.String() + `'`,
		`insert into tool_cost (club_id, id, model_id, number, valid_from, cost_minor, sharpenings, sharpening_minor, residual_minor, life, unit, defaults, member_id, recorded_at)
			select m.club_id, gen_random_uuid(), x.id, n, date '2020-01-01' + n::int, 100, 0, 0, 0, 100, 'holes', '{}', m.id, '2026-01-01Z' from member m join tool_model x using (club_id) cross join generate_series(1, 20) n where m.number = 'M1'`,
		`drop view size`, `analyze`,
	} {
		if _, err := db.Owner.Exec(t.Context(), sql); err != nil {
			t.Fatalf("%v\n%s", err, sql)
		}
	}
	return club
}

func TestEditionsAreServedByTheirIndexes(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	club := largeClub(t, db)
	read := func(queue func(b *postgres.Batch)) func(*pgxpool.Pool) error {
		return func(pool *pgxpool.Pool) error { return (&postgres.DB{Pool: pool}).Read(t.Context(), club, queue) }
	}
	pgtest.HoldPlans(t, db, club, []pgtest.Listing{
		{Name: "the rules", Index: "charge_rule_edition", Run: read(func(b *postgres.Batch) { tariff.ListRules(b, 1<<62, 101) })},
		{Name: "the costs of a model", Index: "tool_cost_edition", Run: read(func(b *postgres.Batch) { tariff.ListCosts(b, postgres.ParseRef("m7"), 1<<62, 101) })},
	})
}
