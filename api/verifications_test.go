package api_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
)

// reamed is a repair of two hinges, the bores of which were read with a bore gauge after the
// cut: those of each hinge at its size, at three places.
func reamed(t *testing.T) *world {
	t.Helper()
	w := decided(t)
	w.do("POST", w.at("tool-models"), w.officer, row{"code": "BG", "name": "Bore gauge", "kind": "bore_gauge", "resolution": "1 um"}).want(201)
	w.do("POST", w.at("tools"), w.officer, row{"number": "BG1", "model": "BG", "garage": "north"}).want(201)
	w.do("POST", w.at("tools/BG1/calibrations"), w.officer, row{"calibrated_on": w.ago(10), "expanded_uncertainty": "2 um", "deviation": "0 um"}).want(201)
	return w
}

// bores are the codes of a joint's running bores.
func (w *world) bores(joint string) (out []string) {
	list := w.do("GET", w.at("joints/"+joint+"/features"), w.officer, nil).want(200)
	for i := range len(list.get("items").([]any)) {
		if list.str("items", i, "shape") == "bore" && list.str("items", i, "duty") == "running" {
			out = append(out, list.str("items", i, "code"))
		}
	}
	return out
}

// reads posts what the bore gauge shows of each running bore of a joint after the cut.
func (w *world) reads(joint, size string) {
	w.t.Helper()
	for _, code := range w.bores(joint) {
		for _, station := range []string{"mouth_a", "middle", "mouth_b"} {
			w.do("POST", w.at("readings"), w.as("member"), row{"joint": joint, "feature": code, "value": size, "instrument": "BG1", "station": station, "stage": "reamed", "surface": "bright"}).want(201)
		}
	}
}

// leaveAllOut leaves out what is still to do of a repair, so that it could be signed off.
func (w *world) leaveAllOut(repair string) {
	steps := w.do("GET", w.at("repairs/"+repair+"/steps"), w.officer, nil).want(200)
	for i := range len(steps.get("items").([]any)) {
		if steps.str("items", i, "phase") != "sign_off" && steps.str("items", i, "state") != "left_out" {
			w.do("POST", w.at("repairs/"+repair+"/steps/"+steps.str("items", i, "id")+"/leave-out"), w.officer, row{"reason": "Not in this test"}).want(200)
		}
	}
}

func (w *world) verifies(body row) *response {
	return w.do("POST", w.at("repairs/R1/verifications"), w.as("member"), body)
}

// The second oversize is a pin of 0.321 in, at most 0.0002 in less, and half to one and a
// half thousandths over that are wanted: a bore from 8.1661 to 8.1864 mm fits it at
// whichever limit the pin is.
func TestACutIsProvedRefusedOrUndecided(t *testing.T) {
	t.Parallel()
	w := reamed(t)
	first, second := fourHinges[0], fourHinges[1]
	if r := w.verifies(row{"joint": first}).want(409); !strings.Contains(r.str("detail"), "stage reamed") {
		t.Errorf("%s", r.body)
	}
	w.reads(first, "8.176 mm")
	proved := w.verifies(row{"joint": first, "reamer": "R-0.322"}).want(201)
	if proved.str("verdict") != "proved" || proved.str("pin", "step") != "oversize_2" || proved.num("bores", 0, "probability_fit") < 0.95 || proved.get("nonconformity_id") != nil || proved.str("do_next", 0, "code") != "go_on" {
		t.Errorf("%s", proved.body)
	}
	if got := w.do("GET", proved.header.Get("Location"), w.as("auditor"), nil).want(200); string(got.body) != string(proved.body) {
		t.Errorf("made %s\nread %s", proved.body, got.body)
	}
	if n := len(proved.get("bores").([]any)); n != len(w.bores(first)) {
		t.Errorf("%d bores", n)
	}
	// At the upper limit: two instruments' difference does not tell, a no-go pin would.
	w.reads(second, "8.19 mm")
	open := w.verifies(row{"joint": second}).want(201)
	if open.str("verdict") != "undecided" || open.get("bores", 0, "no_go_pin") == nil || open.get("bores", 0, "go_pin") != nil || open.str("do_next", 0, "code") != "try_no_go_pin" || !strings.Contains(open.str("summary"), "neither proved nor refused") {
		t.Errorf("%s", open.body)
	}
	pin := open.num("bores", 0, "no_go_pin", "size", "value")
	if pin < 8.1863 || pin > 8.1865 {
		t.Errorf("no-go pin %v mm, want 8.1534 - 0.0051 + 0.0381 = 8.1864", pin)
	}
	// It does not go in at either mouth of either bore: proved.
	for _, code := range w.bores(second) {
		w.do("POST", w.at("readings"), w.as("member"), row{"joint": second, "feature": code, "gauge": fmt.Sprint(pin, " mm"), "result": "no_go", "stage": "reamed", "surface": "bright"}).want(201)
	}
	if decided := w.verifies(row{"joint": second}).want(201); decided.str("verdict") != "proved" {
		t.Errorf("%s", decided.body)
	}
	// In whichever units, with a measured pin, or another step.
	inch := w.do("POST", w.at("repairs/R1/verifications?units=in"), w.as("member"), row{"joint": first, "pin": row{"size": "0.3209 in", "expanded_uncertainty": "2 um"}}).want(201)
	if inch.get("pin", "measured") != true || inch.str("bores", 0, "passing_size", "median", "unit") != "in" || inch.num("pin", "least", "value") != 0.3209 {
		t.Errorf("%s", inch.body)
	}
	list := w.do("GET", w.at("repairs/R1/verifications?limit=2"), w.officer, nil).want(200)
	if len(list.get("items").([]any)) != 2 || list.str("items", 0, "id") != inch.str("id") || list.get("next") == nil {
		t.Errorf("%s", list.body)
	}
	w.verifies(row{"joint": "nowhere", "reamer": "BG1", "repair_step": "nothing", "since": w.ago(-3) + "T10:00:00Z", "pin": row{"size": "8 mm", "expanded_uncertainty": "0 mm"}}).want(422).
		wantFault("/joint").wantFault("/reamer").wantFault("/repair_step").wantFault("/since").wantFault("/pin/expanded_uncertainty")
	w.verifies(row{"joint": first, "pin_series": "nothing"}).want(422).wantFault("/pin_series")
	w.verifies(row{"joint": first, "step": "nothing"}).want(422).wantFault("/step")
	w.verifies(row{"joint": first, "id": proved.str("id")}).want(409).wantProblem("id-used")
	w.verifies(row{"joint": fourHinges[3]}).want(422).wantFault("/joint")
}

func TestARefusedFitOpensWhatIsLeftAndAProvedOneClosesIt(t *testing.T) {
	t.Parallel()
	w := reamed(t)
	joint := fourHinges[0]
	w.reads(joint, "8.23 mm") // far too large for any pin but a larger one
	refused := w.verifies(row{"joint": joint, "reamer": "R-0.322"}).want(201)
	if refused.str("verdict") != "refused" || refused.num("bores", 0, "probability_too_loose") < 0.99 {
		t.Fatalf("%s", refused.body)
	}
	at := "repairs/R1/nonconformities/" + refused.str("nonconformity_id")
	n := w.do("GET", w.at(at), w.as("auditor"), nil).want(200)
	var options []string
	for i := range len(n.get("options").([]any)) {
		options = append(options, n.str("options", i, "option"))
		if o := options[i]; (o == "bush_back_to_standard" || o == "replace_part") && n.num("options", i, "cost", "minor") <= 0 {
			t.Errorf("%s costs nothing: %s", o, n.body)
		}
	}
	if n.str("kind") != "fit_refused" || n.str("state") != "open" || n.str("verification_id") != refused.str("id") ||
		!slices.Contains(options, "bush_back_to_standard") || !slices.Contains(options, "replace_part") || !slices.Contains(options, "keep") || slices.Contains(options, "ream_to") {
		t.Errorf("%v %s", options, n.body)
	}
	// A second look at the same refusal opens no second one.
	if again := w.verifies(row{"joint": joint}).want(201); again.get("nonconformity_id") != nil || again.str("verdict") != "refused" {
		t.Errorf("%s", again.body)
	}
	// Nothing is signed off over it, by whatever way.
	_, err := w.db.Owner.Exec(t.Context(), `update repair set state = 'signed', signed_at = now(), signed_by = lead_id where number = 1`)
	if err == nil || !strings.Contains(err.Error(), "nonconformity of the repair is open") {
		t.Errorf("signed over an open nonconformity: %v", err)
	}
	if r := w.do("POST", w.at("repairs/R1/steps/verify:"+joint+"/leave-out"), w.officer, row{"reason": "It will do"}).want(409).wantProblem("not-allowed-now"); !strings.Contains(r.str("detail"), joint+" (fit refused)") {
		t.Errorf("%s", r.body)
	}
	decide := func(body row) *response { return w.do("POST", w.at(at+"/decide"), w.as("member"), body) }
	decide(row{"option": "ream_to"}).want(422).wantFault("/option")
	decide(row{"option": "keep"}).want(422).wantFault("/reason")
	w.clock.advance(60e9)
	bush := decide(row{"option": "bush_back_to_standard", "reason": "The step after is not to be had"}).want(200)
	if bush.str("state") != "decided" || bush.str("chosen") != "bush_back_to_standard" || bush.get("closed_at") != nil || bush.str("do_next", 0, "code") != "prove" {
		t.Errorf("%s", bush.body)
	}
	if text := bush.str("warnings", 0, "text"); bush.str("warnings", 0, "code") != "reopened" || !strings.Contains(text, ": bush:"+joint+".") || bush.str("warnings", 1, "code") != "left_out" || !strings.Contains(bush.str("warnings", 1, "text"), "ream:"+joint) {
		t.Errorf("%s", bush.body)
	}
	if same := decide(row{"option": "bush_back_to_standard", "reason": "The step after is not to be had"}).want(200); same.str("warnings", 0, "code") != "already" || same.num("version") != bush.num("version") {
		t.Errorf("decided once more: %s", same.body)
	}
	if r := w.do("GET", w.at("repairs/R1/steps/bush:"+joint), w.officer, nil).want(200); r.str("state") != "open" {
		t.Errorf("%s", r.body)
	}
	if r := w.do("GET", w.at("repairs/R1"), w.officer, nil).want(200); by("position", r.get("joints"))[joint]["option"] != "bush_back_to_standard" {
		t.Errorf("%s", r.body)
	}
	// The bush's sizes are those that the recommendation offered for it.
	if r := w.do("GET", w.at("repairs/R1/steps/bush:"+joint), w.officer, nil).want(200); !strings.Contains(string(r.body), "hole_smallest") {
		t.Errorf("%s", r.body)
	}
	// A recommendation from before changes nothing of it.
	w.do("PATCH", w.at("repairs/R1"), w.as("member"), row{"recommendation": w.do("GET", w.at("repairs/R1"), w.officer, nil).want(200).str("recommendation_id")}, header{"If-Match", "*"}).want(200)
	if r := w.do("GET", w.at("repairs/R1/steps/bush:"+joint), w.officer, nil).want(200); r.str("state") != "open" {
		t.Errorf("%s", r.body)
	}
	// What it needs follows the decision.
	need := needs(w.do("GET", w.at("repairs/R1/parts"), w.officer, nil).want(200))
	if need["Bush for "+joint][0] != float64(len(w.bores(joint))) || need["Pin standard of hinge-314"][0] != 1 || need["Pin oversize_2 of hinge-314"][0] != 1 {
		t.Errorf("%v", need)
	}
	// From then on only what is read afterwards counts, and the standard pin is to run in it.
	if r := w.verifies(row{"joint": joint}).want(409); !strings.Contains(r.str("detail"), "Nothing was read") {
		t.Errorf("%s", r.body)
	}
	w.clock.advance(60e9)
	w.reads(joint, "7.995 mm") // the standard pin is of 0.314 in = 7.9756 mm
	whole := w.verifies(row{"joint": joint}).want(201)
	if whole.str("verdict") != "proved" || whole.str("pin", "step") != "standard" || whole.str("settles", 0) != n.str("id") {
		t.Errorf("%s", whole.body)
	}
	closed := w.do("GET", w.at(at), w.officer, nil).want(200)
	if closed.str("state") != "closed" || closed.str("proved_by") != whole.str("id") {
		t.Errorf("%s", closed.body)
	}
	decide(row{"option": "replace_part"}).want(409).wantProblem("not-allowed-now")
	w.leaveAllOut("R1")
	if list := w.do("GET", w.at("repairs/R1/nonconformities?closed=false"), w.officer, nil).want(200); len(list.get("items").([]any)) != 0 {
		t.Errorf("%s", list.body)
	}
	if r := w.do("POST", w.at("repairs/R1/sign-off"), w.as("member"), row{}).want(200); r.str("state") != "signed" {
		t.Errorf("%s", r.body)
	}
	w.verifies(row{"joint": joint}).want(409).wantProblem("not-allowed-now")
}

func TestWhatGoesWrongWhileCuttingComesWithAdvice(t *testing.T) {
	t.Parallel()
	w := reamed(t)
	joint := fourHinges[0]
	report := func(body row) *response {
		return w.do("POST", w.at("repairs/R1/nonconformities"), w.as("member"), body)
	}
	for kind, word := range map[string]string{"reamer_broken": "splinters", "chip_jam": "never back", "torn_finish": "cutting oil", "oversize_cut": "Read the bore again", "other": "photo"} {
		id := newID()
		body := row{"id": id, "joint": joint, "kind": kind, "detail": "As it was"}
		made := report(body).want(201)
		text := ""
		for i := range len(made.get("advice").([]any)) {
			text += made.str("advice", i, "text")
		}
		if !strings.Contains(text, word) || !strings.Contains(text, "common practice") && !strings.Contains(text, "Common practice") || made.str("state") != "open" {
			t.Errorf("%s: %s", kind, made.body)
		}
		if again := report(body).want(200); string(again.body) != string(made.body) {
			t.Errorf("%s again: %s", kind, again.body)
		}
		report(with(body, row{"detail": "Otherwise"})).want(409).wantProblem("id-used")
		option, state := row{"option": "cut_again"}, "closed"
		if kind == "oversize_cut" || kind == "other" {
			option = row{"option": "keep", "reason": "It holds"}
		}
		done := w.do("POST", w.at("repairs/R1/nonconformities/"+id+"/decide"), w.as("member"), option).want(200)
		if done.str("state") != state {
			t.Errorf("%s: %s", kind, done.body)
		}
	}
	report(row{"joint": "nowhere", "kind": "other"}).want(422).wantFault("/joint")
	report(row{"joint": joint, "kind": "fit_refused"}).want(422)
	report(row{"joint": joint, "kind": "other", "found_at": w.ago(-3) + "T10:00:00Z"}).want(422).wantFault("/found_at")
	if list := w.do("GET", w.at("repairs/R1/nonconformities?closed=true"), w.officer, nil).want(200); len(list.get("items").([]any)) != 5 {
		t.Errorf("%s", list.body)
	}
}

// What a reamer was seen to cut counts in the next recommendation at once.
func TestVerifiedHolesTellTheNextRecommendationWhatTheReamerCuts(t *testing.T) {
	t.Parallel()
	w := reamed(t)
	cleared := func() (median, width float64) {
		a := w.do("POST", w.at("recommendations"), w.as("member"), row{"joints": fourHinges[2:], "form": practiceForm, "guidance": "floating"}).want(201)
		for i := range len(a.get("joints", 0, "options").([]any)) {
			if a.str("joints", 0, "options", i, "option") == "ream_to" && a.str("joints", 0, "options", i, "step") == "oversize_2" {
				c := func(of string) float64 { return a.num("joints", 0, "options", i, "clearance", of, "value") }
				return c("median"), c("high") - c("low")
			}
		}
		t.Fatalf("%s", a.body)
		return 0, 0
	}
	before, wide := cleared()
	for _, joint := range fourHinges[:2] { // 8.1788 mm is what it is marked: it cuts six micrometres under
		w.reads(joint, "8.1728 mm")
		w.verifies(row{"joint": joint, "reamer": "R-0.322"}).want(201)
		w.verifies(row{"joint": joint, "reamer": "R-0.322"}).want(201) // the same cut, counted once
	}
	after, narrow := cleared()
	if after >= before-0.0015 || after < before-0.0065 || narrow >= wide {
		t.Errorf("clearance %v mm, %v wide, became %v, %v wide: the reamer was seen to cut 6 µm under", before, wide, after, narrow)
	}
	var holes int
	if err := w.db.Owner.QueryRow(t.Context(), `select count(distinct (feature_id, tool_id, cut_at)) from reamer_cut`).Scan(&holes); err != nil || holes != len(w.bores(fourHinges[0]))+len(w.bores(fourHinges[1])) {
		t.Errorf("%d holes (%v)", holes, err)
	}
}

// What is decided brings in the steps that it takes: a torn finish is cut again from the reaming on, a
// fit refused once more is decided about anew, and replacing a part leaves out what cuts, but never
// what proves.
func TestWhatIsDecidedMovesTheJointsSteps(t *testing.T) {
	t.Parallel()
	w := reamed(t)
	joint := fourHinges[0]
	state := func(step string) string {
		return w.do("GET", w.at("repairs/R1/steps/"+step+":"+joint), w.officer, nil).want(200).str("state")
	}
	leave := func(step string) {
		w.do("POST", w.at("repairs/R1/steps/"+step+"/leave-out"), w.officer, row{"reason": "Not in this test"}).want(200)
	}
	decide := func(id string, body row) *response {
		w.clock.advance(60e9)
		return w.do("POST", w.at("repairs/R1/nonconformities/"+id+"/decide"), w.as("member"), body)
	}
	list := w.do("GET", w.at("repairs/R1/steps"), w.officer, nil).want(200)
	for i := range len(list.get("items").([]any)) {
		if list.str("items", i, "state") != "left_out" && list.str("items", i, "phase") != "sign_off" {
			if ref := list.str("items", i, "ref"); ref == "decide" || ref == "order" || ref == "reserve" || list.get("items", i, "position") == nil && list.num("items", i, "rounds") >= 1 && slices.Contains([]string{"protect", "penetrant", "derust", "neutralise"}, ref) {
				leave(ref)
			} else if key := list.str("items", i, "key"); (key == "pull" || key == "measure") && list.get("items", i, "position") != nil {
				leave(ref)
			}
		}
	}
	w.do("POST", w.at("repairs/R1/steps/ream:"+joint+"/finish"), w.as("member"), row{}).want(200)
	w.do("POST", w.at("repairs/R1/steps/clean_again:"+joint+"/finish"), w.as("member"), row{}).want(200)
	torn := w.do("POST", w.at("repairs/R1/nonconformities"), w.as("member"), row{"joint": joint, "kind": "torn_finish"}).want(201)
	again := decide(torn.str("id"), row{"option": "cut_again"}).want(200)
	if text := again.str("warnings", 0, "text"); !strings.Contains(text, "ream:"+joint+", clean_again:"+joint) || state("ream") != "open" || state("clean_again") != "open" || state("bush") != "left_out" {
		t.Errorf("cut again: %s", again.body)
	}
	w.do("POST", w.at("repairs/R1/steps/ream:"+joint+"/begin"), w.as("member"), row{}).want(200)
	// A reamer that breaks in the cut is followed by the same cut: nothing has to be opened.
	broken := w.do("POST", w.at("repairs/R1/nonconformities"), w.as("member"), row{"joint": joint, "kind": "reamer_broken"}).want(201)
	if r := decide(broken.str("id"), row{"option": "cut_again"}).want(200); r.get("warnings") != nil || state("ream") != "running" {
		t.Errorf("a broken reamer: %s", r.body)
	}
	w.do("POST", w.at("repairs/R1/steps/ream:"+joint+"/finish"), w.as("member"), row{}).want(200)
	w.do("POST", w.at("repairs/R1/steps/clean_again:"+joint+"/finish"), w.as("member"), row{}).want(200)
	w.clock.advance(60e9)
	w.reads(joint, "8.23 mm")
	refused := w.verifies(row{"joint": joint}).want(201)
	w.clock.advance(60e9)
	id := refused.str("nonconformity_id")
	if r := decide(id, row{"option": "bush_back_to_standard"}).want(200); !strings.Contains(r.str("warnings", 0, "text"), "bush:"+joint) {
		t.Errorf("bushed: %s", r.body)
	}
	w.do("POST", w.at("repairs/R1/steps/bush:"+joint+"/finish"), w.as("member"), row{}).want(200)
	w.do("POST", w.at("repairs/R1/steps/clean_again:"+joint+"/finish"), w.as("member"), row{}).want(200)
	w.clock.advance(60e9)
	w.reads(joint, "8.05 mm") // finished too large
	if r := w.verifies(row{"joint": joint}).want(201); r.str("verdict") != "refused" || r.get("nonconformity_id") != nil {
		t.Errorf("a bush that was cut too large: %s", r.body)
	}
	if r := w.do("POST", w.at("repairs/R1/steps/verify:"+joint+"/finish"), w.as("member"), row{}).want(409); !strings.Contains(r.str("detail"), "the proof of what was decided") {
		t.Errorf("%s", r.body)
	}
	// The same once more, since that was refused: another bush.
	if r := decide(id, row{"option": "bush_back_to_standard"}).want(200); !strings.Contains(r.str("warnings", 0, "text"), "bush:"+joint+", clean_again:"+joint) || state("bush") != "open" {
		t.Errorf("a second bush: %s", r.body)
	}
	if r := decide(id, row{"option": "replace_part"}).want(200); r.str("warnings", 0, "code") != "left_out" || r.str("warnings", 1, "code") != "no_step" || state("bush") != "left_out" || state("clean_again") != "left_out" || state("verify") != "open" {
		t.Errorf("a new part: %s", r.body)
	}
	// Kept as it is, it may be closed over its refusal.
	if r := decide(id, row{"option": "keep", "reason": "The leaf is for show"}).want(200); r.str("state") != "closed" || r.get("warnings") != nil {
		t.Errorf("kept: %s", r.body)
	}
	w.do("POST", w.at("repairs/R1/steps/verify:"+joint+"/finish"), w.as("member"), row{}).want(200)
}
