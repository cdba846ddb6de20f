package pgtest_test

import (
	"strings"
	"testing"

	"pinwright/internal/pgtest"
)

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
	if log := db.ServerLog(t); !strings.Contains(log, " 22012 ") || !strings.Contains(log, "1/0") {
		t.Errorf("log lacks SQLSTATE 22012 or the statement:\n%s", log)
	}
	if log := other.ServerLog(t); strings.Contains(log, "22012") {
		t.Errorf("another database's log shows the error:\n%s", log)
	}
}
