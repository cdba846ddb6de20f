package api_test

import (
	"strings"
	"testing"
	"time"
)

// job is a repair that is walked through by HTTP, on a clock that the test moves.
type job struct {
	*world
	member  string   // a token
	browser *browser // nil: none is on the machine
}

// acts begins and finishes steps, each for as long as its hands-on minutes say.
func (j *job) acts(steps ...string) {
	j.t.Helper()
	for _, s := range steps {
		begun := stepAct(j.world, j.member, s, "begin", asItGoes).want(200)
		j.clock.advance(time.Duration(begun.num("minutes")) * time.Minute)
		stepAct(j.world, j.member, s, "finish", asItGoes).want(200)
	}
}

var asItGoes = row{}

// each is a step of every joint.
func (j *job) each(step string) []string {
	var out []string
	for _, h := range fourHinges {
		out = append(out, step+":"+h)
	}
	return out
}

// creeps is the week in which penetrant is given once a day; every round rings when it is due.
func (j *job) creeps() {
	j.t.Helper()
	for round := 1; round <= 7; round++ {
		if round > 1 {
			if today := j.do("GET", j.at("garages/north/repairs-today"), j.member, nil).want(200); !strings.Contains(today.str("do_next", 0, "text"), "penetrant") {
				j.t.Errorf("round %d: %s", round, today.body)
			}
		}
		stepAct(j.world, j.member, "penetrant", "begin", row{}).want(200)
		j.clock.advance(24 * time.Hour)
		j.sweepRepairs()
	}
	stepAct(j.world, j.member, "penetrant", "finish", row{}).want(200)
	if n := repairEvents(j.world)["repair.timer_due"]; n != 7 {
		j.t.Errorf("%d timers rang in a week of creep, want 7", n)
	}
}

func (j *job) read(joint string, body row) *response {
	j.t.Helper()
	body["joint"] = joint
	return j.do("POST", j.at("readings"), j.member, body).want(201)
}

// sees looks at a picture of the club in a browser, light and dark, as wide as a phone.
func (j *job) sees(name, path, words string) {
	j.t.Helper()
	if j.browser == nil {
		return
	}
	papers := map[string]bool{}
	for _, dark := range []bool{false, true} {
		// Without a scheme asked for, it follows the device's.
		s := sight{name: name + map[bool]string{false: "-light", true: "-dark"}[dark], width: 390, height: 844, dark: dark}
		got := j.browser.mustLookRight(j.do("GET", j.at(path), j.member, nil).want(200), s)
		if !strings.Contains(got.Text, words) {
			j.t.Errorf("%s: “%s” is not to be read in %q", s.name, words, got.Text)
		}
		papers[got.Paper] = true
	}
	if len(papers) != 2 {
		j.t.Errorf("%s is drawn on %v, light and dark", name, papers)
	}
}

// The whole job of four hinges: a week of creep, a size that measuring forces, parts that come late,
// a bore that fails and is bushed, signing off, the record.
func TestTheWholeJobOfFourHinges(t *testing.T) {
	t.Parallel()
	w := hingeSet(t)
	w.neverCloses()
	j := &job{world: w, member: w.as("member"), browser: newBrowser(t)}
	for _, m := range []row{{"code": "puller", "name": "Hinge pin puller", "kind": "puller"}, {"code": "drift", "name": "Brass drifts", "kind": "drift"}, {"code": "press", "name": "Bench press", "kind": "press"}} {
		w.do("POST", w.at("tool-models"), w.officer, m).want(201)
		w.do("POST", w.at("tools"), w.officer, row{"number": m["code"], "model": m["code"], "garage": "north"}).want(201)
	}
	if none := w.do("GET", w.at("garages/north/repairs-today"), w.officer, nil).want(200); none.str("summary") != "0 open repairs at north: 0 timers run; 0 rounds are to be done today, and 0 steps may go on." {
		t.Errorf("nothing to do: %s", none.body)
	}
	begun := w.do("POST", w.at("repairs"), j.member, row{"vehicle": "tourer", "joints": fourHinges, "procedure": "door-hinge", "garage": "north"}).want(201)
	if begun.num("steps_total") != 47 {
		t.Errorf("begun: %s", begun.body)
	}
	if one := w.do("GET", w.at("garages/north/repairs-today"), w.officer, nil).want(200); one.str("summary") != "1 open repair at north: 0 timers run; 0 rounds are to be done today, and 1 step may go on." {
		t.Errorf("one repair: %s", one.body)
	}
	j.acts("protect")
	j.creeps()
	j.acts(j.each("pull")...)

	// The acid works for an hour and eats sound metal after two.
	stepAct(w, j.member, "derust", "begin", row{}).want(200)
	w.clock.advance(70 * time.Minute)
	w.sweepRepairs()
	stepAct(w, j.member, "derust", "finish", row{}).want(200)
	stepAct(w, j.member, "neutralise", "begin", row{}).want(200)
	w.clock.advance(time.Hour)
	stepAct(w, j.member, "neutralise", "finish", row{}).want(200)

	// No measuring, no closing. The gauge of the first oversize's reamer starts in all four, so it cannot clean up.
	stepAct(w, j.member, "measure:left-upper", "begin", row{}).want(200)
	stepAct(w, j.member, "measure:left-upper", "finish", row{"early": true, "note": "it looks fine"}).want(409).wantProblem("not-allowed-now")
	for _, h := range fourHinges {
		j.read(h, row{"gauge": "0.318 in", "result": "starts", "surface": "rusty", "stage": "cleaned"})
		j.read(h, row{"gauge": "0.322 in", "result": "no_go", "stage": "cleaned"})
		j.read(h, row{"feature": "pin", "value": "0.3125 in", "with": "micrometer", "stage": "cleaned"})
	}
	w.clock.advance(time.Hour)
	stepAct(w, j.member, "measure:left-upper", "finish", row{}).want(200)
	j.acts(j.each("measure")[1:]...)
	advice := w.do("POST", w.at("recommendations"), j.member, row{"joints": fourHinges, "form": practiceForm, "guidance": "floating"}).want(201)
	for k := range fourHinges {
		if advice.str("joints", k, "option") != "ream_to" || advice.str("joints", k, "step") != "oversize_2" {
			t.Errorf("joint %d: %s to %s", k, advice.str("joints", k, "option"), advice.str("joints", k, "step"))
		}
	}
	w.do("PATCH", w.at("repairs/R1"), j.member, row{"recommendation": advice.str("id")}, header{"If-Match", "*"}).want(200)
	j.acts("decide")
	for _, h := range fourHinges {
		if s := w.do("GET", w.at("repairs/R1/steps/bush:"+h), j.member, nil).want(200); s.str("state") != "left_out" {
			t.Errorf("bush:%s is %s though all are reamed", h, s.str("state"))
		}
	}

	j.parts()
	j.cut()
	j.finish()
}

// parts are ordered after measuring, come late, and move the plan with what was reserved by it.
func (j *job) parts() {
	w, t := j.world, j.t
	t.Helper()
	w.do("POST", w.at("suppliers"), w.officer, row{"code": "fallow", "name": "Fallow Pins", "stated_days": 5}).want(201)
	var free []row
	for day := 1; day <= 7; day++ {
		free = append(free, row{"weekday": day, "from": "08:00", "until": "20:00"})
	}
	plan := w.do("POST", w.at("repairs/R1/plans"), j.member, row{"free": row{"weekly": free}, "ordering": "after"}).want(201)
	if plan.str("held_up", 0, "code") != "delivery" || plan.str("reservations", 0, "tool_model") != "reamer-0.322" || plan.str("reservations", 0, "state") != "to_make" {
		t.Errorf("plan: %s", plan.body)
	}
	made := w.do("POST", w.at("repairs/R1/plans/newest/reservations"), j.member, nil).want(200)
	if made.str("reservations", 0, "state") != "kept" || made.str("reservations", 1, "state") != "kept" {
		t.Errorf("reserved: %s", made.body)
	}
	needs := w.do("GET", w.at("repairs/R1/parts"), j.member, nil).want(200)
	order := needs.get("to_order", 0).(map[string]any)
	if lines := order["lines"].([]any); lines[0].(map[string]any)["step"] != "oversize_2" || needs.num("needs", 0, "needed") != 4 {
		t.Errorf("to order: %s", needs.body)
	}
	order["supplier"] = "fallow"
	// Ordered today is so by the clock of the garage where the repair is done.
	w.do("POST", w.at("garages"), w.officer, row{"code": "line", "name": "Line Island", "time_zone": "Pacific/Kiritimati", "opens": "08:00", "closes": "20:00"}).want(201)
	w.do("PATCH", w.at("repairs/R1"), w.officer, row{"garage": "line"}, header{"If-Match", "*"}).want(200)
	ordered := w.do("POST", w.at("parts-orders"), j.member, row(order)).want(201)
	if day := w.clock.now().In(time.FixedZone("Kiritimati", 14*3600)).Format(time.DateOnly); ordered.str("ordered_on") != day {
		t.Errorf("ordered on %s, there it is %s", ordered.str("ordered_on"), day)
	}
	w.do("PATCH", w.at("repairs/R1"), w.officer, row{"garage": "north"}, header{"If-Match", "*"}).want(200)
	// What is needed is ordered, so that its day is planned with, though the step that orders is open.
	if r := w.do("POST", w.at("repairs/R1/plans"), j.member, row{}).want(201); by("ref", r.get("steps"))["delivery"]["name"] != "Delivery of what was ordered" || by("ref", r.get("steps"))["order"] == nil {
		t.Errorf("planned with an order open: %s", r.body)
	}
	j.acts("order", "reserve")
	stepAct(w, j.member, "ream:left-upper", "begin", row{}).want(409) // no pins, no cutting

	// The day on which the parcel was expected passes without one.
	expected := plan.str("reservations", 0, "period", "from")
	at, err := time.Parse(time.RFC3339, expected)
	if err != nil {
		t.Fatal(err)
	}
	w.clock.advance(at.Sub(w.clock.now()) - time.Hour)
	again := w.do("POST", w.at("repairs/R1/plans"), j.member, row{}).want(201)
	if again.get("changes", 0) == nil || again.str("ends_at") <= plan.str("ends_at") || again.str("reservations", 0, "state") != "to_move" {
		t.Errorf("the plan after a parcel that did not come: %s", again.body)
	}
	// Planned once more it is the same, and nothing reserved went: it is told where to move it.
	third := w.do("POST", w.at("repairs/R1/plans"), j.member, row{})
	if third.str("ends_at") != again.str("ends_at") || third.get("changes", 0) != nil {
		t.Errorf("planned again: %s", third.body)
	}
	w.do("POST", w.at("repairs/R1/plans/newest/reservations"), j.member, row{"move": true, "digest": third.str("digest")}).want(200)
	moved := w.do("GET", w.at("repairs/R1/plans/newest"), j.member, nil).want(200)
	for i := range moved.get("reservations").([]any) {
		if moved.str("reservations", i, "state") != "kept" {
			t.Errorf("after moving what was reserved: %s", moved.body)
		}
	}
	if picture := w.do("GET", w.at("repairs/R1/plans/newest/picture"), j.member, nil).want(200); !strings.Contains(string(picture.body), "<svg") {
		t.Errorf("the plan as a picture: %s", picture.body)
	}
	j.sees("plan", "repairs/R1/plans/newest/picture", "Verify the fit")
	from, err := time.Parse(time.RFC3339, moved.str("reservations", 0, "reserved", "from"))
	if err != nil {
		t.Fatal(err)
	}
	w.clock.advance(from.Sub(w.clock.now()) + time.Minute)
	arrived := w.do("POST", ordered.header.Get("Location")+"/arrivals", j.member, row{}).want(201)
	if arrived.str("state") != "arrived" && arrived.str("order", "state") != "arrived" {
		t.Logf("arrived: %s", arrived.body)
	}
	if needs = w.do("GET", w.at("repairs/R1/parts"), j.member, nil).want(200); needs.get("complete") != true {
		t.Errorf("with the parcel here: %s", needs.body)
	}
}

// cut reams all four. One is cut too large, is refused, and gets a bush.
func (j *job) cut() {
	w, t := j.world, j.t
	t.Helper()
	w.do("POST", w.at("handouts"), w.as("tool_keeper"), row{"member": "T-member", "tools": []row{{"tool": "R-0.322"}}}).want(201)
	w.do("POST", w.at("tool-models"), w.officer, row{"code": "BG", "name": "Bore gauge", "kind": "bore_gauge", "resolution": "1 um"}).want(201)
	w.do("POST", w.at("tools"), w.officer, row{"number": "BG1", "model": "BG", "garage": "north"}).want(201)
	w.do("POST", w.at("tools/BG1/calibrations"), w.officer, row{"calibrated_on": w.clock.now().AddDate(0, 0, -10).Format(time.DateOnly), "expanded_uncertainty": "2 um", "deviation": "0 um"}).want(201)
	j.acts(j.each("ream")...)
	j.acts(j.each("clean_again")...)
	bad := fourHinges[0]
	for _, h := range fourHinges {
		stepAct(w, j.member, "verify:"+h, "begin", row{}).want(200)
		size := "8.176 mm"
		if h == bad {
			size = "8.230 mm"
		}
		w.reads(h, size)
		v := w.verifies(row{"joint": h, "reamer": "R-0.322", "repair_step": "verify:" + h}).want(201)
		if want := map[bool]string{true: "refused", false: "proved"}[h == bad]; v.str("verdict") != want {
			t.Errorf("%s is %s, want %s: %s", h, v.str("verdict"), want, v.body)
		}
		w.clock.advance(time.Minute)
		if h != bad {
			stepAct(w, j.member, "verify:"+h, "finish", row{}).want(200)
		}
	}
	open := w.do("GET", w.at("repairs/R1/nonconformities?closed=false"), j.member, nil).want(200)
	if open.str("items", 0, "kind") != "fit_refused" || open.str("items", 0, "position") != bad {
		t.Fatalf("what went wrong: %s", open.body)
	}
	w.clock.advance(time.Minute)
	// Neither finished nor left out: the refusal tells where to decide.
	for act, body := range map[string]row{"finish": {"early": true, "note": "it will do"}, "leave-out": {"reason": "it will do"}} {
		if r := stepAct(w, j.member, "verify:"+bad, act, body).want(409).wantProblem("not-allowed-now"); !strings.Contains(r.str("detail"), open.str("items", 0, "id")+"/decide") {
			t.Errorf("%s over a refused fit: %s", act, r.body)
		}
	}
	decided := w.do("POST", w.at("repairs/R1/nonconformities/"+open.str("items", 0, "id")+"/decide"), j.member, row{"option": "bush_back_to_standard"}).want(200)
	if text := decided.str("warnings", 0, "text"); decided.str("state") != "decided" || !strings.Contains(text, "bush:"+bad) || !strings.Contains(text, "clean_again:"+bad) || !strings.Contains(text, "verify:"+bad) {
		t.Errorf("decided: %s", decided.body)
	}
	j.acts("bush:"+bad, "clean_again:"+bad)
	stepAct(w, j.member, "verify:"+bad, "begin", row{}).want(200)
	w.reads(bad, "7.995 mm") // the standard pin is of 0.314 in = 7.9756 mm
	if v := w.verifies(row{"joint": bad, "repair_step": "verify:" + bad}).want(201); v.str("verdict") != "proved" || v.str("pin", "step") != "standard" {
		t.Errorf("bushed: %s", v.body)
	}
	w.clock.advance(10 * time.Minute)
	stepAct(w, j.member, "verify:"+bad, "finish", row{}).want(200)
}

// finish is what is left, signing off, and the record.
func (j *job) finish() {
	w, t := j.world, j.t
	t.Helper()
	stepAct(w, j.member, "finish", "begin", row{}).want(409).wantProblem("not-allowed-now") // not before the trial fit
	w.do("POST", w.at("repairs/R1/sign-off"), j.member, row{}).want(409).wantProblem("not-allowed-now")
	j.acts("rustproof")
	j.acts(j.each("trial_fit")...)
	stepAct(w, j.member, "finish", "begin", row{}).want(200)
	w.clock.advance(25 * time.Hour)
	stepAct(w, j.member, "finish", "finish", row{}).want(200)
	j.acts(j.each("lubricate")...)
	j.acts(j.each("press")...)
	j.acts("adjust")
	signed := w.do("POST", w.at("repairs/R1/sign-off"), j.member, row{}).want(200)
	if signed.str("state") != "signed" {
		t.Errorf("signed: %s", signed.body)
	}
	record := w.do("GET", w.at("repairs/R1/record"), w.as("auditor"), nil).want(200)
	hash := record.str("hash")
	if stands := w.do("GET", "/v1/records/"+hash, "", nil).want(200); stands.get("valid") != true {
		t.Errorf("the record %s stands: %s", hash, stands.body)
	}
	for accept, words := range map[string][]string{
		"text/html":  {"left-upper", "BG1", "bush", "refused", "Tools that it rests on", "R-0.322", "cut with R-0.322", hash},
		"text/plain": {"left-upper", "R-0.322 (reamer", "BG1 (bore gauge", hash[:8]},
	} {
		text := string(w.do("GET", w.at("repairs/R1/record"), w.as("auditor"), nil, header{"Accept", accept}).want(200).body)
		for _, word := range words {
			if !strings.Contains(text, word) {
				t.Errorf("the record as %s does not tell of %s", accept, word)
			}
		}
	}
	j.sees("job-plan-done", "repairs/R1/plans/1/picture", "Delivery of parts")
	if j.browser != nil {
		page := w.do("GET", w.at("repairs/R1/record"), w.as("auditor"), nil, header{"Accept", "text/html"}).want(200)
		for _, s := range []sight{{name: "job-record-a4", width: 900, height: 1600, print: true}, {name: "job-record-dark", width: 900, height: 1600, dark: true}, {name: "job-record-phone", width: 390, height: 800}} {
			got := j.browser.mustLookRight(page, s)
			for _, words := range []string{"Proved, refused, gone wrong", "fit refused", "cut with R-0.322", "bush back to standard", "BG1", hash} {
				if !strings.Contains(got.Text, words) {
					t.Errorf("%s: “%s” is not to be read", s.name, words)
				}
			}
		}
	}
	w.do("POST", w.at("returns"), w.as("tool_keeper"), row{"garage": "north", "tools": []row{{"tool": "R-0.322", "condition": "good"}}}).want(201)
	// What verified bores tell of the reamer serves the next recommendation.
	if n := repairEvents(w)["repair.signed"]; n != 1 {
		t.Errorf("signed off %d times", n)
	}
}
