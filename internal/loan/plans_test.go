package loan_test

import (
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/internal/loan"
	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

// largeClub fills db with a club of 4,000 tools, each lent five times, of which
// every fiftieth is out, and 200 small clubs beside it.
func largeClub(t *testing.T, db *pgtest.DB) uuid.UUID {
	t.Helper()
	club := uuid.Must(uuid.NewV7())
	_, err := db.Owner.Exec(t.Context(), `
		insert into club (club_id, slug, name, currency, created_at)
		select case n when 0 then $1 else gen_random_uuid() end, 'club-' || n, 'Club', 'EUR', '2026-01-01' from generate_series(0, 200) n`, club)
	if err != nil {
		t.Fatal(err)
	}
	_, err = db.Owner.Exec(t.Context(), `
		create view size as select club_id, slug = 'club-0' as large from club;
		insert into member (club_id, id, number, name, roles)
		select club_id, gen_random_uuid(), 'M' || n, 'Member', '{member}' from size, generate_series(1, case when large then 50 else 3 end) n;
		insert into garage (club_id, id, code, name, time_zone) select club_id, gen_random_uuid(), 'g', 'Yard', 'UTC' from size;
		insert into tool_model (club_id, id, code, name, kind)
		select club_id, gen_random_uuid(), 'm' || n, 'Model', 'other' from size, generate_series(1, case when large then 400 else 2 end) n;
		insert into tool (club_id, id, number, model_id, garage_id)
		select m.club_id, gen_random_uuid(), m.code || '-' || n, m.id, g.id
		from tool_model m join size using (club_id) cross join generate_series(1, case when large then 10 else 1 end) n join garage g on g.club_id = m.club_id;
		insert into counter_act (club_id, id, kind, by_member, occurred_at, recorded_at)
		select distinct on (club_id) club_id, gen_random_uuid(), 'handout', id, timestamptz '2026-01-01', timestamptz '2026-01-01' from member;
		create table made as select t.club_id, gen_random_uuid() as id, t.id as tool_id, n, m.id as member_id,
			n = 5 and abs(hashtext(t.number)) % 50 = 0 as out, timestamptz '2026-05-01' + n * interval '80h' as starts
		from tool t join size using (club_id) cross join generate_series(1, 5) n
		join member m on m.club_id = t.club_id and m.number = 'M' || (abs(hashtext(t.number || n)) % case when large then 50 else 3 end + 1);
		insert into reservation (club_id, id, member_id, created_at) select club_id, id, member_id, '2026-01-01' from made;
		insert into booking (club_id, reservation_id, line, tool_id, period, held, state)
		select club_id, id, 0, tool_id, tstzrange(starts, starts + '48h'), tstzrange(starts, starts + '50h'), case when out then 'out' else 'returned' end from made;
		insert into loan (club_id, id, reservation_id, line, tool_id, member_id, handout_id, collected_at, held_before, recorded_at, ended_at, ended)
		select m.club_id, gen_random_uuid(), m.id, 0, m.tool_id, m.member_id, a.id, starts, tstzrange(starts, starts + '50h'), starts,
			case when out then null else starts + '47h' end, case when out then null else 'returned' end
		from made m join counter_act a on a.club_id = m.club_id;
		insert into inspection (club_id, id, tool_id, verdict, condition, inspected_at, member_id, recorded_at)
		select club_id, gen_random_uuid(), tool_id, 'good', 'good', starts, member_id, starts from made;
		insert into hand_over (club_id, id, loan_id, to_member, offered_at, answered_at, answer)
		select club_id, gen_random_uuid(), id, member_id, collected_at, collected_at, 'declined' from loan;
		insert into garage (club_id, id, code, name, time_zone) select club_id, gen_random_uuid(), 'h' || n, 'Yard', 'UTC' from size, generate_series(1, 20) n;
		insert into counter_act (club_id, id, kind, by_member, occurred_at, recorded_at) select club_id, id, 'return', member_id, starts, starts from made;
		drop table made; drop view size;
		analyze`)
	if err != nil {
		t.Fatal(err)
	}
	return club
}

func TestLoansAreServedByTheirIndexes(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	club := largeClub(t, db)
	now := time.Date(2026, 6, 10, 0, 0, 0, 0, time.UTC)
	read := func(queue func(b *postgres.Batch)) func(*pgxpool.Pool) error {
		return func(pool *pgxpool.Pool) error {
			return (&postgres.DB{Pool: pool}).Read(t.Context(), club, queue)
		}
	}
	list := func(f loan.Filter) func(*pgxpool.Pool) error {
		f.Now = now
		return read(func(b *postgres.Batch) { loan.List(b, f, uuid.Max, 101) })
	}
	pgtest.HoldPlans(t, db, club, []pgtest.Listing{
		{Name: "the list of loans", Index: "loan_pkey", Run: list(loan.Filter{})},
		{Name: "the list of open loans", Index: "loan_out", Run: list(loan.Filter{State: "open"})},
		{Name: "the list of late loans", Index: "loan_out", Run: list(loan.Filter{State: "late"})},
		{Name: "the list of a member's loans", Index: "loan_of_member", Run: list(loan.Filter{Member: "M7"})},
		{Name: "the list of a tool's loans", Index: "loan_of_tool", Run: list(loan.Filter{Tool: "m7-1"})},
		{Name: "the list of a tool's inspections", Index: "inspection_of_tool", Run: read(func(b *postgres.Batch) {
			loan.ListInspections(b, postgres.Ref{Name: "m7-1"}, uuid.Max, 101)
		})},
	})
}
