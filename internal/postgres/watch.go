package postgres

import (
	"context"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
)

// Trip is one round trip to the database, named by its place in the
// transaction.
type Trip string

// The round trips of a transaction.
const (
	Reading     Trip = "read"         // all of a read
	LookingUp   Trip = "lookups"      // begin and what a write decides on
	LookingMore Trip = "more_lookups" // what it could not know before
	Effecting   Trip = "effects"      // what it decided, and commit
	RollingBack Trip = "roll_back"
)

// Watcher is told how the work of a DB goes, for figures and traces. It must be
// quick, must not fail, and serves many transactions at once. What begins
// returns the context to go on with.
type Watcher interface {
	// Waits and Acquired enclose the wait for a connection, Released ends its use.
	Waits()
	Acquired(wait time.Duration, err error)
	Released(use time.Duration)
	// TransactionBegins and TransactionEnded enclose all attempts at one.
	TransactionBegins(ctx context.Context, writes bool) context.Context
	TransactionEnded(ctx context.Context, writes bool, err error)
	// Retried tells the SQLSTATE of an attempt that is repeated.
	Retried(ctx context.Context, sqlstate string)
	// TripBegins and TripEnded enclose one round trip of so many statements.
	TripBegins(ctx context.Context, trip Trip, statements int) context.Context
	TripEnded(ctx context.Context, trip Trip, took time.Duration, sqlstate string, err error)
	// Committed tells how many events of each type a write has appended to the
	// club's journal, once they are kept.
	Committed(ctx context.Context, club uuid.UUID, events map[string]int)
}

// nobody watches where a DB has no Watcher.
type nobody struct{}

func (nobody) Waits()                                                        {}
func (nobody) Acquired(time.Duration, error)                                 {}
func (nobody) Released(time.Duration)                                        {}
func (nobody) TransactionBegins(ctx context.Context, _ bool) context.Context { return ctx }
func (nobody) TransactionEnded(context.Context, bool, error)                 {}
func (nobody) Retried(context.Context, string)                               {}
func (nobody) TripBegins(ctx context.Context, _ Trip, _ int) context.Context { return ctx }
func (nobody) TripEnded(context.Context, Trip, time.Duration, string, error) {}
func (nobody) Committed(context.Context, uuid.UUID, map[string]int)          {}

func (db *DB) watcher() Watcher {
	if db.Watch == nil {
		return nobody{}
	}
	return db.Watch
}

// lease is a connection for the time of one attempt.
type lease struct {
	db    *DB
	conn  *pgxpool.Conn
	watch Watcher
	since time.Time
}

// trip runs one round trip: exchange sends and reads everything.
func (l *lease) trip(ctx context.Context, name Trip, statements int, exchange func(ctx context.Context) error) error {
	began := time.Now()
	ctx = l.watch.TripBegins(ctx, name, statements)
	err := exchange(ctx)
	l.watch.TripEnded(ctx, name, time.Since(began), sqlState(err), err)
	return err
}

// send is the trip of a batch whose queries read their own results.
func (l *lease) send(ctx context.Context, name Trip, b *pgx.Batch) error {
	return l.trip(ctx, name, b.Len(), func(ctx context.Context) error { return l.conn.SendBatch(ctx, b).Close() })
}

// CountEvents notes that tx appends n events of that type to the journal.
func (tx *Tx) CountEvents(eventType string, n int) {
	if tx.events == nil {
		tx.events = map[string]int{}
	}
	tx.events[eventType] += n
}
