// Package soundness looks whether a database is what it should be: that the
// tables, rights and fences are those of the migrations, that every promise a
// constraint makes holds for the rows as they are, and that no journal was
// changed. It reads only, in one snapshot, and trusts neither the catalogue's
// word that a constraint holds nor an index: it asks the rows.
package soundness

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"

	"pinwright/internal/backup"
	"pinwright/internal/schema"
	"pinwright/internal/witness"
)

// Against is what the database is held against beside its own rules.
type Against struct {
	// Newest is the number of the program's last migration, Description what the
	// migrations make up to it, as schema.Describe gives it.
	Newest      int
	Description []string
	// Manifest is of the backup that the database was restored from; may be nil.
	Manifest *backup.Manifest
	// Heads were noted outside the database.
	Heads []witness.Head
}

// Check is one thing that was looked at.
type Check struct {
	Name   string
	Found  string   // what was looked at, in a few words
	Faults []string // none when all is well
}

// most bounds the faults that are told of one check.
const most = 20

func (c *Check) fault(format string, args ...any) {
	c.Faults = append(c.Faults, fmt.Sprintf(format, args...))
}

// tx is the snapshot that is looked at.
type tx struct {
	pgx.Tx
	ctx context.Context
}

// Look makes every check on the database of url. Its role must see all rows:
// the backup role, the owner, or a superuser.
func Look(ctx context.Context, url string, a Against) ([]Check, error) {
	c, err := pgx.Connect(ctx, url)
	if err != nil {
		return nil, fmt.Errorf("connect to verify: %w", err)
	}
	defer c.Close(context.WithoutCancel(ctx)) //nolint:errcheck // only read from
	begun, err := c.BeginTx(ctx, pgx.TxOptions{IsoLevel: pgx.RepeatableRead, AccessMode: pgx.ReadOnly})
	if err != nil {
		return nil, err
	}
	defer begun.Rollback(context.WithoutCancel(ctx)) //nolint:errcheck // only read from
	return lookIn(ctx, begun, a)
}

func lookIn(ctx context.Context, begun pgx.Tx, a Against) ([]Check, error) {
	// Without its indexes a table is read as it is, and in bulk.
	if _, err := begun.Exec(ctx, `set local timezone = 'UTC'; set local statement_timeout = 0; set local idle_in_transaction_session_timeout = 0;
		set local enable_indexscan = off; set local enable_indexonlyscan = off; set local enable_bitmapscan = off`); err != nil {
		return nil, err
	}
	t := tx{begun, ctx}
	if err := t.seesAll(); err != nil {
		return nil, err
	}
	version, schemaCheck, err := t.version(a)
	if err != nil {
		return nil, err
	}
	checks := []Check{schemaCheck}
	if version == 0 {
		return checks, nil
	}
	described, err := t.described(version, a)
	if err != nil {
		return nil, err
	}
	checks = append(checks, described...)
	for _, look := range []func(Against) (Check, error){
		t.fences, t.validated, t.foreignKeys, t.exclusions, t.uniques, t.checkConstraints, t.rows,
	} {
		c, err := look(a)
		if err != nil {
			return nil, err
		}
		checks = append(checks, c)
	}
	records, err := t.records()
	if err != nil {
		return nil, err
	}
	histories, err := t.histories()
	if err != nil {
		return nil, err
	}
	journals, err := t.journals(a)
	if err != nil {
		return nil, err
	}
	return append(append(checks, records, histories), journals...), nil
}

func (t tx) seesAll() error {
	var sees bool
	err := t.QueryRow(t.ctx, `select rolsuper or rolbypassrls or rolname = '`+schema.Owner+`' from pg_roles where rolname = current_user`).Scan(&sees)
	if err == nil && !sees {
		err = errors.New("this login does not see every club's rows: verify as " + schema.Backup + " (PINWRIGHT_BACKUP_URL)")
	}
	return err
}

func (t tx) version(a Against) (int, Check, error) {
	c := Check{Name: "schema"}
	var there bool
	if err := t.QueryRow(t.ctx, `select to_regclass('public.schema_migrations') is not null`).Scan(&there); err != nil {
		return 0, c, err
	}
	if !there {
		c.fault("there are no tables: run pinwright migrate up, or pinwright restore")
		return 0, c, nil
	}
	// Its lock is given back with the subtransaction, or no migration could note
	// that it is done while this goes on.
	apart, err := t.Begin(t.ctx)
	if err != nil {
		return 0, c, err
	}
	defer apart.Rollback(t.ctx) //nolint:errcheck // only read from
	var at int
	var dirty bool
	if err := apart.QueryRow(t.ctx, `select version, dirty from public.schema_migrations`).Scan(&at, &dirty); errors.Is(err, pgx.ErrNoRows) {
		c.fault("the version table is empty: run pinwright migrate up, or pinwright restore")
		return 0, c, nil
	} else if err != nil {
		return 0, c, err
	}
	c.Found = fmt.Sprintf("migration %d", at)
	switch {
	case dirty:
		c.fault("migration %d failed half way: pinwright migrate up says how to mend it", at)
	case a.Manifest != nil && a.Manifest.Schema != at:
		c.fault("the backup was made at migration %d", a.Manifest.Schema)
	case at < a.Newest:
		c.Found += fmt.Sprintf("; this program's newest is %d (pinwright migrate up)", a.Newest)
	case at > a.Newest:
		c.Found += fmt.Sprintf("; this program knows only %d", a.Newest)
	}
	return at, c, nil
}

// kinds are the checks that Describe's lines belong to.
var kinds = []struct {
	name  string
	words []string
}{
	{"columns", []string{"column", "type"}},
	{"constraints", []string{"constraint", "index"}},
	{"functions", []string{"function", "trigger"}},
	{"policies", []string{"fence", "owner", "policy"}},
	{"rights", []string{"right"}},
}

// described compares the catalogue with what the migrations make, and with
// what the backup was made of.
func (t tx) described(version int, a Against) ([]Check, error) {
	have, err := schema.Describe(t.ctx, t)
	if err != nil {
		return nil, err
	}
	type reference struct {
		lines []string
		of    string
	}
	var against []reference
	if version == a.Newest {
		against = append(against, reference{a.Description, "the migrations"})
	}
	if a.Manifest != nil {
		against = append(against, reference{a.Manifest.Description, "the backup"})
	}
	var checks []Check
	for _, kind := range kinds {
		c := Check{Name: kind.name}
		mine := of(have, kind.words)
		c.Found = fmt.Sprintf("%d", len(mine))
		if len(against) == 0 {
			c.Found += ", not compared: this program describes another migration"
		}
		for _, r := range against {
			want := of(r.lines, kind.words)
			c.Found += ", as in " + r.of
			for _, line := range want {
				if !slices.Contains(mine, line) {
					c.fault("missing, but in %s: %s", r.of, line)
				}
			}
			for _, line := range mine {
				if !slices.Contains(want, line) {
					c.fault("not in %s: %s", r.of, line)
				}
			}
		}
		checks = append(checks, c)
	}
	return checks, nil
}

func of(lines, words []string) []string {
	return slices.DeleteFunc(slices.Clone(lines), func(line string) bool {
		word, _, _ := strings.Cut(line, " ")
		return !slices.Contains(words, word)
	})
}

// rows counts every table's rows, and holds them and what stands in them
// against the backup.
func (t tx) rows(a Against) (Check, error) {
	c := Check{Name: "rows"}
	tables, err := backup.Tables(t.ctx, t)
	if err != nil {
		return c, err
	}
	total := int64(0)
	have := map[string]backup.Table{}
	for _, table := range tables {
		have[table.Name] = table
		total += table.Rows
	}
	c.Found = fmt.Sprintf("%d in %d tables", total, len(tables))
	if a.Manifest == nil {
		return c, nil
	}
	for _, want := range a.Manifest.Tables {
		switch table, there := have[want.Name]; {
		case !there:
			c.fault("the table %s of the backup is missing", want.Name)
		case table.Rows != want.Rows:
			c.fault("%s has %d rows, the backup %d", table.Name, table.Rows, want.Rows)
		case !bytes.Equal(table.Sum, want.Sum):
			c.fault("%s has as many rows as the backup, but others", table.Name)
		}
		delete(have, want.Name)
	}
	for name := range have {
		c.fault("the table %s is not in the backup", name)
	}
	c.Found += ", held against the backup's"
	return c, nil
}

func collect[T any](t tx, sql string, args ...any) ([]T, error) {
	rows, err := t.Query(t.ctx, sql, args...)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowTo[T])
}

// Sound reports whether no check found a fault.
func Sound(checks []Check) bool {
	return !slices.ContainsFunc(checks, func(c Check) bool { return len(c.Faults) > 0 })
}

// Lines tells the checks for people, one a line, each fault below its check.
func Lines(checks []Check) string {
	var b strings.Builder
	for _, c := range checks {
		state := "ok   "
		if len(c.Faults) > 0 {
			state = "FAULT"
		}
		fmt.Fprintf(&b, "%s  %-16s %s\n", state, c.Name, c.Found)
		for i, f := range c.Faults {
			if i == most {
				fmt.Fprintf(&b, "         and %d more\n", len(c.Faults)-most)
				break
			}
			fmt.Fprintf(&b, "         %s\n", f)
		}
	}
	return b.String()
}
