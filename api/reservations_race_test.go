package api_test

import (
	"fmt"
	"log/slog"
	"math/rand/v2"
	"sync"
	"testing"
	"time"

	"pinwright/api"
)

// patient lets requests queue for the four connections of the pool.
func (w *world) patient() *world {
	w.t.Helper()
	server, err := api.New(api.Options{Pool: w.db.App, Now: w.clock.now, Log: slog.New(slog.DiscardHandler), Limits: api.Limits{Request: 3 * time.Minute}})
	if err != nil {
		w.t.Fatal(err)
	}
	w.handler = server.Handler()
	return w
}

// race runs n requests at once and counts the answers by status.
func race(n int, request func(i int) *response) (map[int]int, []*response) {
	answers := make([]*response, n)
	gate := make(chan struct{})
	var all sync.WaitGroup
	for i := range n {
		all.Add(1)
		go func() {
			defer all.Done()
			<-gate
			answers[i] = request(i)
		}()
	}
	close(gate)
	all.Wait()
	count := map[int]int{}
	for _, a := range answers {
		count[a.status]++
	}
	return count, answers
}

// wantNoOverlap looks past the constraint whether two promises of a tool
// overlap, and asks the server whether writers waited in a circle (40P01).
func (w *world) wantNoOverlap() {
	w.t.Helper()
	w.wantNothingPromisedTwice()
	if n := w.db.Deadlocks(w.t); n > 0 {
		w.t.Errorf("writers waited in a circle %d times", n)
	}
}

func (w *world) wantNothingPromisedTwice() {
	w.t.Helper()
	var overlaps int
	if err := w.db.Owner.QueryRow(w.t.Context(), `
		select count(*) from booking a join booking b on a.club_id = b.club_id and a.tool_id = b.tool_id and a.held && b.held
		and (a.reservation_id, a.line) < (b.reservation_id, b.line)
		where a.state in ('reserved', 'out') and b.state in ('reserved', 'out')`).Scan(&overlaps); err != nil {
		w.t.Fatal(err)
	}
	if overlaps > 0 {
		w.t.Errorf("%d pairs of promises overlap", overlaps)
	}
}

func TestStampedeForOneToolHasOneWinner(t *testing.T) {
	t.Parallel()
	for _, clients := range []int{32, 200} {
		t.Run(fmt.Sprint(clients, " clients"), func(t *testing.T) {
			t.Parallel()
			w := newWorld(t).patient()
			w.stock([3]string{"reamer-9", "R-1"})
			token := w.as("member")
			count, answers := race(clients, func(int) *response { return w.reserve(token, 0, 10, toolLine("R-1")) })
			if count[201] != 1 || count[409] != clients-1 {
				t.Errorf("answers by status: %v", count)
			}
			for _, a := range answers {
				if a.status == 409 {
					a.wantProblem("tool-taken").wantTime(w.hour(12), "taken", 0, "free_from")
				}
			}
			w.wantNoOverlap()
		})
	}
}

func TestStampedeForAModelHasAsManyWinnersAsTools(t *testing.T) {
	t.Parallel()
	w := newWorld(t).patient()
	w.stock([3]string{"gauge", "G-1"}, [3]string{"gauge", "G-2"}, [3]string{"gauge", "G-3"})
	token := w.as("member")
	count, answers := race(24, func(int) *response { return w.reserve(token, 0, 10, modelLine("gauge")) })
	got := map[string]bool{}
	for _, a := range answers {
		if a.status == 201 {
			got[a.str("lines", 0, "tool_number")] = true
		}
	}
	if count[201] != 3 || count[409] != 21 || len(got) != 3 {
		t.Errorf("answers by status: %v, tools: %v", count, got)
	}
	w.wantNoOverlap()
}

// Kits share tools and are asked for in every order, with cancellations between:
// writers that locked in the order of asking would wait in a circle.
func TestRacingKitsNeverOverlapNorDeadlock(t *testing.T) {
	t.Parallel()
	w := newWorld(t).patient()
	w.stock([3]string{"gauge", "G-1"}, [3]string{"gauge", "G-2"}, [3]string{"reamer-9", "R-1"}, [3]string{"puller", "P-1"})
	token := w.as("member")
	kits := [][]map[string]any{
		lines(toolLine("G-1"), toolLine("R-1"), toolLine("P-1")), lines(toolLine("P-1"), toolLine("R-1"), toolLine("G-1")),
		lines(toolLine("R-1"), toolLine("G-2"), toolLine("P-1")), lines(modelLine("gauge"), toolLine("P-1"), toolLine("R-1")),
		lines(toolLine("R-1"), modelLine("gauge"), modelLine("gauge")),
	}
	count, answers := race(120, func(i int) *response {
		random := rand.New(rand.NewPCG(uint64(i), 7))
		from := random.IntN(40)
		r := w.reserve(token, from, from+6, kits[i%len(kits)]...)
		if r.status == 201 && i%3 == 0 {
			w.do("POST", w.at("reservations/"+r.str("id")+"/cancel"), token, nil).want(200)
		}
		return r
	})
	if count[201]+count[409] != 120 || count[201] < 3 || count[409] < 3 {
		t.Errorf("answers by status: %v", count)
	}
	for _, a := range answers {
		if a.status == 409 {
			a.wantProblem("tool-taken")
		}
	}
	w.wantNoOverlap()
}

func TestHundredEqualRequestsReserveOnce(t *testing.T) {
	t.Parallel()
	w := newWorld(t).patient()
	w.stock([3]string{"reamer-9", "R-1"})
	token, key := w.as("member"), header{"Idempotency-Key", newID()}
	body := map[string]any{"period": w.period(0, 10), "lines": lines(toolLine("R-1"))}
	count, answers := race(100, func(int) *response { return w.do("POST", w.at("reservations"), token, body, key) })
	if count[201] != 100 {
		t.Fatalf("answers by status: %v", count)
	}
	fresh := 0
	for _, a := range answers {
		if string(a.body) != string(answers[0].body) || a.header.Get("ETag") != answers[0].header.Get("ETag") || a.header.Get("Location") != answers[0].header.Get("Location") {
			t.Errorf("answers differ:\n%s\n%s", a.body, answers[0].body)
		}
		if a.header.Get("Idempotency-Replayed") == "" {
			fresh++
		}
	}
	var reservations, bookings, events int
	if err := w.db.Owner.QueryRow(t.Context(), `select (select count(*) from reservation), (select count(*) from booking), (select count(*) from event where type = 'reservation.created')`).
		Scan(&reservations, &bookings, &events); err != nil {
		t.Fatal(err)
	}
	if fresh != 1 || reservations != 1 || bookings != 1 || events != 1 {
		t.Errorf("%d answers unmarked, %d reservations, %d bookings, %d events", fresh, reservations, bookings, events)
	}
	w.wantNoOverlap()
}
