package history_test

import (
	"testing"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/internal/history"
	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

func TestHistoriesAreServedByTheirIndexes(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	club := uuid.Must(uuid.NewV7())
	if _, err := db.Owner.Exec(t.Context(), `insert into club (club_id, slug, name, currency, created_at) values ($1, 'large', 'Club', 'EUR', '2026-01-01')`, club); err != nil {
		t.Fatal(err)
	}
	if _, err := db.Owner.Exec(t.Context(), `
		insert into club (club_id, slug, name, currency, created_at) select gen_random_uuid(), 'small-' || n, 'Club', 'EUR', '2026-01-01' from generate_series(1, 400) n;
		create view many as select club_id, case slug when 'large' then 300 else 1 end as n from club;
		insert into member (club_id, id, number, name, roles) select club_id, gen_random_uuid(), 'm1', 'Member', '{member}' from club;
		insert into pin_series (club_id, id, code, name) select club_id, gen_random_uuid(), 's' || k, 'Series' from many, generate_series(1, 10 * n) k;
		insert into pin_step (club_id, series_id, ordinal, code, pin_nm, tolerance_lower_nm, tolerance_upper_nm) select club_id, id, 0, 'STD', 8000000, -5000, 0 from pin_series;
		insert into joint_template (club_id, id, code, name, pin_series_id) select club_id, gen_random_uuid(), code, 'Hinge', id from pin_series;
		insert into template_feature (club_id, template_id, ordinal, code, shape, duty, usual) select club_id, id, 0, 'bore', 'bore', 'running', true from joint_template;
		insert into vehicle (club_id, id, code, name, member_id) select m.club_id, gen_random_uuid(), 'v' || k, 'Vehicle', m.id from member m join many using (club_id), generate_series(1, n) k;
		insert into joint (club_id, id, vehicle_id, position, template_id) select v.club_id, gen_random_uuid(), v.id, 'p' || k, t.id from vehicle v join joint_template t on t.club_id = v.club_id and t.code = 's' || substr(v.code, 2), generate_series(1, 3) k;
		insert into feature (club_id, id, joint_id, ordinal, code, shape, duty, usual) select club_id, gen_random_uuid(), id, 0, 'bore', 'bore', 'running', true from joint;
		insert into reading (club_id, id, feature_id, kind, size_nm, entered, entered_unit, stage, surface, taken_at, received_at, member_id, fingerprint)
		select f.club_id, gen_random_uuid(), f.id, 'go', 9000000, 9, 'mm', 'as_found', 'bright', timestamptz '2026-01-01' + k * interval '1 day', '2026-01-01', m.id, '' from feature f join member m using (club_id), generate_series(1, 10) k;
		insert into reading_void (club_id, reading_id, reason, at, member_id) select club_id, id, 'slip', '2026-01-01', member_id from reading where hashtext(id::text) % 10 = 0;
		insert into wear_event (club_id, id, joint_id, kind, occurred_at, member_id, recorded_at) select j.club_id, gen_random_uuid(), j.id, 'lubricated', '2026-01-01', m.id, '2026-01-01' from joint j join member m using (club_id), generate_series(1, 5) k;
		insert into wear_event_void (club_id, wear_event_id, reason, at, member_id) select club_id, id, 'slip', '2026-01-01', member_id from wear_event where hashtext(id::text) % 10 = 0;
		insert into distance (club_id, id, vehicle_id, shown, unit, taken_at, member_id, recorded_at) select v.club_id, gen_random_uuid(), v.id, 100 * k, 'km', timestamptz '2026-01-01' + k * interval '1 day', v.member_id, '2026-01-01' from vehicle v, generate_series(1, 10) k;
		insert into distance_void (club_id, distance_id, reason, at, member_id) select club_id, id, 'slip', '2026-01-01', member_id from distance where hashtext(id::text) % 10 = 0;
		insert into garage (club_id, id, code, name, time_zone) select club_id, gen_random_uuid(), 'g', 'Garage', 'UTC' from club;
		insert into tool_model (club_id, id, code, name, kind) select club_id, gen_random_uuid(), 'm' || k, 'Model', 'micrometer' from many, generate_series(1, n) k;
		insert into tool (club_id, id, number, model_id, garage_id) select m.club_id, gen_random_uuid(), 't' || m.code, m.id, g.id from tool_model m join garage g using (club_id);
		insert into calibration (club_id, id, tool_id, calibrated_on, due_on, expanded_nm, coverage_factor, member_id, recorded_at) select t.club_id, gen_random_uuid(), t.id, date '2025-01-01' + k, '2027-01-01', 1000, 2, m.id, '2026-01-01' from tool t join member m using (club_id), generate_series(1, 5) k;
		insert into photo (club_id, id, joint_id, taken_by, added_at, received) select j.club_id, j.id, j.id, m.id, '2026-01-01', sha256('x') from joint j join member m using (club_id);
		insert into photo_space (club_id, allowed) select club_id, 1000000 from club;
		insert into photo_image (club_id, photo_id, size, media_type, width, height, hash, data) select club_id, id, 'full', 'image/jpeg', 1, 1, sha256('x'), 'x' from photo;
		insert into procedure (club_id, id, code, name, kind_of_joint, edition) select club_id, gen_random_uuid(), 'p', 'Procedure', 'Joint', 1 from club;
		insert into procedure_edition (club_id, id, procedure_id, edition, steps, member_id, recorded_at) select p.club_id, gen_random_uuid(), p.id, 1, '[{}]', m.id, '2026-01-01' from procedure p join member m using (club_id);
		insert into repair (club_id, id, number, vehicle_id, procedure_id, edition, garage_id, lead_id, safety, began_at, state, signed_at, signed_by)
		select v.club_id, v.id, row_number() over (partition by v.club_id), v.id, p.id, 1, g.id, v.member_id, false, '2026-01-01', 'signed', '2026-01-02', v.member_id from vehicle v join procedure p using (club_id) join garage g using (club_id);
		insert into repair_record (club_id, id, vehicle_id, repair_id, place, hash, content, made_at) select club_id, id, vehicle_id, id, 1, sha256('{}'), '{}', '2026-01-02' from repair;
		insert into history_consent (club_id, id, vehicle_id, owner_id, recorded_by, written, given_at, expires_at) select v.club_id, gen_random_uuid(), v.id, v.member_id, v.member_id, false, '2026-01-01', '2126-01-01' from vehicle v, generate_series(1, 10) k;
		insert into history_export (club_id, id, vehicle_id, consent_id, member_id, made_at, hash, rows) select c.club_id, gen_random_uuid(), c.vehicle_id, c.id, c.owner_id, '2026-01-02', sha256('x'), 1 from history_consent c;
		insert into history_import (club_id, id, vehicle_id, member_id, made_at, hash, from_club, from_name, report) select v.club_id, gen_random_uuid(), v.id, v.member_id, '2026-01-02', sha256(convert_to(v.id::text, 'UTF8')), v.id, 'Club', '{}' from vehicle v;
		insert into history_row (club_id, vehicle_id, section, row_id, import_id, origin_id, content, digest)
		select d.club_id, d.vehicle_id, 'distance', d.id, i.id, i.from_club, '{}', sha256('{}') from distance d join history_import i using (club_id, vehicle_id) where hashtext(d.id::text) % 3 = 0;
		insert into history_record (club_id, vehicle_id, origin_id, place, hash, content, made_at, import_id) select club_id, vehicle_id, from_club, 1, sha256('{}'), '{}', '2026-01-01', id from history_import;
		drop view many;
		analyze`); err != nil {
		t.Fatal(err)
	}
	run := func(queue func(b *postgres.Batch)) func(pool *pgxpool.Pool) error {
		return func(pool *pgxpool.Pool) error { return (&postgres.DB{Pool: pool}).Read(t.Context(), club, queue) }
	}
	car := postgres.ParseRef("v77")
	pgtest.HoldPlans(t, db, club, []pgtest.Listing{
		{Name: "consents", Index: "history_consent_of_vehicle", Run: run(func(b *postgres.Batch) { history.ListConsents(b, car, uuid.Max, 10) })},
		{Name: "imports", Index: "history_import_pkey", Run: run(func(b *postgres.Batch) { history.ListImports(b, uuid.Max, 10) })},
		{Name: "records", Index: "repair_record_place", Run: run(func(b *postgres.Batch) { history.ListRecords(b, car, uuid.Nil, 0, 10) })},
		{Name: "exports", Index: "history_export_of_vehicle", Run: run(func(b *postgres.Batch) { history.ListExports(b, car, uuid.Max, 10) })},
		{Name: "a document's readings", Index: "reading_of_feature", Run: run(func(b *postgres.Batch) { history.Ask(b, car) })},
		{Name: "a document's rows from elsewhere", Index: "history_row_pkey", Run: run(func(b *postgres.Batch) { history.Ask(b, car) })},
		{Name: "a document's odometer", Index: "distance_of_vehicle", Run: run(func(b *postgres.Batch) { history.Ask(b, car) })},
	})
}
