package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	"gopkg.in/yaml.v3"

	"pinwright/internal/config"
	"pinwright/internal/erasure"
	"pinwright/internal/postgres"
	"pinwright/internal/takeout"
	"pinwright/openapi"
)

const exportSynopsis = `club export -club C -out FILE [flags]

Writes everything of one club, as it stands at one moment, into a ZIP archive: a
file of JSON Lines for each table, a manifest, and a README that says how values
are written. Reads as PINWRIGHT_BACKUP_URL.
`

func exportClub(ctx context.Context, call invocation) error {
	var club, out string
	cfg, args, err := call.parse(exportSynopsis, func(fs *flag.FlagSet) {
		fs.StringVar(&club, "club", "", "the club's slug or id")
		fs.StringVar(&out, "out", "", "file to write; it must not be there yet")
	}, config.BackingUp)
	if err != nil {
		return err
	}
	if len(args) > 0 || club == "" || out == "" {
		return usageError{"want -club and -out"}
	}
	contract, err := contractVersion()
	if err != nil {
		return err
	}
	if _, err := os.Lstat(out); err == nil {
		return fmt.Errorf("%s is there already; it is not written over", out)
	}
	file, err := os.CreateTemp(filepath.Dir(out), filepath.Base(out)+".*.partial")
	if err != nil {
		return err
	}
	defer os.Remove(file.Name()) //nolint:errcheck // renamed when all went well
	m, err := takeout.Write(ctx, cfg.BackupURL.Reveal(), club, contract, file, time.Now())
	if err := errors.Join(err, file.Sync(), file.Close()); err != nil {
		return err
	}
	if err := os.Rename(file.Name(), out); err != nil {
		return err
	}
	rows := int64(0)
	for _, t := range m.Tables {
		rows += t.Rows
	}
	_, err = fmt.Fprintf(call.stdout, "%s: %d rows of %d tables of %s (%s)\n", out, rows, len(m.Tables), m.Slug, m.Club)
	return err
}

func contractVersion() (string, error) {
	var contract struct{ Info struct{ Version string } }
	err := yaml.Unmarshal(openapi.YAML, &contract)
	return contract.Info.Version, err
}

const eraseSynopsis = `club erase -club C [-confirm "erase SLUG"] [flags]

Forgets who a club and its people are: names, numbers, words and addresses go for
good, tokens end. Figures, readings, bookings and the journal stay. Without
-confirm it erases nothing and says what it would. Logs in by
PINWRIGHT_MIGRATE_URL. Backups made before still hold the names: they go as
-keep lets them go.
`

func eraseClub(ctx context.Context, call invocation) error {
	var name, confirm string
	cfg, args, err := call.parse(eraseSynopsis, func(fs *flag.FlagSet) {
		fs.StringVar(&name, "club", "", "the club's slug or id")
		fs.StringVar(&confirm, "confirm", "", "the words that the first call asks for")
	}, config.Migrating)
	if err != nil {
		return err
	}
	if len(args) > 0 || name == "" {
		return usageError{"want -club"}
	}
	c, err := pgx.Connect(ctx, cfg.MigrateURL.Reveal())
	if err != nil {
		return fmt.Errorf("connect: %w", err)
	}
	defer c.Close(context.WithoutCancel(ctx)) //nolint:errcheck // only read from
	id, slug, err := takeout.Find(ctx, c, name)
	if err != nil {
		return err
	}
	if want := "erase " + slug; confirm != want {
		var members, vehicles, garages int
		if err := c.QueryRow(ctx, `select (select count(*) from member where club_id = $1), (select count(*) from vehicle where club_id = $1), (select count(*) from garage where club_id = $1)`, id).
			Scan(&members, &vehicles, &garages); err != nil {
			return err
		}
		fmt.Fprintf(call.stdout, "This would erase, for good, the names of the club %s (%s), its %d members, %d vehicles and %d garages, and end every token.\n"+
			"Give the club its data first: pinwright club export -club %s -out %s.zip\nThen confirm: pinwright club erase -club %s -confirm %q\n",
			slug, id, members, vehicles, garages, id, slug, id, want)
		return errors.New("nothing was erased: it is not confirmed")
	}
	pool, err := pgxpool.New(ctx, cfg.MigrateURL.Reveal())
	if err != nil {
		return fmt.Errorf("connect: %w", err)
	}
	defer pool.Close()
	if err := erasure.Club(ctx, &postgres.DB{Pool: pool}, id, time.Now().UTC()); err != nil {
		return err
	}
	_, err = fmt.Fprintf(call.stdout, "the club %s is erased\n", id)
	return err
}
