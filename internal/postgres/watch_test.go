package postgres_test

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgconn"

	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

// diary writes down what a Watcher is told.
type diary struct {
	mu    sync.Mutex
	lines []string
}

func (d *diary) note(format string, args ...any) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.lines = append(d.lines, fmt.Sprintf(format, args...))
}

type nested struct{}

func within(ctx context.Context, what string) context.Context {
	outer, _ := ctx.Value(nested{}).(string)
	return context.WithValue(ctx, nested{}, outer+what+"/")
}

func where(ctx context.Context) string { s, _ := ctx.Value(nested{}).(string); return s }

func (d *diary) Waits() { d.note("waits") }
func (d *diary) Acquired(_ time.Duration, err error) {
	d.note("acquired %v", err == nil)
}
func (d *diary) Released(use time.Duration) { d.note("released after some time %v", use > 0) }
func (d *diary) TransactionBegins(ctx context.Context, writes bool) context.Context {
	d.note("begins, writes %v", writes)
	return within(ctx, "tx")
}
func (d *diary) TransactionEnded(ctx context.Context, _ bool, err error) {
	d.note("%sended %v", where(ctx), err)
}
func (d *diary) Retried(ctx context.Context, sqlstate string) {
	d.note("%sretried %s", where(ctx), sqlstate)
}
func (d *diary) TripBegins(ctx context.Context, trip postgres.Trip, statements int) context.Context {
	d.note("%s%s of %d", where(ctx), trip, statements)
	return within(ctx, string(trip))
}
func (d *diary) TripEnded(ctx context.Context, _ postgres.Trip, took time.Duration, sqlstate string, err error) {
	d.note("%sback in time %v, %q, well %v", where(ctx), took > 0, sqlstate, err == nil)
}
func (d *diary) Committed(ctx context.Context, _ uuid.UUID, events map[string]int) {
	d.note("%scommitted %v", where(ctx), events)
}

func TestWatcherIsToldEveryStepOnce(t *testing.T) {
	t.Parallel()
	pool := pgtest.New(t).App
	club := uuid.New()
	nothing := func(*postgres.Batch) {}
	refused := problem.New(problem.NameTaken, "no")
	for _, c := range []struct {
		name string
		run  func(db *postgres.DB) error
		want []string
	}{
		{"a read", func(db *postgres.DB) error {
			return db.Read(t.Context(), club, func(b *postgres.Batch) { postgres.Values[int](b, `select 1`) })
		}, []string{"begins, writes false", "waits", "acquired true", "tx/read of 4", `tx/read/back in time true, "", well true`, "released after some time true", "tx/ended <nil>"}},
		{"a read that fails", func(db *postgres.DB) error {
			return db.Read(t.Context(), club, func(b *postgres.Batch) { postgres.Values[int](b, `select 1/0`) })
		}, []string{"begins, writes false", "waits", "acquired true", "tx/read of 4", `tx/read/back in time true, "22012", well false`,
			"tx/roll_back of 1", `tx/roll_back/back in time true, "", well true`, "released after some time true", "tx/ended ERROR: division by zero (SQLSTATE 22012)"}},
		{"a write", func(db *postgres.DB) error {
			return db.Write(t.Context(), club, time.Now(), nothing, func(tx *postgres.Tx) error {
				tx.Queue(`select 1`)
				tx.CountEvents("thing.made", 2)
				tx.CountEvents("thing.made", 1)
				return tx.Send(t.Context(), func(b *postgres.Batch) { postgres.Values[int](b, `select 2`) })
			})
		}, []string{"begins, writes true", "waits", "acquired true", "tx/lookups of 2", `tx/lookups/back in time true, "", well true`,
			"more_lookups of 1", `more_lookups/back in time true, "", well true`,
			"tx/effects of 2", `tx/effects/back in time true, "", well true`, "tx/committed map[thing.made:3]", "released after some time true", "tx/ended <nil>"}},
		{"a write that is refused by a constraint", func(db *postgres.DB) error {
			return db.Write(t.Context(), club, time.Now(), nothing, func(tx *postgres.Tx) error {
				tx.CountEvents("thing.made", 1)
				tx.Queue(`insert into garage (club_id, id, code, name, time_zone) values ($1, $1, 'a', 'A', 'UTC')`, club).Refuse("garage_club_id_fkey", refused)
				return nil
			})
		}, []string{"begins, writes true", "waits", "acquired true", "tx/lookups of 2", `tx/lookups/back in time true, "", well true`,
			"tx/effects of 2", `tx/effects/back in time true, "23503", well false`,
			"tx/roll_back of 1", `tx/roll_back/back in time true, "", well true`, "released after some time true", "tx/ended " + refused.Error()}},
		{"a write that runs twice", func(db *postgres.DB) error {
			tries := 0
			return db.Write(t.Context(), club, time.Now(), nothing, func(tx *postgres.Tx) error {
				tx.CountEvents("thing.made", 1)
				if tries++; tries == 1 {
					return &pgconn.PgError{Code: "40P01"}
				}
				return nil
			})
		}, []string{"begins, writes true", "waits", "acquired true", "tx/lookups of 2", `tx/lookups/back in time true, "", well true`,
			"tx/roll_back of 1", `tx/roll_back/back in time true, "", well true`, "released after some time true", "tx/retried 40P01",
			"waits", "acquired true", "tx/lookups of 2", `tx/lookups/back in time true, "", well true`,
			"tx/effects of 1", `tx/effects/back in time true, "", well true`, "tx/committed map[thing.made:1]", "released after some time true", "tx/ended <nil>"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := &diary{}
			err := c.run(&postgres.DB{Pool: pool, Watch: d})
			if diff := cmp.Diff(c.want, d.lines); diff != "" {
				t.Errorf("%v (-want +got):\n%s", err, diff)
			}
		})
	}
}

func TestWaitForAConnectionIsBounded(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	pool := db.Pool(t, db.AppURL, 1)
	conn, err := pool.Acquire(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Release()
	d := &diary{}
	err = (&postgres.DB{Pool: pool, Wait: 20 * time.Millisecond, Watch: d}).Read(t.Context(), uuid.New(), func(*postgres.Batch) {})
	if !problem.Is(err, problem.Unavailable) || !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("the wait ended as %v", err)
	}
	if diff := cmp.Diff([]string{"begins, writes false", "waits", "acquired false", "tx/ended " + err.Error()}, d.lines); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}
