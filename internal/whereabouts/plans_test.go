package whereabouts_test

import (
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
	"pinwright/internal/whereabouts"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

// largeClub fills db with a club of 8,000 tools in 20 garages, 20,000 bookings of
// which most are over, as many loans, of which a hundred are open, and 200 clubs of ten tools beside it.
func largeClub(t *testing.T, db *pgtest.DB) uuid.UUID {
	t.Helper()
	club := uuid.Must(uuid.NewV7())
	if _, err := db.Owner.Exec(t.Context(), `insert into club (club_id, slug, name, currency, created_at)
		select case n when 0 then $1 else gen_random_uuid() end, 'club-' || n, 'Club', 'EUR', '2026-01-01' from generate_series(0, 200) n`, club); err != nil {
		t.Fatal(err)
	}
	if _, err := db.Owner.Exec(t.Context(), `
		create view size as select club_id, slug = 'club-0' as large from club;
		insert into garage (club_id, id, code, name, time_zone)
		select club_id, gen_random_uuid(), 'g' || n, 'Yard', 'Europe/Lisbon' from size, generate_series(1, case when large then 20 else 2 end) n;
		insert into member (club_id, id, number, name, roles, garage_id)
		select s.club_id, gen_random_uuid(), 'M' || n, 'Member', '{member}', (select id from garage g where g.club_id = s.club_id and g.code = 'g1') from size s, generate_series(1, case when large then 50 else 5 end) n;
		insert into tool_model (club_id, id, code, name, kind)
		select club_id, gen_random_uuid(), 'm' || n, 'Model', 'other' from size, generate_series(1, case when large then 800 else 5 end) n;
		insert into tool (club_id, id, number, model_id, garage_id)
		select m.club_id, gen_random_uuid(), m.code || '-' || n, m.id, g.id
		from tool_model m join size using (club_id) cross join generate_series(1, case when large then 10 else 2 end) n
		join garage g on g.club_id = m.club_id and g.code = 'g' || (abs(hashtext(m.code || n)) % case when large then 20 else 2 end + 1);
		create table made as
		select t.club_id, gen_random_uuid() as id, gen_random_uuid() as act, gen_random_uuid() as back, gen_random_uuid() as loan, t.id as tool_id, t.garage_id, n, n = 20 and length(t.number) < 6 as stays, m.id as member_id,
		       timestamptz '2026-01-01' + n * interval '80h' as starts
		from tool t join size using (club_id) cross join generate_series(1, case when large then 25 else 3 end) n
		join member m on t.number like '%-1' and m.club_id = t.club_id and m.number = 'M' || (abs(hashtext(t.number || n)) % case when large then 50 else 5 end + 1);
		insert into reservation (club_id, id, member_id, created_at) select club_id, id, member_id, '2026-01-01' from made;
		insert into booking (club_id, reservation_id, line, tool_id, period, held, state)
		select club_id, id, 0, tool_id, tstzrange(starts, starts + '48h'), tstzrange(starts, starts + '50h'), case when stays then 'out' when n <= 20 then 'returned' else 'reserved' end from made;
		insert into counter_act (club_id, id, kind, by_member, garage_id, occurred_at, recorded_at)
		select club_id, act, 'handout', member_id, garage_id, starts, starts from made where n <= 20
		union all select club_id, back, 'return', member_id, garage_id, starts + '40h', starts + '40h' from made where n <= 20 and not stays;
		insert into loan (club_id, id, reservation_id, line, tool_id, member_id, handout_id, collected_at, held_before, recorded_at, return_id, ended_at, ended, condition_in)
		select club_id, loan, id, 0, tool_id, member_id, act, starts, tstzrange(starts, starts + '50h'), starts,
		       case when not stays then back end, case when not stays then starts + '40h' end, case when not stays then 'returned' end, case when not stays then 'good' end from made where n <= 20;
		insert into tool_change (club_id, tool_id, at, condition) select club_id, tool_id, starts, 'good' from made;
		insert into inspection (club_id, id, tool_id, verdict, condition, inspected_at, member_id, recorded_at)
		select club_id, gen_random_uuid(), tool_id, 'good', 'good', starts, member_id, starts from made;
		insert into calibration (club_id, id, tool_id, calibrated_on, due_on, expanded_nm, coverage_factor, member_id, recorded_at)
		select club_id, gen_random_uuid(), tool_id, '2026-01-01', '2027-01-01', 1000, 2, member_id, '2026-01-01' from made;
		update reservation set offer_until = '2027-01-01' where id::text < '001';
		update reservation set approval = 'awaited' where id::text > 'ffe';
		update tool set place_garage_id = garage_id where id::text < '01';
		insert into closure (club_id, id, first_day, last_day, member_id, recorded_at)
		select club_id, gen_random_uuid(), date '2020-01-01' + n, date '2020-01-01' + n, (select id from member m where m.club_id = s.club_id limit 1), '2020-01-01' from size s, generate_series(1, 500) n;
		insert into garage_hours (club_id, garage_id, weekday, opens, closes) select club_id, id, n, '08:00', '20:00' from garage, generate_series(1, 6) n;
		drop table made; drop view size;
		analyze`); err != nil {
		t.Fatal(err)
	}
	return club
}

func TestWhatIsReadIsServedByItsIndexes(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	club := largeClub(t, db)
	now := time.Date(2026, 3, 12, 12, 0, 0, 0, time.UTC) // some are out, some to come
	read := func(queue func(b *postgres.Batch)) func(*pgxpool.Pool) error {
		return func(pool *pgxpool.Pool) error {
			return (&postgres.DB{Pool: pool}).Read(t.Context(), club, queue)
		}
	}
	garage, tool := postgres.ParseRef("g7"), postgres.ParseRef("m7-1")
	day := read(func(b *postgres.Batch) { whereabouts.QueueDay(b, garage, nil, now) })
	standing := read(func(b *postgres.Batch) { whereabouts.FindStanding(b, tool, now) })
	history := read(func(b *postgres.Batch) { whereabouts.ListHistory(b, tool, whereabouts.First, 101) })
	life := read(func(b *postgres.Batch) { whereabouts.QueueLife(b, tool, now.AddDate(0, -6, 0), now.AddDate(0, 2, 0)) })
	chart := func(of *postgres.Ref) func(*pgxpool.Pool) error {
		return read(func(b *postgres.Batch) { whereabouts.QueueChart(b, of, now, now.AddDate(0, 0, 28)) })
	}
	pgtest.HoldPlans(t, db, club, []pgtest.Listing{
		{Name: "what goes out", Index: "booking_begins", Run: day},
		{Name: "what is out", Index: "loan_open", Run: day},
		{Name: "what comes back", Index: "booking_ends", Run: day},
		{Name: "what is offered", Index: "reservation_offered", Run: day},
		{Name: "what awaits an approval", Index: "reservation_awaiting", Run: day},
		{Name: "what lives there", Index: "tool_in_garage", Run: day},
		{Name: "what is there", Index: "tool_at_place", Run: day},
		{Name: "where a tool is", Index: "loan_open", Run: standing},
		{Name: "who has it next", Index: "booking_next", Run: standing},
		{Name: "the loans of a tool", Index: "loan_of_tool", Run: history},
		{Name: "the calibrations of a tool", Index: "calibration_of_tool", Run: history},
		{Name: "the inspections of a tool", Index: "inspection_of_tool", Run: history},
		{Name: "the changes of a tool", Index: "tool_change_of_tool", Run: history},
		{Name: "a tool's promises", Index: "booking_next", Run: life},
		{Name: "a tool's loans in some months", Index: "loan_of_tool", Run: life},
		{Name: "the club's next weeks", Index: "tool_number", Run: chart(nil)},
		{Name: "a garage's next weeks", Index: "tool_in_garage", Run: chart(&garage)},
		{Name: "the closed days of the weeks", Index: "closure_ahead", Run: chart(&garage)},
		{Name: "the sheet for a cupboard", Index: "tool_in_garage", Run: read(func(b *postgres.Batch) { whereabouts.ListKept(b, garage, "", 201) })},
	})
}
