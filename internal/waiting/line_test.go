package waiting_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/waiting"
)

// batches counts what is sent to the database.
type batches struct{ n atomic.Int64 }

func (c *batches) TraceQueryStart(ctx context.Context, _ *pgx.Conn, _ pgx.TraceQueryStartData) context.Context {
	c.n.Add(1)
	return ctx
}
func (c *batches) TraceQueryEnd(context.Context, *pgx.Conn, pgx.TraceQueryEndData) {}
func (c *batches) TraceBatchStart(ctx context.Context, _ *pgx.Conn, _ pgx.TraceBatchStartData) context.Context {
	c.n.Add(1)
	return ctx
}
func (c *batches) TraceBatchQuery(context.Context, *pgx.Conn, pgx.TraceBatchQueryData) {}
func (c *batches) TraceBatchEnd(context.Context, *pgx.Conn, pgx.TraceBatchEndData)     {}

func (c *batches) pool(t *testing.T, url string) *pgxpool.Pool {
	t.Helper()
	cfg, err := pgxpool.ParseConfig(url)
	if err != nil {
		t.Fatal(err)
	}
	cfg.MaxConns = 1
	cfg.ShouldPing = func(context.Context, pgxpool.ShouldPingParams) bool { return false }
	cfg.ConnConfig.Tracer = c
	pool, err := pgxpool.NewWithConfig(context.Background(), cfg) // outlives t.Context, which ends before Cleanup
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(pool.Close)
	return pool
}

// hold is a stretch for which a tool is promised, in hours of the world.
type hold struct {
	tool        uuid.UUID
	from, until int // held
	member      uuid.UUID
	ends        int // of the period
}

// waiter is an open entry as the check of the line reads it, by itself.
type waiter struct {
	id, member  uuid.UUID
	from, until int
	hours       int
	serves      [][]uuid.UUID // for each thing that is needed, the tools that will do
	had         [][2]int      // times that were offered
	lapses      int
	offer       *[2]int    // the open one
	answerBy    int        // until when
	reservation *uuid.UUID // of it
}

func (w *world) hours(t time.Time) int { return int(t.Sub(at(0)) / time.Hour) }

// line reads the open entries, in the order of joining.
func (w *world) line() []*waiter {
	w.t.Helper()
	rows, err := w.db.Owner.Query(w.ctx, `select id, member_id, window_from, window_until, hours from waiting_entry where club_id = $1 and state in ('waiting', 'offered') order by joined_at, id`, w.club)
	w.must(err)
	out, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (*waiter, error) {
		e := &waiter{}
		var from, until time.Time
		err := row.Scan(&e.id, &e.member, &from, &until, &e.hours)
		e.from, e.until = w.hours(from), w.hours(until)
		return e, err
	})
	w.must(err)
	byModel := map[uuid.UUID][]uuid.UUID{}
	for number, id := range w.tools {
		byModel[w.models[number[:1]]] = append(byModel[w.models[number[:1]]], id)
	}
	for _, e := range out {
		rows, err := w.db.Owner.Query(w.ctx, `select tool_id, model_id, kit_id from waiting_line where club_id = $1 and entry_id = $2 order by ordinal`, w.club, e.id)
		w.must(err)
		var tool, model, kit *uuid.UUID
		_, err = pgx.ForEachRow(rows, []any{&tool, &model, &kit}, func() error {
			switch {
			case tool != nil:
				e.serves = append(e.serves, []uuid.UUID{*tool})
			case model != nil:
				e.serves = append(e.serves, byModel[*model])
			default: // as newWorld made it
				e.serves = append(e.serves, []uuid.UUID{w.tools["A-1"]}, byModel[w.models["B"]])
			}
			return nil
		})
		w.must(err)
		rows, err = w.db.Owner.Query(w.ctx, `select lower(period), upper(period), outcome, offer_until, reservation_id from waiting_offer where club_id = $1 and entry_id = $2 order by offered_at`, w.club, e.id)
		w.must(err)
		var from, until, by time.Time
		var outcome string
		var reservation uuid.UUID
		_, err = pgx.ForEachRow(rows, []any{&from, &until, &outcome, &by, &reservation}, func() error {
			p := [2]int{w.hours(from), w.hours(until)}
			e.had = append(e.had, p)
			switch outcome {
			case "lapsed":
				e.lapses++
			case "open":
				if e.offer != nil {
					w.t.Fatalf("the entry %s has two offers at once", e.id)
				}
				kept := reservation
				e.offer, e.answerBy, e.reservation = &p, w.hours(by), &kept
			}
			return nil
		})
		w.must(err)
	}
	return out
}

// held reads what is promised, but for the reservations left out.
func (w *world) held(without []uuid.UUID) []hold {
	w.t.Helper()
	rows, err := w.db.Owner.Query(w.ctx, `
		select b.tool_id, lower(b.held), upper(b.held), upper(b.period), r.member_id from booking b join reservation r on r.club_id = b.club_id and r.id = b.reservation_id
		where b.club_id = $1 and b.state = 'reserved' and b.reservation_id <> all ($2)`, w.club, append([]uuid.UUID{}, without...))
	w.must(err)
	out, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (hold, error) {
		var h hold
		var from, until, ends time.Time
		err := row.Scan(&h.tool, &from, &until, &ends, &h.member)
		h.from, h.until, h.ends = w.hours(from), w.hours(until), w.hours(ends)
		return h, err
	})
	w.must(err)
	return out
}

// fits tries everything: each of the needs gets a tool of its own that is free from
// the hour on for so long, and cleaned after it.
func fits(serves [][]uuid.UUID, from, until int, held []hold, used []uuid.UUID) bool {
	if len(serves) == 0 {
		return true
	}
	for _, tool := range serves[0] {
		taken := slices.Contains(used, tool) || slices.ContainsFunc(held, func(h hold) bool { return h.tool == tool && h.from < until+int(cleaning.Hours()) && from < h.until })
		if !taken && fits(serves[1:], from, until, held, append(slices.Clone(used), tool)) {
			return true
		}
	}
	return false
}

// isOpen reports whether the garage hands out at an hour, or takes back.
func (w *world) isOpen(hour int, takesBack bool) bool {
	shown := (hour + 6) % 24
	return shown >= w.opensAt && (shown < w.closesAt || takesBack && shown == w.closesAt)
}

// first is the first hour at which e can be offered something; -1 for none.
func (w *world) first(e *waiter, now int, held []hold) int {
	for from := max(e.from, now+1); from+e.hours <= e.until; from++ {
		until := from + e.hours
		for !w.isOpen(until, true) {
			until++
		}
		if !w.isOpen(from, false) || until > e.until {
			continue
		}
		if slices.ContainsFunc(e.had, func(p [2]int) bool { return p[0] < until && from < p[1] }) {
			continue
		}
		if slices.ContainsFunc(held, func(h hold) bool {
			return h.member == e.member && h.from < until && from < h.ends && slices.ContainsFunc(e.serves, func(s []uuid.UUID) bool { return slices.Contains(s, h.tool) })
		}) {
			continue
		}
		if fits(e.serves, from, until, held, nil) {
			return from
		}
	}
	return -1
}

// sweepAndCheck sweeps, and holds what was offered against a line gone through
// by hand: in the order of joining, each gets the first hour at which all that it needs
// is free, found by trying every hour and every tool.
func (w *world) sweepAndCheck(what string) (offers int) {
	w.t.Helper()
	now := w.hours(w.now)
	before := w.line()
	var lapsing []uuid.UUID
	for _, e := range before {
		if e.offer != nil && e.answerBy <= now {
			lapsing = append(lapsing, *e.reservation)
		}
	}
	held := w.held(lapsing)
	w.sweep()
	after := map[uuid.UUID]*waiter{}
	for _, e := range w.line() {
		after[e.id] = e
	}
	for _, e := range before {
		lapses := e.offer != nil && e.answerBy <= now
		got := after[e.id]
		switch {
		case e.offer != nil && !lapses:
			if got == nil || got.offer == nil || *got.offer != *e.offer {
				w.t.Fatalf("%s: an offer that was still good was touched: %+v, now %+v", what, e, got)
			}
			continue
		case lapses && e.lapses+1 >= 2, e.until-e.hours < now+1:
			if got != nil {
				w.t.Fatalf("%s: an entry that is over is still in line: %+v", what, got)
			}
			continue
		case got == nil:
			w.t.Fatalf("%s: an entry that may still be served has gone: %+v", what, e)
		}
		want := w.first(e, now, held)
		switch {
		case want < 0 && got.offer != nil:
			w.t.Fatalf("%s: offered %v though nothing fits: %+v", what, *got.offer, e)
		case want >= 0 && got.offer == nil:
			w.t.Fatalf("%s: skipped though it fits at hour %d: %+v, held %v; in the way was %q", what, want, e, held, w.entry(e.id).HindranceText)
		case want >= 0 && got.offer[0] != want:
			w.t.Fatalf("%s: offered %v, but hour %d was free first: %+v, held %v, now %v", what, *got.offer, want, e, held, w.held(nil))
		case want >= 0:
			offers++
			for _, h := range w.held(nil) { // of an equal any may have been chosen, which decides what is left for the next
				if !slices.Contains(held, h) && w.isOf(*got.reservation, h) {
					held = append(held, h)
				}
			}
		}
	}
	return offers
}

// isOf reports whether h is a line of the reservation.
func (w *world) isOf(reservation uuid.UUID, h hold) bool {
	w.t.Helper()
	var is bool
	w.must(w.db.Owner.QueryRow(w.ctx, `select exists (select from booking where club_id = $1 and reservation_id = $2 and tool_id = $3 and lower(held) = $4)`, w.club, reservation, h.tool, at(h.from)).Scan(&is))
	return is
}

func TestOffersNeverSkipWhoCouldTakeThem(t *testing.T) {
	t.Parallel()
	runs := 4
	if os.Getenv("PINWRIGHT_LONG") == "1" {
		runs = 60
	}
	for seed := range runs {
		t.Run(fmt.Sprint(seed), func(t *testing.T) {
			t.Parallel()
			w := newWorld(t)
			if seed%2 == 1 {
				w.opens(8, 20)
			}
			r := rand.New(rand.NewPCG(uint64(seed), 25))
			names := []string{"A-1", "A-2", "A-3", "B-1", "B-2", "A", "A", "B"}
			var reservations, entries []uuid.UUID
			expected := func(err error) {
				t.Helper()
				if p, ok := problem.As(err); err != nil && (!ok || p.Kind.Status >= 500) {
					t.Fatal(err)
				}
			}
			offers, lapses := 0, 0
			for step := range 90 {
				now := w.hours(w.now)
				switch n := r.IntN(20); {
				case n < 4:
					from := now + r.IntN(20)
					if id, err := w.reserve(r.IntN(6), from, from+4+r.IntN(60), names[r.IntN(len(names))]); err == nil {
						reservations = append(reservations, id)
					} else {
						expected(err)
					}
				case n < 6 && len(reservations) > 0:
					expected(w.cancel(reservations[r.IntN(len(reservations))]))
				case n < 12:
					from := now + r.IntN(30)
					hours := 3 + r.IntN(30)
					needs := []string{names[r.IntN(len(names))]}
					if r.IntN(3) == 0 {
						needs = append(needs, []string{"K", "B", "A"}[r.IntN(3)])
					}
					e, err := w.join(r.IntN(6), from, from+hours+r.IntN(40), hours, needs...)
					if expected(err); err == nil {
						entries = append(entries, e.ID)
					}
				case n < 16 && len(entries) > 0:
					id := entries[r.IntN(len(entries))]
					expected([]func() error{
						func() error { return w.accept(id) }, func() error { return w.decline(id, true) },
						func() error { return w.decline(id, false) }, func() error { return w.leave(id) }}[r.IntN(4)]())
				case n < 18:
					w.now = w.now.Add(time.Duration(1+r.IntN(8)) * time.Hour)
				}
				if r.IntN(3) > 0 {
					offers += w.sweepAndCheck(fmt.Sprintf("step %d, hour %d", step, w.hours(w.now)))
				}
			}
			if err := w.db.Owner.QueryRow(t.Context(), `select count(*) from waiting_offer where outcome = 'lapsed'`).Scan(&lapses); err != nil {
				t.Fatal(err)
			}
			if offers < 5 {
				t.Errorf("only %d offers were made, too few to prove anything", offers)
			}
			t.Logf("%d offers, %d of them lapsed", offers, lapses)
		})
	}
}

// Many sweeps at once, of which each sees the same line, while what is offered
// is cancelled, joined for and reserved.
func TestSweepsAtOnceMakeOneOfferEach(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.data = &postgres.DB{Pool: w.db.Pool(t, w.db.AppURL, 10)}
	for round := range 6 {
		w.now = at(round * 100)
		from := round * 100
		taken := w.mustReserve(0, from, from+90, "A-1")
		first := w.mustJoin(1, from+10, from+40, 24, "A-1")
		second := w.mustJoin(2, from+10, from+40, 24, "A-1")
		third := w.mustJoin(3, from+10, from+40, 24, "A")
		w.must(w.cancel(taken))
		var all sync.WaitGroup
		errs := make([]error, 8)
		for i := range errs {
			all.Go(func() { _, errs[i] = waiting.Sweep(t.Context(), w.data, w.club, w.now) })
		}
		all.Wait()
		for _, err := range errs {
			w.must(err)
		}
		w.offeredAt(first, from+10, from+34)
		w.isWaiting(second, "tool-taken")
		w.offeredAt(third, from+10, from+34) // another A
		var offers int
		if err := w.db.Owner.QueryRow(t.Context(), `select count(*) from waiting_offer where club_id = $1 and outcome = 'open'`, w.club).Scan(&offers); err != nil || offers != 2 {
			t.Fatalf("%d open offers (%v), want 2", offers, err)
		}
		// The first declines while sweeps run: the second gets it, once.
		all.Go(func() { errs[0] = w.decline(first, false) })
		for i := 1; i < len(errs); i++ {
			all.Go(func() { _, errs[i] = waiting.Sweep(t.Context(), w.data, w.club, w.now) })
		}
		all.Wait()
		for _, err := range errs {
			w.must(err)
		}
		w.sweep()
		w.offeredAt(second, from+10, from+34)
		w.must(w.leave(second))
		w.must(w.leave(third))
	}
	if n := w.db.Deadlocks(t); n > 0 {
		t.Errorf("%d deadlocks", n)
	}
}
