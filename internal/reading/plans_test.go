package reading_test

import (
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
	"pinwright/internal/reading"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

// largeClub fills the database with a club of 400 vehicles with 5 joints each of
// 3 features, 60,000 readings, a third of them by one of 2,000 instruments, beside
// 100 clubs of a hundredth of that. It returns the large one.
func largeClub(t *testing.T, db *pgtest.DB) uuid.UUID {
	t.Helper()
	club := uuid.Must(uuid.NewV7())
	_, err := db.Owner.Exec(t.Context(), `
		insert into club (club_id, slug, name, currency, created_at)
		select case n when 0 then $1 else gen_random_uuid() end, 'club-' || n, 'Club', 'EUR', '2026-01-01' from generate_series(0, 100) n`, club)
	if err != nil {
		t.Fatal(err)
	}
	_, err = db.Owner.Exec(t.Context(), `
		create view size as select club_id, case slug when 'club-0' then 100 else 1 end as n from club;
		insert into member (club_id, id, number, name, roles) select club_id, gen_random_uuid(), 'M1', 'Member', '{member}' from club;
		insert into garage (club_id, id, code, name, time_zone) select club_id, gen_random_uuid(), 'yard', 'Yard', 'UTC' from club;
		insert into tool_model (club_id, id, code, name, kind) select club_id, gen_random_uuid(), 'caliper' || k, 'Caliper', 'caliper' from size, generate_series(1, 5 * n) k;
		insert into tool (club_id, id, number, model_id, garage_id) select m.club_id, gen_random_uuid(), 'C' || row_number() over (partition by m.club_id), m.id, g.id
		from tool_model m join garage g using (club_id), generate_series(1, 4) k;
		insert into calibration (club_id, id, tool_id, calibrated_on, due_on, expanded_nm, coverage_factor, member_id, recorded_at)
		select t.club_id, gen_random_uuid(), t.id, date '2020-01-01' + k * 365, date '2021-01-01' + k * 365, 2000, 2, m.id, '2026-01-01'
		from tool t join member m using (club_id), generate_series(1, 5) k;
		insert into gauge_study (club_id, id, tool_id, kind, studied_on, posted, engine, member_id, recorded_at)
		select club_id, gen_random_uuid(), tool_id, 'attribute', calibrated_on, '{}', 'x', member_id, recorded_at from calibration;
		insert into joint_template (club_id, id, code, name) select club_id, gen_random_uuid(), 'hinge', 'Hinge' from club;
		insert into vehicle (club_id, id, code, name, member_id) select club_id, gen_random_uuid(), 'v' || k, 'Vehicle', id from member join size using (club_id), generate_series(1, 4 * n) k;
		insert into joint (club_id, id, vehicle_id, position, template_id) select v.club_id, gen_random_uuid(), v.id, 'p' || n, t.id
		from vehicle v join joint_template t using (club_id), generate_series(1, 5) n;
		insert into feature (club_id, id, joint_id, ordinal, code, shape, duty, usual) select club_id, gen_random_uuid(), id, n, 'f' || n, 'bore', 'running', n = 0
		from joint, generate_series(0, 2) n;
		insert into reading (club_id, id, feature_id, kind, size_nm, entered, entered_unit, method, instrument_id, stage, surface, taken_at, received_at, member_id, fingerprint)
		select f.club_id, gen_random_uuid(), f.id, 'measured', 8000000, 8, 'mm', 'caliper', t.id, 'as_found', 'unknown',
			timestamptz '2026-01-01' - k * interval '7 days' - (abs(hashtext(f.id::text)) % 86400) * interval '1 second', '2026-01-01', m.id, '\x00'
		from feature f join member m using (club_id) join size using (club_id) cross join generate_series(1, 10) k
		left join tool t on t.club_id = f.club_id and k % 3 = 0 and t.number = 'C' || (abs(hashtext(f.id::text || k)) % (20 * n) + 1);
		insert into reading_void (club_id, reading_id, reason, at, member_id) select club_id, id, 'slipped', '2026-01-01', member_id from reading where hashtext(id::text) % 10 = 0;
		drop view size;
		analyze`)
	if err != nil {
		t.Fatal(err)
	}
	return club
}

func TestReadingsAreServedByTheirIndexes(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	club := largeClub(t, db)
	var feature uuid.UUID
	if err := db.Owner.QueryRow(t.Context(), `select id from feature where club_id = $1 limit 1`, club).Scan(&feature); err != nil {
		t.Fatal(err)
	}
	queued := func(queue func(b *postgres.Batch)) func(*pgxpool.Pool) error {
		return func(pool *pgxpool.Pool) error {
			return (&postgres.DB{Pool: pool}).Read(t.Context(), club, queue)
		}
	}
	at := time.Date(2025, 12, 1, 0, 0, 0, 0, time.UTC)
	earlier := at.AddDate(0, -1, 0)
	list := func(f reading.Filter) func(*pgxpool.Pool) error {
		return queued(func(b *postgres.Batch) { reading.List(b, f, at, uuid.Max, 101) })
	}
	named := func(name string) *postgres.Ref { r := postgres.ParseRef(name); return &r }
	pgtest.HoldPlans(t, db, club, []pgtest.Listing{
		{Name: "all readings", Index: "reading_by_time", Run: list(reading.Filter{})},
		{Name: "readings of a time", Index: "reading_by_time", Run: list(reading.Filter{From: &earlier, Until: &at})},
		{Name: "readings of a feature", Index: "reading_of_feature", Run: list(reading.Filter{Feature: &feature})},
		{Name: "readings of a joint", Index: "reading_of_feature", Run: list(reading.Filter{Joint: named("p3"), Vehicle: named("v7")})},
		{Name: "readings of a vehicle", Index: "reading_of_feature", Run: list(reading.Filter{Vehicle: named("v7")})},
		{Name: "readings by an instrument", Index: "reading_by_instrument", Run: list(reading.Filter{Instrument: named("C9")})},
		{Name: "readings by their ids", Index: "reading_pkey", Run: queued(func(b *postgres.Batch) { reading.Find(b, uuid.Max, feature) })},
		{Name: "standing readings of a joint", Index: "reading_of_feature", Run: queued(func(b *postgres.Batch) {
			reading.Standing(b, `select f.id from feature f where f.club_id = $1 and f.joint_id in (select joint_id from feature where club_id = $1 and id = $2)`, feature)
		})},
	})
}
