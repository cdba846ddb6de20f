package postgres

import (
	"context"
	"errors"
	"time"

	"pinwright/internal/problem"
)

// Busy is told to whoever finds no room or waits too long.
func Busy(cause error) *problem.Error {
	return &problem.Error{Kind: problem.Unavailable, Detail: "Too much is asked at once; nothing of this took effect. Send the same request again, with the same key, after Retry-After.", RetryAfter: time.Second, Cause: cause}
}

var errNoRoom = errors.New("postgres: as many wait for a connection as may")

// Full reports that one more would be refused at once. It holds nothing, so a
// caller may look before it goes to any trouble.
func (db *DB) Full() bool { return db.Room > 0 && db.inside.Load() >= int64(db.Room) }

// acquire waits for a connection, where there is room, and no longer than Wait:
// past its peak a server that lets everybody wait answers all of them too late.
func (db *DB) acquire(ctx context.Context) (*lease, error) {
	if inside := db.inside.Add(1); db.Room > 0 && inside > int64(db.Room) {
		db.inside.Add(-1)
		return nil, Busy(errNoRoom)
	}
	waiting := ctx
	if db.Wait > 0 {
		var cancel context.CancelFunc
		waiting, cancel = context.WithTimeout(ctx, db.Wait)
		defer cancel()
	}
	watch, asked := db.watcher(), time.Now()
	watch.Waits()
	conn, err := db.Pool.Acquire(waiting)
	now := time.Now()
	watch.Acquired(now.Sub(asked), err)
	if err != nil {
		db.inside.Add(-1)
		if ctx.Err() == nil && waiting.Err() != nil {
			return nil, Busy(err)
		}
		return nil, unavailable(err)
	}
	return &lease{db: db, conn: conn, watch: watch, since: now}, nil
}

func (l *lease) release() {
	l.conn.Release()
	l.db.inside.Add(-1)
	l.watch.Released(time.Since(l.since))
}
