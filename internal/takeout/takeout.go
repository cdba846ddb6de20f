// Package takeout writes everything that is a club's into one file, so that a
// club can leave with its data: a ZIP archive with a file of JSON Lines for each
// table, a README that says how values are written, and a manifest. It knows no
// table by name, but for what it leaves out and why.
package takeout

import (
	"archive/zip"
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
)

// leftOut are tables that are of no use elsewhere.
var leftOut = map[string]string{
	"findable": "what things are found by; it is made of the names in the other tables",
	"answer":   "answers kept for 30 days for repeated requests; what they tell stands in the other tables",
}

// hidden are columns that are of no use elsewhere.
var hidden = map[string]string{
	"token.hash": "digests of tokens; a token opens nothing elsewhere",
}

// asText are columns of bytes that are text, written as such.
var asText = map[string]bool{"recommendation.body": true, "recommendation_in_units.body": true, "import.report": true}

// Manifest says what an archive holds.
type Manifest struct {
	Format   int               `json:"format"`
	MadeAt   time.Time         `json:"made_at"`
	Club     uuid.UUID         `json:"club"`
	Slug     string            `json:"slug"`
	Contract string            `json:"contract"` // version of the API's contract
	Schema   int               `json:"schema"`   // number of the migration
	Seq      int64             `json:"journal_seq"`
	Hash     string            `json:"journal_hash"`
	Tables   []Table           `json:"tables"`
	LeftOut  map[string]string `json:"left_out"`
}

// Table is a file of an archive.
type Table struct {
	Name string   `json:"name"`
	File string   `json:"file"`
	Key  []string `json:"key"` // columns that tell rows apart, and order the file
	Rows int64    `json:"rows"`
}

// ErrNoClub tells that a club is not there.
var ErrNoClub = errors.New("there is no such club")

// Find finds a club by its id or slug.
func Find(ctx context.Context, c *pgx.Conn, name string) (id uuid.UUID, slug string, err error) {
	rows, err := c.Query(ctx, `select club_id, slug from public.club where club_id::text = lower($1) or slug = $1 order by club_id`, name)
	if err != nil {
		return id, "", err
	}
	type found struct {
		ClubID uuid.UUID
		Slug   string
	}
	all, err := pgx.CollectRows(rows, pgx.RowToStructByName[found])
	switch {
	case err != nil:
		return id, "", err
	case len(all) == 0:
		return id, "", fmt.Errorf("%w: %q; its id or slug is wanted", ErrNoClub, name)
	case len(all) > 1:
		ids := make([]string, len(all))
		for i, f := range all {
			ids[i] = f.ClubID.String()
		}
		return id, "", fmt.Errorf("%d clubs have the slug %q: name one by its id, of %s", len(all), name, strings.Join(ids, ", "))
	}
	return all[0].ClubID, all[0].Slug, nil
}

// Write writes the club's archive to w, as it stands at one moment. url logs in
// as a role that sees the club's rows.
func Write(ctx context.Context, url, club, contract string, w io.Writer, now time.Time) (Manifest, error) {
	m := Manifest{Format: 1, MadeAt: now.UTC().Truncate(time.Second), Contract: contract, LeftOut: map[string]string{}}
	c, err := pgx.Connect(ctx, url)
	if err != nil {
		return m, fmt.Errorf("connect to export: %w", err)
	}
	defer c.Close(context.WithoutCancel(ctx)) //nolint:errcheck // only read from
	tx, err := c.BeginTx(ctx, pgx.TxOptions{IsoLevel: pgx.RepeatableRead, AccessMode: pgx.ReadOnly})
	if err != nil {
		return m, err
	}
	defer tx.Rollback(context.WithoutCancel(ctx)) //nolint:errcheck // only read from
	if _, err := tx.Exec(ctx, `set local timezone = 'UTC'; set local datestyle = 'ISO'; set local intervalstyle = 'iso_8601'; set local extra_float_digits = 1; set local statement_timeout = 0`); err != nil {
		return m, err
	}
	if m.Club, m.Slug, err = Find(ctx, c, club); err != nil {
		return m, err
	}
	if err := tx.QueryRow(ctx, `select version, seq, encode(hash, 'hex') from public.schema_migrations, public.head where club_id = $1`, m.Club).Scan(&m.Schema, &m.Seq, &m.Hash); err != nil {
		return m, fmt.Errorf("read where the club's journal stands: %w", err)
	}
	tables, err := catalogue(ctx, tx)
	if err != nil {
		return m, err
	}
	z := zip.NewWriter(w)
	entry := func(name string) (io.Writer, error) {
		return z.CreateHeader(&zip.FileHeader{Name: name, Method: zip.Deflate, Modified: m.MadeAt})
	}
	for _, t := range tables {
		if why, out := leftOut[t.name]; out {
			m.LeftOut[t.name] = why
			continue
		}
		for _, column := range t.columns {
			if why, out := hidden[t.name+"."+column]; out {
				m.LeftOut[t.name+"."+column] = why
			}
		}
		out := Table{Name: t.name, File: t.name + ".jsonl", Key: t.key}
		file, err := entry(out.File)
		if err != nil {
			return m, err
		}
		if out.Rows, err = t.write(ctx, tx, m.Club, file); err != nil {
			return m, fmt.Errorf("export the table %s: %w", t.name, err)
		}
		m.Tables = append(m.Tables, out)
	}
	readme, err := entry("README.txt")
	if err != nil {
		return m, err
	}
	if _, err := io.WriteString(readme, about); err != nil {
		return m, err
	}
	manifest, err := entry("manifest.json")
	if err != nil {
		return m, err
	}
	enc := json.NewEncoder(manifest)
	enc.SetIndent("", " ")
	return m, errors.Join(enc.Encode(m), z.Close())
}

// table is a table of the catalogue.
type table struct {
	name         string
	columns, key []string
}

func catalogue(ctx context.Context, tx pgx.Tx) ([]table, error) {
	rows, err := tx.Query(ctx, `select c.relname::text, array_agg(a.attname::text order by a.attnum),
			(select array_agg(k.attname::text order by p.n) from pg_index i, unnest(i.indkey) with ordinality p(num, n), pg_attribute k
				where i.indrelid = c.oid and i.indisprimary and k.attrelid = c.oid and k.attnum = p.num)
		from pg_class c join pg_attribute a on a.attrelid = c.oid and a.attnum > 0 and not a.attisdropped and a.attgenerated = ''
		where c.relnamespace = 'public'::regnamespace and c.relkind in ('r', 'p') and not c.relispartition and c.relname <> 'schema_migrations'
		and not exists (select from pg_depend d where d.objid = c.oid and d.deptype = 'e')
		group by c.oid, c.relname order by c.relname`)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (t table, err error) {
		err = row.Scan(&t.name, &t.columns, &t.key)
		return t, err
	})
}

// write writes the club's rows, a JSON object a line.
func (t table) write(ctx context.Context, tx pgx.Tx, club uuid.UUID, w io.Writer) (n int64, err error) {
	var columns []string
	for _, c := range t.columns {
		name := pgx.Identifier{c}.Sanitize()
		switch {
		case hidden[t.name+"."+c] != "":
			continue
		case asText[t.name+"."+c]:
			name = `convert_from(` + name + `, 'UTF8') as ` + name
		}
		columns = append(columns, name)
	}
	key := make([]string, len(t.key))
	for i, k := range t.key {
		key[i] = pgx.Identifier{k}.Sanitize()
	}
	rows, err := tx.Query(ctx, `select row_to_json(r)::text from (select `+strings.Join(columns, ", ")+` from `+pgx.Identifier{"public", t.name}.Sanitize()+
		` where club_id = $1 order by `+strings.Join(key, ", ")+`) r`, club)
	if err != nil {
		return 0, err
	}
	defer rows.Close()
	out := bufio.NewWriter(w)
	for ; rows.Next(); n++ {
		if _, err := out.Write(append(rows.RawValues()[0], '\n')); err != nil {
			return n, err
		}
	}
	return n, errors.Join(rows.Err(), out.Flush())
}

const about = `Everything of one club, as it stood at the moment that manifest.json names.

Each TABLE.jsonl holds the rows of one table, one JSON object a line (RFC 8259,
UTF-8), ordered by the key that the manifest names. manifest.json tells how many
rows there are, what was left out and why, and the version of the API's contract
(the document at /openapi.json of the service), whose words the columns use.

How values are written:

  ids            UUIDs; club_id and id together name a thing everywhere
  times          RFC 3339 with their offset, to the microsecond, as in
                 2026-11-25T16:00:00.123456+00:00; dates as in 2026-11-25
  lengths        *_nm are whole nanometres. What was typed stands beside them:
                 reading.entered with reading.entered_unit, digit for digit, and
                 the column "entered" of other tables as {"size": "0.318 in"}
  money          *_minor are whole minor units of club.currency
  periods        ["2026-12-04 16:00:00+00","2026-12-07 16:00:00+00"), the first
                 time included and the second not
  bytes          \x and hexadecimal digits; but answers kept as they were given
                 (recommendation.body, recommendation_in_units.body, import.report)
                 are strings, byte for byte
  nothing        null

Numbers are exact decimals: read them with a decimal type where digits matter.

event.jsonl is the journal. Each event's hash is SHA-256 over the hash of the one
before (for the first, one byte 00), the event's digest, and the JSON array
[club_id, seq, time as seconds since 1970 with six decimals, actor, type, subject,
subject_version, audience] with one blank behind each comma. So it can be checked
that none is missing or was changed; the last hash stands in the manifest.
`
