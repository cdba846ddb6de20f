package erasure_test

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/internal/club"
	"pinwright/internal/erasure"
	"pinwright/internal/founding"
	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
	"pinwright/internal/specimen"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

func list(t *testing.T, pool *pgxpool.Pool, sql string, args ...any) []string {
	t.Helper()
	rows, err := pool.Query(t.Context(), sql, args...)
	if err != nil {
		t.Fatalf("%s: %v", sql, err)
	}
	out, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		t.Fatalf("%s: %v", sql, err)
	}
	return out
}

func do(t *testing.T, pool *pgxpool.Pool, sql string, args ...any) {
	t.Helper()
	if _, err := pool.Exec(t.Context(), sql, args...); err != nil {
		t.Fatalf("%s: %v", sql, err)
	}
}

func TestEveryColumnThatCanHoldANameIsClassified(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	have := list(t, db.Owner, `select c.relname || '.' || a.attname from pg_class c join pg_attribute a on a.attrelid = c.oid and a.attnum > 0 and not a.attisdropped
		where c.relnamespace = 'public'::regnamespace and c.relkind in ('r', 'p') and c.relname <> 'schema_migrations'
		and a.atttypid not in ('uuid'::regtype, 'bigint'::regtype, 'integer'::regtype, 'smallint'::regtype, 'numeric'::regtype, 'double precision'::regtype, 'boolean'::regtype,
			'timestamptz'::regtype, 'date'::regtype, 'time'::regtype, 'interval'::regtype, 'tstzrange'::regtype, 'integer[]'::regtype, 'uuid[]'::regtype, 'bigint[]'::regtype) order by 1`)
	want := slices.Sorted(maps.Keys(columns))
	if diff := cmp.Diff(want, have); diff != "" {
		t.Errorf("classify every column that can hold text in columns_test.go, and erase what is personal (-columns_test.go +database):\n%s", diff)
	}
}

// marker is a name that stands nowhere else, with what JSON must escape.
const marker = `Quillon "Q" Brakespear`

// marked is a club with a member whose name or words stand in every column of
// the classes given.
func marked(t *testing.T, db *pgtest.DB, slug string, classes ...string) (founding.Club, specimen.Set) {
	t.Helper()
	c, err := founding.Create(t.Context(), &postgres.DB{Pool: db.Owner}, founding.Charter{
		Slug: slug, Name: "Fern Row Garages", Currency: "EUR", Units: "mm", OfficerNumber: "M1", OfficerName: "Piers Halloway"}, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	set, err := specimen.Fill(t.Context(), db.Owner, c.ClubID, "same")
	if err != nil {
		t.Fatal(err)
	}
	do(t, db.Owner, `update vehicle set chassis_kind = 'free_text', chassis_number = 'x' where club_id = $1`, c.ClubID)
	do(t, db.Owner, `update token set invitation_id = $2 where club_id = $1 and member_id = $3`, c.ClubID, set.ID["invitation"], set.ID["member"])
	do(t, db.Owner, `insert into invitation select (jsonb_populate_record(i, jsonb_build_object('id', gen_random_uuid(), 'hash', '\x' || repeat('ab', 32), 'invited_by', $2::uuid))).* from invitation i where club_id = $1`, c.ClubID, set.ID["member"])
	do(t, db.Owner, `update repair set state = 'abandoned', abandoned_at = now(), abandoned_by = $2 where club_id = $1`, c.ClubID, set.ID["member"])
	for _, table := range []string{"tool_use", "tool_check", "tool_renewal"} {
		do(t, db.Owner, `update `+table+` set voided_at = now(), voided_by = $2, void_reason = 'x' where club_id = $1`, c.ClubID, set.ID["member"])
	}
	do(t, db.Owner, `update import set reverted_at = now(), reverted_by = $2 where club_id = $1`, c.ClubID, set.ID["member"])
	// An answer to the member, and one to an officer that tells of them.
	do(t, db.Owner, `delete from answer where club_id = $1`, c.ClubID)
	for i, answer := range []struct {
		member  uuid.UUID
		headers string
		body    string
	}{
		{set.ID["member"], `{}`, `{"purpose":"words"}`},
		{c.OfficerID, `{}`, `{"name":"Quillon \"Q\" Brakespear"}`},
		{c.OfficerID, `{}`, `{"member_id":"` + set.ID["member"].String() + `"}`},
		{c.OfficerID, `{"X-Name":"Quillon \"Q\" Brakespear"}`, `{}`},
		{c.OfficerID, `{}`, `{"name":"somebody else"}`},
	} {
		do(t, db.Owner, `insert into answer (club_id, member_id, operation, key, fingerprint, at, status, headers, body) values ($1, $2, $3, gen_random_uuid(), '', now(), 200, $4, $5)`,
			c.ClubID, answer.member, fmt.Sprint("op", i), answer.headers, []byte(answer.body))
	}
	for _, column := range slices.Sorted(maps.Keys(columns)) {
		table, name, _ := strings.Cut(column, ".")
		if !slices.Contains(classes, columns[column]) || table == "answer" {
			continue
		}
		of := "true"
		switch {
		case table == "member":
			of = "id = '" + set.ID["member"].String() + "'"
		case table == "import":
			of = "reverted_by = '" + set.ID["member"].String() + "'"
		case table == "invitation": // one that they came by; below, one that they made
			of = "true"
		case table == "bank_row": // it names them
			of = "true"
		case table == "garage":
			of = "id = '" + set.ID["garage"].String() + "'"
		case name == "abandon_reason":
			of = "abandoned_by = '" + set.ID["member"].String() + "'"
		case table == "repair":
			of = "lead_id = '" + set.ID["member"].String() + "'"
		case table == "repair_step":
			of = "began_by = '" + set.ID["member"].String() + "'"
		case table == "photo":
			of = "taken_by = '" + set.ID["member"].String() + "'"
		case table == "history_consent":
			of = "owner_id = '" + set.ID["member"].String() + "'"
		case table == "history_row":
			of = "section = 'vehicle'"
		case columns[column] == personal:
			of = "member_id = '" + set.ID["member"].String() + "'"
		}
		and := ""
		if table == "member_identity" { // its hash is held to what it is of
			and = `, hash = sha256(convert_to(issuer || ' ' || $2::text, 'UTF8'))`
		}
		if table == "history_row" {
			and = `, digest = sha256(convert_to($2::text, 'UTF8'))`
		}
		kind := list(t, db.Owner, `select format_type(atttypid, null) from pg_attribute where attrelid = $1::regclass and attname = $2`, table, name)[0]
		value := map[string]string{"text": `$2::text`, "bytea": `convert_to($2::text, 'UTF8')`, "jsonb": `to_jsonb($2::text)`, "text[]": `array[$2::text]`}[kind]
		if value == "" {
			t.Fatalf("%s is of type %s; teach this test to write a name there", column, kind)
		}
		if n := list(t, db.Owner, `with u as (update `+table+` set `+name+` = `+value+` `+and+` where club_id = $1 and `+of+` returning 1) select count(*)::text from u`, c.ClubID, marker)[0]; n == "0" {
			t.Fatalf("no %s belongs to the member; nothing would be proved", table)
		}
	}
	return c, set
}

// standing lists the columns of a club in which the marker stands, in clear, as
// JSON, or as bytes.
func standing(t *testing.T, db *pgtest.DB, id uuid.UUID) []string {
	t.Helper()
	var out []string
	for _, column := range slices.Sorted(maps.Keys(columns)) {
		table, name, _ := strings.Cut(column, ".")
		out = append(out, list(t, db.Owner, `select distinct $2::text from `+table+` t where club_id = $1 and (t.`+name+`::text ilike '%Brakespear%' or t.`+name+`::text like '%' || encode(convert_to('Brakespear', 'UTF8'), 'hex') || '%')`, id, column)...)
	}
	return out
}

func classified(classes ...string) []string {
	var out []string
	for _, column := range slices.Sorted(maps.Keys(columns)) {
		if slices.Contains(classes, columns[column]) {
			out = append(out, column)
		}
	}
	return out
}

// counts is how many rows each table of a club has; erasing changes none but
// the journal's.
func counts(t *testing.T, db *pgtest.DB, id uuid.UUID) (out []string) {
	t.Helper()
	tables := map[string]bool{}
	for column := range columns {
		table, _, _ := strings.Cut(column, ".")
		// findable has a row for each word of a name, and an identity goes with its member.
		tables[table] = table != "event" && table != "findable" && table != "member_identity"
	}
	for _, table := range slices.Sorted(maps.Keys(tables)) {
		if tables[table] {
			out = append(out, list(t, db.Owner, `select $2::text || ' ' || count(*) from `+table+` where club_id = $1`, id, table)...)
		}
	}
	return out
}

func erase(t *testing.T, db *pgtest.DB, clubID, actor, member uuid.UUID) (club.Member, error) {
	t.Helper()
	var officers *postgres.Rows[uuid.UUID]
	var row *postgres.Rows[club.Member]
	var out club.Member
	err := (&postgres.DB{Pool: db.App}).Write(t.Context(), clubID, time.Now(), func(b *postgres.Batch) {
		officers = club.LockOfficers(b)
		row = club.LockMember(b, postgres.Ref{ID: &member})
	}, func(tx *postgres.Tx) error {
		m, err := row.One()
		if err != nil {
			return err
		}
		out, err = erasure.Member(tx, actor, m, officers.Items)
		return err
	})
	return out, err
}

func TestNothingPersonalStandsAfterErasingAMember(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	c, set := marked(t, db, "fern-row", personal)
	other, _ := marked(t, db, "gorse-end", personal)
	if diff := cmp.Diff(classified(personal, derived), standing(t, db, c.ClubID)); diff != "" {
		t.Fatalf("before erasing, the name should stand in every personal column (-want +got):\n%s", diff)
	}
	before, beforeOther := counts(t, db, c.ClubID), standing(t, db, other.ClubID)
	m, err := erase(t, db, c.ClubID, c.OfficerID, set.ID["member"])
	if err != nil {
		t.Fatal(err)
	}
	if left := standing(t, db, c.ClubID); len(left) > 0 {
		t.Errorf("the name still stands in %v; add them to erase_words", left)
	}
	if diff := cmp.Diff(before, counts(t, db, c.ClubID)); diff != "" {
		t.Errorf("rows (-before +after):\n%s", diff)
	}
	if diff := cmp.Diff(beforeOther, standing(t, db, other.ClubID)); diff != "" {
		t.Errorf("the other club was touched (-before +after):\n%s", diff)
	}
	stored := list(t, db.Owner, `select to_jsonb(m)::text from member m where club_id = $1 and id = $2`, c.ClubID, set.ID["member"])[0]
	for _, want := range []string{`"` + m.Number + `"`, `"` + m.Name + `"`, fmt.Sprintf(`"version": %d,`, m.Version), `"garage_id": null`} {
		if !strings.Contains(strings.Replace(stored, "}", ",", 1), want) {
			t.Errorf("the member is stored as %s, but answered with %s", stored, want)
		}
	}
	if n := list(t, db.Owner, `select count(*)::text from token where club_id = $1 and member_id = $2 and revoked_at is null`, c.ClubID, set.ID["member"])[0]; n != "0" {
		t.Errorf("%s tokens still stand", n)
	}
	// Two answers are left whole: none that told of the member.
	if kept := list(t, db.Owner, `select convert_from(body, 'UTF8') from answer where club_id = $1 and body is not null`, c.ClubID); !slices.Equal(kept, []string{`{"name":"somebody else"}`}) {
		t.Errorf("answers kept: %v", kept)
	}
	if again, err := erase(t, db, c.ClubID, c.OfficerID, set.ID["member"]); err != nil || again.Version != m.Version {
		t.Errorf("erasing again: %v, version %d after %d", err, again.Version, m.Version)
	}
}

func TestNothingOfAClubIsNamedAfterErasingIt(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	c, _ := marked(t, db, "fern-row", personal, ofClub)
	other, _ := marked(t, db, "gorse-end", personal, ofClub)
	if diff := cmp.Diff(classified(personal, ofClub, derived), standing(t, db, c.ClubID)); diff != "" {
		t.Fatalf("before erasing (-want +got):\n%s", diff)
	}
	stay := func() []string { // photos show a club's places, and go
		return slices.DeleteFunc(counts(t, db, c.ClubID), func(line string) bool { return strings.HasPrefix(line, "photo") })
	}
	before, beforeOther := stay(), standing(t, db, other.ClubID)
	if err := erasure.Club(t.Context(), &postgres.DB{Pool: db.Owner}, c.ClubID, time.Now()); err != nil {
		t.Fatal(err)
	}
	if left := standing(t, db, c.ClubID); len(left) > 0 {
		t.Errorf("names still stand in %v; add them to erase_club", left)
	}
	if names := list(t, db.Owner, `select name from member where club_id = $1 and (name <> 'Erased member' or disabled_at is null)`, c.ClubID); len(names) > 0 {
		t.Errorf("members still named, or still in: %v", names)
	}
	if diff := cmp.Diff(before, stay()); diff != "" {
		t.Errorf("rows (-before +after):\n%s", diff)
	}
	if left := list(t, db.Owner, `select 'photo' from photo where club_id = $1 union all select 'image' from photo_image where club_id = $1 union all select 'space' from photo_space where club_id = $1 and bytes > 0`, c.ClubID); len(left) > 0 {
		t.Errorf("%v are left of photos", left)
	}
	if diff := cmp.Diff(beforeOther, standing(t, db, other.ClubID)); diff != "" {
		t.Errorf("the other club was touched (-before +after):\n%s", diff)
	}
}

func TestErasingIsRefusedWhereNobodyWouldBeLeft(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	c, set := marked(t, db, "fern-row")
	for _, tc := range []struct {
		name          string
		actor, member uuid.UUID
		want          string
	}{
		{"oneself", c.OfficerID, c.OfficerID, "erase yourself"},
		{"the only officer", set.ID["member"], c.OfficerID, "only officer"},
		{"nobody", c.OfficerID, uuid.New(), "not"},
	} {
		if _, err := erase(t, db, c.ClubID, tc.actor, tc.member); err == nil || !strings.Contains(err.Error(), tc.want) {
			t.Errorf("%s: %v, want %q", tc.name, err, tc.want)
		}
	}
}

// The application's one way past its rights reaches its own club only.
func TestEraseMemberIsBoundToTheClubOfItsTransaction(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	mine, _ := marked(t, db, "fern-row", personal)
	theirs, set := marked(t, db, "gorse-end", personal)
	for _, fence := range []string{mine.ClubID.String(), ""} {
		tx, err := db.App.Begin(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if _, err := tx.Exec(t.Context(), `select set_config('app.club', $1, true)`, fence); err != nil {
			t.Fatal(err)
		}
		if _, err := tx.Exec(t.Context(), `select erase_member($1, $2, 'x', now())`, theirs.ClubID, set.ID["member"]); err == nil || !strings.Contains(err.Error(), "not the club of this transaction") {
			t.Errorf("behind the fence %q: %v", fence, err)
		}
		if err := tx.Rollback(context.Background()); err != nil {
			t.Fatal(err)
		}
	}
}
