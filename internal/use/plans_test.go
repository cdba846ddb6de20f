package use_test

import (
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
	"pinwright/internal/use"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

// lentAndUsed fills db with a club of 600 tools, each lent ten times and used three times on each loan, and
// fifty small clubs beside it. It returns the club and one of its loans.
func lentAndUsed(t *testing.T, db *pgtest.DB) (club, loan uuid.UUID) {
	t.Helper()
	club = uuid.Must(uuid.NewV7())
	if _, err := db.Owner.Exec(t.Context(), `insert into club (club_id, slug, name, currency, created_at) values ($1, 'large', 'Club', 'EUR', '2026-01-01')`, club); err != nil {
		t.Fatal(err)
	}
	if _, err := db.Owner.Exec(t.Context(), `
		insert into club (club_id, slug, name, currency, created_at) select gen_random_uuid(), 'small-' || n, 'Club', 'EUR', '2026-01-01' from generate_series(1, 50) n;
		create view size as select club_id, slug = 'large' as large from club;
		insert into member (club_id, id, number, name, roles) select club_id, gen_random_uuid(), 'M' || k, 'Member', '{member}' from size, generate_series(1, case when large then 600 else 2 end) k;
		insert into garage (club_id, id, code, name, time_zone) select club_id, gen_random_uuid(), 'g', 'Garage', 'UTC' from club;
		insert into tool_model (club_id, id, code, name, kind, size_nm) select club_id, gen_random_uuid(), 'm' || k, 'Model', 'reamer', 8000000 from size, generate_series(1, case when large then 300 else 1 end) k;
		insert into tool (club_id, id, number, model_id, garage_id) select m.club_id, gen_random_uuid(), m.code || '-' || k, m.id, g.id from tool_model m join size using (club_id) join garage g using (club_id), generate_series(1, 2) k;
		insert into calibration (club_id, id, tool_id, calibrated_on, due_on, expanded_nm, coverage_factor, member_id, recorded_at)
		select t.club_id, gen_random_uuid(), t.id, date '2026-01-01' + k, '2027-01-01', 1000, 2, m.id, '2026-01-01' from tool t join member m on m.club_id = t.club_id and m.number = 'M1', generate_series(1, 8) k;
		insert into counter_act (club_id, id, kind, by_member, occurred_at, recorded_at) select club_id, gen_random_uuid(), 'handout', id, '2026-01-01', '2026-01-01' from member where number = 'M1';
		create table made as select t.club_id, gen_random_uuid() as id, t.id as tool_id, m.id as member_id, timestamptz '2026-01-01' + k * interval '80h' as starts
			from tool t join size using (club_id) cross join generate_series(1, 10) k
			join member m on m.club_id = t.club_id and m.number = 'M' || (abs(hashtext(t.number || k)) % case when large then 600 else 2 end + 1);
		insert into reservation (club_id, id, member_id, created_at) select club_id, id, member_id, '2026-01-01' from made;
		insert into booking (club_id, reservation_id, line, tool_id, period, held, state) select club_id, id, 0, tool_id, tstzrange(starts, starts + '48h'), tstzrange(starts, starts + '50h'), 'returned' from made;
		insert into loan (club_id, id, reservation_id, line, tool_id, member_id, handout_id, collected_at, held_before, recorded_at, ended_at, ended)
		select m.club_id, m.id, m.id, 0, m.tool_id, m.member_id, a.id, starts, tstzrange(starts, starts + '50h'), starts, starts + '47h', 'returned' from made m join counter_act a using (club_id);
		drop table made;
		insert into joint_template (club_id, id, code, name) select club_id, gen_random_uuid(), 'hinge' || k, 'Hinge' from size, generate_series(1, case when large then 300 else 1 end) k;
		insert into vehicle (club_id, id, code, name, member_id) select m.club_id, gen_random_uuid(), 'v' || k, 'Vehicle', m.id from member m join size using (club_id), generate_series(1, case when large then 300 else 1 end) k where m.number = 'M1';
		insert into procedure (club_id, id, code, name, kind_of_joint, edition) select club_id, gen_random_uuid(), 'p', 'Procedure', 'Joint', 1 from club;
		insert into procedure_edition (club_id, id, procedure_id, edition, steps, member_id, recorded_at)
		select p.club_id, gen_random_uuid(), p.id, e, '[{"phase":"ream","name":"Ream"}]', m.id, '2026-01-01' from procedure p join member m on m.club_id = p.club_id and m.number = 'M1', generate_series(1, 40) e;
		insert into repair (club_id, id, number, vehicle_id, procedure_id, edition, garage_id, lead_id, safety, began_at)
		select m.club_id, gen_random_uuid(), k, v.id, p.id, k % 40 + 1, g.id, m.id, false, '2026-01-01' from member m join size using (club_id) join procedure p using (club_id) join garage g using (club_id)
			cross join generate_series(1, case when large then 2500 else 2 end) k join vehicle v on v.club_id = m.club_id and v.code = 'v' || case when large then k % 300 + 1 else 1 end where m.number = 'M1';
		insert into joint (club_id, id, vehicle_id, position, template_id) select r.club_id, r.id, r.vehicle_id, 'p' || r.number, t.id from repair r join size using (club_id) join joint_template t on t.club_id = r.club_id and t.code = 'hinge' || case when large then r.number % 300 + 1 else 1 end;
		insert into feature (club_id, id, joint_id, ordinal, code, shape, duty) select club_id, gen_random_uuid(), id, k, 'bore' || k, 'bore', 'running' from joint, generate_series(1, 3) k;
		insert into repair_joint (club_id, repair_id, joint_id) select club_id, id, id from repair;
		insert into repair_step (club_id, id, repair_id, ordinal, key, joint_id, state, began_at, done_at, done_by)
		select r.club_id, gen_random_uuid(), r.id, 0, 'ream' || k, r.id, 'done', '2026-01-01', timestamptz '2026-01-01' + r.number * interval '1h', r.lead_id from repair r, generate_series(1, 3) k;
		insert into workplan (club_id, id, repair_id, number, made_at, member_id, content) select club_id, id, id, 1, '2026-01-01', lead_id, '{}' from repair;
		insert into workplan_reservation (club_id, workplan_id, reservation_id)
		select p.club_id, p.id, v.id from (select *, row_number() over (partition by club_id order by id) as n from workplan) p join (select *, row_number() over (partition by club_id order by id) as n from reservation) v on v.club_id = p.club_id and v.n = p.n;
		insert into verification (club_id, id, repair_id, joint_id, verdict, risk, content, member_id, at) select club_id, id, id, id, 'proved', 0.05, '{}', lead_id, '2026-01-01' from repair;
		insert into reamer_cut (club_id, verification_id, feature_id, tool_id, cut_at, size_nm, u_nm)
		select v.club_id, v.id, f.id, (select t.id from tool t where t.club_id = v.club_id order by hashtext(t.id::text || f.id::text) limit 1), '2026-01-05', 8000000, 1000 from verification v join feature f on f.club_id = v.club_id and f.joint_id = v.joint_id;
		insert into reading (club_id, id, feature_id, kind, size_nm, entered, entered_unit, stage, surface, taken_at, received_at, member_id, fingerprint, instrument_id)
		select k.club_id, gen_random_uuid(), k.feature_id, 'measured', 8000000, 8, 'mm', 'as_found', 'bright', timestamptz '2026-01-01' + n * interval '1h', '2026-01-01', v.member_id, '', k.tool_id from reamer_cut k join verification v on v.club_id = k.club_id and v.id = k.verification_id, generate_series(1, 2) n;
		insert into reading_void (club_id, reading_id, reason, at, member_id) select club_id, id, 'slip', '2026-01-01', member_id from reading where hashtext(id::text) % 7 = 0;
		insert into tool_use (club_id, id, tool_id, loan_id, member_id, repair_id, joint_id, used_at, recorded_at, recorded_by, work, count)
		select l.club_id, gen_random_uuid(), l.tool_id, l.id, l.member_id, r.id, r.id, l.collected_at + k * interval '1h', l.collected_at, l.member_id, 'holes', 1
		from loan l, generate_series(1, 3) k, lateral (select x.id from repair x where x.club_id = l.club_id and x.number = abs(hashtext(l.id::text)) % 2 + 1) r;
		insert into tool_check (club_id, id, tool_id, kind, size_nm, u_nm, checked_at, member_id, recorded_at) select club_id, gen_random_uuid(), tool_id, 'check_cut', 8000000, 1000, collected_at, member_id, collected_at from loan;
		insert into tool_renewal (club_id, id, tool_id, kind, done_at, member_id, recorded_at) select club_id, gen_random_uuid(), tool_id, 'sharpened', collected_at, member_id, collected_at from loan;
		drop view size;
		analyze`); err != nil {
		t.Fatal(err)
	}
	if err := db.Owner.QueryRow(t.Context(), `select id from loan where club_id = $1 limit 1`, club).Scan(&loan); err != nil {
		t.Fatal(err)
	}
	return club, loan
}

func TestUsesAreServedByTheirIndexes(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	club, loan := lentAndUsed(t, db)
	run := func(queue func(b *postgres.Batch)) func(pool *pgxpool.Pool) error {
		return func(pool *pgxpool.Pool) error { return (&postgres.DB{Pool: pool}).Read(t.Context(), club, queue) }
	}
	tool, at := postgres.ParseRef("m7-1"), time.Date(2026, 2, 1, 0, 0, 0, 0, time.UTC)
	one := uuid.Must(uuid.NewV7())
	list := func(f use.Filter) func(pool *pgxpool.Pool) error {
		return run(func(b *postgres.Batch) { use.List(b, tool, f, at, uuid.Max, 11) })
	}
	lines := []use.Line{{At: "/uses/0", Tool: tool, Member: "M7", Repair: "R7", Joint: "p7", Feature: "bore1", Use: use.Use{ID: one, Work: use.Holes, Count: 1}}}
	listings := []pgtest.Listing{
		{Name: "a tool's uses", Index: "tool_use_of_tool", Run: list(use.Filter{})},
		{Name: "a tool's uses of a loan", Index: "tool_use_of_loan", Run: list(use.Filter{Loan: &loan})},
		{Name: "a tool's uses by a member", Index: "tool_use_of_member", Run: list(use.Filter{Member: "M7"})},
		// By the tool's index or by the repair's, whichever has fewer.
		{Name: "a tool's uses for a repair", Index: "repair_pkey", Run: list(use.Filter{Repair: "R7"})},
		{Name: "a use", Index: "tool_use_pkey", Run: run(func(b *postgres.Batch) { use.Find(b, tool, one, false) })},
		{Name: "checks", Index: "tool_check_of_tool", Run: run(func(b *postgres.Batch) { use.ListChecks(b, tool, at, uuid.Max, 11) })},
		{Name: "renewals", Index: "tool_renewal_of_tool", Run: run(func(b *postgres.Batch) { use.ListRenewals(b, tool, at, uuid.Max, 11) })},
		{Name: "what lines name", Index: "feature_code", Run: run(func(b *postgres.Batch) { use.LookUp(b, lines) })},
	}
	for _, index := range []string{"tool_use_of_tool", "tool_renewal_of_tool", "tool_check_of_tool", "calibration_of_tool"} {
		listings = append(listings, pgtest.Listing{Name: "a tool's life", Index: index, Run: run(func(b *postgres.Batch) { use.FindLife(b, tool) })})
	}
	for _, index := range []string{"loan_pkey", "reamer_cut_of_tool", "repair_step_done", "workplan_reservation_pkey", "reading_by_instrument", "reading_of_feature", "tool_use_of_loan", "verification_of_repair"} {
		listings = append(listings, pgtest.Listing{Name: "hints of a loan", Index: index, Run: run(func(b *postgres.Batch) { use.FindHints(b, loan) })})
	}
	pgtest.HoldPlans(t, db, club, listings)
}
