package api_test

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"time"
)

// fourDoorHinges are four pins of two doors.
var fourDoorHinges = []string{"left-lower", "left-upper", "right-lower", "right-upper"}

// weekend are hours in which most members have time.
var weekend = row{"weekly": []row{{"weekday": 6, "from": "09:00", "until": "17:00"}, {"weekday": 7, "from": "10:00", "until": "16:00"}}}

// wagonInWork is a wagon with four door hinges under repair, and a club that lends what
// the shipped procedure asks for. It is Monday, 07:00.
func wagonInWork(t *testing.T) *world {
	t.Helper()
	w := newWorld(t)
	beginWagon(w)
	return w
}

func beginWagon(w *world) {
	w.t.Helper()
	for w.clock.now().Weekday() != time.Monday || w.clock.now().Hour() != 7 {
		w.clock.advance(w.clock.now().Truncate(time.Hour).Add(time.Hour).Sub(w.clock.now()))
	}
	add := func(path string, body row) { w.do("POST", w.at(path), w.officer, body).want(201) }
	w.do("POST", w.at("garages"), w.officer, row{"code": "north", "name": "North yard", "time_zone": "UTC", "opens": "08:00", "closes": "20:00"}).want(201)
	add("pin-series", row{"code": "hinge-8", "name": "Pins of 8 mm", "steps": []row{
		{"code": "standard", "pin": "8 mm", "pin_tolerance_lower": "-10 um", "pin_tolerance_upper": "0 um", "lead_days": 9},
		{"code": "oversize_1", "pin": "8.1 mm", "pin_tolerance_lower": "-10 um", "pin_tolerance_upper": "0 um", "reamer": "8.125 mm", "lead_days": 9}}})
	add("vehicles", row{"code": "wrenfield", "name": "Wrenfield", "garage": "north"})
	add("vehicles/wrenfield/joints", row{"template": "door-hinge", "positions": fourDoorHinges, "nominal": "8 mm", "pin_series": "hinge-8"})
	for _, m := range []row{{"code": "puller-s", "name": "Puller", "kind": "puller"}, {"code": "drift-7", "name": "Drift", "kind": "drift"}, {"code": "mic-25", "name": "Micrometer", "kind": "micrometer", "resolution": "1 um", "range_from": "0 mm", "range_to": "25 mm"},
		{"code": "gauges-8", "name": "Pin gauge", "kind": "pin_gauge", "size": "8.05 mm"}, {"code": "ream-8125", "name": "Reamer", "kind": "reamer", "size": "8.125 mm"}, {"code": "press-2", "name": "Press", "kind": "press"}} {
		add("tool-models", m)
		add("tools", row{"number": strings.ToUpper(m["code"].(string)), "model": m["code"], "garage": "north"})
	}
	repairOf(w, "door-hinge", fourDoorHinges...).want(201)
}

func (r *response) time(path ...any) time.Time {
	r.t.Helper()
	at, err := time.Parse(time.RFC3339, r.str(path...))
	if err != nil {
		r.t.Fatal(err)
	}
	return at
}

func plan(w *world, body row) *response {
	w.t.Helper()
	return w.do("POST", w.at("repairs/R1/plans"), w.as("member"), body)
}

// steps are the members of a list of objects, by the member named.
func by(name string, list any) map[string]map[string]any {
	out := map[string]map[string]any{}
	for _, item := range list.([]any) {
		out[item.(map[string]any)[name].(string)] = item.(map[string]any)
	}
	return out
}

func moment(t testing.TB, v any) time.Time {
	t.Helper()
	at, err := time.Parse(time.RFC3339, v.(string))
	if err != nil {
		t.Fatal(err)
	}
	return at
}

// mustHold checks what every plan promises, against the repair's own steps: nothing before what
// it comes after, hands on one thing at a time and within free hours, no tool of
// which the club has one needed twice at once, and every reserved line told once.
func (w *world) mustHold(p *response, free func(time.Time) bool) {
	w.t.Helper()
	steps := by("ref", p.get("steps"))
	began, worked, ended := func(ref string) time.Time { return moment(w.t, steps[ref]["begins_at"]) }, func(ref string) time.Time { return moment(w.t, steps[ref]["worked_at"]) },
		func(ref string) time.Time { return moment(w.t, steps[ref]["ends_at"]) }
	before := p.get("ask", "ordering") == "before"
	for ref, of := range by("ref", w.do("GET", w.at("repairs/R1/steps"), w.officer, nil).want(200).get("items")) {
		if _, planned := steps[ref]; !planned || of["after"] == nil || before && of["phase"] == "order" {
			continue
		}
		_, position, _ := strings.Cut(ref, ":")
		for _, key := range of["after"].([]any) {
			for other := range steps {
				name, place, _ := strings.Cut(other, ":")
				if name == key && (place == "" || position == "" || place == position) && began(ref).Before(ended(other)) {
					w.t.Errorf("%s begins before %s is done", ref, other)
				}
			}
		}
		if _, parts := steps["delivery"]; parts && of["parts"] == true && began(ref).Before(ended("delivery")) {
			w.t.Errorf("%s begins before its parts are there", ref)
		}
	}
	var list []string
	for ref := range steps {
		list = append(list, ref)
		if began(ref).Before(w.clock.now()) || worked(ref).Before(began(ref)) || ended(ref).Before(worked(ref)) || moment(w.t, p.get("ends_at")).Before(ended(ref)) {
			w.t.Errorf("%s: %v", ref, steps[ref])
		}
		for at := began(ref); at.Before(worked(ref)) && steps[ref]["minutes"].(float64) <= 60; at = at.Add(time.Minute) {
			if !free(at) {
				w.t.Errorf("%s is worked on at %v, which is not free", ref, at)
				break
			}
		}
		for _, other := range list[:len(list)-1] {
			if began(ref).Before(worked(other)) && began(other).Before(worked(ref)) {
				w.t.Errorf("hands are on %s and %s at once", ref, other)
			}
		}
	}
	told := map[string]int{}
	for _, l := range p.get("reservations").([]any) {
		line := l.(map[string]any)
		if id, reserved := line["reservation_id"]; reserved && line["state"] != "kept" {
			told[fmt.Sprint(id, line["line"])]++
		} else if reserved {
			told[fmt.Sprint(id, line["line"])] = 1
		}
	}
	rows := w.of(`select coalesce(string_agg(b.reservation_id::text || b.line, ' '), '') from workplan_reservation x join booking b using (club_id, reservation_id) where club_id = $1 and b.state in ('reserved', 'out')`)
	for _, key := range strings.Fields(rows) {
		if told[key] != 1 {
			w.t.Errorf("the reserved line %s is told %d times", key, told[key])
		}
	}
	if len(told) != len(strings.Fields(rows)) {
		w.t.Errorf("%d lines are told of, %d are reserved", len(told), len(strings.Fields(rows)))
	}
	if n := w.of(`select count(*)::text from booking a join booking b on a.club_id = b.club_id and a.tool_id = b.tool_id and a.held && b.held and (a.reservation_id, a.line) < (b.reservation_id, b.line)
		where a.club_id = $1 and a.state = 'reserved' and b.state = 'reserved'`); n != "0" {
		w.t.Errorf("%s pairs of bookings hold one tool at once", n)
	}
}

// onWeekends are the hours of weekend.
func onWeekends(at time.Time) bool {
	switch at = at.UTC(); at.Weekday() {
	case time.Saturday:
		return at.Hour() >= 9 && at.Hour() < 17
	case time.Sunday:
		return at.Hour() >= 10 && at.Hour() < 16
	}
	return false
}

// howMany is how many items of a list have that value of a member.
func howMany(list any, name, value string) int {
	n := 0
	for _, item := range list.([]any) {
		if item.(map[string]any)[name] == value {
			n++
		}
	}
	return n
}

// With ordering after measuring the parts' way is the longest part of the way to the
// finish; ordered beforehand they come while penetrant creeps.
func TestAPlanLaysARepairIntoFreeDays(t *testing.T) {
	t.Parallel()
	w := wagonInWork(t)
	made := plan(w, row{"free": weekend}).want(201)
	w.mustHold(made, onWeekends)
	if made.num("number") != 1 || made.get("newest") != true || made.str("held_up", 0, "code") != "delivery" || made.num("held_up", 0, "minutes") < 9*24*60 ||
		!strings.Contains(made.str("summary"), "until parts are here") || howMany(made.get("reservations"), "state", "to_make") != 7 {
		t.Errorf("ordered after measuring: %s", made.body)
	}
	chain := fmt.Sprint(made.get("chain"))
	if !strings.Contains(chain, "order delivery ream:") || !strings.Contains(chain, "protect penetrant pull:") {
		t.Errorf("the finish hangs on %s", chain)
	}
	compared := by("ordering", made.get("compared"))
	early, late := moment(t, compared["before"]["ends_at"]), moment(t, compared["after"]["ends_at"])
	if !late.Equal(made.time("ends_at")) || late.Sub(early) < 6*24*time.Hour {
		t.Errorf("ordered beforehand it ends %v, else %v", early, late)
	}
	ahead := plan(w, row{"ordering": "before"}).want(201)
	w.mustHold(ahead, onWeekends)
	if !ahead.time("ends_at").Equal(early) || ahead.num("number") != 2 {
		t.Errorf("ordered beforehand: %s", ahead.body)
	}
	penetrant := by("ref", ahead.get("steps"))["penetrant"]
	if rounds := penetrant["rounds"].([]any); len(rounds) != 7 || moment(t, rounds[6]).Sub(moment(t, rounds[0])) != 6*24*time.Hour || moment(t, penetrant["ends_at"]).Sub(moment(t, penetrant["begins_at"])) != 7*24*time.Hour {
		t.Errorf("seven days of creep: %v", penetrant)
	}
	for _, name := range []string{"newest", "2", ahead.str("id")} {
		if got := w.do("GET", w.at("repairs/R1/plans/"+name), w.as("auditor"), nil).want(200); string(got.body) != string(ahead.body) {
			t.Errorf("%s is kept as %s\nanswered %s", name, got.body, ahead.body)
		}
	}
	if old := w.do("GET", w.at("repairs/R1/plans/1"), w.officer, nil).want(200); old.get("newest") != false || old.str("do_next", 0, "code") != "newer_plan" {
		t.Errorf("the first plan: %s", old.body)
	}
	page := w.do("GET", w.at("repairs/R1/plans?limit=1"), w.officer, nil).want(200)
	next := w.do("GET", w.at("repairs/R1/plans?limit=1&cursor="+page.str("next")), w.officer, nil).want(200)
	if page.num("items", 0, "number") != 2 || next.num("items", 0, "number") != 1 || next.get("next") != nil {
		t.Errorf("pages %s %s", page.body, next.body)
	}
	w.do("GET", w.at("repairs/R1/plans/3"), w.officer, nil).want(404)
	w.do("GET", w.at("repairs/R1/plans/nothing"), w.officer, nil).want(404)
	picture := w.do("GET", w.at("repairs/R1/plans/1/picture?scheme=dark"), w.officer, nil).want(200)
	for _, part := range []string{"R1, plan 1", "Draw the pin: pull:left-lower", "Delivery of parts: delivery", "the finish hangs on it"} {
		if !strings.Contains(string(picture.body), part) {
			t.Errorf("the picture does not say %q", part)
		}
	}
	// Parts that come while penetrant creeps hold nothing up.
	if quick := plan(w, row{"lead_days": 5}).want(201); howMany(quick.get("held_up"), "code", "delivery") != 0 || howMany(quick.get("assumed"), "code", "assumed_delivery") != 0 {
		t.Errorf("parts within five days: %s", quick.body)
	}
	if n := w.of(`select count(*)::text from event where club_id = $1 and type = 'repair.planned'`); n != "3" {
		t.Errorf("%s events of plans", n)
	}
}

// Four hinges with pins and reamer at hand are one working day's hands-on work, creep
// and paint left aside (common practice, no published source).
func TestFourHingesWithEverythingAtHandAreOneDaysWork(t *testing.T) {
	t.Parallel()
	w := wagonInWork(t)
	made := plan(w, row{"free": row{"weekly": []row{{"weekday": 6, "from": "08:00", "until": "18:00"}}}, "ordering": "at_hand", "at_hand": []string{"reamer"}}).want(201)
	if hands := made.num("hands_minutes"); hands < 300 || hands > 600 {
		t.Errorf("%v minutes of work", hands)
	}
	if _, parts := by("ref", made.get("steps"))["delivery"]; parts || made.str("compared", 0, "ordering") != "at_hand" {
		t.Errorf("nothing has to come: %s", made.body)
	}
	for _, s := range made.get("steps").([]any) {
		if strings.Contains(fmt.Sprint(s.(map[string]any)["tools"]), "ream") {
			t.Errorf("borrows a reamer: %v", s)
		}
	}
	// The same steps without creep and paint begin and end on one Saturday.
	shipped := w.do("GET", w.at("procedures/door-hinge"), w.officer, nil).want(200).get("steps").([]any)
	for _, s := range shipped {
		if step := s.(map[string]any); step["key"] == "penetrant" || step["key"] == "finish" {
			delete(step, "wait")
			delete(step, "repeat")
		}
	}
	w.do("POST", w.at("procedures"), w.officer, row{"code": "dry-day", "name": "Already free", "kind_of_joint": "Door hinge", "steps": shipped}).want(201)
	w.do("POST", w.at("vehicles/wrenfield/joints"), w.officer, row{"template": "door-hinge", "positions": []string{"a", "b", "c", "d"}, "nominal": "8 mm"}).want(201)
	repairOf(w, "dry-day", "a", "b", "c", "d").want(201)
	one := w.do("POST", w.at("repairs/R2/plans"), w.as("member"), row{"free": row{"weekly": []row{{"weekday": 6, "from": "08:00", "until": "18:00"}}}, "ordering": "at_hand", "at_hand": []string{"reamer"}}).want(201)
	if begins, ends := one.time("begins_at"), one.time("ends_at"); begins.Weekday() != time.Saturday || ends.Sub(begins) > 10*time.Hour {
		t.Errorf("from %v to %v: %s", begins, ends, one.str("summary"))
	}
}

func TestAPlansToolsAreReservedTogetherOrNotAtAll(t *testing.T) {
	t.Parallel()
	w := wagonInWork(t)
	made := plan(w, row{"free": weekend}).want(201)
	at := w.at("repairs/R1/plans/1/reservations")
	// Somebody else was faster with the press: nothing is booked.
	press := by("tool_model", made.get("reservations"))["press-2"]
	taken := w.do("POST", w.at("reservations"), w.officer, row{"lines": []row{{"tool": "PRESS-2", "period": press["period"]}}}).want(201)
	w.do("POST", at, w.as("member"), nil).want(409).wantProblem("tool-taken")
	if n := w.of(`select count(*)::text from booking where club_id = $1`); n != "1" {
		t.Errorf("%s bookings; all or none are made", n)
	}
	w.do("POST", w.at("reservations/"+taken.str("id")+"/cancel"), w.officer, nil).want(200)
	key := header{"Idempotency-Key", newID()}
	first := w.do("POST", at, w.as("member"), nil, key).want(200)
	if lines := first.get("reservation", "lines").([]any); len(lines) != 7 || howMany(first.get("reservations"), "state", "kept") != 7 || first.str("summary") != "7 tools were reserved, all in one reservation." {
		t.Errorf("reserved %s", first.body)
	}
	if again := w.do("POST", at, w.as("member"), nil, key).want(200); string(again.body) != string(first.body) {
		t.Errorf("the same request again: %s", again.body)
	}
	if more := w.do("POST", at, w.as("member"), nil).want(200); more.get("reservation") != nil || more.str("summary") != "There was nothing to reserve." {
		t.Errorf("asked once more: %s", more.body)
	}
	got := w.do("GET", w.at("repairs/R1/plans/newest"), w.officer, nil).want(200)
	w.mustHold(got, onWeekends)
	if howMany(got.get("reservations"), "state", "kept") != 7 || got.str("do_next", 0, "code") != "begin_step" {
		t.Errorf("the plan %s", got.body)
	}
	// What its member gives up is to be made again.
	w.do("POST", w.at("reservations/"+first.str("reservation", "id")+"/cancel"), w.as("member"), nil).want(200)
	if got = w.do("GET", w.at("repairs/R1/plans/newest"), w.officer, nil).want(200); howMany(got.get("reservations"), "state", "to_make") != 7 {
		t.Errorf("after it was cancelled: %s", got.body)
	}
	plan(w, row{}).want(201)
	w.do("POST", at, w.as("member"), nil).want(409).wantProblem("not-allowed-now")
	w.do("POST", w.at("repairs/R1/plans/9/reservations"), w.as("member"), nil).want(404)
}

// A parcel that comes later moves what waits for it and nothing else. What is reserved
// for the rest is kept, and what no longer fits is told of and left alone.
func TestALateParcelMovesWhatWaitsForIt(t *testing.T) {
	t.Parallel()
	w := wagonInWork(t)
	plan(w, row{"free": weekend, "lead_days": 9}).want(201)
	w.do("POST", w.at("repairs/R1/plans/1/reservations"), w.as("member"), nil).want(200)
	first := w.do("GET", w.at("repairs/R1/plans/1"), w.officer, nil).want(200)

	same := plan(w, row{}).want(201)
	if len(same.get("changes").([]any)) != 0 || howMany(same.get("reservations"), "state", "kept") != 7 || fmt.Sprint(same.get("steps")) != fmt.Sprint(first.get("steps")) {
		t.Errorf("nothing changed, and it moved: %s", same.body)
	}
	w.clock.advance(26 * time.Hour)
	if same = plan(w, row{}).want(201); len(same.get("changes").([]any)) != 0 {
		t.Errorf("a day passed, and it moved: %v", same.get("changes"))
	}
	late := plan(w, row{"lead_days": 23}).want(201)
	w.mustHold(late, onWeekends)
	moved := by("ref", late.get("changes"))
	for ref, s := range by("ref", late.get("steps")) {
		before := by("ref", first.get("steps"))[ref]["begins_at"]
		if (s["begins_at"] != before) != (moved[ref] != nil) {
			t.Errorf("%s begins %v instead of %v, told as %v", ref, s["begins_at"], before, moved[ref])
		}
		if phase := s["phase"].(string); strings.Contains("protect free pull clean measure decide order delivery", phase) && ref[:5] != "clean" && moved[ref] != nil {
			t.Errorf("%s moved: %v", ref, moved[ref])
		}
	}
	if c := moved["ream:left-lower"]; c["code"] != "delivery" || !strings.Contains(c["text"].(string), "waits for parts, expected") {
		t.Errorf("the reaming moved: %v", c)
	}
	lines := by("tool_model", late.get("reservations"))
	if lines["puller-s"]["state"] != "kept" || lines["mic-25"]["state"] != "kept" || lines["ream-8125"]["state"] != "to_move" || lines["press-2"]["state"] != "to_move" || len(late.get("reservations").([]any)) != 7 {
		t.Errorf("reservations %v", late.get("reservations"))
	}
	// What it says is what moves it.
	for _, model := range []string{"ream-8125", "press-2", "gauges-8"} {
		l := lines[model]
		for _, one := range late.get("reservations").([]any) {
			if line := one.(map[string]any); line["tool_model"] == model && line["state"] == "to_move" {
				l = line
			}
		}
		w.do("POST", w.at("reservations/"+l["reservation_id"].(string)+"/change"), w.as("member"), row{"lines": []row{{"line": l["line"], "period": l["period"]}}}).want(200)
	}
	again := plan(w, row{}).want(201)
	if w.mustHold(again, onWeekends); len(again.get("changes").([]any)) != 0 || howMany(again.get("reservations"), "state", "kept") != 7 {
		t.Errorf("after they were moved: %s", again.body)
	}
	// And a parcel that comes after all gives the time back.
	soon := plan(w, row{"lead_days": 9}).want(201)
	if w.mustHold(soon, onWeekends); !soon.time("ends_at").Equal(first.time("ends_at")) {
		t.Errorf("it ends %v instead of %v", soon.time("ends_at"), first.time("ends_at"))
	}
}

// What the club's own deliveries took decides, at the quantile asked for.
func TestAPlanWaitsAsLongAsTheSupplierTakes(t *testing.T) {
	t.Parallel()
	w := wagonInWork(t)
	w.do("POST", w.at("suppliers"), w.officer, row{"code": "fallow", "name": "Fallow Pins", "stated_days": 3}).want(201)
	w.do("POST", w.at("pin-series"), w.officer, row{"code": "hinge-fallow", "name": "Pins", "supplier": "fallow", "steps": []row{{"code": "standard", "pin": "8 mm", "pin_tolerance_lower": "-10 um", "pin_tolerance_upper": "0 um"}}}).want(201)
	for _, joint := range fourDoorHinges {
		w.do("PATCH", w.at("joints/"+joint), w.officer, row{"pin_series": "hinge-fallow"}, header{"If-Match", "*"}).want(200)
	}
	told := func(body row) (days float64, text string) {
		t.Helper()
		for _, n := range plan(w, body).want(201).get("assumed").([]any) {
			if note := n.(map[string]any); note["code"] == "assumed_delivery" {
				return note["params"].(map[string]any)["days"].(float64), note["text"].(string)
			}
		}
		t.Fatal("nothing is told of the delivery")
		return
	}
	half, _ := told(row{"free": weekend, "quantile": 0.5})
	sure, text := told(row{"quantile": 0.95})
	law := w.do("GET", w.at("suppliers/fallow"), w.officer, nil).want(200)
	if half < 1 || half >= sure || !strings.Contains(text, "0 deliveries of fallow") || !strings.Contains(string(law.body), fmt.Sprintf(`"days":%.0f`, sure)) {
		t.Errorf("%v days as likely as not, %v nearly surely (%s); the supplier says %s", half, sure, text, law.body)
	}
}

func TestAPlanTowardsAFinishBeginsAsLateAsItCan(t *testing.T) {
	t.Parallel()
	w := wagonInWork(t)
	first := plan(w, row{"free": weekend, "ordering": "before"}).want(201)
	by := first.time("ends_at").AddDate(0, 0, 14)
	late := plan(w, row{"finish_by": by}).want(201)
	w.mustHold(late, onWeekends)
	if late.time("ends_at").After(by) || !late.time("begins_at").After(first.time("begins_at").AddDate(0, 0, 6)) || late.get("ask", "start") != nil {
		t.Errorf("done by %v: %s", by, late.str("summary"))
	}
	if same := plan(w, row{}).want(201); len(same.get("changes").([]any)) != 0 {
		t.Errorf("nothing changed, and it moved: %v", same.get("changes"))
	}
	refused := plan(w, row{"finish_by": first.time("ends_at").Add(-time.Hour)}).want(422).wantFault("/finish_by")
	if !strings.Contains(string(refused.body), first.time("ends_at").Format("Mon 2 Jan 2006 15:04")) {
		t.Errorf("%s does not name the earliest finish, %v", refused.body, first.time("ends_at"))
	}
	start := w.clock.now().AddDate(0, 0, 20)
	if then := plan(w, row{"start": start}).want(201); then.time("begins_at").Before(start) || then.get("ask", "finish_by") != nil {
		t.Errorf("begun from %v on: %s", start, then.str("summary"))
	}
}

func TestWhatCannotBePlanned(t *testing.T) {
	t.Parallel()
	w := wagonInWork(t)
	plan(w, row{}).want(422).wantFault("/free")
	plan(w, row{"free": row{"weekly": []row{}}}).want(422).wantFault("/free")
	plan(w, row{"free": row{"periods": []row{{"from": w.clock.now().AddDate(-1, 0, 0), "until": w.clock.now().AddDate(-1, 0, 1)}}}}).want(422).wantFault("/free")
	plan(w, row{"free": row{"periods": []row{{"from": w.clock.now(), "until": w.clock.now().Add(20 * time.Minute)}}}}).want(422).wantFault("/free")
	try := func(body row) *response { return plan(w, with(row{"free": weekend}, body)) }
	try(row{"start": w.clock.now(), "finish_by": w.clock.now()}).want(422).wantFault("/finish_by")
	try(row{"finish_by": w.clock.now().Add(-time.Hour)}).want(422).wantFault("/finish_by")
	try(row{"finish_by": w.clock.now().AddDate(2, 0, 0)}).want(422).wantFault("/finish_by")
	try(row{"start": w.clock.now().AddDate(2, 0, 0)}).want(422).wantFault("/start")
	try(row{"at_hand": []string{"spanner"}}).want(422).wantFault("/at_hand/0")
	try(row{"tools": []row{{"kind": "reamer", "tool_model": "press-2"}}}).want(422).wantFault("/tools/0/tool_model")
	plan(w, row{"free": row{"periods": []row{{"from": w.clock.now(), "until": w.clock.now()}}, "away": []row{{"first": "2026-02-02", "last": "2026-02-01"}}}}).want(422).wantFault("/free/periods/0/until").wantFault("/free/away/0/last")
	// A press that is in use for good cannot be planned with.
	if _, err := w.db.Owner.Exec(t.Context(), `update tool set state = 'quarantine' where number = 'DRIFT-7'`); err != nil {
		t.Fatal(err)
	}
	made := try(nil).want(201)
	if n := howMany(made.get("assumed"), "code", "not_lent"); n != 1 {
		t.Errorf("a drift that is not lent: %s", made.body)
	}
	w.do("POST", w.at("closures"), w.officer, row{"garage": "north", "first_day": w.clock.now().AddDate(0, 0, -1).Format(time.DateOnly), "last_day": w.clock.now().AddDate(0, 0, 300).Format(time.DateOnly)}).want(201)
	try(nil).want(422).wantFault("/tools")
}

// Free hours, parts, tools at hand and other people's bookings are drawn at random, plans are
// made, reserved and made again: what every plan promises holds after each.
func TestPlansHoldWhateverHappens(t *testing.T) {
	t.Parallel()
	w := wagonInWork(t)
	draw := rand.New(rand.NewPCG(20261130, 5))
	pick := func(list ...any) any { return list[draw.IntN(len(list))] }
	days := map[time.Weekday]bool{}
	for turn := range 14 {
		body := row{"lead_days": draw.IntN(25), "ordering": pick("before", "after", "at_hand"), "assume": pick("ream_to", "bush_back_to_standard", "leave"), "at_hand": pick([]string{}, []string{"reamer"}, []string{"press-2", "drift"})}
		if turn == 0 || draw.IntN(3) == 0 {
			clear(days)
			var weekly []row
			for d := 1; d <= 7; d++ {
				if draw.IntN(2) == 0 || d == 7 && len(weekly) == 0 {
					weekly = append(weekly, row{"weekday": d, "from": "12:00", "until": "19:00"})
					days[time.Weekday(d%7)] = true
				}
			}
			body["free"] = row{"weekly": weekly}
		}
		switch draw.IntN(4) {
		case 0:
			body["start"] = w.clock.now().Add(time.Duration(draw.IntN(400)) * time.Hour)
		case 1:
			body["finish_by"] = w.clock.now().AddDate(0, 0, 150)
		}
		made := plan(w, body).want(201)
		free := func(at time.Time) bool { at = at.UTC(); return days[at.Weekday()] && at.Hour() >= 12 && at.Hour() < 19 }
		w.mustHold(made, free)
		if same := plan(w, row{}).want(201); len(same.get("changes").([]any)) != 0 {
			t.Errorf("turn %d: nothing changed, and it moved: %v", turn, same.get("changes"))
		}
		switch draw.IntN(3) {
		case 0:
			w.do("POST", w.at("repairs/R1/plans/newest/reservations"), w.as("member"), nil).want(200)
		case 1: // somebody takes a tool for two days
			from := w.clock.now().AddDate(0, 0, 1+draw.IntN(30)).Truncate(24 * time.Hour).Add(9 * time.Hour)
			w.do("POST", w.at("reservations"), w.officer, row{"lines": []row{{"tool": pick("PRESS-2", "MIC-25", "REAM-8125"), "period": row{"from": from, "until": from.AddDate(0, 0, 2)}}}})
		}
		w.mustHold(w.do("GET", w.at("repairs/R1/plans/newest"), w.officer, nil).want(200), free)
		w.clock.advance(time.Duration(draw.IntN(40)) * time.Hour)
	}
}
