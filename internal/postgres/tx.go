package postgres

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"sync/atomic"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/internal/problem"
)

// DB runs club transactions on a pool that is connected as the application
// role.
type DB struct {
	Pool *pgxpool.Pool
	// Wait bounds the wait for a connection; 0 leaves that to the context.
	Wait time.Duration
	// Room is how many may have a connection or wait for one; 0 for any number.
	Room int
	// Watch is told how the work goes; may be nil.
	Watch Watcher
	// Heads is told where a club's journal stands after each write that appended
	// to it, for whoever keeps that outside the database; may be nil.
	Heads func(club uuid.UUID, seq int64, hash []byte)

	inside atomic.Int64 // those that have a connection or wait for one
}

const fence = `select set_config('app.club', $1, true)`

// fenceAt is fence for a write, with its one time: triggers that keep when
// something changed read it, since they are given no parameters.
const fenceAt = `select set_config('app.club', $1, true), set_config('app.at', $2, true)`

func fenceArgs(club uuid.UUID, now time.Time) []any {
	return []any{club.String(), now.UTC().Format(time.RFC3339Nano)}
}

// Read runs the queries that build queues, in one read-only transaction and one
// round trip.
func (db *DB) Read(ctx context.Context, club uuid.UUID, build func(b *Batch)) error {
	ctx = db.watcher().TransactionBegins(ctx, false)
	err := db.read(ctx, club, build)
	db.watcher().TransactionEnded(ctx, false, err)
	return err
}

func (db *DB) read(ctx context.Context, club uuid.UUID, build func(b *Batch)) error {
	b := &Batch{Club: club}
	b.b.Queue("begin read only")
	b.b.Queue(fence, club.String())
	build(b)
	b.b.Queue("commit")
	conn, err := db.acquire(ctx)
	if err != nil {
		return err
	}
	defer conn.release()
	if err := conn.send(ctx, Reading, &b.b); err != nil {
		rollBack(ctx, conn)
		return translate(err)
	}
	return nil
}

// Tx is one write of one club. Statements queued on it travel with the commit.
type Tx struct {
	Club uuid.UUID
	Now  time.Time // the one time of this transaction

	conn    *lease
	opening []*Effect // where no lookups went before
	effects []*Effect
	last    []*Effect
	failed  *Effect        // the one that commit stopped at
	events  map[string]int // in the journal, by type
	discard bool
	head    *head // read with the commit, when somebody is to be told
}

// head is where the journal stands.
type head struct {
	seq  int64
	hash []byte
}

// Discard says that the write is a rehearsal: what Queue took is sent, so that
// every constraint has its say, and then all of it is rolled back. What QueueLast
// took is not sent, so that nobody waits for a head that will not move.
func (tx *Tx) Discard() { tx.discard = true }

// Effect is a statement that travels with the commit.
type Effect struct {
	sql      string
	args     []any
	refusals map[string]*problem.Error
	again    []string
}

// Queue adds a statement to those that travel with the commit.
func (tx *Tx) Queue(sql string, args ...any) *Effect {
	e := &Effect{sql: sql, args: args}
	tx.effects = append(tx.effects, e)
	return e
}

// QueueLast adds a statement behind all of Queue's: the journal's head is
// locked last in every write, so that writers wait for each other as briefly as
// can be and never in a circle.
func (tx *Tx) QueueLast(sql string, args ...any) *Effect {
	e := &Effect{sql: sql, args: args}
	tx.last = append(tx.last, e)
	return e
}

// Refuse says which problem a violation of the named constraint is.
func (e *Effect) Refuse(constraint string, p *problem.Error) *Effect {
	if e.refusals == nil {
		e.refusals = map[string]*problem.Error{}
	}
	e.refusals[constraint] = p
	return e
}

// RunAgainOn says that a violation of the named constraint means that another
// write was faster: the whole transaction runs again, and its lookups then find
// what the other has left. It stands above Refuse.
func (e *Effect) RunAgainOn(constraint string) *Effect {
	e.again = append(e.again, constraint)
	return e
}

// Send runs the queries that build queues now, in one round trip.
func (tx *Tx) Send(ctx context.Context, build func(b *Batch)) error {
	b := &Batch{Club: tx.Club}
	build(b)
	return translate(tx.conn.send(ctx, LookingMore, &b.b))
}

// attempts bounds how often a transaction is tried again after a deadlock or a
// serialization failure (PostgreSQL documentation, 13.5: the whole transaction,
// decisions included).
const attempts = 5

// Write runs one write transaction: lookups travel with begin, then decide
// runs, then what it queued travels with commit. Deadlocks, serialization
// failures, violated foreign keys and what RunAgainOn names run all of it again, so build and decide must have no effect of
// their own. Without build nothing is looked up, and all of it is one round trip.
func (db *DB) Write(ctx context.Context, club uuid.UUID, now time.Time, build func(b *Batch), decide func(tx *Tx) error) error {
	ctx = db.watcher().TransactionBegins(ctx, true)
	err := db.write(ctx, club, now, build, decide)
	db.watcher().TransactionEnded(ctx, true, err)
	return err
}

func (db *DB) write(ctx context.Context, club uuid.UUID, now time.Time, build func(b *Batch), decide func(tx *Tx) error) error {
	for try := 1; ; try++ {
		err := db.writeOnce(ctx, club, now, build, decide)
		state := retryable(err)
		if state == "" || try == attempts {
			if state != "" && state != foreignKeyViolation { // what is still not there then is a fault of ours
				return unavailable(err)
			}
			return translate(err)
		}
		db.watcher().Retried(ctx, state)
		pause := time.Duration(rand.Int64N(int64(5*time.Millisecond) << try)) //nolint:gosec // jitter, not a secret
		select {
		case <-ctx.Done():
			return translate(ctx.Err())
		case <-time.After(pause):
		}
	}
}

func (db *DB) writeOnce(ctx context.Context, club uuid.UUID, now time.Time, build func(b *Batch), decide func(tx *Tx) error) (err error) {
	conn, err := db.acquire(ctx)
	if err != nil {
		return err
	}
	ended := false
	defer func() {
		if !ended {
			rollBack(ctx, conn)
		}
		conn.release()
	}()
	tx := &Tx{Club: club, Now: now, conn: conn}
	if build == nil {
		tx.opening = []*Effect{{sql: "begin"}, {sql: fenceAt, args: fenceArgs(club, now)}}
	} else {
		first := &Batch{Club: club}
		first.b.Queue("begin")
		first.b.Queue(fenceAt, fenceArgs(club, now)...)
		build(first)
		if err := conn.send(ctx, LookingUp, &first.b); err != nil {
			return err
		}
	}
	if err := decide(tx); err != nil {
		return err
	}
	statements := len(tx.opening) + len(tx.effects) + len(tx.last) + 1
	if db.Heads != nil && len(tx.events) > 0 && !tx.discard {
		tx.head = &head{}
		statements++
	}
	if err := conn.trip(ctx, Effecting, statements, tx.commit); err != nil {
		if tx.failed != nil {
			return tx.failed.refused(err)
		}
		return err
	}
	ended = true
	if !tx.discard {
		db.watcher().Committed(ctx, club, tx.events)
		if tx.head != nil {
			db.Heads(club, tx.head.seq, tx.head.hash)
		}
	}
	return nil
}

// commit sends the effects, then what goes last, with commit.
func (tx *Tx) commit(ctx context.Context) error {
	var final pgx.Batch
	all, end := slices.Concat(tx.opening, tx.effects, tx.last), "commit"
	if tx.discard {
		all, end = slices.Concat(tx.opening, tx.effects, []*Effect{{sql: "set constraints all immediate"}}), "rollback"
	}
	for _, e := range all {
		final.Queue(e.sql, e.args...)
	}
	if tx.head != nil { // this transaction holds its lock, so it is the head that it leaves
		final.Queue(`select seq, hash from head where club_id = $1`, tx.Club)
	}
	final.Queue(end)
	results := tx.conn.conn.SendBatch(ctx, &final)
	for _, e := range all {
		if _, err := results.Exec(); err != nil {
			_ = results.Close() // the first error is the one that tells
			tx.failed = e
			return err
		}
	}
	if tx.head != nil {
		if err := results.QueryRow().Scan(&tx.head.seq, &tx.head.hash); err != nil {
			_ = results.Close() // the first error is the one that tells
			return err
		}
	}
	tag, err := results.Exec()
	if err == nil {
		err = results.Close()
	} else {
		_ = results.Close()
	}
	if err != nil {
		return err
	}
	if !strings.EqualFold(tag.String(), end) {
		return fmt.Errorf("postgres: %s ended as %q", end, tag.String())
	}
	return nil
}

func (e *Effect) refused(err error) error {
	var pg *pgconn.PgError
	if errors.As(err, &pg) {
		if slices.Contains(e.again, pg.ConstraintName) {
			return &overtaken{pg}
		}
		if p, ok := e.refusals[pg.ConstraintName]; ok {
			return p
		}
	}
	return err
}

// rollBack leaves the connection usable: a failed pipeline leaves its
// transaction open.
func rollBack(ctx context.Context, l *lease) {
	if l.conn.Conn().IsClosed() || l.conn.Conn().PgConn().TxStatus() == 'I' {
		return
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), time.Second)
	defer cancel()
	err := l.trip(ctx, RollingBack, 1, func(ctx context.Context) error {
		_, err := l.conn.Exec(ctx, "rollback")
		return err
	})
	if err != nil {
		_ = l.conn.Conn().Close(ctx) // the pool replaces it
	}
}
