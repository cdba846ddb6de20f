package api_test

import (
	"log/slog"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/api"
	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
	"pinwright/internal/repair"
)

// crashing is a world whose service dies between any two acts: its pool is closed with
// no shutdown, and another process begins anew on the same database.
type crashing struct {
	*world
	pool    *pgxpool.Pool
	crashes bool
	began   time.Time
}

func newCrashing(t *testing.T, crashes bool) *crashing {
	t.Helper()
	db := pgtest.New(t)
	c := &crashing{crashes: crashes, pool: poolOf(t, db)}
	c.world = newWorldOn(t, db, c.pool)
	c.began = c.clock.now()
	return c
}

func poolOf(t testing.TB, db *pgtest.DB) *pgxpool.Pool {
	t.Helper()
	pool, err := pgxpool.New(t.Context(), db.AppURL)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(pool.Close)
	return pool
}

// boundary is where a crash would come. A sweep runs behind it, as in every minute.
func (c *crashing) boundary() {
	c.t.Helper()
	if c.crashes {
		c.pool.Close()
		c.pool = poolOf(c.t, c.db)
		server, err := api.New(api.Options{Pool: c.pool, Now: c.clock.now, Log: slog.New(slog.NewJSONHandler(c.log, nil))})
		if err != nil {
			c.t.Fatal(err)
		}
		c.handler = server.Handler()
	}
	if _, err := repair.Sweep(c.t.Context(), &postgres.DB{Pool: c.pool}, c.club.ClubID, c.clock.now()); err != nil {
		c.t.Fatal(err)
	}
}

// kept describes all that must not be lost, by times since the world began.
func (c *crashing) kept() []string {
	c.t.Helper()
	rows, err := c.db.Owner.Query(c.t.Context(), `
		select concat_ws(' ', 'step', s.key, s.state, s.rounds_done, s.began_at - $1, s.done_at - $1, s.note, s.version) from repair_step s
		union all select concat_ws(' ', 'timer', s.key, t.kind, t.round, t.began_at - $1, t.due_at - $1, t.most_at - $1, t.rung_at - $1, t.overstayed_at - $1, t.stopped_at - $1) from repair_timer t join repair_step s on s.id = t.step_id
		union all select concat_ws(' ', 'act', s.key, a.kind, a.round, a.occurred_at - $1, a.recorded_at - $1, a.note) from repair_act a join repair_step s on s.id = a.step_id
		union all select concat_ws(' ', 'reading', r.kind, r.size_nm, r.stage, r.taken_at - $1) from reading r
		union all select concat_ws(' ', 'event', type, count(*)) from event where type like 'repair.%' group by type
		union all select concat_ws(' ', 'repair', state, signed_at - $1) from repair order by 1`, c.began)
	if err != nil {
		c.t.Fatal(err)
	}
	out, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		c.t.Fatal(err)
	}
	return out
}

// job takes the short procedure from its beginning to the signature, with a boundary
// between any two acts.
func (c *crashing) job() {
	c.t.Helper()
	member := c.as("member")
	wagon(c.world, "upper")
	short(c.world)
	act := func(after time.Duration, token, step, what string, body row) {
		c.t.Helper()
		c.clock.advance(after)
		c.boundary()
		stepAct(c.world, token, step, what, body).want(200)
	}
	repairOf(c.world, "short", "upper").want(201)
	act(time.Minute, member, "soak", "begin", row{})
	act(24*time.Hour, member, "soak", "begin", row{"note": "second"})
	act(25*time.Hour, member, "soak", "begin", row{})
	act(3*time.Hour, member, "soak", "finish", row{"note": "It moved"})
	act(time.Hour, member, "bath", "begin", row{})
	act(2*time.Hour, member, "bath", "finish", row{}) // it overstayed
	for _, size := range []string{"8.01 mm", "8.02 mm"} {
		c.clock.advance(time.Minute)
		c.boundary()
		c.do("POST", c.at("readings"), member, row{"vehicle": "wrenfield", "joint": "upper", "value": size, "with": "inside_micrometer", "stage": "cleaned", "taken_at": c.clock.now()}).want(201)
	}
	act(time.Minute, member, "measure", "finish", row{})
	act(time.Minute, member, "decide", "finish", row{})
	act(time.Minute, c.as("tool_keeper"), "cut", "leave-out", row{"reason": "Nothing to cut"})
	act(time.Minute, member, "look", "begin", row{})
	act(time.Minute, c.officer, "look", "finish", row{})
	c.boundary()
	c.do("POST", c.at("repairs/R1/sign-off"), member, row{}).want(200)
	c.boundary()
}

func TestACrashBetweenAnyTwoActsLosesNothing(t *testing.T) {
	t.Parallel()
	calm, shaken := newCrashing(t, false), newCrashing(t, true)
	calm.job()
	shaken.job()
	if diff := cmp.Diff(calm.kept(), shaken.kept()); diff != "" {
		t.Errorf("-without crashes +with one between any two acts:\n%s", diff)
	}
	text := strings.Join(shaken.kept(), "\n")
	for _, want := range []string{"event repair.timer_due 4", "event repair.timer_overstayed 1", "event repair.step_done 6", "repair signed"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is not in\n%s", want, text)
		}
	}
}

func TestAnEditOfTheProcedureChangesNoRunningRepair(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	wagon(w, "upper")
	short(w)
	repairOf(w, "short", "upper").want(201)
	member := w.as("member")
	before := string(w.do("GET", w.at("repairs/R1/steps"), member, nil).want(200).body)
	// Editions that would hold everything up.
	impossible := row{"key": "soak", "name": "Soak", "phase": "free", "per": "joint", "instructions": []string{"Wait."}, "minutes": 1, "closed_by": "officer", "wait": row{"kind": "creep", "minutes": 86400}}
	for edition := range 2 {
		w.do("POST", w.at("procedures/short/editions"), w.officer, row{"from_edition": edition + 1, "steps": []row{impossible}}).want(201)
		if after := string(w.do("GET", w.at("repairs/R1/steps"), member, nil).want(200).body); after != before {
			t.Errorf("after edition %d the steps are\n%s\nbefore\n%s", edition+2, after, before)
		}
	}
	w.do("POST", w.at("procedures/short/retire"), w.officer, nil).want(200)
	begun := stepAct(w, member, "soak", "begin", row{}).want(200)
	if begun.num("rounds") != 3 || begun.str("timers", 0, "kind") != "repeat" {
		t.Errorf("begun by the new edition: %s", begun.body)
	}
	if _, err := w.db.App.Exec(t.Context(), `update procedure_edition set steps = '[]'`); err == nil {
		t.Error("the service's role may change an edition")
	}
	w.do("POST", w.at("procedures/short/bring-back"), w.officer, nil).want(200)
	w.do("POST", w.at("repairs/R1/abandon"), w.officer, row{"reason": "Begin anew"}).want(200)
	if anew := repairOf(w, "short", "upper").want(201); anew.num("edition") != 3 || anew.num("steps_total") != 1 {
		t.Errorf("a new one follows %s", anew.body)
	}
}

// Two phones tell the same at the same moment.
func TestPhonesThatTellTheSameMakeOneTimerAndOneEvent(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	wagon(w, "upper")
	short(w)
	repairOf(w, "short", "upper").want(201)
	tokens := []string{w.as("member"), w.officer, w.as("tool_keeper")}
	all := func(act string, body row) {
		t.Helper()
		var wg sync.WaitGroup
		for i := range 6 {
			wg.Go(func() { stepAct(w, tokens[i%len(tokens)], "soak", act, body).want(200) })
		}
		wg.Wait()
	}
	all("begin", row{})
	all("finish", row{"early": true, "note": "It came out"})
	if e := repairEvents(w); e["repair.step_begun"] != 1 || e["repair.step_done"] != 1 {
		t.Errorf("journal %v", e)
	}
	if n := w.tally(`select count(*) from repair_timer`); n != 1 {
		t.Errorf("%d timers", n)
	}
	// The database refuses a second timer by itself.
	if _, err := w.db.Owner.Exec(t.Context(), `update repair_timer set stopped_at = null, stopped_by = null;
		insert into repair_timer (club_id, id, repair_id, step_id, kind, round, began_at, due_at) select club_id, gen_random_uuid(), repair_id, step_id, kind, 2, began_at, due_at from repair_timer`); err == nil || !strings.Contains(err.Error(), "repair_timer_running") {
		t.Errorf("two timers of a step: %v", err)
	}

	// Sweeps at once ring once, and so does a request that is repeated with its key.
	w.clock.advance(48 * time.Hour)
	var wg sync.WaitGroup
	for range 4 {
		wg.Go(func() { w.sweepRepairs() })
	}
	wg.Wait()
	key := header{"Idempotency-Key", newID()}
	at := w.at("repairs/R1/steps/bath/begin")
	one := w.do("POST", at, w.officer, row{}, key).want(200)
	if two := w.do("POST", at, w.officer, row{}, key).want(200); string(two.body) != string(one.body) || two.header.Get("Idempotency-Replayed") != "true" {
		t.Errorf("repeated %s", two.body)
	}
	if e := repairEvents(w); e["repair.step_begun"] != 2 {
		t.Errorf("journal %v", e)
	}
}

// Six begin a repair of one joint at once: one does.
func TestAJointIsInOneOpenRepairHoweverManyBeginOne(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	wagon(w, "upper", "lower")
	w.as("member")
	var mu sync.Mutex
	status := map[int]int{}
	var wg sync.WaitGroup
	for i := range 8 {
		wg.Go(func() {
			position := []string{"upper", "lower"}[i%2]
			r := repairOf(w, "door-hinge", position)
			mu.Lock()
			defer mu.Unlock()
			status[r.status]++
		})
	}
	wg.Wait()
	if status[201] != 2 || status[409] != 6 {
		t.Errorf("answers %v, want a repair of each joint", status)
	}
	if n := w.tally(`select count(distinct number) from repair`); n != 2 {
		t.Errorf("%d numbers", n)
	}
}
