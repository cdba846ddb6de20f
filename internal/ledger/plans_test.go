package ledger_test

import (
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/internal/ledger"
	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

// largeClub fills db with a club of 20,000 entries of 200 members and 100 tools, and
// 30 clubs of some beside it. Triggers are left aside for speed; what they write is written.
func largeClub(t *testing.T, db *pgtest.DB) uuid.UUID {
	t.Helper()
	club := uuid.Must(uuid.NewV7())
	for _, sql := range []string{
		`insert into club (club_id, slug, name, currency, created_at) select case n when 0 then '` + club.String() + `'::uuid else gen_random_uuid() end, 'club-' || n, 'Club', 'EUR', '2026-01-01' from generate_series(0, 30) n`,
		`create view size as select club_id, slug = 'club-0' as large from club`,
		`insert into member (club_id, id, number, name, roles) select club_id, gen_random_uuid(), 'M' || n, 'Member', '{member}' from size, generate_series(0, case when large then 199 else 4 end) n`,
		`insert into garage (club_id, id, code, name, time_zone) select club_id, gen_random_uuid(), 'yard', 'Yard', 'UTC' from club`,
		`insert into tool_model (club_id, id, code, name, kind) select club_id, gen_random_uuid(), 'm', 'Model', 'other' from club`,
		`insert into tool (club_id, id, number, model_id, garage_id) select m.club_id, gen_random_uuid(), 't' || n, m.id, g.id from tool_model m join garage g using (club_id) cross join generate_series(0, 99) n`,
		`alter table entry disable trigger user`, `alter table posting disable trigger user`,
		`insert into account (club_id, id, kind, currency) select club_id, gen_random_uuid(), k, 'EUR' from club, unnest('{bank,fund,charges}'::text[]) k`,
		`insert into account (club_id, id, kind, member_id, currency) select club_id, gen_random_uuid(), k, id, 'EUR' from member, unnest('{member,deposit}'::text[]) k`,
		`insert into entry (club_id, id, number, booked_on, kind, reason, member_id, tool_id, minor, currency, lines, by_member, recorded_at)
			select s.club_id, gen_random_uuid(), n, date '2020-01-01' + n / 20, 'charge', 'use', m.id, t.id, 100, 'EUR', 2, m.id, '2026-01-01Z'
			from size s cross join generate_series(1, case when large then 20000 else 20 end) n
			join member m on m.club_id = s.club_id and m.number = 'M' || n % case when large then 200 else 5 end join tool t on t.club_id = s.club_id and t.number = 't' || n % 100`,
		`insert into posting (club_id, entry_id, line, account_id, currency, minor, entry_number, balance)
			select e.club_id, e.id, l, a.id, 'EUR', 100 - 200 * l, e.number, 0 from entry e cross join generate_series(0, 1) l
			join account a on a.club_id = e.club_id and case l when 0 then a.kind = 'member' and a.member_id = e.member_id else a.kind = 'fund' end`,
		`insert into closing (club_id, id, closed_until, member_id, recorded_at) select m.club_id, gen_random_uuid(), date '1960-01-01' + n, m.id, '2026-01-01Z' from member m, generate_series(1, 2000) n where m.number = 'M1' and m.club_id = '` + club.String() + `'`,
		`drop view size`, `analyze`,
	} {
		if _, err := db.Owner.Exec(t.Context(), sql); err != nil {
			t.Fatalf("%v\n%s", err, sql)
		}
	}
	return club
}

func TestBooksAreServedByTheirIndexes(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	club := largeClub(t, db)
	var one uuid.UUID
	if err := db.Owner.QueryRow(t.Context(), `select id from entry where club_id = $1 and number = 777`, club).Scan(&one); err != nil {
		t.Fatal(err)
	}
	read := func(queue func(b *postgres.Batch)) func(*pgxpool.Pool) error {
		return func(pool *pgxpool.Pool) error { return (&postgres.DB{Pool: pool}).Read(t.Context(), club, queue) }
	}
	list := func(f ledger.Filter) func(*pgxpool.Pool) error {
		return read(func(b *postgres.Batch) { ledger.ListEntries(b, f, 1e18, 101) })
	}
	m7 := postgres.ParseRef("M7")
	pgtest.HoldPlans(t, db, club, []pgtest.Listing{
		{Name: "the entries", Index: "entry_number", Run: list(ledger.Filter{})},
		{Name: "the entries of a member", Index: "entry_of_member", Run: list(ledger.Filter{Member: "M7"})},
		{Name: "the entries of a tool", Index: "entry_of_tool", Run: list(ledger.Filter{Tool: "t7"})},
		{Name: "an entry", Index: "entry_pkey", Run: read(func(b *postgres.Batch) { ledger.FindEntry(b, one) })},
		{Name: "the accounts", Index: "account_of_each", Run: read(func(b *postgres.Batch) { ledger.ListAccounts(b, "member", one, 101) })},
		{Name: "the accounts of a member", Index: "account_of_each", Run: read(func(b *postgres.Batch) { ledger.AccountsOf(b, m7) })},
		{Name: "a statement", Index: "posting_of_account", Run: read(func(b *postgres.Batch) { ledger.Statement(b, m7, 1e18, 101) })},
		{Name: "the closings", Index: "closing_day", Run: read(func(b *postgres.Batch) { ledger.ListClosings(b, time.Now(), 101) })},
	})
}
