package api_test

import (
	"context"
	"slices"
	"strings"
	"sync/atomic"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"
)

// untouched watches that a refused request leaves nothing behind: neither a
// row of any table nor an event. It looks only at requests that ran alone, since
// what others write meanwhile cannot be told apart.
type untouched struct {
	began, running atomic.Int64
}

// begin is called before a request; end reports what it left behind, if it was
// refused, and must be called after it.
func (w *world) begin(method string) (end func(status int) string) {
	number := w.untouched.began.Add(1)
	alone := w.untouched.running.Add(1) == 1
	var before []string
	if w.db != nil && alone && method != "GET" && method != "HEAD" {
		before = w.rows()
	}
	return func(status int) string {
		defer w.untouched.running.Add(-1)
		if before == nil || status < 400 || w.untouched.began.Load() != number {
			return ""
		}
		after := w.rows()
		if after == nil || w.untouched.began.Load() != number {
			return ""
		}
		return cmp.Diff(before, after)
	}
}

// othersWrite says that something is written beside the request under way, so
// that this is not held against it.
func (w *world) othersWrite() { w.untouched.began.Add(1) }

// rows is how many rows every table has, and every journal's head; nil while a
// test holds tables locked.
func (w *world) rows() []string {
	w.t.Helper()
	ctx, cancel := context.WithTimeout(w.t.Context(), time.Second)
	defer cancel()
	rows, err := w.db.Owner.Query(ctx, w.countRows())
	if err != nil {
		return nil
	}
	out, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		return nil
	}
	slices.Sort(out)
	return out
}

// countRows is the query of rows, made once from the catalogue.
func (w *world) countRows() string {
	w.countOnce.Do(func() {
		rows, err := w.db.Owner.Query(w.t.Context(), `select relname::text from pg_class where relnamespace = 'public'::regnamespace and relkind in ('r', 'p')`)
		if err != nil {
			w.t.Fatal(err)
		}
		tables, err := pgx.CollectRows(rows, pgx.RowTo[string])
		if err != nil || len(tables) < 20 {
			w.t.Fatalf("the tables are %v (%v)", tables, err)
		}
		parts := []string{`select 'head ' || club_id || ' ' || seq from head`}
		for _, t := range tables {
			parts = append(parts, `select '`+t+` ' || count(*) from `+t)
		}
		w.countSQL = strings.Join(parts, " union all ")
	})
	return w.countSQL
}
