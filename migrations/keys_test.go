package migrations_test

import (
	"testing"

	"pinwright/internal/pgtest"
)

// The rules of keys and of row level security, asked of the catalogue, so that
// a table that is added later is held to them without being listed.
func TestEveryTableIsKeyedByItsClubAndFenced(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	tables(t, db.Owner)
	for _, rule := range []struct{ name, why, faults string }{
		{"the primary key begins with club_id",
			"lead the primary key with club_id: the schema can then be distributed by it, and no key crosses clubs",
			`select c.relname::text from pg_class c
			 where c.relnamespace = 'public'::regnamespace and c.relkind in ('r', 'p') and c.relname <> 'schema_migrations'
			 and not exists (select from pg_index i join pg_attribute a on a.attrelid = c.oid and a.attnum = i.indkey[0]
			                 where i.indrelid = c.oid and i.indisprimary and a.attname = 'club_id')`},
		{"unique and exclusion keys hold club_id",
			"put club_id into the key: a key is checked past row level security, so one without it tells of other clubs' rows",
			`select i.indexrelid::regclass::text from pg_index i join pg_class c on c.oid = i.indrelid
			 where c.relnamespace = 'public'::regnamespace and c.relname <> 'schema_migrations' and (i.indisunique or i.indisexclusion)
			 and not exists (select from pg_attribute a where a.attrelid = c.oid and a.attname = 'club_id' and a.attnum = any(i.indkey::int2[]))`},
		{"foreign keys hold club_id and match it to club_id",
			"reference (club_id, ...): a foreign key is checked past row level security and would let one club point at another's rows",
			`select k.conrelid::regclass || ' ' || k.conname from pg_constraint k join pg_class c on c.oid = k.conrelid
			 where k.contype = 'f' and c.relnamespace = 'public'::regnamespace
			 and not exists (select from unnest(k.conkey, k.confkey) as pair(here, there)
			                 join pg_attribute a on a.attrelid = k.conrelid and a.attnum = pair.here and a.attname = 'club_id'
			                 join pg_attribute b on b.attrelid = k.confrelid and b.attnum = pair.there and b.attname = 'club_id')`},
		{"club_id is a uuid and never null",
			"declare club_id uuid NOT NULL: a row without a club would be behind no fence",
			`select c.relname::text from pg_class c left join pg_attribute a on a.attrelid = c.oid and a.attname = 'club_id'
			 where c.relnamespace = 'public'::regnamespace and c.relkind in ('r', 'p') and c.relname <> 'schema_migrations'
			 and (a.attnum is null or not a.attnotnull or a.atttypid <> 'uuid'::regtype)`},
		{"row level security is on, for the owner too",
			"SELECT fence('the table')",
			`select relname::text from pg_class
			 where relnamespace = 'public'::regnamespace and relkind in ('r', 'p') and relname <> 'schema_migrations'
			 and not (relrowsecurity and relforcerowsecurity)`},
		{"exactly the two policies stand, as fence makes them",
			"SELECT fence('the table') and make no policy by hand: policies of one role add up, so a further one opens the fence",
			`select c.relname::text from pg_class c
			 where c.relnamespace = 'public'::regnamespace and c.relkind in ('r', 'p') and c.relname <> 'schema_migrations'
			 and (select coalesce(array_agg(p.policyname || ' ' || p.permissive || ' ' || p.cmd || ' ' || p.roles::text || ' ' || p.qual || ' ' || coalesce(p.with_check, '-') order by p.policyname), '{}')
			      from pg_policies p where p.schemaname = 'public' and p.tablename = c.relname)
			 is distinct from array[
			   'club_fence PERMISSIVE ALL {pinwright_app} (club_id = ( SELECT (NULLIF(current_setting(''app.club''::text, true), ''''::text))::uuid AS "nullif")) -',
			   'owner_all PERMISSIVE ALL {pinwright_owner} true -']`},
		{"no view, materialised view, sequence or foreign table stands beside the tables",
			"a view runs with its owner's rights, past the fence, unless it is security_invoker; ids are made in Go, so no sequence is needed",
			`select c.oid::regclass::text from pg_class c where c.relnamespace = 'public'::regnamespace and c.relkind in ('v', 'm', 'S', 'f')
			 and not exists (select from pg_depend d where d.objid = c.oid and d.deptype = 'e')`},
	} {
		t.Run(rule.name, func(t *testing.T) { none(t, db.Owner, rule.why, rule.faults) })
	}
}
