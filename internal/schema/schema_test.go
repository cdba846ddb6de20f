package schema_test

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/fstest"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"

	"pinwright/internal/localpg"
	"pinwright/internal/pgtest"
	"pinwright/internal/schema"
	"pinwright/migrations"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

var serial atomic.Int64

// fresh installs an empty database and returns its administrator's, owner's and
// serving role's URLs.
func fresh(t *testing.T) (c *localpg.Cluster, name string) {
	t.Helper()
	c = pgtest.Cluster(t)
	name = fmt.Sprintf("schema_test_%d_%d", time.Now().UnixNano(), serial.Add(1))
	if err := schema.Install(t.Context(), c.AdminURL(), name, schema.Passwords{}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { dropDatabase(t, c, name) })
	return c, name
}

func dropDatabase(t *testing.T, c *localpg.Cluster, name string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	conn, err := pgx.Connect(ctx, c.AdminURL())
	if err != nil {
		t.Error(err)
		return
	}
	_, err = conn.Exec(ctx, `DROP DATABASE IF EXISTS `+name+` WITH (FORCE)`)
	if err := errors.Join(err, conn.Close(ctx)); err != nil {
		t.Error(err)
	}
}

func connect(t *testing.T, url string) *pgx.Conn {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), url)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close(context.Background()) })
	return conn
}

func ask[T any](t *testing.T, url, sql string, args ...any) T {
	t.Helper()
	var answer T
	if err := connect(t, url).QueryRow(t.Context(), sql, args...).Scan(&answer); err != nil {
		t.Fatalf("%s: %v", sql, err)
	}
	return answer
}

func TestInstalledRolesHaveTheRightsOfTheirJobAndNoMore(t *testing.T) {
	t.Parallel()
	c, name := fresh(t)
	ctx := t.Context()
	owner := connect(t, c.URL(schema.Owner, name, nil))
	if _, err := owner.Exec(ctx, `
		CREATE TABLE shelf (club_id int, n int);
		INSERT INTO shelf VALUES (1, 10), (2, 20);
		ALTER TABLE shelf ENABLE ROW LEVEL SECURITY;
		ALTER TABLE shelf FORCE ROW LEVEL SECURITY;
		CREATE POLICY owner_all ON shelf TO pinwright_owner USING (true);
		CREATE POLICY fence ON shelf TO pinwright_app USING (club_id = 1);
		GRANT SELECT ON shelf TO pinwright_app`); err != nil {
		t.Fatalf("the owner cannot migrate: %v", err)
	}
	count := `SELECT count(*) FROM shelf`
	got := []int{
		ask[int](t, c.URL(schema.Owner, name, nil), count),
		ask[int](t, c.URL(schema.App, name, nil), count),
		ask[int](t, c.URL(schema.Backup, name, nil), count),
	}
	if diff := cmp.Diff([]int{2, 1, 2}, got); diff != "" {
		t.Errorf("rows the owner, the serving and the backup role see (-want +got):\n%s", diff)
	}
	const denied, readOnly = "42501", "25006"
	for _, tc := range []struct{ role, sql, want string }{
		{schema.App, `INSERT INTO shelf VALUES (1, 1)`, denied},
		{schema.App, `CREATE TABLE mine (n int)`, denied},
		{schema.App, `CREATE TEMP TABLE mine (n int)`, denied},
		{schema.App, `CREATE SCHEMA mine`, denied},
		{schema.App, `CREATE ROLE mine`, denied},
		{schema.App, `CREATE DATABASE mine`, denied},
		{schema.App, `SET ROLE pinwright_owner`, denied},
		{schema.App, `SET ROLE pinwright_backup`, denied},
		{schema.App, `TRUNCATE shelf`, denied},
		{schema.Backup, `INSERT INTO shelf VALUES (1, 1)`, readOnly},
		{schema.Backup, `SET TRANSACTION READ WRITE; INSERT INTO shelf VALUES (1, 1)`, denied},
		{schema.Jobs, `SELECT FROM shelf`, denied},
		{schema.Jobs, `CREATE TABLE mine (n int)`, denied},
		{schema.Jobs, `CREATE TEMP TABLE mine (n int)`, denied},
		{schema.Jobs, `CREATE SCHEMA mine`, denied},
		{schema.Jobs, `SET ROLE pinwright_app`, denied},
		{schema.Owner, `CREATE ROLE mine`, denied},
		{schema.Owner, `CREATE DATABASE mine`, denied},
	} {
		if tc.want == readOnly && !c.Private() {
			continue // a role's own settings come only with its login
		}
		if !c.Private() && strings.HasPrefix(tc.sql, `SET ROLE`) {
			continue // a given login may take every role by design
		}
		conn := connect(t, c.URL(tc.role, name, nil))
		if _, err := conn.Exec(ctx, tc.sql); err == nil || !strings.Contains(err.Error(), tc.want) {
			t.Errorf("%s as %s: %v, want SQLSTATE %s", tc.sql, tc.role, err, tc.want)
		}
	}
}

func TestServingRoleIsBoundInTime(t *testing.T) {
	t.Parallel()
	c, name := fresh(t)
	conn := connect(t, c.URL(schema.App, name, schema.AppSettings()))
	got := map[string]string{}
	for _, setting := range []string{"statement_timeout", "lock_timeout", "idle_in_transaction_session_timeout", "TimeZone"} {
		var value string
		if err := conn.QueryRow(t.Context(), `SELECT current_setting($1)`, setting).Scan(&value); err != nil {
			t.Fatal(err)
		}
		got[setting] = value
	}
	want := map[string]string{"statement_timeout": "10s", "lock_timeout": "3s", "idle_in_transaction_session_timeout": "15s", "TimeZone": "UTC"}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("settings (-want +got):\n%s", diff)
	}
}

func TestInstalledDatabaseIsTheOwnersAndClosedToOthers(t *testing.T) {
	t.Parallel()
	c, name := fresh(t)
	type facts struct {
		Owner, Encoding, Collation       string
		PublicConnects, PublicCreates    bool
		AppConnects, BackupConnects      bool
		Extensions                       []string
		AppBypasses, BackupBypasses      bool
		OwnerIsSuper, AppCreatesInPublic bool
	}
	var got facts
	err := connect(t, c.DatabaseURL(name)).QueryRow(t.Context(), `
		SELECT pg_get_userbyid(datdba), pg_encoding_to_char(encoding), datcollate,
			EXISTS (SELECT FROM aclexplode(datacl) WHERE grantee = 0),
			EXISTS (SELECT FROM pg_namespace n, aclexplode(n.nspacl) a WHERE nspname = 'public' AND a.grantee = 0 AND a.privilege_type = 'CREATE'),
			has_database_privilege('pinwright_app', oid, 'CONNECT'), has_database_privilege('pinwright_backup', oid, 'CONNECT'),
			(SELECT array_agg(extname::text ORDER BY extname) FROM pg_extension WHERE extname <> 'plpgsql'),
			(SELECT rolbypassrls FROM pg_roles WHERE rolname = 'pinwright_app'),
			(SELECT rolbypassrls FROM pg_roles WHERE rolname = 'pinwright_backup'),
			(SELECT rolsuper FROM pg_roles WHERE rolname = 'pinwright_owner'),
			has_schema_privilege('pinwright_app', 'public', 'CREATE')
		FROM pg_database WHERE datname = current_database()`).
		Scan(&got.Owner, &got.Encoding, &got.Collation, &got.PublicConnects, &got.PublicCreates, &got.AppConnects, &got.BackupConnects,
			&got.Extensions, &got.AppBypasses, &got.BackupBypasses, &got.OwnerIsSuper, &got.AppCreatesInPublic)
	if err != nil {
		t.Fatal(err)
	}
	want := facts{Owner: "pinwright_owner", Encoding: "UTF8", Collation: "C", AppConnects: true, BackupConnects: true,
		Extensions: []string{"btree_gist", "pg_trgm"}, BackupBypasses: true}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// A server of its own: what it does to roles would disturb other tests.
func TestInstallMendsAndRepeatsAndRunsConcurrently(t *testing.T) {
	t.Parallel()
	c, err := localpg.Open(t.Context(), localpg.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := c.Stop(); err != nil {
			t.Error(err)
		}
	})
	// Eight installers, two databases, and from two maintenance databases, whose
	// advisory locks do not see each other.
	var wg sync.WaitGroup
	errs := make([]error, 8)
	for i := range errs {
		wg.Go(func() {
			maintenance := []string{"postgres", "template1"}[i/2%2]
			errs[i] = schema.Install(t.Context(), c.DatabaseURL(maintenance), []string{"one", "two"}[i%2], schema.Passwords{})
		})
	}
	wg.Wait()
	if err := errors.Join(errs...); err != nil {
		t.Fatalf("concurrent installers: %v", err)
	}

	admin := connect(t, c.AdminURL())
	if _, err := admin.Exec(t.Context(), `ALTER ROLE pinwright_app SUPERUSER; ALTER ROLE pinwright_app SET statement_timeout = 0; ALTER ROLE pinwright_backup NOBYPASSRLS`); err != nil {
		t.Fatal(err)
	}
	if err := schema.Install(t.Context(), c.AdminURL(), "one", schema.Passwords{App: `it's "quoted" \ $1`}); err != nil {
		t.Fatal(err)
	}
	mended := ask[bool](t, c.URL(schema.App, "one", nil), `SELECT NOT rolsuper AND current_setting('statement_timeout') = '10s'
		AND (SELECT rolbypassrls FROM pg_roles WHERE rolname = 'pinwright_backup') FROM pg_roles WHERE rolname = current_user`)
	if !mended {
		t.Error("a role that was changed by hand is not mended")
	}
	password := ask[string](t, c.AdminURL(), `SELECT rolpassword FROM pg_authid WHERE rolname = 'pinwright_app'`)
	if err := schema.Install(t.Context(), c.AdminURL(), "one", schema.Passwords{}); err != nil {
		t.Fatal(err)
	}
	after := ask[string](t, c.AdminURL(), `SELECT rolpassword FROM pg_authid WHERE rolname = 'pinwright_app'`)
	if password == "" || after != password {
		t.Error("installing without a password changed the password")
	}
}

func TestInstallWithoutTheRightsSaysWhoCan(t *testing.T) {
	t.Parallel()
	c, err := localpg.Open(t.Context(), localpg.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := c.Stop(); err != nil {
			t.Error(err)
		}
	})
	if _, err := connect(t, c.AdminURL()).Exec(t.Context(), `CREATE ROLE visitor LOGIN`); err != nil {
		t.Fatal(err)
	}
	err = schema.Install(t.Context(), c.URL("visitor", "postgres", nil), "one", schema.Passwords{})
	if err == nil || !strings.Contains(err.Error(), "Install as a superuser") {
		t.Errorf("%v, want advice to install as a superuser", err)
	}
}

func file(sql string) *fstest.MapFile { return &fstest.MapFile{Data: []byte(sql)} }

// threeFiles contain one that cannot run inside a transaction.
var threeFiles = fstest.MapFS{
	"0001_shelf.up.sql":   file(`CREATE TABLE shelf (n int); INSERT INTO shelf VALUES (1);`),
	"0001_shelf.down.sql": file(`DROP TABLE shelf;`),
	"0002_index.up.sql":   file(`CREATE INDEX CONCURRENTLY shelf_n ON shelf (n);`),
	"0002_index.down.sql": file(`DROP INDEX shelf_n;`),
	"0003_more.up.sql":    file(`ALTER TABLE shelf ADD COLUMN m int;`),
	"0003_more.down.sql":  file(`ALTER TABLE shelf DROP COLUMN m;`),
}

func TestMigrationsGoUpDownAndUpAgain(t *testing.T) {
	t.Parallel()
	c, name := fresh(t)
	ownerURL := c.URL(schema.Owner, name, nil)
	ctx := t.Context()
	up := func() error { return schema.Up(ctx, ownerURL, threeFiles) }
	down := func(steps int) func() error {
		return func() error { return schema.Down(ctx, ownerURL, threeFiles, steps) }
	}
	columns := `SELECT count(*) FROM information_schema.columns WHERE table_schema = 'public' AND table_name = 'shelf'`
	for _, step := range []struct {
		name    string
		do      func() error
		version int
		columns int
	}{
		{"nothing yet", func() error { return nil }, 0, 0},
		{"up", up, 3, 2},
		{"up again changes nothing", up, 3, 2},
		{"one down", down(1), 2, 1},
		{"up", up, 3, 2},
		{"all down", down(0), 0, 0},
		{"all down again changes nothing", down(0), 0, 0},
		{"up", up, 3, 2},
	} {
		if err := step.do(); err != nil {
			t.Fatalf("%s: %v", step.name, err)
		}
		v, err := schema.GetVersion(ctx, ownerURL)
		if err != nil {
			t.Fatal(err)
		}
		if want := (schema.Version{Number: step.version}); v != want {
			t.Errorf("%s: at %+v, want %+v", step.name, v, want)
		}
		if n := ask[int](t, ownerURL, columns); n != step.columns {
			t.Errorf("%s: the table has %d columns, want %d", step.name, n, step.columns)
		}
	}
	if err := schema.Down(ctx, ownerURL, threeFiles, -1); err == nil {
		t.Error("took back a negative number of migrations")
	}
}

func TestConcurrentMigratorsAllSucceed(t *testing.T) {
	t.Parallel()
	c, name := fresh(t)
	slow := fstest.MapFS{}
	for path, f := range threeFiles {
		slow[path] = f
	}
	// Longer than the migrations' own lock_timeout of a second.
	slow["0004_slow.up.sql"] = file(`SELECT pg_sleep(1.3);`)
	slow["0004_slow.down.sql"] = file(`SELECT 1;`)
	errs := make([]error, 4)
	var wg sync.WaitGroup
	for i := range errs {
		wg.Go(func() { errs[i] = schema.Up(t.Context(), c.URL(schema.Owner, name, nil), slow) })
	}
	wg.Wait()
	if err := errors.Join(errs...); err != nil {
		t.Fatal(err)
	}
	v, err := schema.GetVersion(t.Context(), c.URL(schema.Owner, name, nil))
	if want := (schema.Version{Number: 4}); err != nil || v != want {
		t.Errorf("at %+v, %v; want %+v", v, err, want)
	}
}

func TestMigratorWaitingForAnotherEndsWithItsContext(t *testing.T) {
	t.Parallel()
	c, name := fresh(t)
	ownerURL := c.URL(schema.Owner, name, nil)
	slow := fstest.MapFS{"0001_slow.up.sql": file(`SELECT pg_sleep(1.5);`), "0001_slow.down.sql": file(`SELECT 1;`)}
	first := make(chan error, 1)
	go func() { first <- schema.Up(context.WithoutCancel(t.Context()), ownerURL, slow) }()
	admin := connect(t, c.DatabaseURL(name)) // another login's queries are hidden from the owner
	deadline := time.Now().Add(time.Minute)
	for running := false; !running; time.Sleep(5 * time.Millisecond) {
		if err := admin.QueryRow(t.Context(), `SELECT EXISTS (SELECT FROM pg_stat_activity WHERE datname = current_database() AND query LIKE 'SELECT pg_sleep%')`).Scan(&running); err != nil {
			t.Fatal(err)
		}
		if time.Now().After(deadline) {
			t.Fatal("the first migrator did not start within a minute")
		}
	}
	ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
	defer cancel()
	if err := schema.Up(ctx, ownerURL, slow); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("%v, want the context's error", err)
	}
	if err := <-first; err != nil {
		t.Errorf("the migrator that was waited for: %v", err)
	}
}

func TestFailedMigrationIsUndoneMarkedAndCanBeMended(t *testing.T) {
	t.Parallel()
	c, name := fresh(t)
	ownerURL := c.URL(schema.Owner, name, nil)
	ctx := t.Context()
	broken := fstest.MapFS{
		"0001_shelf.up.sql": threeFiles["0001_shelf.up.sql"], "0001_shelf.down.sql": threeFiles["0001_shelf.down.sql"],
		"0002_wrong.up.sql":   file("CREATE TABLE half (n int);\nSELECT 1/0;"),
		"0002_wrong.down.sql": file(`DROP TABLE half;`),
	}
	if err := schema.Up(ctx, ownerURL, broken); err == nil || !strings.Contains(err.Error(), "division by zero") {
		t.Fatalf("%v, want the file's error", err)
	}
	if ask[bool](t, ownerURL, `SELECT to_regclass('public.half') IS NOT NULL`) {
		t.Error("the failed file left a table")
	}
	v, err := schema.GetVersion(ctx, ownerURL)
	if want := (schema.Version{Number: 2, Dirty: true}); err != nil || v != want {
		t.Errorf("at %+v, %v; want %+v", v, err, want)
	}
	err = schema.Up(ctx, ownerURL, broken)
	if err == nil || !strings.Contains(err.Error(), "pinwright migrate mend 1") {
		t.Fatalf("%v, want it to say how to mend", err)
	}
	if err := schema.Mend(ctx, ownerURL, broken, 1); err != nil {
		t.Fatal(err)
	}
	broken["0002_wrong.up.sql"] = file(`CREATE TABLE half (n int);`)
	if err := schema.Up(ctx, ownerURL, broken); err != nil {
		t.Error(err)
	}
}

func TestFirstMigrationThatFailedIsMendedToNone(t *testing.T) {
	t.Parallel()
	c, name := fresh(t)
	ownerURL := c.URL(schema.Owner, name, nil)
	ctx := t.Context()
	files := fstest.MapFS{"0001_wrong.up.sql": file(`SELECT 1/0;`), "0001_wrong.down.sql": file(`SELECT 1;`)}
	if err := schema.Up(ctx, ownerURL, files); err == nil {
		t.Fatal("division by zero succeeded")
	}
	if err := schema.Up(ctx, ownerURL, files); err == nil || !strings.Contains(err.Error(), "pinwright migrate mend 0") {
		t.Fatalf("%v, want it to say how to mend", err)
	}
	if err := schema.Mend(ctx, ownerURL, files, 0); err != nil {
		t.Fatal(err)
	}
	files["0001_wrong.up.sql"] = file(`SELECT 1;`)
	if err := schema.Up(ctx, ownerURL, files); err != nil {
		t.Error(err)
	}
}

func TestMigrationDoesNotQueueBehindABusyTable(t *testing.T) {
	t.Parallel()
	c, name := fresh(t)
	ownerURL := c.URL(schema.Owner, name, nil)
	ctx := t.Context()
	one := fstest.MapFS{"0001_shelf.up.sql": threeFiles["0001_shelf.up.sql"], "0001_shelf.down.sql": threeFiles["0001_shelf.down.sql"]}
	if err := schema.Up(ctx, ownerURL, one); err != nil {
		t.Fatal(err)
	}
	tx, err := connect(t, ownerURL).Begin(ctx)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := tx.Exec(ctx, `LOCK TABLE shelf`); err != nil {
		t.Fatal(err)
	}
	one["0002_more.up.sql"] = file(`ALTER TABLE shelf ADD COLUMN m int;`)
	one["0002_more.down.sql"] = file(`ALTER TABLE shelf DROP COLUMN m;`)
	if err := schema.Up(ctx, ownerURL, one); err == nil || !strings.Contains(err.Error(), "lock timeout") {
		t.Errorf("%v, want a lock timeout", err)
	}
	if err := tx.Rollback(ctx); err != nil {
		t.Fatal(err)
	}
}

func TestNoFilesIsNothingToDo(t *testing.T) {
	t.Parallel()
	c, name := fresh(t)
	if err := schema.Up(t.Context(), c.URL(schema.Owner, name, nil), fstest.MapFS{}); err != nil {
		t.Error(err)
	}
}

// The shipped files: every up has its down, no number stands twice, and down
// takes back all that up made.
func TestShippedMigrationsGoUpDownAndUpAgain(t *testing.T) {
	t.Parallel()
	c, name := fresh(t)
	ownerURL := c.URL(schema.Owner, name, nil)
	ctx := t.Context()
	ups, err := fs.Glob(migrations.Files, "*.up.sql")
	if err != nil {
		t.Fatal(err)
	}
	for i, up := range ups {
		if len(up) < 5 || up[4] != '_' || strings.Trim(up[:4], "0123456789") != "" || i > 0 && up[:4] == ups[i-1][:4] {
			t.Errorf("%s should begin with four digits of its own", up) // numbers may be left out
		}
		if _, err := fs.Stat(migrations.Files, strings.TrimSuffix(up, ".up.sql")+".down.sql"); err != nil {
			t.Errorf("%s has no way down: %v", up, err)
		}
	}
	// Everything but the version table and what extensions made.
	inventory := `SELECT coalesce(string_agg(x, E'\n' ORDER BY x), '') FROM (
		SELECT c.relkind::text || ' ' || c.oid::regclass::text FROM pg_class c
			WHERE c.relnamespace::regnamespace::text NOT IN ('pg_catalog', 'information_schema', 'pg_toast') AND c.relname NOT LIKE 'schema_migrations%'
			AND NOT EXISTS (SELECT FROM pg_depend d WHERE d.objid = c.oid AND d.deptype = 'e')
		UNION ALL SELECT 'f ' || p.oid::regprocedure::text FROM pg_proc p
			WHERE p.pronamespace::regnamespace::text NOT IN ('pg_catalog', 'information_schema')
			AND NOT EXISTS (SELECT FROM pg_depend d WHERE d.objid = p.oid AND d.deptype = 'e')
		UNION ALL SELECT 't ' || t.oid::regtype::text FROM pg_type t
			WHERE t.typnamespace::regnamespace::text NOT IN ('pg_catalog', 'information_schema', 'pg_toast') AND t.typtype IN ('e', 'd')
			AND NOT EXISTS (SELECT FROM pg_depend d WHERE d.objid = t.oid AND d.deptype = 'e')
		UNION ALL SELECT 'n ' || nspname FROM pg_namespace WHERE nspname !~ '^pg_' AND nspname NOT IN ('information_schema', 'public')) AS made(x)`
	empty := ask[string](t, ownerURL, inventory)
	if err := schema.Up(ctx, ownerURL, migrations.Files); err != nil {
		t.Fatal(err)
	}
	full := ask[string](t, ownerURL, inventory)
	if err := schema.Down(ctx, ownerURL, migrations.Files, 0); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(empty, ask[string](t, ownerURL, inventory)); diff != "" {
		t.Errorf("after down, against before up (-before +after):\n%s", diff)
	}
	if err := schema.Up(ctx, ownerURL, migrations.Files); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(full, ask[string](t, ownerURL, inventory)); diff != "" {
		t.Errorf("after up again, against the first up (-first +again):\n%s", diff)
	}
}
