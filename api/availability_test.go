package api_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

func TestAvailabilityLeavesRoomForTheTurnaroundOnBothSides(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.stock([3]string{"reamer-9", "R-1"}, [3]string{"puller", "P-1"})
	w.alwaysOpen()
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
	w.alwaysOpen()
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
	w.alwaysOpen()
	get := func(query string) *response { return w.do("GET", w.at("availability"+query), w.officer, nil) }
	get("").want(422).wantFault("?tool")
	get("?kit=none&garage=nowhere").want(422).wantFault("?kit").wantFault("?garage")
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

// why lists the reasons of the n-th failed time.
func why(r *response, n int) (out []string) {
	list, _ := r.get("failed", n, "because").([]any)
	for i := range list {
		tool, _ := r.get("failed", n, "because", i, "tool").(string)
		out = append(out, strings.TrimSpace(tool+" "+r.str("failed", n, "because", i, "reason")))
	}
	return out
}

func TestAvailabilityTellsWhyNothingFitsBefore(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.stock([3]string{"reamer-9", "R-1"}, [3]string{"puller", "P-1"}, [3]string{"gauge", "G-1", "quarantine"})
	w.alwaysOpen()
	w.reserve(w.officer, 10, 20, toolLine("R-1")).want(201)
	w.reserve(w.officer, 30, 50, toolLine("P-1")).want(201)
	from := "&from=" + w.hour(0).Format(time.RFC3339)
	r := w.do("GET", w.at("availability?tool=R-1&tool=P-1&duration_hours=24"+from), w.as("member"), nil).want(200)
	r.wantTime(w.hour(52), "periods", 0, "from").wantTime(w.hour(76), "periods", 0, "ends").wantTime(w.hour(0), "failed", 0, "from").wantTime(w.hour(52), "failed", 0, "until")
	// P-1 could be had from the beginning, and R-1 from 22 on.
	if diff := cmp.Diff([]string{"too_short"}, why(r, 0)); diff != "" || r.get("failed", 0, "because", 0, "tool") != nil {
		t.Errorf("%s%s", diff, r.body)
	}
	r = w.do("GET", w.at("availability?tool=P-1&duration_hours=29"+from), w.as("member"), nil).want(200)
	if diff := cmp.Diff([]string{"P-1 cleaning", "P-1 reserved", "P-1 too_short"}, slices.Sorted(slices.Values(why(r, 0)))); diff != "" {
		t.Errorf("%s%s", diff, r.body)
	}
	if !strings.Contains(string(r.body), "P-1 is reserved from ") || !strings.Contains(string(r.body), "P-1 is free for 28 h at most from then on, and needed for 29 h.") {
		t.Errorf("in words: %s", r.body)
	}
	r = w.do("GET", w.at("availability?tool=P-1&tool_model=gauge&tool_model=gauge&duration_hours=1"+from), w.as("member"), nil).want(200)
	if diff := cmp.Diff([]string{"too_few", "G-1 quarantine"}, why(r, 0)); diff != "" || len(r.get("periods").([]any)) != 0 {
		t.Errorf("%s%s", diff, r.body)
	}
	r.wantTime(w.hour(0), "failed", 0, "from").wantTime(w.hour(90*24), "failed", 0, "until")
}

func TestAvailabilityKeepsToOpeningHoursClosuresAndWays(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.stock([3]string{"reamer-9", "R-1"}) // at the dock in Lisbon, open from 08:00 to 20:00
	w.stockAt("quay", "Europe/Lisbon", [3]string{"puller", "P-1"})
	w.opensByDay()
	exec := func(sql string, args ...any) {
		if _, err := w.db.Owner.Exec(t.Context(), sql, args...); err != nil {
			t.Fatal(err)
		}
	}
	exec(`insert into garage_hours (club_id, garage_id, weekday, opens, closes) select club_id, id, d, '18:00', '22:00' from garage, generate_series(1, 6, 1) d where code = 'quay'`)
	kit := newID()
	exec(`insert into kit (club_id, id, code, name) values ($1, $2, 'hinges', 'Hinge kit')`, w.club.ClubID, kit)
	exec(`insert into kit_part (club_id, kit_id, ordinal, tool_id) select club_id, $1, row_number() over (), id from tool`, kit)
	exec(`insert into kit (club_id, id, code, name) values ($1, gen_random_uuid(), 'empty', 'Empty kit')`, w.club.ClubID)
	exec(`insert into kit (club_id, id, code, name, retired_at) values ($1, gen_random_uuid(), 'old', 'Old kit', now())`, w.club.ClubID)
	for _, code := range []string{"empty", "old"} {
		w.do("GET", w.at("availability?kit="+code), w.officer, nil).want(422).wantFault("?kit")
	}
	zone, err := time.LoadLocation("Europe/Lisbon")
	if err != nil {
		t.Fatal(err)
	}
	// The Monday after next, in weeks without a change of the clock.
	monday := time.Date(2026, time.June, 1, 0, 0, 0, 0, zone)
	for monday.Before(w.clock.now().AddDate(0, 0, 3)) {
		monday = monday.AddDate(0, 0, 7)
	}
	at := func(days, hour int) time.Time {
		return time.Date(monday.Year(), monday.Month(), monday.Day()+days, hour, 0, 0, 0, zone)
	}
	get := func(query string, days int) *response {
		return w.do("GET", w.at("availability?"+query+"&from="+at(0, 0).UTC().Format(time.RFC3339)+"&until="+at(days, 0).UTC().Format(time.RFC3339)), w.as("member"), nil).want(200)
	}
	// Each at home: the dock and the quay are both open from 18:00 to 20:00, not on Sundays.
	r := get("kit=hinges&duration_hours=5", 7)
	r.wantTime(at(0, 18), "periods", 0, "from").wantTime(at(1, 18), "periods", 0, "ends").wantTime(at(5, 20), "periods", 0, "until")
	if byModel := get("tool_model=reamer-9&tool_model=puller&duration_hours=5", 7); cmp.Diff(r.get("periods"), byModel.get("periods")) != "" {
		t.Errorf("by name and by model:\n%s\n%s", r.body, byModel.body)
	}
	// All at the dock: the puller has an hour's way from the quay, as the club has it.
	r = get("tool=P-1&tool=R-1&garage=dock&duration_hours=5", 7)
	r.wantTime(at(0, 8), "periods", 0, "from").wantTime(at(0, 13), "periods", 0, "ends").wantTime(at(6, 20), "periods", 0, "until")
	if !strings.Contains(r.str("summary"), "free together at dock from") {
		t.Errorf("summary: %s", r.str("summary"))
	}
	// A closed Monday, and a puller that is at the quay's until Tuesday noon.
	w.do("POST", w.at("closures"), w.officer, row{"garage": "dock", "first_day": at(0, 0).Format(time.DateOnly), "last_day": at(0, 0).Format(time.DateOnly)}).want(201)
	w.do("PUT", w.at("travel-times"), w.officer, row{"travel_times": []row{{"garage": "dock", "other_garage": "quay", "minutes": 180}}}).want(200)
	exec(`with r as (insert into reservation (club_id, id, member_id, created_at) select club_id, $1, id, now() from member limit 1 returning club_id, id)
		insert into booking (club_id, reservation_id, line, tool_id, period, held) select r.club_id, r.id, 0, t.id, tstzrange($2, $3), tstzrange($2, $4) from r, tool t where t.number = 'P-1'`,
		newID(), at(0, 18), at(1, 10), at(1, 12))
	r = get("tool=P-1&tool=R-1&garage=dock&duration_hours=5", 7)
	r.wantTime(at(1, 15), "periods", 0, "from").wantTime(at(1, 20), "periods", 0, "ends").wantTime(at(6, 20), "periods", 0, "until")
	got := why(r, 0)
	for _, reason := range []string{"P-1 reserved", "P-1 cleaning", "P-1 travel"} {
		if !slices.Contains(got, reason) {
			t.Errorf("%s is missing: %s", reason, r.body)
		}
	}
	if strings.Contains(fmt.Sprint(got), "R-1") {
		t.Errorf("the reamer could be had: %s", r.body)
	}
	r = get("tool=R-1&duration_hours=2", 1)
	if diff := cmp.Diff([]string{"R-1 closed"}, why(r, 0)); diff != "" || len(r.get("periods").([]any)) != 0 {
		t.Errorf("%s%s", diff, r.body)
	}
}
