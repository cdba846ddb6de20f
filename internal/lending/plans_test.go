package lending_test

import (
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/internal/lending"
	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

// largeClub fills db with a club of 8,000 tools of 800 models and 20,000 bookings
// by 50 members, and 400 clubs of five tools and ten bookings beside it.
func largeClub(t testing.TB, db *pgtest.DB) uuid.UUID {
	t.Helper()
	club := uuid.Must(uuid.NewV7())
	_, err := db.Owner.Exec(t.Context(), `
		insert into club (club_id, slug, name, currency, created_at)
		select case n when 0 then $1 else gen_random_uuid() end, 'club-' || n, 'Club', 'EUR', '2026-01-01' from generate_series(0, 400) n`, club)
	if err != nil {
		t.Fatal(err)
	}
	_, err = db.Owner.Exec(t.Context(), `
		create view size as select club_id, slug = 'club-0' as large from club;
		insert into member (club_id, id, number, name, roles)
		select club_id, gen_random_uuid(), 'M' || n, 'Member', '{member}' from size, generate_series(1, case when large then 50 else 5 end) n;
		insert into garage (club_id, id, code, name, time_zone) 
		select club_id, gen_random_uuid(), 'g' || n, 'Yard', 'UTC' from size, generate_series(1, case when large then 20 else 6 end) n;
		insert into tool_model (club_id, id, code, name, kind)
		select club_id, gen_random_uuid(), 'm' || n, 'Model', 'other' from size, generate_series(1, case when large then 800 else 5 end) n;
		insert into tool (club_id, id, number, model_id, garage_id)
		select m.club_id, gen_random_uuid(), m.code || '-' || n, m.id, g.id
		from tool_model m join size using (club_id) cross join generate_series(1, case when large then 10 else 1 end) n
		join garage g on g.club_id = m.club_id and g.code = 'g' || (abs(hashtext(m.code || n)) % 2 + 1);
		create view promise as select t.club_id, gen_random_uuid() as id, t.id as tool_id, n, m.id as member_id
		from tool t join size using (club_id) cross join generate_series(1, case when large then 25 else 2 end) n
		join member m on t.number like '%-1' and m.club_id = t.club_id and m.number = 'M' || (abs(hashtext(t.number || n)) % case when large then 50 else 5 end + 1);
		create table made as select * from promise;
		insert into reservation (club_id, id, member_id, created_at) select club_id, id, member_id, '2026-01-01' from made;
		insert into booking (club_id, reservation_id, line, tool_id, period, held)
		select club_id, id, 0, tool_id, tstzrange(starts, starts + '48h'), tstzrange(starts, starts + '50h')
		from (select *, timestamptz '2026-05-01' + n * interval '80h' as starts from made) b;
		insert into certificate (club_id, id, member_id, model_id, certified_by, certified_at)
		select m.club_id, gen_random_uuid(), m.id, t.id, m.id, '2026-01-01' from member m join tool_model t using (club_id);
		insert into lending_rule (club_id, fair_share_percent) select club_id, 50 from club;
		insert into garage_hours (club_id, garage_id, weekday, opens, closes) select club_id, id, d, '08:00', '20:00' from garage, generate_series(1, 6) d;
		insert into travel_time (club_id, garage_id, other_garage_id, minutes) select a.club_id, a.id, b.id, 30 from garage a join garage b on a.club_id = b.club_id and a.id < b.id and (a.code = 'g1' or b.code = 'g1');
		insert into closure (club_id, id, first_day, last_day, member_id, recorded_at)
		select club_id, gen_random_uuid(), day, day, id, '2020-01-01' from member, generate_series(date '2020-01-01', date '2026-12-31', interval '200 days') day where number = 'M1';
		insert into kit (club_id, id, code, name) select club_id, gen_random_uuid(), 'k' || n, 'Kit' from size, generate_series(1, case when large then 500 else 2 end) n;
		insert into kit_part (club_id, kit_id, ordinal, model_id) select k.club_id, k.id, n, m.id from kit k cross join generate_series(1, 2) n join tool_model m on m.club_id = k.club_id and m.code = 'm' || n;
		insert into calibration (club_id, id, tool_id, calibrated_on, due_on, expanded_nm, coverage_factor, member_id, recorded_at)
		select t.club_id, gen_random_uuid(), t.id, '2026-01-01', '2027-01-01', 1, 2, m.id, '2026-01-01' from tool t join member m on m.club_id = t.club_id and m.number = 'M1';
		insert into counter_act (club_id, id, kind, by_member, occurred_at, recorded_at) select club_id, id, 'handout', id, '2026-01-01', '2026-01-01' from member where number = 'M1';
		insert into loan (club_id, id, reservation_id, line, tool_id, member_id, handout_id, collected_at, held_before, recorded_at, ended, ended_at)
		select b.club_id, b.reservation_id, b.reservation_id, 0, b.tool_id, b.member_id, m.id, '2026-01-01', b.held, '2026-01-01', case when b.n > 1 then 'returned' end, case when b.n > 1 then timestamptz '2026-02-01' end
		from (select *, row_number() over (partition by club_id, tool_id order by reservation_id) as n from booking) b join member m on m.club_id = b.club_id and m.number = 'M1';
		update booking b set state = 'out' from loan l where l.club_id = b.club_id and l.reservation_id = b.reservation_id and l.ended is null;
		drop view promise; drop table made; drop view size;
		analyze`)
	if err != nil {
		t.Fatal(err)
	}
	return club
}

func TestLendingIsServedByItsIndexes(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	club := largeClub(t, db)
	now := time.Date(2026, 5, 10, 0, 0, 0, 0, time.UTC)
	read := func(queue func(b *postgres.Batch)) func(*pgxpool.Pool) error {
		return func(pool *pgxpool.Pool) error {
			return (&postgres.DB{Pool: pool}).Read(t.Context(), club, queue)
		}
	}
	write := func(queue func(b *postgres.Batch)) func(*pgxpool.Pool) error {
		return func(pool *pgxpool.Pool) error {
			return (&postgres.DB{Pool: pool}).Write(t.Context(), club, now, queue, func(*postgres.Tx) error { return nil })
		}
	}
	list := func(f lending.Filter) func(*pgxpool.Pool) error {
		return read(func(b *postgres.Batch) { lending.List(b, f, uuid.Max, 101) })
	}
	var one uuid.UUID
	if err := db.Owner.QueryRow(t.Context(), `select id from reservation where club_id = $1 limit 1`, club).Scan(&one); err != nil {
		t.Fatal(err)
	}
	var member uuid.UUID
	if err := db.Owner.QueryRow(t.Context(), `select id from member where club_id = $1 and number = 'M7'`, club).Scan(&member); err != nil {
		t.Fatal(err)
	}
	period := &lending.Period{From: now, Until: now.Add(24 * time.Hour)}
	change := lending.Change{Common: lending.When{Period: period}, Now: now}
	wish := lending.Wish{Now: now, Common: lending.When{Period: period}, Lines: []lending.Line{{Tool: "m7-1"}, {Model: "m8"}}}
	pgtest.HoldPlans(t, db, club, []pgtest.Listing{
		{Name: "the list of reservations", Index: "reservation_pkey", Run: list(lending.Filter{})},
		{Name: "the list of a member's reservations", Index: "reservation_of_member", Run: list(lending.Filter{Member: "M7"})},
		{Name: "the list of a tool's reservations", Index: "booking_of_tool", Run: list(lending.Filter{Tool: "m7-1"})},
		{Name: "the list of a member's reservations of a tool", Index: "booking_of_tool", Run: list(lending.Filter{Tool: "m7-1", Member: "M7"})},
		{Name: "a reservation", Index: "reservation_pkey", Run: read(func(b *postgres.Batch) { lending.Find(b, one) })},
		{Name: "locking a reservation", Index: "tool_pkey", Run: write(func(b *postgres.Batch) { lending.LockReservation(b, one) })},
		{Name: "reserving", Index: "booking_ahead", Run: write(func(b *postgres.Batch) { lending.Lock(b, lending.Member(member), wish) })},
		{Name: "reserving a model", Index: "tool_of_model", Run: write(func(b *postgres.Batch) { lending.Lock(b, lending.Member(member), wish) })},
		{Name: "reserving a tool by number", Index: "tool_number", Run: write(func(b *postgres.Batch) { lending.Lock(b, lending.Member(member), wish) })},
		{Name: "what a member was promised", Index: "booking_of_member", Run: write(func(b *postgres.Batch) { lending.Lock(b, lending.Member(member), wish) })},
		{Name: "what a member has", Index: "loan_open_of_member", Run: write(func(b *postgres.Batch) { lending.Lock(b, lending.Member(member), wish) })},
		{Name: "what is out", Index: "booking_out", Run: write(func(b *postgres.Batch) { lending.Lock(b, lending.Member(member), wish) })},
		{Name: "changing", Index: "booking_ahead", Run: write(func(b *postgres.Batch) { lending.LockForChange(b, one, change) })},
		{Name: "the list of certificates", Index: "certificate_pkey", Run: read(func(b *postgres.Batch) { lending.ListCertificates(b, "", "", uuid.Max, 101) })},
		{Name: "a member's certificates", Index: "certificate_listed", Run: read(func(b *postgres.Batch) { lending.ListCertificates(b, "M7", "", uuid.Max, 101) })},
		{Name: "a model's certificates", Index: "certificate_of_model", Run: read(func(b *postgres.Batch) { lending.ListCertificates(b, "", "m7", uuid.Max, 101) })},
		{Name: "availability", Index: "booking_ahead", Run: read(func(b *postgres.Batch) {
			lending.CommonFree(b, lending.Need{Tools: []string{"m7-1"}, Models: []string{"m8", "m9"}}, lending.Period{From: now, Until: now.Add(90 * 24 * time.Hour)}, 72*time.Hour, 5)
		})},
		{Name: "availability with its reasons", Index: "loan_open", Run: read(func(b *postgres.Batch) {
			lending.CommonFreeAndWhy(b, lending.Need{Tools: []string{"m7-1"}, Models: []string{"m8", "m9"}, Kits: []string{"k7"}, Garage: "g1"},
				lending.Period{From: now, Until: now.Add(90 * 24 * time.Hour)}, 72*time.Hour, 5)
		})},
	})
}
