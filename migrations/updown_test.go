package migrations_test

import (
	"embed"
	"fmt"
	"io/fs"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/internal/pgtest"
	"pinwright/internal/schema"
	"pinwright/migrations"
)

// dump describes everything the migrations make, definitions included: columns,
// constraints, indexes, policies, functions, rights and comments.
const dump = `
	with ours as (select c.oid, c.relname::text as name, c.relacl, c.relrowsecurity, c.relforcerowsecurity, c.relowner from pg_class c
		where c.relnamespace = 'public'::regnamespace and c.relkind in ('r', 'p', 'v', 'm', 'S') and c.relname <> 'schema_migrations'
		and not exists (select from pg_depend d where d.objid = c.oid and d.deptype = 'e'))
	select line from (
		select 'table ' || name || ' ' || relowner::regrole || ' ' || relrowsecurity || relforcerowsecurity || ' ' || coalesce(relacl::text, '') || ' ' || coalesce(obj_description(oid), '') as line from ours
		union all select 'column ' || o.name || '.' || a.attname || ' ' || a.attnum || ' ' || format_type(a.atttypid, a.atttypmod) || ' ' || a.attnotnull || ' ' || coalesce(pg_get_expr(d.adbin, d.adrelid), '') || ' ' || coalesce(a.attacl::text, '')
			from ours o join pg_attribute a on a.attrelid = o.oid and a.attnum > 0 and not a.attisdropped left join pg_attrdef d on d.adrelid = a.attrelid and d.adnum = a.attnum
		union all select 'constraint ' || o.name || '.' || k.conname || ' ' || pg_get_constraintdef(k.oid) || ' ' || k.convalidated from ours o join pg_constraint k on k.conrelid = o.oid
		union all select 'index ' || pg_get_indexdef(i.indexrelid) || ' ' || i.indisvalid from ours o join pg_index i on i.indrelid = o.oid
		union all select 'policy ' || p::text from pg_policies p where p.schemaname = 'public'
		union all select 'trigger ' || pg_get_triggerdef(t.oid) from ours o join pg_trigger t on t.tgrelid = o.oid and not t.tgisinternal
		union all select 'function ' || pg_get_functiondef(p.oid) || ' ' || coalesce(p.proacl::text, '') || ' ' || coalesce(obj_description(p.oid), '') from pg_proc p
			where p.pronamespace = 'public'::regnamespace and p.prokind in ('f', 'p') and not exists (select from pg_depend d where d.objid = p.oid and d.deptype = 'e')
		union all select 'type ' || t.oid::regtype from pg_type t where t.typnamespace = 'public'::regnamespace and t.typtype in ('e', 'd')
			and not exists (select from pg_depend d where d.objid = t.oid and d.deptype = 'e')
	) as all_of_it order by 1`

func TestUpDownAndUpAgainMakesTheVerySameSchema(t *testing.T) {
	t.Parallel()
	c := pgtest.Cluster(t)
	ctx := t.Context()
	name := fmt.Sprintf("updown_test_%d", time.Now().UnixNano())
	if err := schema.Install(ctx, c.AdminURL(), name, schema.Passwords{}); err != nil {
		t.Fatal(err)
	}
	admin, err := pgxpool.New(ctx, c.AdminURL())
	if err != nil {
		t.Fatal(err)
	}
	pool, err := pgxpool.New(ctx, c.URL(schema.Owner, name, nil))
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		pool.Close()
		if _, err := admin.Exec(ctx, `drop database `+name+` with (force)`); err != nil {
			t.Error(err)
		}
		admin.Close()
	}()
	url := c.URL(schema.Owner, name, nil)
	newest, err := schema.Newest(migrations.Files)
	if err != nil {
		t.Fatal(err)
	}
	// The state after each single step up, to be met again on the way down.
	states := [][]string{list[string](t, pool, dump)}
	if len(states[0]) > 0 {
		t.Fatalf("an empty database already holds %v", states[0])
	}
	for n := 1; n <= newest; n++ {
		if err := schema.Up(ctx, url, upTo{migrations.Files, n}); err != nil {
			t.Fatal(err)
		}
		states = append(states, list[string](t, pool, dump))
	}
	if len(states[newest]) < 100 || !strings.HasPrefix(states[newest][0], "column ") {
		t.Fatalf("only %d things after all migrations; the comparison would prove nothing", len(states[newest]))
	}
	for n := newest - 1; n >= 0; n-- {
		if err := schema.Down(ctx, url, migrations.Files, 1); err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(states[n], list[string](t, pool, dump)); diff != "" {
			t.Errorf("down to %d, against up to %d (-up +down):\n%s", n, n, diff)
		}
	}
	if err := schema.Up(ctx, url, migrations.Files); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(states[newest], list[string](t, pool, dump)); diff != "" {
		t.Errorf("up again, against the first time (-first +again):\n%s", diff)
	}
}

// upTo is files without the migrations behind number n.
type upTo struct {
	files embed.FS
	n     int
}

func (u upTo) hides(name string) bool {
	number, err := strconv.Atoi(strings.SplitN(name, "_", 2)[0])
	return err == nil && number > u.n
}

func (u upTo) Open(name string) (fs.File, error) {
	if u.hides(name) {
		return nil, &fs.PathError{Op: "open", Path: name, Err: fs.ErrNotExist}
	}
	return u.files.Open(name)
}

func (u upTo) ReadDir(name string) ([]fs.DirEntry, error) {
	all, err := u.files.ReadDir(name)
	return slices.DeleteFunc(all, func(e fs.DirEntry) bool { return u.hides(e.Name()) }), err
}
