package schema_test

import (
	"context"
	"errors"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"pinwright/internal/schema"
)

// held holds a lock on a table from now on until its end is called, or the
// time is over.
func held(t *testing.T, url, lock string, d time.Duration) (end func()) {
	t.Helper()
	conn := connect(t, url)
	if _, err := conn.Exec(t.Context(), `begin; `+lock); err != nil {
		t.Fatal(err)
	}
	ended := make(chan struct{})
	over, cancel := context.WithTimeout(context.Background(), d)
	go func() {
		defer close(ended)
		<-over.Done()
		if _, err := conn.Exec(context.Background(), `rollback`); err != nil {
			t.Error(err)
		}
	}()
	return func() { cancel(); <-ended }
}

func TestMigrationsComeBackWhenTheyMeetALock(t *testing.T) {
	t.Parallel()
	first := map[string]string{"0001_shelf.up.sql": `CREATE TABLE shelf (n int)`, "0001_shelf.down.sql": `DROP TABLE shelf`}
	for _, tc := range []struct{ name, lock, second string }{
		{"on a table", `select from shelf`, `CREATE TABLE box (n int); ALTER TABLE shelf ADD COLUMN m int`},
		{"on the version table, behind the file", `lock table public.schema_migrations in access share mode`, `SELECT pg_sleep(0.1); ALTER TABLE shelf ADD COLUMN m int`},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			c, name := fresh(t)
			url := c.URL(schema.Owner, name, nil)
			files := fstest.MapFS{}
			for path, text := range first {
				files[path] = file(text)
			}
			if err := schema.Up(t.Context(), url, files); err != nil {
				t.Fatal(err)
			}
			files["0002_box.up.sql"], files["0002_box.down.sql"] = file(tc.second), file(`SELECT 1`)
			end := held(t, c.DatabaseURL(name), tc.lock, 2500*time.Millisecond) // longer than two of lock_timeout
			defer end()
			if err := schema.Up(t.Context(), url, files); err != nil {
				t.Fatal(err)
			}
			if v, err := schema.GetVersion(t.Context(), url); err != nil || v != (schema.Version{Number: 2}) {
				t.Errorf("at %+v (%v)", v, err)
			}
			if n := ask[int](t, url, `select count(*) from pg_attribute where attrelid = 'shelf'::regclass and attname = 'm'`); n != 1 {
				t.Errorf("%d columns m", n)
			}
		})
	}
}

func TestMigrationThatMeetsALockLeavesTheVersionWhereItWas(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name, second string
		want         schema.Version
	}{
		{"in a transaction", `ALTER TABLE shelf ADD COLUMN m int`, schema.Version{Number: 1}},
		// This one leaves an invalid index: a person must look.
		{"outside of one", `CREATE INDEX CONCURRENTLY shelf_n ON shelf (n)`, schema.Version{Number: 2, Dirty: true}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			c, name := fresh(t)
			url := c.URL(schema.Owner, name, nil)
			files := fstest.MapFS{"0001_shelf.up.sql": file(`CREATE TABLE shelf (n int)`), "0001_shelf.down.sql": file(`DROP TABLE shelf`)}
			if err := schema.Up(t.Context(), url, files); err != nil {
				t.Fatal(err)
			}
			files["0002_more.up.sql"], files["0002_more.down.sql"] = file(tc.second), file(`SELECT 1`)
			end := held(t, c.DatabaseURL(name), `lock table shelf in share row exclusive mode`, time.Minute)
			ctx, cancel := context.WithTimeout(t.Context(), 1500*time.Millisecond) // in the pause after the first try
			defer cancel()
			err := schema.Up(ctx, url, files)
			end()
			if err == nil || !tc.want.Dirty && !errors.Is(err, context.DeadlineExceeded) || tc.want.Dirty && !strings.Contains(err.Error(), "lock timeout") {
				t.Errorf("%v", err)
			}
			if v, err := schema.GetVersion(t.Context(), url); err != nil || v != tc.want {
				t.Errorf("at %+v (%v), want %+v", v, err, tc.want)
			}
		})
	}
}
