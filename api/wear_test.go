package api_test

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"
)

// read posts a reading of a bore or pin of the joint "only" on a day.
func (w *bench) readOn(day, feature, value string, more row) {
	w.t.Helper()
	w.do("POST", w.at("readings"), w.officer, with(row{"id": newID(), "joint": "only", "feature": feature, "value": value, "with": "bore_gauge", "taken_at": day + "T12:00:00Z", "stage": "cleaned", "surface": "bright"}, more)).want(201)
}

// worn reads the bore once a year, 10 µm more each time from 8.000 mm on, and
// the pin on the first day.
func (w *bench) worn(years int) {
	w.t.Helper()
	w.readOn("2018-05-01", "pin", "7.975 mm", row{"with": "micrometer"})
	for n := range years {
		w.readOn(fmt.Sprintf("%d-05-01", 2018+n), "bore", fmt.Sprintf("%.3f mm", 8.000+0.010*float64(n)), nil)
	}
}

func (w *bench) trend(query string) *response {
	w.t.Helper()
	return w.do("GET", w.at("joints/only/trend"+query), w.as("member"), nil)
}

func TestJointsClearanceGrows(t *testing.T) {
	t.Parallel()
	w := newBench(t)
	if r := w.trend("").want(200); r.get("sittings", 0) != nil || !strings.Contains(r.str("summary"), "nothing measured") || r.str("limit_source") != "assumed" {
		t.Errorf("before any reading: %s", r.body)
	}
	w.worn(6)
	r := w.trend("?limit=0.2%20mm").want(200)
	// 10 µm a year, whatever the level is.
	near(t, "rate a year in mm", r.num("trend", "segments", 0, "rate", "value")*365.25, 0.010, 0.0005)
	if r.str("trend", "x_unit") != "day" || r.str("trend", "x_from") != "2018-05-01" || r.str("limit_source") != "asked" || r.get("sittings", 5, "x") == nil || r.get("sittings", 6) != nil {
		t.Errorf("%s", r.body)
	}
	if r.str("sittings", 3, "pin_on") != "2018-05-01" || r.str("trend", "crossing", "limit", "text") != "0.2 mm" {
		t.Errorf("%s", r.body)
	}
	near(t, "clearance is bore less pin", r.num("sittings", 2, "clearance", "value"), r.num("sittings", 2, "bore", "value")-r.num("sittings", 2, "pin", "value"), 0.0002)
	// One pin stands for all sittings: its doubt is the line's, not each sitting's.
	if r.num("trend", "shared_u") < r.num("sittings", 0, "pin_u", "value")-0.0002 {
		t.Errorf("shared %v", r.num("trend", "shared_u"))
	}
	// About 30 µm at first, so 200 µm after some 17 years.
	if on := r.str("trend", "crossing", "on"); on < "2031" || on > "2039" {
		t.Errorf("reached on %s", on)
	}
	// Rates are derived in micrometres a day.
	told := w.trend("?limit=0.2%20mm&explain=true").want(200)
	if r.get("trend", "explanation") != nil || !strings.Contains(string(told.body), `"unit":"um/d"`) {
		t.Errorf("explained: %s", told.body)
	}
	thou := w.trend("?limit=0.2%20mm&units=thou").want(200)
	near(t, "in thou", thou.num("trend", "segments", 0, "rate", "value")*0.0254, r.num("trend", "segments", 0, "rate", "value"), 1e-9)
	w.trend("?limit=2").want(422)
	w.trend("?feature=nowhere").want(422)
	w.trend("?over=weight").want(422)
	if eye := w.trend("?feature=eye").want(200); eye.str("feature") != "eye" || eye.get("sittings", 0) != nil {
		t.Errorf("%s", eye.body)
	}
	w.do("GET", w.at("joints/left/trend"), w.as("member"), nil).want(422)
}

func TestRepairsAndLubricationsStartSegments(t *testing.T) {
	t.Parallel()
	w := newBench(t)
	w.worn(4)
	event := func(body row) *response {
		return w.do("POST", w.at("joints/only/events"), w.as("member"), body)
	}
	event(row{"kind": "lubricated", "occurred_at": "2020-01-01T10:00:00Z", "note": "Grease until it came out"}).want(201)
	event(row{"kind": "other", "occurred_at": "2020-06-01T10:00:00Z"}).want(201)
	r := w.trend("").want(200)
	if r.str("trend", "segments", 1, "opened") != "lubrication" || r.get("trend", "segments", 2) != nil || r.get("trend", "rate_changes", 0, "difference", "low") == nil || r.str("events", 1, "kind") != "other" {
		t.Errorf("%s", r.body)
	}
	// Reamed: a new size, and another pin that nobody has read yet.
	w.readOn("2022-01-01", "bore", "8.200 mm", row{"stage": "reamed"})
	r = w.trend("").want(200)
	if why := r.str("sittings", 4, "why"); !strings.Contains(why, "pin") || r.num("sittings", 4, "repairs") != 1 || r.str("trend", "segments", 2, "opened") != "repair_new_rate" {
		t.Errorf("%s", r.body)
	}
	w.readOn("2022-01-01", "pin", "8.180 mm", row{"with": "micrometer"})
	r = w.trend("?after_repair=same_rate").want(200)
	if r.get("sittings", 4, "why") != nil || r.str("trend", "segments", 2, "opened") != "repair" || r.get("trend", "segments", 2, "rate", "value") == nil || r.str("trend", "crossing", "state") != "crosses" {
		t.Errorf("%s", r.body)
	}
	if r = w.trend("").want(200); r.str("trend", "crossing", "state") != "rate_unknown" {
		t.Errorf("one sitting after a repair tells no new rate: %s", r.str("summary"))
	}
}

func TestEventsAreHistory(t *testing.T) {
	t.Parallel()
	w := newBench(t)
	post := func(joint, token string, body row) *response {
		return w.do("POST", w.at("joints/"+joint+"/events"), token, body)
	}
	id := newID()
	greased := row{"id": id, "kind": "lubricated", "occurred_at": "2025-03-01T10:00:00+01:00", "note": "Two strokes of the gun"}
	made := post("only", w.as("member"), greased).want(201)
	again := post("only", w.as("member"), greased).want(200)
	if string(made.body) != string(again.body) || made.str("occurred_at") != "2025-03-01T09:00:00Z" {
		t.Errorf("%s\n%s", made.body, again.body)
	}
	post("only", w.as("member"), with(greased, row{"note": "Three"})).want(409)
	post("eyelet", w.as("member"), greased).want(409)
	post("left", w.as("member"), greased).want(422) // two vehicles have one
	post("nowhere", w.as("member"), greased).want(404)
	post("only", w.as("auditor"), greased).want(403)
	post("only", w.as("member"), row{"kind": "lubricated", "occurred_at": w.clock.now().Add(time.Hour).Format(time.RFC3339)}).want(422)
	post("only", w.as("member"), row{"kind": "painted", "occurred_at": "2025-03-01T10:00:00Z"}).want(422)
	later := post("only", w.officer, row{"kind": "repaired", "occurred_at": "2025-04-01T10:00:00Z"}).want(201).str("id")

	page := w.do("GET", w.at("joints/only/events?limit=1"), w.as("auditor"), nil).want(200)
	if page.str("items", 0, "id") != later {
		t.Errorf("%s", page.body)
	}
	page = w.do("GET", w.at("joints/only/events?limit=1&cursor="+page.str("next")), w.as("auditor"), nil).want(200)
	if page.str("items", 0, "id") != id || page.get("next") != nil {
		t.Errorf("%s", page.body)
	}
	void := func(id, token string) *response {
		return w.do("POST", w.at("joint-events/"+id+"/void"), token, row{"reason": "wrong joint"})
	}
	void(later, w.as("member")).want(403)
	void(newID(), w.officer).want(404)
	if v := void(id, w.as("member")).want(200); v.str("void", "reason") != "wrong joint" {
		t.Errorf("%s", v.body)
	}
	void(id, w.officer).want(409)
	if r := w.trend("").want(200); r.str("events", 0, "id") != later || r.get("events", 1) != nil {
		t.Errorf("a voided event counts: %s", r.body)
	}
	if v := w.do("GET", w.at("joints/only/events"), w.officer, nil).want(200); v.str("items", 1, "void", "reason") != "wrong joint" {
		t.Errorf("%s", v.body)
	}
}

func TestTrendOverDistance(t *testing.T) {
	t.Parallel()
	w := newBench(t)
	w.worn(5)
	shown := func(token string, body row) *response {
		return w.do("POST", w.at("vehicles/coupe/distances"), token, body)
	}
	if r := w.trend("?over=distance").want(200); !strings.Contains(r.str("sittings", 0, "why"), "odometer") || r.get("trend", "points", 0) != nil {
		t.Errorf("%s", r.body)
	}
	first := row{"id": newID(), "shown": 95_000, "unit": "km", "taken_at": "2018-05-01T12:00:00Z"}
	made := shown(w.as("member"), first).want(201)
	if again := shown(w.as("member"), first).want(200); string(again.body) != string(made.body) {
		t.Errorf("%s\n%s", made.body, again.body)
	}
	shown(w.as("member"), with(first, row{"shown": 95_001})).want(409)
	shown(w.as("auditor"), first).want(403)
	// The odometer ran past 99,999.9 km on the way: said, all is one road.
	low := shown(w.as("member"), row{"shown": 5_000, "unit": "km", "taken_at": "2022-05-01T12:00:00Z"}).want(422)
	if low.str("errors", 0, "pointer") != "/shown" || !strings.Contains(low.str("errors", 0, "detail"), "replaced") {
		t.Errorf("%s", low.body)
	}
	shown(w.as("member"), row{"shown": 0, "unit": "km", "taken_at": "2020-05-01T12:00:00Z", "replaced": true, "previous": 100_000}).want(201)
	last := shown(w.officer, row{"shown": 5_000, "unit": "km", "taken_at": "2022-05-01T12:00:00Z"}).want(201)
	shown(w.as("member"), row{"shown": 95_100, "unit": "km", "taken_at": "2030-05-01T12:00:00Z"}).want(422)
	shown(w.as("member"), row{"shown": 1, "unit": "km", "taken_at": "2021-05-01T12:00:00Z", "previous": 3}).want(422)

	r := w.trend("?over=distance&limit=0.2%20mm").want(200)
	// 40 µm over 10,000 km.
	near(t, "rate per 1000 km in mm", r.num("trend", "segments", 0, "rate", "value")*1000, 0.004, 0.0003)
	if r.str("trend", "x_unit") != "km" || r.num("sittings", 0, "x") != 95_000 || math.Abs(r.num("sittings", 4, "x")-105_000) > 1e-6 || r.get("trend", "x_from") != nil {
		t.Errorf("%s", r.body)
	}
	if !strings.Contains(r.str("summary"), "per 1000 km") || r.num("trend", "crossing", "now") != 105_000 {
		t.Errorf("%s", r.str("summary"))
	}
	// Not said what it showed last, the road before is lost.
	w.do("POST", w.at("distances/"+last.str("id")+"/void"), w.as("member"), row{"reason": "misread"}).want(403)
	w.do("POST", w.at("distances/"+last.str("id")+"/void"), w.officer, row{"reason": "misread"}).want(200)
	w.do("POST", w.at("distances/"+last.str("id")+"/void"), w.officer, row{"reason": "misread"}).want(409)
	shown(w.officer, row{"shown": 300, "unit": "mi", "taken_at": "2021-05-01T12:00:00Z", "replaced": true}).want(201)
	r = w.trend("?over=distance").want(200)
	if r.str("trend", "x_unit") != "mi" || r.get("sittings", 0, "why") == nil || r.get("sittings", 3, "why") != nil || !strings.Contains(string(r.body), "odometer_gap") {
		t.Errorf("%s", r.body)
	}
	page := w.do("GET", w.at("vehicles/coupe/distances?limit=2"), w.as("auditor"), nil).want(200)
	if page.str("items", 0, "void", "reason") != "misread" || page.num("items", 1, "shown") != 300 || page.get("next") == nil {
		t.Errorf("%s", page.body)
	}
	w.do("GET", w.at("vehicles/nowhere/distances"), w.officer, nil).want(404)
}

func TestToolsDriftIsCharted(t *testing.T) {
	t.Parallel()
	w := newBench(t)
	chart := func(tool string) *response { return w.do("GET", w.at("tools/"+tool+"/chart"), w.as("member"), nil) }
	if r := chart("R1").want(200); !strings.Contains(r.str("summary"), "does not measure") {
		t.Errorf("%s", r.body)
	}
	if r := chart("C1").want(200); !strings.Contains(r.str("summary"), "at least 2") || r.num("deviations") != 0 {
		t.Errorf("%s", r.body)
	}
	for n, um := range []float64{0.2, -0.1, 0.1, 0, 0.2, 0.1, -0.1, 3.1} {
		w.do("POST", w.at("tools/C1/calibrations"), w.officer, row{"calibrated_on": fmt.Sprintf("%d-03-01", 2016+n), "expanded_uncertainty": "2 um", "deviation": fmt.Sprintf("%v um", um)}).want(201)
	}
	w.do("POST", w.at("tools/C1/calibrations"), w.officer, row{"calibrated_on": "2025-03-01", "expanded_uncertainty": "2 um"}).want(201) // tells no deviation
	r := chart("C1").want(200)
	if r.num("deviations") != 8 || r.str("chart", "points", 7, "on") != "2023-03-01" || r.get("chart", "points", 8) != nil || r.str("latest", "text") != "0.0031 mm" {
		t.Errorf("%s", r.body)
	}
	// Moving ranges 0.3 0.2 0.1 0.2 0.1 0.2 3.2, so their limit is 3.267 times 0.614 (NIST/SEMATECH e-Handbook 6.3.2.2).
	near(t, "limit of moving ranges in mm", r.num("chart", "segments", 0, "moving_range_upper"), 0.0032665*4.3/7, 1e-6)
	if r.str("chart", "signals", 0, "rule") == "" || !strings.Contains(r.str("summary"), "signal") || r.str("warnings", 0, "code") != "few_for_limits" {
		t.Errorf("%s", r.body)
	}
	told := w.do("GET", w.at("tools/C1/chart?explain=true"), w.as("member"), nil).want(200)
	if told.str("chart", "explanation", 0, "source") == "" || r.get("chart", "explanation") != nil {
		t.Errorf("explained: %s", told.body)
	}
	if mine := w.do("GET", w.at("tools/C1/chart?units=um"), w.as("member"), nil).want(200); mine.num("chart", "points", 7, "value") != 3.1 {
		t.Errorf("%s", mine.body)
	}
	chart("nowhere").want(404)
}
