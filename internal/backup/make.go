package backup

import (
	"archive/zip"
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"pinwright/internal/schema"
	"pinwright/internal/witness"
)

const (
	partial = ".partial"
	stamp   = "20060102T150405Z"
)

// Make writes a backup of the database of backupURL into dir and returns the
// path of its manifest. files are the program's migrations. The files are
// written under other names, synced and then renamed.
func Make(ctx context.Context, backupURL, dir string, files fs.FS, now func() time.Time) (path string, m Manifest, err error) {
	c, err := pgx.Connect(ctx, backupURL)
	if err != nil {
		return "", m, fmt.Errorf("connect to back up: %w", err)
	}
	defer c.Close(context.WithoutCancel(ctx)) //nolint:errcheck // only read from
	began := now()
	base := filepath.Join(dir, "pinwright-"+began.UTC().Format(stamp))
	if _, err := os.Lstat(base + ".json"); err == nil {
		return "", m, fmt.Errorf("%s.json is there already", base)
	}
	rows, err := os.OpenFile(base+".zip"+partial, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600) //nolint:gosec // a folder that the operator names
	if err != nil {
		return "", m, err
	}
	kept := false
	defer func() {
		_ = rows.Close() // closed already when all went well
		if !kept {
			_ = os.Remove(base + ".zip" + partial)
			_ = os.Remove(base + ".json" + partial)
		}
	}()
	counted := &countedHash{w: rows, sum: sha256.New()}
	m, err = write(ctx, c, counted, files, began)
	if err != nil {
		return "", m, err
	}
	m.File, m.Bytes, m.SHA256 = filepath.Base(base)+".zip", counted.n, counted.sum.Sum(nil)
	m.TookInSeconds = now().Sub(began).Round(time.Millisecond).Seconds()
	if err := errors.Join(rows.Sync(), rows.Close()); err != nil {
		return "", m, err
	}
	text, err := json.MarshalIndent(m, "", " ")
	if err != nil {
		return "", m, err
	}
	if err := writeSynced(base+".json"+partial, append(text, '\n')); err != nil {
		return "", m, err
	}
	for _, ext := range []string{".zip", ".json"} {
		if err := os.Rename(base+ext+partial, base+ext); err != nil {
			return "", m, err
		}
	}
	kept = true
	return base + ".json", m, syncFolder(dir)
}

// countedHash hashes and counts what passes.
type countedHash struct {
	w   io.Writer
	sum hash.Hash
	n   int64
}

func (c *countedHash) Write(b []byte) (int, error) {
	n, err := c.w.Write(b)
	_, _ = c.sum.Write(b[:n]) // a hash never fails to be written to
	c.n += int64(n)
	return n, err
}

func writeSynced(path string, text []byte) error {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o600) //nolint:gosec // a folder that the operator names
	if err != nil {
		return err
	}
	_, err = f.Write(text)
	return errors.Join(err, f.Sync(), f.Close())
}

func syncFolder(dir string) error {
	d, err := os.Open(dir) //nolint:gosec // a folder that the operator names
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

// write reads everything in one snapshot. With row_security off a role that does
// not see all rows fails, instead of writing a backup that lacks some.
func write(ctx context.Context, c *pgx.Conn, w io.Writer, files fs.FS, now time.Time) (Manifest, error) {
	m := Manifest{Format: format, MadeAt: now.UTC().Truncate(time.Second), Program: program()}
	if _, err := c.Exec(ctx, plainText+`; set row_security = off; set lock_timeout = 0`); err != nil {
		return m, fmt.Errorf("prepare the connection: %w", err)
	}
	tx, err := c.BeginTx(ctx, pgx.TxOptions{IsoLevel: pgx.RepeatableRead, AccessMode: pgx.ReadOnly})
	if err != nil {
		return m, err
	}
	defer tx.Rollback(context.WithoutCancel(ctx)) //nolint:errcheck // only read from
	if err := m.look(ctx, tx, files); err != nil {
		return m, explain(err)
	}
	// The tables are locked now against migrations; one that came between the
	// snapshot and the locks shows in the version as it is at this moment.
	if v, err := schema.GetVersion(ctx, c.Config().ConnString()); err != nil {
		return m, err
	} else if v.Number != m.Schema || v.Dirty {
		return m, errors.New("a migration is under way; back up again when it is done")
	}
	z := zip.NewWriter(w)
	for i := range m.Tables {
		t := &m.Tables[i]
		entry, err := z.CreateHeader(&zip.FileHeader{Name: entryOf(t.Name), Method: zip.Deflate, Modified: m.MadeAt})
		if err != nil {
			return m, err
		}
		if err := t.copyOut(ctx, tx, entry); err != nil {
			return m, explain(fmt.Errorf("read the table %s: %w", t.Name, err))
		}
	}
	contents, err := z.CreateHeader(&zip.FileHeader{Name: "contents.json", Method: zip.Deflate, Modified: m.MadeAt})
	if err != nil {
		return m, err
	}
	enc := json.NewEncoder(contents)
	enc.SetIndent("", " ")
	return m, errors.Join(enc.Encode(m), z.Close())
}

// look notes everything about the database but its rows.
func (m *Manifest) look(ctx context.Context, tx pgx.Tx, files fs.FS) error {
	// What a subtransaction locked is free again when it is rolled back: were the
	// version table held for as long as a backup takes, no migration could note
	// that it is done.
	at, err := tx.Begin(ctx)
	if err != nil {
		return err
	}
	var dirty bool
	if err := at.QueryRow(ctx, `select version, dirty, current_setting('server_version'), current_database() from public.schema_migrations`).
		Scan(&m.Schema, &dirty, &m.Server, &m.Database); err != nil {
		return fmt.Errorf("read the schema's version: %w", err)
	}
	if err := at.Rollback(ctx); err != nil {
		return err
	}
	if dirty {
		return fmt.Errorf("migration %d failed half way; mend it first (pinwright migrate up says how): such a database cannot be restored", m.Schema)
	}
	if m.Migrations, err = sums(files, m.Schema); err != nil {
		return err
	}
	if m.Description, err = schema.Describe(ctx, tx); err != nil {
		return err
	}
	if m.Tables, err = tables(ctx, tx); err != nil {
		return err
	}
	for _, t := range m.Tables {
		if _, err := tx.Exec(ctx, `lock table `+quote(t.Name)+` in access share mode`); err != nil {
			return err
		}
	}
	if m.Heads, err = Heads(ctx, tx); err != nil {
		return err
	}
	m.LeftOut, err = collect[string](ctx, tx, `select oid::regclass::text from pg_class where relkind in ('r', 'p') and relnamespace <> 'public'::regnamespace
		and relnamespace::regnamespace::text !~ '^(pg_|information_schema)' order by 1`)
	return err
}

// tables lists the tables of the clubs with the columns that hold something of
// their own.
func tables(ctx context.Context, q schema.Querier) ([]Table, error) {
	rows, err := q.Query(ctx, `select c.relname::text as name, array_agg(a.attname::text order by a.attnum) as columns
		from pg_class c join pg_attribute a on a.attrelid = c.oid and a.attnum > 0 and not a.attisdropped and a.attgenerated = ''
		where c.relnamespace = 'public'::regnamespace and c.relkind in ('r', 'p') and not c.relispartition and c.relname <> 'schema_migrations'
		and not exists (select from pg_depend d where d.objid = c.oid and d.deptype = 'e')
		group by c.relname order by c.relname`)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowToStructByNameLax[Table])
}

// Heads reads where each club's journal stands.
func Heads(ctx context.Context, q schema.Querier) ([]witness.Head, error) {
	rows, err := q.Query(ctx, `select club_id, seq, hash from public.head order by club_id`)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (h witness.Head, err error) {
		var hash []byte
		err = row.Scan(&h.Club, &h.Seq, &hash)
		h.Hash = hash
		return h, err
	})
}

func collect[T any](ctx context.Context, q schema.Querier, sql string, args ...any) ([]T, error) {
	rows, err := q.Query(ctx, sql, args...)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowTo[T])
}

// sums are the digests of the program's migrations to the given number. A
// backup of a database that is ahead of the program is refused: the program
// that knows its tables writes it.
func sums(files fs.FS, number int) (map[string]string, error) {
	newest, err := schema.Newest(files)
	if err != nil {
		return nil, err
	}
	if number > newest {
		return nil, fmt.Errorf("the database stands at migration %d and this program knows %d: use the program that migrated it", number, newest)
	}
	names, err := fs.Glob(files, "*.up.sql")
	if err != nil {
		return nil, err
	}
	out := map[string]string{}
	for _, name := range names {
		head, _, _ := strings.Cut(name, "_")
		if n, err := strconv.Atoi(head); err != nil || n > number {
			continue
		}
		text, err := fs.ReadFile(files, name)
		if err != nil {
			return nil, err
		}
		sum := sha256.Sum256(text)
		out[name] = witness.Hash(sum[:]).String()
	}
	return out, nil
}

func entryOf(table string) string { return "data/" + table + ".copy" }

func quote(name string) string { return pgx.Identifier{"public", name}.Sanitize() }

func columnList(names []string) string {
	quoted := make([]string, len(names))
	for i, n := range names {
		quoted[i] = pgx.Identifier{n}.Sanitize()
	}
	return strings.Join(quoted, ", ")
}

// explain says which login is wanted where another was used.
func explain(err error) error {
	var pg *pgconn.PgError
	if errors.As(err, &pg) && (pg.Code == "42501" || strings.Contains(pg.Message, "row-level security")) {
		return fmt.Errorf("%w\nBack up as %s, the one role that reads every club's rows (PINWRIGHT_BACKUP_URL)", err, schema.Backup)
	}
	return err
}
