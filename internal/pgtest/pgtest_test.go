package pgtest_test

import (
	"bufio"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"pinwright/internal/pgtest"
)

// orphanSwitch makes this test binary one that works until its parent dies.
const orphanSwitch = "PGTEST_TEST_ORPHAN"

func TestMain(m *testing.M) { pgtest.Main(m) }

func TestEachTestHasItsOwnDatabase(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	a, b := pgtest.New(t), pgtest.New(t)
	if _, err := a.Owner.Exec(ctx, `CREATE TABLE only_here (n int); INSERT INTO only_here VALUES (1)`); err != nil {
		t.Fatal(err)
	}
	var there bool
	if err := b.Owner.QueryRow(ctx, `SELECT to_regclass('public.only_here') IS NOT NULL`).Scan(&there); err != nil {
		t.Fatal(err)
	}
	if there {
		t.Error("a table made in one test's database shows in another's")
	}
}

func TestPoolsActAsTheServingAndTheOwningRole(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	db := pgtest.New(t)
	var app, owner, wait string
	if err := db.App.QueryRow(ctx, `SELECT current_user, current_setting('statement_timeout')`).Scan(&app, &wait); err != nil {
		t.Fatal(err)
	}
	if err := db.Owner.QueryRow(ctx, `SELECT current_user`).Scan(&owner); err != nil {
		t.Fatal(err)
	}
	if app != "pinwright_app" || owner != "pinwright_owner" || wait != "10s" {
		t.Errorf("app pool is %s with statement_timeout %s, owner pool is %s", app, wait, owner)
	}
	for _, forbidden := range []string{`CREATE TABLE t (n int)`, `CREATE TEMP TABLE t (n int)`, `CREATE SCHEMA s`} {
		if _, err := db.App.Exec(ctx, forbidden); err == nil || !strings.Contains(err.Error(), "42501") {
			t.Errorf("%s as the serving role: %v, want permission denied (42501)", forbidden, err)
		}
	}
}

func TestServerLogShowsThisDatabasesErrorsByCode(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	db, other := pgtest.New(t), pgtest.New(t)
	if _, err := db.App.Exec(ctx, "SELECT\n 1/0"); err == nil {
		t.Fatal("division by zero succeeded")
	}
	if c := pgtest.Cluster(t); !c.Private() {
		if _, err := c.ServerLog(); err == nil {
			t.Error("read the log of a server that is not ours")
		}
		return
	}
	if log := db.ServerLog(t); !strings.Contains(log, " 22012 ") || !strings.Contains(log, "1/0") {
		t.Errorf("log lacks SQLSTATE 22012 or the statement:\n%s", log)
	}
	if log := other.ServerLog(t); strings.Contains(log, "22012") {
		t.Errorf("another database's log shows the error:\n%s", log)
	}
}

func TestDeadlocksAreCounted(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	db, other := pgtest.New(t), pgtest.New(t)
	if _, err := db.Owner.Exec(ctx, `CREATE TABLE pair (n int PRIMARY KEY); INSERT INTO pair VALUES (1), (2)`); err != nil {
		t.Fatal(err)
	}
	if n := db.Deadlocks(t); n != 0 {
		t.Fatalf("%d deadlocks before any", n)
	}
	const lock = `SELECT FROM pair WHERE n = $1 FOR UPDATE`
	held := make(chan error, 2)
	begin := make(chan struct{})
	ended := make(chan error, 2)
	for _, order := range [][2]int{{1, 2}, {2, 1}} {
		go func() {
			tx, err := db.Owner.Begin(ctx)
			if err != nil {
				held <- err
				return
			}
			defer tx.Rollback(ctx) //nolint:errcheck // nothing to keep
			_, err = tx.Exec(ctx, lock, order[0])
			held <- err
			<-begin
			_, err = tx.Exec(ctx, lock, order[1])
			ended <- err
		}()
	}
	if err := errors.Join(<-held, <-held); err != nil {
		t.Fatal(err)
	}
	close(begin)
	if err := errors.Join(<-ended, <-ended); err == nil || !strings.Contains(err.Error(), "40P01") {
		t.Fatalf("two that wait for each other: %v, want a deadlock", err)
	}
	if n, others := db.Deadlocks(t), other.Deadlocks(t); n != 1 || others != 0 {
		t.Errorf("%d deadlocks, in another database %d; want 1 and 0", n, others)
	}
}

// The go command can be killed and so leave a test binary without a parent; a
// shell stands for it here.
func TestBinaryWhoseParentIsKilledEndsAndLeavesNothing(t *testing.T) {
	if os.Getenv(orphanSwitch) != "" {
		db := pgtest.New(t)
		fmt.Println("database of orphan:", db.AdminURL)
		time.Sleep(5 * time.Minute)
		return
	}
	if !pgtest.Cluster(t).Private() {
		return // the databases on a given server go at the next run, see dropStale
	}
	t.Parallel()
	cmd := exec.Command("/bin/sh", "-c", `"$0" -test.run='^`+t.Name()+`$' -test.paniconexit0 & echo "pid of orphan: $!"; wait`, os.Args[0])
	cmd.Env = append(os.Environ(), orphanSwitch+"=1")
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	var pid int
	var server *pgx.ConnConfig
	lines := bufio.NewScanner(out)
	for (pid == 0 || server == nil) && lines.Scan() {
		if text, ok := strings.CutPrefix(lines.Text(), "pid of orphan: "); ok {
			if pid, err = strconv.Atoi(text); err != nil {
				t.Fatal(err)
			}
		}
		if text, ok := strings.CutPrefix(lines.Text(), "database of orphan: "); ok {
			if server, err = pgx.ParseConfig(text); err != nil {
				t.Fatal(err)
			}
		}
	}
	if pid == 0 || server == nil {
		t.Fatalf("the binary ended without a database (process %d)", pid)
	}
	if err := cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = cmd.Wait() // it was killed
	for deadline := time.Now().Add(time.Minute); !gone(server); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("the cluster at %s is left a minute after the kill", server.Host)
		}
	}
}

// gone tells that the server is no more: its socket's folder, or, in a container,
// its port. Package pgcontainer's tests look for what a container leaves.
func gone(server *pgx.ConnConfig) bool {
	network, address := pgconn.NetworkAddress(server.Host, server.Port)
	if network == "unix" {
		_, err := os.Stat(server.Host)
		return errors.Is(err, os.ErrNotExist)
	}
	conn, err := net.DialTimeout(network, address, time.Second)
	if err == nil {
		_ = conn.Close()
	}
	return errors.Is(err, syscall.ECONNREFUSED) || errors.Is(err, syscall.EHOSTUNREACH)
}
