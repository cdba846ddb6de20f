package api_test

import (
	"strings"
	"testing"
	"time"
)

func (w *world) checks(token, tool string, body row) *response {
	w.t.Helper()
	return w.do("POST", w.at("tools/"+tool+"/checks"), token, body)
}

// A reamer of 0.322 in is 8.1788 mm. Two sizes with u = 1 µm each differ by more than can be told from
// their difference's expanded uncertainty (JCGM 100:2008, 5.1.2: 2·√2 µm = 2.8 µm) at 3 µm, and not at 2 µm.
func TestACheckSaysWhatTheReamerCuts(t *testing.T) {
	t.Parallel()
	w, _ := cutters(t)
	w.do("POST", w.at("tool-models"), w.officer, row{"code": "MIC", "name": "Micrometer", "kind": "micrometer", "resolution": "1 um"}).want(201)
	w.do("POST", w.at("tools"), w.officer, row{"number": "M7", "model": "MIC", "garage": "north"}).want(201)
	first := w.checks(w.as("member"), "R-0.322", row{"kind": "check_cut", "size": "8.181 mm", "u": "1 um", "depth": "10 mm", "material": "low_carbon_steel", "lubricant": "cutting_oil", "guidance": "floating", "instrument": "M7", "checked_at": w.before(time.Hour)}).want(201)
	if first.get("over_nominal", "value") != 0.0022 || first.get("nominal", "value") != 8.1788 || first.get("change") != nil || !strings.Contains(first.str("summary"), "0.0022 mm more than its nominal size") || first.get("instrument_id") == nil {
		t.Errorf("%s", first.body)
	}
	near := w.checks(w.as("member"), "R-0.322", row{"kind": "check_cut", "size": "8.179 mm", "u": "1 um", "checked_at": w.before(30 * time.Minute)}).want(201)
	if near.get("change", "value") != -0.002 || !strings.Contains(near.str("summary"), "cannot be told apart") {
		t.Errorf("%s", near.body)
	}
	less := w.checks(w.as("tool_keeper"), "R-0.322", row{"kind": "check_cut", "size": "8.176 mm", "u": "1 um"}).want(201)
	if less.get("change", "value") != -0.003 || !strings.Contains(less.str("summary"), "0.003 mm less than what the check before it found") {
		t.Errorf("%s", less.body)
	}
	edge := w.checks(w.as("tool_keeper"), "R-0.322", row{"kind": "cutter_reading", "size": "0.322 in", "u": "1 um"}).want(201)
	if edge.get("change") != nil || !strings.Contains(edge.str("summary"), "over its edges, just its nominal size") {
		t.Errorf("another kind is compared: %s", edge.body)
	}
	list := w.do("GET", w.at("tools/R-0.322/checks?limit=3"), w.as("auditor"), nil).want(200)
	rest := w.do("GET", w.at("tools/R-0.322/checks?limit=3&cursor="+list.str("next")), w.as("auditor"), nil).want(200)
	if len(list.get("items").([]any)) != 3 || rest.str("items", 0, "id") != first.str("id") || rest.str("items", 0, "summary") != first.str("summary") || list.str("items", 1, "summary") != less.str("summary") && list.str("items", 0, "summary") != less.str("summary") {
		t.Errorf("%s\n%s", list.body, rest.body)
	}

	// Sharpened, it is another tool: nothing before is compared.
	w.clock.advance(time.Minute)
	w.do("POST", w.at("tools/R-0.322/renewals"), w.as("tool_keeper"), row{"kind": "sharpened"}).want(201)
	w.clock.advance(time.Minute)
	anew := w.checks(w.as("tool_keeper"), "R-0.322", row{"kind": "check_cut", "size": "8.180 mm", "u": "1 um"}).want(201)
	if anew.get("change") != nil {
		t.Errorf("%s", anew.body)
	}
	if latest := w.do("GET", w.at("tools/R-0.322/uses"), w.as("auditor"), nil).want(200); latest.str("latest_check", "id") != anew.str("id") {
		t.Errorf("%s", latest.body)
	}
}

func TestAChecksFaultsAndRepeats(t *testing.T) {
	t.Parallel()
	w, _ := cutters(t)
	w.do("POST", w.at("tool-models"), w.officer, row{"code": "jaw", "name": "Puller", "kind": "puller"}).want(201)
	w.do("POST", w.at("tools"), w.officer, row{"number": "P1", "model": "jaw", "garage": "north"}).want(201)
	good := row{"id": newID(), "kind": "check_cut", "size": "8.181 mm", "u": "1 um", "note": "In scrap"}
	w.checks(w.officer, "R-0.322", row{"kind": "cutter_reading", "size": "9 mm", "u": "1 mm", "depth": "0 mm", "instrument": "R-0.318", "checked_at": w.clock.now().Add(time.Hour)}).want(422).
		wantFault("/size").wantFault("/u").wantFault("/kind").wantFault("/depth").wantFault("/instrument").wantFault("/checked_at")
	w.checks(w.officer, "R-0.322", with(good, row{"instrument": "M99"})).want(422).wantFault("/instrument")
	w.checks(w.officer, "P1", good).want(422).wantFault("/kind")
	w.checks(w.officer, "R-9", good).want(404)
	other, _ := w.member("B2")
	w.checks(other, "R-0.322", good).want(403).wantProblem("missing-role")
	w.checks(w.as("member"), "R-0.318", good).want(403).wantProblem("missing-role")
	w.patient()
	count, _ := race(16, func(int) *response { return w.checks(w.as("member"), "R-0.322", good) })
	if count[201] != 1 || count[200] != 15 {
		t.Errorf("%v, want one made and found by the others", count)
	}
	w.checks(w.as("member"), "R-0.322", with(good, row{"size": "8.182 mm"})).want(409).wantProblem("id-used")
	w.checks(w.officer, "R-0.318", with(good, row{"size": "8.08 mm"})).want(409).wantProblem("id-used")
	at := w.at("tools/R-0.322/checks/" + good["id"].(string) + "/void")
	w.do("POST", w.at("tools/R-0.318/checks/"+good["id"].(string)+"/void"), w.officer, row{"reason": "Elsewhere"}).want(404)
	w.do("POST", at, other, row{"reason": "Not mine"}).want(403).wantProblem("missing-role")
	w.clock.advance(25 * time.Hour)
	w.do("POST", at, w.as("member"), row{"reason": "The hole was drilled"}).want(409).wantProblem("not-allowed-now")
	if gone := w.do("POST", at, w.as("tool_keeper"), row{"reason": "The hole was drilled"}).want(200); gone.str("void", "reason") != "The hole was drilled" {
		t.Errorf("%s", gone.body)
	}
	w.do("POST", at, w.officer, row{"reason": "Once more"}).want(409).wantProblem("not-allowed-now")
	if none := w.do("GET", w.at("tools/R-0.322/uses"), w.officer, nil).want(200); none.get("latest_check") != nil {
		t.Errorf("%s", none.body)
	}
}

func TestARenewalBeginsANewLife(t *testing.T) {
	t.Parallel()
	w, _ := cutters(t)
	at := w.at("tools/R-0.322/renewals")
	w.uses(w.officer, "R-0.322", row{"work": "holes", "count": 5, "used_at": w.before(time.Hour)}).want(201)
	body := row{"id": newID(), "kind": "sharpened", "done_at": w.before(30 * time.Minute), "note": "By hand"}
	w.do("POST", at, w.as("member"), body).want(403)
	w.do("POST", w.at("tools/R-9/renewals"), w.officer, body).want(404)
	w.do("POST", at, w.officer, with(body, row{"done_at": w.clock.now().Add(time.Hour)})).want(422).wantFault("/done_at")
	w.patient()
	keeper := w.as("tool_keeper")
	count, _ := race(16, func(int) *response { return w.do("POST", at, keeper, body) })
	if count[201] != 1 || count[200] != 15 {
		t.Errorf("%v, want one made and found by the others", count)
	}
	count, _ = race(16, func(int) *response { return w.do("POST", at, keeper, with(body, row{"id": newID()})) })
	if count[409] != 16 {
		t.Errorf("%v; at one moment there is one renewal", count)
	}
	w.do("POST", at, w.officer, with(body, row{"kind": "adjusted"})).want(409).wantProblem("id-used")
	w.do("POST", at, w.officer, with(body, row{"id": newID()})).want(409).wantProblem("not-allowed-now")
	w.uses(w.officer, "R-0.322", row{"work": "holes", "count": 2}).want(201)
	list := w.do("GET", w.at("tools/R-0.322/uses"), w.officer, nil).want(200)
	if list.num("since_renewal", "work", 0, "count") != 2 || list.str("since_renewal", "renewal") != "sharpened" || list.get("since_renewal", "at") == nil {
		t.Errorf("%s", list.body)
	}
	made := w.do("GET", at, w.as("auditor"), nil).want(200)
	if len(made.get("items").([]any)) != 1 || made.str("items", 0, "note") != "By hand" {
		t.Errorf("%s", made.body)
	}
	void := at + "/" + made.str("items", 0, "id") + "/void"
	w.do("POST", void, w.as("member"), row{"reason": "Not so"}).want(403)
	w.do("POST", w.at("tools/R-0.318/renewals/"+made.str("items", 0, "id")+"/void"), w.officer, row{"reason": "Elsewhere"}).want(404)
	w.do("POST", void, w.officer, row{"reason": "It was the other one"}).want(200)
	w.do("POST", void, w.officer, row{"reason": "Once more"}).want(409).wantProblem("not-allowed-now")
	if list := w.do("GET", w.at("tools/R-0.322/uses"), w.officer, nil).want(200); list.num("since_renewal", "work", 0, "count") != 7 || list.get("since_renewal", "at") != nil {
		t.Errorf("%s", list.body)
	}
	w.do("POST", at, w.officer, with(body, row{"id": newID()})).want(201)
}

// An instrument's uses are counted since its calibration, whose day counts whole.
func TestUsesOfAnInstrumentAreCountedSinceItsCalibration(t *testing.T) {
	t.Parallel()
	w := reamed(t)
	day := w.before(10 * 24 * time.Hour).UTC().Truncate(24 * time.Hour) // of the calibration, w.ago(10)
	w.uses(w.officer, "BG1", row{"work": "measurements", "count": 7, "used_at": day.Add(-time.Second)}, row{"work": "measurements", "count": 11, "used_at": day}, row{"work": "other"}).want(201)
	list := w.do("GET", w.at("tools/BG1/uses"), w.officer, nil).want(200)
	if list.str("since_calibration", "work", 0, "work") != "measurements" || list.num("since_calibration", "work", 0, "count") != 11 || list.num("since_calibration", "work", 1, "count") != 1 || list.num("since_renewal", "work", 0, "count") != 18 {
		t.Errorf("%s", list.body)
	}
	list.wantTime(day, "since_calibration", "at")
}
