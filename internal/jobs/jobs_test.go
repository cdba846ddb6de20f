package jobs

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/prometheus/client_golang/prometheus"
	dto "github.com/prometheus/client_model/go"

	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

// migrated is a database with the queue and so many clubs.
func migrated(t *testing.T, clubs int) *pgtest.DB {
	t.Helper()
	db := pgtest.New(t)
	if err := Migrate(t.Context(), db.OwnerURL, slog.New(slog.DiscardHandler)); err != nil {
		t.Fatal(err)
	}
	if _, err := db.Owner.Exec(t.Context(), `insert into club (club_id, slug, name, currency, created_at) select gen_random_uuid(), 'club-' || n, 'Club', 'EUR', '2026-01-01Z' from generate_series(1, $1) n`, clubs); err != nil {
		t.Fatal(err)
	}
	return db
}

// replica is a Runner that is stopped with the test.
func replica(t *testing.T, db *pgtest.DB, adjust func(*Options), sweeps ...Sweep) *Runner {
	t.Helper()
	o := Options{URL: db.JobsURL, DB: &postgres.DB{Pool: db.App}, Sweeps: sweeps, Log: slog.New(slog.DiscardHandler), Poll: 100 * time.Millisecond}
	if adjust != nil {
		adjust(&o)
	}
	r, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
		defer cancel()
		if err := r.Stop(ctx); err != nil {
			t.Error(err)
		}
	})
	r.Start(t.Context())
	return r
}

// within waits for something on a loaded machine.
func within(t *testing.T, patience time.Duration, what string, holds func() bool) {
	t.Helper()
	for end := time.Now().Add(patience); !holds(); time.Sleep(20 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("not within %s: %s", patience, what)
		}
	}
}

func count(t *testing.T, pool *pgxpool.Pool, sql string, args ...any) (n int) {
	t.Helper()
	if err := pool.QueryRow(t.Context(), sql, args...).Scan(&n); err != nil {
		t.Fatalf("%s: %v", sql, err)
	}
	return n
}

func TestMigratorsOfTheQueueMayMeet(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	var wg sync.WaitGroup
	errs := make([]error, 4)
	for i := range errs {
		wg.Go(func() { errs[i] = Migrate(t.Context(), db.OwnerURL, slog.New(slog.DiscardHandler)) })
	}
	wg.Wait()
	if err := errors.Join(errs...); err != nil {
		t.Fatal(err)
	}
	if err := Remove(t.Context(), db.OwnerURL); err != nil {
		t.Fatal(err)
	}
	if err := Migrate(t.Context(), db.OwnerURL, slog.New(slog.DiscardHandler)); err != nil {
		t.Errorf("after it was taken away: %v", err)
	}
}

func TestOnlyTheRoleOfJobsReachesTheQueueAndOnlyItsRows(t *testing.T) {
	t.Parallel()
	db := migrated(t, 1)
	jobs := db.Pool(t, db.JobsURL, 1)
	for _, tc := range []struct {
		pool *pgxpool.Pool
		sql  string
	}{
		{db.App, `select from river.river_job`}, {db.App, `insert into river.river_queue (name, updated_at) values ('x', now())`},
		{jobs, `create table river.mine (n int)`}, {jobs, `alter table river.river_job add column n int`}, {jobs, `drop table river.river_leader`}, {jobs, `truncate river.river_job`},
		{jobs, `select from river.river_migration`}, {jobs, `reindex index river.river_job_args_index`}, {jobs, `select from club`}, {jobs, `select from member`}, {jobs, `select from event`},
	} {
		if _, err := tc.pool.Exec(t.Context(), tc.sql); err == nil || !strings.Contains(err.Error(), "42501") {
			t.Errorf("%s: %v, want SQLSTATE 42501", tc.sql, err)
		}
	}
	if n := count(t, jobs, `select count(*) from river.river_job`); n != 0 {
		t.Errorf("%d jobs in a new queue", n)
	}
}

func TestEachSweepRunsOnceInItsPeriodInEveryClubHoweverManyReplicas(t *testing.T) {
	t.Parallel()
	const clubs = 3
	db := migrated(t, clubs)
	var mu sync.Mutex
	runs := map[string]int{} // by sweep and club
	sweepOf := func(name string, every time.Duration) Sweep {
		return Sweep{Name: name, Every: every, Run: func(ctx context.Context, d *postgres.DB, club uuid.UUID, now time.Time) (int, error) {
			// As the serving role, behind the club's fence.
			var seen *postgres.Rows[uuid.UUID]
			if err := d.Read(ctx, club, func(b *postgres.Batch) { seen = postgres.Values[uuid.UUID](b, `select club_id from club`) }); err != nil {
				return 0, err
			}
			if !slices.Equal(seen.Items, []uuid.UUID{club}) {
				return 0, fmt.Errorf("sees %v of club %s", seen.Items, club)
			}
			mu.Lock()
			defer mu.Unlock()
			runs[name+" "+club.String()]++
			return 1, nil
		}}
	}
	var replicas []*Runner
	for range 3 {
		replicas = append(replicas, replica(t, db, nil, sweepOf("often", 2*time.Second), sweepOf("seldom", 4*time.Second)))
	}
	within(t, time.Minute, "five runs", func() bool {
		return count(t, db.Owner, `select count(*) from river.river_job where state = 'completed' and args ->> 'sweep' = 'often'`) >= 5
	})
	for _, r := range replicas {
		ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
		if err := r.Stop(ctx); err != nil {
			t.Error(err)
		}
		cancel()
		r.cancel = nil // the clean-up has nothing to do
	}
	mu.Lock()
	defer mu.Unlock()
	for _, s := range []struct {
		name  string
		every int
	}{{"often", 2}, {"seldom", 4}} {
		jobs := count(t, db.Owner, `select count(*) from river.river_job where args ->> 'sweep' = $1 and state = 'completed'`, s.name)
		periods := count(t, db.Owner, `select count(distinct floor(extract(epoch from scheduled_at) / $2)) from river.river_job where args ->> 'sweep' = $1 and state = 'completed'`, s.name, s.every)
		if jobs == 0 || jobs != periods {
			t.Errorf("%s: %d jobs in %d periods", s.name, jobs, periods)
		}
		for key, n := range runs {
			if strings.HasPrefix(key, s.name+" ") && n != jobs {
				t.Errorf("%s ran %d times, with %d jobs", key, n, jobs)
			}
		}
	}
	if len(runs) != 2*clubs {
		t.Errorf("ran in %d of %d sweeps and clubs", len(runs), 2*clubs)
	}
}

func TestOneClubsFaultIsNotTheOthers(t *testing.T) {
	t.Parallel()
	db := migrated(t, 3)
	var first uuid.UUID
	if err := db.Owner.QueryRow(t.Context(), `select club_id from club order by club_id limit 1`).Scan(&first); err != nil {
		t.Fatal(err)
	}
	var well atomic.Int64
	figures := NewFigures()
	replica(t, db, func(o *Options) { o.Figures = figures }, Sweep{Name: "odd", Every: 2 * time.Second, Run: func(_ context.Context, _ *postgres.DB, club uuid.UUID, _ time.Time) (int, error) {
		if club == first {
			panic("a bug")
		}
		well.Add(1)
		return 2, nil
	}})
	within(t, time.Minute, "the others' turn, twice", func() bool { return well.Load() >= 4 })
	within(t, time.Minute, "the sweep to be counted", func() bool { return figure(t, figures, "pinwright_sweep_failures_total") >= 1 })
	if figure(t, figures, "pinwright_sweep_runs_total") < 1 || figure(t, figures, "pinwright_sweep_changes_total") < 4 || figure(t, figures, "pinwright_jobs_up") != 1 {
		t.Error("runs, changes or the state are not counted")
	}
	within(t, time.Minute, "the age of a sweep that went through", func() bool { return figure(t, figures, "pinwright_sweep_age_seconds") >= 0 })
}

// figure is the sum of a figure's values, -1 where it has none.
func figure(t *testing.T, f *Figures, name string) float64 {
	t.Helper()
	registry := prometheus.NewRegistry()
	registry.MustRegister(f)
	families, err := registry.Gather()
	if err != nil {
		t.Fatal(err)
	}
	for _, family := range families {
		if family.GetName() != name {
			continue
		}
		sum := 0.0
		for _, m := range family.Metric {
			if family.GetType() == dto.MetricType_COUNTER {
				sum += m.GetCounter().GetValue()
			} else {
				sum += m.GetGauge().GetValue()
			}
		}
		return sum
	}
	return -1
}

func TestAJobWhoseWorkerDiedIsDoneByAnother(t *testing.T) {
	t.Parallel()
	db := migrated(t, 1)
	// What a killed process leaves: a job that runs, and nobody who runs it.
	if _, err := db.Owner.Exec(t.Context(), `insert into river.river_job (state, attempt, max_attempts, attempted_at, scheduled_at, args, attempted_by, kind, queue)
		values ('running', 1, 3, now() - interval '1 hour', now() - interval '1 hour', '{"sweep": "seldom"}', '{gone}', 'sweep', 'default')`); err != nil {
		t.Fatal(err)
	}
	var runs atomic.Int64
	idle, err := New(Options{URL: db.JobsURL, Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	if s, err := idle.state(t.Context()); err != nil || s.oldest < 3000 {
		t.Errorf("the oldest job that is due counts as %g s old: %v", s.oldest, err)
	}
	if err := idle.Stop(t.Context()); err != nil {
		t.Error(err)
	}
	replica(t, db, func(o *Options) { o.Timeout, o.Rescue = time.Second, 2*time.Second }, Sweep{Name: "seldom", Every: 24 * time.Hour, Run: func(context.Context, *postgres.DB, uuid.UUID, time.Time) (int, error) {
		runs.Add(1)
		return 0, nil
	}})
	within(t, 2*time.Minute, "the dead worker's job", func() bool {
		return count(t, db.Owner, `select count(*) from river.river_job where state = 'completed' and attempt = 2`) == 1
	})
	within(t, time.Minute, "this day's own job beside it", func() bool { return runs.Load() == 2 })
}

func TestStoppingLetsSweepsFinishOrCutsThem(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name     string
		patience time.Duration
		finished bool
	}{{"with time", 20 * time.Second, true}, {"without", 300 * time.Millisecond, false}} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			db := migrated(t, 1)
			began, ended := make(chan struct{}, 10), make(chan bool, 10)
			r, err := New(Options{URL: db.JobsURL, DB: &postgres.DB{Pool: db.App}, Log: slog.New(slog.DiscardHandler), Poll: 100 * time.Millisecond,
				Sweeps: []Sweep{{Name: "slow", Every: time.Hour, Run: func(ctx context.Context, _ *postgres.DB, _ uuid.UUID, _ time.Time) (int, error) {
					began <- struct{}{}
					select {
					case <-ctx.Done():
						ended <- false
					case <-time.After(2 * time.Second):
						ended <- true
					}
					return 0, ctx.Err()
				}}}})
			if err != nil {
				t.Fatal(err)
			}
			r.Start(t.Context())
			select {
			case <-began:
			case <-time.After(time.Minute):
				t.Fatal("it did not begin within a minute")
			}
			ctx, cancel := context.WithTimeout(t.Context(), tc.patience)
			defer cancel()
			if err := r.Stop(ctx); (err == nil) != tc.finished {
				t.Errorf("stopping: %v", err)
			}
			if finished := <-ended; finished != tc.finished {
				t.Errorf("finished %v, want %v", finished, tc.finished)
			}
		})
	}
}

func TestJobsWaitForTheirTables(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	r := replica(t, db, nil, Sweep{Name: "any", Every: time.Hour, Run: func(context.Context, *postgres.DB, uuid.UUID, time.Time) (int, error) { return 0, nil }})
	time.Sleep(300 * time.Millisecond)
	if r.Health() == nil {
		t.Error("it counts as running without a queue")
	}
	if err := Migrate(t.Context(), db.OwnerURL, slog.New(slog.DiscardHandler)); err != nil {
		t.Fatal(err)
	}
	within(t, time.Minute, "a start once the tables are there", func() bool { return r.Health() == nil })
}

func TestTheBeatIsTheSameWhoeverLeads(t *testing.T) {
	t.Parallel()
	e := each(time.Minute)
	at := time.Date(2026, 5, 1, 8, 0, 0, 0, time.UTC)
	for _, offset := range []time.Duration{201 * time.Millisecond, time.Second, 59 * time.Second, 60*time.Second + 100*time.Millisecond} {
		if got, want := e.Next(at.Add(offset)), at.Add(time.Minute+200*time.Millisecond); !got.Equal(want) {
			t.Errorf("after %s comes %s, not %s", at.Add(offset), got, want)
		}
	}
	next := at
	for i := range 5 {
		if next = e.Next(next); i > 0 && next.Sub(at)/time.Minute != time.Duration(i) {
			t.Errorf("beat %d is at %s", i, next)
		}
	}
}
