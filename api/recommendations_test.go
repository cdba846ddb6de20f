package api_test

import (
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// The sizes of this file are common practice, no published source: hinge pin
// 0.314 in when new, oversizes 0.317 and 0.321 in with reamers 0.318 and
// 0.322 in.
var practiceSeries = map[string]any{"code": "hinge-314", "name": "Hinge pins", "steps": []map[string]any{
	{"code": "standard", "pin": "0.314 in", "pin_tolerance_lower": "-0.0002 in", "pin_tolerance_upper": "0 in", "price": map[string]any{"minor": 700}, "lead_days": 5},
	{"code": "oversize_1", "pin": "0.317 in", "pin_tolerance_lower": "-0.0002 in", "pin_tolerance_upper": "0 in", "reamer": "0.318 in", "price": map[string]any{"minor": 900}, "lead_days": 5},
	{"code": "oversize_2", "pin": "0.321 in", "pin_tolerance_lower": "-0.0002 in", "pin_tolerance_upper": "0 in", "reamer": "0.322 in", "price": map[string]any{"minor": 900}, "lead_days": 5},
}}

var fourHinges = []string{"left-upper", "left-lower", "right-upper", "right-lower"}

// hingeSet is a club with the series, its two reamers and one vehicle with four
// door hinges.
func hingeSet(t *testing.T) *world {
	t.Helper()
	w := newWorld(t)
	w.hinges()
	return w
}

// hinges makes in w what hingeSet promises.
func (w *world) hinges() {
	w.t.Helper()
	w.do("POST", w.at("garages"), w.officer, workshop).want(201)
	for _, size := range []string{"0.318", "0.322"} {
		w.do("POST", w.at("tool-models"), w.officer, map[string]any{"code": "reamer-" + size, "name": "Reamer " + size, "kind": "reamer", "size": size + " in", "charge_per_use": map[string]any{"minor": 150}}).want(201)
		w.do("POST", w.at("tools"), w.officer, map[string]any{"number": "R-" + size, "model": "reamer-" + size, "garage": "north"}).want(201)
	}
	w.do("POST", w.at("pin-series"), w.officer, practiceSeries).want(201)
	w.do("POST", w.at("vehicles"), w.officer, map[string]any{"code": "tourer", "name": "Tourer"}).want(201)
	w.do("POST", w.at("vehicles/tourer/joints"), w.officer, map[string]any{"template": "door-hinge", "positions": fourHinges, "pin_series": "hinge-314"}).want(201)
}

// practiceForm is the form error that the check values assume.
var practiceForm = map[string]any{"bell_mouth": "20 um", "ovality": "20 um", "surface": "10 um"}

func TestGaugeThatStartsInFourRustyHingesPointsToTheSecondOversize(t *testing.T) {
	t.Parallel()
	w := hingeSet(t)
	for _, h := range fourHinges {
		w.do("POST", w.at("readings"), w.as("member"), map[string]any{"joint": h, "gauge": "0.318 in", "result": "starts", "surface": "rusty"}).want(201)
	}
	a := w.do("POST", w.at("recommendations"), w.as("member"), map[string]any{"joints": fourHinges, "form": practiceForm, "guidance": "floating"}).want(201)
	if a.str("decision") != "provisional" {
		t.Errorf("decision is %s, want provisional", a.str("decision"))
	}
	for j := range fourHinges {
		if a.str("joints", j, "option") != "ream_to" || a.str("joints", j, "step") != "oversize_2" {
			t.Errorf("joint %d: %s to %s, want ream_to oversize_2", j, a.str("joints", j, "option"), a.str("joints", j, "step"))
		}
		first, second := cleanUp(t, a, j, "oversize_1"), cleanUp(t, a, j, "oversize_2")
		if first >= 0.01 || second < 0.90 || second > 0.94 {
			t.Errorf("joint %d: the first oversize cleans up with %.4f (want under 0.01), the second with %.4f (want 0.90 to 0.94)", j, first, second)
		}
		if c := a.num("joints", j, "clearance", "median", "value"); math.Abs(c-0.0254) > 0.006 {
			t.Errorf("joint %d: clearance %v mm, want about a thousandth of an inch", j, c)
		}
		if a.get("joints", j, "reamer", "value") != 8.1788 || a.get("joints", j, "if_it_fails", "text") == nil || a.get("joints", j, "runner_up") == nil {
			t.Errorf("joint %d: reamer, way out or runner-up is missing: %v", j, a.get("joints", j))
		}
	}
	g := a.num("next_measurement", "gauge", "value") / 25.4
	if g <= 0.318 || g >= 0.322 || a.str("next_measurement", "outcomes", 1, "text") == "" {
		t.Errorf("next measurement %v; want a gauge between 0.318 and 0.322 in with its outcomes", a.get("next_measurement"))
	}
	for i := range 3 {
		if a.str("preferences", i, "text") == "" {
			t.Errorf("preference %d is missing: %s", i, a.body)
		}
	}
	t.Log(a.str("summary"))
}

func cleanUp(t *testing.T, a *response, joint int, step string) float64 {
	t.Helper()
	for i := 0; a.get("joints", joint, "options", i) != nil; i++ {
		if a.get("joints", joint, "options", i, "step") == step && a.get("joints", joint, "options", i, "option") == "ream_to" {
			return a.num("joints", joint, "options", i, "probability_clean_up")
		}
	}
	t.Fatalf("joint %d has no option to ream for %s", joint, step)
	return 0
}

func TestBoresReadInTwoDirectionsTakeTheFirstOversize(t *testing.T) {
	t.Parallel()
	w := hingeSet(t)
	for _, h := range fourHinges {
		var batch []map[string]any
		for _, station := range []string{"mouth_a", "middle", "mouth_b"} {
			batch = append(batch,
				map[string]any{"id": newID(), "joint": h, "value": "0.3155 in", "with": "bore_gauge", "station": station, "direction": 0, "surface": "bright", "stage": "cleaned"},
				map[string]any{"id": newID(), "joint": h, "value": "0.3160 in", "with": "bore_gauge", "station": station, "direction": 90, "surface": "bright", "stage": "cleaned"})
		}
		batch = append(batch, map[string]any{"id": newID(), "joint": h, "gauge": "0.316 in", "result": "no_go", "surface": "bright", "stage": "cleaned"})
		if r := w.do("POST", w.at("readings"), w.as("member"), map[string]any{"readings": batch}).want(200); r.num("created") != 7 {
			t.Fatalf("readings: %s", r.body)
		}
	}
	a := w.do("POST", w.at("recommendations"), w.as("member"), map[string]any{"joints": fourHinges}).want(201)
	if a.str("decision") != "decided" {
		t.Errorf("decision is %s, want decided: %s", a.str("decision"), a.str("summary"))
	}
	for j := range fourHinges {
		if a.str("joints", j, "step") != "oversize_1" {
			t.Errorf("joint %d: %s", j, a.str("joints", j, "step"))
		}
		if p := cleanUp(t, a, j, "oversize_1"); p < 0.99 {
			t.Errorf("joint %d cleans up with %.4f, want near certain", j, p)
		}
	}
}

func TestPinIsKnownByItsPressedInEndsWhateverItsWornMiddleSays(t *testing.T) {
	t.Parallel()
	w := hingeSet(t)
	for station, value := range map[string]string{"mouth_a": "0.3142 in", "mouth_b": "0.3142 in", "middle": "0.3110 in"} {
		w.do("POST", w.at("readings"), w.as("member"), map[string]any{"joint": "left-upper", "feature": "pin", "value": value, "with": "micrometer", "station": station}).want(201)
	}
	pin := featureNamed(t, w, "left-upper", "pin")
	e := w.do("GET", w.at("features/"+pin+"/estimate"), w.as("member"), nil).want(200)
	if e.str("pin_step", "step") != "standard" || e.num("pin_step", "probability") < 0.95 {
		t.Errorf("the pin is taken for %v", e.get("pin_step"))
	}
	if original := e.num("original_size", "median", "value"); math.Abs(original-0.3142*25.4) > 0.008 {
		t.Errorf("original size %v mm", original)
	}
}

func featureNamed(t *testing.T, w *world, joint, code string) string {
	t.Helper()
	list := w.do("GET", w.at("joints/"+joint+"/features"), w.officer, nil).want(200)
	for i := 0; list.get("items", i) != nil; i++ {
		if list.str("items", i, "code") == code {
			return list.str("items", i, "id")
		}
	}
	t.Fatalf("joint %s has no feature %s: %s", joint, code, list.body)
	return ""
}

func TestEqualInputsGiveEqualAnswersWhichAreKept(t *testing.T) {
	t.Parallel()
	w := hingeSet(t)
	w.do("POST", w.at("readings"), w.as("member"), map[string]any{"joint": "left-upper", "gauge": "0.318 in", "result": "starts"}).want(201)
	ask := map[string]any{"joints": []string{"left-upper"}}
	first := w.do("POST", w.at("recommendations"), w.as("member"), ask).want(201)
	kept := w.do("GET", first.header.Get("Location"), w.as("auditor"), nil).want(200)
	if string(kept.body) != string(first.body) {
		t.Errorf("kept otherwise than given:\n%s\n%s", first.body, kept.body)
	}
	second := w.do("POST", w.at("recommendations"), w.as("member"), ask).want(201)
	if diff := cmp.Diff(withoutIdentity(first), withoutIdentity(second)); diff != "" {
		t.Errorf("equal inputs, another answer:\n%s", diff)
	}
	superseded := w.do("GET", first.header.Get("Location"), w.as("member"), nil).want(200)
	if superseded.str("superseded_by") != second.str("id") {
		t.Errorf("superseded_by is %q, want %q", superseded.str("superseded_by"), second.str("id"))
	}
	w.do("POST", w.at("readings"), w.as("member"), map[string]any{"joint": "left-upper", "gauge": "0.320 in", "result": "no_go"}).want(201)
	third := w.do("POST", w.at("recommendations"), w.as("member"), ask).want(201)
	if third.str("digest") == first.str("digest") || third.num("probability_all") <= first.num("probability_all") {
		t.Errorf("a no-go of a smaller gauge makes the larger reamer surer: %v then %v", first.num("probability_all"), third.num("probability_all"))
	}
	list := w.do("GET", w.at("recommendations?limit=2&vehicle=tourer"), w.as("member"), nil).want(200)
	if list.str("items", 0, "id") != third.str("id") || list.str("next") == "" {
		t.Errorf("list: %s", list.body)
	}
}

// withoutIdentity is an answer without what tells two equal ones apart.
func withoutIdentity(r *response) map[string]any {
	out := r.json()
	delete(out, "id")
	delete(out, "created_at")
	return out
}

func TestRecommendationRefusals(t *testing.T) {
	t.Parallel()
	w := hingeSet(t)
	ask := func(body map[string]any) *response {
		return w.do("POST", w.at("recommendations"), w.as("member"), body)
	}
	ask(map[string]any{"joints": []string{"left-upper", "nowhere"}}).want(422).wantFault("/joints/1")
	ask(map[string]any{"joints": []string{"left-upper"}, "pin_series": "none"}).want(422).wantFault("/pin_series")
	ask(map[string]any{"joints": []string{"left-upper"}, "target": map[string]any{"fit": "H7/q9"}}).want(422).wantFault("/target/fit")
	ask(map[string]any{"joints": []string{"left-upper"}, "target": map[string]any{"fit": "H7/g6", "thousandth": true}}).want(422).wantFault("/target")
	ask(map[string]any{"joints": []string{"left-upper"}, "form": map[string]any{"ovality": "-1 mm"}}).want(422).wantFault("/form/ovality")
	ask(map[string]any{"joints": []string{}}).want(422).wantFault("/joints")
	w.do("POST", w.at("recommendations"), w.as("auditor"), map[string]any{"joints": []string{"left-upper"}}).want(403).wantProblem("missing-role")
	w.do("POST", w.at("vehicles"), w.officer, map[string]any{"code": "van", "name": "Van"}).want(201)
	w.do("POST", w.at("vehicles/van/joints"), w.officer, map[string]any{"template": "door-hinge", "positions": []string{"left-upper", "rear"}, "pin_series": "hinge-314"}).want(201)
	ambiguous := ask(map[string]any{"joints": []string{"left-upper"}}).want(422).wantProblem("ambiguous-name")
	if ambiguous.str("errors", 0, "candidates", 0) != "tourer/left-upper" {
		t.Errorf("candidates: %s", ambiguous.body)
	}
	ask(map[string]any{"joints": []string{"left-upper"}, "vehicle": "van"}).want(201)
	ask(map[string]any{"joints": []string{"left-lower", "rear"}}).want(422).wantFault("/joints")
}

func TestEstimateOfABoreThatNobodyReadIsWideAndSaysSo(t *testing.T) {
	t.Parallel()
	w := hingeSet(t)
	bore := featureNamed(t, w, "left-upper", "bore")
	e := w.do("GET", w.at("features/"+bore+"/estimate"), w.as("member"), nil).want(200)
	if width := e.num("passing_size", "high", "value") - e.num("passing_size", "low", "value"); width < 0.3 {
		t.Errorf("nothing was read and yet the size is known to %v mm", width)
	}
	tag := e.header.Get("ETag")
	w.do("GET", w.at("features/"+bore+"/estimate"), w.as("member"), nil, header{"If-None-Match", tag}).want(304)
	w.do("POST", w.at("readings"), w.as("member"), map[string]any{"joint": "left-upper", "value": "8.02 mm", "with": "caliper"}).want(201)
	after := w.do("GET", w.at("features/"+bore+"/estimate"), w.as("member"), nil, header{"If-None-Match", tag}).want(200)
	told := w.do("GET", w.at("features/"+bore+"/estimate?explain=true"), w.as("member"), nil).want(200)
	// The caliper's budget, then the two sizes that it leaves.
	near(t, "u of the reading in mm", told.num("explanation", 0, "result", "value")/1000, told.num("budgets", 0, "u", "value"), 5e-4)
	if told.str("explanation", 1, "name") != "passing size" || told.str("explanation", 2, "result", "symbol") != "C" || after.get("explanation") != nil {
		t.Errorf("explained: %s", told.body)
	}
	if budgets, _ := after.get("budgets").([]any); len(budgets) != 1 {
		t.Errorf("budgets: %s", after.body)
	}
}

func TestReadingsThatContradictAreNamed(t *testing.T) {
	t.Parallel()
	w := hingeSet(t)
	below := w.do("POST", w.at("readings"), w.as("member"), map[string]any{"joint": "left-upper", "gauge": "0.316 in", "result": "no_go"}).want(201).str("id")
	above := w.do("POST", w.at("readings"), w.as("member"), map[string]any{"joint": "left-upper", "gauge": "0.326 in", "result": "go"}).want(201).str("id")
	for _, answer := range []*response{
		w.do("GET", w.at("features/"+featureNamed(t, w, "left-upper", "bore")+"/estimate"), w.as("member"), nil).want(200),
		w.do("POST", w.at("recommendations"), w.as("member"), map[string]any{"joints": []string{"left-upper"}}).want(201),
	} {
		named := false
		for i := 0; answer.get("warnings", i) != nil; i++ {
			if answer.str("warnings", i, "code") == "readings_contradict" {
				pair := []string{answer.str("warnings", i, "params", "first"), answer.str("warnings", i, "params", "second")}
				named = named || slices.Contains(pair, below) && slices.Contains(pair, above)
			}
		}
		if !named {
			t.Errorf("a go above a no-go is not told: %v", answer.get("warnings"))
		}
	}
}

func TestAnswerAboutSteeringDefersToTheMakerInItsBody(t *testing.T) {
	t.Parallel()
	w := hingeSet(t)
	w.do("POST", w.at("vehicles/tourer/joints"), w.officer, map[string]any{"template": "king-pin", "positions": []string{"left-king-pin"}, "pin_series": "hinge-314"}).want(201)
	w.do("POST", w.at("readings"), w.as("member"), map[string]any{"joint": "left-king-pin", "gauge": "0.316 in", "result": "no_go"}).want(201)
	a := w.do("POST", w.at("recommendations"), w.as("member"), map[string]any{"joints": []string{"left-king-pin"}}).want(201)
	if !strings.HasPrefix(a.str("summary"), "This joint steers") || a.str("cautions", 0, "code") != "advice_not_approval" {
		t.Errorf("summary %q, cautions %v", a.str("summary"), a.get("cautions"))
	}
	hinge := w.do("POST", w.at("recommendations"), w.as("member"), map[string]any{"joints": []string{"left-upper"}}).want(201)
	if strings.Contains(hinge.str("summary"), "steers") {
		t.Errorf("a door hinge is taken for steering: %s", hinge.str("summary"))
	}
}
