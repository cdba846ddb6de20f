package api_test

import (
	"fmt"
	"testing"
)

// kitOf puts a kit together.
func kitOf(w *world, code string, parts ...row) *response {
	w.t.Helper()
	return w.do("POST", w.at("kits"), w.as("tool_keeper"), row{"code": code, "name": "Kit " + code, "parts": parts})
}

func anyOf(model string) row { return row{"tool_model": model} }

func fixed(number string) row { return row{"tool": number} }

func TestAKitTellsItsPartsAndWhetherTheyCanGoOut(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	stock(w)
	w.do("PATCH", w.at("tool-models/R8"), w.officer, raw(`{"parts":3}`), header{"If-Match", "*"}).want(200)
	for _, number := range []string{"R-1", "R-2", "R-3"} {
		addTool(w, number, "R8")
	}
	addTool(w, "G-1", "PG-318")
	made := kitOf(w, "hinge", fixed("R-1"), anyOf("R8"), anyOf("R8"), fixed("G-1")).want(201)
	if got := fmt.Sprint(made.get("contents")); got != "[R-1 any R8 any R8 G-1]" {
		t.Errorf("contents %s", got)
	}
	if made.num("pieces") != 10 || made.get("complete") != true || made.str("summary") != "4 tools, 10 pieces to count when they come back. All are in service." ||
		made.num("parts", 1, "tools_in_service") != 3 || made.get("parts", 1, "tool_id") != nil || made.str("parts", 0, "state") != "in_service" || made.str("parts", 0, "size", "text") != "8 mm" {
		t.Errorf("made %s", made.body)
	}
	same := func(r *response) *response {
		t.Helper()
		if got := w.do("GET", w.at("kits/"+r.str("code")), w.as("member"), nil).want(200); string(got.body) != string(r.body) || r.header.Get("ETag") != "" && got.header.Get("ETag") != r.header.Get("ETag") {
			t.Errorf("kept %s\nanswered %s", got.body, r.body)
		}
		return r
	}
	same(made)
	w.do("GET", made.header.Get("Location"), w.officer, nil, header{"If-None-Match", made.header.Get("ETag")}).want(304)

	// A tool that goes into quarantine is missing; the kit's ETag tells it.
	w.do("PATCH", w.at("tools/R-3"), w.officer, raw(`{"state":"quarantine"}`), header{"If-Match", "*"}).want(200)
	after := w.do("GET", w.at("kits/hinge"), w.officer, nil, header{"If-None-Match", made.header.Get("ETag")}).want(200)
	if after.get("complete") != false || after.get("parts", 1, "in_service") != true || after.get("parts", 2, "in_service") != false ||
		after.str("summary") != "4 tools, 10 pieces to count when they come back. It is not complete: not enough tools of R8 are in service (2)." {
		t.Errorf("with one in quarantine: %s", after.body)
	}
	w.do("PATCH", w.at("tools/R-1"), w.officer, raw(`{"state":"quarantine"}`), header{"If-Match", "*"}).want(200)
	if got := w.do("GET", w.at("kits/hinge"), w.officer, nil).want(200); got.get("parts", 0, "in_service") != false || got.get("parts", 1, "in_service") != true || got.get("parts", 2, "in_service") != false {
		t.Errorf("with two in quarantine: %s", got.body)
	}
}

func TestAKitIsChangedRetiredAndBroughtBack(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	stock(w)
	addTool(w, "R-1", "R8")
	addTool(w, "R-2", "R8")
	for range 5 { // the tool has changed more often than what replaces it
		w.do("PATCH", w.at("tools/R-1"), w.officer, row{"note": newID()}, header{"If-Match", "*"}).want(200)
	}
	made := kitOf(w, "hinge", fixed("R-1")).want(201)
	at, tag, keeper := w.at("kits/hinge"), header{"If-Match", made.header.Get("ETag")}, w.as("tool_keeper")
	w.do("PATCH", at, w.as("member"), row{"name": "x"}, tag).want(403).wantProblem("missing-role")
	w.do("PATCH", at, keeper, row{"name": "x"}).want(428).wantProblem("precondition-required")
	w.do("PATCH", at, keeper, raw(`{"name":null}`), tag).want(422).wantFault("/name")
	w.do("PATCH", at, keeper, row{"parts": []row{}}, tag).want(422).wantFault("/parts")
	w.do("PATCH", at, keeper, row{"parts": []row{fixed("nothing")}}, tag).want(422).wantFault("/parts/0/tool")
	key := header{"Idempotency-Key", newID()}
	change := row{"name": "Hinges", "note": "in the red box", "parts": []row{anyOf("MIC"), anyOf("MIC")}}
	after := w.do("PATCH", at, keeper, change, tag, key).want(200)
	if after.str("name") != "Hinges" || after.str("note") != "in the red box" || fmt.Sprint(after.get("contents")) != "[any MIC any MIC]" || after.num("version") <= made.num("version") {
		t.Errorf("after the edit %s\nbefore %s", after.body, made.body)
	}
	if again := w.do("PATCH", at, keeper, change, tag, key).want(200); string(again.body) != string(after.body) {
		t.Errorf("the replay differs: %s", again.body)
	}
	if stale := w.do("PATCH", at, keeper, change, tag).want(412).wantProblem("stale-version"); stale.str("current", "name") != "Hinges" {
		t.Errorf("a stale edit is shown %s", stale.body)
	}
	if got := w.do("GET", at, keeper, nil).want(200); string(got.body) != string(after.body) || got.header.Get("ETag") != after.header.Get("ETag") {
		t.Errorf("kept %s\nanswered %s", got.body, after.body)
	}
	if bare := w.do("PATCH", at, keeper, raw(`{"note":null}`), header{"If-Match", "*"}).want(200); bare.get("note") != nil || fmt.Sprint(bare.get("contents")) != "[any MIC any MIC]" {
		t.Errorf("null left %s", bare.body)
	}

	count := func(query string, want int) {
		t.Helper()
		if got := w.do("GET", w.at("kits"+query), w.as("auditor"), nil).want(200); len(got.get("items").([]any)) != want {
			t.Errorf("kits%s: %s", query, got.body)
		}
	}
	w.do("POST", at+"/bring-back", keeper, nil).want(409).wantProblem("not-allowed-now")
	w.do("POST", at+"/retire", w.as("member"), nil).want(403)
	gone := w.do("POST", at+"/retire", keeper, nil).want(200)
	if gone.str("retired_at") == "" || gone.str("summary") != "2 tools, 2 pieces to count when they come back. The kit is retired and not lent any more." {
		t.Errorf("retired %s", gone.body)
	}
	w.do("POST", at+"/retire", keeper, nil).want(409).wantProblem("not-allowed-now")
	count("", 0)
	count("?retired=true", 1)
	kitOf(w, "hinge", fixed("R-1")).want(409).wantProblem("name-taken")
	if back := w.do("POST", at+"/bring-back", keeper, nil).want(200); back.get("retired_at") != nil || back.num("version") <= gone.num("version") {
		t.Errorf("brought back %s", back.body)
	}
	count("", 1)
	w.events(map[string]int{"kit.created": 1, "kit.changed": 2, "kit.retired": 1, "kit.brought_back": 1})
}

func TestKitRefusals(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	stock(w)
	addTool(w, "R-1", "R8")
	w.do("PATCH", w.at("tools/"+addTool(w, "R-9", "R8").str("id")), w.officer, raw(`{"state":"retired"}`), header{"If-Match", "*"}).want(200)
	kitOf(w, "k", row{}).want(422).wantFault("/parts/0")
	kitOf(w, "k", row{"tool": "R-1", "tool_model": "R8"}).want(422).wantFault("/parts/0")
	kitOf(w, "k", fixed("R-1"), anyOf("nothing"), fixed("nothing")).want(422).wantFault("/parts/1/tool_model").wantFault("/parts/2/tool")
	kitOf(w, "k", fixed("R-1"), fixed("R-1")).want(422).wantFault("/parts/1/tool")
	kitOf(w, "k", fixed("R-9")).want(422).wantFault("/parts/0/tool")
	kitOf(w, "k").want(422).wantFault("/parts")
	w.do("POST", w.at("kits"), w.as("member"), row{"code": "k", "name": "k", "parts": []row{fixed("R-1")}}).want(403).wantProblem("missing-role")
	w.do("GET", w.at("kits/nothing"), w.officer, nil).want(404).wantProblem("not-found")
	for _, code := range []string{"c", "a", "b"} {
		kitOf(w, code, anyOf("R8"), fixed("R-1")).want(201)
	}
	first := w.do("GET", w.at("kits?limit=2"), w.officer, nil).want(200)
	second := w.do("GET", w.at("kits?limit=2&cursor="+first.str("next")), w.officer, nil).want(200)
	if first.str("items", 0, "code") != "a" || first.str("items", 1, "code") != "b" || second.str("items", 0, "code") != "c" || second.get("next") != nil || fmt.Sprint(second.get("items", 0, "contents")) != "[any R8 R-1]" {
		t.Errorf("pages %s %s", first.body, second.body)
	}
}
