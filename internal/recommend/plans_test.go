package recommend_test

import (
	"testing"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
	"pinwright/internal/recommend"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

func TestListsOfAnswersAreServedByTheirIndexes(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	id := uuid.Must(uuid.NewV7())
	if _, err := db.Owner.Exec(t.Context(), `insert into club (club_id, slug, name, currency, created_at) values ($1, 'large', 'Club', 'EUR', '2026-01-01')`, id); err != nil {
		t.Fatal(err)
	}
	if _, err := db.Owner.Exec(t.Context(), `
		insert into club (club_id, slug, name, currency, created_at) select gen_random_uuid(), 'small-' || n, 'Club', 'EUR', '2026-01-01' from generate_series(1, 50) n;
		insert into member (club_id, id, number, name, roles) select club_id, gen_random_uuid(), 'm1', 'Member', '{member}' from club;
		insert into vehicle (club_id, id, code, name, member_id)
		select c.club_id, gen_random_uuid(), 'v' || n, 'Vehicle', m.id from club c join member m using (club_id), generate_series(1, case c.slug when 'large' then 500 else 5 end) n;
		insert into recommendation (club_id, id, vehicle_id, member_id, created_at, joint_key, digest, body)
		select v.club_id, gen_random_uuid(), v.id, v.member_id, '2026-01-01', sha256(convert_to(v.code || n % 7, 'UTF8')), sha256('x'), '{}' from vehicle v, generate_series(1, 40) n;
		insert into club (club_id, slug, name, currency, created_at) select gen_random_uuid(), 'empty-' || n, 'Club', 'EUR', '2026-01-01' from generate_series(1, 2000) n;
		insert into recommendation_in_units (club_id, recommendation_id, units, body) select club_id, id, unnest(array['um', 'in', 'thou']), '{}' from recommendation;
		analyze`); err != nil {
		t.Fatal(err)
	}
	queued := func(queue func(b *postgres.Batch)) func(*pgxpool.Pool) error {
		return func(pool *pgxpool.Pool) error { return (&postgres.DB{Pool: pool}).Read(t.Context(), id, queue) }
	}
	vehicle := "v77"
	pgtest.HoldPlans(t, db, id, []pgtest.Listing{
		{Name: "the list of recommendations", Index: "recommendation_pkey", Run: queued(func(b *postgres.Batch) { recommend.List(b, nil, nil, uuid.Max, 101) })},
		{Name: "those of one vehicle", Index: "recommendation_of_vehicle", Run: queued(func(b *postgres.Batch) { recommend.List(b, &vehicle, nil, uuid.Max, 101) })},
		{Name: "what supersedes one", Index: "recommendation_of_joints", Run: queued(func(b *postgres.Batch) { recommend.List(b, nil, nil, uuid.Max, 2) })},
		{Name: "one in its units", Index: "recommendation_in_units_pkey", Run: queued(func(b *postgres.Batch) { recommend.Find(b, uuid.Max, nil) })},
	})
}
