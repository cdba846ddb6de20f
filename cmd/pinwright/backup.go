package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"time"

	"pinwright/internal/backup"
	"pinwright/internal/config"
	"pinwright/internal/jobs"
	"pinwright/migrations"
)

const backupSynopsis = `backup -dir FOLDER [flags]

Writes everything, as it stands at one moment, into two files of FOLDER:
pinwright-TIME.zip with the rows and pinwright-TIME.json, its manifest. Reads as
PINWRIGHT_BACKUP_URL, the role pinwright_backup. With -every it goes on doing so
until it is stopped; a failure is logged and tried again.
`

// backupFlags are the command's own.
type backupFlags struct {
	dir   string
	every time.Duration
	keep  int
}

func backUp(ctx context.Context, call invocation) error {
	var f backupFlags
	cfg, args, err := call.parse(backupSynopsis, func(fs *flag.FlagSet) {
		fs.StringVar(&f.dir, "dir", "", "folder of the backups; it must be there")
		fs.DurationVar(&f.every, "every", 0, "go on, with a backup as often as that, such as 24h")
		fs.IntVar(&f.keep, "keep", 0, "after a backup, remove all but the newest so many; 0 keeps all")
	}, config.BackingUp)
	if err != nil {
		return err
	}
	switch {
	case len(args) > 0:
		return usageError{"takes flags only"}
	case f.dir == "":
		return usageError{"want -dir, the folder of the backups"}
	case f.every < 0 || f.every > 0 && f.every < time.Second:
		return usageError{"-every wants a second at least"}
	case f.keep < 0:
		return usageError{"-keep wants a number from 1, or 0 to keep all"}
	}
	if f.every > 0 {
		return backUpForever(ctx, cfg, f, call.logger(cfg))
	}
	path, m, removed, err := f.once(ctx, cfg)
	if err != nil {
		return err
	}
	fmt.Fprintf(call.stdout, "%s: %d rows of %d tables, %d clubs, %d bytes, migration %d\n",
		strings.TrimSuffix(path, ".json"), rowsOf(m), len(m.Tables), len(m.Heads), m.Bytes, m.Schema)
	for _, table := range m.LeftOut {
		fmt.Fprintf(call.stderr, "pinwright: the table %s is no part of a backup\n", table)
	}
	for _, r := range removed {
		fmt.Fprintf(call.stdout, "removed %s\n", r)
	}
	return nil
}

func rowsOf(m backup.Manifest) (n int64) {
	for _, t := range m.Tables {
		n += t.Rows
	}
	return n
}

func (f backupFlags) once(ctx context.Context, cfg config.Config) (path string, m backup.Manifest, removed []string, err error) {
	path, m, err = backup.Make(ctx, cfg.BackupURL.Reveal(), f.dir, migrations.Files, time.Now)
	if err == nil && f.keep > 0 {
		removed, err = backup.Keep(f.dir, f.keep, time.Now())
	}
	return path, m, removed, err
}

// retryAfter is how soon a failed backup is tried again, at most.
const retryAfter = 5 * time.Minute

// backUpForever makes the next backup when the last one in the folder is old
// enough, so that a container that is started again and again does not push the
// older ones out.
func backUpForever(ctx context.Context, cfg config.Config, f backupFlags, log *slog.Logger) error {
	if _, err := os.Stat(f.dir); err != nil {
		return err // a folder that is not there now will not be there later
	}
	log.Info("backing up", "dir", f.dir, "every", f.every, "keep", f.keep)
	failed := 0
	for {
		last, err := backup.Last(f.dir)
		due := last.Add(f.every)
		if wait := time.Until(due); err == nil && wait > 0 {
			failed = 0
			if !sleep(ctx, wait) {
				return nil
			}
			continue
		}
		if err == nil {
			var path string
			var m backup.Manifest
			var removed []string
			if path, m, removed, err = f.once(ctx, cfg); err == nil {
				log.Info("backup made", "manifest", path, "rows", rowsOf(m), "bytes", m.Bytes, "clubs", len(m.Heads), "schema", m.Schema,
					"seconds", m.TookInSeconds, "removed", len(removed), "left_out", m.LeftOut)
				continue
			}
		}
		if ctx.Err() != nil {
			return nil
		}
		failed++
		log.Error("backup failed", "error", err, "failed_in_a_row", failed, "last", last)
		if !sleep(ctx, min(retryAfter, f.every)) {
			return nil
		}
	}
}

// sleep reports whether it slept to its end.
func sleep(ctx context.Context, d time.Duration) bool {
	select {
	case <-ctx.Done():
		return false
	case <-time.After(d):
		return true
	}
}

const restoreSynopsis = `restore -from FILE [flags]

Loads a backup into an empty database that pinwright install has made, logged in
by PINWRIGHT_MIGRATE_URL, and verifies it. FILE is either of a backup's two
files. A database with rows in it is refused.
`

func restore(ctx context.Context, call invocation) error {
	from := ""
	cfg, args, err := call.parse(restoreSynopsis, func(fs *flag.FlagSet) {
		fs.StringVar(&from, "from", "", "the backup's manifest or its file of rows")
	}, config.Migrating)
	if err != nil {
		return err
	}
	if len(args) > 0 || from == "" {
		return usageError{"want -from, a backup's manifest"}
	}
	url := cfg.MigrateURL.Reveal()
	m, err := backup.Restore(ctx, url, from, migrations.Files)
	if err != nil {
		return err
	}
	// Nothing in the queue is worth keeping: what is due follows from the clubs' rows.
	if err := jobs.Migrate(ctx, url, call.logger(cfg)); err != nil {
		return err
	}
	fmt.Fprintf(call.stdout, "%d rows of %s, made on %s from %s, are restored. Verifying:\n", rowsOf(m), filepath.Base(from), m.MadeAt.Format(time.RFC3339), m.Database)
	against, err := reference()
	if err != nil {
		return err
	}
	against.Manifest = &m
	if err := look(ctx, call, url, against); err != nil {
		return err
	}
	if m.Schema < against.Newest {
		fmt.Fprintf(call.stdout, "Next: pinwright migrate up, for this program needs migration %d.\n", against.Newest)
	}
	return nil
}

var errUnsound = errors.New("the database is not sound: see the faults above")
