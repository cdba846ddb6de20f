package api_test

import (
	"encoding/base64"
	"encoding/json"
	"strings"
	"testing"
	"time"
)

// stock makes a garage `north`, models R8 (reamer), MIC (micrometer) and PG-318
// (pin gauge) in w's club.
func stock(w *world) {
	w.t.Helper()
	w.do("POST", w.at("garages"), w.officer, workshop).want(201)
	w.do("POST", w.at("tool-models"), w.officer, raw(`{"code":"R8","name":"Reamer 8","kind":"reamer","size":"8.00 mm"}`)).want(201)
	w.do("POST", w.at("tool-models"), w.officer, raw(`{"code":"MIC","name":"Micrometer","kind":"micrometer","resolution":"0.001 mm","range_to":"25 mm"}`)).want(201)
	w.do("POST", w.at("tool-models"), w.officer, pinGauge).want(201)
}

func addTool(w *world, number, model string) *response {
	w.t.Helper()
	return w.do("POST", w.at("tools"), w.as("tool_keeper"), map[string]any{"number": number, "model": model, "garage": "north"}).want(201)
}

func TestToolComesWithItsModelsSize(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	stock(w)
	made := addTool(w, "17", "PG-318")
	if made.str("model_code") != "PG-318" || made.str("kind") != "pin_gauge" || made.str("size", "text") != "8.0772 mm" || made.str("state") != "in_service" || made.get("calibration_due_on") != nil {
		t.Errorf("made %s", made.body)
	}
	byNumber := w.do("GET", w.at("tools/17"), w.as("member"), nil).want(200)
	byAddress := w.do("GET", made.header.Get("Location"), w.as("auditor"), nil).want(200)
	if !byNumber.tells(made) || !byAddress.tells(made) {
		t.Errorf("made %s\nby number %s\nby address %s", made.body, byNumber.body, byAddress.body)
	}
	w.do("GET", w.at("tools/17"), w.as("member"), nil, header{"If-None-Match", byNumber.header.Get("ETag")}).want(304)

	// What shows of the model changes the tool's ETag, or a cache would keep the old name.
	w.do("PATCH", w.at("tool-models/PG-318"), w.officer, raw(`{"code":"PG318"}`), header{"If-Match", "*"}).want(200)
	renamed := w.do("GET", w.at("tools/17"), w.officer, nil, header{"If-None-Match", byNumber.header.Get("ETag")}).want(200)
	if renamed.str("model_code") != "PG318" {
		t.Errorf("after the model was renamed: %s", renamed.body)
	}
	w.do("PATCH", w.at("tools/17"), w.officer, raw(`{"note":"x"}`), header{"If-Match", renamed.header.Get("ETag")}).want(200)
	if late := addTool(w, "18", "PG318"); !w.do("GET", w.at("tools/18"), w.officer, nil).want(200).tells(late) {
		t.Error("a tool of a changed model is answered with another ETag than it then has")
	}
}

func TestToolRefusals(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	stock(w)
	keeper := w.as("tool_keeper")
	body := map[string]any{"number": "17", "model": "R8", "garage": "north", "state": "quarantine", "note": "blunt"}
	key := header{"Idempotency-Key", newID()}
	first := w.do("POST", w.at("tools"), keeper, body, key).want(201)
	if again := w.do("POST", w.at("tools"), keeper, body, key).want(201); string(again.body) != string(first.body) || again.header.Get("Location") != first.header.Get("Location") {
		t.Errorf("the replay differs: %s", again.body)
	}
	if first.str("state") != "quarantine" || first.str("note") != "blunt" {
		t.Errorf("made %s", first.body)
	}
	w.do("POST", w.at("tools"), keeper, body).want(409).wantProblem("name-taken")
	w.do("POST", w.at("tools"), w.as("member"), body).want(403).wantProblem("missing-role")
	w.do("POST", w.at("tools"), keeper, body, header{"Idempotency-Key", ""}).want(400).wantProblem("key-missing")
	w.do("POST", w.at("tools"), keeper, raw(`{"number":"a b","state":"lent"}`)).want(422).wantFault("/number").wantFault("/state").wantFault("/model").wantFault("/garage")
	w.do("POST", w.at("tools"), keeper, raw(`{"number":"2","model":"R7","garage":"nort"}`)).want(422).wantFault("/model").wantFault("/garage")
	w.do("POST", w.at("tools"), keeper, raw(`{"number":"2","model":"`+newID()+`","garage":"north"}`)).want(422).wantFault("/model")
	w.do("GET", w.at("tools/18"), keeper, nil).want(404).wantProblem("not-found")
	w.do("GET", w.at("tools/"+newID()), keeper, nil).want(404).wantProblem("not-found")
}

func TestToolEdit(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	stock(w)
	w.do("POST", w.at("garages"), w.officer, raw(`{"code":"south","name":"South Yard","time_zone":"UTC"}`)).want(201)
	tag := header{"If-Match", addTool(w, "17", "R8").header.Get("ETag")}
	addTool(w, "18", "R8")
	keeper, at := w.as("tool_keeper"), w.at("tools/17")
	change := map[string]any{"state": "quarantine", "garage": "south", "note": "chipped edge"}
	w.do("PATCH", at, w.as("member"), change, tag).want(403).wantProblem("missing-role")
	w.do("PATCH", at, keeper, change).want(428).wantProblem("precondition-required")
	w.do("PATCH", at, keeper, map[string]any{"garage": "nowhere"}, tag).want(422).wantFault("/garage")
	w.do("PATCH", at, keeper, map[string]any{"model": "MIC"}, tag).want(422).wantFault("/model")
	w.do("PATCH", at, keeper, raw(`{"state":null,"number":null}`), tag).want(422).wantFault("/state").wantFault("/number")
	w.do("PATCH", at, keeper, raw(`{}`), tag).want(422)
	w.do("PATCH", at, keeper, map[string]any{"number": "18"}, tag).want(409).wantProblem("name-taken")
	w.do("PATCH", w.at("tools/19"), keeper, change, tag).want(404).wantProblem("not-found")
	key := header{"Idempotency-Key", newID()}
	after := w.do("PATCH", at, keeper, change, tag, key).want(200)
	if after.str("state") != "quarantine" || after.str("note") != "chipped edge" || after.str("number") != "17" {
		t.Errorf("after the edit: %s", after.body)
	}
	if again := w.do("PATCH", at, keeper, change, tag, key).want(200); string(again.body) != string(after.body) {
		t.Errorf("the replay differs: %s", again.body)
	}
	stale := w.do("PATCH", at, keeper, change, tag).want(412).wantProblem("stale-version")
	if stale.str("current", "state") != "quarantine" {
		t.Errorf("a stale edit is not shown the current body: %s", stale.body)
	}
	back := w.do("PATCH", at, w.officer, raw(`{"state":"in_service","note":null,"number":"17b"}`), header{"If-Match", after.header.Get("ETag")}).want(200)
	if back.get("note") != nil || back.str("garage_id") != after.str("garage_id") {
		t.Errorf("after the second edit: %s", back.body)
	}
	got := w.do("GET", w.at("tools/17b"), keeper, nil).want(200)
	if !got.tells(back) {
		t.Errorf("what was kept differs from what was answered:\n%s\n%s", got.body, back.body)
	}
}

func TestToolListKeepsToItsFilters(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	stock(w)
	south := w.do("POST", w.at("garages"), w.officer, raw(`{"code":"south","name":"South Yard","time_zone":"UTC"}`)).want(201).str("id")
	for number, model := range map[string]string{"1": "R8", "2": "PG-318", "3": "MIC", "4": "R8", "5": "R8"} {
		addTool(w, number, model)
	}
	w.do("PATCH", w.at("tools/4"), w.officer, map[string]any{"garage": "south", "state": "lost"}, header{"If-Match", "*"}).want(200)
	rows := map[string]string{
		"":                                  "1 2 3 4 5",
		"kind=reamer":                       "1 4 5",
		"kind=press":                        "",
		"state=lost":                        "4",
		"garage=south":                      "4",
		"garage=" + south:                   "4",
		"model=R8":                          "1 4 5",
		"model=R8&state=in_service":         "1 5",
		"kind=pin_gauge&garage=north":       "2",
		"model=R8&garage=north&kind=reamer": "1 5",
	}
	for query, want := range rows {
		t.Run("listed by "+query, func(t *testing.T) {
			page := w.do("GET", w.at("tools?"+query), w.as("member"), nil).want(200)
			var numbers []string
			for i := range page.get("items").([]any) {
				numbers = append(numbers, page.str("items", i, "number"))
			}
			if got := strings.Join(numbers, " "); got != want {
				t.Errorf("got tools %s, want %s", got, want)
			}
		})
	}
	first := w.do("GET", w.at("tools?kind=reamer&limit=2"), w.officer, nil).want(200)
	second := w.do("GET", w.at("tools?kind=reamer&limit=2&cursor="+first.str("next")), w.officer, nil).want(200)
	if first.str("items", 1, "number") != "4" || second.str("items", 0, "number") != "5" || second.get("next") != nil {
		t.Errorf("pages: %s\n%s", first.body, second.body)
	}
	w.do("GET", w.at("tools?garage=nowhere&model=nothing"), w.officer, nil).want(422).wantFault("?garage").wantFault("?model")
	w.do("GET", w.at("tools?state=lent&limit=0"), w.officer, nil).want(422).wantFault("?state").wantFault("?limit")
}

func TestCalibrationsAreKeptNewestFirst(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	stock(w)
	fresh := addTool(w, "M7", "MIC")
	keeper, at := w.as("tool_keeper"), w.at("tools/M7/calibrations")
	post := func(body string) *response { return w.do("POST", at, keeper, raw(body)).want(201) }
	made := post(`{"calibrated_on":"2025-03-01","expanded_uncertainty":"0.0020 mm","deviation":"-0.00005 in","certificate":"C-1"}`)
	if made.str("due_on") != "2026-03-01" || made.num("coverage_factor") != 2 || made.str("expanded_uncertainty", "text") != "0.002 mm" ||
		made.str("deviation", "text") != "-0.00127 mm" || made.str("entered", "deviation") != "-0.00005 in" || made.str("entered", "expanded_uncertainty") != "0.0020 mm" {
		t.Errorf("made %s", made.body)
	}
	post(`{"calibrated_on":"2024-03-01","due_on":"2024-09-01","expanded_uncertainty":"3 um","coverage_factor":2.1}`) // an old certificate that turned up
	if due := w.do("GET", w.at("tools/M7"), keeper, nil, header{"If-None-Match", fresh.header.Get("ETag")}).want(200).str("calibration_due_on"); due != "2026-03-01" {
		t.Errorf("due by an older calibration: %s", due)
	}
	post(`{"calibrated_on":"2025-03-01","due_on":"2025-06-01","expanded_uncertainty":"0.1 thou"}`) // the same day again: the later record counts
	if due := w.do("GET", w.at("tools/M7"), keeper, nil).want(200).str("calibration_due_on"); due != "2025-06-01" {
		t.Errorf("due by the first of two certificates of one day: %s", due)
	}
	first := w.do("GET", at+"?limit=2", w.as("member"), nil).want(200)
	second := w.do("GET", at+"?limit=2&cursor="+first.str("next"), w.as("member"), nil).want(200)
	if first.str("items", 0, "due_on") != "2025-06-01" || first.str("items", 1, "certificate") != "C-1" || second.num("items", 0, "coverage_factor") != 2.1 || second.get("next") != nil {
		t.Errorf("pages: %s\n%s", first.body, second.body)
	}
	// An edit made before the last calibration is stale, as the ETag says.
	w.do("PATCH", w.at("tools/M7"), keeper, raw(`{"note":"x"}`), header{"If-Match", fresh.header.Get("ETag")}).want(412)
	id := fresh.str("id")
	if byID := w.do("GET", w.at("tools/"+id+"/calibrations?limit=2"), keeper, nil).want(200); byID.str("items", 0, "id") != first.str("items", 0, "id") {
		t.Errorf("by id: %s", byID.body)
	}
}

func TestCalibrationRefusals(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	stock(w)
	addTool(w, "M7", "MIC")
	addTool(w, "R1", "R8")
	keeper, at := w.as("tool_keeper"), w.at("tools/M7/calibrations")
	body := raw(`{"calibrated_on":"2025-03-01","expanded_uncertainty":"0.002 mm"}`)
	key := header{"Idempotency-Key", newID()}
	first := w.do("POST", at, keeper, body, key).want(201)
	if again := w.do("POST", at, keeper, body, key).want(201); string(again.body) != string(first.body) {
		t.Errorf("the replay differs: %s", again.body)
	}
	if all := w.do("GET", at, keeper, nil).want(200); len(all.get("items").([]any)) != 1 {
		t.Errorf("sent twice with one key, kept as %s", all.body)
	}
	w.do("POST", at, w.as("member"), body).want(403).wantProblem("missing-role")
	w.do("POST", at, keeper, body, header{"Idempotency-Key", ""}).want(400).wantProblem("key-missing")
	w.do("POST", w.at("tools/M8/calibrations"), keeper, body).want(404).wantProblem("not-found")
	w.do("GET", w.at("tools/M8/calibrations"), keeper, nil).want(404).wantProblem("not-found")
	w.do("POST", w.at("tools/R1/calibrations"), keeper, raw(`{"calibrated_on":"2025-03-01","expanded_uncertainty":"0 mm"}`)).want(422).wantFault("{tool}").wantFault("/expanded_uncertainty")
	ahead := w.clock.now().Add(72 * time.Hour).Format(time.DateOnly)
	w.do("POST", at, keeper, map[string]any{"calibrated_on": ahead, "due_on": "2025-01-01", "expanded_uncertainty": "-2 um"}).want(422).
		wantFault("/calibrated_on").wantFault("/due_on").wantFault("/expanded_uncertainty")
	w.do("POST", at, keeper, raw(`{"calibrated_on":"2025-02-29","expanded_uncertainty":"2 um","coverage_factor":5}`)).want(422).wantFault("/calibrated_on").wantFault("/coverage_factor")
	// Keys of the wrong form in a cursor of this very list are a fault of the request, not of the service.
	w.do("POST", at, keeper, body).want(201)
	next := w.do("GET", at+"?limit=1", keeper, nil).want(200).str("next")
	w.do("GET", at+"?limit=1&cursor="+damaged(t, next), keeper, nil).want(422).wantFault("?cursor")
}

// damaged returns cursor with keys that no page ever gave out.
func damaged(t *testing.T, cursor string) string {
	t.Helper()
	text, err := base64.RawURLEncoding.DecodeString(cursor)
	if err != nil {
		t.Fatal(err)
	}
	var inner map[string]any
	if err := json.Unmarshal(text, &inner); err != nil {
		t.Fatal(err)
	}
	inner["a"] = []string{"yesterday", "nobody"}
	if text, err = json.Marshal(inner); err != nil {
		t.Fatal(err)
	}
	return base64.RawURLEncoding.EncodeToString(text)
}
