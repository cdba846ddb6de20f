// Package specimen puts one row of everything into a club, for tests of what
// one club may see of another and of what holds for every table. The rows are
// written by the owner of the schema, past all rules but the tables' own, so
// that these tests need no handler to work.
//
// A new table needs a row here: Fill fails on a table that stays empty.
package specimen

import (
	"context"
	"crypto/sha256"
	"fmt"
	"hash/fnv"
	"slices"
	"strconv"

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
	add("gauge_study", "id, tool_id, kind, studied_on, posted, engine, feel_um, member_id, recorded_at",
		"$2, $3, 'attribute', '2026-01-01', $4, 'specimen', 1, $5, '2026-01-01Z'", id("gauge_study"), id("tool"),
		`{"parts":[{"part":"1","good":true}],"decisions":[{"person":"A","part":"1","accepted":true}]}`, id("member"))
	add("pin_series", "id, code, name", "$2, $3, 'Series'", id("pin_series"), name("pin_series"))
	add("pin_step", "series_id, ordinal, code, pin_nm, tolerance_lower_nm, tolerance_upper_nm", "$2, 0, 'STD', 9000000, -5000, 0", id("pin_series"))
	add("joint_template", "id, code, name, pin_series_id", "$2, $3, 'Template', $4", id("joint_template"), name("joint_template"), id("pin_series"))
	add("template_feature", "template_id, ordinal, code, shape, duty, usual", "$2, 0, 'bore', 'bore', 'running', true", id("joint_template"))
	add("form_prior", "id, template_id, shape, version, made_by, created_at, features, readings, gains, bell_mouth, ovality, surface, base_low_um, base_high_um, base_shoulder_um, detail, engine, digest",
		"$2, $3, 'bore', 1, $4, '2026-01-01Z', 1, 1, 0, 1, 1, 1, 0, 500, 20, '{}', 'specimen', $5", id("form_prior"), id("joint_template"), id("member"), hash)
	add("vehicle", "id, code, name, member_id", "$2, $3, 'Vehicle', $4", id("vehicle"), name("vehicle"), id("member"))
	add("joint", "id, vehicle_id, position, template_id", "$2, $3, $4, $5", id("joint"), id("vehicle"), name("joint"), id("joint_template"))
	add("feature", "id, joint_id, ordinal, code, shape, duty, nominal_nm, usual", "$2, $3, 0, 'bore', 'bore', 'running', 9000000, true", id("feature"), id("joint"))
	add("reading", "id, feature_id, kind, size_nm, entered, entered_unit, stage, surface, taken_at, received_at, member_id, fingerprint",
		"$2, $3, 'go', 9000000, 9, 'mm', 'as_found', 'bright', '2026-01-01Z', '2026-01-01Z', $4, ''", id("reading"), id("feature"), id("member"))
	// Another reading than the specimen is void, so that the specimen can still be acted on.
	b.Queue("insert into reading select (jsonb_populate_record(r, jsonb_build_object('id', $2::uuid))).* from reading r where club_id = $1 and id = $3",
		club, id("reading_void"), id("reading"))
	add("reading_void", "reading_id, reason, at, member_id", "$2, 'specimen', '2026-01-01Z', $3", id("reading_void"), id("member"))
	add("wear_event", "id, joint_id, kind, occurred_at, member_id, recorded_at", "$2, $3, 'lubricated', '2026-01-01Z', $4, '2026-01-01Z'", id("wear_event"), id("joint"), id("member"))
	add("distance", "id, vehicle_id, shown, unit, taken_at, member_id, recorded_at", "$2, $3, 1000, 'km', '2026-01-01Z', $4, '2026-01-01Z'", id("distance"), id("vehicle"), id("member"))
	// Of these too others are void than the specimens.
	for _, of := range []string{"wear_event", "distance"} {
		b.Queue("insert into "+of+" select (jsonb_populate_record(r, jsonb_build_object('id', $2::uuid))).* from "+of+" r where club_id = $1 and id = $3", club, id(of+"_void"), id(of))
		add(of+"_void", of+"_id, reason, at, member_id", "$2, 'specimen', '2026-01-01Z', $3", id(of+"_void"), id("member"))
	}
	add("recommendation", "id, vehicle_id, member_id, created_at, joint_key, digest, body", `$2, $3, $4, '2026-01-01Z', $5, $5, convert_to(jsonb_build_object(
		'id', $2::uuid, 'created_at', '2026-01-01T00:00:00Z', 'vehicle_id', $3::uuid, 'pin_series_id', $6::uuid, 'decision', 'no_option', 'preference', 'uniform',
		'risk', 0.05, 'probability_all', 0, 'days', 0, 'joints', '[]'::jsonb, 'preferences', '[]'::jsonb, 'target', '{"text": ""}'::jsonb, 'readings', '[]'::jsonb,
		'engine', 'specimen', 'digest', '', 'summary', '', 'do_next', '[]'::jsonb, 'warnings', '[]'::jsonb, 'cautions', '[]'::jsonb, 'assumed', '[]'::jsonb)::text, 'UTF8')`,
		id("recommendation"), id("vehicle"), id("member"), hash, id("pin_series"))
	add("recommendation_in_units", "recommendation_id, units, body", "$2, 'in', (select r.body from recommendation r where r.club_id = $1 and r.id = $2)", id("recommendation"))
	add("reservation", "id, member_id, created_at", "$2, $3, '2026-01-01Z'", id("reservation"), id("member"))
	add("booking", "reservation_id, line, tool_id, period, held", "$2, 0, $3, '[2126-01-01Z,2126-01-02Z)', '[2126-01-01Z,2126-01-03Z)'", id("reservation"), id("tool"))
	add("garage_hours", "garage_id, weekday, opens, closes", "$2, 1, '08:00', '20:00'", id("garage"))
	add("garage", "id, code, name, time_zone", "$2, $3, 'Other garage', 'UTC'", id("other garage"), mark+"-other-garage")
	add("travel_time", "garage_id, other_garage_id, minutes", "least($2::uuid, $3), greatest($2::uuid, $3), 30", id("garage"), id("other garage"))
	add("closure", "id, first_day, last_day, member_id, recorded_at", "$2, '2126-01-01', '2126-01-02', $3, '2026-01-01Z'", id("closure"), id("member"))
	filled = append(filled, "lending_rule") // one row for the club, however often it is filled
	b.Queue("insert into lending_rule (club_id) values ($1) on conflict do nothing", club)
	add("certificate", "id, member_id, model_id, certified_by, certified_at", "$2, $3, $4, $3, '2026-01-01Z'", id("certificate"), id("member"), id("tool_model"))
	add("kit", "id, code, name", "$2, $3, 'Kit'", id("kit"), name("kit"))
	add("kit_part", "kit_id, ordinal, tool_id", "$2, 0, $3", id("kit"), id("tool"))
	add("waiting_entry", "id, member_id, joined_by, joined_at, window_from, window_until, hours, changed_at",
		"$2, $3, $3, '2026-01-01Z', '2126-01-01Z', '2126-01-09Z', 48, '2026-01-01Z'", id("waiting_entry"), id("member"))
	add("waiting_line", "entry_id, ordinal, tool_id", "$2, 0, $3", id("waiting_entry"), id("tool"))
	add("waiting_offer", "entry_id, reservation_id, period, offered_at, offer_until, outcome, ended_at",
		"$2, $3, '[2126-01-01Z,2126-01-02Z)', '2026-01-01Z', '2026-01-02Z', 'lapsed', '2026-01-02Z'", id("waiting_entry"), id("reservation"))
	add("counter_act", "id, kind, member_id, by_member, occurred_at, recorded_at", "$2, 'handout', $3, $3, '2026-01-01Z', '2026-01-01Z'", id("counter_act"), id("member"))
	add("loan", "id, reservation_id, line, tool_id, member_id, handout_id, collected_at, held_before, recorded_at",
		"$2, $3, 0, $4, $5, $6, '2026-01-01Z', '[2126-01-01Z,2126-01-03Z)', '2026-01-01Z'", id("loan"), id("reservation"), id("tool"), id("member"), id("counter_act"))
	// A second act took back what the specimen's tool is not: a handout can be undone by one id, a return by the other.
	b.Queue("insert into tool (club_id, id, number, model_id, garage_id) values ($1, $2, $3, $4, $5)", club, id("returned tool"), mark+"-returned-tool", id("tool_model"), id("garage"))
	b.Queue("insert into reservation (club_id, id, member_id, created_at) values ($1, $2, $3, '2026-01-01Z')", club, id("returned reservation"), id("member"))
	b.Queue("insert into booking (club_id, reservation_id, line, tool_id, period, held, state) values ($1, $2, 0, $3, '[2026-01-01Z,2026-01-02Z)', '[2026-01-01Z,2026-01-02Z)', 'returned')",
		club, id("returned reservation"), id("returned tool"))
	for kind, act := range map[string]string{"handout": "handout of the return", "return": "return"} {
		b.Queue("insert into counter_act (club_id, id, kind, member_id, by_member, garage_id, occurred_at, recorded_at) values ($1, $2, $3, $4, $4, $5, '2026-01-01Z', '2026-01-01Z')",
			club, id(act), kind, id("member"), id("garage"))
	}
	b.Queue(`insert into loan (club_id, id, reservation_id, line, tool_id, member_id, handout_id, collected_at, held_before, return_id, ended_at, ended, condition_in, recorded_at)
		values ($1, $2, $3, 0, $4, $5, $6, '2026-01-01Z', '[2026-01-01Z,2026-01-02Z)', $7, '2026-01-01Z', 'returned', 'good', '2026-01-01Z')`,
		club, id("returned loan"), id("returned reservation"), id("returned tool"), id("member"), id("handout of the return"), id("return"))
	add("tool_change", "id, tool_id, at, place_garage_id", "$2, $3, '2026-01-01Z', $4", id("tool_change"), id("tool"), id("other garage"))
	add("contact", "member_id, mail_address", "$2, $3", id("member"), mark+"@fern-row.example")
	add("reminder", "id, member_id, kind, subject, due_at, told_at, tools, time_zone, made_at, mail",
		"$2, $3, 'late', $4, '2026-01-01Z', '2026-01-01Z', array[$5::uuid], 'UTC', '2026-01-01Z', 'unwanted'", id("reminder"), id("member"), id("loan"), id("tool"))
	const report = `{"kind":"members","dry_run":false,"rows_read":0,"created":0,"existing":0,"refused":0,"columns":[],"rows":[],"summary":"","do_next":[],"warnings":[],"assumed":[]}`
	add("import", "id, kind, member_id, created_at, created, existing, refused, report", "$2, 'members', $3, '2026-01-01Z', 1, 0, 0, $4::text::bytea", id("import"), id("member"), report)
	add("import_made", "import_id, thing, thing_id, row_number", "$2, 'member', $3, 2", id("import"), id("member"))
	add("calendar", "id, hash, member_id, shows, tool_id, created_at, fingerprint", "$2, $3, $4, 'tool', $5, '2026-01-01Z', ''", id("calendar"), hash, id("member"), id("tool"))
	add("photo", "id, tool_id, taken_by, added_at, received", "$2, $3, $4, '2026-01-01Z', $5", id("photo"), id("tool"), id("member"), hash)
	add("inspection", "id, tool_id, verdict, condition, inspected_at, member_id, recorded_at", "$2, $3, 'good', 'good', '2026-01-01Z', $4, '2026-01-01Z'", id("inspection"), id("tool"), id("member"))
	add("hand_over", "id, loan_id, to_member, offered_at", "$2, $3, $4, '2026-01-01Z'", id("hand_over"), id("loan"), id("member"))
	// Numbers in place of names, so made of the mark: the same mark gives the same ones.
	sum := fnv.New32a()
	_, _ = sum.Write([]byte(mark)) // a hash never fails to be written to
	number := int(sum.Sum32()%1_000_000) + 1000
	s.Name["procedure_edition"], s.Name["repair"] = strconv.Itoa(number), "R"+strconv.Itoa(number)
	add("procedure", "id, code, name, kind_of_joint, edition", "$2, $3, 'Procedure', 'Joint', $4", id("procedure"), name("procedure"), number)
	add("procedure_edition", "id, procedure_id, edition, steps, member_id, recorded_at", "$2, $3, $4, $5, $6, '2026-01-01Z'", id("procedure_edition"), id("procedure"), number,
		`[{"key":"pull","name":"Pull","phase":"pull","per":"joint","instructions":["Pull."],"minutes":1,"closed_by":"anyone","wait":{"kind":"creep","minutes":60}}]`, id("member"))
	add("repair", "id, number, vehicle_id, procedure_id, edition, garage_id, lead_id, safety, began_at", "$2, $3, $4, $5, $3, $6, $7, false, '2026-01-01Z'",
		id("repair"), number, id("vehicle"), id("procedure"), id("garage"), id("member"))
	add("repair_joint", "repair_id, joint_id", "$2, $3", id("repair"), id("joint"))
	s.Name["repair_step"] = "pull:" + s.Name["joint"]
	add("repair_step", "id, repair_id, ordinal, key, joint_id, state, rounds_done, began_at, began_by", "$2, $3, 0, 'pull', $4, 'waiting', 1, '2026-01-01Z', $5", id("repair_step"), id("repair"), id("joint"), id("member"))
	add("repair_act", "id, repair_id, step_id, kind, round, occurred_at, recorded_at, member_id", "$2, $3, $4, 'begin', 1, '2026-01-01Z', '2026-01-01Z', $5", id("repair_act"), id("repair"), id("repair_step"), id("member"))
	add("repair_timer", "id, repair_id, step_id, kind, round, began_at, due_at", "$2, $3, $4, 'creep', 1, '2026-01-01Z', '2026-01-01 01:00Z'", id("repair_timer"), id("repair"), id("repair_step"))
	add("account", "id, kind, member_id, currency", "$2, 'member', $3, 'EUR'", id("account"), id("member"))
	add("account", "id, kind, tool_id, currency", "$2, 'tool', $3, 'EUR'", id("account of the tool"), id("tool"))
	add("entry", "id, number, booked_on, kind, reason, member_id, minor, currency, lines, by_member, recorded_at",
		"$2, 1 + coalesce((select entries from books where club_id = $1), 0), '2027-01-01', 'charge', 'use', $3, 100, 'EUR', 2, $3, '2026-01-01Z'", id("entry"), id("member"))
	filled = append(filled, "books")
	add("posting", "entry_id, line, account_id, currency, minor", "$2, 0, $3, 'EUR', 100", id("entry"), id("account"))
	add("posting", "entry_id, line, account_id, currency, minor", "$2, 1, $3, 'EUR', -100", id("entry"), id("account of the tool"))
	add("closing", "id, closed_until, member_id, recorded_at", "$2, 1 + coalesce((select closed_until from books where club_id = $1), '2025-12-30'), $3, '2026-01-01Z'", id("closing"), id("member"))
	add("bank_statement", "id, member_id, recorded_at, rows_read, created, existing", "$2, $3, '2026-01-01Z', 1, 1, 0", id("bank_statement"), id("member"))
	add("bank_row", "id, statement_id, row_number, booked_on, minor, currency, reference, name, digest", "$2, $3, 2, '2026-01-01', 100, 'EUR', 'Specimen', 'Specimen', sha256(convert_to($2::uuid::text, 'UTF8'))", id("bank_row"), id("bank_statement"))
	add("charge_rule", "id, number, valid_from, late_minor, late_grace_days, least_minor, consumables, exempt, member_id, recorded_at",
		"$2, 1 + coalesce((select max(number) from charge_rule where club_id = $1), 0), '2026-01-01', 200, 1, 0, '{\"reamer\":20}', '{guests}', $3, '2026-01-01Z'", id("charge_rule"), id("member"))
	add("tool_cost", "id, model_id, number, valid_from, cost_minor, sharpenings, sharpening_minor, residual_minor, life, unit, defaults, member_id, recorded_at",
		"$2, $3, 1, '2026-01-01', 6000, 2, 1500, 0, 150, 'holes', '{}', $4, '2026-01-01Z'", id("tool_cost"), id("tool_model"), id("member"))
	add("quote", "id, member_id, reservation_id, currency, by_member, quoted_at", "$2, $3, $4, 'EUR', $3, '2026-01-01Z'", id("quote"), id("member"), id("reservation"))
	reckoned := `{"unit":"holes","units":1,"wear":60,"basis":{"cost":6000,"sharpenings":2,"sharpening_fee":1500,"residual":0,"life":150},"span":{"value":9000,"life":150,"done":{"units":0,"charged":0},"later":0}}`
	add("quote_line", "quote_id, line, tool_id, model_id, period, rule_id, cost_id, units, use_minor, consumables_minor, other_minor, reckoned", "$2, 0, $3, $4, '[2126-01-01Z,2126-01-03Z)', $5, $6, 1, 60, 0, 0, $7",
		id("quote"), id("tool"), id("tool_model"), id("charge_rule"), id("tool_cost"), reckoned)
	add("loan_charge", "id, loan_id, tool_id, member_id, lent_at, quote_id, quote_line, rule_id, cost_id, cost_number, currency, units, flat_minor, wear_minor, consumables_minor, other_minor, late_minor, damage_minor, reckoned, booked_on, by_member, charged_at",
		"$2, $3, $4, $5, '2026-01-01Z', $6, 0, $7, $8, 1, 'EUR', 1, 0, 60, 0, 0, 0, 0, $9, '2027-01-01', $5, '2026-01-01Z'",
		id("loan_charge"), id("loan"), id("tool"), id("member"), id("quote"), id("charge_rule"), id("tool_cost"), reckoned)
	add("loan_charge_entry", "charge_id, reason, entry_id", "$2, 'use', $3", id("loan_charge"), id("entry"))
	// Another repair was signed off and has its record, as the journal tells: the specimen can still be acted on.
	b.Queue(`insert into repair (club_id, id, number, vehicle_id, procedure_id, edition, garage_id, lead_id, state, safety, began_at, signed_at, signed_by)
		values ($1, $2, $3, $4, $5, $6, $7, $8, 'signed', false, '2026-01-01Z', '2026-01-02Z', $8)`,
		club, id("signed repair"), number+1_000_001, id("vehicle"), id("procedure"), number, id("garage"), id("member"))
	content := `{"cautions":[],"joints":[],"place":1,"readings":[],"repair":{"began_at":"2026-01-01T00:00:00Z","edition":1,"id":"` + id("signed repair").String() + `","lead_id":"` + id("member").String() +
		`","number":"R1","procedure":"specimen","safety":false,"state":"signed"},"schema":"pinwright-record/1","steps":[],"vehicle_id":"` + id("vehicle").String() + `","verdicts":[],"went_wrong":[]}`
	sealed := sha256.Sum256([]byte(content))
	add("repair_record", "id, vehicle_id, repair_id, place, hash, content, made_at", "$2, $3, $4, 1, $5, $6, '2026-01-02Z'", id("repair_record"), id("vehicle"), id("signed repair"), sealed[:], content)
	bound := sha256.Sum256(fmt.Appendf(nil, `{"ID":"%s","RepairID":"%s","Place":1,"Hash":"%x"}`, id("repair_record"), id("signed repair"), sealed))
	b.Queue(`select set_config('app.club', $1, true)`, club.String())
	b.Queue(`select append_event($1, '2026-01-02Z', null, 'record.made', $2, 1, 'club', $3)`, club, id("repair_record"), bound[:])
	add("history_consent", "id, vehicle_id, owner_id, recorded_by, written, note, given_at, expires_at", "$2, $3, $4, $4, true, 'In the binder', '2026-01-01Z', '2126-01-01Z'", id("history_consent"), id("vehicle"), id("member"))
	add("history_export", "id, vehicle_id, consent_id, member_id, made_at, hash, rows", "$2, $3, $4, $5, '2026-01-02Z', $6, 1", id("history_export"), id("vehicle"), id("history_consent"), id("member"), hash)
	took := `{"vehicle_id":"` + id("vehicle").String() + `","vehicle":"` + name("vehicle") + `","hash":"` + fmt.Sprintf("%x", hash) + `","taken":{},"there":{},"left_out":[],"left_out_count":0,"summary":"A specimen.","warnings":[]}`
	add("history_import", "id, vehicle_id, member_id, made_at, hash, from_club, from_name, report", "$2, $3, $4, '2026-01-02Z', $5, $6, 'Elsewhere', $7::text::bytea", id("history_import"), id("vehicle"), id("member"), hash, id("history_export"), took)
	came := `{"code":"V","id":"` + id("vehicle").String() + `","name":"Vehicle"}`
	cameSum := sha256.Sum256([]byte(came))
	add("history_row", "vehicle_id, section, row_id, import_id, content, digest", "$2, 'vehicle', $2, $3, $4, $5", id("vehicle"), id("history_import"), came, cameSum[:])
	elsewhere := sha256.Sum256([]byte("{}"))
	add("history_record", "vehicle_id, origin_id, place, hash, content, made_at, import_id", "$2, $3, 1, $4, '{}', '2026-01-01Z', $5", id("vehicle"), id("history_export"), elsewhere[:], id("history_import"))
	cameBound := sha256.Sum256(fmt.Appendf(nil, `{"ID":"%s","VehicleID":"%s","FromClub":"%s","Hash":"%x","Records":["%x"]}`, id("history_import"), id("vehicle"), id("history_export"), hash, elsewhere))
	b.Queue(`select append_event($1, '2026-01-02Z', null, 'history.imported', $2, 1, 'club', $3)`, club, id("history_import"), cameBound[:])
	s.Name["workplan"] = strconv.Itoa(number)
	add("workplan", "id, repair_id, number, made_at, member_id, content", "$2, $3, $4, '2026-01-01Z', $5, $6", id("workplan"), id("repair"), number, id("member"),
		`{"ask":{"free":{"weekly":[{"weekday":6,"from":"09:00","until":"17:00"}]},"ordering":"after","quantile":0.8,"assume":"ream_to"},"garage":"specimen","time_zone":"UTC","begins_at":"2026-01-03T09:00:00Z",
		"ends_at":"2026-01-03T10:01:00Z","hands_minutes":1,"steps":[],"chain":[],"held_up":[],"uses":[],"compared":[],"changes":[],"assumed":[],"warnings":[],"cautions":[],"summary":"A specimen."}`)
	add("workplan_reservation", "workplan_id, reservation_id", "$2, $3", id("workplan"), id("reservation"))
	add("verification", "id, repair_id, joint_id, verdict, risk, content, member_id, at", "$2, $3, $4, 'undecided', 0.05, $5, $6, '2026-01-02Z'", id("verification"), id("repair"), id("joint"),
		`{"step":"STD","bores":[{"feature_id":"00000000-0000-0000-0000-000000000000","code":"bore","verdict":"undecided","readings":[],"passing":{},"largest":{}}],"warnings":[],"assumed":[],"pin":{},"target":{"Thousandth":true},"since":"2026-01-01T00:00:00Z"}`, id("member"))
	add("reamer_cut", "verification_id, feature_id, tool_id, cut_at, size_nm, u_nm", "$2, $3, $4, '2026-01-02Z', 9000000, 3000", id("verification"), id("feature"), id("tool"))
	add("tool_use", "id, tool_id, loan_id, member_id, repair_id, joint_id, feature_id, used_at, recorded_at, recorded_by, work, count, depth_nm", "$2, $3, $4, $5, $6, $7, $8, '2026-01-02Z', '2026-01-02Z', $5, 'holes', 1, 20000000",
		id("tool_use"), id("tool"), id("loan"), id("member"), id("repair"), id("joint"), id("feature"))
	add("tool_check", "id, tool_id, kind, size_nm, u_nm, checked_at, member_id, recorded_at", "$2, $3, 'check_cut', 9010000, 1000, '2026-01-02Z', $4, '2026-01-02Z'", id("tool_check"), id("tool"), id("member"))
	add("tool_renewal", "id, tool_id, kind, done_at, member_id, recorded_at", "$2, $3, 'sharpened', '2026-01-01Z', $4, '2026-01-01Z'", id("tool_renewal"), id("tool"), id("member"))
	add("nonconformity", "id, repair_id, joint_id, verification_id, kind, found_at, member_id, recorded_at, options, chosen, decided_at, decided_by", "$2, $3, $4, $5, 'oversize_cut', '2026-01-02Z', $6, '2026-01-02Z', $7, 'cut_again', '2026-01-02Z', $6",
		id("nonconformity"), id("repair"), id("joint"), id("verification"), id("member"), `[{"option":"cut_again","text":"Cut it again.","days":0}]`)
	add("supplier", "id, code, name, stated_days", "$2, $3, 'Supplier', 5", id("supplier"), name("supplier"))
	add("parts_order", "id, supplier_id, repair_id, ordered_on, member_id, recorded_at", "$2, $3, $4, '2026-01-01', $5, '2026-01-01Z'", id("parts_order"), id("supplier"), id("repair"), id("member"))
	add("parts_line", "order_id, line, what, series_id, step, quantity, arrived", "$2, 0, 'Pin', $3, 'STD', 4, 1", id("parts_order"), id("pin_series"))
	add("parts_arrival", "id, order_id, occurred_at, arrived_on, member_id, recorded_at", "$2, $3, '2026-01-05Z', '2026-01-05', $4, '2026-01-05Z'", id("parts_arrival"), id("parts_order"), id("member"))
	add("parts_arrival_line", "arrival_id, order_id, line, quantity", "$2, $3, 0, 1", id("parts_arrival"), id("parts_order"))
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
