package repair_test

import (
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
	"pinwright/internal/repair"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

// A club of 2,000 repairs of two joints and ten steps each, a hundred of them open with a
// timer, and 100 clubs of ten beside it.
func TestRepairsAreServedByIndexes(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	club := uuid.Must(uuid.NewV7())
	if _, err := db.Owner.Exec(t.Context(), `insert into club (club_id, slug, name, currency, created_at)
		select case n when 0 then $1 else gen_random_uuid() end, 'club-' || n, 'Club', 'EUR', '2026-01-01' from generate_series(0, 100) n`, club); err != nil {
		t.Fatal(err)
	}
	if _, err := db.Owner.Exec(t.Context(), `
		create view size as select club_id, case slug when 'club-0' then 2000 else 10 end as n from club;
		insert into garage (club_id, id, code, name, time_zone) select club_id, gen_random_uuid(), 'g' || k, 'Yard', 'UTC' from size s, generate_series(1, s.n / 10) k;
		insert into garage_hours (club_id, garage_id, weekday, opens, closes) select club_id, id, k, '08:00', '20:00' from garage, generate_series(1, 7) k;
		insert into tool_model (club_id, id, code, name, kind) select club_id, gen_random_uuid(), 'm' || k, 'Model', 'micrometer' from size s, generate_series(1, s.n / 5) k;
		insert into tool (club_id, id, number, model_id, garage_id) select m.club_id, gen_random_uuid(), m.code, m.id, g.id from tool_model m join garage g on g.club_id = m.club_id and g.code = 'g1';
		insert into member (club_id, id, number, name, roles) select club_id, gen_random_uuid(), 'M1', 'Member', '{member}' from size;
		insert into joint_template (club_id, id, code, name) select club_id, gen_random_uuid(), 't', 'Template' from size;
		insert into procedure (club_id, id, code, name, kind_of_joint) select club_id, gen_random_uuid(), 'p' || k, 'Procedure', 'Joint' from size s, generate_series(1, s.n / 5) k;
		insert into procedure_edition (club_id, id, procedure_id, edition, steps, member_id, recorded_at)
		select p.club_id, gen_random_uuid(), p.id, 1, (select jsonb_agg(jsonb_build_object('key', 's' || k, 'per', case when k < 5 then 'job' else 'joint' end)) from generate_series(0, 9) k), m.id, '2026-01-01Z'
		from procedure p join member m using (club_id);
		insert into vehicle (club_id, id, code, name, member_id) select s.club_id, gen_random_uuid(), 'v' || k, 'Vehicle', m.id from size s join member m using (club_id), generate_series(1, s.n / 5) k;
		insert into joint (club_id, id, vehicle_id, position, template_id) select v.club_id, gen_random_uuid(), v.id, 'j' || k, t.id from vehicle v join joint_template t using (club_id), generate_series(1, 10) k;
		insert into feature (club_id, id, joint_id, ordinal, code, shape, duty, nominal_nm, usual) select j.club_id, gen_random_uuid(), j.id, 0, 'bore', 'bore', 'running', 9000000, true from joint j;
		insert into repair (club_id, id, number, vehicle_id, procedure_id, edition, garage_id, lead_id, safety, began_at)
		select s.club_id, gen_random_uuid(), k, v.id, p.id, 1, g.id, m.id, false, '2026-01-01Z' from size s cross join lateral generate_series(1, s.n) k
		join vehicle v on v.club_id = s.club_id and v.code = 'v' || ((k - 1) / 5 + 1) join procedure p on p.club_id = s.club_id and p.code = 'p' || (k % (s.n / 5) + 1) join garage g on g.club_id = s.club_id and g.code = 'g' || (k % (s.n / 10) + 1)
		join member m on m.club_id = s.club_id;
		insert into repair_joint (club_id, repair_id, joint_id) select r.club_id, r.id, j.id from repair r join joint j on j.club_id = r.club_id and j.vehicle_id = r.vehicle_id
		and j.position in ('j' || ((r.number - 1) % 5 * 2 + 1), 'j' || ((r.number - 1) % 5 * 2 + 2));
		insert into repair_step (club_id, id, repair_id, ordinal, key) select r.club_id, gen_random_uuid(), r.id, k, 's' || k from repair r, generate_series(0, 4) k;
		insert into repair_step (club_id, id, repair_id, ordinal, key, joint_id) select x.club_id, gen_random_uuid(), x.repair_id, k, 's' || k, x.joint_id from repair_joint x, generate_series(5, 9) k;
		insert into repair_timer (club_id, id, repair_id, step_id, kind, round, began_at, due_at, most_at, rung_at, stopped_at)
		select s.club_id, gen_random_uuid(), s.repair_id, s.id, 'dwell', 1, '2026-01-01Z', '2026-01-02Z', '2026-01-03Z', case when r.number > 100 then '2026-01-02Z'::timestamptz end, case when r.number > 100 then '2026-01-02Z'::timestamptz end
		from repair_step s join repair r on r.club_id = s.club_id and r.id = s.repair_id where s.ordinal = 1;
		update repair set state = 'abandoned', abandoned_at = '2026-01-02Z', abandoned_by = lead_id where number > 100;
		insert into reading (club_id, id, feature_id, kind, size_nm, entered, entered_unit, stage, surface, taken_at, received_at, member_id, fingerprint)
		select f.club_id, gen_random_uuid(), f.id, 'measured', 9000000, 9, 'mm', 'cleaned', 'bright', '2026-01-01Z', '2026-01-01Z', m.id, '' from feature f join member m using (club_id), generate_series(1, 3);
		insert into reading_void (club_id, reading_id, reason, at, member_id) select club_id, id, 'x', '2026-01-01Z', member_id from reading where id::text like '%7';
		insert into recommendation (club_id, id, vehicle_id, member_id, created_at, joint_key, digest, body) select r.club_id, gen_random_uuid(), r.vehicle_id, r.lead_id, '2026-01-01Z', sha256(r.id::text::bytea), sha256(''), '{}' from repair r;
		insert into supplier (club_id, id, code, name) select club_id, gen_random_uuid(), 's' || k, 'Supplier' from size s, generate_series(1, s.n / 5) k;
		insert into parts_order (club_id, id, supplier_id, repair_id, ordered_on, member_id, recorded_at, arrived_on)
		select r.club_id, gen_random_uuid(), s.id, r.id, '2026-01-01', r.lead_id, '2026-01-01Z', case when r.number > 100 then '2026-01-05'::date end from repair r
		join supplier s on s.club_id = r.club_id and s.code = 's' || (r.number % (select count(*) from supplier x where x.club_id = r.club_id) + 1);
		insert into parts_line (club_id, order_id, line, what, quantity, arrived) select club_id, id, k, 'Pin', 4, case when arrived_on is null then 0 else 4 end from parts_order, generate_series(0, 1) k;
		insert into nonconformity (club_id, id, repair_id, joint_id, kind, found_at, member_id, recorded_at, options, chosen, decided_at, decided_by, closed_at)
		select x.club_id, gen_random_uuid(), x.repair_id, x.joint_id, 'oversize_cut', '2026-01-01Z', r.lead_id, '2026-01-01Z', '[]', 'keep', '2026-01-02Z', r.lead_id, case when r.number > 100 then '2026-01-02Z'::timestamptz end
		from repair_joint x join repair r on r.club_id = x.club_id and r.id = x.repair_id;
		drop view size;
		analyze`); err != nil {
		t.Fatal(err)
	}
	list := func(queue func(b *postgres.Batch)) func(*pgxpool.Pool) error {
		return func(pool *pgxpool.Pool) error {
			return (&postgres.DB{Pool: pool}).Read(t.Context(), club, queue)
		}
	}
	last := uuid.Max
	pgtest.HoldPlans(t, db, club, []pgtest.Listing{
		{Name: "a repair by its number", Index: "repair_number", Run: list(func(b *postgres.Batch) { repair.Find(b, "R77") })},
		{Name: "the list of repairs", Index: "repair_pkey", Run: list(func(b *postgres.Batch) { repair.List(b, repair.Filter{}, last, 11) })},
		{Name: "a vehicle's repairs", Index: "repair_of_vehicle", Run: list(func(b *postgres.Batch) { repair.List(b, repair.Filter{Vehicle: "v7"}, last, 11) })},
		{Name: "open repairs", Index: "repair_in_state", Run: list(func(b *postgres.Batch) { repair.List(b, repair.Filter{State: "open"}, last, 11) })},
		{Name: "a garage's day", Index: "repair_open_at", Run: list(func(b *postgres.Batch) { repair.LookUpToday(b, postgres.ParseRef("g7")) })},
		{Name: "the next number", Index: "repair_number", Run: list(func(b *postgres.Batch) { repair.NextNumber(b) })},
		{Name: "timers to ring", Index: "repair_timer_to_ring", Run: func(pool *pgxpool.Pool) error {
			_, err := repair.Sweep(t.Context(), &postgres.DB{Pool: pool}, club, time.Date(2026, 1, 1, 12, 0, 0, 0, time.UTC))
			return err
		}},
	})
}
