package record_test

import (
	"testing"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
	"pinwright/internal/record"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

// A club of 2,000 repairs of two joints with their readings, verdicts and records, and 100 clubs of
// ten beside it.
func TestRecordsAreServedByTheirIndexes(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	club := uuid.Must(uuid.NewV7())
	if _, err := db.Owner.Exec(t.Context(), `insert into club (club_id, slug, name, currency, created_at)
		select case n when 0 then $1 else gen_random_uuid() end, 'club-' || n, 'Club', 'EUR', '2026-01-01' from generate_series(0, 100) n`, club); err != nil {
		t.Fatal(err)
	}
	if _, err := db.Owner.Exec(t.Context(), `
		create view size as select club_id, case slug when 'club-0' then 2000 else 10 end as n from club;
		insert into member (club_id, id, number, name, roles) select club_id, gen_random_uuid(), 'M' || k, 'Member', '{member}' from size, generate_series(1, n / 5) k;
		insert into garage (club_id, id, code, name, time_zone) select club_id, gen_random_uuid(), 'g' || k, 'Yard', 'UTC' from size, generate_series(1, n / 5) k;
		insert into tool_model (club_id, id, code, name, kind) select club_id, gen_random_uuid(), 'm' || k, 'Model', 'micrometer' from size, generate_series(1, n) k;
		insert into tool (club_id, id, number, model_id, garage_id) select m.club_id, gen_random_uuid(), m.code, m.id, g.id from tool_model m join garage g on g.club_id = m.club_id and g.code = 'g1';
		insert into calibration (club_id, id, tool_id, calibrated_on, due_on, expanded_nm, coverage_factor, member_id, recorded_at)
		select t.club_id, gen_random_uuid(), t.id, date '2025-01-01' + 100 * k, date '2027-01-01', 2000, 2, m.id, '2026-01-01' from tool t join member m on m.club_id = t.club_id and m.number = 'M1', generate_series(1, 3) k;
		insert into joint_template (club_id, id, code, name) select club_id, gen_random_uuid(), 't' || k, 'Template' from size, generate_series(1, n / 5) k;
		insert into procedure (club_id, id, code, name, kind_of_joint, edition) select club_id, gen_random_uuid(), 'p' || k, 'Procedure', 'Joint', 1 from size, generate_series(1, n / 5) k;
		insert into procedure_edition (club_id, id, procedure_id, edition, steps, member_id, recorded_at) select p.club_id, gen_random_uuid(), p.id, 1, '[{"key": "a"}]', m.id, '2026-01-01' from procedure p join member m on m.club_id = p.club_id and m.number = 'M1';
		insert into vehicle (club_id, id, code, name, member_id) select s.club_id, gen_random_uuid(), 'v' || k, 'Vehicle', m.id from size s join member m on m.club_id = s.club_id and m.number = 'M1', generate_series(1, s.n / 5) k;
		insert into joint (club_id, id, vehicle_id, position, template_id) select v.club_id, gen_random_uuid(), v.id, 'j' || k, t.id from vehicle v join joint_template t on t.club_id = v.club_id and t.code = 't1', generate_series(1, 10) k;
		insert into feature (club_id, id, joint_id, ordinal, code, shape, duty, nominal_nm, usual) select j.club_id, gen_random_uuid(), j.id, 0, 'bore', 'bore', 'running', 9000000, true from joint j;
		insert into repair (club_id, id, number, vehicle_id, procedure_id, edition, garage_id, lead_id, safety, began_at)
		select s.club_id, gen_random_uuid(), k, v.id, p.id, 1, g.id, m.id, false, '2026-01-01Z' from size s cross join lateral generate_series(1, s.n) k
		join vehicle v on v.club_id = s.club_id and v.code = 'v' || ((k - 1) / 5 + 1) join procedure p on p.club_id = s.club_id and p.code = 'p1' join garage g on g.club_id = s.club_id and g.code = 'g1'
		join member m on m.club_id = s.club_id and m.number = 'M1';
		insert into repair_joint (club_id, repair_id, joint_id) select r.club_id, r.id, j.id from repair r join joint j on j.club_id = r.club_id and j.vehicle_id = r.vehicle_id
		and j.position in ('j' || ((r.number - 1) % 5 * 2 + 1), 'j' || ((r.number - 1) % 5 * 2 + 2));
		insert into repair_step (club_id, id, repair_id, ordinal, key, joint_id) select x.club_id, gen_random_uuid(), x.repair_id, k, 's' || k, x.joint_id from repair_joint x, generate_series(1, 5) k;
		insert into reading (club_id, id, feature_id, kind, size_nm, entered, entered_unit, stage, surface, taken_at, received_at, member_id, fingerprint, instrument_id)
		select f.club_id, gen_random_uuid(), f.id, 'measured', 9000000, 9, 'mm', 'cleaned', 'bright', '2026-01-01Z', '2026-01-01Z', m.id, '', t.id
		from feature f join member m on m.club_id = f.club_id and m.number = 'M1' join tool t on t.club_id = f.club_id and t.number = 'm1', generate_series(1, 3);
		insert into reading_void (club_id, reading_id, reason, at, member_id) select club_id, id, 'x', '2026-01-01Z', member_id from reading where id::text like '%7';
		insert into verification (club_id, id, repair_id, joint_id, verdict, risk, content, member_id, at)
		select x.club_id, gen_random_uuid(), x.repair_id, x.joint_id, 'proved', 0.05, jsonb_build_object('reamer_tool', t.id), r.lead_id, '2026-01-02'
		from repair_joint x join repair r on r.club_id = x.club_id and r.id = x.repair_id join tool t on t.club_id = x.club_id and t.number = 'm2';
		insert into reamer_cut (club_id, verification_id, feature_id, tool_id, cut_at, size_nm, u_nm) select v.club_id, v.id, f.id, (v.content->>'reamer_tool')::uuid, '2026-01-02', 9000000, 1000 from verification v join feature f on f.club_id = v.club_id and f.joint_id = v.joint_id;
		insert into nonconformity (club_id, id, repair_id, joint_id, kind, found_at, member_id, recorded_at, options, chosen, decided_at, decided_by, closed_at)
		select x.club_id, gen_random_uuid(), x.repair_id, x.joint_id, 'oversize_cut', '2026-01-01Z', r.lead_id, '2026-01-01Z', '[]', 'keep', '2026-01-02Z', r.lead_id, '2026-01-02Z'
		from repair_joint x join repair r on r.club_id = x.club_id and r.id = x.repair_id;
		update repair set state = 'signed', signed_at = '2026-02-01Z', signed_by = lead_id where number > 50;
		insert into repair_record (club_id, id, vehicle_id, repair_id, place, previous, hash, content, made_at)
		select r.club_id, gen_random_uuid(), r.vehicle_id, r.id, (r.number - 1) % 5 + 1, case when (r.number - 1) % 5 > 0 then sha256(convert_to(r.club_id::text || (r.number - 1), 'UTF8')) end, sha256(convert_to(r.club_id::text || r.number, 'UTF8')), r.club_id::text || r.number, '2026-02-01Z'
		from repair r where r.number > 50 order by r.number;
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
		{Name: "what a record is made of", Index: "repair_record_once", Run: list(func(b *postgres.Batch) { record.LookUp(b, "R77") })},
	})
}
