// Package postgres runs statements inside one club's transaction, in as few
// round trips as there are decisions to make.
//
// A Batch is statements that travel together; its results are read from the
// Rows it handed out, after it was sent. A read is one Batch: begin, the club's
// fence, the queries and commit in one round trip. A write sends its lookups
// together with begin, decides, and sends its effects together with commit.
//
// The club's fence is `app.club`, set for the transaction only; row level
// security shows and takes no row of another club.
package postgres

import (
	"errors"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"pinwright/internal/problem"
)

// Batch collects statements that travel in one round trip.
type Batch struct {
	Club uuid.UUID
	b    pgx.Batch
}

// Rows is the result of one query of a Batch; empty until the batch was sent.
type Rows[T any] struct{ Items []T }

// Query queues a query on b whose columns are named like T's fields (or their
// `db` tags).
func Query[T any](b *Batch, sql string, args ...any) *Rows[T] {
	out := &Rows[T]{}
	b.b.Queue(sql, args...).Query(func(rows pgx.Rows) error {
		var err error
		out.Items, err = pgx.CollectRows(rows, pgx.RowToStructByName[T])
		return err
	})
	return out
}

// Values queues a query of one column on b.
func Values[T any](b *Batch, sql string, args ...any) *Rows[T] {
	out := &Rows[T]{}
	b.b.Queue(sql, args...).Query(func(rows pgx.Rows) error {
		var err error
		out.Items, err = pgx.CollectRows(rows, pgx.RowTo[T])
		return err
	})
	return out
}

// One returns the only row; without one it is problem.Absent, and several are a
// fault of the query (use OneOf where a name may be ambiguous).
func (r *Rows[T]) One() (T, error) {
	var none T
	switch len(r.Items) {
	case 0:
		return none, problem.Absent()
	case 1:
		return r.Items[0], nil
	default:
		return none, errors.New("postgres: several rows where one was expected")
	}
}

// OneOf returns the only row that the name at pointer refers to. None is a fault
// at pointer, several are an ambiguous name with the candidates label makes.
func (r *Rows[T]) OneOf(pointer, name string, label func(T) string) (T, error) {
	var none T
	switch len(r.Items) {
	case 0:
		return none, problem.Invalid(problem.Fault{Pointer: pointer, Detail: "there is no " + quoted(name) + " in this club; check the spelling, or GET the list"})
	case 1:
		return r.Items[0], nil
	}
	candidates := make([]string, len(r.Items))
	for i, item := range r.Items {
		candidates[i] = label(item)
	}
	return none, problem.Ambiguous(pointer, name, candidates)
}

func quoted(s string) string { return "“" + s + "”" }

// Column is one field of many rows, for a statement that takes them by unnest.
func Column[R, T any](rows []R, of func(R) T) []T {
	out := make([]T, len(rows))
	for i, r := range rows {
		out[i] = of(r)
	}
	return out
}

// Split sorts the ids and the names of refs apart, for a query of the form
// `(id = any($n) or number = any($m))`.
func Split(refs []Ref) (ids []uuid.UUID, names []string) {
	ids, names = []uuid.UUID{}, []string{}
	for _, r := range refs {
		if r.ID != nil {
			ids = append(ids, *r.ID)
		} else {
			names = append(names, r.Name)
		}
	}
	return ids, names
}

// Ref is an id or the people's own name for something, ready for a query of
// the form `(id = $n or number = $m)`.
type Ref struct {
	ID   *uuid.UUID
	Name string
}

// ParseRef reads an id or a name. A name that looks like a UUID is an id.
func ParseRef(text string) Ref {
	if id, err := uuid.Parse(text); err == nil && len(text) == 36 {
		return Ref{ID: &id} // and no name, or a code that is spelt like another row's id would match two
	}
	return Ref{Name: text}
}
