package api_test

import "testing"

var roadster = map[string]any{"code": "roadster", "name": "The green roadster", "chassis_number": "TX-4711 / B", "built_year": 1958}

func TestVehicleBelongsToWhoeverEntersIt(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	made := w.do("POST", w.at("vehicles"), w.as("member"), roadster).want(201)
	if me := w.do("GET", w.at("me"), w.as("member"), nil).want(200).str("member", "id"); made.str("member_id") != me {
		t.Errorf("it belongs to %s, not %s", made.str("member_id"), me)
	}
	if made.str("chassis_kind") != "free_text" || made.num("built_year") != 1958 || made.get("warnings") != nil {
		t.Errorf("made %s", made.body)
	}
	if got := w.do("GET", w.at("vehicles/roadster"), w.as("auditor"), nil).want(200); string(got.body) != string(made.body) {
		t.Errorf("got %s", got.body)
	}
	w.do("GET", made.header.Get("Location"), w.officer, nil, header{"If-None-Match", made.header.Get("ETag")}).want(304)

	other := map[string]any{"code": "saloon", "name": "The saloon", "member": "T-member"}
	w.do("POST", w.at("vehicles"), w.as("tool_keeper"), other).want(201)
	other["code"], other["member"] = "estate", "M1"
	w.do("POST", w.at("vehicles"), w.as("member"), other).want(403).wantProblem("missing-role")
	other["member"] = "T-member"
	w.do("POST", w.at("vehicles"), w.as("member"), other).want(201) // oneself, by name
}

func TestVehicleIdentificationNumberIsChecked(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	add := func(code, number string) *response {
		return w.do("POST", w.at("vehicles"), w.officer, map[string]any{"code": code, "name": code, "chassis_number": number})
	}
	// 49 CFR 565.15: seventeen ones have the check digit 1; with another digit there it is refused.
	if vin := add("a", "11111111111111111").want(201); vin.str("chassis_kind") != "vin" || vin.get("warnings") != nil {
		t.Errorf("a good number: %s", vin.body)
	}
	add("b", "11111111211111111").want(422).wantFault("/chassis_number")
	add("b", "WOO11111111111111").want(422).wantFault("/chassis_number") // O is not used
	// ISO 3779 asks for no check digit: a number from elsewhere is taken, with a warning.
	if vin := add("c", "W1111111111111111").want(201); vin.str("warnings", 0, "code") != "vin_check_digit_disagrees" || vin.str("warnings", 0, "text") == "" {
		t.Errorf("no warning: %s", vin.body)
	}
}

func TestVehicleRefusals(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	key := header{"Idempotency-Key", newID()}
	first := w.do("POST", w.at("vehicles"), w.officer, roadster, key).want(201)
	if again := w.do("POST", w.at("vehicles"), w.officer, roadster, key).want(201); string(again.body) != string(first.body) {
		t.Errorf("the repeat differs: %s", again.body)
	}
	w.do("POST", w.at("vehicles"), w.officer, roadster).want(409).wantProblem("name-taken")
	w.do("POST", w.at("vehicles"), w.as("treasurer"), roadster).want(403).wantProblem("missing-role")
	w.do("GET", w.at("vehicles/nothing"), w.officer, nil).want(404)
	w.do("POST", w.at("vehicles"), w.officer, map[string]any{"code": "x", "name": "x", "garage": "nowhere"}).want(422).wantFault("/garage")
	w.do("POST", w.at("vehicles"), w.officer, map[string]any{"code": "x", "name": "x", "member": "nobody"}).want(422).wantFault("/member")
}

func TestVehicleEdit(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.do("POST", w.at("garages"), w.officer, workshop).want(201)
	tag := w.do("POST", w.at("vehicles"), w.officer, roadster).want(201).header.Get("ETag")
	w.do("POST", w.at("vehicles"), w.officer, map[string]any{"code": "saloon", "name": "Saloon"}).want(201)
	change := map[string]any{"garage": "north", "built_year": nil}
	w.do("PATCH", w.at("vehicles/roadster"), w.officer, change).want(428)
	w.do("PATCH", w.at("vehicles/roadster"), w.as("auditor"), change, header{"If-Match", tag}).want(403)
	after := w.do("PATCH", w.at("vehicles/roadster"), w.as("member"), change, header{"If-Match", tag}).want(200)
	if after.get("built_year") != nil || after.str("garage_id") == "" || after.str("chassis_number") != "TX-4711 / B" {
		t.Errorf("after: %s", after.body)
	}
	if stale := w.do("PATCH", w.at("vehicles/roadster"), w.officer, change, header{"If-Match", tag}).want(412); stale.str("current", "garage_id") == "" {
		t.Errorf("the stale edit is not shown what is: %s", stale.body)
	}
	w.do("PATCH", w.at("vehicles/roadster"), w.officer, map[string]any{"code": "saloon"}, header{"If-Match", "*"}).want(409).wantProblem("name-taken")
	w.do("PATCH", w.at("vehicles/roadster"), w.officer, map[string]any{"garage": "nowhere"}, header{"If-Match", "*"}).want(422).wantFault("/garage")
	w.do("PATCH", w.at("vehicles/roadster"), w.officer, map[string]any{"chassis_number": "11111111211111111"}, header{"If-Match", "*"}).want(422).wantFault("/chassis_number")
	w.do("PATCH", w.at("vehicles/nothing"), w.officer, change, header{"If-Match", "*"}).want(404)
	bare := w.do("PATCH", w.at("vehicles/roadster"), w.officer, map[string]any{"garage": nil, "chassis_number": nil}, header{"If-Match", "*"}).want(200)
	if bare.get("garage_id") != nil || bare.get("chassis_number") != nil || bare.get("chassis_kind") != nil {
		t.Errorf("null deleted nothing: %s", bare.body)
	}
	list := w.do("GET", w.at("vehicles?limit=1"), w.officer, nil).want(200)
	next := w.do("GET", w.at("vehicles?limit=1&cursor="+list.str("next")), w.officer, nil).want(200)
	if list.str("items", 0, "code") != "roadster" || next.str("items", 0, "code") != "saloon" {
		t.Errorf("pages: %s\n%s", list.body, next.body)
	}
}
