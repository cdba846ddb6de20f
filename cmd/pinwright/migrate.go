package main

import (
	"context"
	"fmt"
	"strconv"

	"pinwright/internal/config"
	"pinwright/internal/jobs"
	"pinwright/internal/schema"
	"pinwright/migrations"
)

const migrateSynopsis = `migrate [flags] up | down <n> | down all | version | mend <n>

  up        apply what is not applied yet, and bring the queue of jobs up to date
  down <n>  take the newest n migrations back; destroys what their tables hold
  down all  take every migration back; destroys everything
  version   say where the database stands
  mend <n>  after a failed migration was looked at: record that the database
            stands at number n, without running anything

Logs in by PINWRIGHT_MIGRATE_URL.
`

func migrateDatabase(ctx context.Context, call invocation) error {
	cfg, args, err := call.parse(migrateSynopsis, nil, config.Migrating)
	if err != nil {
		return err
	}
	verb, operand := "", ""
	if len(args) > 0 {
		verb = args[0]
	}
	if len(args) > 1 {
		operand = args[1]
	}
	takesOperand := verb == "down" || verb == "mend"
	if len(args) == 0 || len(args) > 2 || takesOperand != (len(args) == 2) {
		return usageError{"want one of: up, down <n>, down all, version, mend <n>"}
	}
	url := cfg.MigrateURL.Reveal()
	switch verb {
	case "up":
		if err = schema.Up(ctx, url, migrations.Files); err == nil {
			err = jobs.Migrate(ctx, url, call.logger(cfg))
		}
	case "down":
		steps := 0
		if operand != "all" {
			if steps, err = strconv.Atoi(operand); err != nil || steps < 1 {
				return usageError{fmt.Sprintf("down %q: want how many migrations to take back, from 1, or all", operand)}
			}
		}
		if err = schema.Down(ctx, url, migrations.Files, steps); err == nil && steps == 0 {
			err = jobs.Remove(ctx, url)
		}
	case "mend":
		number, convErr := strconv.Atoi(operand)
		if convErr != nil || number < 0 {
			return usageError{fmt.Sprintf("mend %q: want the number of a migration, or 0 for none", operand)}
		}
		err = schema.Mend(ctx, url, migrations.Files, number)
	case "version":
	default:
		return usageError{fmt.Sprintf("%q: want one of: up, down <n>, down all, version, mend <n>", verb)}
	}
	if err != nil {
		return err
	}
	v, err := schema.GetVersion(ctx, url)
	if err != nil {
		return err
	}
	state := ""
	if v.Dirty {
		state = ", dirty: that migration failed; pinwright migrate up says how to mend it"
	}
	_, err = fmt.Fprintf(call.stdout, "the database stands at migration %d%s\n", v.Number, state)
	return err
}
