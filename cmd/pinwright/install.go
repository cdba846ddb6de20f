package main

import (
	"context"
	"flag"
	"fmt"

	"pinwright/internal/config"
	"pinwright/internal/schema"
)

const installSynopsis = `install [flags]

Makes or mends the database and the roles pinwright_owner, pinwright_app,
pinwright_backup and pinwright_jobs on the server of PINWRIGHT_DATABASE_URL, an
administrator's login. Passwords come from PINWRIGHT_OWNER_PASSWORD,
PINWRIGHT_APP_PASSWORD, PINWRIGHT_BACKUP_PASSWORD and PINWRIGHT_JOBS_PASSWORD, or
files; a role without one keeps what it has.
`

func install(ctx context.Context, call invocation) error {
	database := "pinwright"
	cfg, args, err := call.parse(installSynopsis, func(fs *flag.FlagSet) {
		fs.StringVar(&database, "name", database, "name of the database")
	}, config.Installing)
	if err != nil {
		return err
	}
	if len(args) > 0 || database == "" {
		return usageError{"takes flags only, and a database's name cannot be empty"}
	}
	err = schema.Install(ctx, cfg.AdminURL.Reveal(), database, schema.Passwords{
		Owner:  cfg.OwnerPassword.Reveal(),
		App:    cfg.AppPassword.Reveal(),
		Backup: cfg.BackupPassword.Reveal(),
		Jobs:   cfg.JobsPassword.Reveal(),
	})
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(call.stdout, "the database %s and its roles stand; next: pinwright migrate up\n", database)
	return err
}
