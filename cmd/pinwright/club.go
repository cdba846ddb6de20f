package main

import (
	"context"
	"flag"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/internal/config"
	"pinwright/internal/founding"
	"pinwright/internal/postgres"
)

const clubSynopsis = `club create -slug S -club-name N -officer-name N [flags]

Founds a club and prints the token of its first officer, once. Logs in by
PINWRIGHT_MIGRATE_URL.
`

func clubCommand(ctx context.Context, call invocation) error {
	if len(call.args) == 0 || call.args[0] != "create" {
		if len(call.args) > 0 && (call.args[0] == "-h" || call.args[0] == "-help" || call.args[0] == "--help") {
			_, _, err := call.parse(clubSynopsis, nil)
			return err
		}
		return usageError{"want: club create"}
	}
	call.args = call.args[1:]
	charter := founding.Charter{Currency: "EUR", Units: "mm", OfficerNumber: "1"}
	cfg, args, err := call.parse(clubSynopsis, func(fs *flag.FlagSet) {
		fs.StringVar(&charter.Slug, "slug", "", "the club's name in addresses, such as hill-end")
		fs.StringVar(&charter.Name, "club-name", "", "the club's name for people")
		fs.StringVar(&charter.Currency, "currency", charter.Currency, "ISO 4217 code")
		fs.StringVar(&charter.Units, "units", charter.Units, "mm, um, in or thou: in which the club reads lengths")
		fs.StringVar(&charter.OfficerNumber, "officer-number", charter.OfficerNumber, "member number of the first officer")
		fs.StringVar(&charter.OfficerName, "officer-name", "", "name of the first officer")
		fs.DurationVar(&charter.TokenLife, "token-life", 90*24*time.Hour, "how long the first token lasts")
	}, config.Migrating)
	if err != nil {
		return err
	}
	if len(args) > 0 {
		return usageError{"takes flags only"}
	}
	pool, err := pgxpool.New(ctx, cfg.MigrateURL.Reveal())
	if err != nil {
		return fmt.Errorf("connect: %w", err)
	}
	defer pool.Close()
	made, err := founding.Create(ctx, &postgres.DB{Pool: pool}, charter, time.Now().UTC())
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(call.stdout, "club     %s (%s)\nofficer  %s\ntoken    %s\nexpires  %s\n\nKeep the token safe: only its hash is stored. Try:\n  curl -H 'Authorization: Bearer …' http://localhost:8080/v1/clubs/%s/me\n",
		charter.Slug, made.ClubID, charter.OfficerName, made.Secret.Reveal(), made.ExpiresAt.Format(time.RFC3339), charter.Slug)
	return err
}
