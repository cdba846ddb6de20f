package api_test

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// hinges is a world with two vehicles, of which the first has two hinges.
func hinges(t *testing.T) (*world, *response) {
	t.Helper()
	w := newWorld(t)
	w.do("POST", w.at("vehicles"), w.officer, roadster).want(201)
	w.do("POST", w.at("vehicles"), w.officer, map[string]any{"code": "saloon", "name": "Saloon"}).want(201)
	w.do("POST", w.at("pin-series"), w.officer, ladder).want(201)
	return w, w.do("POST", w.at("vehicles/roadster/joints"), w.as("member"), map[string]any{"template": "door-hinge", "positions": []string{"left-upper", "left-lower"}, "pin_series": "hinge-8"}).want(201)
}

func TestJointsAreMadeByTemplateInOneCall(t *testing.T) {
	t.Parallel()
	w, made := hinges(t)
	if made.str("items", 0, "position") != "left-lower" || made.str("items", 1, "position") != "left-upper" || made.get("items", 2) != nil {
		t.Fatalf("made %s", made.body)
	}
	// The nominal size of every feature is the standard pin's.
	for i, code := range []string{"bore", "held_bore", "pin"} {
		if f := made.get("items", 0, "features", i).(map[string]any); f["code"] != code || f["nominal"].(map[string]any)["text"] != "8 mm" || f["joint_id"] != made.str("items", 0, "id") {
			t.Errorf("feature %d: %v", i, f)
		}
	}
	list := w.do("GET", made.header.Get("Location"), w.as("auditor"), nil).want(200)
	if string(list.body) != string(made.body) {
		t.Errorf("listed %s\nmade   %s", list.body, made.body)
	}
	first := w.do("GET", w.at("vehicles/roadster/joints?limit=1"), w.officer, nil).want(200)
	second := w.do("GET", w.at("vehicles/roadster/joints?limit=1&cursor="+first.str("next")), w.officer, nil).want(200)
	if first.str("items", 0, "position") != "left-lower" || second.str("items", 0, "position") != "left-upper" || second.get("next") != nil {
		t.Errorf("pages: %s\n%s", first.body, second.body)
	}
	joint := w.do("GET", w.at("joints/left-upper"), w.officer, nil).want(200)
	if diff := cmp.Diff(made.get("items", 1), any(joint.json())); diff != "" {
		t.Error(diff)
	}
	w.do("GET", w.at("joints/"+joint.str("id")), w.officer, nil, header{"If-None-Match", joint.header.Get("ETag")}).want(304)
	features := w.do("GET", w.at("joints/left-upper/features"), w.officer, nil).want(200)
	if diff := cmp.Diff(joint.get("features"), features.get("items")); diff != "" {
		t.Error(diff)
	}
	feature := w.do("GET", w.at("features/"+features.str("items", 2, "id")), w.officer, nil).want(200)
	if diff := cmp.Diff(features.get("items", 2), any(feature.json())); diff != "" {
		t.Error(diff)
	}
	w.do("GET", w.at("features/"+feature.str("id")), w.officer, nil, header{"If-None-Match", feature.header.Get("ETag")}).want(304)
}

func TestJointNominalSizeComesFromTheNearestSource(t *testing.T) {
	t.Parallel()
	w, _ := hinges(t)
	w.do("POST", w.at("joint-templates"), w.officer, map[string]any{"code": "sized", "name": "Sized", "pin_series": "hinge-8",
		"features": []any{map[string]any{"code": "bore", "shape": "bore", "duty": "running", "nominal": "9 mm"}, map[string]any{"code": "collar", "shape": "bore", "duty": "held", "nominal": "12 mm"}}}).want(201)
	nominal := func(position string, body map[string]any) []string {
		body["positions"] = []string{position}
		made := w.do("POST", w.at("vehicles/saloon/joints"), w.officer, body).want(201)
		return []string{made.str("items", 0, "features", 0, "nominal", "text"), made.str("items", 0, "features", 1, "nominal", "text")}
	}
	for _, row := range []struct {
		name string
		body map[string]any
		want []string
	}{
		{"given", map[string]any{"template": "door-hinge", "nominal": "0.5 in", "pin_series": "hinge-8"}, []string{"12.7 mm", "12.7 mm"}},
		{"template", map[string]any{"template": "sized"}, []string{"9 mm", "12 mm"}},
		{"given-over-template", map[string]any{"template": "sized", "nominal": "10 mm"}, []string{"10 mm", "12 mm"}},
		{"standard-pin", map[string]any{"template": "door-hinge", "pin_series": "hinge-8"}, []string{"8 mm", "8 mm"}},
		{"unknown", map[string]any{"template": "door-hinge"}, []string{"", ""}},
	} {
		if diff := cmp.Diff(row.want, nominal(row.name, row.body)); diff != "" {
			t.Errorf("%s: %s", row.name, diff)
		}
	}
}

func TestJointSetIsMadeWholeOrNotAtAll(t *testing.T) {
	t.Parallel()
	w, _ := hinges(t)
	set := map[string]any{"template": "door-hinge", "positions": []string{"right-upper", "left-upper"}, "nominal": "8 mm"}
	taken := w.do("POST", w.at("vehicles/roadster/joints"), w.officer, set).want(409).wantProblem("name-taken")
	if diff := cmp.Diff([]any{"left-upper"}, taken.get("taken")); diff != "" || !strings.Contains(taken.str("detail"), "left-upper") {
		t.Errorf("%s: %s", taken.body, diff)
	}
	w.do("GET", w.at("joints/right-upper"), w.officer, nil).want(404)
	key := header{"Idempotency-Key", newID()}
	first := w.do("POST", w.at("vehicles/saloon/joints"), w.officer, set, key).want(201)
	if again := w.do("POST", w.at("vehicles/saloon/joints"), w.officer, set, key).want(201); string(again.body) != string(first.body) {
		t.Errorf("the repeat differs: %s", again.body)
	}
}

func TestJointSetRefusals(t *testing.T) {
	t.Parallel()
	w, _ := hinges(t)
	post := func(change map[string]any) *response {
		body := map[string]any{"template": "door-hinge", "positions": []string{"x"}, "nominal": "8 mm"}
		for k, v := range change {
			body[k] = v
		}
		return w.do("POST", w.at("vehicles/roadster/joints"), w.officer, body)
	}
	post(map[string]any{"template": "nothing"}).want(422).wantFault("/template")
	post(map[string]any{"pin_series": "nothing"}).want(422).wantFault("/pin_series")
	post(map[string]any{"nominal": "-8 mm"}).want(422).wantFault("/nominal")
	post(map[string]any{"positions": []string{"x", "x"}}).want(422).wantFault("/positions")
	post(map[string]any{"target": map[string]any{"fit": "H7/g6"}, "nominal": "80 mm"}).want(422).wantFault("/target/fit")
	w.do("POST", w.at("vehicles/nothing/joints"), w.officer, map[string]any{"template": "door-hinge", "positions": []string{"x"}}).want(404)
	w.do("POST", w.at("vehicles/roadster/joints"), w.as("treasurer"), map[string]any{"template": "door-hinge", "positions": []string{"x"}}).want(403).wantProblem("missing-role")
	w.do("GET", w.at("vehicles/nothing/joints"), w.officer, nil).want(404)
	w.do("GET", w.at("joints/nothing"), w.officer, nil).want(404)
	w.do("GET", w.at("joints/nothing/features"), w.officer, nil).want(404)
	w.do("GET", w.at("features/"+newID()), w.officer, nil).want(404)
	// A template's own target must suit the size as well.
	w.do("POST", w.at("joint-templates"), w.officer, map[string]any{"code": "fitted", "name": "Fitted", "target": map[string]any{"fit": "H7/g6"},
		"features": []any{map[string]any{"code": "bore", "shape": "bore", "duty": "running"}}}).want(201)
	post(map[string]any{"template": "fitted", "nominal": "80 mm"}).want(422).wantFault("/nominal")
}

func TestPositionOfSeveralVehiclesIsAmbiguous(t *testing.T) {
	t.Parallel()
	w, made := hinges(t)
	w.do("POST", w.at("vehicles/saloon/joints"), w.officer, map[string]any{"template": "door-hinge", "positions": []string{"left-upper"}}).want(201)
	for _, path := range []string{"joints/left-upper", "joints/left-upper/features"} {
		both := w.do("GET", w.at(path), w.officer, nil).want(422).wantProblem("ambiguous-name").wantFault("{joint}")
		if diff := cmp.Diff([]any{"roadster/left-upper", "saloon/left-upper"}, both.get("errors", 0, "candidates")); diff != "" {
			t.Error(diff)
		}
	}
	w.do("PATCH", w.at("joints/left-upper"), w.officer, map[string]any{"position": "y"}, header{"If-Match", "*"}).want(422).wantProblem("ambiguous-name")
	w.do("GET", w.at("joints/"+made.str("items", 1, "id")), w.officer, nil).want(200)
	w.do("GET", w.at("joints/left-lower"), w.officer, nil).want(200)
}

func TestJointEdit(t *testing.T) {
	t.Parallel()
	w, made := hinges(t)
	at := w.at("joints/left-upper")
	tag := w.do("GET", at, w.officer, nil).want(200).header.Get("ETag")
	edit := func(body string) *response { return w.do("PATCH", at, w.officer, raw(body), header{"If-Match", "*"}) }
	w.do("PATCH", at, w.officer, raw(`{"facts":{"coated":true}}`)).want(428)
	w.do("PATCH", at, w.as("auditor"), raw(`{"facts":{"coated":true}}`), header{"If-Match", tag}).want(403)
	key := header{"Idempotency-Key", newID()}
	seen := w.do("PATCH", at, w.as("member"), raw(`{"facts":{"coated":true,"sintered_bush":true}}`), header{"If-Match", tag}, key).want(200)
	if again := w.do("PATCH", at, w.as("member"), raw(`{"facts":{"coated":true,"sintered_bush":true}}`), header{"If-Match", tag}, key).want(200); string(again.body) != string(seen.body) {
		t.Errorf("the repeat differs: %s", again.body)
	}
	stale := w.do("PATCH", at, w.officer, raw(`{"facts":{"coated":false}}`), header{"If-Match", tag}).want(412).wantProblem("stale-version")
	if stale.get("current", "facts", "coated") != true {
		t.Errorf("the stale edit is not shown what is: %s", stale.body)
	}
	if merged := edit(`{"facts":{"coated":false,"thin_boss":true}}`).want(200); !cmp.Equal(merged.get("facts"), any(map[string]any{"sintered_bush": true, "thin_boss": true})) {
		t.Errorf("facts: %s", merged.body)
	}
	edit(`{"position":"left-lower"}`).want(409).wantProblem("name-taken")
	edit(`{"pin_series":"nothing"}`).want(422).wantFault("/pin_series")
	if own := edit(`{"pin_series":null}`).want(200); own.get("pin_series_id") != nil {
		t.Errorf("the template names no series, but: %s", own.body)
	}
	w.do("PATCH", w.at("joints/nothing"), w.officer, raw(`{"position":"y"}`), header{"If-Match", "*"}).want(404)

	edit(`{"nominal":"0 mm"}`).want(422).wantFault("/nominal")
	sized := edit(`{"nominal":"0.318 in","position":"left-top"}`).want(200)
	if sized.str("features", 2, "nominal", "text") != "8.0772 mm" || sized.str("position") != "left-top" {
		t.Errorf("sized: %s", sized.body)
	}
	feature := w.do("GET", w.at("features/"+made.str("items", 1, "features", 0, "id")), w.officer, nil).want(200)
	if feature.str("nominal", "text") != "8.0772 mm" || !strings.HasPrefix(feature.header.Get("ETag"), `"2.`) {
		t.Errorf("feature: %s %s", feature.header.Get("ETag"), feature.body)
	}
	if still := w.do("GET", w.at("joints/left-top"), w.officer, nil).want(200); string(still.body) != string(sized.body) {
		t.Errorf("answered %s\nkept     %s", sized.body, still.body)
	}
}

func TestLengthsAreGivenForASetAndChangedLater(t *testing.T) {
	t.Parallel()
	w, _ := hinges(t)
	set := func(lengths ...any) *response {
		return w.do("POST", w.at("vehicles/saloon/joints"), w.officer, row{"template": "door-hinge", "positions": []string{"rear-upper", "rear-lower"}, "nominal": "8 mm", "lengths": lengths})
	}
	set(row{"feature": "bore", "length": "0 mm"}).want(422).wantFault("/lengths/0/length")
	set(row{"feature": "bore", "length": "30 mm"}, row{"feature": "bore", "length": "31 mm"}).want(422).wantFault("/lengths/1/feature")
	if none := set(row{"feature": "eye", "length": "30 mm"}).want(422).wantFault("/lengths/0/feature"); !strings.Contains(string(none.body), "it has: bore, held_bore, pin") {
		t.Errorf("%s", none.body)
	}
	set(row{"feature": "bore", "length": nil}).want(422) // null is for edits
	made := set(row{"feature": "pin", "length": "58 mm"}, row{"feature": "bore", "length": "31 mm"}).want(201)
	for i := range 2 {
		if made.str("items", i, "features", 0, "length", "text") != "31 mm" || made.get("items", i, "features", 1, "length") != nil || made.str("items", i, "features", 2, "length", "text") != "58 mm" {
			t.Errorf("made: %s", made.body)
		}
	}
	edit := func(body string) *response {
		return w.do("PATCH", w.at("joints/rear-upper"), w.officer, raw(body), header{"If-Match", "*"})
	}
	edit(`{"position":"moved","lengths":[{"feature":"eye","length":"3 mm"}]}`).want(422).wantFault("/lengths/0/feature")
	w.do("GET", w.at("joints/moved"), w.officer, nil).want(404)
	changed := edit(`{"lengths":[{"feature":"held_bore","length":"0.5 in"},{"feature":"pin","length":null}]}`).want(200)
	if changed.str("features", 0, "length", "text") != "31 mm" || changed.str("features", 1, "length", "text") != "12.7 mm" || changed.get("features", 2, "length") != nil {
		t.Errorf("changed: %s", changed.body)
	}
	if still := w.do("GET", w.at("joints/rear-upper"), w.officer, nil).want(200); string(still.body) != string(changed.body) {
		t.Errorf("answered %s\nkept     %s", changed.body, still.body)
	}
	for i, version := range []string{`"1.`, `"2.`, `"2.`} {
		feature := w.do("GET", w.at("features/"+changed.str("features", i, "id")), w.officer, nil).want(200)
		if !strings.HasPrefix(feature.header.Get("ETag"), version) {
			t.Errorf("feature %d: %s %s", i, feature.header.Get("ETag"), feature.body)
		}
	}
	if other := w.do("GET", w.at("joints/rear-lower"), w.officer, nil).want(200); other.str("features", 2, "length", "text") != "58 mm" {
		t.Errorf("another joint: %s", other.body)
	}
	w.do("PATCH", w.at("joints/rear-upper"), w.as("treasurer"), raw(`{"lengths":[{"feature":"bore","length":"3 mm"}]}`), header{"If-Match", "*"}).want(403)
}

func TestJointTargetIsMergedAsRFC7396Says(t *testing.T) {
	t.Parallel()
	w, _ := hinges(t)
	edit := func(body string) *response {
		return w.do("PATCH", w.at("joints/left-upper"), w.officer, raw(body), header{"If-Match", "*"})
	}
	text := func(r *response) string { return r.want(200).str("target", "text") }
	thousandth := text(w.do("GET", w.at("joints/left-upper"), w.officer, nil))
	if got := text(edit(`{"target":{"clearance_min":"0.0005 in","clearance_max":{"value":0.002,"unit":"in"}}}`)); got != "0.0127 to 0.0508 mm" {
		t.Errorf("limits: %q", got)
	}
	if got := text(edit(`{"target":{"clearance_max":"0.03 mm"}}`)); got != "0.0127 to 0.03 mm" {
		t.Errorf("one limit changed: %q", got)
	}
	edit(`{"target":{"fit":"H7/g6"}}`).want(422).wantFault("/target")
	edit(`{"target":{"clearance_max":null}}`).want(422).wantFault("/target/clearance_max")
	edit(`{"target":{"clearance_max":"three"}}`).want(422).wantFault("/target/clearance_max")
	edit(`{"target":{"clearance_max":"99 m"}}`).want(422).wantFault("/target/clearance_max")
	// ISO 286-2: H7/g6 at 6 to 10 mm leaves 5 to 29 µm.
	if got := text(edit(`{"target":{"clearance_min":null,"clearance_max":null,"fit":"H7/g6"}}`)); got != "0.005 to 0.029 mm (H7/g6 at 8 mm, ISO 286)" {
		t.Errorf("fit: %q", got)
	}
	edit(`{"nominal":"80 mm"}`).want(422).wantFault("/nominal")
	// ISO 286-2 at 10 to 18 mm: H7 0/+18 µm, g6 -17/-6 µm.
	if got := text(edit(`{"nominal":"12 mm"}`)); got != "0.006 to 0.035 mm (H7/g6 at 12 mm, ISO 286)" {
		t.Errorf("fit at another size: %q", got)
	}
	if got := text(edit(`{"target":null}`)); got != thousandth {
		t.Errorf("back to the template's: %q, want %q", got, thousandth)
	}
}

func TestOneOfManyEqualJointSetsIsMade(t *testing.T) {
	t.Parallel()
	w, _ := hinges(t)
	orders := [][]string{{"c", "a", "b"}, {"b", "c", "a"}, {"a", "b", "c"}, {"c", "b", "a"}}
	answers := make(chan *response, len(orders))
	for _, positions := range orders {
		go func() {
			answers <- w.do("POST", w.at("vehicles/saloon/joints"), w.officer, map[string]any{"template": "shackle", "positions": positions, "nominal": "14 mm"})
		}()
	}
	made := 0
	for range orders {
		switch a := <-answers; a.status {
		case 201:
			made++
		case 409:
			a.wantProblem("name-taken")
		default:
			t.Errorf("%d %s", a.status, a.body)
		}
	}
	if list := w.do("GET", w.at("vehicles/saloon/joints"), w.officer, nil).want(200); made != 1 || list.get("items", 2) == nil || list.get("items", 3) != nil {
		t.Errorf("%d sets made: %s", made, list.body)
	}
}
