package api_test

import "testing"

// ladder is an invented series of hinge pins with its matched reamers.
var ladder = map[string]any{"code": "hinge-8", "name": "Hinge pins, 8 mm", "supplier": "Invented Pins", "delivery_days": []int{4, 6, 9}, "steps": []any{
	map[string]any{"code": "standard", "pin": "8 mm"},
	map[string]any{"code": "over-1", "pin": map[string]any{"value": 0.318, "unit": "in"}, "reamer": "0.319 in", "pin_tolerance_lower": "-0.0002 in", "pin_tolerance_upper": "0.0001 in",
		"price": map[string]any{"minor": 450}, "lead_days": 5},
}}

func TestPinSeriesIsKeptWithItsSteps(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	made := w.do("POST", w.at("pin-series"), w.as("member"), ladder).want(201)
	got := w.do("GET", w.at("pin-series/hinge-8"), w.as("auditor"), nil).want(200)
	if string(got.body) != string(made.body) || string(w.do("GET", made.header.Get("Location"), w.officer, nil).want(200).body) != string(made.body) {
		t.Errorf("made %s\ngot  %s", made.body, got.body)
	}
	for want, is := range map[string]string{
		"8 mm": got.str("steps", 0, "pin", "text"), "0 mm": got.str("steps", 0, "pin_tolerance_upper", "text"), "-0.0127 mm": got.str("steps", 0, "pin_tolerance_lower", "text"),
		"8.0772 mm": got.str("steps", 1, "pin", "text"), "8.1026 mm": got.str("steps", 1, "reamer", "text"), "-0.00508 mm": got.str("steps", 1, "pin_tolerance_lower", "text"),
		"4.50 EUR": got.str("steps", 1, "price", "text"), "Invented Pins": got.str("supplier"),
	} {
		if is != want {
			t.Errorf("got %q, want %q", is, want)
		}
	}
	w.do("GET", w.at("pin-series/hinge-8"), w.officer, nil, header{"If-None-Match", got.header.Get("ETag")}).want(304)
}

func TestPinSeriesRefusals(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	key := header{"Idempotency-Key", newID()}
	first := w.do("POST", w.at("pin-series"), w.officer, ladder, key).want(201)
	if again := w.do("POST", w.at("pin-series"), w.officer, ladder, key).want(201); string(again.body) != string(first.body) {
		t.Errorf("the repeat differs: %s", again.body)
	}
	w.do("POST", w.at("pin-series"), w.officer, ladder).want(409).wantProblem("name-taken")
	w.do("POST", w.at("pin-series"), w.as("treasurer"), ladder).want(403).wantProblem("missing-role")
	w.do("GET", w.at("pin-series/nothing"), w.officer, nil).want(404)
	w.do("POST", w.at("pin-series"), w.officer, map[string]any{"code": "x", "name": "x", "steps": []any{
		map[string]any{"code": "a", "pin": "8 mm", "price": map[string]any{"minor": 1, "currency": "USD"}},
		map[string]any{"code": "a", "pin": "7 mm", "reamer": "7 mm"},
	}}).want(422).wantFault("/steps/0/price/currency").wantFault("/steps/1/code").wantFault("/steps/1/pin").wantFault("/steps/1/reamer")
}

func TestPinSeriesListPagesByCode(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	for _, code := range []string{"b", "a"} {
		w.do("POST", w.at("pin-series"), w.officer, map[string]any{"code": code, "name": code, "steps": []any{map[string]any{"code": "standard", "pin": "8 mm"}}}).want(201)
	}
	first := w.do("GET", w.at("pin-series?limit=1"), w.officer, nil).want(200)
	second := w.do("GET", w.at("pin-series?limit=1&cursor="+first.str("next")), w.officer, nil).want(200)
	if first.str("items", 0, "code") != "a" || second.str("items", 0, "code") != "b" || second.get("next") != nil {
		t.Errorf("pages: %s\n%s", first.body, second.body)
	}
}
