package main

import (
	"context"
	"flag"
	"fmt"

	"pinwright/internal/backup"
	"pinwright/internal/config"
	"pinwright/internal/schema"
	"pinwright/internal/soundness"
	"pinwright/internal/witness"
	"pinwright/migrations"
)

const verifySynopsis = `verify [flags]

Reads the whole database, in one snapshot, and says what is wrong with it: tables,
rights, policies and constraints against the migrations, every promise of a
constraint against the rows, every journal against its hashes. Reads as
PINWRIGHT_BACKUP_URL. Ends with 0 when all is well and 1 when not.
`

func verify(ctx context.Context, call invocation) error {
	var manifest, heads string
	cfg, args, err := call.parse(verifySynopsis, func(fs *flag.FlagSet) {
		fs.StringVar(&manifest, "manifest", "", "of the backup that the database was restored from: rows and journals must be as it says")
		fs.StringVar(&heads, "heads", "", "file of heads noted outside the database, or an older backup's manifest: the journals must contain them")
	}, config.BackingUp)
	if err != nil {
		return err
	}
	if len(args) > 0 {
		return usageError{"takes flags only"}
	}
	against, err := reference()
	if err != nil {
		return err
	}
	if manifest != "" {
		m, err := backup.ReadManifest(manifest)
		if err != nil {
			return err
		}
		against.Manifest = &m
	}
	if heads != "" {
		list, unread, err := witness.Read(heads)
		if err != nil {
			return err
		}
		for _, line := range unread {
			fmt.Fprintf(call.stderr, "pinwright: %s, %s\n", heads, line)
		}
		if len(list) == 0 {
			return fmt.Errorf("%s holds no heads, so it proves nothing", heads)
		}
		against.Heads = list
	}
	return look(ctx, call, cfg.BackupURL.Reveal(), against)
}

// reference is what a database of this program's migrations must look like.
func reference() (soundness.Against, error) {
	newest, err := schema.Newest(migrations.Files)
	return soundness.Against{Newest: newest, Description: migrations.Described()}, err
}

func look(ctx context.Context, call invocation, url string, against soundness.Against) error {
	checks, err := soundness.Look(ctx, url, against)
	if err != nil {
		return err
	}
	fmt.Fprint(call.stdout, soundness.Lines(checks))
	if !soundness.Sound(checks) {
		return errUnsound
	}
	return nil
}
