package soundness

import (
	"fmt"
	"strings"

	"github.com/jackc/pgx/v5"

	"pinwright/internal/schema"
)

// fences looks whether every table is behind its club, and the serving role
// bound by it. It knows the rule, not the list of tables.
func (t tx) fences(Against) (Check, error) {
	c := Check{Name: "fences"}
	type fenced struct {
		Name       string
		On, Forced bool
		Policies   []string
	}
	rows, err := t.Query(t.ctx, `select c.relname::text as name, relrowsecurity as on, relforcerowsecurity as forced,
		(select coalesce(array_agg(p.policyname || ' ' || p.cmd || ' to ' || array_to_string(p.roles, ', ') order by p.policyname), '{}') from pg_policies p where p.schemaname = 'public' and p.tablename = c.relname) as policies
		from pg_class c where relnamespace = 'public'::regnamespace and relkind in ('r', 'p') and relname <> 'schema_migrations'
		and not exists (select from pg_depend d where d.objid = c.oid and d.deptype = 'e') order by 1`)
	if err != nil {
		return c, err
	}
	tables, err := pgx.CollectRows(rows, pgx.RowToStructByName[fenced])
	if err != nil {
		return c, err
	}
	const wanted = "club_fence ALL to " + schema.App + "; owner_all ALL to " + schema.Owner
	for _, table := range tables {
		switch have := strings.Join(table.Policies, "; "); {
		case !table.On:
			c.fault("%s: row level security is off, so one club sees another's rows", table.Name)
		case !table.Forced:
			c.fault("%s: row level security is not forced", table.Name)
		case have != wanted:
			c.fault("%s: its policies are %q, want %q", table.Name, have, wanted)
		}
	}
	roles, err := collect[string](t, `select rolname::text from pg_roles where rolname = '`+schema.App+`' and (rolsuper or rolbypassrls)
		union all select r.rolname::text from pg_auth_members m join pg_roles r on r.oid = m.roleid where m.member = '`+schema.App+`'::regrole`)
	if err != nil {
		return c, err
	}
	for _, role := range roles {
		c.fault("%s has rights past the fence, by itself or as %s: pinwright install mends its attributes", schema.App, role)
	}
	c.Found = fmt.Sprintf("%d tables behind their clubs", len(tables))
	return c, nil
}

// validated reads what the catalogue says of its own constraints and indexes.
func (t tx) validated(Against) (Check, error) {
	c := Check{Name: "validated"}
	faults, err := collect[string](t, `
		select 'constraint ' || k.conname || ' of ' || conrelid::regclass || ' is not validated' from pg_constraint k where connamespace = 'public'::regnamespace and not convalidated
		union all select 'constraint ' || k.conname || ' of ' || conrelid::regclass || ' is not enforced' from pg_constraint k where connamespace = 'public'::regnamespace and to_jsonb(k) ->> 'conenforced' = 'false'
		union all select 'index ' || indexrelid::regclass || ' is not valid' from pg_index i join pg_class c on c.oid = i.indexrelid where c.relnamespace = 'public'::regnamespace and not (indisvalid and indisready)
		union all select 'trigger ' || tgname || ' of ' || tgrelid::regclass || ' is switched off' from pg_trigger g join pg_class c on c.oid = g.tgrelid where c.relnamespace = 'public'::regnamespace and tgenabled = 'D'
		order by 1`)
	if err != nil {
		return c, err
	}
	c.Faults = faults
	var constraints, indexes int
	if err := t.QueryRow(t.ctx, `select (select count(*) from pg_constraint where connamespace = 'public'::regnamespace),
		(select count(*) from pg_index i join pg_class c on c.oid = i.indexrelid where c.relnamespace = 'public'::regnamespace)`).Scan(&constraints, &indexes); err != nil {
		return c, err
	}
	c.Found = fmt.Sprintf("%d constraints, %d indexes", constraints, indexes)
	return c, nil
}

// rule is a promise of the catalogue with the query that counts what breaks it.
type rule struct {
	Name, Table, Query string
}

// hold asks the rows for each rule that list makes of the catalogue.
func (t tx) hold(name, what, list string) (Check, error) {
	c := Check{Name: name}
	rows, err := t.Query(t.ctx, list)
	if err != nil {
		return c, fmt.Errorf("%s: %w", name, err)
	}
	rules, err := pgx.CollectRows(rows, pgx.RowToStructByName[rule])
	if err != nil {
		return c, fmt.Errorf("%s: %w", name, err)
	}
	for _, r := range rules {
		var broken int64
		if err := t.QueryRow(t.ctx, r.Query).Scan(&broken); err != nil {
			return c, fmt.Errorf("%s of %s: %w", r.Name, r.Table, err)
		}
		if broken > 0 {
			c.fault("%s of %s: %d %s", r.Name, r.Table, broken, what)
		}
	}
	c.Found = fmt.Sprintf("%d hold for the rows as they are", len(rules)-len(c.Faults))
	return c, nil
}

const ours = `k.connamespace = 'public'::regnamespace and not exists (select from pg_depend d where d.objid = k.conrelid and d.deptype = 'e')`

func (t tx) foreignKeys(Against) (Check, error) {
	return t.hold("foreign keys", "rows point at nothing", `
		select k.conname::text as name, k.conrelid::regclass::text as table,
			'select count(*) from ' || k.conrelid::regclass || ' a where ' ||
			(select string_agg(format('a.%I is not null', h.attname), ' and ' order by p.n) from unnest(k.conkey) with ordinality p(num, n) join pg_attribute h on h.attrelid = k.conrelid and h.attnum = p.num) ||
			' and not exists (select from ' || k.confrelid::regclass || ' b where ' ||
			(select string_agg(format('a.%I = b.%I', h.attname, f.attname), ' and ' order by p.n) from unnest(k.conkey, k.confkey) with ordinality p(here, there, n)
				join pg_attribute h on h.attrelid = k.conrelid and h.attnum = p.here join pg_attribute f on f.attrelid = k.confrelid and f.attnum = p.there) || ')' as query
		from pg_constraint k where k.contype = 'f' and `+ours+` order by 2, 1`)
}

// keys are an index's key columns or expressions in their order.
const keys = `select n, pg_get_indexdef(i.indexrelid, n, true) as expression from generate_series(1, i.indnkeyatts) n`

const where = `coalesce(' where ' || pg_get_expr(i.indpred, i.indrelid), '')`

func (t tx) exclusions(Against) (Check, error) {
	return t.hold("exclusions", "pairs of rows exclude each other", `
		select k.conname::text as name, k.conrelid::regclass::text as table,
			'with held as (select tableoid as o, ctid as at, ' || (select string_agg('(' || expression || ') as k' || n, ', ' order by n) from (`+keys+`) e) ||
			' from ' || k.conrelid::regclass || `+where+` || ') select count(*) from held a join held b on (a.o, a.at) < (b.o, b.at) and ' ||
			(select string_agg(format('a.k%s operator(%I.%s) b.k%s', x.n, s.nspname, o.oprname, x.n), ' and ' order by x.n)
				from unnest(k.conexclop) with ordinality x(op, n) join pg_operator o on o.oid = x.op join pg_namespace s on s.oid = o.oprnamespace) as query
		from pg_constraint k join pg_index i on i.indexrelid = k.conindid where k.contype = 'x' and `+ours+` order by 2, 1`)
}

func (t tx) uniques(Against) (Check, error) {
	return t.hold("unique keys", "values stand more than once", `
		select i.indexrelid::regclass::text as name, i.indrelid::regclass::text as table,
			'select count(*) from (select from ' || i.indrelid::regclass || `+where+` || ' group by ' || (select string_agg(expression, ', ' order by n) from (`+keys+`) e) ||
			' having count(*) > 1' || case when to_jsonb(i) ->> 'indnullsnotdistinct' = 'true' then '' else
				(select string_agg(' and (' || expression || ') is not null', '' order by n) from (`+keys+`) e) end || ') d' as query
		from pg_index i join pg_class c on c.oid = i.indrelid where i.indisunique and c.relnamespace = 'public'::regnamespace
		and not exists (select from pg_depend d where d.objid = c.oid and d.deptype = 'e') order by 2, 1`)
}

func (t tx) checkConstraints(Against) (Check, error) {
	return t.hold("check constraints", "rows break it", `
		select k.conname::text as name, k.conrelid::regclass::text as table,
			'select count(*) from ' || k.conrelid::regclass || ' where not (' || pg_get_expr(k.conbin, k.conrelid) || ')' as query
		from pg_constraint k where k.contype = 'c' and k.conrelid <> 0 and `+ours+` order by 2, 1`)
}
