package api_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
)

// exec runs SQL as the schema's owner, with the club's id as $1.
func (w *world) exec(sql string, args ...any) {
	w.t.Helper()
	if _, err := w.db.Owner.Exec(w.t.Context(), sql, append([]any{w.club.ClubID}, args...)...); err != nil {
		w.t.Fatalf("%v\n%s", err, sql)
	}
}

// kit puts a kit of parts into the club: a tool's number, or "any " and a model's
// code.
func (w *world) kit(code string, parts ...string) {
	w.t.Helper()
	id := uuid.Must(uuid.NewV7())
	w.exec(`insert into kit (club_id, id, code, name) values ($1, $2, $3, $3)`, id, code)
	for i, p := range parts {
		if model, any := strings.CutPrefix(p, "any "); any {
			w.exec(`insert into kit_part (club_id, kit_id, ordinal, model_id) values ($1, $2, $3, (select id from tool_model where club_id = $1 and code = $4))`, id, i, model)
		} else {
			w.exec(`insert into kit_part (club_id, kit_id, ordinal, tool_id) values ($1, $2, $3, (select id from tool where club_id = $1 and number = $4))`, id, i, p)
		}
	}
}

// travels says how long tools travel between two garages.
func (w *world) travels(a, b string, minutes int) {
	w.t.Helper()
	w.exec(`insert into travel_time (club_id, garage_id, other_garage_id, minutes) select $1, least(a.id, b.id), greatest(a.id, b.id), $4
		from garage a, garage b where a.club_id = $1 and b.club_id = $1 and a.code = $2 and b.code = $3`, a, b, minutes)
}

// of reads a value of the club from the database.
func (w *world) of(sql string, args ...any) (out string) {
	w.t.Helper()
	if err := w.db.Owner.QueryRow(w.t.Context(), sql, append([]any{w.club.ClubID}, args...)...).Scan(&out); err != nil {
		w.t.Fatalf("%v\n%s", err, sql)
	}
	return out
}

// member adds a member, and returns a token of theirs and their id.
func (w *world) member(number string) (token, id string) {
	w.t.Helper()
	m := w.do("POST", w.at("members"), w.officer, map[string]any{"number": number, "name": "Member " + number}).want(201)
	return w.do("POST", w.at("tokens"), w.officer, map[string]any{"id": newID(), "label": "test", "member": m.str("id")}).want(201).str("token"), m.str("id")
}

func TestKitLineBooksEachOfItsParts(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.stock([3]string{"puller", "P-1"}, [3]string{"drift", "D-1"}, [3]string{"drift", "D-2"}, [3]string{"lamp", "L-1"})
	w.kit("hinge-kit", "P-1", "any drift")
	kit := map[string]any{"kit": "hinge-kit"}
	made := w.reserve(w.as("member"), 0, 10, toolLine("L-1"), kit).want(201).wantTools("L-1", "P-1", "D-1")
	for i, want := range []string{"", "hinge-kit", "hinge-kit"} {
		if made.str("lines", i, "kit") != want || made.num("lines", i, "line") != float64(i) {
			t.Errorf("line %d: %s", i, made.body)
		}
	}
	if made.get("lines", 1, "any_of_model") != false || made.get("lines", 2, "any_of_model") != true {
		t.Errorf("%s", made.body)
	}
	if seen := w.do("GET", made.header.Get("Location"), w.officer, nil).want(200); string(seen.body) != string(made.body) {
		t.Errorf("made %s\nseen %s", made.body, seen.body)
	}
	// All or nothing: the puller is taken, so the second drift stays free; the report names the line of the request.
	refused := w.reserve(w.officer, 5, 8, toolLine("D-2"), kit).want(409).wantProblem("tool-taken")
	if refused.num("taken", 0, "line") != 1 || refused.str("taken", 0, "tools", 0) != "P-1" || refused.str("next_common_free", 0, "from") == "" {
		t.Errorf("%s", refused.body)
	}
	w.reserve(w.officer, 5, 8, toolLine("D-2")).want(201)
	w.reserve(w.officer, 20, 24, kit, toolLine("P-1")).want(422).wantFault("/lines/1/tool")
	w.reserve(w.officer, 20, 24, map[string]any{"kit": "none"}).want(422).wantFault("/lines/0/kit")
	w.kit("empty-kit")
	w.reserve(w.officer, 20, 24, map[string]any{"kit": "empty-kit"}).want(422).wantFault("/lines/0/kit")
	w.exec(`update kit set retired_at = now() where club_id = $1 and code = 'hinge-kit'`)
	w.reserve(w.officer, 20, 24, kit).want(422).wantFault("/lines/0/kit")
	w.reserve(w.officer, 20, 24, map[string]any{"kit": "hinge-kit", "tool": "P-1"}).want(422).wantFault("/lines/0")
}

func TestKitIsBookedForTheNextStretchInWhichAllOfItIsFree(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.stock([3]string{"puller", "P-1"}, [3]string{"drift", "D-1"}, [3]string{"drift", "D-2"})
	w.kit("hinge-kit", "P-1", "any drift", "any drift")
	w.reserve(w.officer, 0, 10, toolLine("P-1")).want(201)
	w.reserve(w.officer, 14, 20, toolLine("D-2")).want(201)
	made := w.do("POST", w.at("reservations"), w.as("member"), map[string]any{"lines": []map[string]any{{"kit": "hinge-kit"}}, "next_free_hours": 6}).want(201)
	// From 12 until 14 is too short; D-2 is free again at 22.
	made.wantTools("P-1", "D-1", "D-2").wantTime(w.hour(22), "lines", 0, "period", "from").wantTime(w.hour(28), "lines", 2, "period", "until")
}

func TestHeldTimeHasTheWayToWhereItIsCollectedAndTheModelsCleaning(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.stock([3]string{"puller", "P-1"}, [3]string{"lamp", "L-1"})
	w.stockAt("harbour", "Europe/Lisbon", [3]string{"press", "B-1"})
	w.stockAt("mill", "Europe/Lisbon")
	w.travels("dock", "harbour", 90)
	w.exec(`update tool_model set turnaround_hours = 5 where club_id = $1 and code = 'puller'`)
	at := func(garage, tool string, from, until int) *response {
		return w.do("POST", w.at("reservations"), w.as("member"), map[string]any{"garage": garage, "period": w.period(from, until), "lines": lines(toolLine(tool))})
	}
	half := 30 * time.Minute
	made := at("harbour", "P-1", 20, 24).want(201)
	made.wantTime(w.hour(19).Add(-half), "lines", 0, "held", "from").wantTime(w.hour(30).Add(half), "lines", 0, "held", "until")
	if made.str("lines", 0, "garage") != "harbour" {
		t.Errorf("%s", made.body)
	}
	// Nothing is said of dock and mill: an hour, as the club has it. At home there is no way, and the lamp has the club's two hours.
	at("mill", "L-1", 20, 24).want(201).wantTime(w.hour(19), "lines", 0, "held", "from").wantTime(w.hour(27), "lines", 0, "held", "until")
	at("dock", "L-1", 30, 34).want(201).wantTime(w.hour(30), "lines", 0, "held", "from").wantTime(w.hour(36), "lines", 0, "held", "until")
	// What is too near for the way is refused, and free_from says when it can be collected there.
	refused := at("harbour", "P-1", 31, 34).want(409).wantProblem("tool-taken")
	refused.wantTime(w.hour(32), "taken", 0, "free_from")
	at("harbour", "P-1", 32, 34).want(201)
	at("nowhere", "P-1", 50, 54).want(422).wantFault("/garage")
	w.do("POST", w.at("reservations"), w.officer, map[string]any{"period": w.period(80, 84), "lines": []map[string]any{{"tool": "P-1", "garage": "nowhere"}}}).want(422).wantFault("/lines/0/garage")
	// A later change of the club's rules moves no promise.
	w.do("PATCH", w.at("lending-rules"), w.officer, map[string]any{"travel_minutes": 600}, header{"If-Match", "*"}).want(200)
	w.do("GET", made.header.Get("Location"), w.officer, nil).want(200).wantTime(w.hour(19).Add(-half), "lines", 0, "held", "from")
}

func TestOfAModelTheLeastLentThenTheNearestIsChosen(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.stock([3]string{"gauge", "G-1"}, [3]string{"gauge", "G-2"}, [3]string{"gauge", "G-3"})
	w.stockAt("harbour", "Europe/Lisbon", [3]string{"gauge", "G-4"})
	w.stockAt("mill", "Europe/Lisbon")
	w.travels("harbour", "mill", 10)
	past := w.reserve(w.officer, 0, 1, toolLine("G-1")).want(201).str("id")
	w.exec(`insert into counter_act (club_id, id, kind, by_member, occurred_at, recorded_at) select $1, gen_random_uuid(), 'handout', id, now(), now() from member where club_id = $1 limit 1`)
	w.exec(`insert into loan (club_id, id, reservation_id, line, tool_id, member_id, handout_id, collected_at, held_before, recorded_at, ended_at, ended)
		select $1, gen_random_uuid(), b.reservation_id, 0, b.tool_id, b.member_id, a.id, now() - interval '1 hour', b.held, now(), now(), 'returned'
		from booking b, counter_act a where b.club_id = $1 and b.reservation_id = $2`, past)
	w.exec(`update tool set place_garage_id = (select id from garage where club_id = $1 and code = 'mill') where club_id = $1 and number = 'G-2'`)
	// G-1 was lent once; G-2 lies at the mill, an hour from home; G-3 and G-4 are at home.
	w.reserve(w.officer, 40, 44, modelLine("gauge"), modelLine("gauge"), modelLine("gauge"), modelLine("gauge")).want(201).wantTools("G-3", "G-4", "G-2", "G-1")
	at := func(garage string, from int) *response {
		return w.do("POST", w.at("reservations"), w.officer, map[string]any{"garage": garage, "period": w.period(from, from+4), "lines": lines(modelLine("gauge"), modelLine("gauge"))}).want(201)
	}
	at("mill", 80).wantTools("G-2", "G-4")
	at("dock", 120).wantTools("G-3", "G-2")
}

func TestChoiceHoldsAllUntilOneIsDecidedFor(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.stock([3]string{"puller", "P-1"}, [3]string{"press", "B-1"}, [3]string{"drift", "D-1"}, [3]string{"lamp", "L-1"})
	choice := map[string]any{"one_of": []map[string]any{{"tool": "P-1"}, {"tool_model": "press"}, {"tool": "D-1"}}, "decide_by": w.hour(5)}
	made := w.reserve(w.as("member"), 10, 20, toolLine("L-1"), choice).want(201).wantTools("L-1", "P-1", "B-1", "D-1")
	made.wantTime(w.hour(5), "lines", 1, "decide_by").wantTime(w.hour(5), "lines", 3, "decide_by")
	if made.get("lines", 0, "choice") != nil || made.num("lines", 1, "choice") != made.num("lines", 2, "choice") {
		t.Errorf("%s", made.body)
	}
	for _, number := range []string{"P-1", "B-1", "D-1"} {
		w.reserve(w.officer, 12, 14, toolLine(number)).want(409)
	}
	decide := made.header.Get("Location") + "/decide"
	w.do("POST", decide, w.as("member,treasurer"), map[string]any{"line": 2}).want(403).wantProblem("missing-role")
	w.do("POST", decide, w.as("member"), map[string]any{"line": 9}).want(422).wantFault("/line")
	w.do("POST", decide, w.as("member"), map[string]any{"tool": "none"}).want(422).wantFault("/tool")
	w.do("POST", decide, w.as("member"), map[string]any{"tool": "L-1"}).want(409).wantProblem("not-allowed-now")
	w.do("POST", decide, w.as("member"), map[string]any{"tool": "B-1", "line": 1}).want(422).wantFault("/tool")
	w.do("POST", decide, w.as("member"), map[string]any{"line": 0}).want(409).wantProblem("not-allowed-now")
	w.clock.advance(time.Minute)
	done := w.do("POST", decide, w.as("member"), map[string]any{"tool": "B-1"}).want(200)
	for i, want := range []string{"reserved", "cancelled", "reserved", "cancelled"} {
		if done.str("lines", i, "state") != want {
			t.Errorf("line %d is %s\n%s", i, done.str("lines", i, "state"), done.body)
		}
	}
	if done.get("lines", 2, "choice") != nil || done.str("state") != "reserved" {
		t.Errorf("%s", done.body)
	}
	if seen := w.do("GET", made.header.Get("Location"), w.officer, nil).want(200); string(seen.body) != string(done.body) || seen.header.Get("ETag") == made.header.Get("ETag") {
		t.Errorf("decided %s\nseen %s", done.body, seen.body)
	}
	w.do("POST", decide, w.as("member"), map[string]any{"line": 2}).want(409).wantProblem("not-allowed-now")
	w.reserve(w.officer, 12, 14, toolLine("P-1"), toolLine("D-1")).want(201)
	w.reserve(w.officer, 12, 14, toolLine("B-1")).want(409)
	if n := w.of(`select count(*)::text from event where club_id = $1 and type = 'reservation.decided'`); n != "1" {
		t.Errorf("%s events", n)
	}
	// One of which nothing is left cannot be cancelled as if it were reserved, but what is left of it can.
	w.do("POST", made.header.Get("Location")+"/cancel", w.as("member"), nil).want(200)
	w.do("POST", decide, w.as("member"), map[string]any{"line": 2}).want(409).wantProblem("not-allowed-now")

	for pointer, line := range map[string]map[string]any{
		"/lines/0/one_of/1":      {"one_of": []map[string]any{{"tool": "P-1"}, {}}},
		"/lines/0/one_of/1/tool": {"one_of": []map[string]any{{"tool": "P-1"}, {"tool": "none"}}},
		"/lines/0/decide_by":     {"one_of": []map[string]any{{"tool": "P-1"}, {"tool": "D-1"}}, "decide_by": w.hour(41)},
		"/lines/0/bore":          {"tool": "P-1", "bore": "9 mm"},
	} {
		w.reserve(w.officer, 40, 44, line).want(422).wantFault(pointer)
	}
	w.reserve(w.officer, 40, 44, map[string]any{"tool": "P-1", "decide_by": w.hour(30)}).want(422).wantFault("/lines/0/decide_by")
	past := map[string]any{"one_of": []map[string]any{{"tool": "P-1"}, {"tool": "D-1"}}, "decide_by": w.clock.now()}
	w.reserve(w.officer, 40, 44, past).want(422).wantFault("/lines/0/decide_by")
	w.reserve(w.officer, 40, 44, map[string]any{"one_of": []map[string]any{{"tool": "P-1"}, {"tool": "P-1"}}}).want(422).wantFault("/lines/0/one_of/1/tool")
}

func TestLateToolIsPromisedToNobodyBeforeItCanBeBack(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.stock([3]string{"puller", "P-1"})
	out := w.reserve(w.as("member"), 0, 2, toolLine("P-1")).want(201)
	w.exec(`update booking set state = 'out' where club_id = $1 and reservation_id = $2`, out.str("id"))
	w.clock.advance(48 * time.Hour)
	w.reserve(w.officer, 0, 4, toolLine("P-1")).want(409).wantProblem("tool-taken").wantTime(w.clock.now().Add(2*time.Hour), "taken", 0, "free_from")
	w.reserve(w.officer, 3, 6, toolLine("P-1")).want(201)
}

func TestInstrumentIsNotPromisedBeyondItsCalibration(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.stock([3]string{"micrometer", "M-1"}, [3]string{"micrometer", "M-2"})
	due := w.hour(24 * 10)
	w.exec(`insert into calibration (club_id, id, tool_id, calibrated_on, due_on, expanded_nm, coverage_factor, member_id, recorded_at)
		select $1, gen_random_uuid(), t.id, '2020-01-01', $2, 1000, 2, m.id, now() from tool t, member m where t.club_id = $1 and t.number = 'M-1' and m.club_id = $1 limit 1`, due.Format(time.DateOnly))
	refused := w.reserve(w.as("member"), 24*9, 24*12, toolLine("M-1")).want(409).wantProblem("not-lendable")
	if !strings.Contains(refused.str("detail"), "M-1 is due for calibration on "+due.Format(time.DateOnly)) {
		t.Errorf("%s", refused.body)
	}
	w.reserve(w.as("member"), 24*9, 24*12, modelLine("micrometer")).want(201).wantTools("M-2")
	w.reserve(w.as("member"), 24*5, 24*8, modelLine("micrometer")).want(201).wantTools("M-1")
	w.reserve(w.as("tool_keeper"), 24*20, 24*21, toolLine("M-1")).want(201)
}

func TestReservationOfTooManyToolsIsRefused(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	var parts []string
	for i := range 20 {
		number := fmt.Sprint("N-", i)
		w.stock([3]string{"drift", number})
		parts = append(parts, number)
	}
	w.kit("all", parts...)
	var asked []map[string]any
	for i := range 4 {
		asked = append(asked, map[string]any{"kit": "all", "period": w.period(i*10, i*10+4)})
	}
	w.do("POST", w.at("reservations"), w.officer, map[string]any{"lines": asked}).want(422).wantFault("/lines")
}

func TestPeriodsOutsideOpeningHoursAreRefusedWithTheNearestMoments(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.stock([3]string{"puller", "P-1"}, [3]string{"lamp", "L-1"})
	w.opensByDay()
	lisbon, err := time.LoadLocation("Europe/Lisbon")
	if err != nil {
		t.Fatal(err)
	}
	day := w.hour(24 * 10).In(lisbon)
	at := func(days, hour int) time.Time {
		return time.Date(day.Year(), day.Month(), day.Day()+days, hour, 0, 0, 0, lisbon)
	}
	ask := func(from, until time.Time) *response {
		return w.do("POST", w.at("reservations"), w.as("member"), map[string]any{"lines": lines(toolLine("P-1")), "period": map[string]any{"from": from, "until": until}})
	}
	refused := ask(at(0, 6), at(1, 23)).want(422).wantFault("/period/from").wantFault("/period/until")
	for i, want := range []string{at(0, 8).Format("Mon 2 Jan 2006 15:04"), at(1, 20).Format("Mon 2 Jan 2006 15:04")} {
		if !strings.Contains(refused.str("errors", i, "detail"), want) {
			t.Errorf("fault %d does not name %s: %s", i, want, refused.body)
		}
	}
	w.exec(`insert into closure (club_id, id, first_day, last_day, member_id, recorded_at) select $1, gen_random_uuid(), $2, $2, id, now() from member where club_id = $1 limit 1`, at(1, 0).Format(time.DateOnly))
	ask(at(0, 9), at(1, 12)).want(422).wantFault("/period/until")
	w.do("POST", w.at("reservations"), w.as("member"), map[string]any{"lines": lines(toolLine("P-1")), "days": map[string]any{"first": at(1, 0).Format(time.DateOnly), "last": at(2, 0).Format(time.DateOnly)}}).want(422).wantFault("/days/first")
	made := ask(at(0, 9), at(2, 12)).want(201) // out over the closed day
	// What was agreed on stays: only the end that moves must lie in opening hours.
	w.exec(`insert into closure (club_id, id, first_day, last_day, member_id, recorded_at) select $1, gen_random_uuid(), $2, $2, id, now() from member where club_id = $1 limit 1`, at(0, 0).Format(time.DateOnly))
	w.change(made, w.as("member"), map[string]any{"period": map[string]any{"from": at(0, 9), "until": at(3, 12)}}).want(200)
	w.change(made, w.as("member"), map[string]any{"period": map[string]any{"from": at(0, 10), "until": at(3, 12)}}).want(422).wantFault("/period/from")
	// The next stretch begins and ends when the garage is open.
	next := w.do("POST", w.at("reservations"), w.as("member"), map[string]any{"lines": lines(toolLine("L-1")), "next_free_hours": 13}).want(201)
	for _, end := range []string{"from", "until"} {
		moment, err := time.Parse(time.RFC3339, next.str("lines", 0, "period", end))
		if hour := moment.In(lisbon).Hour(); err != nil || hour < 8 || hour > 20 {
			t.Errorf("%s %s\n%s", end, moment, next.body)
		}
	}
}
