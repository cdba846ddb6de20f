package soundness

import (
	"context"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"pinwright/internal/backup"
	"pinwright/internal/founding"
	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
	"pinwright/internal/schema"
	"pinwright/internal/specimen"
	"pinwright/migrations"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

// filled is a database with a row in every table of two clubs, and its backup's
// manifest.
func filled(t *testing.T) (*pgtest.DB, *backup.Manifest) {
	t.Helper()
	db := pgtest.New(t)
	for _, slug := range []string{"fern-row", "gorse-end"} {
		c, err := founding.Create(t.Context(), &postgres.DB{Pool: db.Owner}, founding.Charter{
			Slug: slug, Name: "Fern Row Garages", Currency: "EUR", Units: "mm", OfficerNumber: "M1", OfficerName: "Piers Halloway"}, time.Now())
		if err != nil {
			t.Fatal(err)
		}
		if _, err := specimen.Fill(t.Context(), db.Owner, c.ClubID, "same"); err != nil {
			t.Fatal(err)
		}
	}
	_, m, err := backup.Make(t.Context(), db.BackupURL, t.TempDir(), migrations.Files, time.Now)
	if err != nil {
		t.Fatal(err)
	}
	return db, &m
}

func bare(t *testing.T) Against {
	t.Helper()
	newest, err := schema.Newest(migrations.Files)
	if err != nil {
		t.Fatal(err)
	}
	return Against{Newest: newest, Description: migrations.Described()}
}

// unkept lets rows past an index while it stands in the catalogue as whole.
func unkept(index, sql string) string {
	return `update pg_index set indisready = false, indisvalid = false where indexrelid = '` + index + `'::regclass;;` + sql +
		`;;update pg_index set indisready = true, indisvalid = true where indexrelid = '` + index + `'::regclass`
}

func TestSoundDatabaseIsFoundSoundByEachRoleThatSeesIt(t *testing.T) {
	t.Parallel()
	db, manifest := filled(t)
	a := bare(t)
	a.Manifest, a.Heads = manifest, manifest.Heads
	var names []string
	for _, url := range []string{db.BackupURL, db.OwnerURL, db.AdminURL} {
		checks, err := Look(t.Context(), url, a)
		if err != nil {
			t.Fatal(err)
		}
		if !Sound(checks) {
			t.Errorf("%s:\n%s", url, Lines(checks))
		}
		names = names[:0]
		for _, c := range checks {
			names = append(names, c.Name)
			if c.Found == "" || strings.HasPrefix(c.Found, "0 ") {
				t.Errorf("%s looked at nothing: %q", c.Name, c.Found)
			}
		}
	}
	want := []string{"schema", "columns", "constraints", "functions", "policies", "rights", "fences", "validated", "foreign keys", "exclusions",
		"unique keys", "check constraints", "rows", "records", "histories", "journals", "heads of backup", "heads outside"}
	if !slices.Equal(names, want) {
		t.Errorf("checks %v, want %v", names, want)
	}
	if _, err := Look(t.Context(), db.AppURL, a); err == nil || !strings.Contains(err.Error(), schema.Backup) {
		t.Errorf("as the serving role: %v", err)
	}
}

func TestEachKindOfTamperingIsFound(t *testing.T) {
	t.Parallel()
	db, manifest := filled(t)
	superuser, err := pgx.Connect(t.Context(), db.AdminURL)
	if err != nil {
		t.Fatal(err)
	}
	defer superuser.Close(context.Background()) //nolint:errcheck // nothing is kept
	if _, err := superuser.Exec(t.Context(), `set allow_system_table_mods = on`); err != nil {
		t.Fatal(err)
	}
	const last = `(select max(seq) from event e where e.club_id = event.club_id)`
	// A journal whose chain is worked out anew to its end, head included.
	const rewritten = `update event set type = 'garage.forged' where seq = 2;;
		do $$ declare e event; chain bytea; club uuid; begin
			for e in select * from event order by club_id, seq loop
				if e.club_id is distinct from club then club := e.club_id; chain := '\x00'; end if;
				chain := sha256(chain || e.digest || convert_to(jsonb_build_array(e.club_id, e.seq, extract(epoch from e.at), e.actor, e.type, e.subject, e.subject_version, e.audience)::text, 'UTF8'));
				update event set hash = chain where club_id = e.club_id and seq = e.seq;
			end loop;
			update head set hash = (select hash from event where event.club_id = head.club_id order by seq desc limit 1);
		end $$`
	// Each is found by the database's own rules alone, and by the check named.
	alone := []struct{ name, tampering, check, want string }{
		{"a migration that failed", `update schema_migrations set dirty = true`, "schema", "failed half way"},
		{"a column more", `alter table garage add column secret text`, "columns", "column garage.secret"},
		{"a column of another type", `alter table tool alter column note type varchar(2000)`, "columns", "character varying"},
		{"a default changed", `alter table club alter column turnaround_hours set default 3`, "columns", "default 2"},
		{"a constraint dropped", `alter table booking drop constraint no_double_booking`, "constraints", "missing, but in the migrations: constraint booking.no_double_booking"},
		{"an index dropped", `drop index booking_ahead`, "constraints", "booking_ahead"},
		{"a function changed", `create or replace function append_event(c uuid, t timestamptz, actor uuid, type text, subject uuid, ver bigint, audience text, digest bytea) returns bigint
			language sql security definer set search_path = pg_catalog, public, pg_temp as 'select 1::bigint'`, "functions", "append_event"},
		{"a trigger more", `create trigger t before insert on reading for each row execute function suppress_redundant_updates_trigger()`, "functions", "trigger reading"},
		{"the fence taken down", `alter table vehicle disable row level security`, "fences", "vehicle: row level security is off"},
		{"the fence not forced", `alter table vehicle no force row level security`, "fences", "vehicle: row level security is not forced"},
		{"a policy more", `create policy all_of_it on vehicle to pinwright_app using (true)`, "fences", "all_of_it"},
		{"a policy less", `drop policy club_fence on vehicle`, "policies", "vehicle.club_fence"},
		{"a policy widened", `alter policy club_fence on vehicle using (true)`, "policies", "not in the migrations: policy vehicle.club_fence"},
		{"a table given away", `alter table vehicle owner to pinwright_app`, "policies", "owner vehicle pinwright_app"},
		{"a table without a fence", `create table loose (club_id uuid primary key)`, "fences", "loose: row level security is off"},
		{"a right more", `grant delete on reading to pinwright_app`, "rights", "right reading pinwright_app DELETE"},
		{"a right on a column", `grant update (size_nm) on reading to pinwright_app`, "rights", "right reading.size_nm pinwright_app UPDATE"},
		{"a right less", `revoke insert on reading from pinwright_app`, "rights", "missing, but in the migrations: right reading pinwright_app INSERT"},
		{"a right for everybody", `grant select on member to public`, "rights", "right member PUBLIC SELECT"},
		{"a function for everybody", `grant execute on function append_event to public`, "rights", "PUBLIC EXECUTE"},
		{"a constraint not validated", `alter table feature drop constraint feature_nominal_nm_check;; alter table feature add constraint feature_nominal_nm_check check (nominal_nm > 0) not valid`, "validated", "feature_nominal_nm_check of feature is not validated"},
		{"a foreign key switched off", `alter table reading disable trigger all`, "validated", "of reading is switched off"},
		{"an index that does not count", `update pg_index set indisvalid = false where indexrelid = 'reading_by_time'::regclass`, "validated", "reading_by_time is not valid"},
		{"a parent row gone", `set local session_replication_role = replica;; delete from feature`, "foreign keys", "reading_club_id_feature_id_fkey of reading"},
		{"a double booking", unkept(`no_double_booking`, `insert into booking (club_id, reservation_id, line, tool_id, period, held) select club_id, reservation_id, 9, tool_id, period, held from booking where state = 'reserved'`), "exclusions", "no_double_booking of booking: 2 pairs"},
		{"a key twice", unkept(`garage_code`, `insert into garage (club_id, id, code, name, time_zone) select club_id, gen_random_uuid(), code, name, time_zone from garage where name = 'Garage'`), "unique keys", "garage_code of garage: 2 values"},
		{"a partial key twice", unkept(`feature_one_usual`, `insert into feature (club_id, id, joint_id, ordinal, code, shape, duty, usual) select club_id, gen_random_uuid(), joint_id, 9, 'twin', shape, duty, usual from feature`), "unique keys", "feature_one_usual of feature: 2 values"},
		{"a value that a check refuses", `alter table feature drop constraint feature_nominal_nm_check;; update feature set nominal_nm = -1;; alter table feature add constraint feature_nominal_nm_check check (nominal_nm > 0) not valid;;
			update pg_constraint set convalidated = true where conname = 'feature_nominal_nm_check'`, "check constraints", "feature_nominal_nm_check of feature: 2 rows"},
		{"a record's content changed", `alter table repair_record drop constraint repair_record_hash_of_content;; update repair_record set content = replace(content, '"edition":1', '"edition":2')`, "records", "does not fit its hash"},
		{"a record's content changed with its hash", `update repair_record set content = replace(content, '"edition":1', '"edition":2'), hash = sha256(convert_to(replace(content, '"edition":1', '"edition":2'), 'UTF8'))`, "records", "is not the one that the journal tells of"},
		{"a record under another's place", `alter table repair_record drop constraint repair_record_chained;; update repair_record set place = 2`, "records", "stands at 2 where 1 should"},
		{"a row of another club's history changed", `alter table history_row drop constraint history_row_digest_of_content;; update history_row set content = replace(content, 'Vehicle', 'Other')`, "histories", "does not fit its digest"},
		{"a record of another club changed", `alter table history_record drop constraint history_record_hash_of_content;; update history_record set content = '{"place":1}'`, "histories", "does not fit its hash"},
		{"a record of another club changed with its hash", `update history_record set content = '{"place":1}', hash = sha256(convert_to('{"place":1}', 'UTF8'))`, "histories", "is not what the journal tells of"},
		{"a record of another club taken away", `delete from history_record`, "histories", "is not what the journal tells of"},
		{"another document's hash", `update history_import set hash = sha256('x')`, "histories", "is not what the journal tells of"},
		{"a record of another repair", `update repair_record r set repair_id = (select x.id from repair x where x.club_id = r.club_id and x.state = 'open' limit 1)`, "records", "is of another record"},
		{"a record that was slipped in", `insert into repair_record (club_id, id, vehicle_id, repair_id, place, previous, hash, content, made_at)
			select r.club_id, gen_random_uuid(), r.vehicle_id, x.id, 2, r.hash, sha256(convert_to('{}', 'UTF8')), '{}', r.made_at from repair_record r join repair x on x.club_id = r.club_id and x.state = 'open'`, "records", "the journal tells of no record"},
		{"an event changed", `update event set actor = null where seq = 3`, "journals", "event 3 does not fit its hash"},
		{"an event gone", `delete from event where seq = 3`, "journals", "event 4 stands where 3 should"},
		{"the last event gone", `delete from event where seq = ` + last, "journals", "the head says"},
		{"a head changed", `update head set hash = sha256('x')`, "journals", "the head says"},
		{"a head gone", `delete from head`, "journals", "has no head"},
	}
	// Each of these leaves a database that is sound by itself, and is found
	// only against what was kept outside of it.
	against := []struct{ name, tampering, check, want string }{
		{"a row gone", `delete from template_feature`, "rows", "template_feature has 0 rows"},
		{"a row more", `insert into pin_step (club_id, series_id, ordinal, code, pin_nm, tolerance_lower_nm, tolerance_upper_nm) select club_id, series_id, 1, 'OS1', 1, 0, 0 from pin_step`, "rows", "pin_step has 4 rows"},
		{"a value changed", `update reading set size_nm = size_nm + 1000`, "rows", "reading has as many rows as the backup, but others"},
		{"two values exchanged", `update club c set slug = (select o.slug from club o where o.club_id <> c.club_id)`, "rows", "club has as many rows as the backup, but others"},
		{"the past written anew", rewritten, "heads outside", "the past was written anew"},
		{"the tail cut off", `delete from history_record;; delete from history_row;; delete from history_import;; with cut as (delete from event where seq = ` + last + ` returning club_id, seq) update head set seq = seq - 1, hash = (select hash from event e where e.club_id = head.club_id and e.seq = head.seq - 1)`, "heads outside", "its tail was cut"},
		{"a club gone", `do $$ declare r record; gone uuid := (select club_id from head order by club_id limit 1); begin set local session_replication_role = replica;
			for r in select relname from pg_class where relnamespace = 'public'::regnamespace and relkind = 'r' and relname <> 'schema_migrations' loop
				execute format('delete from %I where club_id = $1', r.relname) using gone; end loop; end $$`, "heads outside", "is not in the database"},
	}
	outside := bare(t)
	outside.Manifest, outside.Heads = manifest, manifest.Heads
	hold := func(name, tampering, check, want string, apart bool) {
		t.Run(name, func(t *testing.T) {
			tx, err := superuser.Begin(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			defer tx.Rollback(context.Background()) //nolint:errcheck // nothing is kept
			for _, one := range strings.Split(tampering, ";;") {
				if _, err := tx.Exec(t.Context(), one); err != nil {
					t.Fatalf("%s: %v", one, err)
				}
			}
			checks, err := lookIn(t.Context(), tx, bare(t))
			if err != nil {
				t.Fatal(err)
			}
			if apart {
				if !Sound(checks) {
					t.Errorf("by itself the database should look sound:\n%s", Lines(checks))
				}
				if checks, err = lookIn(t.Context(), tx, outside); err != nil {
					t.Fatal(err)
				}
			}
			at := slices.IndexFunc(checks, func(c Check) bool { return c.Name == check })
			if at < 0 || !strings.Contains(strings.Join(checks[at].Faults, "\n"), want) {
				t.Errorf("the check %q does not find %q:\n%s", check, want, Lines(checks))
			}
		})
	}
	for _, tc := range alone {
		hold(tc.name, tc.tampering, tc.check, tc.want, false)
	}
	for _, tc := range against {
		hold(tc.name, tc.tampering, tc.check, tc.want, true)
	}
}
