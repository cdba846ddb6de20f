package reminder_test

import (
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
	"pinwright/internal/reminder"
)

// busy makes of the world a club of 300 members, 2,000 tools and 20,000 bookings, of which
// 400 tools are out, with 12,000 reminders, and puts 300 small clubs beside it.
func (w *world) busy() {
	w.t.Helper()
	w.exec(`insert into club (club_id, slug, name, currency, created_at) select gen_random_uuid(), 'other-' || n || left($1::text, 0), 'Other', 'EUR', '2026-01-01Z' from generate_series(1, 300) n`)
	w.exec(`insert into head (club_id) select club_id from club where club_id <> $1`)
	for _, statement := range []string{
		`create table size as select club_id, slug = 'fern-row' as large from club`,
		`insert into garage (club_id, id, code, name, time_zone) select club_id, gen_random_uuid(), 'g' || n, 'Yard', 'UTC' from size, generate_series(1, case when large then 20 else 2 end) n`,
		`insert into member (club_id, id, number, name, roles) select club_id, gen_random_uuid(), 'm' || n, 'Member', '{member}' from size, generate_series(1, case when large then 300 else 4 end) n`,
		`insert into contact (club_id, member_id, mail_address) select club_id, id, 'somebody@fern-row.example' from member`,
		`insert into tool_model (club_id, id, code, name, kind) select club_id, gen_random_uuid(), 'm' || n, 'Model', 'other' from size, generate_series(1, 3) n`,
		`insert into tool (club_id, id, number, model_id, garage_id) select s.club_id, gen_random_uuid(), 't' || n, m.id, g.id
			from size s cross join generate_series(1, case when large then 2000 else 5 end) n join tool_model m on m.club_id = s.club_id and m.code = 'm1' join garage g on g.club_id = s.club_id and g.code = 'g1'`,
		`create table made as select t.club_id, t.id as tool_id, gen_random_uuid() as id, m.id as member_id, timestamptz '2026-01-01Z' + n * interval '10 days' as s, n
			from tool t join size using (club_id) cross join generate_series(0, 9) n join member m on m.club_id = t.club_id and m.number = 'm' || (abs(hashtext(t.number || n)) % case when large then 300 else 4 end + 1)
			where t.number like 't%'`,
		`insert into reservation (club_id, id, member_id, created_at, offer_until, approval, approval_at)
			select club_id, id, member_id, '2025-01-01Z', case when n = 9 and tool_id::text < '02' then s end, case when n % 4 = 1 then 'given' else 'not_needed' end, case when n % 4 = 1 then '2025-02-01Z'::timestamptz end from made`,
		`insert into booking (club_id, reservation_id, line, tool_id, period, held, state, endangered, endangered_at, choice, decide_by)
			select club_id, id, 0, tool_id, tstzrange(s, s + '9 days'), tstzrange(s, s + '9 days'), case when n < 3 then 'returned' when n = 3 and tool_id::text < '3' then 'out' else 'reserved' end,
			case when n = 9 and tool_id::text > 'fe' then 'late' end, case when n = 9 and tool_id::text > 'fe' then s end, case when n = 8 and tool_id::text > 'fe' then 1 end, case when n = 8 and tool_id::text > 'fe' then s end from made`,
		`insert into counter_act (club_id, id, kind, by_member, occurred_at, recorded_at) select m.club_id, m.id, 'handout', m.id, '2026-01-01Z', '2026-01-01Z' from member m where m.number = 'm1'`,
		`insert into loan (club_id, id, reservation_id, line, tool_id, member_id, handout_id, collected_at, held_before, recorded_at, ended_at, ended)
			select d.club_id, gen_random_uuid(), d.id, 0, d.tool_id, d.member_id, m.id, s, tstzrange(s, s + '9 days'), s, case when n < 3 then s + interval '1 day' end, case when n < 3 then 'returned' end
			from made d join member m on m.club_id = d.club_id and m.number = 'm1' where n < 3 or n = 3 and tool_id::text < '3'`,
		`insert into reminder (club_id, id, member_id, kind, subject, due_at, told_at, tools, time_zone, made_at, mail, mail_after)
			select m.club_id, gen_random_uuid(), m.id, 'moved', gen_random_uuid(), '2026-01-01Z', '2026-01-01Z', array[gen_random_uuid()], 'UTC', '2026-01-01Z', case when n = 1 then 'waiting' else 'sent' end, '2026-01-01Z'
			from member m join size s using (club_id), generate_series(1, case when large then 40 else 3 end) n`,
		`insert into event (club_id, seq, at, type, subject, subject_version, audience, digest, hash)
			select club_id, n, timestamptz '2025-01-01Z' + n * interval '1 minute', case when n % 100 = 0 then 'reservation.moved' else 'reservation.created' end, gen_random_uuid(), 1, 'club', '', ''
			from size, generate_series(1, case when large then 20000 else 20 end) n`,
		`update head set seq = 20000`,
		`drop table made`, `drop table size`, `analyze`,
	} {
		if _, err := w.pg.Owner.Exec(w.t.Context(), statement); err != nil {
			w.t.Fatalf("%s: %v", statement, err)
		}
	}
}

func TestRemindersAreServedByTheirIndexes(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.busy()
	queued := func(queue func(b *postgres.Batch)) func(*pgxpool.Pool) error {
		return func(pool *pgxpool.Pool) error { return (&postgres.DB{Pool: pool}).Read(t.Context(), w.club, queue) }
	}
	now := time.Date(2026, 3, 30, 0, 0, 0, 0, time.UTC)
	pgtest.HoldPlans(t, w.pg, w.club, []pgtest.Listing{
		{Name: "the list of own reminders", Index: "reminder_of_member", Run: queued(func(b *postgres.Batch) {
			reminder.List(b, `select id from member where club_id = $1 and number = convert_from($2, 'UTF8')`, []byte("m7"), uuid.Max, 101)
		})},
		{Name: "a contact by the member's number", Index: "member_number", Run: queued(func(b *postgres.Batch) { reminder.FindContact(b, postgres.ParseRef("m7")) })},
		{Name: "letters that wait", Index: "reminder_to_mail", Run: func(pool *pgxpool.Pool) error {
			_, _, err := reminder.Claim(t.Context(), &postgres.DB{Pool: pool}, w.club, now, 20)
			return err
		}},
	})
	// What a search costs that comes every minute and finds nothing: much less than that minute, in a large club too.
	if _, err := reminder.Sweep(t.Context(), w.db, w.club, now); err != nil {
		t.Fatal(err)
	}
	began := time.Now()
	made, err := reminder.Sweep(t.Context(), w.db, w.club, now)
	if took := time.Since(began); err != nil || made != 0 || took > 10*time.Second {
		t.Errorf("the second sweep made %d and took %s: %v", made, took, err)
	} else {
		t.Logf("a sweep that finds nothing takes %s", took)
	}
}
