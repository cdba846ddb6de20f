package pgtest

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
)

// Plan is how PostgreSQL would run one query. Each name stands once.
type Plan struct {
	Indexes  []string // that are used
	SeqScans []string // tables that are read from end to end
	Sorts    []string // keys by which more than fewRows rows are sorted
	Text     string   // for people
}

// fewRows are so few that they may be sorted: about two pages of a list.
const fewRows = 200

// PlanOf plans sql as the serving role within one club, twice: for the arguments
// given, as the first runs of a prepared statement are planned, and as the
// generic plan, with which the service goes on once it is as cheap (PostgreSQL
// documentation, PREPARE). Fill the tables and ANALYZE first: a plan for empty
// tables says nothing.
func PlanOf(t testing.TB, db *DB, club uuid.UUID, sql string, args ...any) (custom, generic Plan) {
	t.Helper()
	return planAs(t, db.App, club, sql, args...)
}

// PlanAsOwner is PlanOf for the query of a function that acts as the owner.
func PlanAsOwner(t testing.TB, db *DB, club uuid.UUID, sql string, args ...any) (custom, generic Plan) {
	t.Helper()
	return planAs(t, db.Owner, club, sql, args...)
}

func planAs(t testing.TB, role *pgxpool.Pool, club uuid.UUID, sql string, args ...any) (custom, generic Plan) {
	t.Helper()
	ctx := t.Context()
	tx, err := role.Begin(ctx)
	if err != nil {
		t.Fatalf("pgtest: %v", err)
	}
	defer tx.Rollback(context.WithoutCancel(ctx)) //nolint:errcheck // nothing was written
	set := func(name, value string) {
		if _, err := tx.Exec(ctx, `select set_config($1, $2, true)`, name, value); err != nil {
			t.Fatalf("pgtest: %v", err)
		}
	}
	set("app.club", club.String())
	var raw []byte
	if err := tx.QueryRow(ctx, `explain (format json) `+sql, args...).Scan(&raw); err != nil {
		t.Fatalf("pgtest: explain: %v\n%s", err, sql)
	}
	custom = readPlan(t, raw)

	set("plan_cache_mode", "force_generic_plan")
	if _, err := tx.Exec(ctx, `prepare pgtest_plan as `+sql, pgx.QueryExecModeSimpleProtocol); err != nil {
		t.Fatalf("pgtest: prepare: %v\n%s", err, sql)
	}
	execute := `explain (format json) execute pgtest_plan`
	if len(args) > 0 { // a generic plan does not look at them
		execute += `(null` + strings.Repeat(`, null`, len(args)-1) + `)`
	}
	if err := tx.QueryRow(ctx, execute, pgx.QueryExecModeSimpleProtocol).Scan(&raw); err != nil {
		t.Fatalf("pgtest: explain: %v\n%s", err, sql)
	}
	if _, err := tx.Exec(ctx, `deallocate pgtest_plan`); err != nil {
		t.Fatalf("pgtest: %v", err)
	}
	return custom, readPlan(t, raw)
}

// node is one step of a plan, as EXPLAIN (FORMAT JSON) writes it.
type node struct {
	Type     string   `json:"Node Type"`
	Relation string   `json:"Relation Name"`
	Index    string   `json:"Index Name"`
	SortKey  []string `json:"Sort Key"`
	Filter   string   `json:"Filter"`
	IndexOn  string   `json:"Index Cond"`
	Rows     float64  `json:"Plan Rows"`
	Cost     float64  `json:"Total Cost"`
	Plans    []node   `json:"Plans"`
}

func readPlan(t testing.TB, raw []byte) Plan {
	t.Helper()
	var tops []struct{ Plan node }
	if err := json.Unmarshal(raw, &tops); err != nil {
		t.Fatalf("pgtest: plan: %v\n%s", err, raw)
	}
	var p Plan
	var text strings.Builder
	for _, top := range tops {
		p.walk(&text, top.Plan, 0)
	}
	p.Text = text.String()
	for _, list := range []*[]string{&p.Indexes, &p.SeqScans, &p.Sorts} {
		slices.Sort(*list)
		*list = slices.Compact(*list)
	}
	return p
}

func (p *Plan) walk(text *strings.Builder, n node, depth int) {
	fmt.Fprintf(text, "%s%s %s %s rows=%.0f cost=%.0f", strings.Repeat("  ", depth), n.Type, n.Relation, n.Index, n.Rows, n.Cost)
	for _, part := range []string{n.IndexOn, n.Filter, strings.Join(n.SortKey, ", ")} {
		if part != "" {
			text.WriteString(" " + part)
		}
	}
	text.WriteByte('\n')
	if n.Index != "" {
		p.Indexes = append(p.Indexes, n.Index)
	}
	if strings.HasSuffix(n.Type, "Seq Scan") {
		p.SeqScans = append(p.SeqScans, n.Relation)
	}
	if strings.HasSuffix(n.Type, "Sort") && n.Rows > fewRows {
		p.Sorts = append(p.Sorts, strings.Join(n.SortKey, ", "))
	}
	for _, child := range n.Plans {
		p.walk(text, child, depth+1)
	}
}

// Listing is one list with the index that is said to serve it.
type Listing struct {
	Name  string
	Index string
	// Run queries the list on pool; the batches it sends are what is planned.
	Run func(pool *pgxpool.Pool) error
}

// HoldPlans fails the test for each listing that is not served as it says: see
// Listing.Faults. The database is filled and analyzed.
func HoldPlans(t *testing.T, db *DB, club uuid.UUID, listings []Listing) {
	t.Helper()
	for _, l := range listings {
		t.Run(l.Name+" is served by "+l.Index, func(t *testing.T) {
			for _, fault := range l.Faults(t, db, club) {
				t.Error(fault)
			}
		})
	}
}

// Faults tells of each query of l that reads a table from end to end or sorts
// more than a few rows, and whether none of them uses the index.
func (l Listing) Faults(t testing.TB, db *DB, club uuid.UUID) []string {
	t.Helper()
	var faults []string
	var all strings.Builder
	used := map[string]bool{}
	for _, q := range queriesOf(t, db, l.Run) {
		custom, generic := PlanOf(t, db, club, q.sql, q.args...)
		for _, p := range []struct {
			kind string
			Plan
		}{{"custom", custom}, {"generic", generic}} {
			fmt.Fprintf(&all, "%s plan:\n%s", p.kind, p.Text)
			used[p.kind] = used[p.kind] || slices.Contains(p.Indexes, l.Index)
			if len(p.SeqScans) > 0 {
				faults = append(faults, fmt.Sprintf("the %s plan reads all of %v for\n%s\n%s", p.kind, p.SeqScans, q.sql, p.Text))
			}
			if len(p.Sorts) > 0 {
				faults = append(faults, fmt.Sprintf("the %s plan sorts by %v for\n%s\n%s", p.kind, p.Sorts, q.sql, p.Text))
			}
		}
	}
	for _, kind := range []string{"custom", "generic"} {
		if !used[kind] {
			faults = append(faults, fmt.Sprintf("no %s plan uses %s:\n%s", kind, l.Index, all.String()))
		}
	}
	return faults
}

type query struct {
	sql  string
	args []any
}

// recorder keeps the queries of batches, without what opens and closes them.
type recorder struct {
	mu      sync.Mutex
	queries []query
}

func (r *recorder) TraceBatchStart(ctx context.Context, _ *pgx.Conn, _ pgx.TraceBatchStartData) context.Context {
	return ctx
}

func (r *recorder) TraceBatchQuery(_ context.Context, _ *pgx.Conn, data pgx.TraceBatchQueryData) {
	verb, _, _ := strings.Cut(strings.ToLower(strings.TrimSpace(data.SQL)), " ")
	if verb != "select" && verb != "with" || strings.Contains(data.SQL, "set_config") {
		return
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.queries = append(r.queries, query{data.SQL, data.Args})
}

func (r *recorder) TraceBatchEnd(context.Context, *pgx.Conn, pgx.TraceBatchEndData) {}

func (r *recorder) TraceQueryStart(ctx context.Context, _ *pgx.Conn, _ pgx.TraceQueryStartData) context.Context {
	return ctx
}

func (r *recorder) TraceQueryEnd(context.Context, *pgx.Conn, pgx.TraceQueryEndData) {}

func queriesOf(t testing.TB, db *DB, run func(pool *pgxpool.Pool) error) []query {
	t.Helper()
	cfg, err := pgxpool.ParseConfig(db.AppURL)
	if err != nil {
		t.Fatalf("pgtest: %v", err)
	}
	seen := &recorder{}
	cfg.MaxConns = 1
	cfg.ConnConfig.Tracer = seen
	pool, err := pgxpool.NewWithConfig(t.Context(), cfg)
	if err != nil {
		t.Fatalf("pgtest: %v", err)
	}
	defer pool.Close()
	if err := run(pool); err != nil {
		t.Fatalf("pgtest: %v", err)
	}
	if len(seen.queries) == 0 {
		t.Fatal("pgtest: the listing sent no query")
	}
	return seen.queries
}
