package calendar_test

import (
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/internal/access"
	"pinwright/internal/calendar"
	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

// largeClub fills db with a club of 4,000 tools of 400 models in 20 garages, 20,000
// reservations by 50 members of which half became loans, and 400 clubs beside it.
func largeClub(t *testing.T, db *pgtest.DB) uuid.UUID {
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
		insert into token (club_id, hash, id, member_id, label, kind, scopes, created_at, expires_at, fingerprint)
		select club_id, sha256(convert_to(id::text, 'UTF8')), id, id, 'phone', 'device', '{read}', '2026-01-01', '2027-01-01', '' from member;
		insert into garage (club_id, id, code, name, time_zone)
		select club_id, gen_random_uuid(), 'g' || n, 'Yard', 'UTC' from size, generate_series(1, case when large then 20 else 2 end) n;
		insert into tool_model (club_id, id, code, name, kind)
		select club_id, gen_random_uuid(), 'm' || n, 'Model', 'other' from size, generate_series(1, case when large then 400 else 2 end) n;
		insert into tool (club_id, id, number, model_id, garage_id)
		select m.club_id, gen_random_uuid(), m.code || '-' || n, m.id, g.id
		from tool_model m join size using (club_id) cross join generate_series(1, case when large then 10 else 1 end) n
		join garage g on g.club_id = m.club_id and g.code = 'g' || (abs(hashtext(m.code || n)) % case when large then 20 else 2 end + 1);
		insert into calibration (club_id, id, tool_id, calibrated_on, due_on, expanded_nm, coverage_factor, member_id, recorded_at)
		select t.club_id, gen_random_uuid(), t.id, date '2025-01-01' + n, date '2026-01-01' + n, 1000, 2, (select id from member m where m.club_id = t.club_id limit 1), '2025-01-01' from tool t, generate_series(1, 3) n;
		insert into closure (club_id, id, garage_id, first_day, last_day, member_id, recorded_at)
		select g.club_id, gen_random_uuid(), g.id, date '2020-01-01' + n * 30, date '2020-01-02' + n * 30, (select id from member m where m.club_id = g.club_id limit 1), '2020-01-01' from garage g, generate_series(1, 90) n;
		create view promise as select t.club_id, gen_random_uuid() as id, t.id as tool_id, n, m.id as member_id, t.garage_id
		from tool t join size using (club_id) cross join generate_series(1, case when large then 50 else 2 end) n
		join member m on t.number like '%-1' and m.club_id = t.club_id and m.number = 'M' || (abs(hashtext(t.number || n)) % case when large then 50 else 5 end + 1);
		create table made as select * from promise;
		insert into reservation (club_id, id, member_id, created_at) select club_id, id, member_id, '2026-01-01' from made;
		insert into booking (club_id, reservation_id, line, tool_id, period, held, state, garage_id)
		select club_id, id, 0, tool_id, tstzrange(starts, starts + '48h'), tstzrange(starts, starts + '50h'), case when n % 10 = 0 then 'cancelled' when n < 25 then 'returned' else 'reserved' end,
			case when n % 7 = 0 then garage_id end
		from (select *, timestamptz '2026-02-01' + n * interval '80h' as starts from made) b;
		insert into counter_act (club_id, id, kind, by_member, occurred_at, recorded_at) select club_id, id, 'handout', member_id, '2026-01-01', '2026-01-01' from made where n < 25 and n % 10 <> 0;
		insert into loan (club_id, id, reservation_id, line, tool_id, member_id, handout_id, collected_at, held_before, recorded_at, ended_at, ended)
		select club_id, id, id, 0, tool_id, member_id, id, '2026-02-01', '[2026-02-01,2026-02-02)', '2026-02-01', '2026-02-02', 'returned' from made where n < 25 and n % 10 <> 0;
		insert into calendar (club_id, id, hash, member_id, shows, created_at, fingerprint)
		select club_id, gen_random_uuid(), sha256(convert_to(id::text || n, 'UTF8')), id, 'member', '2026-01-01', '' from member join size using (club_id), generate_series(1, case when large then 400 else 2 end) n;
		drop view promise; drop table made; drop view size;
		analyze`)
	if err != nil {
		t.Fatal(err)
	}
	return club
}

func TestCalendarsAreServedByTheirIndexes(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	club := largeClub(t, db)
	read := func(queue func(b *postgres.Batch)) func(*pgxpool.Pool) error {
		return func(pool *pgxpool.Pool) error { return (&postgres.DB{Pool: pool}).Read(t.Context(), club, queue) }
	}
	token, _ := access.ReadToken(access.NewSecret(club).Reveal())
	looking := read(func(b *postgres.Batch) {
		calendar.Look(b, make([]byte, 32), time.Date(2026, 5, 10, 0, 0, 0, 0, time.UTC))
	})
	listings := []pgtest.Listing{
		{Name: "the list of calendars", Index: "calendar_pkey", Run: read(func(b *postgres.Batch) { calendar.List(b, token, uuid.Max, 101) })},
		{Name: "a calendar", Index: "calendar_pkey", Run: read(func(b *postgres.Batch) { calendar.Find(b, uuid.Max) })},
	}
	for what, index := range map[string]string{
		"its address": "calendar_hash", "a member's reservations": "reservation_of_member", "a member's loans": "loan_of_member", "the loans of a line": "loan_of_booking",
		"a tool's promises": "booking_ahead", "what was given up": "booking_abandoned", "what is out": "loan_open", "a tool's calibration": "calibration_of_tool",
		"a garage's tools": "tool_in_garage", "what is collected at another garage": "booking_at_garage", "a garage's closures": "closure_ahead",
	} {
		listings = append(listings, pgtest.Listing{Name: "a calendar by " + what, Index: index, Run: looking})
	}
	pgtest.HoldPlans(t, db, club, listings)
}
