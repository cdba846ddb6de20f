package api_test

import (
	"context"
	"strings"
	"sync"

	"github.com/jackc/pgx/v5"
)

// queries is what one request asked of the database.
type queries struct {
	mu         sync.Mutex
	roundTrips int
	statements []string
}

type queriesKey struct{}

// traced returns a context that records what is asked of the database under it.
func traced(ctx context.Context) (context.Context, *queries) {
	q := &queries{}
	return context.WithValue(ctx, queriesKey{}, q), q
}

func note(ctx context.Context, trips int, sql string) context.Context {
	if q, ok := ctx.Value(queriesKey{}).(*queries); ok {
		q.mu.Lock()
		defer q.mu.Unlock()
		q.roundTrips += trips
		if sql != "" {
			q.statements = append(q.statements, strings.Join(strings.Fields(sql), " "))
		}
	}
	return ctx
}

// queryTracer records for those contexts that traced made.
type queryTracer struct{}

func (queryTracer) TraceQueryStart(ctx context.Context, _ *pgx.Conn, data pgx.TraceQueryStartData) context.Context {
	return note(ctx, 1, data.SQL)
}

func (queryTracer) TraceQueryEnd(context.Context, *pgx.Conn, pgx.TraceQueryEndData) {}

func (queryTracer) TraceBatchStart(ctx context.Context, _ *pgx.Conn, data pgx.TraceBatchStartData) context.Context {
	for _, q := range data.Batch.QueuedQueries {
		note(ctx, 0, q.SQL)
	}
	return note(ctx, 1, "")
}

func (queryTracer) TraceBatchQuery(context.Context, *pgx.Conn, pgx.TraceBatchQueryData) {}

func (queryTracer) TraceBatchEnd(context.Context, *pgx.Conn, pgx.TraceBatchEndData) {}
