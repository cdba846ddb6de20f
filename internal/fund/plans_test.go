package fund

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

// manyClubs fills db with 60 clubs of 8 tools and 400 loans with a use each. A forecast reads two years of a club, so what
// is held is that it reads no other club's rows.
func manyClubs(t *testing.T, db *pgtest.DB) uuid.UUID {
	t.Helper()
	club := uuid.Must(uuid.NewV7())
	for _, sql := range []string{
		`insert into club (club_id, slug, name, currency, created_at) select case n when 0 then '` + club.String() + `'::uuid else gen_random_uuid() end, 'club-' || n, 'Club', 'EUR', '2026-01-01' from generate_series(0, 59) n`,
		`insert into member (club_id, id, number, name, roles) select club_id, gen_random_uuid(), 'M' || n, 'Member', '{member}' from club, generate_series(0, 19) n`,
		`insert into garage (club_id, id, code, name, time_zone) select club_id, gen_random_uuid(), 'yard', 'Yard', 'UTC' from club`,
		`insert into tool_model (club_id, id, code, name, kind) select club_id, gen_random_uuid(), 'm' || n, 'Model', 'other' from club, generate_series(0, 7) n`,
		`insert into tool (club_id, id, number, model_id, garage_id) select m.club_id, gen_random_uuid(), 't' || m.code, m.id, g.id from tool_model m join garage g using (club_id)`,
		`insert into account (club_id, id, kind, currency) select club_id, gen_random_uuid(), k, 'EUR' from club, unnest('{bank,fund,charges}'::text[]) k`,
		`insert into account (club_id, id, kind, member_id, currency) select club_id, gen_random_uuid(), k, id, 'EUR' from member, unnest('{member,deposit}'::text[]) k`,
		`insert into reservation (club_id, id, member_id, created_at) select m.club_id, gen_random_uuid(), m.id, '2026-01-01Z'::timestamptz + n * interval '1 day' from member m, generate_series(1, 20) n`,
		`create temp table line as select r.club_id, r.id, r.member_id, t.id as tool_id, tstzrange('2026-01-01Z'::timestamptz + n * interval '1 hour', '2026-01-01Z'::timestamptz + n * interval '1 hour' + interval '30 minutes') as period
			from (select *, row_number() over (partition by club_id) as n from reservation) r join (select *, row_number() over (partition by club_id) - 1 as k from tool) t on t.club_id = r.club_id and t.k = r.n % 8`,
		`insert into booking (club_id, reservation_id, line, tool_id, period, held, state) select club_id, id, 0, tool_id, period, period, 'returned' from line`,
		`insert into counter_act (club_id, id, kind, by_member, occurred_at, recorded_at) select club_id, id, 'handout', member_id, lower(period), lower(period) from line`,
		`insert into loan (club_id, id, reservation_id, line, tool_id, member_id, handout_id, collected_at, held_before, ended_at, ended, recorded_at)
			select club_id, gen_random_uuid(), id, 0, tool_id, member_id, id, lower(period), period, upper(period), 'returned', lower(period) from line`,
		`insert into tool_use (club_id, id, tool_id, loan_id, member_id, used_at, recorded_at, recorded_by, work, count) select club_id, gen_random_uuid(), tool_id, id, member_id, collected_at, collected_at, member_id, 'other', 3 from loan`,
		`insert into tool_renewal (club_id, id, tool_id, kind, done_at, member_id, recorded_at) select t.club_id, gen_random_uuid(), t.id, 'sharpened', '2020-01-01Z'::timestamptz + n * interval '1 day', m.id, '2020-01-01Z'
			from tool t join member m using (club_id), generate_series(1, 30) n where m.number = 'M1'`,
		`insert into tool_cost (club_id, id, model_id, number, valid_from, cost_minor, sharpenings, sharpening_minor, residual_minor, life, unit, defaults, member_id, recorded_at)
			select m.club_id, gen_random_uuid(), x.id, n, date '2020-01-01' + n::int, 100, 0, 0, 0, 100, 'holes', '{}', m.id, '2026-01-01Z' from member m join tool_model x using (club_id) cross join generate_series(1, 20) n where m.number = 'M1'`,
		`alter table entry disable trigger user`,
		`insert into entry (club_id, id, number, booked_on, kind, reason, member_id, tool_id, minor, currency, lines, by_member, recorded_at)
			select l.club_id, gen_random_uuid(), row_number() over (partition by l.club_id), '2026-06-01', 'charge', 'use', l.member_id, l.tool_id, 100, 'EUR', 2, l.member_id, '2026-06-01Z' from loan l`,
		`analyze`,
	} {
		if _, err := db.Owner.Exec(t.Context(), sql); err != nil {
			t.Fatalf("%v\n%s", err, sql)
		}
	}
	return club
}

func TestAForecastReadsItsClubOnly(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	club := manyClubs(t, db)
	pgtest.HoldPlans(t, db, club, []pgtest.Listing{{Name: "a forecast", Index: "tool_use_of_loan", Run: func(pool *pgxpool.Pool) error {
		return (&postgres.DB{Pool: pool}).Read(t.Context(), club, func(b *postgres.Batch) { ownRows(b, time.Date(2027, 1, 1, 0, 0, 0, 0, time.UTC)) })
	}}, {Name: "what each model costs", Index: "tool_cost_edition", Run: func(pool *pgxpool.Pool) error {
		return (&postgres.DB{Pool: pool}).Read(t.Context(), club, func(b *postgres.Batch) { tariff.EveryCost(b, time.Now()) })
	}}})
}
