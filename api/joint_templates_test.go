package api_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestEveryClubBeginsWithTheUsualTemplates(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	list := w.do("GET", w.at("joint-templates"), w.as("auditor"), nil).want(200)
	critical := map[string]bool{}
	for i := 0; list.get("items", i) != nil; i++ {
		critical[list.str("items", i, "code")] = list.get("items", i, "safety_critical") == true
	}
	want := map[string]bool{"door-hinge": false, "king-pin": true, "pedal-pivot": true, "shackle": true, "throttle-spindle": false}
	if diff := cmp.Diff(want, critical); diff != "" {
		t.Error(diff)
	}
	hinge := w.do("GET", w.at("joint-templates/door-hinge"), w.officer, nil).want(200)
	if hinge.str("features", 0, "code") != "bore" || hinge.get("features", 0, "usual") != true || hinge.str("features", 1, "duty") != "held" || hinge.str("features", 2, "shape") != "pin" ||
		hinge.str("target", "clearance_min", "text") != "0.0127 mm" || hinge.get("target", "thousandth") != true || hinge.get("form") != nil {
		t.Errorf("door hinge: %s", hinge.body)
	}
	w.do("GET", w.at("joint-templates/door-hinge"), w.officer, nil, header{"If-None-Match", hinge.header.Get("ETag")}).want(304)
	page := w.do("GET", w.at("joint-templates?limit=4"), w.officer, nil).want(200)
	if last := w.do("GET", w.at("joint-templates?limit=4&cursor="+page.str("next")), w.officer, nil).want(200); last.str("items", 0, "code") != "throttle-spindle" || last.get("next") != nil {
		t.Errorf("last page: %s", last.body)
	}
}

func TestTemplateIsMadeWithDefaults(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.do("POST", w.at("pin-series"), w.officer, ladder).want(201)
	body := map[string]any{"code": "wiper", "name": "Wiper spindle", "pin_series": "hinge-8", "target": map[string]any{"fit": "H7/g6"}, "form": map[string]any{"ovality": "20 um"},
		"cautions": []string{"penetrant", "heat", "heat"},
		"features": []any{map[string]any{"code": "spindle", "shape": "pin", "duty": "running"}, map[string]any{"code": "tube", "shape": "bore", "duty": "running", "length": "40 mm"}}}
	key := header{"Idempotency-Key", newID()}
	made := w.do("POST", w.at("joint-templates"), w.as("member"), body, key).want(201)
	if again := w.do("POST", w.at("joint-templates"), w.as("member"), body, key).want(201); string(again.body) != string(made.body) {
		t.Errorf("the repeat differs: %s", again.body)
	}
	if made.str("guidance") != "floating" || made.get("safety_critical") != false || made.get("features", 1, "usual") != true || made.get("features", 0, "usual") != false ||
		made.str("form", "ovality", "text") != "0.02 mm" || made.str("features", 1, "length", "text") != "40 mm" {
		t.Errorf("made: %s", made.body)
	}
	if diff := cmp.Diff([]any{"heat", "penetrant"}, made.get("cautions")); diff != "" {
		t.Error(diff)
	}
	// The nominal size is that of the standard pin, 8 mm. ISO 286-2: H7/g6 at 6 to 10 mm leaves 5 to 29 µm.
	if text := made.str("target", "text"); text != "0.005 to 0.029 mm (H7/g6 at 8 mm, ISO 286)" {
		t.Errorf("target is %q", text)
	}
	if got := w.do("GET", made.header.Get("Location"), w.officer, nil).want(200); string(got.body) != string(made.body) {
		t.Errorf("got %s", got.body)
	}
	body["code"] = "wiper-2"
	delete(body, "pin_series")
	if bare := w.do("POST", w.at("joint-templates"), w.officer, body).want(201); bare.get("target", "clearance_min") != nil || bare.str("target", "fit") != "H7/g6" {
		t.Errorf("a fit without a size: %s", bare.body)
	}
}

func TestTemplateRefusals(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	feature := map[string]any{"code": "a", "shape": "bore", "duty": "running", "usual": true}
	body := func(change map[string]any) map[string]any {
		out := map[string]any{"code": "x", "name": "x", "features": []any{feature}}
		for k, v := range change {
			out[k] = v
		}
		return out
	}
	post := func(b any) *response { return w.do("POST", w.at("joint-templates"), w.officer, b) }
	post(body(map[string]any{"code": "door-hinge"})).want(409).wantProblem("name-taken")
	w.do("POST", w.at("joint-templates"), w.as("auditor"), body(nil)).want(403).wantProblem("missing-role")
	w.do("GET", w.at("joint-templates/nothing"), w.officer, nil).want(404)
	post(body(map[string]any{"pin_series": "nothing"})).want(422).wantFault("/pin_series")
	post(body(map[string]any{"features": []any{feature, feature}, "target": map[string]any{"thousandth": true, "fit": "H7/g6"}, "form": map[string]any{"surface": "-1 um"}})).want(422).
		wantFault("/features/1/code").wantFault("/features/1/usual").wantFault("/target").wantFault("/form/surface")
	post(body(map[string]any{"target": map[string]any{"fit": "H7"}})).want(422).wantFault("/target/fit")
	post(body(map[string]any{"target": map[string]any{}})).want(422).wantFault("/target")
	post(body(map[string]any{"target": map[string]any{"clearance_min": "0.01 mm"}})).want(422).wantFault("/target/clearance_max")
}
