package api_test

import (
	"testing"
)

var workshop = map[string]any{"code": "north", "name": "North Yard", "time_zone": "Europe/Lisbon"}

func TestGarageIsCreatedWithDefaultsAndFoundByCode(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	made := w.do("POST", w.at("garages"), w.officer, workshop).want(201)
	if made.str("opens") != "08:00" || made.str("closes") != "20:00" {
		t.Errorf("default hours are %s to %s", made.str("opens"), made.str("closes"))
	}
	byCode := w.do("GET", w.at("garages/north"), w.as("member"), nil).want(200)
	byAddress := w.do("GET", made.header.Get("Location"), w.as("member"), nil).want(200)
	if string(byCode.body) != string(made.body) || string(byAddress.body) != string(made.body) {
		t.Errorf("made %s\nby code %s\nby address %s", made.body, byCode.body, byAddress.body)
	}
	w.do("GET", w.at("garages/north"), w.officer, nil, header{"If-None-Match", byCode.header.Get("ETag")}).want(304)
}

func TestGarageRefusals(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.do("POST", w.at("garages"), w.officer, workshop).want(201)
	w.do("POST", w.at("garages"), w.officer, workshop).want(409).wantProblem("name-taken")
	w.do("POST", w.at("garages"), w.as("member"), workshop).want(403).wantProblem("missing-role")
	w.do("POST", w.at("garages"), "", workshop).want(401).wantProblem("unauthenticated")
	w.do("POST", w.at("garages"), w.officer, workshop, header{"Idempotency-Key", ""}).want(400).wantProblem("key-missing")
	w.do("POST", w.at("garages"), w.officer, workshop, header{"Content-Type", "text/plain"}).want(415).wantProblem("unsupported-media-type")
	w.do("GET", w.at("garages/nowhere"), w.officer, nil).want(404).wantProblem("not-found")
	many := w.do("POST", w.at("garages"), w.officer, map[string]any{"code": "a b", "nmae": "x", "time_zone": 3}).want(422)
	for _, at := range []string{"/code", "/nmae", "/name", "/time_zone"} {
		many.wantFault(at)
	}
	for _, zone := range []string{"Mars/Base", "MET", "Local"} {
		w.do("POST", w.at("garages"), w.officer, map[string]any{"code": "x", "name": "x", "time_zone": zone, "opens": "12:00", "closes": "11:00"}).
			want(422).wantFault("/time_zone").wantFault("/closes")
	}
	w.do("POST", w.at("garages"), w.officer, raw(`{"code":"x","code":"y","name":"x","time_zone":"UTC"}`)).want(400).wantProblem("malformed-request")
	w.do("POST", w.at("garages"), w.officer, raw(`{"code":"x","name":"x","time_zone":"UTC"} {}`)).want(400).wantProblem("malformed-request")
	w.do("POST", w.at("garages"), w.officer, raw(`{"code":"x","name":"x\u0000","time_zone":"UTC"}`)).want(400).wantProblem("malformed-request")
	w.do("GET", w.at("garages?colour=red"), w.officer, nil).want(422).wantFault("?colour")
}

func TestGarageEditNeedsTheVersionItWasMadeFrom(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	tag := w.do("POST", w.at("garages"), w.officer, workshop).want(201).header.Get("ETag")
	change := map[string]any{"name": "North Yard Two", "address": "behind the mill"}
	w.do("PATCH", w.at("garages/north"), w.officer, change).want(428).wantProblem("precondition-required")
	after := w.do("PATCH", w.at("garages/north"), w.officer, change, header{"If-Match", tag}).want(200)
	stale := w.do("PATCH", w.at("garages/north"), w.officer, change, header{"If-Match", tag}).want(412).wantProblem("stale-version")
	if stale.str("current", "name") != "North Yard Two" {
		t.Errorf("a stale edit is not shown the current body: %s", stale.body)
	}
	cleared := w.do("PATCH", w.at("garages/north"), w.officer, raw(`{"address":null}`), header{"If-Match", after.header.Get("ETag")}).want(200)
	if cleared.get("address") != nil {
		t.Errorf("null did not delete the address: %s", cleared.body)
	}
	w.do("PATCH", w.at("garages/north"), w.officer, raw(`{"name":null}`), header{"If-Match", "*"}).want(422).wantFault("/name")
}

func TestGarageIsCreatedOnceHoweverOftenItIsSent(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	key := header{"Idempotency-Key", newID()}
	first := w.do("POST", w.at("garages"), w.officer, workshop, key).want(201)
	again := w.do("POST", w.at("garages"), w.officer, workshop, key).want(201)
	if string(first.body) != string(again.body) || first.header.Get("ETag") != again.header.Get("ETag") || first.header.Get("Location") != again.header.Get("Location") {
		t.Errorf("the replay differs:\n%s\n%s", first.body, again.body)
	}
	if first.header.Get("Idempotency-Replayed") != "" || again.header.Get("Idempotency-Replayed") != "true" {
		t.Error("the replay is not marked, or the first answer is")
	}
	other := map[string]any{"code": "south", "name": "South Yard", "time_zone": "UTC"}
	w.do("POST", w.at("garages"), w.officer, other, key).want(422).wantProblem("key-reused")
	w.do("POST", w.at("garages"), w.officer, other, header{"Idempotency-Key", "0190a1b2-0000-7000-8000-000000000000"}).want(422).wantProblem("key-too-old")
	w.do("POST", w.at("garages"), w.officer, other, header{"Idempotency-Key", "1"}).want(422).wantFault("Idempotency-Key:")
}

func TestGarageListPagesByCode(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	for _, code := range []string{"c", "a", "b"} {
		w.do("POST", w.at("garages"), w.officer, map[string]any{"code": code, "name": code, "time_zone": "UTC"}).want(201)
	}
	first := w.do("GET", w.at("garages?limit=2"), w.officer, nil).want(200)
	if first.str("items", 0, "code") != "a" || first.str("items", 1, "code") != "b" || first.header.Get("Link") == "" {
		t.Fatalf("first page: %s", first.body)
	}
	second := w.do("GET", w.at("garages?limit=2&cursor="+first.str("next")), w.officer, nil).want(200)
	if second.str("items", 0, "code") != "c" || second.get("next") != nil {
		t.Fatalf("second page: %s", second.body)
	}
	w.do("GET", w.at("members?cursor="+first.str("next")), w.officer, nil).want(422).wantFault("?cursor")
}
