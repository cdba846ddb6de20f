package tariff_test

import (
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
	"pinwright/internal/tariff"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

// largeClub fills db with a club of 300 models and 2,000 editions of rules, and 30 small
// clubs beside it.
func largeClub(t *testing.T, db *pgtest.DB) uuid.UUID {
	t.Helper()
	club := uuid.Must(uuid.NewV7())
	for _, sql := range []string{
		`insert into club (club_id, slug, name, currency, created_at) select case n when 0 then '` + club.String() + `'::uuid else gen_random_uuid() end, 'club-' || n, 'Club', 'EUR', '2026-01-01' from generate_series(0, 30) n`,
		`create view size as select club_id, slug = 'club-0' as large from club`,
		`insert into member (club_id, id, number, name, roles) select club_id, gen_random_uuid(), 'M' || n, 'Member', '{member}' from size, generate_series(0, case when large then 199 else 4 end) n`,
		`insert into tool_model (club_id, id, code, name, kind, size_nm) select club_id, gen_random_uuid(), 'm' || n, 'Model', 'reamer', 8000000 from size, generate_series(0, case when large then 299 else 4 end) n`,
		`insert into charge_rule (club_id, id, number, valid_from, late_minor, late_grace_days, least_minor, consumables, exempt, member_id, recorded_at)
			select m.club_id, gen_random_uuid(), n, date '2020-01-01' + n::int, 100, 0, 0, '{}', '{}', m.id, '2026-01-01Z' from member m, generate_series(1, 2000) n where m.number = 'M1' and m.club_id = '` + club.String() + `'`,
		`insert into tool_cost (club_id, id, model_id, number, valid_from, cost_minor, sharpenings, sharpening_minor, residual_minor, life, unit, defaults, member_id, recorded_at)
			select m.club_id, gen_random_uuid(), x.id, n, date '2020-01-01' + n::int, 100, 0, 0, 0, 100, 'holes', '{}', m.id, '2026-01-01Z' from member m join tool_model x using (club_id) cross join generate_series(1, 20) n where m.number = 'M1'`,
		`drop view size`, `analyze`,
	} {
		if _, err := db.Owner.Exec(t.Context(), sql); err != nil {
			t.Fatalf("%v\n%s", err, sql)
		}
	}
	return club
}

func TestEditionsAreServedByTheirIndexes(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	club := largeClub(t, db)
	read := func(queue func(b *postgres.Batch)) func(*pgxpool.Pool) error {
		return func(pool *pgxpool.Pool) error { return (&postgres.DB{Pool: pool}).Read(t.Context(), club, queue) }
	}
	pgtest.HoldPlans(t, db, club, []pgtest.Listing{
		{Name: "the rules", Index: "charge_rule_edition", Run: read(func(b *postgres.Batch) { tariff.ListRules(b, 1<<62, 101) })},
		{Name: "the costs of a model", Index: "tool_cost_edition", Run: read(func(b *postgres.Batch) { tariff.ListCosts(b, postgres.ParseRef("m7"), 1<<62, 101) })},
	})
}

// lentAndCharged adds to the large club 3,000 loans of 300 tools that were quoted and charged.
func lentAndCharged(t *testing.T, db *pgtest.DB) {
	t.Helper()
	for _, sql := range []string{
		`create view size as select club_id, slug = 'club-0' as large from club`,
		`insert into garage (club_id, id, code, name, time_zone) select club_id, gen_random_uuid(), 'yard' || n, 'Yard', 'UTC' from club, generate_series(0, 30) n`,
		`insert into tool (club_id, id, number, model_id, garage_id) select m.club_id, gen_random_uuid(), 't' || substr(m.code, 2), m.id, g.id from tool_model m join garage g on g.club_id = m.club_id and g.code = 'yard0'`,
		`insert into counter_act (club_id, id, kind, by_member, occurred_at, recorded_at) select distinct on (club_id) club_id, gen_random_uuid(), 'handout', id, timestamptz '2026-01-01', timestamptz '2026-01-01' from member`,
		`create table made as select t.club_id, gen_random_uuid() as id, gen_random_uuid() as loan_id, gen_random_uuid() as quote_id, gen_random_uuid() as charge_id, t.id as tool_id, t.model_id, n, m.id as member_id, timestamptz '2026-05-01' + n * interval '80h' as starts
			from tool t join size using (club_id) cross join generate_series(1, 10) n
			join member m on m.club_id = t.club_id and m.number = 'M' || (abs(hashtext(t.number || n)) % case when large then 200 else 5 end)`,
		`insert into reservation (club_id, id, member_id, created_at) select club_id, id, member_id, '2026-01-01' from made`,
		`insert into booking (club_id, reservation_id, line, tool_id, period, held, state) select club_id, id, 0, tool_id, tstzrange(starts, starts + '48h'), tstzrange(starts, starts + '50h'), 'returned' from made`,
		`insert into loan (club_id, id, reservation_id, line, tool_id, member_id, handout_id, collected_at, held_before, recorded_at, ended_at, ended)
			select m.club_id, m.loan_id, m.id, 0, m.tool_id, m.member_id, a.id, starts, tstzrange(starts, starts + '50h'), starts, starts + '47h', 'returned' from made m join counter_act a using (club_id)`,
		`insert into tool_use (club_id, id, tool_id, loan_id, member_id, used_at, recorded_at, recorded_by, work, count) select club_id, gen_random_uuid(), tool_id, loan_id, member_id, starts, starts, member_id, 'holes', 2 from made, generate_series(1, 3)`,
		`insert into tool_renewal (club_id, id, tool_id, kind, done_at, member_id, recorded_at) select club_id, gen_random_uuid(), tool_id, 'replaced', starts - interval '1h', member_id, starts from made`,
		`insert into quote (club_id, id, member_id, reservation_id, currency, by_member, quoted_at) select club_id, quote_id, member_id, case when n % 2 = 0 then id end, 'EUR', member_id, starts - interval '1 day' from made`,
		`insert into quote_line (club_id, quote_id, line, tool_id, model_id, period, units, use_minor, consumables_minor, other_minor, reckoned) select club_id, quote_id, 0, tool_id, model_id, tstzrange(starts, starts + '48h'), 2, 4, 0, 0, '{}' from made`,
		`insert into loan_charge (club_id, id, loan_id, tool_id, member_id, lent_at, quote_id, quote_line, cost_number, currency, units, flat_minor, wear_minor, consumables_minor, other_minor, late_minor, damage_minor, reckoned, booked_on, by_member, charged_at)
			select club_id, charge_id, loan_id, tool_id, member_id, starts, quote_id, 0, 20, 'EUR', 6, 0, 6, 0, 0, 0, 0, '{}', '2026-06-01', member_id, starts + interval '50h' from made`,
		`alter table entry disable trigger user`,
		`insert into entry (club_id, id, number, booked_on, kind, reason, member_id, minor, currency, lines, by_member, recorded_at) select club_id, charge_id, row_number() over (partition by club_id), '2026-06-01', 'charge', 'use', member_id, 6, 'EUR', 2, member_id, starts from made`,
		`insert into loan_charge_entry (club_id, charge_id, reason, entry_id) select club_id, charge_id, 'use', charge_id from made`,
		`drop table made`, `drop view size`, `analyze`,
	} {
		if _, err := db.Owner.Exec(t.Context(), sql); err != nil {
			t.Fatalf("%v\n%s", err, sql)
		}
	}
}

func TestQuotesAndChargesAreServedByTheirIndexes(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	club := largeClub(t, db)
	lentAndCharged(t, db)
	var loan, quote, reservation uuid.UUID
	if err := db.Owner.QueryRow(t.Context(), `select l.id, x.quote_id, l.reservation_id from loan l join loan_charge x on x.club_id = l.club_id and x.loan_id = l.id where l.club_id = $1 order by l.id limit 1`, club).Scan(&loan, &quote, &reservation); err != nil {
		t.Fatal(err)
	}
	read := func(queue func(b *postgres.Batch)) func(*pgxpool.Pool) error {
		return func(pool *pgxpool.Pool) error { return (&postgres.DB{Pool: pool}).Read(t.Context(), club, queue) }
	}
	who := tariff.Named(postgres.ParseRef("M7"))
	t7, m8 := postgres.ParseRef("t7"), postgres.ParseRef("m8")
	wishes := []tariff.Wish{{Tool: &t7, Starts: time.Now(), Ends: time.Now().Add(time.Hour)}, {Model: &m8, Starts: time.Now(), Ends: time.Now().Add(time.Hour)}}
	pgtest.HoldPlans(t, db, club, []pgtest.Listing{
		{Name: "the quotes", Index: "quote_pkey", Run: read(func(b *postgres.Batch) { tariff.ListQuotes(b, uuid.Max, 101) })},
		{Name: "a member's quotes", Index: "quote_of_member", Run: read(func(b *postgres.Batch) { tariff.ListQuotesFor(b, who, uuid.Max, 101) })},
		{Name: "a quote", Index: "quote_pkey", Run: read(func(b *postgres.Batch) { tariff.FindQuote(b, quote) })},
		{Name: "what a quote rests on", Index: "tool_cost_edition", Run: read(func(b *postgres.Batch) { tariff.FactsOfWishes(b, who, wishes) })},
		{Name: "what a reservation's quote rests on", Index: "loan_charge_of_tool", Run: read(func(b *postgres.Batch) { tariff.FactsOfReservation(b, reservation) })},
		{Name: "what is to be charged", Index: "loan_ended", Run: read(func(b *postgres.Batch) {
			tariff.ListToCharge(b, time.Date(2026, 5, 20, 0, 0, 0, 0, time.UTC), time.Date(2030, 1, 1, 0, 0, 0, 0, time.UTC), uuid.Max, 101)
		})},
		{Name: "what a loan's charge rests on", Index: "loan_charge_of_tool", Run: read(func(b *postgres.Batch) { tariff.Look(b, loan) })},
	})
}
