package bank_test

import (
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/internal/bank"
	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

// What lists read of a large club beside small ones: 20,000 rows, 4,000 files, a hundredth of them open, and as
// many entries, of which half belong to rows. Triggers are left aside for speed.
func TestRowsOfTheBankAreListedByTheirKeys(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	club := uuid.Must(uuid.NewV7())
	for _, sql := range []string{
		`insert into club (club_id, slug, name, currency, created_at) select case n when 0 then '` + club.String() + `'::uuid else gen_random_uuid() end, 'club-' || n, 'Club', 'EUR', '2026-01-01' from generate_series(0, 30) n`,
		`create view size as select club_id, slug = 'club-0' as large from club`,
		`insert into member (club_id, id, number, name, roles) select club_id, gen_random_uuid(), 'M' || n, 'Member', '{member}' from size, generate_series(0, case when large then 199 else 4 end) n`,
		`alter table entry disable trigger user`, `alter table posting disable trigger user`, `alter table bank_row disable trigger user`,
		`insert into account (club_id, id, kind, currency) select club_id, gen_random_uuid(), k, 'EUR' from club, unnest('{bank,fund}'::text[]) k`,
		`insert into account (club_id, id, kind, member_id, currency) select club_id, gen_random_uuid(), 'member', id, 'EUR' from member`,
		`insert into entry (club_id, id, number, booked_on, kind, member_id, minor, currency, lines, by_member, recorded_at)
			select s.club_id, gen_random_uuid(), n, date '2020-01-01' + n / 20, 'payment', m.id, 100, 'EUR', 2, m.id, '2026-01-01Z'
			from size s cross join generate_series(1, case when large then 20000 else 20 end) n join member m on m.club_id = s.club_id and m.number = 'M' || n % case when large then 200 else 5 end`,
		`insert into posting (club_id, entry_id, line, account_id, currency, minor, entry_number, balance)
			select e.club_id, e.id, l, a.id, 'EUR', 100 - 200 * l, e.number, 0 from entry e cross join generate_series(0, 1) l
			join account a on a.club_id = e.club_id and case l when 0 then a.kind = 'bank' else a.kind = 'member' and a.member_id = e.member_id end`,
		`insert into bank_statement (club_id, id, member_id, recorded_at, rows_read, created, existing)
			select m.club_id, gen_random_uuid(), m.id, '2026-01-01Z', 200, 200, 0 from member m join size using (club_id) cross join generate_series(1, case when large then 20 else 1 end) order by 2`,
		`insert into bank_row (club_id, id, statement_id, row_number, booked_on, minor, currency, reference, name, digest, state, entry_id, decided_by, decided_at)
			select e.club_id, gen_random_uuid(), f.id, e.number, e.booked_on, 100, 'EUR', 'reference', 'name', sha256(e.id::text::bytea), case when e.number % 100 = 0 then 'open' when e.number % 2 = 0 then 'booked' else 'set_aside' end,
			       case when e.number % 100 <> 0 and e.number % 2 = 0 then e.id end, e.by_member, '2026-01-01Z'
			from entry e join (select club_id, id, row_number() over (partition by club_id order by id) as n, count(*) over (partition by club_id) as all_of from bank_statement) f on f.club_id = e.club_id and f.n = 1 + e.number % f.all_of`,
		`analyze`,
	} {
		if _, err := db.Owner.Exec(t.Context(), sql); err != nil {
			t.Fatalf("%v\n%s", err, sql)
		}
	}
	var one, file uuid.UUID
	var digest []byte
	if err := db.Owner.QueryRow(t.Context(), `select id, statement_id, digest from bank_row where club_id = $1 limit 1`, club).Scan(&one, &file, &digest); err != nil {
		t.Fatal(err)
	}
	read := func(queue func(b *postgres.Batch)) func(*pgxpool.Pool) error {
		return func(pool *pgxpool.Pool) error { return (&postgres.DB{Pool: pool}).Read(t.Context(), club, queue) }
	}
	last := uuid.MustParse("ffffffff-ffff-ffff-ffff-ffffffffffff")
	list := func(f bank.Filter) func(*pgxpool.Pool) error {
		return read(func(b *postgres.Batch) { bank.List(b, f, last, 101) })
	}
	day := time.Date(2022, 1, 1, 0, 0, 0, 0, time.UTC)
	pgtest.HoldPlans(t, db, club, []pgtest.Listing{
		{Name: "the rows", Index: "bank_row_pkey", Run: list(bank.Filter{})},
		{Name: "the open rows", Index: "bank_row_open", Run: list(bank.Filter{State: bank.Open})},
		{Name: "the rows of a file", Index: "bank_row_of_statement", Run: list(bank.Filter{Statement: &file})},
		{Name: "a row", Index: "bank_row_pkey", Run: read(func(b *postgres.Batch) { bank.Find(b, one) })},
		{Name: "the rows that are known", Index: "bank_row_once", Run: read(func(b *postgres.Batch) { bank.Known(b, [][]byte{digest}) })},
		{Name: "what was booked about a day", Index: "entry_booked_on", Run: read(func(b *postgres.Batch) { bank.MadeBetween(b, day, day) })},
		{Name: "what the open rows may be", Index: "bank_row_open", Run: read(func(b *postgres.Batch) { bank.MadeAbout(b, nil) })},
		{Name: "what a row may be", Index: "entry_booked_on", Run: read(func(b *postgres.Batch) { bank.MadeAbout(b, &one) })},
		{Name: "the files", Index: "bank_statement_pkey", Run: read(func(b *postgres.Batch) { bank.ListStatements(b, last, 101) })},
	})
}
