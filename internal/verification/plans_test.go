package verification_test

import (
	"testing"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
	"pinwright/internal/verification"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

func TestVerdictsAreServedByTheirIndexes(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	club := uuid.Must(uuid.NewV7())
	if _, err := db.Owner.Exec(t.Context(), `insert into club (club_id, slug, name, currency, created_at) values ($1, 'large', 'Club', 'EUR', '2026-01-01')`, club); err != nil {
		t.Fatal(err)
	}
	if _, err := db.Owner.Exec(t.Context(), `
		insert into club (club_id, slug, name, currency, created_at) select gen_random_uuid(), 'small-' || n, 'Club', 'EUR', '2026-01-01' from generate_series(1, 20) n;
		create view many as select club_id, case slug when 'large' then 3000 else 4 end as n from club;
		insert into member (club_id, id, number, name, roles) select club_id, gen_random_uuid(), 'm1', 'Member', '{member}' from club;
		insert into garage (club_id, id, code, name, time_zone) select club_id, gen_random_uuid(), 'g', 'Garage', 'UTC' from club;
		insert into joint_template (club_id, id, code, name) select club_id, gen_random_uuid(), 'hinge', 'Hinge' from club;
		insert into vehicle (club_id, id, code, name, member_id) select m.club_id, gen_random_uuid(), 'v', 'Vehicle', m.id from member m;
		insert into procedure (club_id, id, code, name, kind_of_joint, edition) select club_id, gen_random_uuid(), 'p', 'Procedure', 'Joint', 1 from club;
		insert into procedure_edition (club_id, id, procedure_id, edition, steps, member_id, recorded_at) select p.club_id, gen_random_uuid(), p.id, 1, '[{}]', m.id, '2026-01-01' from procedure p join member m using (club_id);
		insert into repair (club_id, id, number, vehicle_id, procedure_id, edition, garage_id, lead_id, safety, began_at)
		select m.club_id, gen_random_uuid(), k, v.id, p.id, 1, g.id, m.id, false, '2026-01-01' from many join member m using (club_id) join vehicle v using (club_id) join procedure p using (club_id) join garage g using (club_id), generate_series(1, n) k;
		insert into joint (club_id, id, vehicle_id, position, template_id) select r.club_id, r.id, r.vehicle_id, 'p' || r.number, t.id from repair r join joint_template t using (club_id);
		insert into repair_joint (club_id, repair_id, joint_id) select club_id, id, id from repair;
		insert into verification (club_id, id, repair_id, joint_id, verdict, risk, content, member_id, at)
		select r.club_id, gen_random_uuid(), r.id, r.id, 'undecided', 0.05, '{"bores":[]}', m.id, '2026-01-01' from repair r join member m using (club_id), generate_series(1, 6);
		insert into nonconformity (club_id, id, repair_id, joint_id, kind, found_at, member_id, recorded_at, options, chosen, decided_at, decided_by, closed_at)
		select r.club_id, gen_random_uuid(), r.id, r.id, 'chip_jam', '2026-01-01', m.id, '2026-01-01', '[]', 'keep', '2026-01-01', m.id, case when k % 10 > 0 then timestamptz '2026-01-01' end from repair r join member m using (club_id), generate_series(1, 6) k;
		drop view many;
		analyze`); err != nil {
		t.Fatal(err)
	}
	run := func(queue func(b *postgres.Batch)) func(pool *pgxpool.Pool) error {
		return func(pool *pgxpool.Pool) error { return (&postgres.DB{Pool: pool}).Read(t.Context(), club, queue) }
	}
	open := true
	pgtest.HoldPlans(t, db, club, []pgtest.Listing{
		{Name: "verdicts of a repair", Index: "verification_of_repair", Run: run(func(b *postgres.Batch) { verification.List(b, "R7", uuid.Max, 10) })},
		{Name: "what went wrong in a repair", Index: "nonconformity_of_repair", Run: run(func(b *postgres.Batch) { verification.All(b, "R7") })},
		{Name: "what is open in a repair", Index: "nonconformity_of_repair", Run: run(func(b *postgres.Batch) { verification.ListNonconformities(b, "R7", &open, uuid.Max, 10) })},
		{Name: "one that went wrong", Index: "nonconformity_pkey", Run: run(func(b *postgres.Batch) { verification.FindByID(b, uuid.Max) })},
	})
}
