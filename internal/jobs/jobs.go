// Package jobs runs what comes by the clock: sweeps, each over all clubs and
// each once in its period however many replicas serve.
//
// The clock and the queue are River's, in a schema of its own (river) that the
// role pinwright_jobs works on; that role learns the ids of clubs and nothing
// else. A sweep works in one club at a time, as the serving role and behind the
// club's fence, on a small pool of its own, so that it takes no connection from
// requests.
//
// One replica leads and puts a job into the queue for each sweep and period;
// whichever replica is free first takes it. If that one dies, the job is taken
// again by another. All of it rests on sweeps that may run twice: the clock makes
// that rare, and their own constraints make it harmless.
//
// The package knows no rules of the trade; it is given its sweeps.
package jobs

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"sync/atomic"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/riverqueue/river"
	"github.com/riverqueue/river/riverdriver/riverpgxv5"
	"github.com/riverqueue/river/rivertype"

	"pinwright/internal/postgres"
)

// Schema is where the queue's tables are.
const Schema = "river"

// Sweep is work that comes again and again in every club. Run does what is due
// at now and returns how much it changed; it may run at any time and twice.
type Sweep struct {
	Name  string
	Every time.Duration
	Run   func(ctx context.Context, db *postgres.DB, club uuid.UUID, now time.Time) (int, error)
}

// Options of a Runner.
type Options struct {
	URL     string       // of the database, as pinwright_jobs
	DB      *postgres.DB // in which sweeps work
	Sweeps  []Sweep
	Now     func() time.Time // default time.Now
	Log     *slog.Logger
	Figures *Figures // may be nil

	// Timeout bounds one sweep over all clubs; a job that runs longer than Rescue is
	// taken for one whose worker died. Defaults 5 and 6 minutes.
	Timeout, Rescue time.Duration
	// Poll is how often the queue is looked at; default a second.
	Poll time.Duration
}

// perClub bounds a sweep of one club, so that one whose tables are locked does
// not keep the others waiting.
const perClub = time.Minute

// connections to the queue of one process: one works on each job's bookkeeping,
// one leads or asks who does, one is spare.
const connections = 3

// Runner runs sweeps until it is stopped.
type Runner struct {
	o      Options
	pool   *pgxpool.Pool
	client *river.Client[pgx.Tx]
	up     atomic.Bool
	ended  chan struct{} // start has given up or succeeded
	cancel context.CancelFunc

	haste    *haste
	stopping chan struct{} // closed by Stop
	hurried  chan struct{} // closed once nothing hastened runs any more
}

// sweepArgs name the sweep of a job.
type sweepArgs struct {
	Sweep string `json:"sweep" river:"unique"`
}

// Kind names the jobs in the queue.
func (sweepArgs) Kind() string { return "sweep" }

type worker struct {
	river.WorkerDefaults[sweepArgs]
	r *Runner
}

// Work runs one sweep over all clubs.
func (w *worker) Work(ctx context.Context, job *river.Job[sweepArgs]) error {
	for _, s := range w.r.o.Sweeps {
		if s.Name == job.Args.Sweep {
			return w.r.sweep(ctx, s, job.JobRow)
		}
	}
	// A newer replica's; it will take it.
	return river.JobSnooze(5 * time.Second)
}

// New makes a Runner; Start starts it.
func New(o Options) (*Runner, error) {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Figures == nil {
		o.Figures = NewFigures()
	}
	if o.Timeout == 0 {
		o.Timeout, o.Rescue = 5*time.Minute, 6*time.Minute
	}
	if o.Poll == 0 {
		o.Poll = time.Second
	}
	cfg, err := pgxpool.ParseConfig(o.URL)
	if err != nil {
		return nil, errors.New("jobs: the URL is not a PostgreSQL URL") // its text may hold a password
	}
	cfg.MaxConns = connections
	pool, err := pgxpool.NewWithConfig(context.Background(), cfg) // connects when first used
	if err != nil {
		return nil, fmt.Errorf("jobs: %w", err)
	}
	r := &Runner{o: o, pool: pool, ended: make(chan struct{}), haste: newHaste(), stopping: make(chan struct{}), hurried: make(chan struct{})}
	workers := river.NewWorkers()
	if err := river.AddWorkerSafely(workers, &worker{r: r}); err != nil {
		pool.Close()
		return nil, fmt.Errorf("jobs: %w", err)
	}
	var periodic []*river.PeriodicJob
	for _, s := range o.Sweeps {
		o.Figures.know(s.Name)
		periodic = append(periodic, river.NewPeriodicJob(each(s.Every), func() (river.JobArgs, *river.InsertOpts) {
			// Unique in its period whichever state it is in, so that two leaders, one after
			// the other, insert one job.
			return sweepArgs{s.Name}, &river.InsertOpts{MaxAttempts: 3, UniqueOpts: river.UniqueOpts{ByArgs: true, ByPeriod: s.Every, ByState: rivertype.JobStates()}}
		}, &river.PeriodicJobOpts{ID: s.Name, RunOnStart: true}))
	}
	r.client, err = river.NewClient(riverpgxv5.New(pool), &river.Config{
		Schema: Schema, Logger: quieter(o.Log), Workers: workers, PeriodicJobs: periodic,
		Queues: map[string]river.QueueConfig{river.QueueDefault: {MaxWorkers: 2}},
		// Polling needs no connection that listens; the owner's rights to reindex are not
		// this role's, and the tables stay small.
		PollOnly: true, FetchPollInterval: o.Poll, FetchCooldown: min(o.Poll, 100*time.Millisecond), ReindexerIndexNames: []string{},
		JobTimeout: o.Timeout, RescueStuckJobsAfter: o.Rescue, RetryPolicy: soon{},
		CompletedJobRetentionPeriod: 6 * time.Hour, CancelledJobRetentionPeriod: 6 * time.Hour, DiscardedJobRetentionPeriod: 24 * time.Hour,
	})
	if err != nil {
		pool.Close()
		return nil, fmt.Errorf("jobs: %w", err)
	}
	o.Figures.watch(r)
	return r, nil
}

// each is a schedule at whole multiples of a time since midnight, UTC, so that
// whoever leads next keeps the same beat. It lies a little behind them, since a
// job is inserted up to a tenth of a second early and must not fall into the
// period before.
type each time.Duration

// Next is the next moment after t.
func (e each) Next(t time.Time) time.Time {
	const behind = 200 * time.Millisecond
	return t.Add(-behind).Truncate(time.Duration(e)).Add(time.Duration(e) + behind)
}

// soon is when a failed job runs again: the next period does the same work, so
// there is no need for long waits.
type soon struct{}

// NextRetry is that time.
func (soon) NextRetry(job *rivertype.JobRow) time.Time {
	return time.Now().Add(time.Duration(1+len(job.Errors)) * 5 * time.Second)
}

// Start begins to run sweeps, and tries again where the database is not there
// yet. It does not wait for that.
func (r *Runner) Start(ctx context.Context) {
	ctx, r.cancel = context.WithCancel(context.WithoutCancel(ctx))
	go func() {
		defer close(r.ended)
		for pause := time.Second; ; pause = min(2*pause, 30*time.Second) {
			err := r.ready(ctx)
			if err == nil {
				err = r.client.Start(ctx)
			}
			if err == nil {
				go func() {
					defer close(r.hurried)
					r.hurry(ctx)
				}()
				r.up.Store(true)
				r.o.Log.Info("jobs run", "sweeps", len(r.o.Sweeps))
				return
			}
			if ctx.Err() != nil {
				return
			}
			r.o.Log.Warn("jobs do not run yet", "error", err, "again_in", pause)
			select {
			case <-ctx.Done():
				return
			case <-time.After(pause):
			}
		}
	}()
}

// ready looks whether the queue's tables and the list of clubs are there.
func (r *Runner) ready(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, 5*time.Second)
	defer cancel()
	var there bool
	err := r.pool.QueryRow(ctx, `select to_regclass('`+Schema+`.river_job') is not null and to_regproc('public.clubs_to_sweep') is not null`).Scan(&there)
	switch {
	case err != nil:
		return fmt.Errorf("log in as pinwright_jobs: %w", err)
	case !there:
		return errors.New("the queue's tables are not there: run pinwright migrate up")
	}
	return nil
}

// Stop lets running sweeps finish until ctx ends, then cuts them: what they
// committed stays, and the next period does the rest.
func (r *Runner) Stop(ctx context.Context) error {
	defer r.pool.Close()
	if r.cancel == nil {
		return nil
	}
	defer r.o.Figures.forget(r)
	if !r.up.Load() {
		r.cancel()
		<-r.ended
	}
	if !r.up.Swap(false) {
		return nil
	}
	defer func() {
		r.cancel()
		<-r.hurried
	}()
	close(r.stopping)
	err := r.client.Stop(ctx)
	if err == nil {
		select {
		case <-r.hurried:
		case <-ctx.Done(): // it is cut; the next period does the rest
		}
		return nil
	}
	cut, cancel := context.WithTimeout(context.WithoutCancel(ctx), 5*time.Second)
	defer cancel()
	return errors.Join(fmt.Errorf("sweeps were still under way and were cut: %w", err), r.client.StopAndCancel(cut))
}

// Health says why no sweeps run here; nil when they do.
func (r *Runner) Health() error {
	if !r.up.Load() {
		return errors.New("jobs do not run: the log says why")
	}
	return nil
}

// sweep runs s in every club. What fails in one is counted and left for the next
// period.
func (r *Runner) sweep(ctx context.Context, s Sweep, job *rivertype.JobRow) error {
	now, began := r.o.Now(), time.Now()
	if job.Attempt == 1 && began.Sub(job.ScheduledAt) > 2*s.Every {
		return nil // the queue stood still: a later job does what is due now
	}
	clubs, err := r.clubs(ctx)
	if err != nil {
		r.o.Figures.ran(s.Name, time.Since(began), 0, 1)
		return err
	}
	changed, failed := 0, 0
	for _, club := range clubs {
		n, err := r.one(ctx, s, club, now)
		changed += n
		if err != nil {
			failed++
			r.o.Log.Error("a sweep failed", "sweep", s.Name, "club", club, "error", err)
		}
		if ctx.Err() != nil {
			r.o.Figures.ran(s.Name, time.Since(began), changed, failed)
			return ctx.Err()
		}
	}
	r.o.Figures.ran(s.Name, time.Since(began), changed, failed)
	return nil
}

// one runs s in one club; a panic there is that club's failure.
func (r *Runner) one(ctx context.Context, s Sweep, club uuid.UUID, now time.Time) (n int, err error) {
	ctx, cancel := context.WithTimeout(ctx, perClub)
	defer cancel()
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("panic: %v", p)
		}
	}()
	return s.Run(ctx, r.o.DB, club, now)
}

func (r *Runner) clubs(ctx context.Context) ([]uuid.UUID, error) {
	rows, err := r.pool.Query(ctx, `select clubs_to_sweep()`)
	if err != nil {
		return nil, fmt.Errorf("ask for the clubs: %w", err)
	}
	ids, err := pgx.CollectRows(rows, pgx.RowTo[uuid.UUID])
	if err != nil {
		return nil, fmt.Errorf("ask for the clubs: %w", err)
	}
	return ids, nil
}
