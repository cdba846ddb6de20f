package waiting_test

import (
	"context"
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"pinwright/internal/lending"
	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/waiting"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

// world is a club whose garage never closes, with members M0 to M5, the tools
// and A-3 of the model A, B-1 and B-2 of B, and the kit K: the tool A-1 and a B.
// Two hours of cleaning follow each period.
type world struct {
	t       testing.TB
	ctx     context.Context
	db      *pgtest.DB
	data    *postgres.DB
	club    uuid.UUID
	now     time.Time
	members []uuid.UUID
	tools   map[string]uuid.UUID
	models  map[string]uuid.UUID
	kit     uuid.UUID

	opensAt, closesAt int // by the clock
}

const cleaning = 2 * time.Hour

func newWorld(t testing.TB) *world {
	t.Helper()
	db := pgtest.New(t)
	w := &world{t: t, ctx: t.Context(), db: db, data: &postgres.DB{Pool: db.App}, club: uuid.Must(uuid.NewV7()),
		now: time.Date(2026, 6, 1, 6, 0, 0, 0, time.UTC), tools: map[string]uuid.UUID{}, models: map[string]uuid.UUID{}, kit: uuid.Must(uuid.NewV7()), closesAt: 24}
	var b pgx.Batch
	b.Queue(`insert into club (club_id, slug, name, currency, created_at) values ($1, 'hollow-lane', 'Hollow Lane', 'EUR', '2026-01-01Z')`, w.club)
	b.Queue(`insert into head (club_id) values ($1)`, w.club)
	garage := uuid.Must(uuid.NewV7())
	b.Queue(`insert into garage (club_id, id, code, name, time_zone, opens, closes) values ($1, $2, 'yard', 'Yard', 'UTC', '00:00', '24:00')`, w.club, garage)
	for i := range 6 {
		id := uuid.Must(uuid.NewV7())
		w.members = append(w.members, id)
		b.Queue(`insert into member (club_id, id, number, name, roles) values ($1, $2, $3, 'Member', '{member}')`, w.club, id, fmt.Sprint("M", i))
	}
	for _, model := range []string{"A", "B"} {
		w.models[model] = uuid.Must(uuid.NewV7())
		b.Queue(`insert into tool_model (club_id, id, code, name, kind) values ($1, $2, $3, 'Model', 'other')`, w.club, w.models[model], model)
	}
	for _, number := range []string{"A-1", "A-2", "A-3", "B-1", "B-2"} {
		w.tools[number] = uuid.Must(uuid.NewV7())
		b.Queue(`insert into tool (club_id, id, number, model_id, garage_id) values ($1, $2, $3, $4, $5)`, w.club, w.tools[number], number, w.models[number[:1]], garage)
	}
	b.Queue(`insert into kit (club_id, id, code, name) values ($1, $2, 'K', 'Kit')`, w.club, w.kit)
	b.Queue(`insert into kit_part (club_id, kit_id, ordinal, tool_id, model_id) values ($1, $2, 0, $3, null), ($1, $2, 1, null, $4)`, w.club, w.kit, w.tools["A-1"], w.models["B"])
	if err := db.Owner.SendBatch(t.Context(), &b).Close(); err != nil {
		t.Fatal(err)
	}
	return w
}

// at is so many hours after the world began.
func at(hours int) time.Time {
	return time.Date(2026, 6, 1, 6, 0, 0, 0, time.UTC).Add(time.Duration(hours) * time.Hour)
}

func (w *world) write(build func(b *postgres.Batch), decide func(tx *postgres.Tx) error) error {
	return w.data.Write(w.ctx, w.club, w.now, build, decide)
}

func (w *world) must(err error) {
	w.t.Helper()
	if err != nil {
		w.t.Fatal(err)
	}
}

// opens lets the garage open at those hours of each day.
func (w *world) opens(from, until int) {
	w.t.Helper()
	if _, err := w.db.Owner.Exec(w.ctx, `update garage set opens = make_time($1, 0, 0), closes = make_time($2, 0, 0)`, from, until); err != nil {
		w.t.Fatal(err)
	}
	w.opensAt, w.closesAt = from, until
}

// join lets a member wait for things, named as "A-1", "A" or "K", for hours, or for
// days where those are negative.
func (w *world) join(member, from, until, hours int, names ...string) (waiting.Entry, error) {
	w.t.Helper()
	wish := waiting.Wish{From: at(from), Until: at(until), Hours: &hours}
	if days := -hours; days > 0 {
		wish.Hours, wish.Days = nil, &days
	}
	for _, n := range names {
		switch {
		case n == "K":
			wish.Lines = append(wish.Lines, waiting.Asked{Kit: n})
		case len(n) == 1:
			wish.Lines = append(wish.Lines, waiting.Asked{Model: n})
		default:
			wish.Lines = append(wish.Lines, waiting.Asked{Tool: n})
		}
	}
	var joining *waiting.Joining
	var e waiting.Entry
	err := w.write(func(b *postgres.Batch) {
		joining = waiting.LookUp(b, waiting.Joiner{Named: &postgres.Ref{ID: &w.members[member]}}, wish)
	}, func(tx *postgres.Tx) error {
		var err error
		e, err = joining.Join(tx, w.members[member], uuid.Must(uuid.NewV7()))
		return err
	})
	return e, err
}

func (w *world) mustJoin(member, from, until, hours int, names ...string) uuid.UUID {
	w.t.Helper()
	e, err := w.join(member, from, until, hours, names...)
	w.must(err)
	return e.ID
}

// reserve books a tool or a model.
func (w *world) reserve(member, from, until int, name string) (uuid.UUID, error) {
	w.t.Helper()
	line := lending.Line{Tool: name}
	if len(name) == 1 {
		line = lending.Line{Model: name}
	}
	wish := lending.Wish{Lines: []lending.Line{line}, Common: lending.When{Period: &lending.Period{From: at(from), Until: at(until)}}, Now: w.now}
	id := uuid.Must(uuid.NewV7())
	var order *lending.Order
	err := w.write(func(b *postgres.Batch) { order = lending.Lock(b, lending.Member(w.members[member]), wish) }, func(tx *postgres.Tx) error {
		_, err := order.Book(w.ctx, tx, lending.Booker{ID: id, Turnaround: cleaning,
			Refuse: func(lending.Refusal) *problem.Error { return problem.New(problem.ToolTaken, "taken") }})
		return err
	})
	return id, err
}

func (w *world) mustReserve(member, from, until int, name string) uuid.UUID {
	w.t.Helper()
	id, err := w.reserve(member, from, until, name)
	w.must(err)
	return id
}

func (w *world) cancel(reservation uuid.UUID) error {
	var found lending.Reservations
	return w.write(func(b *postgres.Batch) { found = lending.LockReservation(b, reservation) }, func(tx *postgres.Tx) error {
		r, err := found.One()
		if err != nil {
			return err
		}
		_, err = lending.Cancel(tx, r.MemberID, r, "", tx.Now)
		return err
	})
}

// answer acts on an entry as its member.
func (w *world) answer(entry uuid.UUID, act func(tx *postgres.Tx, e waiting.Entry) (waiting.Entry, error)) error {
	var found waiting.Entries
	return w.write(func(b *postgres.Batch) { found = waiting.Lock(b, entry) }, func(tx *postgres.Tx) error {
		e, err := found.One()
		if err != nil {
			return err
		}
		_, err = act(tx, e)
		return err
	})
}

func (w *world) accept(entry uuid.UUID) error {
	return w.answer(entry, func(tx *postgres.Tx, e waiting.Entry) (waiting.Entry, error) {
		return waiting.Accept(w.ctx, tx, e.MemberID, e)
	})
}

func (w *world) decline(entry uuid.UUID, keep bool) error {
	return w.answer(entry, func(tx *postgres.Tx, e waiting.Entry) (waiting.Entry, error) {
		return waiting.Decline(w.ctx, tx, e.MemberID, e, keep)
	})
}

func (w *world) leave(entry uuid.UUID) error {
	return w.answer(entry, func(tx *postgres.Tx, e waiting.Entry) (waiting.Entry, error) {
		return waiting.Leave(w.ctx, tx, e.MemberID, e)
	})
}

func (w *world) sweep() int {
	w.t.Helper()
	n, err := waiting.Sweep(w.ctx, w.data, w.club, w.now)
	w.must(err)
	return n
}

func (w *world) entry(id uuid.UUID) waiting.Entry {
	w.t.Helper()
	var found waiting.Entries
	w.must(w.data.Read(w.ctx, w.club, func(b *postgres.Batch) { found = waiting.Find(b, id) }))
	e, err := found.One()
	w.must(err)
	return e
}

// offeredAt holds that an entry has an open offer from one hour of the world to
// another.
func (w *world) offeredAt(id uuid.UUID, from, until int) waiting.Entry {
	w.t.Helper()
	e := w.entry(id)
	if e.State != waiting.Offered || e.Offer == nil || e.Offer.Outcome != "open" {
		w.t.Fatalf("the entry is %s with the offer %+v (in the way: %s), want one from %s", e.State, e.Offer, e.HindranceText, at(from))
	}
	if !e.Offer.Period.From.Equal(at(from)) || !e.Offer.Period.Until.Equal(at(until)) {
		w.t.Fatalf("offered %s to %s, want %s to %s", e.Offer.Period.From, e.Offer.Period.Until, at(from), at(until))
	}
	return e
}

func (w *world) isWaiting(id uuid.UUID, hindrance string) waiting.Entry {
	w.t.Helper()
	e := w.entry(id)
	if e.State != waiting.Waiting || e.Hindrance != hindrance {
		w.t.Fatalf("the entry is %s, in the way is %q (%s), want waiting and %q", e.State, e.Hindrance, e.HindranceText, hindrance)
	}
	return e
}

// events are the types of the journal's events from a number on.
func (w *world) events(after int64) []string {
	w.t.Helper()
	rows, err := w.db.Owner.Query(w.ctx, `select type from event where club_id = $1 and seq > $2 order by seq`, w.club, after)
	w.must(err)
	out, err := pgx.CollectRows(rows, pgx.RowTo[string])
	w.must(err)
	return out
}

func (w *world) seq() int64 {
	w.t.Helper()
	var n int64
	w.must(w.db.Owner.QueryRow(w.ctx, `select seq from head where club_id = $1`, w.club).Scan(&n))
	return n
}

func (w *world) happened(after int64, want ...string) {
	w.t.Helper()
	got := w.events(after)
	for _, one := range want {
		if !slices.Contains(got, one) {
			w.t.Errorf("no event %s, only %v", one, got)
		}
	}
}
