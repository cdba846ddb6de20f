package api_test

import (
	"fmt"
	"strings"
	"testing"
	"time"
)

// change asks for a change of a reservation that was made.
func (w *world) change(made *response, token string, body map[string]any) *response {
	w.t.Helper()
	return w.do("POST", made.header.Get("Location")+"/change", token, body)
}

func TestReservationIsMovedInOneStep(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.stock([3]string{"puller", "P-1"}, [3]string{"lamp", "L-1"})
	member := w.as("member")
	made := w.reserve(member, 10, 20, toolLine("P-1"), toolLine("L-1")).want(201)
	w.clock.advance(time.Minute)
	// Onto a part of its own time: nobody could have had it in between.
	key := header{"Idempotency-Key", newID()}
	body := map[string]any{"period": w.period(15, 25)}
	moved := w.do("POST", made.header.Get("Location")+"/change", member, body, key).want(200).wantTools("P-1", "L-1")
	for i := range 2 {
		moved.wantTime(w.hour(15), "lines", i, "period", "from").wantTime(w.hour(27), "lines", i, "held", "until")
	}
	if seen := w.do("GET", made.header.Get("Location"), w.officer, nil).want(200); string(seen.body) != string(moved.body) || seen.header.Get("ETag") == made.header.Get("ETag") {
		t.Errorf("moved %s\nseen %s", moved.body, seen.body)
	}
	if again := w.do("POST", made.header.Get("Location")+"/change", member, body, key).want(200); string(again.body) != string(moved.body) || again.header.Get("Idempotency-Replayed") != "true" {
		t.Errorf("%s", again.body)
	}
	w.reserve(w.officer, 5, 12, toolLine("P-1")).want(201)
	// Refused, and it stays as it was.
	refused := w.change(made, member, map[string]any{"period": w.period(8, 12)}).want(409).wantProblem("tool-taken")
	if refused.num("taken", 0, "line") != 0 || refused.str("next_common_free", 0, "from") == "" {
		t.Errorf("%s", refused.body)
	}
	if seen := w.do("GET", made.header.Get("Location"), w.officer, nil).want(200); string(seen.body) != string(moved.body) {
		t.Errorf("a refused change left %s", seen.body)
	}
	// One line only; the other keeps its time.
	one := w.change(made, w.as("tool_keeper"), map[string]any{"lines": []map[string]any{{"line": 1, "period": w.period(40, 44)}}}).want(200)
	one.wantTime(w.hour(15), "lines", 0, "period", "from").wantTime(w.hour(40), "lines", 1, "period", "from")
	if n := w.of(`select count(*)::text from event where club_id = $1 and type = 'reservation.changed'`); n != "2" {
		t.Errorf("%s events", n)
	}
	w.change(made, w.as("treasurer"), body).want(403).wantProblem("missing-role")
	w.change(made, w.as("member,treasurer"), body).want(403).wantProblem("missing-role")
	w.do("POST", w.at("reservations/"+newID()+"/change"), member, body).want(404)
	w.wantNoOverlap()
}

func TestLinesMayTakeEachOthersPlaces(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.stock([3]string{"puller", "P-1"})
	made := w.do("POST", w.at("reservations"), w.as("member"), map[string]any{"lines": []map[string]any{
		{"tool": "P-1", "period": w.period(10, 14), "exactly": true}, {"tool": "P-1", "period": w.period(16, 20), "exactly": true}}}).want(201)
	// The first comes to where the second was, by the same statement that moves the second away.
	moved := w.change(made, w.as("member"), map[string]any{"lines": []map[string]any{
		{"line": 0, "period": w.period(16, 20)}, {"line": 1, "period": w.period(10, 14)}}}).want(200)
	moved.wantTime(w.hour(16), "lines", 0, "period", "from").wantTime(w.hour(10), "lines", 1, "period", "from")
	w.change(made, w.as("member"), map[string]any{"lines": []map[string]any{{"line": 0, "period": w.period(12, 16)}}}).want(409).wantProblem("tool-taken")
	w.wantNoOverlap()
}

func TestChangeExchangesToolsOnlyWhereTheyWereNotToBeExactlyThose(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.stock([3]string{"gauge", "G-1"}, [3]string{"gauge", "G-2"})
	member := w.as("member")
	free := w.reserve(member, 10, 14, toolLine("G-1")).want(201)
	w.reserve(w.officer, 20, 24, toolLine("G-1")).want(201)
	w.change(free, member, map[string]any{"period": w.period(20, 24)}).want(200).wantTools("G-2")
	w.change(free, member, map[string]any{"period": w.period(30, 34)}).want(200).wantTools("G-2") // what it has comes first
	exactly := w.reserve(member, 40, 44, map[string]any{"tool": "G-1", "exactly": true}).want(201)
	w.change(exactly, member, map[string]any{"period": w.period(20, 24)}).want(409).wantProblem("tool-taken")
	w.exec(`update tool set state = 'quarantine' where club_id = $1 and number = 'G-1'`)
	w.change(exactly, member, map[string]any{"period": w.period(50, 54)}).want(409).wantProblem("not-lendable")
	w.exec(`update tool set state = 'in_service', version = version + 7 where club_id = $1 and number = 'G-1'`)
	// The ETag is another one whatever the new tool's version is.
	seen := w.do("GET", free.header.Get("Location"), w.officer, nil).want(200)
	w.exec(`update tool set state = 'quarantine' where club_id = $1 and number = 'G-2'`)
	swapped := w.change(free, member, map[string]any{"period": w.period(60, 64)}).want(200).wantTools("G-1")
	w.exec(`update tool set state = 'in_service' where club_id = $1 and number = 'G-2'`)
	w.reserve(w.officer, 70, 74, toolLine("G-1")).want(201)
	back := w.change(free, member, map[string]any{"period": w.period(70, 74)}).want(200).wantTools("G-2")
	if a, b, c := seen.num("version"), swapped.num("version"), back.num("version"); a >= b || b >= c {
		t.Errorf("versions %v, %v, %v do not grow", a, b, c)
	}
	if again := w.do("GET", free.header.Get("Location"), w.officer, nil).want(200); string(again.body) != string(back.body) {
		t.Errorf("changed %s\nseen %s", back.body, again.body)
	}
}

func TestChangeMovesThePlaceOfCollection(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.stock([3]string{"puller", "P-1"})
	w.stockAt("harbour", "Europe/Lisbon")
	made := w.reserve(w.as("member"), 10, 14, toolLine("P-1")).want(201)
	moved := w.change(made, w.as("member"), map[string]any{"garage": "harbour"}).want(200).wantTime(w.hour(10), "lines", 0, "period", "from").wantTime(w.hour(9), "lines", 0, "held", "from").wantTime(w.hour(17), "lines", 0, "held", "until")
	if moved.str("lines", 0, "garage") != "harbour" {
		t.Errorf("%s", moved.body)
	}
	// A new time keeps the new place.
	w.change(made, w.as("member"), map[string]any{"period": w.period(30, 34)}).want(200).wantTime(w.hour(29), "lines", 0, "held", "from")
	w.change(made, w.as("member"), map[string]any{"garage": "nowhere"}).want(422).wantFault("/garage")
}

func TestOnlyWhatIsStillReservedIsChanged(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.stock([3]string{"puller", "P-1"}, [3]string{"lamp", "L-1"})
	member := w.as("member")
	made := w.reserve(member, 0, 10, toolLine("P-1"), toolLine("L-1")).want(201)
	w.exec(`update booking set state = 'out' where club_id = $1 and line = 0`)
	partly := w.do("GET", made.header.Get("Location"), member, nil).want(200)
	if partly.str("state") != "partly_out" {
		t.Errorf("%s", partly.body)
	}
	w.change(made, member, map[string]any{"lines": []map[string]any{{"line": 0, "period": w.period(20, 24)}}}).want(409).wantProblem("not-allowed-now")
	moved := w.change(made, member, map[string]any{"period": w.period(20, 24)}).want(200)
	moved.wantTime(w.hour(0), "lines", 0, "period", "from").wantTime(w.hour(20), "lines", 1, "period", "from")
	for pointer, body := range map[string]map[string]any{
		"/lines/0/line":         {"lines": []map[string]any{{"line": 7, "period": w.period(20, 24)}}},
		"/lines/1/line":         {"lines": []map[string]any{{"line": 1, "period": w.period(20, 24)}, {"line": 1, "garage": "dock"}}},
		"/lines/0":              {"lines": []map[string]any{{"line": 1}}},
		"/days":                 {"period": w.period(20, 24), "days": map[string]any{"first": "2030-01-01", "last": "2030-01-01"}},
		"/period/until":         {"period": w.period(24, 20)},
		"/period/from":          {"period": w.period(-30, 20)},
		"/lines/0/period/until": {"lines": []map[string]any{{"line": 1, "period": w.period(0, 91*24)}}},
	} {
		w.change(made, member, body).want(422).wantFault(pointer)
	}
	w.exec(`update booking set state = 'out' where club_id = $1`)
	w.change(made, member, map[string]any{"period": w.period(20, 24)}).want(409).wantProblem("not-allowed-now")
	w.exec(`update booking set state = 'reserved' where club_id = $1`)
	w.do("POST", made.header.Get("Location")+"/cancel", member, nil).want(200)
	w.change(made, member, map[string]any{"period": w.period(20, 24)}).want(409).wantProblem("not-allowed-now")
}

func TestWhatHasBegunMayStillBeMadeShorterOrLonger(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.stock([3]string{"puller", "P-1"})
	made := w.reserve(w.as("member"), 0, 10, toolLine("P-1")).want(201)
	from := made.str("lines", 0, "period", "from")
	until := w.hour(20)
	w.clock.advance(5 * time.Hour) // nobody has collected it yet
	w.change(made, w.as("member"), map[string]any{"period": map[string]any{"from": from, "until": until}}).want(200).wantTime(until, "lines", 0, "period", "until")
	w.change(made, w.as("member"), map[string]any{"period": map[string]any{"from": from, "until": w.clock.now().Add(-time.Hour)}}).want(422).wantFault("/period/until")
}

// One moves a reservation while others reach for its old and its new time: it is
// never lost, and whoever is refused was so for something that stands there.
func TestChangingLosesNoPeriodWhileOthersReserve(t *testing.T) {
	t.Parallel()
	w := newWorld(t).patient()
	w.stock([3]string{"puller", "P-1"})
	owner := w.as("member")
	made := w.reserve(owner, 100, 110, toolLine("P-1")).want(201)
	var others []string
	for i := range 4 {
		token, _ := w.member(fmt.Sprint("R-", i))
		others = append(others, token)
	}
	count, answers := race(60, func(i int) *response {
		if i%3 == 0 {
			from := []int{100, 104, 108, 120}[i/3%4]
			return w.change(made, owner, map[string]any{"period": w.period(from, from+10)})
		}
		from := []int{98, 104, 112, 118, 132}[i%5]
		r := w.reserve(others[i%4], from, from+3, toolLine("P-1"))
		if r.status == 201 && i%2 == 0 {
			w.do("POST", r.header.Get("Location")+"/cancel", others[i%4], nil).want(200)
		}
		return r
	})
	if count[200]+count[201]+count[409] != 60 || count[200] == 0 {
		t.Errorf("answers by status: %v", count)
	}
	for _, a := range answers {
		if a.status == 409 {
			a.wantProblem("tool-taken")
		}
	}
	if got := w.of(`select state || ' ' || (upper(period) - lower(period))::text from booking where club_id = $1 and reservation_id = $2`, made.str("id")); got != "reserved 10:00:00" {
		t.Errorf("the reservation that was moved is %s", got)
	}
	w.wantNoOverlap()
}

func TestApprovalIsAwaitedForWhatIsWorthMuch(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.stock([3]string{"press", "B-1"}, [3]string{"lamp", "L-1"}, [3]string{"welder", "W-1"})
	w.exec(`update tool_model set value_minor = 50000 where club_id = $1 and code = 'press'`)
	w.exec(`update tool set value_minor = 49999 where club_id = $1 and number = 'L-1'`)
	w.exec(`update tool_model set approval_needed = true where club_id = $1 and code = 'welder'`)
	w.do("PATCH", w.at("lending-rules"), w.officer, map[string]any{"approval_from": map[string]any{"minor": 50000}}, header{"If-Match", "*"}).want(200)
	member, keeper := w.as("member"), w.as("tool_keeper")
	if r := w.reserve(member, 0, 4, toolLine("L-1")).want(201); r.str("state") != "reserved" || r.str("approval") != "not_needed" {
		t.Errorf("%s", r.body)
	}
	if r := w.reserve(member, 0, 4, toolLine("W-1")).want(201); r.str("state") != "awaiting_approval" {
		t.Errorf("%s", r.body)
	}
	made := w.reserve(member, 0, 4, toolLine("B-1")).want(201)
	if made.str("state") != "awaiting_approval" || made.str("approval") != "awaited" {
		t.Errorf("%s", made.body)
	}
	at := made.header.Get("Location")
	w.reserve(keeper, 1, 2, toolLine("B-1")).want(409).wantProblem("tool-taken") // held meanwhile
	w.do("POST", at+"/approve", member, nil).want(403).wantProblem("missing-role")
	if r := w.do("POST", at+"/approve", keeper, nil).want(200); r.str("state") != "reserved" || r.str("approval") != "given" {
		t.Errorf("%s", r.body)
	}
	w.do("POST", at+"/approve", keeper, nil).want(409).wantProblem("not-allowed-now")
	w.do("POST", at+"/decline", keeper, map[string]any{"reason": "too late"}).want(409).wantProblem("not-allowed-now")

	other := w.reserve(member, 10, 14, toolLine("B-1")).want(201)
	w.clock.advance(time.Minute)
	gone := w.do("POST", other.header.Get("Location")+"/decline", keeper, map[string]any{"reason": "It is promised to the school."}).want(200)
	if gone.str("state") != "declined" || gone.str("cancel_reason") != "It is promised to the school." || gone.str("lines", 0, "state") != "cancelled" {
		t.Errorf("%s", gone.body)
	}
	if seen := w.do("GET", other.header.Get("Location"), keeper, nil).want(200); string(seen.body) != string(gone.body) {
		t.Errorf("declined %s\nseen %s", gone.body, seen.body)
	}
	w.do("POST", other.header.Get("Location")+"/approve", keeper, nil).want(409).wantProblem("not-allowed-now")
	if r := w.reserve(keeper, 10, 14, toolLine("B-1")).want(201); r.str("approval") != "not_needed" {
		t.Errorf("%s", r.body)
	}
	// Who is a keeper only since does not approve what they asked for before.
	token, id := w.member("M-9")
	own := w.reserve(token, 20, 24, toolLine("B-1")).want(201)
	w.do("PATCH", w.at("members/"+id), w.officer, map[string]any{"roles": []string{"tool_keeper"}}, header{"If-Match", "*"}).want(200)
	if r := w.do("POST", own.header.Get("Location")+"/approve", token, nil).want(403).wantProblem("missing-role"); !strings.Contains(r.str("detail"), "your own") {
		t.Errorf("%s", r.body)
	}
	w.do("POST", own.header.Get("Location")+"/approve", w.officer, nil).want(200)
}

func TestDepositThatWillBeAskedIsTold(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.stock([3]string{"press", "B-1"}, [3]string{"lamp", "L-1"})
	w.exec(`update tool_model set deposit_minor = 5000 where club_id = $1 and code = 'press'`)
	w.exec(`update tool set deposit_minor = 250 where club_id = $1 and number = 'L-1'`)
	made := w.reserve(w.as("member"), 0, 4, toolLine("B-1"), toolLine("L-1")).want(201)
	if made.get("deposit") != nil || made.get("lines", 0, "deposit") != nil {
		t.Errorf("the club takes no deposits: %s", made.body)
	}
	w.do("PATCH", w.at("lending-rules"), w.officer, map[string]any{"deposit_at_handout": true}, header{"If-Match", "*"}).want(200)
	seen := w.do("GET", made.header.Get("Location"), w.officer, nil, header{"If-None-Match", made.header.Get("ETag")}).want(200)
	if seen.num("deposit", "minor") != 5250 || seen.str("lines", 0, "deposit", "text") != "50.00 EUR" || seen.num("lines", 1, "deposit", "minor") != 250 {
		t.Errorf("%s", seen.body)
	}
	again := w.reserve(w.as("member"), 10, 14, toolLine("B-1")).want(201)
	if seen := w.do("GET", again.header.Get("Location"), w.officer, nil).want(200); string(seen.body) != string(again.body) || seen.header.Get("ETag") != again.header.Get("ETag") || seen.num("deposit", "minor") != 5000 {
		t.Errorf("made %s\nseen %s", again.body, seen.body)
	}
}
