package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"runtime/debug"
	"sync"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/prometheus/client_golang/prometheus"

	"pinwright/api"
	"pinwright/internal/config"
	"pinwright/internal/issuer"
	"pinwright/internal/postgres"
	"pinwright/internal/schema"
	"pinwright/internal/telemetry"
	"pinwright/internal/witness"
	"pinwright/migrations"
)

const serveSynopsis = `serve [flags]

Serves the API on the database of PINWRIGHT_SERVE_URL, as the role pinwright_app.
Stops on SIGINT or SIGTERM: not ready first, then requests finish.
`

func serve(ctx context.Context, call invocation) error {
	cfg, args, err := call.parse(serveSynopsis, nil, config.Serving)
	if err != nil {
		return err
	}
	if len(args) > 0 {
		return usageError{"takes flags only"}
	}
	log := call.logger(cfg)
	log.Info("settings", "config", cfg)
	s, err := open(ctx, cfg, cfg.ServeURL.Reveal(), cfg.JobsLogin().Reveal(), log)
	if err != nil {
		return err
	}
	defer s.pool.Close()
	listener, err := net.Listen("tcp", cfg.Addr)
	if err != nil {
		return fmt.Errorf("listen on %s: %w", cfg.Addr, err)
	}
	log.Info("serving", "address", listener.Addr().String())
	return s.serve(ctx, listener)
}

// service is a server with what it stands on.
type service struct {
	cfg    config.Config
	pool   *pgxpool.Pool
	server *api.Server
	traces *telemetry.Traces
	notes  *witness.Notes
	keeper *timekeeper // nil where this process does nothing by the clock
	log    *slog.Logger
}

// open makes the service on the database that url logs in to as the serving
// role, and jobsURL as the role that keeps time.
func open(ctx context.Context, cfg config.Config, url, jobsURL string, log *slog.Logger) (*service, error) {
	notes, err := witness.NewNotes(log, cfg.HeadsFile, time.Now)
	if err != nil {
		return nil, fmt.Errorf("open the file of journal heads: %w", err)
	}
	poolConfig, err := pgxpool.ParseConfig(url)
	if err != nil {
		return nil, fmt.Errorf("the serving URL is not a PostgreSQL URL: %w", err)
	}
	poolConfig.MaxConns = int32(cfg.PoolSize) //nolint:gosec // config bounds it
	pool, err := pgxpool.NewWithConfig(ctx, poolConfig)
	if err != nil {
		return nil, fmt.Errorf("connect to serve: %w", err)
	}
	newest, err := schema.Newest(migrations.Files)
	if err != nil {
		pool.Close()
		return nil, err
	}
	build, metrics := buildOf(newest), prometheus.NewRegistry()
	traces, err := telemetry.Start(ctx, telemetry.Settings{Endpoint: cfg.TraceEndpoint, Ratio: cfg.TraceRatio, Version: build.Version, Log: log, Metrics: metrics})
	if err != nil {
		pool.Close()
		return nil, err
	}
	var keeper *timekeeper
	var freed func(club uuid.UUID)
	if cfg.Jobs == "on" {
		if keeper, err = keepTime(ctx, cfg, url, jobsURL, metrics, notes.Note, log); err != nil {
			pool.Close()
			return nil, err
		}
		freed = func(club uuid.UUID) { keeper.runner.Hasten(sweepOfLine, club) }
	}
	server, err := api.New(api.Options{Pool: pool, Log: log, PublicURL: cfg.PublicURL, Issuer: issuerOf(cfg), TrustedProxies: cfg.TrustedProxies,
		Limits:   api.Limits{Body: cfg.MaxBody, Request: cfg.RequestTimeout, Upload: cfg.UploadTimeout, PhotoSpace: cfg.PhotoSpace, PhotoMemory: cfg.PhotoMemory, Queue: cfg.PoolQueue, Rate: cfg.RateLimit, Burst: cfg.RateBurst},
		PoolWait: cfg.PoolWait, Metrics: metrics, MetricsApart: cfg.MetricsAddr != "", Tracer: traces.Tracer(), Build: build, Heads: notes.Note, Freed: freed,
		Ready:  func(ctx context.Context) error { return migrated(ctx, pool, newest) },
		Beside: map[string]func() string{"jobs": keeper.health}})
	if err != nil {
		pool.Close()
		return nil, err
	}
	return &service{cfg: cfg, pool: pool, server: server, traces: traces, notes: notes, keeper: keeper, log: log}, nil
}

// buildOf tells which program this is, as far as its build noted it.
func buildOf(newest int) api.Build {
	b := api.Build{Version: "unknown", Revision: "unknown", Schema: newest}
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return b
	}
	if info.Main.Version != "" {
		b.Version = info.Main.Version
	}
	for _, setting := range info.Settings {
		if setting.Key == "vcs.revision" {
			b.Revision = setting.Value
		}
	}
	return b
}

// issuerOf is the issuer that is set up, nil for none. It is not asked before
// somebody presents a token of its own.
func issuerOf(cfg config.Config) api.Issuer {
	if cfg.Issuer == "" {
		return nil
	}
	return issuer.New(issuer.Options{URL: cfg.Issuer, Audience: cfg.Audience, Leeway: cfg.Leeway})
}

// migrated reports why the database's tables do not fit this program. Newer
// ones do, also while a newer migration runs or has failed: migrations are safe
// while older replicas serve, and one that fails is undone. Were a replica not
// ready meanwhile, every migration would be an outage.
func migrated(ctx context.Context, pool *pgxpool.Pool, newest int) error {
	var at int
	var dirty bool
	switch err := pool.QueryRow(ctx, `select version, dirty from schema_migrations`).Scan(&at, &dirty); {
	case err != nil:
		return api.ErrSchemaUnread
	case at > newest:
		return nil
	case dirty:
		return fmt.Errorf("migration %d failed or is under way: run pinwright migrate up, which says how to mend it", at)
	case at < newest:
		return fmt.Errorf("the database stands at migration %d and this program needs %d: run pinwright migrate up", at, newest)
	}
	return nil
}

// newServer bounds connections as the settings say.
func (s *service) newServer(h http.Handler) *http.Server {
	return &http.Server{
		Handler:           h,
		ReadHeaderTimeout: s.cfg.ReadHeaderTimeout,
		ReadTimeout:       s.cfg.ReadTimeout,
		WriteTimeout:      s.cfg.WriteTimeout,
		IdleTimeout:       s.cfg.IdleTimeout,
		MaxHeaderBytes:    int(s.cfg.MaxHeader),
		ErrorLog:          slog.NewLogLogger(s.log.Handler(), slog.LevelWarn),
	}
}

// serveMetrics serves the figures on their own address, where there is one, to
// the end: also while the service drains.
func (s *service) serveMetrics() (stop func(), err error) {
	if s.cfg.MetricsAddr == "" {
		return func() {}, nil
	}
	listener, err := net.Listen("tcp", s.cfg.MetricsAddr)
	if err != nil {
		return nil, fmt.Errorf("listen on %s for metrics: %w", s.cfg.MetricsAddr, err)
	}
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", s.server.Metrics())
	h := s.newServer(mux)
	go func() {
		if err := h.Serve(listener); !errors.Is(err, http.ErrServerClosed) {
			s.log.Error("metrics are not served any more", "error", err)
		}
	}()
	s.log.Info("serving metrics", "metrics_address", listener.Addr().String())
	return func() { _ = h.Close() }, nil
}

// serve serves until ctx ends, then reports not ready, waits for balancers to
// look away, and lets requests finish.
func (s *service) serve(ctx context.Context, listener net.Listener) error {
	stopMetrics, err := s.serveMetrics()
	if err != nil {
		return err
	}
	defer stopMetrics()
	noting, stopNoting := context.WithCancel(context.WithoutCancel(ctx)) // to the last request's end
	var notes sync.WaitGroup
	notes.Go(func() { s.notes.Run(noting, s.cfg.HeadsEvery) })
	defer notes.Wait()
	defer stopNoting()
	if s.keeper != nil {
		s.keeper.runner.Start(ctx)
	}
	notes.Go(func() { s.compareZones(ctx) })
	h := s.newServer(s.server.Handler())
	ended := make(chan error, 1)
	go func() { ended <- h.Serve(listener) }()
	select {
	case err := <-ended:
		return errors.Join(fmt.Errorf("serve: %w", err), s.stopKeeper(context.WithoutCancel(ctx)))
	case <-ctx.Done():
	}
	s.server.Drain()
	s.log.Info("stopping", "drain_delay", s.cfg.DrainDelay, "grace", s.cfg.ShutdownGrace)
	time.Sleep(s.cfg.DrainDelay)
	grace, cancel := context.WithTimeout(context.WithoutCancel(ctx), s.cfg.ShutdownGrace)
	defer cancel()
	defer s.traces.Stop(grace) // behind the last request
	kept := make(chan error, 1)
	go func() { kept <- s.stopKeeper(grace) }()
	err = h.Shutdown(grace)
	if err != nil {
		err = fmt.Errorf("requests were still under way after %s and were cut: %w", s.cfg.ShutdownGrace, err)
	}
	return errors.Join(err, <-kept)
}

// compareZones tells when this program and the database do not agree on what
// clocks of garages will show. Nothing is refused for it: it is an hour, at the edge of
// a day, until tzdata is renewed.
func (s *service) compareZones(ctx context.Context) {
	rows, err := s.pool.Query(ctx, `select zones_in_use()`)
	var zones, differ []string
	if err == nil {
		zones, err = pgx.CollectRows(rows, pgx.RowTo[string])
	}
	if now := time.Now(); err == nil {
		differ, err = postgres.ZonesThatDiffer(ctx, s.pool, zones, now, now.AddDate(3, 0, 0))
	}
	switch {
	case err != nil && ctx.Err() == nil:
		s.log.Warn("the rules of time zones were not compared with the database's", "error", err)
	case len(differ) > 0:
		s.log.Warn("this program and the database know different rules of time zones; garages in these may open an hour early or late in some answers until tzdata is of one edition on both machines", "time_zones", differ)
	}
}

// stopKeeper lets what came by the clock finish, for as long as requests may.
func (s *service) stopKeeper(ctx context.Context) error {
	if s.keeper == nil {
		return nil
	}
	ctx, cancel := context.WithTimeout(ctx, s.cfg.ShutdownGrace)
	defer cancel()
	return s.keeper.stop(ctx)
}
