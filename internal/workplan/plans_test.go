package workplan_test

import (
	"testing"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
	"pinwright/internal/workplan"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

func TestPlansAreServedByTheirIndexes(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	club := uuid.Must(uuid.NewV7())
	if _, err := db.Owner.Exec(t.Context(), `insert into club (club_id, slug, name, currency, created_at) values ($1, 'large', 'Club', 'EUR', '2026-01-01')`, club); err != nil {
		t.Fatal(err)
	}
	if _, err := db.Owner.Exec(t.Context(), `
		insert into club (club_id, slug, name, currency, created_at) select gen_random_uuid(), 'small-' || n, 'Club', 'EUR', '2026-01-01' from generate_series(1, 20) n;
		create view many as select club_id, case slug when 'large' then 400 else 4 end as n from club;
		insert into member (club_id, id, number, name, roles) select club_id, gen_random_uuid(), 'm1', 'Member', '{member}' from club;
		insert into garage (club_id, id, code, name, time_zone) select club_id, gen_random_uuid(), 'g', 'Yard', 'UTC' from club;
		insert into tool_model (club_id, id, code, name, kind) select club_id, gen_random_uuid(), 'm' || k, 'Model', 'press' from many, generate_series(1, n * 5) k;
		insert into tool (club_id, id, number, model_id, garage_id) select m.club_id, gen_random_uuid(), m.code, m.id, g.id from tool_model m join garage g using (club_id);
		insert into vehicle (club_id, id, code, name, member_id) select club_id, gen_random_uuid(), 'v' || k, 'Wagon', m.id from many join member m using (club_id), generate_series(1, n) k;
		insert into procedure (club_id, id, code, name, kind_of_joint) select club_id, gen_random_uuid(), 'p', 'Procedure', 'Joint' from club;
		insert into procedure_edition (club_id, id, procedure_id, edition, steps, member_id, recorded_at)
		select p.club_id, gen_random_uuid(), p.id, 1, '[{"key": "pull", "tools": [{"kind": "press"}]}]', m.id, '2026-01-01' from procedure p join member m using (club_id);
		insert into repair (club_id, id, number, vehicle_id, procedure_id, edition, garage_id, lead_id, safety, began_at)
		select v.club_id, gen_random_uuid(), substr(v.code, 2)::integer, v.id, p.id, 1, g.id, m.id, false, '2026-01-01' from vehicle v join procedure p using (club_id) join garage g using (club_id) join member m using (club_id);
		insert into pin_series (club_id, id, code, name) select club_id, gen_random_uuid(), 's' || k, 'Series' from many, generate_series(1, n * 4) k;
		insert into pin_step (club_id, series_id, ordinal, code, pin_nm, tolerance_lower_nm, tolerance_upper_nm) select club_id, id, k, 'o' || k, 8000000 + k, -5000, 0 from pin_series, generate_series(0, 3) k;
		insert into joint_template (club_id, id, code, name, pin_series_id) select club_id, gen_random_uuid(), code, 'Hinge', id from pin_series;
		insert into joint (club_id, id, vehicle_id, template_id, position)
		select v.club_id, gen_random_uuid(), v.id, t.id, 'p' || k from vehicle v join lateral (select id from joint_template t where t.club_id = v.club_id order by code limit 1) t on true, generate_series(1, 4) k;
		insert into repair_joint (club_id, repair_id, joint_id) select r.club_id, r.id, j.id from repair r join joint j on j.club_id = r.club_id and j.vehicle_id = r.vehicle_id;
		insert into workplan (club_id, id, repair_id, number, made_at, member_id, content) select r.club_id, gen_random_uuid(), r.id, k, '2026-01-01', r.lead_id, '{}' from repair r, generate_series(1, 20) k;
		insert into reservation (club_id, id, member_id, created_at) select p.club_id, p.id, p.member_id, '2026-01-01' from workplan p where p.number % 4 = 0;
		insert into workplan_reservation (club_id, workplan_id, reservation_id) select club_id, id, id from workplan where number % 4 = 0;
		insert into booking (club_id, reservation_id, line, tool_id, period, held)
		select x.club_id, x.reservation_id, 0, t.id, tstzrange(s.at, s.at + '1h'), tstzrange(s.at, s.at + '1h')
		from (select *, row_number() over (partition by club_id order by reservation_id) as k from workplan_reservation) x
		join (select *, row_number() over (partition by club_id order by number) as k, count(*) over (partition by club_id) as n from tool) t on t.club_id = x.club_id and t.k = x.k % t.n + 1
		cross join lateral (select timestamptz '2026-05-01' + x.k * interval '2h' as at) s;
		insert into supplier (club_id, id, code, name) select club_id, gen_random_uuid(), 's' || k, 'Supplier' from many, generate_series(1, n * 4) k;
		update pin_series set supplier = code;
		insert into parts_order (club_id, id, supplier_id, ordered_on, member_id, recorded_at) select s.club_id, gen_random_uuid(), s.id, date '2026-01-01' + k, m.id, '2026-01-01' from supplier s join member m using (club_id), generate_series(1, 5) k;
		insert into garage (club_id, id, code, name, time_zone) select club_id, gen_random_uuid(), 'g' || k, 'Yard', 'UTC' from many, generate_series(1, 10 * n) k;
		insert into procedure (club_id, id, code, name, kind_of_joint) select club_id, gen_random_uuid(), 'p' || k, 'Procedure', 'Joint' from many, generate_series(1, 10 * n) k;
		insert into procedure_edition (club_id, id, procedure_id, edition, steps, member_id, recorded_at)
		select p.club_id, gen_random_uuid(), p.id, 1, '[{"key": "pull"}]', m.id, '2026-01-01' from procedure p join member m using (club_id) where p.code <> 'p';
		drop view many;
		analyze`); err != nil {
		t.Fatal(err)
	}
	run := func(queue func(b *postgres.Batch)) func(pool *pgxpool.Pool) error {
		return func(pool *pgxpool.Pool) error { return (&postgres.DB{Pool: pool}).Read(t.Context(), club, queue) }
	}
	pgtest.HoldPlans(t, db, club, []pgtest.Listing{
		{Name: "the newest plan", Index: "workplan_number", Run: run(func(b *postgres.Batch) { workplan.Newest(b, "R7") })},
		{Name: "a plan by its number", Index: "workplan_number", Run: run(func(b *postgres.Batch) { workplan.Find(b, "R7", "3") })},
		{Name: "the plans of a repair", Index: "workplan_number", Run: run(func(b *postgres.Batch) { workplan.List(b, "R7", 12, 10) })},
		{Name: "what is reserved for a repair", Index: "workplan_reservation_of_plan", Run: run(func(b *postgres.Batch) { workplan.FindBooked(b, "R7") })},
		{Name: "the lines of what is reserved for it", Index: "booking_pkey", Run: run(func(b *postgres.Batch) { workplan.FindBooked(b, "R7") })},
		{Name: "the edition that a repair follows", Index: "procedure_edition_number", Run: run(func(b *postgres.Batch) { workplan.FindSupplied(b, "R7") })},
		{Name: "the pins of its joints", Index: "pin_series_pkey", Run: run(func(b *postgres.Batch) { workplan.FindSupplied(b, "R7") })},
	})
}
