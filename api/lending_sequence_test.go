package api_test

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"maps"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"os"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/uuid"

	"pinwright/api"
	"pinwright/internal/lending"
	"pinwright/internal/loan"
	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
	"pinwright/internal/waiting"
)

// sequence is a club whose members and keeper do what chance says; after each
// step the service must know what the record knows.
type sequence struct {
	*world
	*record
	t       *testing.T
	r       *rand.Rand
	keeper  string
	numbers []string // of the members
	tokens  []string
	told    []string // what was done last
	undo    func()   // tries to undo the last step
	counts  map[string]int
	bare    bool // requests go to the handler with nothing around them
}

// newSequence is one at its beginning. A bare one leaves out what holds every answer
// against the contract and counts all rows around a refusal, which takes longer than
// the step; the shorter runs have both.
func newSequence(t *testing.T, seed uint64, bare bool) *sequence {
	t.Helper()
	db := pgtest.New(t)
	url := db.AppURL
	if bare {
		url += "&plan_cache_mode=force_generic_plan" // half of the time is planning, else
	}
	db.App = db.Pool(t, url, 2) // few connections prepare each statement few times
	w := newWorldOn(t, db, db.App, func(o *api.Options) {
		if bare {
			o.Log = slog.New(slog.DiscardHandler)
		}
	})
	w.clock.mu.Lock()
	w.clock.at = w.clock.at.Truncate(time.Minute)
	w.clock.mu.Unlock()
	s := &sequence{world: w, t: t, r: rand.New(rand.NewPCG(seed, 1)), keeper: w.as("tool_keeper"), counts: map[string]int{}, bare: bare,
		record: &record{models: map[string][]string{}, model: map[string]string{}, state: map[string]string{}}}
	for m := range 6 {
		for n := range []int{3, 3, 2, 1, 1, 1}[m] {
			model, number := fmt.Sprint("model-", m), fmt.Sprintf("W%d-%d", m, n)
			w.stockAt("dock", "UTC", [3]string{model, number})
			s.models[model], s.model[number], s.state[number] = append(s.models[model], number), model, "in_service"
		}
	}
	w.alwaysOpen()
	w.kit("box", "W0-0", "any model-1")
	if _, err := w.db.Owner.Exec(t.Context(), fmt.Sprintf(`insert into lending_rule (club_id, at_once) select club_id, %d from club`, mostAtOnce)); err != nil {
		t.Fatal(err)
	}
	for i := range 8 {
		number := fmt.Sprint("B", i)
		m := w.do("POST", w.at("members"), w.officer, map[string]any{"number": number, "name": "Borrower " + number, "roles": []string{"member"}}).want(201)
		s.numbers = append(s.numbers, number)
		s.tokens = append(s.tokens, w.do("POST", w.at("tokens"), w.officer, map[string]any{"id": newID(), "label": "sequence", "member": m.str("id")}).want(201).str("token"))
	}
	return s
}

// ask sends a step with a key that is as old as the world's clock says.
func (s *sequence) ask(path, token string, body any) *response {
	id := uuid.Must(uuid.NewV7())
	ms := s.now.UnixMilli()
	for i := range 6 {
		id[i] = byte(ms >> (40 - 8*i))
	}
	if !s.bare {
		return s.do("POST", s.at(path), token, body, header{"Idempotency-Key", id.String()})
	}
	var text []byte
	var err error
	if body != nil {
		if text, err = json.Marshal(body); err != nil {
			s.t.Fatal(err)
		}
	}
	r := httptest.NewRequestWithContext(s.t.Context(), http.MethodPost, s.at(path), bytes.NewReader(text))
	r.Header.Set("Authorization", "Bearer "+token)
	r.Header.Set("Idempotency-Key", id.String())
	if body != nil {
		r.Header.Set("Content-Type", "application/json")
	}
	rec := httptest.NewRecorder()
	s.handler.ServeHTTP(rec, r)
	return &response{t: s.t, what: "POST " + s.at(path), status: rec.Code, header: rec.Result().Header, body: rec.Body.Bytes()}
}

func (s *sequence) fail(format string, args ...any) {
	s.t.Helper()
	s.t.Fatalf("%s\nthe last steps:\n%s", fmt.Sprintf(format, args...), strings.Join(s.told, "\n"))
}

func (s *sequence) tell(format string, args ...any) {
	s.told = append(s.told, fmt.Sprintf(format, args...))
	if len(s.told) > 12 {
		s.told = s.told[1:]
	}
}

// answered holds the kind of answer and reports whether the step was done.
func (s *sequence) answered(r *response, refused string) bool {
	s.t.Helper()
	s.tell("%s: %d %s", r.what, r.status, strings.TrimPrefix(r.kind(), "/problems/"))
	if refused == "" && r.status >= http.StatusMultipleChoices || refused != "" && r.kind() != "/problems/"+refused {
		s.fail("%s answered %d %s, the record says %q", r.what, r.status, r.body, refused)
	}
	return refused == ""
}

// kind is the type of a problem; empty of what is none.
func (r *response) kind() string {
	if r.status < http.StatusBadRequest {
		return ""
	}
	var p struct{ Type string }
	_ = json.Unmarshal(r.body, &p)
	return p.Type
}

// bookedLine is what a step answers of a line or loan.
type bookedLine struct {
	ID          string `json:"id"`
	Reservation string `json:"reservation_id"`
	Line        int    `json:"line"`
	Tool        string `json:"tool_number"`
	Period      struct{ From, Until time.Time }
	State       string
}

func (s *sequence) lines(r *response, of string) []bookedLine {
	var members map[string]json.RawMessage
	var out []bookedLine
	if err := json.Unmarshal(r.body, &members); err != nil {
		s.t.Fatal(err)
	}
	if err := json.Unmarshal(members[of], &out); err != nil {
		s.t.Fatalf("%s: %v in %s", r.what, err, r.body)
	}
	return out
}

func (s *sequence) tool() string { return s.pick(slices.Sorted(maps.Keys(s.state))) }

func (s *sequence) pick(of []string) string { return of[s.r.IntN(len(of))] }

// promised is a promise in that state, at random; nil when there is none.
func (s *sequence) promised(state string) *promise {
	var of []*promise
	for _, p := range s.promises {
		if p.state == state && (state != "reserved" || p.until.After(s.now)) {
			of = append(of, p)
		}
	}
	if len(of) == 0 {
		return nil
	}
	return of[s.r.IntN(len(of))]
}

// pass lets time go by, and the sweeps say what it brings: more than an hour, after
// which everybody who waits is looked for anew.
func (s *sequence) pass() {
	d := time.Duration(61+s.r.IntN(15*60)) * time.Minute
	s.clock.advance(d)
	s.now = s.clock.now()
	s.tell("%s later", d)
	db := &postgres.DB{Pool: s.db.App}
	for _, job := range []struct {
		name   string
		sweep  func(context.Context, *postgres.DB, uuid.UUID, time.Time) (int, error)
		record func()
	}{{"lending", lending.Sweep, s.decideOverdue}, {"waiting", waiting.Sweep, s.offers}, {"loan", loan.Sweep, s.record.sweep}} {
		if _, err := job.sweep(s.t.Context(), db, s.club.ClubID, s.now); err != nil {
			s.fail("%s: %v", job.name, err)
		}
		if n, err := job.sweep(s.t.Context(), db, s.club.ClubID, s.now); n != 0 || err != nil {
			s.fail("%s: swept twice at the same moment, the second time %d changes, %v", job.name, n, err)
		}
		job.record()
	}
}

// step is one operation, or its undoing.
func (s *sequence) step() {
	s.clock.advance(time.Second) // nothing ever happens at the very moment of something else
	s.now = s.clock.now()
	undo := s.undo
	s.undo = nil
	if undo != nil && s.r.IntN(5) == 0 {
		s.counts["undo"]++
		undo()
		return
	}
	kind := s.pick([]string{"reserve", "reserve", "reserve", "reserve", "change", "change", "cancel", "hand out", "hand out", "hand out", "take back", "take back",
		"extend", "hand over", "lose or find", "find", "decide", "join", "join", "answer", "answer", "pass", "pass"})
	s.counts[kind]++
	switch kind {
	case "reserve":
		s.reserve()
	case "change":
		s.change()
	case "cancel":
		s.cancel()
	case "hand out":
		s.handOut()
	case "take back":
		s.takeBack()
	case "extend":
		s.extend()
	case "hand over":
		s.handOver()
	case "lose or find":
		if s.r.IntN(3) == 0 {
			s.lose()
		} else {
			s.find()
		}
	case "find":
		s.find()
	case "decide":
		s.decideFor()
	case "join":
		s.join()
	case "answer":
		s.answer()
	case "pass":
		s.pass()
	}
}

// compare holds everything that the service keeps against the record: each promise
// and none else, the state of each tool, the open loans, the events of what came
// late; and that nothing held overlaps.
func (s *sequence) compare() {
	s.t.Helper()
	rows, err := s.db.Owner.Query(s.t.Context(), `
		select b.reservation_id::text, b.line, t.number, lower(b.period), upper(b.period), lower(b.held), upper(b.held), b.state, coalesce(b.endangered, ''), coalesce(l.id::text, ''), l.late_at is not null,
			coalesce(b.choice + 1, 0), coalesce(b.decide_by, 'epoch')
		from booking b join tool t on t.club_id = b.club_id and t.id = b.tool_id
		left join loan l on l.club_id = b.club_id and l.reservation_id = b.reservation_id and l.line = b.line and l.ended is null`)
	if err != nil {
		s.t.Fatal(err)
	}
	defer rows.Close()
	type key struct {
		reservation string
		line        int
	}
	known := make(map[key]*promise, len(s.promises))
	for _, p := range s.promises {
		known[key{p.reservation, p.line}] = p
	}
	seen := 0
	for rows.Next() {
		var p promise
		if err := rows.Scan(&p.reservation, &p.line, &p.tool, &p.from, &p.until, &p.heldFrom, &p.heldUntil, &p.state, &p.endangered, &p.loan, &p.late, &p.choice, &p.decideBy); err != nil {
			s.t.Fatal(err)
		}
		seen++
		want := known[key{p.reservation, p.line}]
		if want == nil {
			s.fail("the record knows nothing of %v", &p)
		}
		still := *want
		if p.state != "reserved" || !p.until.After(s.now) {
			still.endangered, p.endangered = "", "" // it is over
		}
		if !p.is(&still) {
			s.fail("the service keeps   %v %s late %v\nthe record, however, %v %s late %v", &p, p.loan, p.late, &still, still.loan, still.late)
		}
	}
	if err := rows.Err(); err != nil {
		s.t.Fatal(err)
	}
	if seen != len(s.promises) {
		s.fail("%d promises are kept, of %d", seen, len(s.promises))
	}
	for i, p := range s.promises {
		if p.state == "cancelled" || p.state == "lost" || !p.heldUntil.After(s.now) {
			continue
		}
		for _, q := range s.promises[:i] {
			if q.tool == p.tool && q.state != "cancelled" && q.state != "lost" && q.heldFrom.Before(p.heldUntil) && p.heldFrom.Before(q.heldUntil) {
				s.fail("these overlap:\n%v\n%v", q, p)
			}
		}
	}
	var states []string
	var lates int
	var line []string
	if err := s.db.Owner.QueryRow(s.t.Context(), `select array_agg(number || ' ' || state order by number collate "C"), (select count(*) from event where type = 'loan.late'),
			(select array_agg(id || ' ' || state order by id) from waiting_entry) from tool`).Scan(&states, &lates, &line); err != nil {
		s.t.Fatal(err)
	}
	if got, want := fmt.Sprint(line), fmt.Sprint(s.inLine()); got != want {
		s.fail("in line are %s\nthe record says %s", got, want)
	}
	var want []string
	for _, tool := range slices.Sorted(maps.Keys(s.state)) {
		want = append(want, tool+" "+s.state[tool])
	}
	if !slices.Equal(states, want) || lates != s.lates {
		s.fail("tools are %v with %d events of lateness, the record says %v with %d", states, lates, want, s.lates)
	}
}

// Random operations of many members over many tools are answered as a plain
// record says, and leave what it says, all of it compared after each: 2,000 in every
// run, 100,000 in the long ones. Sequences are short, so that what is compared stays
// little. PINWRIGHT_SEED repeats one.
func TestLendingFollowsAPlainRecord(t *testing.T) {
	t.Parallel()
	const steps = 500
	long := os.Getenv("PINWRIGHT_LONG") == "1"
	sequences := 4
	if long {
		sequences = 200
	}
	seed := uint64(time.Now().UnixNano())
	if text := os.Getenv("PINWRIGHT_SEED"); text != "" {
		sequences = 1
		if _, err := fmt.Sscan(text, &seed); err != nil {
			t.Fatal(err)
		}
	}
	var busy atomic.Int64
	began := time.Now()
	t.Cleanup(func() {
		n := sequences * steps
		t.Logf("%d operations in %.0f s, each %.1f ms from its sending until all was compared", n, time.Since(began).Seconds(), float64(busy.Load())/float64(n)/1e6)
	})
	slots := make(chan struct{}, 2)
	for n := range sequences {
		t.Run(fmt.Sprint(seed+uint64(n)), func(t *testing.T) {
			t.Parallel()
			slots <- struct{}{}
			defer func() { <-slots }()
			s := newSequence(t, seed+uint64(n), long)
			s.now = s.clock.now()
			from := time.Now()
			for range steps {
				s.step()
				s.compare()
			}
			busy.Add(int64(time.Since(from)))
			s.wantNoOverlap()
			t.Log(s.counts)
		})
	}
}
