package recommend_test

import (
	"testing"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
	"pinwright/internal/recommend"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

// What a vehicle is shown with rests on its joints only, however many there are.
func TestWhatIsKnownOfAVehicleIsServedByItsIndexes(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	id := uuid.Must(uuid.NewV7())
	if _, err := db.Owner.Exec(t.Context(), `insert into club (club_id, slug, name, currency, created_at) values ($1, 'large', 'Club', 'EUR', '2026-01-01')`, id); err != nil {
		t.Fatal(err)
	}
	if _, err := db.Owner.Exec(t.Context(), `
		insert into club (club_id, slug, name, currency, created_at) select gen_random_uuid(), 'small-' || n, 'Club', 'EUR', '2026-01-01' from generate_series(1, 50) n;
		create view many as select club_id, slug = 'large' as large from club;
		insert into member (club_id, id, number, name, roles) select club_id, gen_random_uuid(), 'm1', 'Member', '{member}' from club;
		insert into pin_series (club_id, id, code, name) select club_id, gen_random_uuid(), 'ps' || n, 'Pins' from many, generate_series(1, case when large then 1500 else 5 end) n;
		insert into pin_step (club_id, series_id, ordinal, code, pin_nm, tolerance_lower_nm, tolerance_upper_nm) select club_id, id, n, 's' || n, 9000000 + n, 0, 0 from pin_series, generate_series(0, 4) n;
		insert into joint_template (club_id, id, code, name, pin_series_id)
		select club_id, gen_random_uuid(), 'jt' || n, 'Hinge', (select id from pin_series p where p.club_id = many.club_id and p.code = 'ps1') from many, generate_series(1, case when large then 500 else 5 end) n;
		insert into vehicle (club_id, id, code, name, member_id) select m.club_id, gen_random_uuid(), 'v' || n, 'Vehicle', m.id from member m join many using (club_id), generate_series(1, case when large then 1000 else 5 end) n;
		insert into joint (club_id, id, vehicle_id, position, template_id) select v.club_id, gen_random_uuid(), v.id, 'p' || n, t.id
		from vehicle v join joint_template t on t.club_id = v.club_id and t.code = 'jt1', generate_series(1, 4) n;
		insert into feature (club_id, id, joint_id, ordinal, code, shape, duty) select club_id, gen_random_uuid(), id, n, 'f' || n, 'bore', 'running' from joint, generate_series(0, 1) n;
		insert into form_prior (club_id, id, template_id, shape, position, version, made_by, created_at, features, readings, gains, bell_mouth, ovality, surface, base_low_um, base_high_um, base_shoulder_um, detail, engine, digest)
		select t.club_id, gen_random_uuid(), t.id, s, '', n, m.id, '2026-01-01', 1, 1, 0, 1, 1, 1, 0, 1, 1, '{}', 'e', sha256('x') from joint_template t join member m using (club_id), unnest(array['bore', 'pin']) s, generate_series(1, 5) n;
		insert into garage (club_id, id, code, name, time_zone) select club_id, gen_random_uuid(), 'g1', 'Yard', 'UTC' from club;
		insert into tool_model (club_id, id, code, name, kind) select club_id, gen_random_uuid(), 'tm' || n, 'Press', 'press' from many, generate_series(1, case when large then 1000 else 5 end) n;
		insert into tool (club_id, id, number, model_id, garage_id) select t.club_id, gen_random_uuid(), t.code, t.id, g.id from tool_model t join garage g using (club_id);
		insert into calibration (club_id, id, tool_id, calibrated_on, due_on, expanded_nm, coverage_factor, member_id, recorded_at)
		select t.club_id, gen_random_uuid(), t.id, '2026-01-01', '2027-01-01', 1, 2, m.id, '2026-01-01' from tool t join member m using (club_id), generate_series(1, 3);
		insert into gauge_study (club_id, id, tool_id, kind, studied_on, posted, engine, member_id, recorded_at)
		select club_id, gen_random_uuid(), tool_id, 'attribute', calibrated_on, '{}', 'x', member_id, recorded_at from calibration;
		insert into reading (club_id, id, feature_id, instrument_id, kind, size_nm, entered, entered_unit, stage, surface, taken_at, received_at, member_id, fingerprint)
		select f.club_id, gen_random_uuid(), f.id, t.id, 'go', 9000000, 9, 'mm', 'as_found', 'bright', '2026-01-01', '2026-01-01', m.id, '' from feature f join member m using (club_id) join tool t on t.club_id = f.club_id and t.number = 'tm1';
		insert into reading_void (club_id, reading_id, reason, at, member_id) select club_id, id, 'slip', '2026-01-01', member_id from reading;
		drop view many;
		analyze`); err != nil {
		t.Fatal(err)
	}
	pgtest.HoldPlans(t, db, id, []pgtest.Listing{{Name: "what is known of a vehicle", Index: "joint_position", Run: func(pool *pgxpool.Pool) error {
		return (&postgres.DB{Pool: pool}).Read(t.Context(), id, func(b *postgres.Batch) { recommend.QueueVehicle(b, postgres.ParseRef("v77"), "", 40) })
	}}})
}

func TestListsOfAnswersAreServedByTheirIndexes(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	id := uuid.Must(uuid.NewV7())
	if _, err := db.Owner.Exec(t.Context(), `insert into club (club_id, slug, name, currency, created_at) values ($1, 'large', 'Club', 'EUR', '2026-01-01')`, id); err != nil {
		t.Fatal(err)
	}
	if _, err := db.Owner.Exec(t.Context(), `
		insert into club (club_id, slug, name, currency, created_at) select gen_random_uuid(), 'small-' || n, 'Club', 'EUR', '2026-01-01' from generate_series(1, 50) n;
		insert into member (club_id, id, number, name, roles) select club_id, gen_random_uuid(), 'm1', 'Member', '{member}' from club;
		insert into vehicle (club_id, id, code, name, member_id)
		select c.club_id, gen_random_uuid(), 'v' || n, 'Vehicle', m.id from club c join member m using (club_id), generate_series(1, case c.slug when 'large' then 500 else 5 end) n;
		insert into recommendation (club_id, id, vehicle_id, member_id, created_at, joint_key, digest, body)
		select v.club_id, gen_random_uuid(), v.id, v.member_id, '2026-01-01', sha256(convert_to(v.code || n % 7, 'UTF8')), sha256('x'), '{}' from vehicle v, generate_series(1, 40) n;
		insert into club (club_id, slug, name, currency, created_at) select gen_random_uuid(), 'empty-' || n, 'Club', 'EUR', '2026-01-01' from generate_series(1, 2000) n;
		insert into recommendation_in_units (club_id, recommendation_id, units, body) select club_id, id, unnest(array['um', 'in', 'thou']), '{}' from recommendation;
		insert into joint_template (club_id, id, code, name) select v.club_id, gen_random_uuid(), v.code, 'Hinge' from vehicle v;
		insert into form_prior (club_id, id, template_id, shape, position, version, made_by, created_at, features, readings, gains, bell_mouth, ovality, surface, base_low_um, base_high_um, base_shoulder_um, detail, engine, digest)
		select t.club_id, gen_random_uuid(), t.id, 'bore', '', n, m.id, '2026-01-01', 1, 1, 0, 1, 1, 1, 0, 1, 1, '{}', 'e', sha256('x') from joint_template t join member m using (club_id), generate_series(1, 20) n;
		analyze`); err != nil {
		t.Fatal(err)
	}
	queued := func(queue func(b *postgres.Batch)) func(*pgxpool.Pool) error {
		return func(pool *pgxpool.Pool) error { return (&postgres.DB{Pool: pool}).Read(t.Context(), id, queue) }
	}
	vehicle := "v77"
	pgtest.HoldPlans(t, db, id, []pgtest.Listing{
		{Name: "the list of recommendations", Index: "recommendation_pkey", Run: queued(func(b *postgres.Batch) { recommend.List(b, nil, nil, uuid.Max, 101) })},
		{Name: "those of one vehicle", Index: "recommendation_of_vehicle", Run: queued(func(b *postgres.Batch) { recommend.List(b, &vehicle, nil, uuid.Max, 101) })},
		{Name: "what supersedes one", Index: "recommendation_of_joints", Run: queued(func(b *postgres.Batch) { recommend.List(b, nil, nil, uuid.Max, 2) })},
		{Name: "the list of what was learned", Index: "form_prior_pkey", Run: queued(func(b *postgres.Batch) { recommend.ListFormPriors(b, nil, uuid.Max, 101) })},
		{Name: "one that was learned", Index: "form_prior_pkey", Run: queued(func(b *postgres.Batch) { recommend.FindFormPriors(b, []uuid.UUID{uuid.Max}) })},
		{Name: "one in its units", Index: "recommendation_in_units_pkey", Run: queued(func(b *postgres.Batch) { recommend.Find(b, uuid.Max, nil) })},
	})
}
