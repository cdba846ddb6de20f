package api_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"pinwright/internal/postgres"
	"pinwright/internal/repair"
)

// short is a procedure with a step of every sort.
func short(w *world) {
	w.t.Helper()
	step := func(key, phase, per, closedBy string, more row) row {
		s := row{"key": key, "name": "Step " + key, "phase": phase, "per": per, "instructions": []string{"Do it."}, "minutes": 5, "closed_by": closedBy}
		for k, v := range more {
			s[k] = v
		}
		return s
	}
	w.do("POST", w.at("procedures"), w.as("tool_keeper"), row{"code": "short", "name": "Short", "kind_of_joint": "Any", "steps": []row{
		step("soak", "free", "job", "anyone", row{"wait": row{"kind": "creep", "minutes": 120}, "repeat": row{"every_hours": 24, "times": 3}}),
		step("bath", "clean", "job", "anyone", row{"after": []string{"soak"}, "wait": row{"kind": "dwell", "minutes": 60, "most_minutes": 90, "warning": "It eats sound metal."}, "cautions": []string{"acid"}}),
		step("measure", "measure", "joint", "anyone", row{"after": []string{"bath"}, "results": []row{{"shape": "bore", "duty": "running", "stage": "cleaned", "least": 2}}}),
		step("decide", "decide", "job", "lead", row{"after": []string{"measure"}}),
		step("cut", "ream", "joint", "tool_keeper", row{"after": []string{"decide"}, "only_if": []string{"ream_to"}}),
		step("look", "verify", "joint", "another_member", row{"after": []string{"cut"}}),
		step("end", "sign_off", "job", "lead", row{"after": []string{"look"}}),
	}}).want(201)
}

// do one of the acts on a step of R1.
func stepAct(w *world, token, step, act string, body row) *response {
	w.t.Helper()
	return w.do("POST", w.at("repairs/R1/steps/"+step+"/"+act), token, body)
}

func (w *world) sweepRepairs() int {
	w.t.Helper()
	n, err := repair.Sweep(w.t.Context(), &postgres.DB{Pool: w.db.App}, w.club.ClubID, w.clock.now())
	if err != nil {
		w.t.Fatal(err)
	}
	return n
}

// events counts the events of repairs by type.
func repairEvents(w *world) map[string]int {
	out := map[string]int{}
	for _, e := range w.eventTypes() {
		if strings.HasPrefix(e, "repair.") {
			out[e]++
		}
	}
	return out
}

func TestRoundsAndWaitsOfAStep(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	wagon(w, "upper")
	short(w)
	repairOf(w, "short", "upper").want(201)
	began := w.clock.now()
	member := w.as("member")

	stepAct(w, member, "soak", "finish", row{}).want(409).wantProblem("not-allowed-now") // its timer starts when it is begun
	stepAct(w, member, "bath", "begin", row{}).want(409).wantProblem("not-allowed-now")  // after soak
	stepAct(w, member, "soak", "begin", row{"round": 2}).want(422).wantFault("/round")
	w.clock.advance(2 * time.Hour) // the phone was offline: it was begun an hour ago
	first := stepAct(w, member, "soak", "begin", row{"occurred_at": began.Add(time.Hour), "note": "Both ends"}).want(200)
	if first.str("state") != "waiting" || first.num("rounds_done") != 1 || first.str("timers", 0, "kind") != "repeat" || first.str("timers", 0, "due_at") != began.Add(25*time.Hour).Format(time.RFC3339Nano) {
		t.Errorf("first round: %s", first.body)
	}
	// A second phone tells the same: one timer, and nobody is refused.
	if again := stepAct(w, w.officer, "soak", "begin", row{}).want(200); again.str("warnings", 0, "code") != "already" || len(again.get("timers").([]any)) != 1 || again.num("version") != first.num("version") {
		t.Errorf("begun twice: %s", again.body)
	}
	stepAct(w, member, "soak", "finish", row{}).want(409)
	if w.sweepRepairs() != 0 {
		t.Error("a timer rang before it was due")
	}
	w.clock.advance(23 * time.Hour)
	if n := w.sweepRepairs() + w.sweepRepairs(); n != 1 || repairEvents(w)["repair.timer_due"] != 1 {
		t.Errorf("%d events of a timer that is due; journal %v", n, repairEvents(w))
	}
	today := w.do("GET", w.at("garages/north/repairs-today"), member, nil).want(200)
	if today.str("rounds", 0, "timer", "step") != "soak" || today.str("rounds", 0, "timer", "state") != "due" || !strings.Contains(today.str("do_next", 0, "text"), "R1, soak: round 2 is due since") {
		t.Errorf("today %s", today.body)
	}
	stepAct(w, member, "soak", "begin", row{}).want(200)
	last := stepAct(w, member, "soak", "begin", row{"round": 3}).want(200) // before it is due, since it says which
	if last.str("timers", 2, "kind") != "creep" || last.str("timers", 1, "state") != "stopped" || last.num("rounds_done") != 3 {
		t.Errorf("last round: %s", last.body)
	}
	if again := stepAct(w, member, "soak", "begin", row{"round": 2}).want(200); again.num("version") != last.num("version") {
		t.Errorf("an older round again: %s", again.body)
	}
	stepAct(w, member, "soak", "begin", row{"round": 4}).want(422).wantFault("/round")
	stepAct(w, member, "soak", "finish", row{}).want(409) // it creeps
	w.clock.advance(2 * time.Hour)
	stepAct(w, member, "soak", "finish", row{"occurred_at": began}).want(422).wantFault("/occurred_at")
	done := stepAct(w, member, "soak", "finish", row{"note": "It moved"}).want(200)
	if done.str("state") != "done" || done.str("note") != "It moved" || done.str("timers", 2, "state") != "stopped" {
		t.Errorf("finished %s", done.body)
	}
	if again := stepAct(w, w.officer, "soak", "finish", row{}).want(200); again.str("warnings", 0, "code") != "already" || again.get("done_by") != done.get("done_by") {
		t.Errorf("finished twice: %s", again.body)
	}
	if e := repairEvents(w); e["repair.step_done"] != 1 || e["repair.step_begun"] != 3 {
		t.Errorf("journal %v", e)
	}

	// A bath that nobody looks at overstays once.
	stepAct(w, member, "bath", "begin", row{"occurred_at": began}).want(422).wantFault("/occurred_at") // before what it comes after
	stepAct(w, member, "bath", "begin", row{}).want(200)
	w.clock.advance(95 * time.Minute)
	if n := w.sweepRepairs() + w.sweepRepairs(); n != 2 {
		t.Errorf("%d events of a bath that overstays, want due and overstayed", n)
	}
	seen := w.do("GET", w.at("repairs/R1"), member, nil).want(200)
	if seen.str("timers", 0, "state") != "overstaying" || !strings.Contains(seen.str("warnings", 0, "text"), "It eats sound metal.") {
		t.Errorf("a bath that overstays: %s", seen.body)
	}
	if today := w.do("GET", w.at("garages/north/repairs-today"), member, nil).want(200); today.str("warnings", 0, "code") != "overstays" {
		t.Errorf("today %s", today.body)
	}
	timer := seen.str("timers", 0, "id")
	stopped := w.do("POST", w.at("repairs/R1/timers/"+timer+"/stop"), member, row{}).want(200)
	if stopped.str("state") != "running" || stopped.get("ready") != true {
		t.Errorf("stopped %s", stopped.body)
	}
	if again := w.do("POST", w.at("repairs/R1/timers/"+timer+"/stop"), member, row{}).want(200); again.str("warnings", 0, "code") != "already" {
		t.Errorf("stopped twice %s", again.body)
	}
	w.do("POST", w.at("repairs/R1/timers/"+newID()+"/stop"), member, row{}).want(404)
	stepAct(w, member, "bath", "finish", row{}).want(200)
	if w.sweepRepairs() != 0 {
		t.Error("a stopped timer rang")
	}
}

func TestAWaitIsCutShortOnlyWithAReason(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	wagon(w, "upper")
	short(w)
	repairOf(w, "short", "upper").want(201)
	member := w.as("member")
	stepAct(w, member, "soak", "begin", row{}).want(200)
	stepAct(w, member, "soak", "finish", row{"early": true}).want(422).wantFault("/note")
	stepAct(w, member, "soak", "finish", row{"early": true, "note": "It came out by hand"}).want(200)
	stepAct(w, member, "bath", "leave-out", row{}).want(422).wantFault("/reason")
	out := stepAct(w, member, "bath", "leave-out", row{"reason": "No rust"}).want(200)
	if out.str("left_out") != "by_member" || out.str("note") != "No rust" {
		t.Errorf("left out %s", out.body)
	}
	stepAct(w, member, "bath", "leave-out", row{"reason": "No rust"}).want(200)
	stepAct(w, member, "bath", "finish", row{}).want(409)
	stepAct(w, member, "bath", "begin", row{}).want(409)
	stepAct(w, member, "soak", "leave-out", row{"reason": "done"}).want(409)
	stepAct(w, member, "measure:upper", "begin", row{}).want(200)
	stepAct(w, member, "soak", "reopen", row{"reason": "again"}).want(409).wantProblem("not-allowed-now") // measure was begun
	again := stepAct(w, member, "soak", "reopen", row{"reason": "again", "following": true}).want(200)
	if again.str("state") != "open" || again.num("rounds_done") != 0 || again.str("warnings", 0, "text") != "To be done again, since soak comes before: measure:upper." {
		t.Errorf("reopened %s", again.body)
	}
	if got := w.do("GET", w.at("repairs/R1/steps/measure"), member, nil).want(200); got.str("state") != "open" {
		t.Errorf("what comes after: %s", got.body)
	}
	stepAct(w, member, "soak", "reopen", row{"reason": "again"}).want(409)
	stepAct(w, member, "soak", "begin", row{}).want(200) // its rounds begin anew
	if n := w.tally(`select count(*) from repair_act`); n != 6+1 {
		t.Errorf("%d acts are kept", n)
	}
	w.do("GET", w.at("repairs/R1/steps/nothing"), member, nil).want(404)
}

func TestReadingsRolesAndTheRecommendationHoldStepsBack(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.hinges()
	short(w)
	hinges := fourHinges[:2]
	lead, other, keeper := w.as("member"), w.officer, w.as("tool_keeper")
	made := w.do("POST", w.at("repairs"), lead, row{"vehicle": "tourer", "joints": hinges, "procedure": "short", "garage": "north"}).want(201)
	at, tag := w.at("repairs/R1"), made.header.Get("ETag")
	for _, step := range []string{"soak", "bath"} {
		stepAct(w, lead, step, "leave-out", row{"reason": "Clean already"}).want(200)
	}
	stepAct(w, lead, "measure", "begin", row{}).want(422).wantProblem("ambiguous-name")
	stepAct(w, lead, "measure:"+hinges[0], "finish", row{}).want(409)
	read := func(joint, size, stage string) {
		w.do("POST", w.at("readings"), lead, row{"vehicle": "tourer", "joint": joint, "value": size, "with": "inside_micrometer", "stage": stage}).want(201)
	}
	for _, joint := range hinges {
		read(joint, "8.08 mm", "cleaned")
		read(joint, "8.09 mm", "as_found") // of another stage
	}
	if got := stepAct(w, lead, "measure:"+hinges[0], "begin", row{}).want(200); got.num("results", 0, "counted") != 1 || got.num("results", 0, "least") != 2 {
		t.Errorf("counted %s", got.body)
	}
	stepAct(w, lead, "measure:"+hinges[0], "finish", row{"early": true, "note": "in a hurry"}).want(409) // a reading cannot be skipped
	for _, joint := range hinges {
		read(joint, "8.09 mm", "cleaned")
		stepAct(w, lead, "measure:"+joint, "finish", row{}).want(200)
	}
	stepAct(w, keeper, "decide", "finish", row{}).want(403).wantProblem("missing-role")
	stepAct(w, lead, "decide", "finish", row{}).want(200)
	stepAct(w, keeper, "cut:"+hinges[0], "begin", row{}).want(409) // no recommendation yet

	// One that chose to ream the upper one only.
	recommended := row{"joints": hinges, "vehicle": "tourer"}
	rec := w.do("POST", w.at("recommendations"), lead, recommended).want(201).str("id")
	w.exec(`update recommendation set body = convert_to(jsonb_set(jsonb_set(convert_from(body, 'UTF8')::jsonb, '{joints,0,option}', '"ream_to"'), '{joints,1,option}', '"leave"')::text, 'UTF8') where club_id = $1 and id = $2`, rec)
	first, second := hinges[0], hinges[1]
	if p := w.of(`select convert_from(body, 'UTF8')::jsonb #>> '{joints,0,position}' from recommendation where club_id = $1 and id = $2`, rec); p != first {
		first, second = second, first
	}
	w.do("PATCH", at, keeper, row{"recommendation": rec}, header{"If-Match", tag}).want(403)
	w.do("PATCH", at, lead, row{"recommendation": newID()}, header{"If-Match", tag}).want(422).wantFault("/recommendation")
	w.do("PATCH", at, lead, row{"garage": "nothing"}, header{"If-Match", tag}).want(422).wantFault("/garage")
	w.do("PATCH", at, lead, row{"lead": "nothing"}, header{"If-Match", tag}).want(422).wantFault("/lead")
	decided := w.do("PATCH", at, lead, row{"recommendation": rec, "note": "As advised"}, header{"If-Match", tag}).want(200)
	w.do("PATCH", at, lead, row{"note": "x"}, header{"If-Match", tag}).want(412)
	if decided.num("steps_closed") != 6 || decided.str("note") != "As advised" {
		t.Errorf("decided %s", decided.body)
	}
	stepAct(w, lead, "cut:"+first, "begin", row{}).want(200)
	stepAct(w, lead, "cut:"+first, "finish", row{}).want(403).wantProblem("missing-role")
	stepAct(w, keeper, "cut:"+first, "finish", row{}).want(200)
	if got := stepAct(w, keeper, "cut:"+second, "begin", row{}); got.status != 409 {
		t.Errorf("begun though left out: %s", got.body)
	}
	for _, joint := range []string{first, second} {
		stepAct(w, lead, "look:"+joint, "finish", row{}).want(409) // nobody began it
		stepAct(w, lead, "look:"+joint, "begin", row{}).want(200)
		stepAct(w, lead, "look:"+joint, "finish", row{}).want(403)
		stepAct(w, lead, "look:"+joint, "leave-out", row{"reason": "trust me"}).want(200)
		stepAct(w, lead, "look:"+joint, "reopen", row{"reason": "after all"}).want(200)
		stepAct(w, lead, "look:"+joint, "begin", row{}).want(200)
		stepAct(w, other, "look:"+joint, "finish", row{}).want(200)
	}

	// Another decision opens what it asks for, with what comes after.
	w.exec(`update recommendation set body = convert_to(jsonb_set(convert_from(body, 'UTF8')::jsonb, '{joints,1,option}', '"ream_to"')::text, 'UTF8') where club_id = $1 and id = $2`, rec)
	anew := w.do("PATCH", at, lead, row{"recommendation": rec}, header{"If-Match", "*"}).want(200)
	if want := fmt.Sprintf("To be done again, since cut:%s comes before: look:%s.", second, second); anew.str("warnings", 0, "text") != want {
		t.Errorf("%s, want %s", anew.body, want)
	}
	sign := w.at("repairs/R1/sign-off")
	w.do("POST", sign, lead, row{}).want(409).wantProblem("not-allowed-now")
	stepAct(w, keeper, "cut:"+second, "finish", row{}).want(200)
	stepAct(w, lead, "look:"+second, "begin", row{}).want(200)
	stepAct(w, other, "look:"+second, "finish", row{}).want(200)
	w.do("POST", sign, keeper, row{}).want(403)
	signed := w.do("POST", sign, lead, row{}).want(200)
	if signed.str("state") != "signed" || signed.num("steps_closed") != signed.num("steps_total") {
		t.Errorf("signed %s", signed.body)
	}
	w.do("POST", sign, lead, row{}).want(200)
	stepAct(w, lead, "soak", "reopen", row{"reason": "again"}).want(409)
	w.do("POST", w.at("repairs/R1/abandon"), lead, row{"reason": "too late"}).want(409)
	w.do("POST", w.at("repairs"), lead, row{"vehicle": "tourer", "joints": hinges[:1], "procedure": "short", "garage": "north"}).want(201) // its joints are free
}

func TestASafetyJointWantsASecondMember(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	wagon(w, "upper")
	w.do("POST", w.at("vehicles/wrenfield/joints"), w.officer, row{"template": "king-pin", "positions": []string{"left"}, "nominal": "20 mm"}).want(201)
	short(w)
	repairOf(w, "short", "left").want(201)
	lead, sign := w.as("member"), w.at("repairs/R1/sign-off")
	for _, step := range []string{"soak", "bath", "measure", "decide", "cut", "look"} {
		token := lead
		if step == "cut" {
			token = w.as("tool_keeper")
		}
		stepAct(w, token, step, "leave-out", row{"reason": "For the test"}).want(200)
	}
	w.do("POST", sign, lead, row{}).want(422).wantFault("/inspection_first")
	once := w.do("POST", sign, lead, row{"inspection_first": true}).want(200)
	if once.str("state") != "open" || !strings.Contains(once.str("do_next", 0, "text"), "licensed inspection") {
		t.Errorf("signed once: %s", once.body)
	}
	if again := w.do("POST", sign, lead, row{"inspection_first": true}).want(200); again.str("state") != "open" || again.str("warnings", 0, "code") != "already" {
		t.Errorf("signed twice by one: %s", again.body)
	}
	if twice := w.do("POST", sign, w.as("tool_keeper"), row{"inspection_first": true}).want(200); twice.str("state") != "signed" || twice.get("seconded_by") == nil {
		t.Errorf("signed by another: %s", twice.body)
	}
	if _, err := w.db.Owner.Exec(t.Context(), `update repair set seconded_by = signed_by`); err == nil {
		t.Error("the database takes a second signature of the first member")
	}
}

func TestAnAbandonedRepairFreesItsJoints(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	wagon(w, "upper")
	short(w)
	repairOf(w, "short", "upper").want(201)
	stepAct(w, w.as("member"), "soak", "begin", row{}).want(200)
	at := w.at("repairs/R1/abandon")
	w.do("POST", at, w.as("member,treasurer"), row{"reason": "The car was sold"}).want(403)
	gone := w.do("POST", at, w.as("tool_keeper"), row{"reason": "The car was sold"}).want(200)
	if gone.str("state") != "abandoned" || gone.str("abandon_reason") != "The car was sold" || len(gone.get("timers").([]any)) != 0 {
		t.Errorf("abandoned %s", gone.body)
	}
	w.do("POST", at, w.as("tool_keeper"), row{"reason": "The car was sold"}).want(200)
	stepAct(w, w.as("member"), "soak", "begin", row{"round": 2}).want(409)
	w.clock.advance(48 * time.Hour)
	if w.sweepRepairs() != 0 {
		t.Error("a timer of an abandoned repair rang")
	}
	repairOf(w, "short", "upper").want(201)
}
