package jobs

import (
	"context"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
)

// Figures count what runs here, and ask the queue how it stands when they are
// read. They are registered by whoever makes them.
type Figures struct {
	runs    *prometheus.CounterVec
	failed  *prometheus.CounterVec
	changed *prometheus.CounterVec
	took    *prometheus.HistogramVec
	up      *prometheus.Desc
	oldest  *prometheus.Desc
	since   *prometheus.Desc

	mu sync.Mutex
	r  *Runner
}

// NewFigures makes figures of no Runner yet.
func NewFigures() *Figures {
	labels := []string{"sweep"}
	return &Figures{
		runs:    prometheus.NewCounterVec(prometheus.CounterOpts{Name: "pinwright_sweep_runs_total", Help: "Sweeps over all clubs that ran here."}, labels),
		failed:  prometheus.NewCounterVec(prometheus.CounterOpts{Name: "pinwright_sweep_failures_total", Help: "Clubs in which a sweep failed here; the next period tries again."}, labels),
		changed: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "pinwright_sweep_changes_total", Help: "What sweeps changed here."}, labels),
		took: prometheus.NewHistogramVec(prometheus.HistogramOpts{Name: "pinwright_sweep_duration_seconds", Help: "Time of a sweep over all clubs.",
			Buckets: []float64{0.01, 0.05, 0.1, 0.5, 1, 5, 10, 30, 60, 300}}, labels),
		up:     prometheus.NewDesc("pinwright_jobs_up", "1 while this process takes jobs and the queue answers.", nil, nil),
		oldest: prometheus.NewDesc("pinwright_jobs_oldest_due_seconds", "Age of the oldest job of all replicas that is due and has not ended; 0 without one.", nil, nil),
		since:  prometheus.NewDesc("pinwright_sweep_age_seconds", "Time since the sweep last went through, on whichever replica.", labels, nil),
	}
}

func (f *Figures) know(sweep string) {
	f.runs.WithLabelValues(sweep)
	f.failed.WithLabelValues(sweep)
	f.changed.WithLabelValues(sweep)
	f.took.WithLabelValues(sweep)
}

func (f *Figures) watch(r *Runner) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.r = r
}

// forget ends the questions to the queue of a Runner that stopped.
func (f *Figures) forget(r *Runner) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.r == r {
		f.r = nil
	}
}

func (f *Figures) ran(sweep string, took time.Duration, changed, failed int) {
	f.runs.WithLabelValues(sweep).Inc()
	f.failed.WithLabelValues(sweep).Add(float64(failed))
	f.changed.WithLabelValues(sweep).Add(float64(changed))
	f.took.WithLabelValues(sweep).Observe(took.Seconds())
}

// Describe implements prometheus.Collector.
func (f *Figures) Describe(out chan<- *prometheus.Desc) {
	f.runs.Describe(out)
	f.failed.Describe(out)
	f.changed.Describe(out)
	f.took.Describe(out)
	for _, d := range []*prometheus.Desc{f.up, f.oldest, f.since} {
		out <- d
	}
}

// Collect implements prometheus.Collector.
func (f *Figures) Collect(out chan<- prometheus.Metric) {
	f.runs.Collect(out)
	f.failed.Collect(out)
	f.changed.Collect(out)
	f.took.Collect(out)
	f.mu.Lock()
	r := f.r
	f.mu.Unlock()
	up := 0.0
	if r != nil && r.Health() == nil {
		ctx, cancel := context.WithTimeout(context.Background(), time.Second)
		defer cancel()
		if s, err := r.state(ctx); err == nil {
			up = 1
			out <- prometheus.MustNewConstMetric(f.oldest, prometheus.GaugeValue, s.oldest)
			for sweep, age := range s.ages {
				out <- prometheus.MustNewConstMetric(f.since, prometheus.GaugeValue, age, sweep)
			}
		}
	}
	out <- prometheus.MustNewConstMetric(f.up, prometheus.GaugeValue, up)
}

type state struct {
	oldest float64
	ages   map[string]float64
}

// state asks the queue. The database's clock counts, as it does for the queue.
func (r *Runner) state(ctx context.Context) (state, error) {
	s := state{ages: map[string]float64{}}
	err := r.pool.QueryRow(ctx, `
		select coalesce(extract(epoch from clock_timestamp() - min(scheduled_at)), 0)::float8 from `+Schema+`.river_job
		where state in ('available', 'retryable', 'scheduled', 'running') and scheduled_at <= clock_timestamp()`).Scan(&s.oldest)
	if err != nil {
		return s, err
	}
	rows, err := r.pool.Query(ctx, `
		select args ->> 'sweep', extract(epoch from clock_timestamp() - max(finalized_at))::float8 from `+Schema+`.river_job
		where state = 'completed' group by 1`)
	if err != nil {
		return s, err
	}
	defer rows.Close()
	known := map[string]bool{}
	for _, sweep := range r.o.Sweeps {
		known[sweep.Name] = true
	}
	for rows.Next() {
		var sweep string
		var age float64
		if err := rows.Scan(&sweep, &age); err != nil {
			return s, err
		}
		if known[sweep] { // labels only of what stands in the code
			s.ages[sweep] = max(age, 0)
		}
	}
	return s, rows.Err()
}
