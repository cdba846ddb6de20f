// Package pgtest gives every test a PostgreSQL database of its own, made by the
// real migrations and used as the real roles, so that tests can run in parallel
// and meet the grants, policies and constraints that production meets.
//
// The first New of a test binary finds a server by package localpg's ladder and
// migrates a template; each New clones it. Without PostgreSQL the test fails
// with what was tried and what to install; nothing is skipped.
//
// A test binary's private cluster ends with the binary, however that ends: a
// pass, a failure, a timeout or a kill. Packages that use New should still have
//
//	func TestMain(m *testing.M) { pgtest.Main(m) }
//
// which also takes down the databases made on a given server.
//
// Environment:
//
//   - PINWRIGHT_DATABASE_URL: work on this server, with this administrator's
//     login, instead of a private cluster.
//   - PINWRIGHT_POSTGRES=given, installed, fetched or container: allow this step
//     of the ladder only. The last is package pgcontainer's.
//   - PINWRIGHT_KEEP_TEST_DB=1: leave the databases of failed tests for a person
//     to look at; the test's log says where.
package pgtest

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"log/slog"
	"os"
	"regexp"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/internal/localpg"
	"pinwright/internal/pgcontainer"
	"pinwright/internal/schema"
	"pinwright/migrations"
)

// DB is one test's database.
type DB struct {
	Name string

	// AppURL, OwnerURL, BackupURL and JobsURL reach it as the roles of package
	// schema; AdminURL as a superuser.
	AppURL, OwnerURL, BackupURL, JobsURL, AdminURL string

	// App and Owner are pools of up to four connections, as the service has.
	App, Owner *pgxpool.Pool

	cluster *localpg.Cluster
}

const (
	// poolSize is the service's default: more connections than twice the
	// cores made it slower.
	poolSize = 4

	// setUpWait bounds starting a cluster and migrating on a loaded machine.
	setUpWait = 3 * time.Minute

	// staleAfter is the age at which databases on a given server are taken for
	// those of a test run that was killed. No test run takes that long.
	staleAfter = 2 * time.Hour
)

// settings suit many short-lived databases. Autovacuum is off because its
// workers would hold up cloning and dropping; tests that need statistics say
// ANALYZE.
var settings = map[string]string{
	"max_connections": "200",
	"shared_buffers":  "64MB",
	"wal_level":       "minimal",
	"max_wal_senders": "0",
	"max_wal_size":    "512MB", // it may lie in memory
	"autovacuum":      "off",
}

// binary is what the tests of one test binary share.
var binary struct {
	once     sync.Once
	err      error
	cluster  *localpg.Cluster
	template string
	serial   atomic.Int64
	kept     atomic.Bool // a failed test's database is to be looked at
}

// New returns a database with all migrations applied. It is dropped when the
// test ends; its pools are closed then, and a connection that was not given
// back by then is an error of the test.
func New(t testing.TB) *DB {
	t.Helper()
	c := Cluster(t)
	ctx, cancel := context.WithTimeout(t.Context(), setUpWait)
	defer cancel()
	name := fmt.Sprintf("%s_%d", namePrefix(), binary.serial.Add(1))
	if err := clone(ctx, c, name, binary.template); err != nil {
		t.Fatalf("pgtest: %v", err)
	}
	db := &DB{
		Name:      name,
		AppURL:    c.URL(schema.App, name, schema.AppSettings()),
		OwnerURL:  c.URL(schema.Owner, name, nil),
		BackupURL: c.URL(schema.Backup, name, nil),
		JobsURL:   c.URL(schema.Jobs, name, schema.JobsSettings()),
		AdminURL:  c.DatabaseURL(name),
		cluster:   c,
	}
	t.Cleanup(func() {
		if t.Failed() && os.Getenv("PINWRIGHT_KEEP_TEST_DB") == "1" {
			binary.kept.Store(true)
			t.Logf("pgtest: kept the database %s of %s", name, c.How())
			return
		}
		if err := drop(context.Background(), c, name); err != nil {
			t.Errorf("pgtest: %v", err)
		}
	})
	db.App = db.Pool(t, db.AppURL, poolSize)
	db.Owner = db.Pool(t, db.OwnerURL, poolSize)
	return db
}

// Pool opens a further pool on one of the database's URLs and closes it when
// the test ends.
func (db *DB) Pool(t testing.TB, url string, size int32) *pgxpool.Pool {
	t.Helper()
	cfg, err := pgxpool.ParseConfig(url)
	if err != nil {
		t.Fatalf("pgtest: %v", err)
	}
	cfg.MaxConns = size
	pool, err := pgxpool.NewWithConfig(context.Background(), cfg) // outlives t.Context, which ends before Cleanup
	if err != nil {
		t.Fatalf("pgtest: %v", err)
	}
	t.Cleanup(func() {
		closed := make(chan struct{})
		go func() { pool.Close(); close(closed) }()
		select {
		case <-closed:
		case <-time.After(10 * time.Second):
			t.Errorf("pgtest: %d connections were not given back to the pool by the end of the test", pool.Stat().AcquiredConns())
		}
	})
	return pool
}

// ServerLog is what the server logged about this database so far; each line
// carries its SQLSTATE, so a deadlock shows as 40P01. On a given server the log
// is out of reach and the test fails.
func (db *DB) ServerLog(t testing.TB) string {
	t.Helper()
	all, err := db.cluster.ServerLog()
	if err != nil {
		t.Fatalf("pgtest: %v", err)
	}
	var about strings.Builder
	ours := false
	for line := range strings.Lines(all) {
		if !strings.HasPrefix(line, "\t") { // else it continues an entry
			ours = strings.Contains(line, "@"+db.Name+" ")
		}
		if ours {
			about.WriteString(line)
		}
	}
	return about.String()
}

// Deadlocks is how many deadlocks the server broke in this database so far. The
// log tells at once; a given server's counter tells only when the sessions that
// met them are over, so there both pools are emptied first.
func (db *DB) Deadlocks(t testing.TB) int {
	t.Helper()
	if db.cluster.Private() {
		n := 0
		for line := range strings.Lines(db.ServerLog(t)) { // the entry's detail and hint carry the code as well
			if strings.Contains(line, " 40P01 ") && strings.Contains(line, "ERROR:") {
				n++
			}
		}
		return n
	}
	db.App.Reset()
	db.Owner.Reset()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	n, err := withAdmin(ctx, db.cluster, func(conn *pgx.Conn) (n int, err error) {
		for sessions := 1; sessions > 0; time.Sleep(5 * time.Millisecond) {
			err = conn.QueryRow(ctx, `SELECT (SELECT count(*) FROM pg_stat_activity WHERE datname = $1), deadlocks
				FROM pg_stat_database WHERE datname = $1`, db.Name).Scan(&sessions, &n)
			if err != nil {
				return 0, fmt.Errorf("count deadlocks (every session must be over first): %w", err)
			}
		}
		return n, nil
	})
	if err != nil {
		t.Fatalf("pgtest: %v", err)
	}
	return n
}

// Cluster is the server that this test binary's databases are on, for tests
// that make their own.
func Cluster(t testing.TB) *localpg.Cluster {
	t.Helper()
	binary.once.Do(func() {
		ctx, cancel := context.WithTimeout(context.Background(), setUpWait)
		defer cancel()
		binary.err = setUp(ctx)
	})
	if binary.err != nil {
		t.Fatalf("pgtest: %v", binary.err)
	}
	return binary.cluster
}

func setUp(ctx context.Context) error {
	c, err := localpg.Open(ctx, localpg.Options{
		URL:      os.Getenv("PINWRIGHT_DATABASE_URL"),
		Only:     localpg.Step(os.Getenv("PINWRIGHT_POSTGRES")),
		Further:  pgcontainer.Rung(),
		Settings: settings,
		InMemory: true,
	})
	if err != nil {
		return err
	}
	binary.cluster = c
	watchParent()
	if !c.Private() {
		if err := dropStale(ctx, c, time.Now()); err != nil {
			return err
		}
	}
	template := namePrefix() + "_template"
	if err := schema.Install(ctx, c.AdminURL(), template, schema.Passwords{}); err != nil {
		return err
	}
	binary.template = template
	return schema.Up(ctx, c.URL(schema.Owner, template, nil), migrations.Files)
}

// started is fixed at the first use so that all names of a binary agree.
var started = sync.OnceValue(func() int64 { return time.Now().Unix() })

// namePrefix starts the name of every database of this binary. The time lets a
// later run on the same given server recognise what a killed one left.
func namePrefix() string { return fmt.Sprintf("pinwright_test_%d_%d", started(), os.Getpid()) }

var testName = regexp.MustCompile(`^pinwright_test_(\d+)_\d+_(\d+|template)$`)

// dropStale removes from a given server what killed test runs left there.
func dropStale(ctx context.Context, c *localpg.Cluster, now time.Time) error {
	names, err := withAdmin(ctx, c, func(conn *pgx.Conn) ([]string, error) {
		rows, err := conn.Query(ctx, `SELECT datname FROM pg_database WHERE datname LIKE 'pinwright\_test\_%' ORDER BY datname`)
		if err != nil {
			return nil, err
		}
		return pgx.CollectRows(rows, pgx.RowTo[string])
	})
	if err != nil {
		return err
	}
	for _, name := range names {
		m := testName.FindStringSubmatch(name)
		if m == nil {
			continue
		}
		made, err := strconv.ParseInt(m[1], 10, 64)
		if err != nil || now.Sub(time.Unix(made, 0)) < staleAfter {
			continue
		}
		if err := drop(ctx, c, name); err != nil {
			return err
		}
	}
	return nil
}

// clone copies the template. The rights on a database are not copied with it.
func clone(ctx context.Context, c *localpg.Cluster, name, template string) error {
	_, err := withAdmin(ctx, c, func(conn *pgx.Conn) (struct{}, error) {
		strategy := ""
		if c.Private() { // where a checkpoint costs nothing, copying files is faster than logging pages
			strategy = ` STRATEGY file_copy`
		}
		_, err := conn.Exec(ctx, `CREATE DATABASE `+name+` OWNER `+schema.Owner+` TEMPLATE `+template+strategy)
		if err != nil {
			return struct{}{}, fmt.Errorf("clone the template: %w", err)
		}
		return struct{}{}, schema.AllowConnect(ctx, conn, name)
	})
	return err
}

func drop(ctx context.Context, c *localpg.Cluster, name string) error {
	ctx, cancel := context.WithTimeout(ctx, setUpWait)
	defer cancel()
	_, err := withAdmin(ctx, c, func(conn *pgx.Conn) (struct{}, error) {
		_, err := conn.Exec(ctx, `DROP DATABASE IF EXISTS `+name+` WITH (FORCE)`)
		return struct{}{}, err
	})
	if err != nil {
		return fmt.Errorf("drop %s: %w", name, err)
	}
	return nil
}

func withAdmin[T any](ctx context.Context, c *localpg.Cluster, f func(*pgx.Conn) (T, error)) (T, error) {
	conn, err := pgx.Connect(ctx, c.AdminURL())
	if err != nil {
		var none T
		return none, fmt.Errorf("connect as administrator: %w", err)
	}
	result, err := f(conn)
	return result, errors.Join(err, conn.Close(context.WithoutCancel(ctx)))
}

// Main runs the tests, twice as many at once as there are processors unless
// -parallel says otherwise, since a test waits for its database half of the time;
// takes down what they used and exits.
func Main(m *testing.M) {
	flag.Parse()
	atOnce := flag.Lookup("test.parallel")
	if atOnce.Value.String() == strconv.Itoa(runtime.GOMAXPROCS(0)) {
		_ = atOnce.Value.Set(strconv.Itoa(2 * runtime.GOMAXPROCS(0))) // a number is taken
	}
	code := m.Run()
	if err := TakeDown(); err != nil {
		fmt.Fprintln(os.Stderr, "pgtest:", err)
		code = max(code, 1)
	}
	os.Exit(code)
}

// TakeDown is what Main does after the tests, for a TestMain that has more to do.
func TakeDown() error {
	c := binary.cluster
	if c == nil {
		return nil
	}
	if binary.kept.Load() && c.Private() {
		fmt.Fprintf(os.Stderr, "pgtest: kept %s; look at it with: %s\n", c.How(), c.LookAt())
		return c.StopAndKeep()
	}
	if !c.Private() && binary.template != "" {
		return drop(context.Background(), c, binary.template)
	}
	return c.Stop()
}

// watchParent ends the binary when the go command that runs it is killed, which
// would otherwise let the tests, and with them the cluster, run on to their end.
// A test binary started by hand (without the flag that the go command passes)
// may outlive the shell it was started from.
func watchParent() {
	if f := flag.Lookup("test.paniconexit0"); f == nil || f.Value.String() != "true" {
		return
	}
	parent := os.Getppid()
	go func() {
		for range time.Tick(250 * time.Millisecond) {
			if os.Getppid() != parent {
				slog.Error("pgtest: the go command that ran these tests is gone")
				_ = TakeDown() // the cluster's warden tries again
				os.Exit(1)
			}
		}
	}()
}
