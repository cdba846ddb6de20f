package waiting_test

import (
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
	"pinwright/internal/waiting"
)

// largeClub fills db with a club of 20,000 entries of 200 members for 500 tools of 100
// models, of which 10 are open, and 100 clubs of some entries beside it.
func largeClub(t *testing.T, db *pgtest.DB) uuid.UUID {
	t.Helper()
	club := uuid.Must(uuid.NewV7())
	if _, err := db.Owner.Exec(t.Context(), `
		insert into club (club_id, slug, name, currency, created_at)
		select case n when 0 then $1 else gen_random_uuid() end, 'club-' || n, 'Club', 'EUR', '2026-01-01' from generate_series(0, 100) n`, club); err != nil {
		t.Fatal(err)
	}
	if _, err := db.Owner.Exec(t.Context(), `
		insert into head (club_id, seq) select club_id, 0 from club;
		create view size as select club_id, slug = 'club-0' as large from club;
		insert into member (club_id, id, number, name, roles)
		select club_id, gen_random_uuid(), 'M' || n, 'Member', '{member}' from size, generate_series(1, case when large then 200 else 5 end) n;
		insert into token (club_id, hash, id, member_id, label, kind, scopes, created_at, expires_at, fingerprint)
		select club_id, sha256(convert_to(id::text, 'UTF8')), gen_random_uuid(), id, 'phone', 'personal', '{read}', '2026-01-01Z', '2027-01-01Z', '' from member;
		insert into garage (club_id, id, code, name, time_zone) select club_id, gen_random_uuid(), 'yard', 'Yard', 'UTC' from club;
		insert into tool_model (club_id, id, code, name, kind)
		select club_id, gen_random_uuid(), 'm' || n, 'Model', 'other' from size, generate_series(1, case when large then 100 else 3 end) n;
		insert into tool (club_id, id, number, model_id, garage_id)
		select m.club_id, gen_random_uuid(), m.code || '-' || n, m.id, g.id from tool_model m join garage g using (club_id) cross join generate_series(1, 5) n;
		create table made as select s.club_id, gen_random_uuid() as id, n, m.id as member_id, t.id as tool_id, t.model_id
		from size s cross join generate_series(1, case when large then 20000 else 20 end) n
		join member m on m.club_id = s.club_id and m.number = 'M' || (n % case when large then 200 else 5 end + 1)
		join tool t on t.club_id = s.club_id and t.number = 'm' || (n % case when large then 100 else 3 end + 1) || '-' || (n % 5 + 1);
		insert into waiting_entry (club_id, id, member_id, joined_by, joined_at, window_from, window_until, hours, state, changed_at)
		select club_id, id, member_id, member_id, timestamptz '2026-05-01Z' + n * interval '1 minute', '2026-06-01Z', '2026-07-01Z', 24, case when n % 2000 = 0 then 'waiting' when n % 3 = 0 then 'passed' else 'left' end, '2026-05-01Z' from made;
		insert into waiting_line (club_id, entry_id, ordinal, tool_id, model_id) select club_id, id, 0, case when n % 2 = 0 then tool_id end, case when n % 2 = 1 then model_id end from made;
		insert into reservation (club_id, id, member_id, created_at) select club_id, id, member_id, '2026-01-01' from made;
		insert into booking (club_id, reservation_id, line, tool_id, period, held, state)
		select club_id, id, 0, tool_id, tstzrange('2026-06-01Z', '2026-06-02Z'), tstzrange('2026-06-01Z', '2026-06-02Z'), 'cancelled' from made;
		insert into waiting_offer (club_id, entry_id, reservation_id, period, offered_at, offer_until, outcome, ended_at)
		select club_id, id, id, '[2026-06-01Z,2026-06-02Z)', '2026-05-01Z', '2026-05-02Z', 'lapsed', '2026-05-02Z' from made;
		insert into event (club_id, seq, at, type, subject, subject_version, audience, digest, hash)
		select club_id, n, '2026-01-01Z', case when n % 10 = 0 then 'tool.changed' else 'reading.created' end, id, 1, 'club', '', '' from made;
		insert into club (club_id, slug, name, currency, created_at) select gen_random_uuid(), 'small', 'Club', 'EUR', '2026-01-01' from generate_series(1, 2000);
		insert into head (club_id) select club_id from club where slug = 'small';
		update head h set seq = (select max(e.seq) from event e where e.club_id = h.club_id) where exists (select from event e where e.club_id = h.club_id);
		insert into kit (club_id, id, code, name) select s.club_id, gen_random_uuid(), 'k' || n, 'Kit' from size s, generate_series(1, case when s.large then 2000 else 5 end) n;
		insert into kit_part (club_id, kit_id, ordinal, model_id) select k.club_id, k.id, n, m.id from kit k join tool_model m on m.club_id = k.club_id and m.code = 'm1' cross join generate_series(0, 2) n;
		drop table made; drop view size; analyze`); err != nil {
		t.Fatal(err)
	}
	return club
}

func TestTheLineIsServedByItsIndexes(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	club := largeClub(t, db)
	var one, holder uuid.UUID
	if err := db.Owner.QueryRow(t.Context(), `select id, member_id from waiting_entry where club_id = $1 and state = 'waiting' order by joined_at desc limit 1`, club).Scan(&one, &holder); err != nil {
		t.Fatal(err)
	}
	read := func(queue func(b *postgres.Batch)) func(*pgxpool.Pool) error {
		return func(pool *pgxpool.Pool) error { return (&postgres.DB{Pool: pool}).Read(t.Context(), club, queue) }
	}
	list := func(f waiting.Filter) func(*pgxpool.Pool) error {
		return read(func(b *postgres.Batch) {
			waiting.List(b, `select member_id from token where club_id = $1 and hash = $2`, make([]byte, 32), f, uuid.Max, 101)
		})
	}
	pgtest.HoldPlans(t, db, club, []pgtest.Listing{
		{Name: "the list", Index: "waiting_entry_pkey", Run: list(waiting.Filter{})},
		{Name: "the list of one's own", Index: "waiting_entry_of_member", Run: list(waiting.Filter{})},
		{Name: "the list of a member's", Index: "waiting_entry_of_member", Run: list(waiting.Filter{Member: "M7"})},
		{Name: "the list of a state", Index: "waiting_entry_in_state", Run: list(waiting.Filter{State: "waiting"})},
		{Name: "the list of a tool's", Index: "waiting_line_of_tool", Run: list(waiting.Filter{Tool: "m7-2"})},
		{Name: "the list of a model's", Index: "waiting_line_of_model", Run: list(waiting.Filter{Model: "m8"})},
		{Name: "an entry", Index: "waiting_entry_pkey", Run: read(func(b *postgres.Batch) { waiting.Find(b, one) })},
		{Name: "who is ahead", Index: "waiting_entry_open", Run: read(func(b *postgres.Batch) { waiting.AheadOf(b, one) })},
		{Name: "a sweep", Index: "waiting_entry_open", Run: func(pool *pgxpool.Pool) error {
			_, err := waiting.Sweep(t.Context(), &postgres.DB{Pool: pool}, club, time.Date(2026, 8, 1, 0, 0, 0, 0, time.UTC))
			return err
		}},
	})
}
