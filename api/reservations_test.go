package api_test

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
)

func TestReservationHoldsItsToolsAndTheTurnaround(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.stock([3]string{"reamer-9", "R-1"}, [3]string{"puller", "P-1"})
	made := w.do("POST", w.at("reservations"), w.as("member"), map[string]any{"purpose": "hinges", "lines": []map[string]any{
		{"tool": "R-1", "period": w.period(30, 40)}, {"tool_model": "puller"}}, "period": w.period(0, 10)}).want(201).wantTools("R-1", "P-1")
	made.wantTime(w.hour(30), "lines", 0, "period", "from").wantTime(w.hour(40), "lines", 0, "period", "until").wantTime(w.hour(42), "lines", 0, "held", "until")
	made.wantTime(w.hour(0), "lines", 1, "held", "from").wantTime(w.hour(12), "lines", 1, "held", "until")
	if made.str("lines", 0, "caution") != "Mind the edges of reamer-9." || made.str("state") != "reserved" || made.str("purpose") != "hinges" {
		t.Errorf("reservation: %s", made.body)
	}
	seen := w.do("GET", made.header.Get("Location"), w.as("auditor"), nil).want(200)
	if string(seen.body) != string(made.body) || seen.header.Get("ETag") != made.header.Get("ETag") {
		t.Errorf("made %s\nseen %s", made.body, seen.body)
	}
	w.do("GET", made.header.Get("Location"), w.officer, nil, header{"If-None-Match", seen.header.Get("ETag")}).want(304)
	w.do("GET", w.at("reservations/"+newID()), w.officer, nil).want(404).wantProblem("not-found")

	// The club's default turnaround is two hours: the next may begin exactly then, and end exactly two hours before.
	w.reserve(w.officer, 41, 50, toolLine("R-1")).want(409).wantProblem("tool-taken").wantTime(w.hour(42), "taken", 0, "free_from")
	w.reserve(w.officer, 42, 50, toolLine("R-1")).want(201)
	w.reserve(w.officer, 20, 29, toolLine("R-1")).want(409).wantProblem("tool-taken").wantTime(w.hour(52), "taken", 0, "free_from")
	w.reserve(w.officer, 20, 28, toolLine("R-1")).want(201)
}

func TestReservationIsAllOrNothing(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.stock([3]string{"reamer-9", "R-1"}, [3]string{"puller", "P-1"})
	w.reserve(w.officer, 0, 10, toolLine("R-1")).want(201)
	before := w.do("GET", w.at("reservations"), w.officer, nil).want(200)
	refused := w.reserve(w.officer, 5, 8, toolLine("P-1"), toolLine("R-1")).want(409).wantProblem("tool-taken")
	if got := refused.num("taken", 0, "line"); got != 1 || refused.get("taken", 1) != nil || refused.str("taken", 0, "tools", 0) != "R-1" {
		t.Errorf("taken: %s", refused.body)
	}
	if !strings.Contains(refused.str("detail"), "R-1 is taken from") || !strings.Contains(refused.str("detail"), "send the request again") {
		t.Errorf("the detail does not tell what to do: %s", refused.str("detail"))
	}
	after := w.do("GET", w.at("reservations"), w.officer, nil).want(200)
	if string(before.body) != string(after.body) {
		t.Errorf("a refused request left something:\n%s\n%s", before.body, after.body)
	}
	w.reserve(w.officer, 5, 8, toolLine("P-1")).want(201)
}

func TestRefusalOffersTheNextDaysAtTheSameTimeOfTheClock(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.stock([3]string{"reamer-9", "R-1"}, [3]string{"puller", "P-1"})
	lisbon, err := time.LoadLocation("Europe/Lisbon")
	if err != nil {
		t.Fatal(err)
	}
	ten := 0 // hours until ten in the morning, when no clock is changed
	for w.hour(ten).In(lisbon).Hour() != 10 {
		ten++
	}
	w.reserve(w.officer, ten, ten+10, toolLine("R-1")).want(201)
	w.reserve(w.officer, ten+24, ten+34, toolLine("P-1")).want(201)
	ask := map[string]any{"lines": []map[string]any{
		{"tool": "R-1", "period": w.period(ten, ten+4)}, {"tool": "P-1", "period": w.period(ten+72, ten+73)}}}
	refused := w.do("POST", w.at("reservations"), w.officer, ask).want(409).wantProblem("tool-taken")
	list, _ := refused.get("next_common_free").([]any)
	if len(list) != 5 {
		t.Fatalf("%d next periods\n%s", len(list), refused.body)
	}
	for i := range list {
		shift := func(n int) time.Time {
			at := w.hour(ten + n).In(lisbon)
			return time.Date(at.Year(), at.Month(), at.Day()+i+1, at.Hour(), 0, 0, 0, lisbon)
		}
		refused.wantTime(shift(0), "next_common_free", i, "from").wantTime(shift(73), "next_common_free", i, "until")
	}
	if diff := cmp.Diff([]any{"P-1", "R-1"}, refused.get("next_common_free", 0, "tools")); diff != "" {
		t.Error(diff)
	}
	// The first offer can be had.
	w.do("POST", w.at("reservations"), w.officer, map[string]any{"lines": []map[string]any{
		{"tool": "R-1", "period": map[string]any{"from": refused.str("next_common_free", 0, "from"), "until": w.hour(ten + 28)}},
		{"tool": "P-1", "period": map[string]any{"from": w.hour(ten + 96), "until": refused.str("next_common_free", 0, "until")}}}}).want(201)
}

func TestModelLineGetsTheLowestFreeToolAndSeveralGetDifferentOnes(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.stock([3]string{"gauge", "G-3"}, [3]string{"gauge", "G-1"}, [3]string{"gauge", "G-2"}, [3]string{"gauge", "G-0", "quarantine"}, [3]string{"press", "B-1"})
	w.reserve(w.officer, 0, 10, modelLine("gauge")).want(201).wantTools("G-1")
	// A tool that is named is kept for its own line.
	w.reserve(w.officer, 0, 10, modelLine("gauge"), toolLine("G-2")).want(201).wantTools("G-3", "G-2")
	refused := w.reserve(w.officer, 2, 4, modelLine("gauge")).want(409).wantProblem("tool-taken").wantTime(w.hour(12), "taken", 0, "free_from")
	if diff := cmp.Diff([]any{"G-1", "G-2", "G-3"}, refused.get("taken", 0, "tools")); diff != "" {
		t.Error(diff)
	}
	w.reserve(w.officer, 20, 30, modelLine("gauge"), modelLine("gauge"), modelLine("gauge")).want(201).wantTools("G-1", "G-2", "G-3")
	tooMany := w.reserve(w.officer, 40, 50, modelLine("gauge"), modelLine("gauge"), modelLine("gauge"), modelLine("gauge")).want(409).wantProblem("tool-taken")
	if tooMany.num("taken", 0, "line") != 3 || !strings.Contains(tooMany.str("detail"), "not enough") || len(tooMany.get("next_common_free").([]any)) != 0 {
		t.Errorf("four of three: %s", tooMany.body)
	}
	// The lowest number is not kept for the first line when only it suits the second.
	w.reserve(w.officer, 60, 70, toolLine("G-2"), toolLine("G-3")).want(201)
	w.do("POST", w.at("reservations"), w.officer, map[string]any{"lines": []map[string]any{
		{"tool_model": "gauge", "period": w.period(80, 90)}, {"tool_model": "gauge", "period": w.period(60, 70)}}}).want(201).wantTools("G-2", "G-1")
	// One tool serves two lines whose times lie apart, where there is no other.
	w.do("POST", w.at("reservations"), w.officer, map[string]any{"lines": []map[string]any{
		{"tool_model": "press", "period": w.period(0, 10)}, {"tool_model": "press", "period": w.period(12, 20)}}}).want(201).wantTools("B-1", "B-1")
}

func TestToolsOutOfServiceAreNotLent(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.stock([3]string{"a", "A-1", "quarantine"}, [3]string{"b", "B-1", "lost"}, [3]string{"c", "C-1", "retired"}, [3]string{"d", "D-1"})
	for number, words := range map[string]string{"A-1": "A-1 is in quarantine", "B-1": "B-1 is lost", "C-1": "C-1 is retired"} {
		refused := w.reserve(w.officer, 0, 10, toolLine("D-1"), toolLine(number)).want(409).wantProblem("not-lendable")
		if !strings.Contains(refused.str("detail"), words) || refused.num("not_lendable", 0, "line") != 1 || refused.str("not_lendable", 0, "tools", 0) != number {
			t.Errorf("%s", refused.body)
		}
	}
	w.reserve(w.officer, 0, 10, modelLine("a")).want(409).wantProblem("not-lendable")
	w.reserve(w.officer, 0, 10, toolLine("D-1")).want(201)
}

func TestReservationFaultsAreToldAllAtOnce(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.stock([3]string{"reamer-9", "R-1"}, [3]string{"puller", "P-1"})
	post := func(body any) *response { return w.do("POST", w.at("reservations"), w.officer, body) }
	post(map[string]any{"recommendation": newID(), "lines": []map[string]any{
		{"tool": "R-1", "tool_model": "puller", "period": w.period(0, 1)},
		{"period": w.period(0, 1)},
		{"tool": "nothing", "period": w.period(0, 1)},
		{"tool_model": "nothing", "period": w.period(0, 1)},
		{"tool": "R-1"},
		{"tool": "R-1", "period": w.period(5, 6), "days": map[string]any{"first": "2026-01-01", "last": "2026-01-01"}},
		{"tool": "R-1", "period": w.period(10, 10)},
		{"tool": "R-1", "period": w.period(-3, 10)},
		{"tool": "R-1", "period": w.period(0, 90*24+1)},
		{"tool": "R-1", "period": w.period(390*24, 401*24)},
		{"tool": "P-1", "days": map[string]any{"first": "2019-01-01", "last": "2019-01-02"}},
		{"tool": "P-1", "days": map[string]any{"first": w.hour(72).Format(time.DateOnly), "last": w.hour(24).Format(time.DateOnly)}},
	}}).want(422).wantProblem("invalid-request").
		wantFault("/recommendation").wantFault("/lines/0/tool_model").wantFault("/lines/1").wantFault("/lines/2/tool").wantFault("/lines/3/tool_model").
		wantFault("/lines/4/period").wantFault("/lines/5/days").wantFault("/lines/6/period/until").wantFault("/lines/7/period/from").
		wantFault("/lines/8/period/until").wantFault("/lines/9/period/until").wantFault("/lines/10/days/first").wantFault("/lines/11/days/last")
	common := post(map[string]any{"period": w.period(4, 2), "lines": lines(toolLine("R-1"), toolLine("P-1"))}).want(422).wantFault("/period/until")
	if common.get("errors", 1) != nil {
		t.Errorf("one fault is told twice: %s", common.body)
	}
	w.reserve(w.officer, 0, 4, toolLine("R-1"), toolLine("R-1")).want(422).wantFault("/lines/1/tool")
	post(map[string]any{"lines": []map[string]any{{"tool": "R-1", "period": w.period(0, 4)}, {"tool": "R-1", "period": w.period(5, 8)}}}).want(422).wantFault("/lines/1/tool")
	post(map[string]any{"lines": []map[string]any{{"tool": "R-1", "period": w.period(0, 4)}, {"tool": "R-1", "period": w.period(6, 8)}}}).want(201)
	post(map[string]any{"period": w.period(0, 1), "lines": []any{}}).want(422).wantFault("/lines")
	w.reserve(w.as("treasurer"), 20, 24, toolLine("R-1")).want(403).wantProblem("missing-role")
	// What lies within the grace and exactly at the bounds is taken.
	w.do("POST", w.at("reservations"), w.officer, map[string]any{"lines": []map[string]any{
		{"tool": "P-1", "period": map[string]any{"from": w.clock.now().Add(-time.Hour), "until": w.clock.now().Add(-time.Hour + 90*24*time.Hour)}}}}).want(201)
	w.do("POST", w.at("reservations"), w.officer, map[string]any{"lines": []map[string]any{
		{"tool": "P-1", "period": map[string]any{"from": w.clock.now().Add(399 * 24 * time.Hour), "until": w.clock.now().Add(400 * 24 * time.Hour)}}}}).want(201)
	// Less than the database's microsecond is no period.
	at := w.hour(24 * 100)
	post(map[string]any{"lines": []map[string]any{{"tool": "P-1", "period": map[string]any{"from": at, "until": at.Add(300 * time.Nanosecond)}}}}).want(422).wantFault("/lines/0/period/until")
}

func TestDaysAreOpeningHoursOfTheToolsGarage(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.stock([3]string{"puller", "P-1"})
	w.stockAt("harbour", "America/Halifax", [3]string{"press", "B-1"})
	w.opensByDay()
	first, last := w.hour(48), w.hour(96)
	made := w.do("POST", w.at("reservations"), w.officer, map[string]any{"days": map[string]any{"first": first.Format(time.DateOnly), "last": last.Format(time.DateOnly)},
		"lines": lines(toolLine("P-1"), modelLine("press"))}).want(201)
	for i, name := range []string{"Europe/Lisbon", "America/Halifax"} {
		zone, err := time.LoadLocation(name)
		if err != nil {
			t.Fatal(err)
		}
		made.wantTime(time.Date(first.Year(), first.Month(), first.Day(), 8, 0, 0, 0, zone), "lines", i, "period", "from")
		made.wantTime(time.Date(last.Year(), last.Month(), last.Day(), 20, 0, 0, 0, zone), "lines", i, "period", "until")
	}
}

func TestCancellingFreesTheToolsAtOnce(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.stock([3]string{"reamer-9", "R-1"}, [3]string{"puller", "P-1"})
	made := w.reserve(w.as("member"), 0, 10, toolLine("R-1"), toolLine("P-1")).want(201)
	at := w.at("reservations/" + made.str("id") + "/cancel")
	w.reserve(w.officer, 0, 10, toolLine("R-1")).want(409)
	w.do("POST", at, w.as("treasurer"), nil).want(403).wantProblem("missing-role")
	w.do("POST", at, w.as("member,treasurer"), nil).want(403).wantProblem("missing-role")
	w.do("POST", at, w.as("member"), map[string]any{"occurred_at": w.clock.now().Add(time.Second)}).want(422).wantFault("/occurred_at")
	w.do("POST", at, w.as("member"), map[string]any{"occurred_at": w.clock.now().Add(-time.Second)}).want(422).wantFault("/occurred_at")
	w.do("POST", w.at("reservations/"+newID()+"/cancel"), w.officer, nil).want(404).wantProblem("not-found")
	w.clock.advance(time.Minute)
	happened := w.clock.now().Add(-30 * time.Second)
	key := header{"Idempotency-Key", newID()}
	body := map[string]any{"reason": "pins are late", "occurred_at": happened}
	gone := w.do("POST", at, w.as("member"), body, key).want(200).wantTime(happened, "cancelled_at")
	if gone.str("state") != "cancelled" || gone.str("lines", 1, "state") != "cancelled" || gone.str("cancel_reason") != "pins are late" || gone.num("version") != 2 {
		t.Errorf("cancelled: %s", gone.body)
	}
	again := w.do("POST", at, w.as("member"), body, key).want(200)
	if string(again.body) != string(gone.body) || again.header.Get("Idempotency-Replayed") != "true" {
		t.Errorf("the repeated request is answered\n%s\nafter\n%s", again.body, gone.body)
	}
	if seen := w.do("GET", w.at("reservations/"+made.str("id")), w.officer, nil).want(200); string(seen.body) != string(gone.body) || seen.header.Get("ETag") == made.header.Get("ETag") {
		t.Errorf("cancelled %s\nseen %s", gone.body, seen.body)
	}
	w.do("POST", at, w.as("member"), nil).want(409).wantProblem("not-allowed-now")
	other := w.reserve(w.officer, 0, 10, toolLine("R-1")).want(201)
	w.do("POST", w.at("reservations/"+other.str("id")+"/cancel"), w.as("tool_keeper"), nil).want(200)

	out := w.reserve(w.officer, 0, 10, toolLine("R-1")).want(201)
	if _, err := w.db.Owner.Exec(t.Context(), `update booking set state = 'out' where reservation_id = $1`, out.str("id")); err != nil {
		t.Fatal(err)
	}
	w.do("POST", w.at("reservations/"+out.str("id")+"/cancel"), w.officer, nil).want(409).wantProblem("not-allowed-now")
}

func TestReservationsAreListedNewestFirst(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.stock([3]string{"reamer-9", "R-1"}, [3]string{"puller", "P-1"})
	var ids []string
	for i := range 4 {
		token, tool := w.officer, "R-1"
		if i%2 == 1 {
			token, tool = w.as("member"), "P-1"
		}
		ids = append([]string{w.reserve(token, i*20, i*20+10, toolLine(tool)).want(201).str("id")}, ids...)
	}
	list := func(query string) (got []string, next string) {
		r := w.do("GET", w.at("reservations"+query), w.as("auditor"), nil).want(200)
		for i := range r.get("items").([]any) {
			got = append(got, r.str("items", i, "id"))
			if r.str("items", i, "lines", 0, "tool_number") == "" {
				t.Errorf("no lines: %s", r.body)
			}
		}
		return got, r.str("next")
	}
	first, next := list("?limit=3")
	second, end := list("?limit=3&cursor=" + next)
	if diff := cmp.Diff(ids, append(first, second...)); diff != "" || end != "" {
		t.Error(diff, end)
	}
	for query, want := range map[string][]string{
		"?tool=R-1": {ids[1], ids[3]}, "?member=T-member": {ids[0], ids[2]}, "?member=M1&tool=P-1": nil, "?member=M1&tool=R-1": {ids[1], ids[3]},
	} {
		got, _ := list(query)
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("%s: %s", query, diff)
		}
	}
	w.do("GET", w.at("reservations?tool=none"), w.officer, nil).want(422).wantFault("?tool")
	w.do("GET", w.at("reservations?member=none"), w.officer, nil).want(422).wantFault("?member")
}

func TestRoundTripsOfReservations(t *testing.T) {
	t.Parallel()
	w, counted := roundTripWorld(t)
	var taken []string
	for i := range 3 {
		taken = append(taken, w.at("reservations/"+w.reserve(w.officer, i*10, i*10+2, toolLine("M7")).want(201).str("id")))
	}
	for _, row := range []struct {
		what    string
		trips   int64
		request func(turn int) *response
		status  int
	}{
		{"a reservation", 1, func(turn int) *response { return w.do("GET", taken[turn], w.officer, nil) }, 200},
		{"a refusal: lookups, when the tools are free, and giving back the locks", 3,
			func(turn int) *response { return w.reserve(w.officer, turn*10+1, turn*10+2, toolLine("M7")) }, 409},
		{"cancelling", 2, func(turn int) *response { return w.do("POST", taken[turn]+"/cancel", w.officer, nil) }, 200},
	} {
		for turn := range 3 {
			told, socket := counted.told.Load(), counted.socket.Load()
			row.request(turn).want(row.status)
			told, socket = counted.told.Load()-told, counted.socket.Load()-socket
			if turn == 2 && (told != row.trips || socket != row.trips) { // the first prepares
				t.Errorf("%s took %d round trips as the driver tells and %d as the socket shows, want %d", row.what, told, socket, row.trips)
			}
		}
	}
}

// What shows of tools and models changes the reservation's ETag, or a cache would
// keep an old caution.
func TestReservationShowsWhatChangesOnItsTools(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.stock([3]string{"reamer-9", "R-1"})
	made := w.reserve(w.officer, 0, 4, toolLine("R-1")).want(201)
	w.do("PATCH", w.at("tool-models/reamer-9"), w.officer, raw(`{"caution":"Feed it by hand only."}`), header{"If-Match", "*"}).want(200)
	seen := w.do("GET", made.header.Get("Location"), w.officer, nil, header{"If-None-Match", made.header.Get("ETag")}).want(200)
	if seen.str("lines", 0, "caution") != "Feed it by hand only." {
		t.Errorf("%s", seen.body)
	}
	late := w.reserve(w.officer, 10, 14, toolLine("R-1")).want(201)
	if again := w.do("GET", late.header.Get("Location"), w.officer, nil).want(200); again.header.Get("ETag") != late.header.Get("ETag") || string(again.body) != string(late.body) {
		t.Errorf("made %s\nseen %s", late.body, again.body)
	}
}

// The constraint is the backstop for whoever writes without locking the tool: it
// refuses like the check does.
func TestOverlapFoundByTheConstraintIsTheSameRefusal(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.stock([3]string{"reamer-9", "R-1"})
	member := w.as("member")
	tx, err := w.db.Owner.Begin(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	id := uuid.Must(uuid.NewV7())
	if _, err := tx.Exec(t.Context(), `insert into reservation (club_id, id, member_id, created_at) select club_id, $2, id, $3 from member where club_id = $1 and number = 'M1'`,
		w.club.ClubID, id, w.clock.now()); err != nil {
		t.Fatal(err)
	}
	if _, err := tx.Exec(t.Context(), `insert into booking (club_id, reservation_id, line, tool_id, period, held)
		select club_id, $2, 0, id, tstzrange($3, $4), tstzrange($3, $4) from tool where club_id = $1 and number = 'R-1'`, w.club.ClubID, id, w.hour(0), w.hour(10)); err != nil {
		t.Fatal(err)
	}
	answered := make(chan *response)
	go func() { answered <- w.reserve(member, 5, 8, toolLine("R-1")) }()
	waitFor(t, w, `select exists (select from pg_stat_activity where datname = current_database() and usename = 'pinwright_app' and wait_event_type = 'Lock')`)
	w.othersWrite()
	if err := tx.Commit(t.Context()); err != nil {
		t.Fatal(err)
	}
	r := (<-answered).want(409).wantProblem("tool-taken")
	if r.str("taken", 0, "tools", 0) != "R-1" {
		t.Errorf("%s", r.body)
	}
}

// waitFor waits until the query is true.
func waitFor(t testing.TB, w *world, query string) {
	t.Helper()
	conn := w.db.Pool(t, w.db.AdminURL, 1)
	for range 500 {
		var yes bool
		if err := conn.QueryRow(t.Context(), query).Scan(&yes); err != nil {
			t.Fatal(err)
		}
		if yes {
			return
		}
		time.Sleep(10 * time.Millisecond)
	}
	t.Fatalf("never true: %s", query)
}
