package schema

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"time"

	"github.com/golang-migrate/migrate/v4"
	migratepgx "github.com/golang-migrate/migrate/v4/database/pgx/v5"
	"github.com/golang-migrate/migrate/v4/source/iofs"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/stdlib"
)

const (
	// lockTimeout bounds how long a migration waits for a table that is being
	// served: while it waits, every query on that table queues behind it.
	lockTimeout = time.Second

	// migrateLock is the advisory lock that migrators of one database queue on.
	migrateLock = 0x70696e32 // "pin2"
)

// Version of a database: the number of the last file applied, 0 for none.
// Dirty means that the file of that number failed half way.
type Version struct {
	Number int
	Dirty  bool
}

// Up applies every file that is not applied yet, in the order of their numbers,
// each in a transaction of its own. ownerURL logs in as Owner. Migrators of one
// database wait for each other; those that find nothing left to do succeed.
// A migration that cannot have its locks within a second is undone and tried
// again, for half a minute; then it fails and may be started again.
func Up(ctx context.Context, ownerURL string, files fs.FS) error {
	return withMigrator(ctx, ownerURL, files, climbing(ctx, files, (*migrate.Migrate).Up))
}

// UpTo is Up, but ends with the file of the given number.
func UpTo(ctx context.Context, ownerURL string, files fs.FS, number int) error {
	if number < 1 {
		return fmt.Errorf("%d is not the number of a migration", number)
	}
	return withMigrator(ctx, ownerURL, files, climbing(ctx, files, func(m *migrate.Migrate) error { return m.Migrate(uint(number)) }))
}

// Down takes back the given number of files, newest first, or all of them when
// steps is 0. It destroys what those tables hold.
func Down(ctx context.Context, ownerURL string, files fs.FS, steps int) error {
	if steps < 0 {
		return fmt.Errorf("cannot take back %d migrations: give a positive number, or 0 for all", steps)
	}
	return withMigrator(ctx, ownerURL, files, func(m *migrate.Migrate) error {
		if steps == 0 {
			return m.Down()
		}
		return m.Steps(-steps)
	})
}

// Mend records that a dirty database stands, after a person has looked and put
// it there, at the given number (0 for empty). It runs no file.
func Mend(ctx context.Context, ownerURL string, files fs.FS, number int) error {
	if number < 0 {
		return fmt.Errorf("%d is not the number of a migration", number)
	}
	return withMigrator(ctx, ownerURL, files, func(m *migrate.Migrate) error {
		if number == 0 {
			return m.Force(-1) // the library's word for none
		}
		return m.Force(number)
	})
}

// GetVersion reads where the database stands; any role that may read the
// version table will do.
func GetVersion(ctx context.Context, databaseURL string) (Version, error) {
	c, err := pgx.Connect(ctx, databaseURL)
	if err != nil {
		return Version{}, fmt.Errorf("connect to read the schema's version: %w", err)
	}
	defer c.Close(context.WithoutCancel(ctx)) //nolint:errcheck // only read from
	var exists bool
	if err := c.QueryRow(ctx, `SELECT to_regclass('public.schema_migrations') IS NOT NULL`).Scan(&exists); err != nil || !exists {
		return Version{}, err
	}
	var v Version
	err = c.QueryRow(ctx, `SELECT version, dirty FROM public.schema_migrations`).Scan(&v.Number, &v.Dirty)
	if errors.Is(err, pgx.ErrNoRows) {
		return Version{}, nil
	}
	if err != nil {
		return Version{}, fmt.Errorf("read the schema's version: %w", err)
	}
	v.Number = max(v.Number, 0) // -1 stands for none
	return v, nil
}

// withMigrator runs f while it holds the migrators' lock.
//
// The library has a lock of its own, but waits for it inside the server: there
// lock_timeout would end the wait, and a file with CREATE INDEX CONCURRENTLY
// would wait for the waiter, a deadlock. So ours is taken first, by polling, and
// the library's never has to wait.
func withMigrator(ctx context.Context, ownerURL string, files fs.FS, f func(*migrate.Migrate) error) error {
	cfg, err := pgx.ParseConfig(ownerURL)
	if err != nil {
		return fmt.Errorf("the migrating URL is not a PostgreSQL URL: %w", err)
	}
	guard, err := pgx.ConnectConfig(ctx, cfg)
	if err != nil {
		return fmt.Errorf("connect to migrate: %w", err)
	}
	defer guard.Close(context.WithoutCancel(ctx)) //nolint:errcheck // closing drops the lock
	if err := pollLock(ctx, guard, migrateLock); err != nil {
		return err
	}

	source, err := iofs.New(files, ".")
	if err != nil {
		return fmt.Errorf("read the migration files: %w", err)
	}
	worker := cfg.Copy()
	worker.RuntimeParams["lock_timeout"] = fmt.Sprint(lockTimeout.Milliseconds())
	db := stdlib.OpenDB(*worker)
	driver, err := migratepgx.WithInstance(db, &migratepgx.Config{SchemaName: "public"})
	if err != nil {
		return errors.Join(fmt.Errorf("open the migrating connection: %w", err), source.Close(), db.Close())
	}
	m, err := migrate.NewWithInstance("embedded", source, cfg.Database, driver)
	if err != nil {
		return errors.Join(err, source.Close(), driver.Close())
	}
	// A canceled context ends the work between two files, never within one.
	stop := context.AfterFunc(ctx, func() { m.GracefulStop <- true })
	err = f(m)
	stop()
	sourceErr, driverErr := m.Close()
	if errors.Is(err, migrate.ErrNoChange) || errors.Is(err, fs.ErrNotExist) && isEmpty(files) {
		err = nil
	}
	if err == nil {
		err = ctx.Err()
	}
	return errors.Join(explainMigrate(err), sourceErr, driverErr)
}

func isEmpty(files fs.FS) bool {
	names, err := fs.Glob(files, "*.up.sql")
	return err == nil && len(names) == 0
}

// explainMigrate says how to mend a failed migration.
func explainMigrate(err error) error {
	var dirty migrate.ErrDirty
	if errors.As(err, &dirty) {
		return fmt.Errorf("the database is marked dirty at migration %d: that file failed. Its transaction was undone, "+
			"unless the file works outside one (CREATE INDEX CONCURRENTLY, which leaves an invalid index to drop). "+
			"Look at the database, mend the file's cause, then record where the database stands, "+
			"usually the number before: pinwright migrate mend %d; then pinwright migrate up", dirty.Version, max(dirty.Version-1, 0))
	}
	if err != nil {
		return fmt.Errorf("migrate: %w", err)
	}
	return nil
}
