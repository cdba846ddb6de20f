package main

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"

	"pinwright/internal/config"
	"pinwright/internal/ledger"
)

const ledgerSynopsis = `ledger verify [flags]

Reads the books of all clubs, in one snapshot, and names each entry that is not
what the journal says was written, that does not balance, or from which balances
do not follow. Reads as PINWRIGHT_BACKUP_URL. Ends with 0 when all is well and 1
when not.
`

func ledgerCommand(ctx context.Context, call invocation) error {
	if len(call.args) == 0 || call.args[0] != "verify" {
		if len(call.args) > 0 && call.args[0] != "-h" && call.args[0] != "-help" && call.args[0] != "--help" {
			return usageError{fmt.Sprintf("knows verify, not %q", call.args[0])}
		}
		if len(call.args) == 0 {
			return usageError{"verify what? pinwright ledger verify"}
		}
	} else {
		call.args = call.args[1:]
	}
	cfg, args, err := call.parse(ledgerSynopsis, nil, config.BackingUp)
	if err != nil {
		return err
	}
	if len(args) > 0 {
		return usageError{"takes flags only"}
	}
	conn, err := pgx.Connect(ctx, cfg.BackupURL.Reveal())
	if err != nil {
		return fmt.Errorf("connect to read the books: %w", err)
	}
	defer conn.Close(context.WithoutCancel(ctx)) //nolint:errcheck // nothing was written
	tx, err := conn.BeginTx(ctx, pgx.TxOptions{IsoLevel: pgx.RepeatableRead, AccessMode: pgx.ReadOnly})
	if err != nil {
		return fmt.Errorf("begin to read the books: %w", err)
	}
	defer tx.Rollback(context.WithoutCancel(ctx)) //nolint:errcheck // nothing was written
	entries, faults, err := ledger.Verify(ctx, tx)
	if err != nil {
		return err
	}
	for _, f := range faults {
		fmt.Fprintln(call.stdout, f)
	}
	if len(faults) > 0 {
		return fmt.Errorf("the books are not sound: %d faults in %d entries", len(faults), entries)
	}
	fmt.Fprintf(call.stdout, "%d entries, all as they were written, and the balances follow from them.\n", entries)
	return nil
}
