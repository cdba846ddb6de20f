// Package specimen puts one row of everything into a club, for tests of what
// one club may see of another and of what holds for every table. The rows are
// written by the owner of the schema, past all rules but the tables' own, so
// that these tests need no handler to work.
//
// A new table needs a row here: Fill fails on a table that stays empty.
package specimen

import (
	"context"
	"fmt"
	"slices"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
)

// Set is what a club was filled with.
type Set struct {
	ID   map[string]uuid.UUID // by table: the row's id
	Name map[string]string    // by table: the people's own name for it, where there is one
}

// madeByFounding are the tables that have rows since the club was founded, or
// that other rows bring.
var madeByFounding = []string{"club", "head", "event", "findable"}

// Fill adds one row of every table to a founded club. mark makes its names: two
// clubs with the same mark hold things of the same names.
func Fill(ctx context.Context, owner *pgxpool.Pool, club uuid.UUID, mark string) (Set, error) {
	s := Set{ID: map[string]uuid.UUID{}, Name: map[string]string{}}
	id := func(table string) uuid.UUID {
		if s.ID[table] == uuid.Nil {
			s.ID[table] = uuid.Must(uuid.NewV7())
		}
		return s.ID[table]
	}
	name := func(table string) string {
		s.Name[table] = mark + "-" + table
		return s.Name[table]
	}
	hash := make([]byte, 32) // of no token's text: nobody can sign in with it
	copy(hash, club[:])
	copy(hash[16:], mark)

	var b pgx.Batch
	var filled []string
	add := func(table, columns, values string, args ...any) {
		filled = append(filled, table)
		b.Queue("insert into "+table+" (club_id, "+columns+") values ($1, "+values+")", append([]any{club}, args...)...)
	}
	add("garage", "id, code, name, time_zone", "$2, $3, 'Garage', 'UTC'", id("garage"), name("garage"))
	add("member", "id, number, name, roles", "$2, $3, 'Member', '{member}'", id("member"), name("member"))
	add("token", "hash, id, member_id, label, kind, scopes, created_at, expires_at, fingerprint",
		"$2, $3, $4, 'specimen', 'personal', '{read}', '2026-01-01Z', '2126-01-01Z', ''", hash, id("token"), id("member"))
	add("invitation", "id, hash, salt, name, roles, invited_by, created_at, expires_at, fingerprint",
		"$2, $3, $3, 'Guest', '{member}', $4, '2126-01-01Z', '2126-01-02Z', ''", id("invitation"), hash, id("member"))
	add("pairing", "id, hash, salt, member_id, label, scopes, created_at, expires_at, fingerprint",
		"$2, $3, $3, $4, 'specimen', '{read}', '2126-01-01Z', '2126-01-01 00:10Z', ''", id("pairing"), hash, id("member"))
	add("member_identity", "hash, id, member_id, issuer, subject, linked_at",
		"sha256(convert_to('https://issuer.example' || ' ' || $4, 'UTF8')), $2, $3, 'https://issuer.example', $4, '2026-01-01Z'", id("member_identity"), id("member"), name("member_identity"))
	add("answer", "member_id, operation, key, fingerprint, at", "$2, 'specimen', $3, '', '2026-01-01Z'", id("member"), id("answer"))
	add("tool_model", "id, code, name, kind, size_nm", "$2, $3, 'Model', 'reamer', 9000000", id("tool_model"), name("tool_model"))
	add("tool", "id, number, model_id, garage_id", "$2, $3, $4, $5", id("tool"), name("tool"), id("tool_model"), id("garage"))
	add("calibration", "id, tool_id, calibrated_on, due_on, expanded_nm, coverage_factor, member_id, recorded_at",
		"$2, $3, '2026-01-01', '2027-01-01', 1000, 2, $4, '2026-01-01Z'", id("calibration"), id("tool"), id("member"))
	add("pin_series", "id, code, name", "$2, $3, 'Series'", id("pin_series"), name("pin_series"))
	add("pin_step", "series_id, ordinal, code, pin_nm, tolerance_lower_nm, tolerance_upper_nm", "$2, 0, 'STD', 9000000, -5000, 0", id("pin_series"))
	add("joint_template", "id, code, name, pin_series_id", "$2, $3, 'Template', $4", id("joint_template"), name("joint_template"), id("pin_series"))
	add("template_feature", "template_id, ordinal, code, shape, duty, usual", "$2, 0, 'bore', 'bore', 'running', true", id("joint_template"))
	add("vehicle", "id, code, name, member_id", "$2, $3, 'Vehicle', $4", id("vehicle"), name("vehicle"), id("member"))
	add("joint", "id, vehicle_id, position, template_id", "$2, $3, $4, $5", id("joint"), id("vehicle"), name("joint"), id("joint_template"))
	add("feature", "id, joint_id, ordinal, code, shape, duty, nominal_nm, usual", "$2, $3, 0, 'bore', 'bore', 'running', 9000000, true", id("feature"), id("joint"))
	add("reading", "id, feature_id, kind, size_nm, entered, entered_unit, stage, surface, taken_at, received_at, member_id, fingerprint",
		"$2, $3, 'go', 9000000, 9, 'mm', 'as_found', 'bright', '2026-01-01Z', '2026-01-01Z', $4, ''", id("reading"), id("feature"), id("member"))
	// Another reading than the specimen is void, so that the specimen can still be acted on.
	b.Queue("insert into reading select (jsonb_populate_record(r, jsonb_build_object('id', $2::uuid))).* from reading r where club_id = $1 and id = $3",
		club, id("reading_void"), id("reading"))
	add("reading_void", "reading_id, reason, at, member_id", "$2, 'specimen', '2026-01-01Z', $3", id("reading_void"), id("member"))
	add("recommendation", "id, vehicle_id, member_id, created_at, joint_key, digest, body", `$2, $3, $4, '2026-01-01Z', $5, $5, convert_to(jsonb_build_object(
		'id', $2::uuid, 'created_at', '2026-01-01T00:00:00Z', 'vehicle_id', $3::uuid, 'pin_series_id', $6::uuid, 'decision', 'no_option', 'preference', 'uniform',
		'risk', 0.05, 'probability_all', 0, 'days', 0, 'joints', '[]'::jsonb, 'preferences', '[]'::jsonb, 'target', '{"text": ""}'::jsonb, 'readings', '[]'::jsonb,
		'engine', 'specimen', 'digest', '', 'summary', '', 'do_next', '[]'::jsonb, 'warnings', '[]'::jsonb, 'cautions', '[]'::jsonb, 'assumed', '[]'::jsonb)::text, 'UTF8')`,
		id("recommendation"), id("vehicle"), id("member"), hash, id("pin_series"))
	add("recommendation_in_units", "recommendation_id, units, body", "$2, 'in', (select r.body from recommendation r where r.club_id = $1 and r.id = $2)", id("recommendation"))
	add("reservation", "id, member_id, created_at", "$2, $3, '2026-01-01Z'", id("reservation"), id("member"))
	add("booking", "reservation_id, line, tool_id, period, held", "$2, 0, $3, '[2126-01-01Z,2126-01-02Z)', '[2126-01-01Z,2126-01-03Z)'", id("reservation"), id("tool"))
	const report = `{"kind":"members","dry_run":false,"rows_read":0,"created":0,"existing":0,"refused":0,"columns":[],"rows":[],"summary":"","do_next":[],"warnings":[],"assumed":[]}`
	add("import", "id, kind, member_id, created_at, created, existing, refused, report", "$2, 'members', $3, '2026-01-01Z', 1, 0, 0, $4::text::bytea", id("import"), id("member"), report)
	add("import_made", "import_id, thing, thing_id, row_number", "$2, 'member', $3, 2", id("import"), id("member"))
	add("photo", "id, tool_id, taken_by, added_at, received", "$2, $3, $4, '2026-01-01Z', $5", id("photo"), id("tool"), id("member"), hash)
	// One row for a club, which counts what photo_image holds.
	b.Queue("insert into photo_space (club_id, allowed) values ($1, 1000000) on conflict do nothing", club)
	filled = append(filled, "photo_space")
	add("photo_image", "photo_id, size, media_type, width, height, hash, data", "$2, 'full', 'image/jpeg', 1, 1, $3, '\\xff'", id("photo"), hash)
	add("photo_image", "photo_id, size, media_type, width, height, hash, data", "$2, 'thumbnail', 'image/jpeg', 1, 1, $3, '\\xff'", id("photo"), hash)
	if err := owner.SendBatch(ctx, &b).Close(); err != nil {
		return s, fmt.Errorf("specimen: %w", err)
	}
	rows, err := owner.Query(ctx, `select relname::text from pg_class where relnamespace = 'public'::regnamespace and relkind in ('r', 'p')`)
	if err != nil {
		return s, fmt.Errorf("specimen: %w", err)
	}
	tables, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		return s, fmt.Errorf("specimen: %w", err)
	}
	for _, t := range tables {
		if t != "schema_migrations" && !slices.Contains(madeByFounding, t) && !slices.Contains(filled, t) {
			return s, fmt.Errorf("specimen: the table %s has no specimen; add a row of it to Fill", t)
		}
	}
	return s, nil
}
