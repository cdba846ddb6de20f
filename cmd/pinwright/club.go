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

const clubSynopsis = `club create | export | erase [flags]

  create -slug S -club-name N -officer-name N   found a club and print the token of its
                                                first officer, once
  export -club C -out FILE                      write everything of a club into one archive
  erase -club C                                 forget a club's names, when confirmed

Flags of each: pinwright club create -h
`

func clubCommand(ctx context.Context, call invocation) error {
	verb := ""
	if len(call.args) > 0 {
		verb, call.args = call.args[0], call.args[1:]
	}
	switch verb {
	case "create":
		return createClub(ctx, call)
	case "export":
		return exportClub(ctx, call)
	case "erase":
		return eraseClub(ctx, call)
	case "-h", "-help", "--help":
		fmt.Fprintf(call.stdout, "usage: pinwright %s", clubSynopsis)
		return flag.ErrHelp
	}
	return usageError{"want one of: club create, club export, club erase"}
}

const createSynopsis = `club create -slug S -club-name N -officer-name N [flags]

Founds a club and prints the token of its first officer, once. Logs in by
PINWRIGHT_MIGRATE_URL.
`

func createClub(ctx context.Context, call invocation) error {
	charter := founding.Charter{Currency: "EUR", Units: "mm", OfficerNumber: "1"}
	cfg, args, err := call.parse(createSynopsis, func(fs *flag.FlagSet) {
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
