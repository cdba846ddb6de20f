package api

import (
	"context"
	"errors"
	"time"

	"github.com/google/uuid"
	"github.com/prometheus/client_golang/prometheus"

	"pinwright/internal/postgres"
	"pinwright/internal/waiting"
)

// databaseMetrics are the figures of transactions and their round trips.
type databaseMetrics struct {
	operation    *prometheus.HistogramVec // by round trip
	errors       *prometheus.CounterVec   // by SQLSTATE
	transactions *prometheus.CounterVec   // by kind and outcome
	retries      *prometheus.CounterVec   // by SQLSTATE
	pending      prometheus.Gauge
	wait, use    prometheus.Histogram
	timeouts     prometheus.Counter
}

func newDatabaseMetrics(r *prometheus.Registry) databaseMetrics {
	poolHistogram := func(name, help string) prometheus.Histogram {
		return prometheus.NewHistogram(prometheus.HistogramOpts{Name: name, Help: help, Buckets: databaseSeconds, ConstLabels: poolLabel})
	}
	m := databaseMetrics{
		operation: prometheus.NewHistogramVec(prometheus.HistogramOpts{Name: "db_client_operation_duration_seconds", Help: "Duration of round trips by their place in the transaction.",
			Buckets: databaseSeconds, ConstLabels: prometheus.Labels{"db_system_name": "postgresql"}}, []string{"db_operation_name"}),
		errors:       counters("pinwright_db_errors_total", "Round trips that the database ended with an error, by SQLSTATE; refusals by a constraint are among them.", "sqlstate"),
		transactions: counters("pinwright_transactions_total", "Transactions by kind (read or write) and outcome (committed or rolled_back); all attempts at one count as one.", "kind", "outcome"),
		retries:      counters("pinwright_transaction_retries_total", "Attempts at transactions that were repeated, by the SQLSTATE that ended them.", "sqlstate"),
		pending:      prometheus.NewGauge(prometheus.GaugeOpts{Name: "db_client_connection_pending_requests", Help: "Transactions that wait for a connection.", ConstLabels: poolLabel}),
		wait:         poolHistogram("db_client_connection_wait_time_seconds", "Time to get a connection from the pool."),
		use:          poolHistogram("db_client_connection_use_time_seconds", "Time a connection was kept."),
		timeouts:     prometheus.NewCounter(prometheus.CounterOpts{Name: "db_client_connection_timeouts_total", Help: "Waits for a connection that ended by time.", ConstLabels: poolLabel}),
	}
	r.MustRegister(m.operation, m.errors, m.transactions, m.retries, m.pending, m.wait, m.use, m.timeouts)
	for _, state := range []string{"40001", "40P01", "23505"} {
		m.retries.WithLabelValues(state)
	}
	for _, kind := range []string{"read", "write"} {
		for _, outcome := range []string{"committed", "rolled_back"} {
			m.transactions.WithLabelValues(kind, outcome)
		}
	}
	return m
}

// watch counts and traces what the database does for requests; it implements
// postgres.Watcher.
type watch struct{ s *Server }

func (w watch) m() *databaseMetrics { return &w.s.metrics.database }

func (w watch) Waits() { w.m().pending.Inc() }

func (w watch) Acquired(wait time.Duration, err error) {
	w.m().pending.Dec()
	w.m().wait.Observe(wait.Seconds())
	if errors.Is(err, context.DeadlineExceeded) {
		w.m().timeouts.Inc()
	}
}

func (w watch) Released(use time.Duration) { w.m().use.Observe(use.Seconds()) }

func kindOf(writes bool) string {
	if writes {
		return "write"
	}
	return "read"
}

func (w watch) TransactionBegins(ctx context.Context, writes bool) context.Context {
	return w.s.traceTransaction(ctx, writes)
}

func (w watch) TransactionEnded(ctx context.Context, writes bool, err error) {
	outcome := "committed"
	if err != nil {
		outcome = "rolled_back"
	}
	w.m().transactions.WithLabelValues(kindOf(writes), outcome).Inc()
	w.s.endTransaction(ctx, outcome)
}

func (w watch) Retried(ctx context.Context, sqlstate string) {
	w.m().retries.WithLabelValues(sqlstate).Inc()
	if e := eventIn(ctx); e != nil {
		e.retries++
	}
	w.s.traceRetry(ctx, sqlstate)
}

func (w watch) TripBegins(ctx context.Context, trip postgres.Trip, statements int) context.Context {
	return w.s.traceTrip(ctx, trip, statements)
}

func (w watch) TripEnded(ctx context.Context, trip postgres.Trip, took time.Duration, sqlstate string, err error) {
	if err == nil {
		w.s.answeredAt.Store(time.Now().UnixNano())
	}
	w.m().operation.WithLabelValues(string(trip)).Observe(took.Seconds())
	if sqlstate != "" {
		w.m().errors.WithLabelValues(sqlstate).Inc()
	}
	if e := eventIn(ctx); e != nil {
		e.trips++
		e.database += took
	}
	w.s.endTrip(ctx, sqlstate, err)
}

func (w watch) Committed(_ context.Context, club uuid.UUID, events map[string]int) {
	for eventType, n := range events {
		w.s.metrics.events.WithLabelValues(eventType).Add(float64(n))
	}
	if w.s.freed != nil && waiting.Wakes(events) {
		w.s.freed(club)
	}
}
