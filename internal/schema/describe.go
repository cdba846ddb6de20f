package schema

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"
)

// Querier is a connection, a pool or a transaction.
type Querier interface {
	Query(ctx context.Context, sql string, args ...any) (pgx.Rows, error)
}

// describe lists what the migrations make, one line a thing, each beginning
// with what it is: column, constraint, fence, function, index, owner, policy,
// right, trigger or type. What an owner may do by being the owner is left out,
// and so are the names of NOT NULL constraints, which differ between versions
// of PostgreSQL. A function stands with the MD5 of its definition, to be
// compared and not read. PostgreSQL writes some expressions (CASE) over several
// lines: the breaks become single spaces, and other space stays as it is, for it
// may stand inside a literal.
const describe = `
	with ours as (select c.oid, c.relname::text as name, c.relacl, c.relrowsecurity, c.relforcerowsecurity, c.relowner from pg_class c
		where c.relnamespace = 'public'::regnamespace and c.relkind in ('r', 'p', 'v', 'm', 'S') and c.relname <> 'schema_migrations'
		and not exists (select from pg_depend d where d.objid = c.oid and d.deptype = 'e')),
	functions as (select p.* from pg_proc p where p.pronamespace = 'public'::regnamespace and p.prokind in ('f', 'p')
		and not exists (select from pg_depend d where d.objid = p.oid and d.deptype = 'e'))
	select line from (select regexp_replace(line, '\s*\n\s*', ' ', 'g') as line from (
		select 'owner ' || name || ' ' || pg_get_userbyid(relowner) as line from ours
		union all select 'fence ' || name || ' ' || case when relrowsecurity then 'on' else 'off' end || ' ' || case when relforcerowsecurity then 'forced' else 'not forced' end from ours
		union all select 'right ' || name || ' ' || case x.grantee when 0 then 'PUBLIC' else pg_get_userbyid(x.grantee) end || ' ' || x.privilege_type
			from ours, aclexplode(relacl) x where x.grantee <> relowner
		union all select 'right ' || o.name || '.' || a.attname || ' ' || case x.grantee when 0 then 'PUBLIC' else pg_get_userbyid(x.grantee) end || ' ' || x.privilege_type
			from ours o join pg_attribute a on a.attrelid = o.oid and a.attnum > 0 and not a.attisdropped, aclexplode(a.attacl) x where x.grantee <> o.relowner
		union all select 'right ' || p.oid::regprocedure || ' ' || case x.grantee when 0 then 'PUBLIC' else pg_get_userbyid(x.grantee) end || ' ' || x.privilege_type
			from functions p, aclexplode(coalesce(p.proacl, acldefault('f', p.proowner))) x where x.grantee <> p.proowner
		union all select 'column ' || o.name || '.' || a.attname || ' ' || format_type(a.atttypid, a.atttypmod) || case when a.attnotnull then ' not null' else '' end ||
				case a.attgenerated when '' then '' else ' generated' end || coalesce(' default ' || pg_get_expr(d.adbin, d.adrelid), '')
			from ours o join pg_attribute a on a.attrelid = o.oid and a.attnum > 0 and not a.attisdropped left join pg_attrdef d on d.adrelid = a.attrelid and d.adnum = a.attnum
		union all select 'constraint ' || o.name || '.' || k.conname || ' ' || pg_get_constraintdef(k.oid) from ours o join pg_constraint k on k.conrelid = o.oid and k.contype <> 'n'
		union all select 'index ' || pg_get_indexdef(i.indexrelid) from ours o join pg_index i on i.indrelid = o.oid
		union all select 'policy ' || p.tablename || '.' || p.policyname || ' ' || p.permissive || ' ' || p.cmd || ' to ' || array_to_string(p.roles, ', ') || ' using ' || coalesce(p.qual, '-') || ' check ' || coalesce(p.with_check, '-')
			from pg_policies p where p.schemaname = 'public'
		union all select 'trigger ' || o.name || ' ' || pg_get_triggerdef(t.oid) || case t.tgenabled when 'O' then '' else ' enabled ' || t.tgenabled::text end from ours o join pg_trigger t on t.tgrelid = o.oid and not t.tgisinternal
		union all select 'function ' || p.oid::regprocedure || ' ' || md5(pg_get_functiondef(p.oid)) from functions p
		union all select 'type ' || t.oid::regtype from pg_type t where t.typnamespace = 'public'::regnamespace and t.typtype in ('e', 'd')
			and not exists (select from pg_depend d where d.objid = t.oid and d.deptype = 'e')
	) as as_written) as all_of_it order by line collate "C"`

// Describe lists what stands in the database beside the version table and the
// extensions, sorted, one line a thing.
func Describe(ctx context.Context, db Querier) ([]string, error) {
	rows, err := db.Query(ctx, describe)
	if err != nil {
		return nil, fmt.Errorf("describe the schema: %w", err)
	}
	lines, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		return nil, fmt.Errorf("describe the schema: %w", err)
	}
	return lines, nil
}
