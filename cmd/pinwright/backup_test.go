package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"pinwright/internal/backup"
	"pinwright/internal/founding"
	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
	"pinwright/internal/schema"
	"pinwright/internal/specimen"
)

// filled is a database with two clubs: a row in every table of each, and real
// writes through the service in the first.
func filled(t *testing.T) (*pgtest.DB, founding.Club) {
	t.Helper()
	db := pgtest.New(t)
	var clubs []founding.Club
	for _, slug := range []string{"thorn-yard", "gorse-end"} {
		club, err := founding.Create(t.Context(), &postgres.DB{Pool: db.Owner}, founding.Charter{
			Slug: slug, Name: "Thorn Yard", Currency: "EUR", Units: "mm", OfficerNumber: "M1", OfficerName: "Runa Vale"}, time.Now())
		if err != nil {
			t.Fatal(err)
		}
		if _, err := specimen.Fill(t.Context(), db.Owner, club.ClubID, "same"); err != nil {
			t.Fatal(err)
		}
		clubs = append(clubs, club)
	}
	// What COPY's text format must escape.
	if _, err := db.Owner.Exec(t.Context(), `update garage set address = E'two\nlines,\ttab, \\. and \\N'`); err != nil {
		t.Fatal(err)
	}
	p := start(t, db)
	for i := range 5 {
		p.post(t, clubs[0], "garages", fmt.Sprintf(`{"code":"g%d","name":"Yard \\ number %d \\N","address":"Lane ü €","time_zone":"Europe/Lisbon"}`, i, i))
	}
	p.post(t, clubs[0], "readings", `{"vehicle":"same-vehicle","joint":"same-joint","gauge":"0.3540 in","result":"go"}`)
	return db, clubs[0]
}

// send sends a request and returns status and body.
func (p *process) send(t *testing.T, club founding.Club, method, path, body, key string) (int, string) {
	t.Helper()
	r, err := http.NewRequestWithContext(t.Context(), method, "http://"+p.address+"/v1/clubs/thorn-yard/"+path, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Authorization", "Bearer "+club.Secret.Reveal())
	if method != "GET" {
		r.Header.Set("Content-Type", "application/json")
		r.Header.Set("Idempotency-Key", key)
	}
	response, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer response.Body.Close() //nolint:errcheck // read to its end below
	text, err := io.ReadAll(response.Body)
	if err != nil {
		t.Fatal(err)
	}
	return response.StatusCode, string(text)
}

func (p *process) post(t *testing.T, club founding.Club, path, body string) {
	t.Helper()
	if status, text := p.send(t, club, "POST", path, body, newKey(t, p)); status != 201 && status != 200 {
		t.Fatalf("%s: %d %s", path, status, text)
	}
}

var databases atomic.Int64

// empty installs a further, empty database; or a copy of another one.
func empty(t *testing.T, template string) *pgtest.DB {
	t.Helper()
	c := pgtest.Cluster(t)
	name := fmt.Sprintf("restored_%d_%d", time.Now().UnixNano(), databases.Add(1))
	asAdmin := func(f func(ctx context.Context, conn *pgx.Conn) error) {
		t.Helper()
		ctx := context.Background() // also after the test
		conn, err := pgx.Connect(ctx, c.AdminURL())
		if err != nil {
			t.Fatal(err)
		}
		defer conn.Close(ctx) //nolint:errcheck // answered already
		if err := f(ctx, conn); err != nil {
			t.Fatal(err)
		}
	}
	if template == "" {
		if err := schema.Install(t.Context(), c.AdminURL(), name, schema.Passwords{}); err != nil {
			t.Fatal(err)
		}
	} else {
		asAdmin(func(ctx context.Context, conn *pgx.Conn) error {
			if _, err := conn.Exec(ctx, `create database `+name+` owner pinwright_owner template `+template); err != nil {
				return err
			}
			return schema.AllowConnect(ctx, conn, name)
		})
	}
	t.Cleanup(func() {
		asAdmin(func(ctx context.Context, conn *pgx.Conn) error {
			_, err := conn.Exec(ctx, `drop database `+name+` with (force)`)
			return err
		})
	})
	return &pgtest.DB{Name: name, AppURL: c.URL(schema.App, name, schema.AppSettings()), OwnerURL: c.URL(schema.Owner, name, nil),
		BackupURL: c.URL(schema.Backup, name, nil), AdminURL: c.DatabaseURL(name)}
}

func urls(db *pgtest.DB) []string {
	return []string{"PINWRIGHT_BACKUP_URL=" + db.BackupURL, "PINWRIGHT_MIGRATE_URL=" + db.OwnerURL}
}

// backedUp makes a backup and returns its manifest's path.
func backedUp(t *testing.T, db *pgtest.DB) string {
	t.Helper()
	dir := t.TempDir()
	if code, stdout, stderr := call(t, urls(db), "backup", "-dir", dir); code != exitOK {
		t.Fatalf("backup: exit %d, %q, %q", code, stdout, stderr)
	}
	all, err := backup.List(dir)
	if err != nil || len(all) != 1 {
		t.Fatalf("backups %v, %v", all, err)
	}
	return all[0]
}

func TestWhatIsBackedUpIsRestoredSoundAndServesOn(t *testing.T) {
	t.Parallel()
	db, club := filled(t)
	manifest := backedUp(t, db)
	if info, err := os.Stat(manifest); err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("the manifest's rights are %v (%v); a backup holds everybody's names", info.Mode(), err)
	}
	if left, err := filepath.Glob(filepath.Join(filepath.Dir(manifest), "*.partial")); err != nil || len(left) > 0 {
		t.Errorf("left behind: %v %v", left, err)
	}

	// What is written meanwhile and later is not in it.
	p := start(t, db)
	key, body := newKey(t, p), `{"code":"late","name":"Late Yard","time_zone":"Europe/Lisbon"}`
	if status, text := p.send(t, club, "POST", "garages", body, key); status != 201 {
		t.Fatalf("%d %s", status, text)
	}

	into := empty(t, "")
	code, stdout, stderr := call(t, urls(into), "restore", "-from", manifest)
	if code != exitOK {
		t.Fatalf("restore: exit %d\n%s\n%s", code, stdout, stderr)
	}
	for _, want := range []string{"are restored. Verifying:", "heads of backup  2 clubs stand", "as in the migrations, as in the backup", "held against the backup's"} {
		if !strings.Contains(stdout, want) {
			t.Errorf("restore does not say %q:\n%s", want, stdout)
		}
	}
	if code, stdout, _ := call(t, urls(into), "verify", "-manifest", manifest, "-heads", manifest); code != exitOK || strings.Contains(stdout, "FAULT") {
		t.Errorf("verify of the restored database: exit %d\n%s", code, stdout)
	}
	if code, stdout, _ := call(t, urls(db), "verify", "-heads", manifest); code != exitOK {
		t.Errorf("verify of the live database, which has gone on: exit %d\n%s", code, stdout)
	}
	if code, stdout, _ := call(t, urls(db), "verify", "-manifest", manifest); code != exitFailed || !strings.Contains(stdout, "garage has ") {
		t.Errorf("the live database has gone on, so it is not what was backed up; verify: exit %d\n%s", code, stdout)
	}

	// The restored database serves, with the tokens, keys and journal as they were.
	q := start(t, into)
	if status, text := q.send(t, club, "GET", "garages", "", ""); status != 200 || strings.Contains(text, "late") || !strings.Contains(text, `Yard \\ number 3 \\N`) {
		t.Errorf("garages after restoring: %d %s", status, text)
	}
	if status, text := q.send(t, club, "POST", "garages", body, key); status != 201 {
		t.Errorf("a key that the restored database has not seen: %d %s", status, text)
	}
	if status, text := q.send(t, club, "POST", "readings", `{"vehicle":"same-vehicle","joint":"same-joint","gauge":"9.1 mm","result":"no_go"}`, newKey(t, q)); status != 201 {
		t.Errorf("a reading after restoring: %d %s", status, text)
	}
	if code, stdout, _ := call(t, urls(into), "verify", "-heads", manifest); code != exitOK {
		t.Errorf("verify after serving on: exit %d\n%s", code, stdout)
	}

	// It is not empty any more.
	if code, _, stderr := call(t, urls(into), "restore", "-from", manifest); code != exitFailed || !strings.Contains(stderr, "is not empty") {
		t.Errorf("restoring over rows: exit %d, %s", code, stderr)
	}
}

func TestDamagedAndForeignBackupsAreRefused(t *testing.T) {
	t.Parallel()
	db, _ := filled(t)
	manifest := backedUp(t, db)
	text, err := os.ReadFile(manifest)
	if err != nil {
		t.Fatal(err)
	}
	rows, err := os.ReadFile(strings.TrimSuffix(manifest, ".json") + ".zip")
	if err != nil {
		t.Fatal(err)
	}
	change := func(f func(m map[string]any)) []byte {
		var m map[string]any
		if err := json.Unmarshal(text, &m); err != nil {
			t.Fatal(err)
		}
		f(m)
		out, err := json.Marshal(m)
		if err != nil {
			t.Fatal(err)
		}
		return out
	}
	into := empty(t, "")
	for _, tc := range []struct {
		name           string
		manifest, rows []byte
		want           string
	}{
		{"a byte changed", text, append(append(bytes.Clone(rows[:100]), rows[100]^1), rows[101:]...), "is damaged"},
		{"cut short", text, rows[:len(rows)-1], "is damaged"},
		{"without its manifest", nil, rows, "without one a backup is not complete"},
		{"of a later format", change(func(m map[string]any) { m["format"] = 2 }), rows, "this program reads 1"},
		{"of a later migration", change(func(m map[string]any) { m["schema"] = 9999 }), rows, "use the program that migrated it"},
		{"of other migrations", change(func(m map[string]any) { m["migrations"].(map[string]any)["0001_club.up.sql"] = "00" }), rows, "0001_club.up.sql"},
		{"of other tables", change(func(m map[string]any) { m["tables"] = m["tables"].([]any)[1:] }), rows, "are not those that the migrations make"},
		{"with fewer rows than it says", change(func(m map[string]any) { m["tables"].([]any)[0].(map[string]any)["rows"] = 1000 }), rows, "the manifest says 1000"},
	} {
		dir := t.TempDir()
		at := filepath.Join(dir, filepath.Base(manifest))
		if err := os.WriteFile(strings.TrimSuffix(at, ".json")+".zip", tc.rows, 0o600); err != nil {
			t.Fatal(err)
		}
		if tc.manifest != nil {
			if err := os.WriteFile(at, tc.manifest, 0o600); err != nil {
				t.Fatal(err)
			}
		}
		if code, stdout, stderr := call(t, urls(into), "restore", "-from", at); code != exitFailed || !strings.Contains(stderr, tc.want) {
			t.Errorf("%s: exit %d, %q, %q; want %q", tc.name, code, stdout, stderr, tc.want)
		}
	}
	if code, _, stderr := call(t, urls(into), "restore", "-from", manifest); code != exitOK {
		t.Errorf("after the refusals the database should still be empty: exit %d, %s", code, stderr)
	}
}

func TestOnlyARoleThatSeesEverythingBacksUpAndVerifies(t *testing.T) {
	t.Parallel()
	db, _ := filled(t)
	dir := t.TempDir()
	for _, url := range []string{db.AppURL, db.OwnerURL} {
		code, _, stderr := call(t, []string{"PINWRIGHT_BACKUP_URL=" + url}, "backup", "-dir", dir)
		if code != exitFailed || !strings.Contains(stderr, "Back up as pinwright_backup") {
			t.Errorf("backup with %s: exit %d, %s", url, code, stderr)
		}
	}
	if left, err := os.ReadDir(dir); err != nil || len(left) > 0 {
		t.Errorf("failed backups left %v (%v)", left, err)
	}
	if code, _, stderr := call(t, []string{"PINWRIGHT_BACKUP_URL=" + db.AppURL}, "verify"); code != exitFailed || !strings.Contains(stderr, "verify as pinwright_backup") {
		t.Errorf("verify as the serving role: exit %d, %s", code, stderr)
	}
}

func TestBackupsGoOnThroughFailuresAndOldOnesGo(t *testing.T) {
	t.Parallel()
	db, _ := filled(t)
	dir := t.TempDir()
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	out := &lockedBuffer{}
	ended := make(chan int)
	// The database is away at first: its name leads to none until a link stands.
	environ := []string{"PINWRIGHT_BACKUP_URL=" + db.BackupURL}
	if err := os.Chmod(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	blocked := filepath.Join(dir, "pinwright-20200101T000000Z.json") // an old backup, made by hand, to be pushed out
	for _, path := range []string{blocked, strings.TrimSuffix(blocked, ".json") + ".zip", filepath.Join(dir, "pinwright-notes.json"), filepath.Join(dir, "pinwright-20200102T000000Z.zip.partial")} {
		if err := os.WriteFile(path, []byte("{}"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	long := time.Now().Add(-48 * time.Hour)
	if err := os.Chtimes(filepath.Join(dir, "pinwright-20200102T000000Z.zip.partial"), long, long); err != nil {
		t.Fatal(err)
	}
	go func() {
		ended <- run(ctx, []string{"backup", "-dir", dir, "-every", "1s", "-keep", "2"}, environ, out, out)
	}()
	waitFor(t, "four backups", func() bool { return strings.Count(out.String(), "backup made") >= 4 })

	// The database goes away, and comes back.
	admin := pgtest.Cluster(t)
	conn, err := pgx.Connect(t.Context(), admin.AdminURL())
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close(context.Background()) //nolint:errcheck // answered already
	if _, err := conn.Exec(t.Context(), `alter database `+db.Name+` allow_connections false`); err != nil {
		t.Fatal(err)
	}
	waitFor(t, "a failure", func() bool { return strings.Contains(out.String(), "backup failed") })
	if _, err := conn.Exec(t.Context(), `alter database `+db.Name+` allow_connections true`); err != nil {
		t.Fatal(err)
	}
	made := strings.Count(out.String(), "backup made")
	waitFor(t, "a backup after the failure", func() bool { return strings.Count(out.String(), "backup made") > made })
	stop()
	if code := <-ended; code != exitOK {
		t.Errorf("stopped, it ends with %d:\n%s", code, out)
	}
	left, err := backup.List(dir)
	if err != nil || len(left) != 2 {
		t.Errorf("%d backups are kept (%v), want 2: %v", len(left), err, left)
	}
	names, err := os.ReadDir(dir)
	if err != nil || len(names) != 5 { // two backups of two files, and the file that is none of ours
		t.Errorf("the folder holds %v (%v)", names, err)
	}
}
