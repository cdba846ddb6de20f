package parts_test

import (
	"testing"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/internal/parts"
	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

func TestOrdersAreServedByTheirIndexes(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	club := uuid.Must(uuid.NewV7())
	if _, err := db.Owner.Exec(t.Context(), `insert into club (club_id, slug, name, currency, created_at) values ($1, 'large', 'Club', 'EUR', '2026-01-01')`, club); err != nil {
		t.Fatal(err)
	}
	if _, err := db.Owner.Exec(t.Context(), `
		insert into club (club_id, slug, name, currency, created_at) select gen_random_uuid(), 'small-' || n, 'Club', 'EUR', '2026-01-01' from generate_series(1, 20) n;
		create view many as select club_id, case slug when 'large' then 2000 else 4 end as n from club;
		insert into member (club_id, id, number, name, roles) select club_id, gen_random_uuid(), 'm1', 'Member', '{member}' from club;
		insert into supplier (club_id, id, code, name) select club_id, gen_random_uuid(), 's' || k, 'Supplier' from many, generate_series(1, n) k;
		insert into pin_series (club_id, id, code, name, supplier, delivery_days) select club_id, gen_random_uuid(), 's' || k, 'Series', 's' || k, '{4,5}' from many, generate_series(1, n) k;
		insert into pin_step (club_id, series_id, ordinal, code, pin_nm, tolerance_lower_nm, tolerance_upper_nm, lead_days) select club_id, id, 0, 'STD', 8000000, -5000, 0, 5 from pin_series;
		insert into parts_order (club_id, id, supplier_id, ordered_on, member_id, recorded_at, arrived_on)
		select s.club_id, gen_random_uuid(), s.id, date '2026-01-01' + k, m.id, '2026-01-01', case when k % 20 > 0 then date '2026-02-01' + k end from supplier s join member m using (club_id), generate_series(1, 12) k;
		insert into garage (club_id, id, code, name, time_zone) select club_id, gen_random_uuid(), 'g', 'Garage', 'UTC' from club;
		insert into vehicle (club_id, id, code, name, member_id) select m.club_id, gen_random_uuid(), 'v', 'Vehicle', m.id from member m;
		insert into procedure (club_id, id, code, name, kind_of_joint, edition) select club_id, gen_random_uuid(), 'p', 'Procedure', 'Joint', 1 from club;
		insert into procedure_edition (club_id, id, procedure_id, edition, steps, member_id, recorded_at) select p.club_id, gen_random_uuid(), p.id, 1, '[{}]', m.id, '2026-01-01' from procedure p join member m using (club_id);
		insert into repair (club_id, id, number, vehicle_id, procedure_id, edition, garage_id, lead_id, safety, began_at)
		select m.club_id, gen_random_uuid(), k, v.id, p.id, 1, g.id, m.id, false, '2026-01-01' from many join member m using (club_id) join vehicle v using (club_id) join procedure p using (club_id) join garage g using (club_id), generate_series(1, n) k;
		insert into recommendation (club_id, id, vehicle_id, member_id, created_at, joint_key, digest, body)
		select r.club_id, r.id, r.vehicle_id, r.lead_id, '2026-01-01', sha256('x'), sha256('x'), convert_to(json_build_object('pin_series_id', s.id)::text, 'UTF8') from repair r join pin_series s on s.club_id = r.club_id and s.code = 's' || r.number;
		update repair set recommendation_id = id;
		insert into joint_template (club_id, id, code, name) select club_id, gen_random_uuid(), 'hinge', 'Hinge' from club;
		insert into joint (club_id, id, vehicle_id, position, template_id) select r.club_id, r.id, r.vehicle_id, 'p' || r.number, t.id from repair r join joint_template t using (club_id);
		insert into repair_joint (club_id, repair_id, joint_id) select club_id, id, id from repair;
		insert into nonconformity (club_id, id, repair_id, joint_id, kind, found_at, member_id, recorded_at, options, chosen, decided_at, decided_by)
		select club_id, gen_random_uuid(), id, id, 'oversize_cut', '2026-01-01', lead_id, '2026-01-01', '[]', 'ream_to', '2026-01-01', lead_id from repair, generate_series(1, 3);
		update parts_order o set repair_id = r.id from repair r where r.club_id = o.club_id and hashtext(o.id::text) % 10 = 0 and r.number = abs(hashtext(o.id::text || 'r')) % 2000 + 1;
		insert into parts_line (club_id, order_id, line, what, quantity, arrived) select o.club_id, o.id, k, 'Pin', 4, case when o.arrived_on is null then 0 else 4 end from parts_order o, generate_series(0, 1) k;
		insert into parts_arrival (club_id, id, order_id, occurred_at, arrived_on, member_id, recorded_at)
		select club_id, id, id, arrived_on, arrived_on, member_id, recorded_at from parts_order where arrived_on is not null;
		insert into parts_arrival_line (club_id, arrival_id, order_id, line, quantity) select club_id, id, order_id, 0, 4 from parts_arrival;
		drop view many;
		analyze`); err != nil {
		t.Fatal(err)
	}
	run := func(queue func(b *postgres.Batch)) func(pool *pgxpool.Pool) error {
		return func(pool *pgxpool.Pool) error { return (&postgres.DB{Pool: pool}).Read(t.Context(), club, queue) }
	}
	list := func(f parts.Filter) func(pool *pgxpool.Pool) error {
		return run(func(b *postgres.Batch) { parts.ListOrders(b, f, uuid.Max, 10) })
	}
	one, repaired := postgres.ParseRef("s7"), "R7"
	pgtest.HoldPlans(t, db, club, []pgtest.Listing{
		{Name: "orders", Index: "parts_order_pkey", Run: list(parts.Filter{})},
		{Name: "open orders", Index: "parts_order_open", Run: list(parts.Filter{State: parts.Open})},
		{Name: "orders of a supplier", Index: "parts_order_of_supplier", Run: list(parts.Filter{Supplier: &one})},
		{Name: "a supplier with its deliveries", Index: "parts_order_of_supplier", Run: run(func(b *postgres.Batch) { parts.FindSupplier(b, one) })},
		{Name: "orders of a repair", Index: "parts_order_of_repair", Run: run(func(b *postgres.Batch) { parts.QueueForRepair(b, repaired) })},
		{Name: "orders of a repair, listed", Index: "parts_order_of_repair", Run: list(parts.Filter{Repair: &repaired})},
		{Name: "what a supplier's series tell", Index: "pin_series_of_supplier", Run: run(func(b *postgres.Batch) { parts.FindSupplier(b, one) })},
		{Name: "suppliers with their deliveries", Index: "supplier_code", Run: run(func(b *postgres.Batch) { parts.ListSuppliers(b, false, "s1", 10) })},
	})
}
