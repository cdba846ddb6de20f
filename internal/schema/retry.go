package schema

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"strconv"
	"time"

	"github.com/golang-migrate/migrate/v4"
	"github.com/golang-migrate/migrate/v4/database"
	"github.com/jackc/pgx/v5/pgconn"
)

// A table that is served is locked again and again for moments, and sometimes
// for long, by a backup. A migration that meets such a lock gives up after
// lockTimeout, so that nobody queues behind it, and comes back after a pause.
const (
	lockAttempts = 15
	lockPause    = time.Second
)

// climbing runs up until it needs no lock that another holds.
func climbing(ctx context.Context, files fs.FS, up func(*migrate.Migrate) error) func(*migrate.Migrate) error {
	return func(m *migrate.Migrate) error {
		for attempt := 1; ; attempt++ {
			err := up(m)
			again, mendErr := mendAfterLock(m, files, err)
			if mendErr != nil {
				return errors.Join(err, mendErr)
			}
			if !again {
				return err
			}
			if attempt == lockAttempts {
				return fmt.Errorf("%d times in a row somebody else held a lock that the migration needs: a backup, a verification, or a transaction that was left open. "+
					"Nothing of that migration was done; start it again when that is over: %w", attempt, err)
			}
			select {
			case <-ctx.Done():
				return ctx.Err()
			case <-time.After(lockPause):
			}
		}
	}
}

// mendAfterLock reports whether err is a lock that was waited for in vain, and
// puts the version back to what stands. A file's statements are one transaction,
// unless it works outside of one.
func mendAfterLock(m *migrate.Migrate, files fs.FS, err error) (again bool, _ error) {
	query, inVain := lockInVain(err)
	if !inVain {
		return false, nil
	}
	at, dirty, err := m.Version()
	if errors.Is(err, migrate.ErrNilVersion) || err == nil && !dirty {
		return true, nil // the version table itself was locked, before the file
	}
	if err != nil {
		return false, err
	}
	number := int(at)
	if bytes.HasPrefix(query, []byte("TRUNCATE")) {
		return true, m.Force(number) // the version table again, behind the file, which is applied
	}
	text, before, err := fileOf(files, number)
	if err != nil || bytes.Contains(bytes.ToLower(text), []byte("concurrently")) || bytes.Contains(bytes.ToLower(text), []byte("commit;")) {
		return false, err
	}
	return true, m.Force(before)
}

// lockInVain finds lock_not_available in the library's errors, which do not
// unwrap, and the statement that met it.
func lockInVain(err error) (query []byte, inVain bool) {
	var byValue database.Error
	var byPointer *database.Error
	switch {
	case errors.As(err, &byValue):
	case errors.As(err, &byPointer):
		byValue = *byPointer
	default:
		return nil, false
	}
	var pg *pgconn.PgError
	return byValue.Query, errors.As(byValue.OrigErr, &pg) && pg.Code == "55P03"
}

// fileOf is the file of a number, and the number before it; -1, the library's
// word for none, before the first.
func fileOf(files fs.FS, number int) (text []byte, before int, err error) {
	names, err := fs.Glob(files, "*.up.sql")
	if err != nil {
		return nil, 0, err
	}
	before = -1
	for _, name := range names {
		head, _, _ := bytes.Cut([]byte(name), []byte("_"))
		n, err := strconv.Atoi(string(head))
		if err != nil {
			return nil, 0, err
		}
		if n == number {
			if text, err = fs.ReadFile(files, name); err != nil {
				return nil, 0, err
			}
		}
		if n < number {
			before = max(before, n)
		}
	}
	return text, before, nil
}
