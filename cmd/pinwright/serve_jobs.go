package main

import (
	"context"
	"fmt"
	"log/slog"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/prometheus/client_golang/prometheus"

	"pinwright/internal/config"
	"pinwright/internal/jobs"
	"pinwright/internal/lending"
	"pinwright/internal/loan"
	"pinwright/internal/mail"
	"pinwright/internal/postgres"
	"pinwright/internal/reminder"
	"pinwright/internal/repair"
	"pinwright/internal/waiting"
)

// sweepOfLine offers what is free to who waits.
const sweepOfLine = "waiting"

// sweeps is everything that comes by the clock. The order says what is looked at
// first in a minute in which all come.
func sweeps(post *mail.Post) []jobs.Sweep {
	list := []jobs.Sweep{
		{Name: "choices", Every: time.Minute, Run: lending.Sweep},
		{Name: "loans", Every: time.Minute, Run: loan.Sweep},
		{Name: sweepOfLine, Every: time.Minute, Run: waiting.Sweep},
		{Name: "repairs", Every: time.Minute, Run: repair.Sweep},
		{Name: "reminders", Every: time.Minute, Run: reminder.Sweep},
		{Name: "reminders_of_tools", Every: time.Hour, Run: reminder.SweepTools},
	}
	if post != nil {
		list = append(list, jobs.Sweep{Name: "mail", Every: time.Minute, Run: post.Sweep})
	}
	return list
}

// sweepConnections is how many connections sweeps work on: they take none from
// requests.
const sweepConnections = 2

// timekeeper is what runs beside the requests.
type timekeeper struct {
	runner *jobs.Runner
	pool   *pgxpool.Pool
}

// keepTime makes what comes by the clock. serveURL logs in as the serving role,
// as which sweeps work; jobsURL as the role that keeps time. It connects to
// nothing yet.
func keepTime(ctx context.Context, cfg config.Config, serveURL, jobsURL string, metrics prometheus.Registerer, heads func(club uuid.UUID, seq int64, hash []byte), log *slog.Logger) (*timekeeper, error) {
	var post *mail.Post
	if cfg.SMTPAddr != "" {
		var err error
		post, err = mail.New(mail.Settings{Addr: cfg.SMTPAddr, Security: cfg.SMTPSecurity, User: cfg.SMTPUser, Password: cfg.SMTPPassword.Reveal(),
			From: cfg.SMTPFrom, Timeout: cfg.SMTPTimeout, Log: log, Metrics: metrics})
		if err != nil {
			return nil, err
		}
	}
	poolConfig, err := pgxpool.ParseConfig(serveURL)
	if err != nil {
		return nil, fmt.Errorf("the serving URL is not a PostgreSQL URL: %w", err)
	}
	poolConfig.MaxConns = sweepConnections
	pool, err := pgxpool.NewWithConfig(ctx, poolConfig)
	if err != nil {
		return nil, fmt.Errorf("connect to keep time: %w", err)
	}
	figures := jobs.NewFigures()
	if err := metrics.Register(figures); err != nil {
		pool.Close()
		return nil, err
	}
	runner, err := jobs.New(jobs.Options{URL: jobsURL, DB: &postgres.DB{Pool: pool, Heads: heads}, Sweeps: sweeps(post), Log: log, Figures: figures})
	if err != nil {
		pool.Close()
		return nil, err
	}
	return &timekeeper{runner: runner, pool: pool}, nil
}

// health tells of it beside readiness, which it does not decide: requests are
// served without it.
func (k *timekeeper) health() string {
	if k == nil {
		return "off"
	}
	if err := k.runner.Health(); err != nil {
		return err.Error()
	}
	return "ok"
}

// stop lets what runs finish until ctx ends.
func (k *timekeeper) stop(ctx context.Context) error {
	defer k.pool.Close()
	return k.runner.Stop(ctx)
}
