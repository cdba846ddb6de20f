package lending_test

import (
	"context"
	"encoding/json"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/internal/lending"
	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
)

// shelves are 1,000 tools of a large club with promises behind and ahead of now.
type shelves struct {
	db   *pgtest.DB
	club uuid.UUID
	now  time.Time
	past int // promises of each tool
}

const shelved = 1000 // tools

func newShelves(t testing.TB, ahead int) *shelves {
	t.Helper()
	s := &shelves{db: pgtest.New(t), now: time.Date(2026, 5, 1, 0, 0, 0, 0, time.UTC)}
	s.club = largeClub(t, s.db)
	// A year ahead, evenly: half of the time a tool is promised.
	s.promise(t, "reserved", fmt.Sprintf(`generate_series(0, %d - 1) n`, ahead), fmt.Sprintf(`interval '365 days' / %d`, ahead), fmt.Sprintf(`interval '365 days' / %d`, 2*ahead))
	return s
}

// promise adds promises of every tool, in the order of time, so that those of one
// tool lie on pages of the table far apart. The triggers of foreign keys are left
// out: they would take most of the time, and every row refers to what is there.
func (s *shelves) promise(t testing.TB, state, numbers, step, long string) {
	t.Helper()
	admin, err := pgx.Connect(t.Context(), s.db.AdminURL)
	if err != nil {
		t.Fatal(err)
	}
	defer admin.Close(context.WithoutCancel(t.Context())) //nolint:errcheck // a test's
	for _, sql := range []string{
		`set session_replication_role = replica`,
		`create temporary table made as select gen_random_uuid() as id, t.club_id, t.id as tool_id, m.id as member_id, '` + s.now.Format(time.RFC3339) + `'::timestamptz + n * ` + step + ` + abs(hashtext(t.number) % 100) * ` + step + ` / 250 as starts
			from ` + numbers + ` cross join (select * from tool where club_id = '` + s.club.String() + `' and number ~ '-[23]$' order by number limit ` + fmt.Sprint(shelved) + `) t
			join member m on m.club_id = t.club_id and m.number = 'M1' order by n, t.id`,
		`insert into reservation (club_id, id, member_id, created_at) select club_id, id, member_id, '2020-01-01' from made`,
		`insert into booking (club_id, reservation_id, line, tool_id, member_id, period, held, state)
			select club_id, id, 0, tool_id, member_id, tstzrange(starts, starts + ` + long + `), tstzrange(starts, starts + ` + long + ` + interval '2 hours'), '` + state + `' from made`,
		`drop table made`, `analyze`,
	} {
		if _, err := admin.Exec(t.Context(), sql); err != nil {
			t.Fatalf("%v\n%s", err, sql)
		}
	}
}

// remember adds what was returned, up to so many of each tool.
func (s *shelves) remember(t testing.TB, past int) {
	t.Helper()
	s.promise(t, "returned", fmt.Sprintf(`generate_series(%d, %d) n`, -past, -s.past-1), `interval '60 hours'`, `interval '30 hours'`)
	s.past = past
}

// lastBatch keeps the last query of a batch, and counts batches.
type lastBatch struct {
	trips int
	sql   string
	args  []any
}

func (l *lastBatch) TraceBatchStart(ctx context.Context, _ *pgx.Conn, _ pgx.TraceBatchStartData) context.Context {
	l.trips++
	return ctx
}

func (l *lastBatch) TraceBatchQuery(_ context.Context, _ *pgx.Conn, q pgx.TraceBatchQueryData) {
	if strings.Contains(q.SQL, "booking") {
		l.sql, l.args = q.SQL, q.Args
	}
}
func (l *lastBatch) TraceBatchEnd(context.Context, *pgx.Conn, pgx.TraceBatchEndData) {}
func (l *lastBatch) TraceQueryStart(ctx context.Context, _ *pgx.Conn, _ pgx.TraceQueryStartData) context.Context {
	l.trips++
	return ctx
}
func (l *lastBatch) TraceQueryEnd(context.Context, *pgx.Conn, pgx.TraceQueryEndData) {}

func (s *shelves) traced(t testing.TB) (*postgres.DB, *lastBatch) {
	t.Helper()
	cfg, err := pgxpool.ParseConfig(s.db.AppURL)
	if err != nil {
		t.Fatal(err)
	}
	seen := &lastBatch{}
	cfg.MaxConns = 1
	cfg.ConnConfig.Tracer = seen
	pool, err := pgxpool.NewWithConfig(t.Context(), cfg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(pool.Close)
	return &postgres.DB{Pool: pool}, seen
}

func (s *shelves) ask(t testing.TB, db *postgres.DB, days int) *lending.Free {
	t.Helper()
	var free *lending.Free
	err := db.Read(t.Context(), s.club, func(b *postgres.Batch) {
		free = lending.CommonFree(b, lending.Need{Tools: []string{"m1-2", "m100-2", "m200-2", "m300-3", "m400-3"}}, lending.Period{From: s.now, Until: s.now.AddDate(0, 0, days)}, 8*time.Hour, 1)
	})
	if err != nil {
		t.Fatal(err)
	}
	return free
}

// cost is what EXPLAIN (ANALYZE, BUFFERS) says of a search.
type cost struct {
	Buffers  int // shared, touched
	Bookings int // rows of booking that were read
	SeqScans []string
	Indexes  []string
	Millis   float64
}

type costNode struct {
	Type     string     `json:"Node Type"`
	Relation string     `json:"Relation Name"`
	Index    string     `json:"Index Name"`
	Rows     float64    `json:"Actual Rows"`
	Loops    float64    `json:"Actual Loops"`
	Removed  float64    `json:"Rows Removed by Filter"`
	Hit      int        `json:"Shared Hit Blocks"`
	Read     int        `json:"Shared Read Blocks"`
	Plans    []costNode `json:"Plans"`
}

func (c *cost) walk(n costNode) {
	if strings.HasSuffix(n.Type, "Seq Scan") {
		c.SeqScans = append(c.SeqScans, n.Relation)
	}
	if n.Relation == "booking" {
		c.Bookings += int(n.Loops * (n.Rows + n.Removed))
		c.Indexes = append(c.Indexes, n.Index)
	}
	for _, p := range n.Plans {
		c.walk(p)
	}
}

func (s *shelves) costOf(t testing.TB, days int) cost {
	t.Helper()
	db, seen := s.traced(t)
	s.ask(t, db, days)
	seen.trips = 0
	free := s.ask(t, db, days) // now everything is prepared
	if seen.trips != 1 {
		t.Errorf("%d round trips, want 1", seen.trips)
	}
	if days == 365 && len(free.Periods()) != 1 {
		t.Errorf("five tools that are promised half of the time are never free together in a year")
	}
	for _, p := range free.Periods() {
		var taken int
		if err := s.db.Owner.QueryRow(t.Context(), `select count(*) from booking b join tool t on t.id = b.tool_id where t.number = any($1) and b.held && tstzrange($2, $3)`,
			p.Tools, p.From, p.Until).Scan(&taken); err != nil {
			t.Fatal(err)
		}
		if len(p.Tools) != 5 || taken != 0 || p.Until.Sub(p.From) < 8*time.Hour {
			t.Errorf("answered %v, in which %d promises lie", p, taken)
		}
	}
	tx, err := s.db.App.Begin(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer tx.Rollback(context.WithoutCancel(t.Context())) //nolint:errcheck // nothing was written
	var raw []byte
	if _, err := tx.Exec(t.Context(), `select set_config('app.club', $1, true)`, s.club.String()); err != nil {
		t.Fatal(err)
	}
	if err := tx.QueryRow(t.Context(), `explain (analyze, buffers, format json) `+seen.sql, seen.args...).Scan(&raw); err != nil {
		t.Fatal(err)
	}
	var tops []struct {
		Plan   costNode
		Millis float64 `json:"Execution Time"`
	}
	if err := json.Unmarshal(raw, &tops); err != nil {
		t.Fatal(err)
	}
	c := cost{Buffers: tops[0].Plan.Hit + tops[0].Plan.Read, Millis: tops[0].Millis}
	c.walk(tops[0].Plan)
	slices.Sort(c.Indexes)
	c.Indexes = slices.Compact(c.Indexes)
	return c
}

// The search costs what is promised in the time that is looked through, whatever
// was promised before it.
func TestCommonFreeCostsWhatLiesAheadAndNotWhatLiesBehind(t *testing.T) {
	t.Parallel()
	little, much, ahead := 2, 20, 10 // of each of the thousand tools
	if os.Getenv("PINWRIGHT_LONG") != "" {
		little, much, ahead = 10, 1000, 100
	}
	s := newShelves(t, ahead)
	s.remember(t, little)
	before := s.costOf(t, 365)
	s.remember(t, much)
	after := s.costOf(t, 365)
	month, quarter := s.costOf(t, 30), s.costOf(t, 91)
	t.Logf("%d promises ahead; %d behind: %+v; %d behind: %+v; of 91 days %+v, of 30 days %+v", ahead*shelved, little*shelved, before, much*shelved, after, quarter, month)
	for name, c := range map[string]cost{"before": before, "after": after, "a quarter": quarter, "a month": month} {
		if len(c.SeqScans) > 0 || slices.Compare(c.Indexes, []string{"booking_ahead"}) != 0 && slices.Compare(c.Indexes, []string{"booking_ahead", "booking_pkey"}) != 0 {
			t.Errorf("%s: read from end to end %v, bookings by %v", name, c.SeqScans, c.Indexes)
		}
	}
	if after.Buffers > 2*before.Buffers {
		t.Errorf("%d pages touched with %d promises behind, %d with %d: more than twice as many", after.Buffers, much*shelved, before.Buffers, little*shelved)
	}
	if most := before.Bookings + 5; after.Bookings > most { // one may have come that ends within the window
		t.Errorf("%d promises read of those ahead, and %d when more lay behind", before.Bookings, after.Bookings)
	}
	// Five tools: what lies within the window, one behind it each, and one that began before it.
	for days, c := range map[int]cost{30: month, 91: quarter, 365: after} {
		if most := 5 * (ahead*days/365 + 4); c.Bookings > most {
			t.Errorf("%d days: %d promises read, at most %d expected", days, c.Bookings, most)
		}
	}
	if month.Buffers >= after.Buffers || month.Bookings >= quarter.Bookings || quarter.Bookings >= after.Bookings {
		t.Errorf("a shorter window does not cost less: %+v, %+v, %+v", month, quarter, after)
	}
}

// The same search by the service's way, and as one prepared statement by bare pgx.
func BenchmarkFirstCommonFreePeriodOfFiveTools(b *testing.B) {
	s := newShelves(b, 100)
	s.remember(b, 10)
	db, seen := s.traced(b)
	s.ask(b, db, 365)
	b.Run("service", func(b *testing.B) {
		for range b.N {
			s.ask(b, db, 365)
		}
	})
	b.Run("pgx", func(b *testing.B) {
		conn, err := s.db.App.Acquire(b.Context())
		if err != nil {
			b.Fatal(err)
		}
		defer conn.Release()
		for range b.N {
			batch := &pgx.Batch{}
			batch.Queue("begin read only")
			batch.Queue(`select set_config('app.club', $1, true)`, s.club.String())
			batch.Queue(seen.sql, seen.args...)
			batch.Queue("commit")
			if err := conn.SendBatch(b.Context(), batch).Close(); err != nil {
				b.Fatal(err)
			}
		}
	})
}
