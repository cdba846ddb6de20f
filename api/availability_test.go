package api_test

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

func TestAvailabilityLeavesRoomForTheTurnaroundOnBothSides(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.stock([3]string{"reamer-9", "R-1"}, [3]string{"puller", "P-1"})
	w.reserve(w.officer, 10, 20, toolLine("R-1")).want(201)
	w.reserve(w.officer, 40, 50, toolLine("P-1")).want(201)
	r := w.do("GET", w.at("availability?tool=R-1&tool_model=puller&duration_hours=8&from="+w.hour(0).Format(time.RFC3339)), w.as("auditor"), nil).want(200)
	r.wantTime(w.hour(0), "periods", 0, "from").wantTime(w.hour(8), "periods", 0, "until")
	r.wantTime(w.hour(22), "periods", 1, "from").wantTime(w.hour(38), "periods", 1, "until")
	r.wantTime(w.hour(52), "periods", 2, "from").wantTime(w.hour(90*24), "periods", 2, "until")
	if diff := cmp.Diff([]any{"P-1", "R-1"}, r.get("periods", 0, "tools")); diff != "" || r.get("periods", 3) != nil {
		t.Errorf("%s%s", diff, r.body)
	}
	if !strings.HasPrefix(r.str("summary"), "R-1 and a puller are free together from ") {
		t.Errorf("summary: %s", r.str("summary"))
	}
	// All of an answered stretch can be booked.
	w.reserve(w.officer, 22, 38, toolLine("R-1"), toolLine("P-1")).want(201)
}

func TestAvailabilityOfAModelIsOneToolFromEndToEnd(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.stock([3]string{"gauge", "G-1"}, [3]string{"gauge", "G-2"}, [3]string{"gauge", "G-3", "quarantine"}, [3]string{"lamp", "L-1", "lost"})
	w.reserve(w.officer, 20, 1000, toolLine("G-1")).want(201)
	w.reserve(w.officer, 0, 12, toolLine("G-2")).want(201)
	get := func(query string) *response { return w.do("GET", w.at("availability?"+query), w.officer, nil) }
	until := "&until=" + w.hour(30).Format(time.RFC3339) + "&from=" + w.hour(0).Format(time.RFC3339)
	r := get("tool_model=gauge&duration_hours=10" + until).want(200)
	r.wantTime(w.hour(0), "periods", 0, "from").wantTime(w.hour(18), "periods", 0, "until").wantTime(w.hour(14), "periods", 1, "from").wantTime(w.hour(30), "periods", 1, "until")
	if diff := cmp.Diff([]any{[]any{"G-1"}, []any{"G-2"}, nil}, []any{r.get("periods", 0, "tools"), r.get("periods", 1, "tools"), r.get("periods", 2)}); diff != "" {
		t.Error(diff)
	}
	if r := get("tool_model=gauge&duration_hours=19" + until).want(200); len(r.get("periods").([]any)) != 0 || !strings.Contains(r.str("summary"), "not free for 19 h") {
		t.Errorf("no tool has 19 hours in one piece: %s", r.body)
	}
	both := get("tool_model=gauge&tool_model=gauge&duration_hours=4"+until).want(200).wantTime(w.hour(14), "periods", 0, "from").wantTime(w.hour(18), "periods", 0, "until")
	if diff := cmp.Diff([]any{"G-1", "G-2"}, both.get("periods", 0, "tools")); diff != "" {
		t.Error(diff)
	}
	for query, words := range map[string]string{"tool=G-3&tool=G-1": "G-3 is in quarantine", "tool_model=lamp": "no lamp is in service"} {
		if r := get(query).want(200); len(r.get("periods").([]any)) != 0 || !strings.Contains(r.str("summary"), words) {
			t.Errorf("%s: %s", query, r.body)
		}
	}
	if r := get("tool=G-2&first=1&duration_hours=1").want(200); r.get("periods", 1) != nil || r.get("periods", 0) == nil {
		t.Errorf("first=1: %s", r.body)
	}
}

func TestAvailabilityFaults(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.stock([3]string{"gauge", "G-1"})
	get := func(query string) *response { return w.do("GET", w.at("availability"+query), w.officer, nil) }
	get("").want(422).wantFault("?tool")
	get("?tool=G-1&tool=none&tool_model=none").want(422).wantFault("?tool").wantFault("?tool_model")
	get("?tool=G-1&until=" + w.clock.now().Add(-time.Hour).Format(time.RFC3339)).want(422).wantFault("?until")
	get("?tool=G-1&until=" + w.clock.now().Add(401*24*time.Hour).Format(time.RFC3339)).want(422).wantFault("?until")
	get("?tool=G-1&duration_hours=0&first=51").want(422).wantFault("?duration_hours").wantFault("?first")
	past := get("?tool=G-1&from=2020-01-01T00:00:00Z&duration_hours=1").want(200)
	past.wantTime(w.clock.now().Truncate(time.Minute), "periods", 0, "from")
	byID := get("?tool_model=" + modelID(w, "gauge") + "&from=2020-01-01T00:00:00Z&duration_hours=1").want(200)
	if diff := cmp.Diff(past.get("periods"), byID.get("periods")); diff != "" {
		t.Error(diff)
	}
}

func modelID(w *world, code string) string {
	w.t.Helper()
	var id string
	if err := w.db.Owner.QueryRow(w.t.Context(), `select id::text from tool_model where code = $1`, code).Scan(&id); err != nil {
		w.t.Fatal(err)
	}
	return id
}
