package wear

import (
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

func TestHistoriesAreServedByTheirIndexes(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	club := uuid.Must(uuid.NewV7())
	if _, err := db.Owner.Exec(t.Context(), `insert into club (club_id, slug, name, currency, created_at) values ($1, 'large', 'Club', 'EUR', '2026-01-01')`, club); err != nil {
		t.Fatal(err)
	}
	if _, err := db.Owner.Exec(t.Context(), `
		insert into club (club_id, slug, name, currency, created_at) select gen_random_uuid(), 'small-' || n, 'Club', 'EUR', '2026-01-01' from generate_series(1, 50) n;
		create view many as select club_id, case slug when 'large' then 400 else 4 end as n from club;
		insert into member (club_id, id, number, name, roles) select club_id, gen_random_uuid(), 'm1', 'Member', '{member}' from club;
		insert into joint_template (club_id, id, code, name) select club_id, gen_random_uuid(), 'hinge', 'Hinge' from club;
		insert into vehicle (club_id, id, code, name, member_id) select m.club_id, gen_random_uuid(), 'v' || k, 'Vehicle', m.id from member m join many using (club_id), generate_series(1, n) k;
		insert into joint (club_id, id, vehicle_id, position, template_id) select v.club_id, gen_random_uuid(), v.id, 'p-' || v.code, t.id from vehicle v join joint_template t using (club_id);
		insert into wear_event (club_id, id, joint_id, kind, occurred_at, member_id, recorded_at)
		select j.club_id, gen_random_uuid(), j.id, 'lubricated', timestamptz '2026-01-01' - k * interval '1 day', m.id, '2026-01-01' from joint j join member m using (club_id), generate_series(1, 50) k;
		insert into wear_event_void (club_id, wear_event_id, reason, at, member_id) select club_id, id, 'slip', '2026-01-01', member_id from wear_event where hashtext(id::text) % 10 = 0;
		insert into distance (club_id, id, vehicle_id, shown, unit, taken_at, member_id, recorded_at)
		select v.club_id, gen_random_uuid(), v.id, 100 * k, 'km', timestamptz '2026-01-01' + k * interval '1 day', v.member_id, '2026-01-01' from vehicle v, generate_series(1, 50) k;
		insert into distance_void (club_id, distance_id, reason, at, member_id) select club_id, id, 'slip', '2026-01-01', member_id from distance where hashtext(id::text) % 10 = 0;
		drop view many;
		analyze`); err != nil {
		t.Fatal(err)
	}
	run := func(queue func(b *postgres.Batch)) func(pool *pgxpool.Pool) error {
		return func(pool *pgxpool.Pool) error { return (&postgres.DB{Pool: pool}).Read(t.Context(), club, queue) }
	}
	joint, car, at := postgres.ParseRef("p-v77"), postgres.ParseRef("v77"), time.Date(2026, 2, 1, 0, 0, 0, 0, time.UTC)
	pgtest.HoldPlans(t, db, club, []pgtest.Listing{
		{Name: "events", Index: "wear_event_of_joint", Run: run(func(b *postgres.Batch) { ListEvents(b, joint, at, uuid.Max, 10) })},
		{Name: "distances", Index: "distance_of_vehicle", Run: run(func(b *postgres.Batch) { ListDistances(b, car, at, uuid.Max, 10) })},
		{Name: "neighbours", Index: "distance_of_vehicle", Run: run(func(b *postgres.Batch) { Neighbours(b, car, at) })},
		{Name: "a trend's events", Index: "wear_event_of_joint", Run: run(func(b *postgres.Batch) { standing(b, joint, mostEvents) })},
		{Name: "a trend's distances", Index: "distance_of_vehicle", Run: run(func(b *postgres.Batch) { standingDistances(b, joint) })},
	})
}
