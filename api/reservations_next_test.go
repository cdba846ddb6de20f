package api_test

import (
	"net/http"
	"sync"
	"testing"
	"time"
)

func TestNextFreeHoursBooksTheNextStretchAgainAndAgain(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.stock([3]string{"reamer-9", "R-1"}, [3]string{"puller", "P-1"})
	w.alwaysOpen()
	next := map[string]any{"lines": []map[string]any{{"tool_model": "reamer-9"}, {"tool": "P-1"}}, "next_free_hours": 24}
	var last time.Time
	for i := range 3 {
		r := w.do("POST", w.at("reservations"), w.as("member"), next).want(201).wantTools("R-1", "P-1")
		from, err := time.Parse(time.RFC3339, r.str("lines", 0, "period", "from"))
		if err != nil {
			t.Fatal(err)
		}
		if until := r.str("lines", 1, "period", "until"); until != from.Add(24*time.Hour).Format(time.RFC3339) {
			t.Errorf("booking %d ends %s, want a day after %s", i, until, from)
		}
		if i > 0 && from.Before(last.Add(26*time.Hour)) { // a day and the turnaround of two hours
			t.Errorf("booking %d begins %s, too soon after %s", i, from, last)
		}
		last = from
	}
	w.do("POST", w.at("reservations"), w.as("member"), map[string]any{"lines": next["lines"], "next_free_hours": 24, "period": w.period(0, 5)}).want(422).wantFault("/next_free_hours")
	w.do("POST", w.at("reservations"), w.as("member"), map[string]any{"lines": []map[string]any{{}}, "next_free_hours": 24}).want(422).wantFault("/lines/0")
	w.do("POST", w.at("reservations"), w.as("member"), map[string]any{"lines": []map[string]any{{"tool": "none"}}, "next_free_hours": 24}).want(422).wantFault("/lines/0/tool")
	w.do("PATCH", w.at("tools/P-1"), w.officer, map[string]any{"state": "quarantine"}, header{"If-Match", "*"}).want(200)
	w.do("POST", w.at("reservations"), w.as("member"), next).want(409)
}

func TestRacersForTheNextFreeStretchGetOneAfterTheOther(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.stock([3]string{"reamer-9", "R-1"})
	w.alwaysOpen()
	token := w.as("member")
	var group sync.WaitGroup
	starts := make([]string, 16)
	for i := range starts {
		group.Go(func() {
			r := w.do("POST", w.at("reservations"), token, map[string]any{"lines": []map[string]any{{"tool": "R-1"}}, "next_free_hours": 10})
			if r.status == http.StatusCreated {
				starts[i] = r.str("lines", 0, "period", "from")
			}
		})
	}
	group.Wait()
	seen := map[string]bool{}
	for i, s := range starts {
		if s == "" || seen[s] {
			t.Errorf("racer %d was answered %q; want a stretch of its own", i, s)
		}
		seen[s] = true
	}
	if n := w.db.Deadlocks(t); n != 0 {
		t.Errorf("%d deadlocks", n)
	}
}
