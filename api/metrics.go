package api

import (
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/prometheus/client_golang/prometheus"
)

// metrics are the figures of the service, named by the conventions of
// Prometheus; no label carries an id.
type metrics struct {
	registry *prometheus.Registry
	duration *prometheus.HistogramVec // by method, route template and status
	inFlight prometheus.Gauge
	retries  *prometheus.CounterVec // by SQLSTATE
}

func newMetrics(r *prometheus.Registry, pool *pgxpool.Pool) *metrics {
	m := &metrics{
		registry: r,
		duration: prometheus.NewHistogramVec(prometheus.HistogramOpts{
			Name: "http_server_request_duration_seconds", Help: "Duration of requests by route template and status.",
			Buckets: []float64{.005, .01, .025, .05, .075, .1, .25, .5, .75, 1, 2.5, 5, 7.5, 10},
		}, []string{"method", "route", "status"}),
		inFlight: prometheus.NewGauge(prometheus.GaugeOpts{Name: "http_server_active_requests", Help: "Requests under way."}),
		retries: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "pinwright_tx_retries_total", Help: "Transactions tried again, by SQLSTATE."}, []string{"sqlstate"}),
	}
	r.MustRegister(m.duration, m.inFlight, m.retries)
	if pool != nil {
		gauge := func(name, help string, read func(*pgxpool.Stat) float64) {
			r.MustRegister(prometheus.NewGaugeFunc(prometheus.GaugeOpts{Name: name, Help: help}, func() float64 { return read(pool.Stat()) }))
		}
		gauge("pinwright_db_pool_connections", "Connections open.", func(s *pgxpool.Stat) float64 { return float64(s.TotalConns()) })
		gauge("pinwright_db_pool_connections_max", "Connections allowed.", func(s *pgxpool.Stat) float64 { return float64(s.MaxConns()) })
		gauge("pinwright_db_pool_connections_in_use", "Connections at work.", func(s *pgxpool.Stat) float64 { return float64(s.AcquiredConns()) })
		gauge("pinwright_db_pool_waits", "Acquisitions so far that had to wait for a connection.", func(s *pgxpool.Stat) float64 { return float64(s.EmptyAcquireCount()) })
	}
	return m
}
