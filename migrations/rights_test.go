package migrations_test

import (
	"maps"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"

	"pinwright/internal/pgtest"
)

// rights is all that the application role may do, by table; names in brackets
// are the only columns that may be changed. Widen it only with a reason: what
// is missing here is what a fault in the service cannot destroy.
var rights = map[string]string{
	"schema_migrations":    "SELECT",
	"club":                 "SELECT UPDATE(name,origins,turnaround_hours,units,version)",
	"garage":               "INSERT SELECT UPDATE",
	"member":               "INSERT SELECT UPDATE",
	"token":                "INSERT SELECT UPDATE(revoked_at,used_on)",
	"invitation":           "INSERT SELECT UPDATE(withdrawn_at)",
	"pairing":              "INSERT SELECT UPDATE(withdrawn_at)",
	"member_identity":      "DELETE INSERT SELECT UPDATE(used_on)", // an unlinked one is gone, so that it may be linked to somebody else
	"calendar":             "INSERT SELECT UPDATE(revoked_at)",
	"answer":               "DELETE INSERT SELECT UPDATE(body,headers,status)",
	"head":                 "SELECT", // written by append_event only
	"event":                "SELECT", // written by append_event only
	"tool_model":           "INSERT SELECT UPDATE(approval_needed,caution,certificate_needed,charge_minor,code,deposit_minor,name,parts,turnaround_hours,value_minor,version)",
	"tool":                 "INSERT SELECT UPDATE(condition,deposit_minor,garage_id,inspection_due_on,note,number,place_garage_id,state,value_minor,version)",
	"calibration":          "INSERT SELECT", // history
	"inspection":           "INSERT SELECT", // history
	"hand_over":            "INSERT SELECT UPDATE(answer,answered_at)",
	"gauge_study":          "INSERT SELECT", // history
	"pin_series":           "INSERT SELECT",
	"pin_step":             "INSERT SELECT",
	"joint_template":       "INSERT SELECT",
	"template_feature":     "INSERT SELECT",
	"form_prior":           "INSERT SELECT", // cited, so never changed
	"vehicle":              "INSERT SELECT UPDATE",
	"joint":                "INSERT SELECT UPDATE",
	"feature":              "INSERT SELECT UPDATE(length_nm,nominal_nm,version)",
	"reading":              "INSERT SELECT", // history
	"reading_void":         "INSERT SELECT", // history
	"wear_event":           "INSERT SELECT", // history, as what follows
	"wear_event_void":      "INSERT SELECT",
	"workplan":             "INSERT SELECT", // history: what moved is told against it
	"workplan_reservation": "INSERT SELECT", // what becomes of a reservation is told there
	"distance":             "INSERT SELECT",
	"distance_void":        "INSERT SELECT",
	"supplier":             "INSERT SELECT UPDATE(code,name,note,retired_at,stated_days,version)",
	"parts_order":          "INSERT SELECT UPDATE(arrived_on,cancelled_at,cancelled_on,note,reference,version)",
	"parts_line":           "INSERT SELECT UPDATE(arrived)",
	"parts_arrival":        "INSERT SELECT UPDATE(void_at,void_by)",                                                                                                                                                                                                 // history, but for what was recorded by mistake
	"tool_use":             "INSERT(club_id,count,depth_nm,feature_id,guidance,id,joint_id,loan_id,lubricant,material,member_id,note,recorded_at,recorded_by,repair_id,size_before_nm,tool_id,used_at,work) SELECT UPDATE(version,void_reason,voided_at,voided_by)", // history, but for what was recorded by mistake
	"tool_check":           "INSERT(checked_at,club_id,depth_nm,guidance,id,instrument_id,kind,lubricant,material,member_id,note,recorded_at,size_nm,tool_id,u_nm) SELECT UPDATE(version,void_reason,voided_at,voided_by)",
	"tool_renewal":         "INSERT(club_id,done_at,id,kind,member_id,note,recorded_at,tool_id) SELECT UPDATE(version,void_reason,voided_at,voided_by)",
	"verification":         "INSERT SELECT", // cited, so never changed
	"reamer_cut":           "INSERT SELECT",
	"nonconformity":        "INSERT SELECT UPDATE(chosen,closed_at,decided_at,decided_by,proved_by,reason,step,version)",
	"recommendation":       "INSERT SELECT", // cited, so never changed
	"reservation":          "INSERT SELECT UPDATE(approval,approval_at,approval_by,cancel_reason,cancelled_at,changed_at,offer_until,purpose,version)",
	"booking":              "INSERT SELECT UPDATE(choice,decide_by,endangered,endangered_at,garage_id,held,period,state,tool_id)",
	"counter_act":          "INSERT SELECT UPDATE(undone_at,undone_by,version)",
	"loan":                 "INSERT SELECT UPDATE(condition_before,condition_in,displaced,ended,ended_at,held_out,late_at,note_in,parts_in,period_out,place_before,return_id,state_before,state_left,version)",
	"waiting_entry":        "INSERT SELECT UPDATE(changed_at,hindrance,hindrance_text,looked_at,looked_seq,state,version)",
	"waiting_line":         "INSERT SELECT",
	"waiting_offer":        "INSERT SELECT UPDATE(ended_at,outcome)",
	"lending_rule":         "INSERT SELECT UPDATE",
	"certificate":          "INSERT SELECT UPDATE(version,withdrawn_at)",
	"kit":                  "INSERT SELECT UPDATE(code,name,note,retired_at,version)",
	"kit_part":             "DELETE INSERT SELECT", // replaced as a whole, as what follows
	"garage_hours":         "DELETE INSERT SELECT",
	"closure":              "INSERT SELECT UPDATE(version,withdrawn_at)",
	"travel_time":          "DELETE INSERT SELECT UPDATE(minutes)",
	"tool_change":          "INSERT SELECT", // history
	"contact":              "INSERT SELECT UPDATE(event_only,hours_before,mail_address,quiet_from,quiet_until,unwanted,version)",
	"reminder":             "INSERT SELECT UPDATE(mail,mail_after,mail_at,mail_reply,mail_tries)",
	"books":                "INSERT(club_id,version,year_begins) SELECT UPDATE(version,year_begins)", // counted and closed by triggers only
	"account":              "INSERT(club_id,currency,id,kind,member_id,tool_id) SELECT",              // its balance is a trigger's
	"entry":                "INSERT SELECT",                                                          // the books, as what follows
	"posting":              "INSERT(account_id,club_id,currency,entry_id,line,minor) SELECT",
	"closing":              "INSERT SELECT",
	"bank_statement":       "INSERT SELECT",
	"bank_row":             "INSERT(booked_on,club_id,currency,digest,id,minor,name,reference,row_number,statement_id) SELECT UPDATE(decided_at,decided_by,entry_id,state,version)", // what the bank told stays
	"charge_rule":          "INSERT SELECT",                                                                                                                                         // editions, quotes and charges are history
	"tool_cost":            "INSERT SELECT",
	"quote":                "INSERT SELECT",
	"quote_line":           "INSERT SELECT",
	"loan_charge":          "INSERT SELECT",
	"loan_charge_entry":    "INSERT SELECT",
	"import":               "INSERT SELECT UPDATE(revert_reason,reverted_at,reverted_by,version)",
	"import_made":          "INSERT SELECT", // deleted from what it lists by revert_import only

	"parts_arrival_line": "INSERT SELECT",
	"procedure":          "INSERT SELECT UPDATE(edition,name,retired_at,version)",
	"procedure_edition":  "INSERT SELECT", // history: repairs follow it
	"repair":             "INSERT SELECT UPDATE(abandon_reason,abandoned_at,abandoned_by,garage_id,lead_id,note,recommendation_id,seconded_at,seconded_by,signed_at,signed_by,state,version)",
	"repair_record":      "INSERT SELECT", // history
	"history_consent":    "INSERT SELECT UPDATE(withdrawn_at,withdrawn_by)",
	"history_export":     "INSERT SELECT", // history, as what follows
	"history_import":     "INSERT SELECT",
	"history_row":        "INSERT SELECT",
	"history_record":     "INSERT SELECT",
	"repair_joint":       "INSERT SELECT UPDATE(open)",
	"repair_step":        "INSERT SELECT UPDATE(began_at,began_by,done_at,done_by,left_out,note,recorded_at,rounds_done,state,version)",
	"repair_act":         "INSERT SELECT", // history
	"repair_timer":       "INSERT SELECT UPDATE(overstayed_at,rung_at,stopped_at,stopped_by)",

	"findable":                "SELECT", // written by the triggers of what can be found
	"recommendation_in_units": "INSERT SELECT",
	"photo":                   "DELETE INSERT SELECT UPDATE(caption,ordinal,version)",
	"photo_image":             "INSERT SELECT",                                  // goes with its photo
	"photo_space":             "INSERT(allowed,club_id) SELECT UPDATE(allowed)", // counted by a trigger only
}

// granted lists the rights of role by table, in the notation of rights.
const granted = `
	with t as (select c.oid, c.relname::text as name, c.relacl from pg_class c where c.relnamespace = 'public'::regnamespace and c.relkind in ('r', 'p', 'v', 'm', 'S', 'f')),
	whole as (select t.name, x.privilege_type as may from t, aclexplode(t.relacl) x where x.grantee = $1::regrole),
	part as (select t.name, x.privilege_type || '(' || string_agg(a.attname, ',' order by a.attname) || ')' as may
	         from t join pg_attribute a on a.attrelid = t.oid, aclexplode(a.attacl) x where x.grantee = $1::regrole group by t.name, x.privilege_type)
	select name || ': ' || string_agg(may, ' ' order by may) from (select * from whole union all select * from part) as all_of_them group by name order by 1`

func TestApplicationRoleHasExactlyTheRightsListed(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	var want []string
	for _, table := range slices.Sorted(maps.Keys(rights)) {
		want = append(want, table+": "+rights[table])
	}
	if diff := cmp.Diff(want, list[string](t, db.Owner, granted, "pinwright_app")); diff != "" {
		t.Errorf("rights of pinwright_app (-listed in this test +granted by the migrations):\n%s", diff)
	}
	for _, table := range append(tables(t, db.Owner), exempt) {
		if rights[table] == "" {
			t.Errorf("the table %s is not listed; say in this test what the application may do with it", table)
		}
	}
}

func TestNobodyElseHasRightsOnTables(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	none(t, db.Owner, "grant rights to pinwright_app only; the backup role reads by pg_read_all_data", `
		select c.relname || ' for ' || case x.grantee when 0 then 'PUBLIC' else x.grantee::regrole::text end
		from pg_class c, aclexplode(c.relacl) x
		where c.relnamespace = 'public'::regnamespace and x.grantee <> all (array['pinwright_app'::regrole::oid, 'pinwright_owner'::regrole::oid])
		and not exists (select from pg_depend d where d.objid = c.oid and d.deptype = 'e')`)
}

func TestApplicationRoleCanMakeNothingAndBecomeNobody(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	for _, rule := range []struct{ name, why, fault string }{
		{"no attribute of a superuser", "the fence binds neither a superuser nor a role with BYPASSRLS",
			`select rolname::text from pg_roles where rolname = 'pinwright_app' and (rolsuper or rolbypassrls or rolcreaterole or rolcreatedb or rolreplication)`},
		{"member of no role", "the rights of another role would add to its own",
			`select r.rolname::text from pg_auth_members m join pg_roles r on r.oid = m.roleid where m.member = 'pinwright_app'::regrole`},
		{"owner of nothing", "an owner can take down the fence",
			`select c.oid::regclass::text from pg_class c where c.relowner = 'pinwright_app'::regrole
			 union all select p.oid::regprocedure::text from pg_proc p where p.proowner = 'pinwright_app'::regrole
			 union all select n.nspname::text from pg_namespace n where n.nspowner = 'pinwright_app'::regrole
			 union all select d.datname::text from pg_database d where d.datdba = 'pinwright_app'::regrole`},
		{"no CREATE on any schema", "a function of its own could stand before a trusted one in the search path",
			`select nspname::text from pg_namespace where has_schema_privilege('pinwright_app', oid, 'CREATE')`},
		{"neither CREATE nor TEMPORARY on the database", "a temporary table stands before a real one in the search path of a SECURITY DEFINER function",
			`select p from unnest(array['CREATE', 'TEMPORARY']) p where has_database_privilege('pinwright_app', current_database(), p)`},
	} {
		t.Run(rule.name, func(t *testing.T) { none(t, db.Owner, rule.why, rule.fault) })
	}
}

// mayRun are the functions of ours that the application role may execute.
// revert_import deletes what one import of the club made, unless it was changed
// or something rests on it; erase_member blanks what one member of the club wrote.
//
// record_standing tells whoever has the hash of a record whether it stands, in whichever club, and nothing else of it.
//
// search_names looks past row level security, at ids of the transaction's own club only, because no index serves it behind.
var mayRun = []string{"append_event", "append_events", "revert_import", "erase_member", "search_names", "day_begins", "record_standing", "zones_in_use"}

func TestFunctionsAreClosedAndCannotBeMisled(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	const ours = ` from pg_proc p where p.pronamespace = 'public'::regnamespace and not exists (select from pg_depend d where d.objid = p.oid and d.deptype = 'e')`
	if n := len(list[string](t, db.Owner, `select p.proname::text`+ours)); n < 2 {
		t.Fatalf("found only %d functions; this test would prove nothing", n)
	}
	none(t, db.Owner, "REVOKE ALL ON FUNCTION ... FROM PUBLIC: EXECUTE is granted to everyone by default",
		`select p.oid::regprocedure::text`+ours+` and exists (select from aclexplode(coalesce(p.proacl, acldefault('f', p.proowner))) x where x.grantee = 0)`)
	none(t, db.Owner, "list it in mayRun with a reason, or REVOKE it from pinwright_app",
		`select p.oid::regprocedure::text`+ours+` and has_function_privilege('pinwright_app', p.oid, 'EXECUTE') and p.proname <> all ($1)`, mayRun)
	none(t, db.Owner, "SET search_path on it (PostgreSQL documentation, CREATE FUNCTION: writing SECURITY DEFINER functions safely)",
		`select p.oid::regprocedure::text`+ours+` and p.prosecdef and not exists (select from unnest(p.proconfig) s where s like 'search_path=pg_catalog%')`)
	if !list[bool](t, db.Owner, `select has_function_privilege('pinwright_app', p.oid, 'EXECUTE')`+ours+` and p.proname = 'append_event'`)[0] {
		t.Error("pinwright_app may not run append_event, so it can write nothing")
	}
}

// Who keeps time learns that clubs are there, and nothing of what is in them.
func TestRoleOfJobsMayAskForClubsAndNothingElse(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	club := found(t, db, "fern-row")
	jobs := db.Pool(t, db.JobsURL, 1)
	if got := list[string](t, jobs, `select clubs_to_sweep()::text`); len(got) != 1 || got[0] != club.String() {
		t.Errorf("the clubs are %v, not the one that was founded", got)
	}
	refusedAs(t, db.App, club, "select clubs_to_sweep()")
	none(t, db.Owner, "pinwright_jobs needs no more of ours than clubs_to_sweep", `
		select c.oid::regclass::text || ' ' || p from pg_class c, unnest(array['SELECT', 'INSERT', 'UPDATE', 'DELETE', 'TRUNCATE', 'REFERENCES', 'TRIGGER']) p
		where c.relnamespace = 'public'::regnamespace and c.relkind in ('r', 'p', 'v', 'm', 'f') and has_table_privilege('pinwright_jobs', c.oid, p)
		union all
		select p.oid::regprocedure::text from pg_proc p where p.pronamespace = 'public'::regnamespace and p.proname <> 'clubs_to_sweep'
		and not exists (select from pg_depend d where d.objid = p.oid and d.deptype = 'e') and has_function_privilege('pinwright_jobs', p.oid, 'EXECUTE')
		union all
		select rolname::text from pg_roles where rolname = 'pinwright_jobs' and (rolsuper or rolbypassrls or rolcreaterole or rolcreatedb or rolreplication)
		union all
		select r.rolname::text from pg_auth_members m join pg_roles r on r.oid = m.roleid where m.member = 'pinwright_jobs'::regrole
		union all
		select p from unnest(array['CREATE', 'TEMPORARY']) p where has_database_privilege('pinwright_jobs', current_database(), p)`)
}

// What must hold however the rights are written down: as the application role,
// history cannot be changed or removed.
func TestHistoryCannotBeChangedByTheApplication(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	club := found(t, db, "fern-row")
	for _, table := range []string{"reading", "reading_void", "calibration", "gauge_study", "recommendation", "recommendation_in_units", "event", "head", "club", "member", "tool", "booking", "reservation", "import", "import_made", "tool_change"} {
		refusedAs(t, db.App, club, "delete from "+table)
		refusedAs(t, db.App, club, "truncate "+table)
	}
	for _, table := range []string{"reading", "reading_void", "calibration", "gauge_study", "recommendation", "recommendation_in_units", "event", "head", "import_made", "tool_change"} {
		refusedAs(t, db.App, club, "update "+table+" set club_id = club_id")
	}
	for _, table := range []string{"wear_event", "wear_event_void", "distance", "distance_void"} {
		refusedAs(t, db.App, club, "delete from "+table)
		refusedAs(t, db.App, club, "truncate "+table)
		refusedAs(t, db.App, club, "update "+table+" set club_id = club_id")
	}
	for _, table := range []string{"event", "head"} {
		refusedAs(t, db.App, club, "insert into "+table+" select * from "+table)
	}
	refusedAs(t, db.App, club, "update token set expires_at = '2126-01-01Z'")
	refusedAs(t, db.App, club, "update booking set reservation_id = reservation_id")
	refusedAs(t, db.App, club, "alter table reading no force row level security")
	refusedAs(t, db.App, club, "set role pinwright_owner")
}
