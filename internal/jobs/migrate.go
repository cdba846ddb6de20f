package jobs

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/riverqueue/river/riverdriver/riverpgxv5"
	"github.com/riverqueue/river/rivermigrate"
)

// migrateLock is the advisory lock that migrators of one queue wait on.
const migrateLock = 0x70696e33 // "pin3"

// rights are all that pinwright_jobs may do: work on the queue's rows, neither
// change its tables nor say at which version they stand.
const rights = `
	do $$ declare t text; begin
		for t in select c.oid::regclass::text from pg_class c where c.relnamespace = '` + Schema + `'::regnamespace and c.relkind = 'r' and c.relname <> 'river_migration' loop
			execute 'grant select, insert, update, delete on ' || t || ' to pinwright_jobs';
		end loop;
	end $$;
	grant usage on all sequences in schema ` + Schema + ` to pinwright_jobs;
	grant usage on schema ` + Schema + ` to pinwright_jobs`

// Migrate makes the queue's tables, or brings them up to date. ownerURL logs in
// as the owner of the database. It may run while older replicas serve, several
// times, and several times at once.
func Migrate(ctx context.Context, ownerURL string, log *slog.Logger) error {
	return asOwner(ctx, ownerURL, func(pool *pgxpool.Pool) error {
		if _, err := pool.Exec(ctx, `create schema if not exists `+Schema); err != nil {
			return fmt.Errorf("make the schema of the queue: %w", err)
		}
		m, err := rivermigrate.New(riverpgxv5.New(pool), &rivermigrate.Config{Schema: Schema, Logger: quieter(log)})
		if err != nil {
			return fmt.Errorf("migrate the queue: %w", err)
		}
		if _, err := m.Migrate(ctx, rivermigrate.DirectionUp, nil); err != nil {
			return fmt.Errorf("migrate the queue: %w", err)
		}
		if _, err := pool.Exec(ctx, rights); err != nil {
			return fmt.Errorf("give the rights on the queue (pinwright install makes the role): %w", err)
		}
		return nil
	})
}

// Remove takes the queue's tables away, with what is in them.
func Remove(ctx context.Context, ownerURL string) error {
	return asOwner(ctx, ownerURL, func(pool *pgxpool.Pool) error {
		_, err := pool.Exec(ctx, `drop schema if exists `+Schema+` cascade`)
		return err
	})
}

func asOwner(ctx context.Context, ownerURL string, f func(pool *pgxpool.Pool) error) error {
	cfg, err := pgxpool.ParseConfig(ownerURL)
	if err != nil {
		return errors.New("the migrating URL is not a PostgreSQL URL")
	}
	cfg.MaxConns = 2
	cfg.ConnConfig.RuntimeParams["lock_timeout"] = "10s"
	pool, err := pgxpool.NewWithConfig(ctx, cfg)
	if err != nil {
		return fmt.Errorf("connect to migrate the queue: %w", err)
	}
	defer pool.Close()
	guard, err := pgx.ConnectConfig(ctx, cfg.ConnConfig)
	if err != nil {
		return fmt.Errorf("connect to migrate the queue: %w", err)
	}
	defer guard.Close(context.WithoutCancel(ctx)) //nolint:errcheck // closing drops the lock
	for {                                         // polled, for a session that waits inside the server holds a snapshot
		var got bool
		if err := guard.QueryRow(ctx, `select pg_try_advisory_lock($1)`, migrateLock).Scan(&got); err != nil {
			return fmt.Errorf("take the lock of the queue's migrators: %w", err)
		}
		if got {
			return f(pool)
		}
		select {
		case <-ctx.Done():
			return fmt.Errorf("wait for another migrator of the queue: %w", ctx.Err())
		case <-time.After(30 * time.Millisecond):
		}
	}
}

// quieter passes on what needs somebody's eyes.
func quieter(log *slog.Logger) *slog.Logger {
	if log == nil {
		log = slog.Default()
	}
	return slog.New(atLeastWarn{log.Handler()})
}

type atLeastWarn struct{ slog.Handler }

// Enabled leaves out what is below a warning.
func (h atLeastWarn) Enabled(ctx context.Context, level slog.Level) bool {
	return level >= slog.LevelWarn && h.Handler.Enabled(ctx, level)
}

// WithAttrs keeps the bound.
func (h atLeastWarn) WithAttrs(attrs []slog.Attr) slog.Handler {
	return atLeastWarn{h.Handler.WithAttrs(attrs)}
}

// WithGroup keeps the bound.
func (h atLeastWarn) WithGroup(name string) slog.Handler {
	return atLeastWarn{h.Handler.WithGroup(name)}
}
