package backup

import (
	"archive/zip"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"

	"pinwright/internal/schema"
	"pinwright/internal/witness"
)

// Restore loads the backup at path into the empty database of ownerURL, which
// package schema has installed. It leaves the database at the migration that the
// backup was made at. Rows are loaded in one transaction: after a failure there
// are tables, but nothing in them, and Restore can be tried again.
func Restore(ctx context.Context, ownerURL, path string, files fs.FS) (Manifest, error) {
	m, err := ReadManifest(path)
	if err != nil {
		return m, err
	}
	if err := m.checkMigrations(files); err != nil {
		return m, err
	}
	if err := m.CheckFile(path); err != nil {
		return m, err
	}
	c, err := pgx.Connect(ctx, ownerURL)
	if err != nil {
		return m, fmt.Errorf("connect to restore: %w", err)
	}
	defer c.Close(context.WithoutCancel(ctx)) //nolint:errcheck // committed already when all went well
	if err := refuseFilled(ctx, c); err != nil {
		return m, err
	}
	at, err := schema.GetVersion(ctx, ownerURL)
	if err != nil {
		return m, err
	}
	if at.Number > m.Schema {
		return m, fmt.Errorf("the database stands at migration %d and the backup at %d: take its tables back first (pinwright migrate down all)", at.Number, m.Schema)
	}
	if err := schema.UpTo(ctx, ownerURL, files, m.Schema); err != nil {
		return m, err
	}
	z, err := zip.OpenReader(rowsOf(path))
	if err != nil {
		return m, err
	}
	defer z.Close() //nolint:errcheck // only read from
	if err := m.load(ctx, c, z); err != nil {
		return m, err
	}
	if _, err := c.Exec(ctx, `analyze`); err != nil {
		return m, fmt.Errorf("everything is restored, but statistics were not gathered (ANALYZE does that): %w", err)
	}
	return m, nil
}

// checkMigrations holds the program's files against those the backup was made
// with: the same number with other content makes other tables.
func (m Manifest) checkMigrations(files fs.FS) error {
	mine, err := sums(files, m.Schema)
	if err != nil {
		return err
	}
	var other []string
	for name, sum := range m.Migrations {
		if mine[name] != sum {
			other = append(other, name)
		}
	}
	slices.Sort(other)
	if len(other) > 0 {
		return fmt.Errorf("this program's migrations are not those the backup was made with (%s): restore with the program that made it, version %s",
			strings.Join(other, ", "), m.Program)
	}
	return nil
}

// CheckFile holds the file of rows against its size and SHA-256.
func (m Manifest) CheckFile(path string) error {
	path = rowsOf(path)
	f, err := os.Open(path) //nolint:gosec // a file that the operator names
	if err != nil {
		return err
	}
	defer f.Close() //nolint:errcheck // only read from
	sum := sha256.New()
	n, err := io.Copy(sum, f)
	if err != nil {
		return err
	}
	if got := witness.Hash(sum.Sum(nil)); n != m.Bytes || got.String() != m.SHA256.String() {
		return fmt.Errorf("%s is damaged: it has %d bytes and SHA-256 %s, its manifest says %d and %s", path, n, got, m.Bytes, m.SHA256)
	}
	return nil
}

// refuseFilled refuses a database that holds anything but empty tables.
func refuseFilled(ctx context.Context, c *pgx.Conn) error {
	names, err := collect[string](ctx, c, `select relname::text from pg_class c where relnamespace = 'public'::regnamespace and relkind in ('r', 'p') and relname <> 'schema_migrations'
		and not exists (select from pg_depend d where d.objid = c.oid and d.deptype = 'e') order by 1`)
	if err != nil {
		return err
	}
	for _, name := range names {
		var filled bool
		if err := c.QueryRow(ctx, `select exists (select from `+quote(name)+`)`).Scan(&filled); err != nil {
			return fmt.Errorf("look whether the database is empty: %w", err)
		}
		if filled {
			return fmt.Errorf("the database is not empty: %s has rows. Restore into an empty one (pinwright install -name another)", name)
		}
	}
	return nil
}

type constraint struct{ Table, Name, Definition string }

// load takes the foreign keys away, loads, and sets them again: so no order of
// tables is needed, and each key is checked over all rows at once. Triggers do
// not fire, since what they would do is in the rows already.
func (m Manifest) load(ctx context.Context, c *pgx.Conn, z *zip.ReadCloser) error {
	if _, err := c.Exec(ctx, plainText+`; set lock_timeout = '10s'`); err != nil {
		return err
	}
	tx, err := c.Begin(ctx)
	if err != nil {
		return err
	}
	defer tx.Rollback(context.WithoutCancel(ctx)) //nolint:errcheck // nothing to undo after a commit
	there, err := tables(ctx, tx)
	if err != nil {
		return err
	}
	if err := m.sameTables(there); err != nil {
		return err
	}
	rows, err := tx.Query(ctx, `select conrelid::regclass::text as table, conname::text as name, pg_get_constraintdef(oid) as definition from pg_constraint
		where contype = 'f' and connamespace = 'public'::regnamespace and conparentid = 0 order by 1, 2`)
	if err != nil {
		return err
	}
	keys, err := pgx.CollectRows(rows, pgx.RowToStructByName[constraint])
	if err != nil {
		return err
	}
	for _, k := range keys {
		if _, err := tx.Exec(ctx, `alter table `+k.Table+` drop constraint `+pgx.Identifier{k.Name}.Sanitize()); err != nil {
			return err
		}
	}
	for _, t := range m.Tables {
		if err := loadTable(ctx, tx, z, t); err != nil {
			return err
		}
	}
	for _, k := range keys {
		if _, err := tx.Exec(ctx, `alter table `+k.Table+` add constraint `+pgx.Identifier{k.Name}.Sanitize()+` `+k.Definition); err != nil {
			return fmt.Errorf("the rows of the backup do not fit together: %w", err)
		}
	}
	return tx.Commit(ctx)
}

func (m Manifest) sameTables(there []Table) error {
	same := func(a, b Table) bool { return a.Name == b.Name && slices.Equal(a.Columns, b.Columns) }
	if !slices.EqualFunc(m.Tables, there, same) {
		return errors.New("the tables of the backup are not those that the migrations make: somebody changed them by hand before it was made. " +
			"The description in its manifest tells how; its rows can be loaded by hand with psql's \\copy")
	}
	return nil
}

func loadTable(ctx context.Context, tx pgx.Tx, z *zip.ReadCloser, t Table) error {
	entry, err := z.Open(entryOf(t.Name))
	if err != nil {
		return err
	}
	defer entry.Close() //nolint:errcheck // only read from
	var forced bool     // COPY takes no rows for a role that is behind a fence
	if err := tx.QueryRow(ctx, `select relforcerowsecurity from pg_class where oid = $1::regclass`, quote(t.Name)).Scan(&forced); err != nil {
		return err
	}
	if _, err := tx.Exec(ctx, `alter table `+quote(t.Name)+` disable trigger user, no force row level security`); err != nil {
		return err
	}
	tag, err := tx.Conn().PgConn().CopyFrom(ctx, entry, `copy `+quote(t.Name)+` (`+columnList(t.Columns)+`) from stdin`)
	if err != nil {
		return fmt.Errorf("load the table %s: %w", t.Name, err)
	}
	if tag.RowsAffected() != t.Rows {
		return fmt.Errorf("the table %s was loaded with %d rows; the manifest says %d", t.Name, tag.RowsAffected(), t.Rows)
	}
	again := `alter table ` + quote(t.Name) + ` enable trigger user`
	if forced {
		again += `, force row level security`
	}
	_, err = tx.Exec(ctx, again)
	return err
}
