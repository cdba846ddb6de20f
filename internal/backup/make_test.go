package backup

import (
	"context"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/fstest"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"

	"pinwright/internal/founding"
	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
	"pinwright/internal/schema"
	"pinwright/internal/specimen"
	"pinwright/migrations"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

// slow is a disk that takes its time over the first bytes.
type slow struct {
	once  sync.Once
	began chan struct{}
	goOn  chan struct{}
}

func (s *slow) Write(b []byte) (int, error) {
	s.once.Do(func() { close(s.began); <-s.goOn })
	return len(b), nil
}

func filled(t *testing.T) *pgtest.DB {
	t.Helper()
	db := pgtest.New(t)
	c, err := founding.Create(t.Context(), &postgres.DB{Pool: db.Owner}, founding.Charter{
		Slug: "fern-row", Name: "Fern Row Garages", Currency: "EUR", Units: "mm", OfficerNumber: "M1", OfficerName: "Piers Halloway"}, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	if _, err := specimen.Fill(t.Context(), db.Owner, c.ClubID, "same"); err != nil {
		t.Fatal(err)
	}
	return db
}

func TestBackupUnderWayIsOneMomentAndHoldsNoMigrationUpThatItNeedNot(t *testing.T) {
	t.Parallel()
	db := filled(t)
	var garages int64
	if err := db.Owner.QueryRow(t.Context(), `select count(*) from garage`).Scan(&garages); err != nil || garages == 0 {
		t.Fatalf("garages before the backup: %d, %v", garages, err)
	}
	c, err := pgx.Connect(t.Context(), db.BackupURL)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close(context.Background()) //nolint:errcheck // only read from
	disk := &slow{began: make(chan struct{}), goOn: make(chan struct{})}
	made := make(chan Manifest, 1)
	go func() {
		m, err := write(t.Context(), c, disk, migrations.Files, time.Now())
		if err != nil {
			t.Error(err)
		}
		made <- m
	}()
	<-disk.began

	// What it counts on stands still; what it does not need is free.
	rows, err := db.Pool(t, db.AdminURL, 1).Query(t.Context(), `select relation::regclass::text from pg_locks where pid = $1 and relation::regclass::text in ('schema_migrations', 'garage', 'reading') order by 1`, c.PgConn().PID())
	if err != nil {
		t.Fatal(err)
	}
	locked, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if diff := cmp.Diff([]string{"garage", "reading"}, locked); err != nil || diff != "" {
		t.Errorf("locked are (-want +got): %v\n%s", err, diff)
	}
	later := fstest.MapFS{"9001_shelf.up.sql": {Data: []byte(`CREATE TABLE shelf (n int)`)}, "9001_shelf.down.sql": {Data: []byte(`DROP TABLE shelf`)}}
	names, err := fs.Glob(migrations.Files, "*.sql")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range names {
		text, err := fs.ReadFile(migrations.Files, name)
		if err != nil {
			t.Fatal(err)
		}
		later[name] = &fstest.MapFile{Data: text}
	}
	if err := schema.Up(t.Context(), db.OwnerURL, later); err != nil {
		t.Errorf("a migration that makes a table: %v", err)
	}
	if _, err := db.Owner.Exec(t.Context(), `update club set name = 'Later'; insert into garage (club_id, id, code, name, time_zone) select club_id, gen_random_uuid(), 'late', 'Late', 'UTC' from club`); err != nil {
		t.Errorf("writes: %v", err)
	}
	close(disk.goOn)
	m := <-made
	newest, err := schema.Newest(migrations.Files)
	if err != nil || m.Schema != newest {
		t.Errorf("the backup is of migration %d, want %d (%v)", m.Schema, newest, err)
	}
	at := slices.IndexFunc(m.Tables, func(t Table) bool { return t.Name == "garage" })
	if at < 0 || m.Tables[at].Rows != garages {
		t.Errorf("garages in the backup, of %d before it: %+v", garages, m.Tables)
	}
	if slices.ContainsFunc(m.Tables, func(t Table) bool { return t.Name == "shelf" }) {
		t.Error("the later table is in the backup")
	}

	// And now the program does not know the database's tables.
	if _, _, err := Make(t.Context(), db.BackupURL, t.TempDir(), migrations.Files, time.Now); err == nil || !strings.Contains(err.Error(), "use the program that migrated it") {
		t.Errorf("backing up a later database: %v", err)
	}
}

func TestSumOfRowsKnowsRowsAndNotTheirOrder(t *testing.T) {
	t.Parallel()
	of := func(parts ...string) string {
		var s rowSum
		for _, p := range parts {
			if _, err := s.Write([]byte(p)); err != nil {
				t.Fatal(err)
			}
		}
		return s.hash().String()
	}
	if of("a\tb\nc\n") != of("c\n", "a\t", "b\n") {
		t.Error("order, or how it arrives, changes the sum")
	}
	for _, other := range []string{"a\tb\n", "a\tb\nc\nc\n", "a\nb\tc\n", "a\tb\nd\n", ""} {
		if of("a\tb\nc\n") == of(other) {
			t.Errorf("%q has the same sum", other)
		}
	}
}

func TestKeepingOneAtLeastAndForeignFilesAlone(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	now := time.Now()
	if _, err := Keep(dir, 0, now); err == nil {
		t.Error("keeps none")
	}
	if _, err := List(filepath.Join(dir, "nowhere")); err == nil {
		t.Error("lists a folder that is not there")
	}
	touch := func(names ...string) {
		for _, name := range names {
			if err := os.WriteFile(filepath.Join(dir, name), nil, 0o600); err != nil {
				t.Fatal(err)
			}
		}
	}
	touch("pinwright-20260101T000000Z.json", "pinwright-20260101T000000Z.zip", "pinwright-20260102T000000Z.json", "pinwright-20260102T000000Z.zip",
		"pinwright-20260103T000000Z.zip", "pinwright-notes.json", "other.zip", "pinwright-20260104T000000Z.zip.partial")
	if last, err := Last(dir); err != nil || !last.Equal(time.Date(2026, 1, 2, 0, 0, 0, 0, time.UTC)) {
		t.Errorf("the last complete one is of %s (%v)", last, err)
	}
	if _, err := Keep(dir, 1, now); err != nil {
		t.Fatal(err)
	}
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var left []string
	for _, e := range entries {
		left = append(left, e.Name())
	}
	want := []string{"other.zip", "pinwright-20260102T000000Z.json", "pinwright-20260102T000000Z.zip", "pinwright-20260103T000000Z.zip", "pinwright-20260104T000000Z.zip.partial", "pinwright-notes.json"}
	if diff := cmp.Diff(want, left); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}
