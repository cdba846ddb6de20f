package api

import (
	"context"
	"runtime"
	"strconv"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"

	"pinwright/internal/problem"
)

// metrics are the figures of the service. Names follow Prometheus and, where
// there is one, the OpenTelemetry semantic convention in Prometheus' spelling
// (dots to underscores, the unit behind). Labels are bounded by the code: routes
// of the contract, kinds of problem, SQLSTATEs; never an id, a name or a path.
type metrics struct {
	registry *prometheus.Registry

	duration *prometheus.HistogramVec // by method, route template and status
	inFlight prometheus.Gauge
	bodyIn   *prometheus.HistogramVec // by method
	bodyOut  *prometheus.HistogramVec
	problems *prometheus.CounterVec // by kind
	refused  *prometheus.CounterVec // by why: rate or overload
	replayed prometheus.Counter
	leaving  *prometheus.CounterVec // by operation and parameter
	tokens   *prometheus.CounterVec // by outcome

	rows      *prometheus.CounterVec // of readings, by outcome
	batch     prometheus.Histogram
	engine    *prometheus.HistogramVec // by calculation
	decisions *prometheus.CounterVec   // by decision
	events    *prometheus.CounterVec   // by type

	database databaseMetrics
}

// Buckets as the OpenTelemetry conventions advise.
var (
	requestSeconds  = []float64{.005, .01, .025, .05, .075, .1, .25, .5, .75, 1, 2.5, 5, 7.5, 10}
	databaseSeconds = []float64{.001, .005, .01, .05, .1, .5, 1, 5, 10}
	bodyBytes       = prometheus.ExponentialBuckets(256, 8, 5) // to 1 MiB
)

func counters(name, help string, labels ...string) *prometheus.CounterVec {
	return prometheus.NewCounterVec(prometheus.CounterOpts{Name: name, Help: help}, labels)
}

func histograms(name, help string, buckets []float64, labels ...string) *prometheus.HistogramVec {
	return prometheus.NewHistogramVec(prometheus.HistogramOpts{Name: name, Help: help, Buckets: buckets}, labels)
}

func newMetrics(r *prometheus.Registry) *metrics {
	m := &metrics{
		registry: r,
		duration: histograms("http_server_request_duration_seconds", "Duration of requests by route template and status; the route is empty for an address that is none.", requestSeconds,
			"http_request_method", "http_route", "http_response_status_code"),
		inFlight: prometheus.NewGauge(prometheus.GaugeOpts{Name: "http_server_active_requests", Help: "Requests under way."}),
		bodyIn:   histograms("http_server_request_body_size_bytes", "Size of the bodies that requests brought, as far as they were read.", bodyBytes, "http_request_method"),
		bodyOut:  histograms("http_server_response_body_size_bytes", "Size of the bodies that were answered.", bodyBytes, "http_request_method"),
		problems: counters("pinwright_problems_total", "Requests answered with a problem, by the last part of its type; refused bodies are too-large, unsupported-media-type, malformed-request and invalid-request.", "problem"),
		refused:  counters("pinwright_refused_requests_total", "Requests refused unseen, by why: rate (429), or overload (503, neither logged nor counted elsewhere).", "why"),
		leaving:  counters("pinwright_deprecated_uses_total", "Requests for what the contract calls deprecated, by operation and, where only a parameter is, by its name.", "operation", "parameter"),
		replayed: prometheus.NewCounter(prometheus.CounterOpts{Name: "pinwright_replayed_answers_total", Help: "Repeated requests answered with the stored answer of the first."}),
		tokens:   counters("pinwright_token_uses_total", "Requests that brought a token or should have: accepted, or refused because it is missing, unknown, expired or revoked.", "outcome"),

		rows: counters("pinwright_reading_rows_total", "Readings in answered posts by outcome: created, exists (sent before) or refused.", "outcome"),
		batch: prometheus.NewHistogram(prometheus.HistogramOpts{Name: "pinwright_reading_batch_rows", Help: "Readings in one post.",
			Buckets: []float64{1, 5, 20, 50, 100, 200, 500, 1000}}),
		engine: histograms("pinwright_engine_duration_seconds", "Time of the engine by what it worked out: a recommendation, the estimate of a feature, or the open clean-up question.",
			[]float64{.001, .0025, .005, .01, .025, .05, .1, .25, .5, 1, 2.5, 5, 10}, "calculation"),
		decisions: counters("pinwright_recommendations_total", "Recommendations kept, by decision.", "decision"),
		events:    counters("pinwright_journal_events_total", "Events appended to the journals of all clubs and committed, by type.", "type"),
	}
	m.database = newDatabaseMetrics(r)
	r.MustRegister(m.duration, m.inFlight, m.bodyIn, m.bodyOut, m.problems, m.refused, m.leaving, m.replayed, m.tokens, m.rows, m.batch, m.engine, m.decisions, m.events,
		collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	// What alerts compare must be there before it first happens: the increase from
	// nothing to one is not seen.
	for _, k := range problem.Kinds() {
		m.problems.WithLabelValues(k.Code)
	}
	for vec, values := range map[*prometheus.CounterVec][]string{m.refused: {"rate", "overload"}, m.tokens: {"accepted", "refused"}, m.rows: {"created", "exists", "refused"}} {
		for _, v := range values {
			vec.WithLabelValues(v)
		}
	}
	for _, calculation := range []string{recommending, estimating, cleaningUp} {
		m.engine.WithLabelValues(calculation)
	}
	return m
}

// served counts a request that was answered.
func (m *metrics) served(e *event, method, route string, status int, took time.Duration, bytesOut int64) {
	m.duration.WithLabelValues(method, route, strconv.Itoa(status)).Observe(took.Seconds())
	if e.bytesIn > 0 {
		m.bodyIn.WithLabelValues(method).Observe(float64(e.bytesIn))
	}
	m.bodyOut.WithLabelValues(method).Observe(float64(bytesOut))
	if e.problem != "" {
		m.problems.WithLabelValues(e.problem).Inc()
	}
	if e.replayed {
		m.replayed.Inc()
	}
	switch {
	case e.token != uuid.Nil:
		m.tokens.WithLabelValues("accepted").Inc()
	case e.problem == problem.Unauthenticated.Code:
		m.tokens.WithLabelValues("refused").Inc()
	}
}

// about tells which program runs, on what schema, and whether it could serve.
func (s *Server) about(r *prometheus.Registry, b Build) {
	info := prometheus.NewGauge(prometheus.GaugeOpts{Name: "pinwright_build_info", Help: "Always 1; which program runs, the version of its contract and the migration that it needs.",
		ConstLabels: prometheus.Labels{"version": b.Version, "revision": b.Revision, "contract": s.contract.doc.Info.Version, "goversion": runtime.Version(), "schema": strconv.Itoa(b.Schema)}})
	info.Set(1)
	r.MustRegister(info, readiness{s})
}

// readiness looks, whenever figures are read, whether the service could serve:
// a probe's own result would stand still where nobody probes.
type readiness struct{ s *Server }

var readyDesc = prometheus.NewDesc("pinwright_ready", "1 for each check of /readyz that passes, 0 for one that fails, looked at when figures are read.", []string{"check"}, nil)

// Describe implements prometheus.Collector.
func (readiness) Describe(ch chan<- *prometheus.Desc) { ch <- readyDesc }

// Collect implements prometheus.Collector.
func (r readiness) Collect(ch chan<- prometheus.Metric) {
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	for check, why := range r.s.readiness(ctx) {
		passes := 0.0
		if why == checkPassed {
			passes = 1
		}
		ch <- prometheus.MustNewConstMetric(readyDesc, prometheus.GaugeValue, passes, check)
	}
}

// poolFigures reads the pool once whenever figures are read.
type poolFigures struct{ pool *pgxpool.Pool }

var (
	poolLabel      = prometheus.Labels{"db_client_connection_pool_name": "serve"}
	poolCount      = prometheus.NewDesc("db_client_connection_count", "Connections by state.", []string{"db_client_connection_state"}, poolLabel)
	poolMax        = prometheus.NewDesc("db_client_connection_max", "Connections allowed.", nil, poolLabel)
	poolAcquires   = prometheus.NewDesc("pinwright_db_pool_acquires_total", "Times a connection was asked for and given.", nil, nil)
	poolEmpty      = prometheus.NewDesc("pinwright_db_pool_empty_acquires_total", "Times a connection was given that had to be waited for.", nil, nil)
	poolEmptyWait  = prometheus.NewDesc("pinwright_db_pool_empty_acquire_wait_seconds_total", "Time waited for connections while none was idle.", nil, nil)
	poolCancelled  = prometheus.NewDesc("pinwright_db_pool_cancelled_acquires_total", "Times the wait for a connection was given up, by time or by the client.", nil, nil)
	poolOpened     = prometheus.NewDesc("pinwright_db_pool_connections_opened_total", "Connections made.", nil, nil)
	poolClosed     = prometheus.NewDesc("pinwright_db_pool_connections_retired_total", "Connections closed by the pool for their age or idleness.", []string{"reason"}, nil)
	poolFigureList = []*prometheus.Desc{poolCount, poolMax, poolAcquires, poolEmpty, poolEmptyWait, poolCancelled, poolOpened, poolClosed}
)

// Describe implements prometheus.Collector.
func (poolFigures) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range poolFigureList {
		ch <- d
	}
}

// Collect implements prometheus.Collector.
func (p poolFigures) Collect(ch chan<- prometheus.Metric) {
	s := p.pool.Stat()
	gauge := func(d *prometheus.Desc, v float64, labels ...string) {
		ch <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
	}
	counter := func(d *prometheus.Desc, v float64, labels ...string) {
		ch <- prometheus.MustNewConstMetric(d, prometheus.CounterValue, v, labels...)
	}
	gauge(poolCount, float64(s.IdleConns()), "idle")
	gauge(poolCount, float64(s.AcquiredConns()), "used")
	gauge(poolCount, float64(s.ConstructingConns()), "constructing")
	gauge(poolMax, float64(s.MaxConns()))
	counter(poolAcquires, float64(s.AcquireCount()))
	counter(poolEmpty, float64(s.EmptyAcquireCount()))
	counter(poolEmptyWait, s.EmptyAcquireWaitTime().Seconds())
	counter(poolCancelled, float64(s.CanceledAcquireCount()))
	counter(poolOpened, float64(s.NewConnsCount()))
	counter(poolClosed, float64(s.MaxLifetimeDestroyCount()), "age")
	counter(poolClosed, float64(s.MaxIdleDestroyCount()), "idle")
}
