package api_test

import (
	"testing"
	"time"
)

// wagon makes a vehicle in the garage north with door hinges at these positions.
func wagon(w *world, positions ...string) {
	w.t.Helper()
	w.do("POST", w.at("garages"), w.officer, row{"code": "north", "name": "North yard", "time_zone": "Europe/Lisbon"}).want(201)
	w.do("POST", w.at("vehicles"), w.officer, row{"code": "wrenfield", "name": "Wrenfield", "garage": "north"}).want(201)
	w.do("POST", w.at("vehicles/wrenfield/joints"), w.officer, row{"template": "door-hinge", "positions": positions, "nominal": "8 mm"}).want(201)
}

// repairOf begins a repair of these joints of the wagon.
func repairOf(w *world, procedure string, positions ...string) *response {
	w.t.Helper()
	return w.do("POST", w.at("repairs"), w.as("member"), row{"vehicle": "wrenfield", "joints": positions, "procedure": procedure})
}

func TestARepairBeginsWithTheStepsOfItsEdition(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	wagon(w, "upper", "lower")
	made := repairOf(w, "door-hinge", "upper", "lower").want(201)
	steps := 0
	for _, s := range w.do("GET", w.at("procedures/door-hinge"), w.officer, nil).want(200).get("steps").([]any) {
		if steps++; s.(map[string]any)["per"] == "joint" {
			steps++
		}
	}
	if made.str("number") != "R1" || made.num("steps_total") != float64(steps) || made.num("steps_closed") != 0 || made.str("garage") != "north" || made.get("safety") != false ||
		made.str("joints", 0, "position") != "lower" || made.str("do_next", 0, "text") != "Begin protect: Protect and support." {
		t.Errorf("made %s", made.body)
	}
	for _, name := range []string{"R1", "r1", made.str("id")} {
		if got := w.do("GET", w.at("repairs/"+name), w.as("auditor"), nil).want(200); string(got.body) != string(made.body) {
			t.Errorf("kept %s\nanswered %s", got.body, made.body)
		}
	}
	list := w.do("GET", w.at("repairs/R1/steps"), w.officer, nil).want(200)
	if list.str("items", 0, "ref") != "protect" || list.get("items", 0, "ready") != true || list.str("items", 2, "ref") != "pull:lower" || list.str("items", 2, "waits_for", 0) != "penetrant" ||
		list.str("items", 0, "cautions", 0, "code") != "door_weight" {
		t.Errorf("steps %s", list.body)
	}

	// A joint is in one open repair at most; numbers go up.
	repairOf(w, "door-hinge", "lower").want(409).wantProblem("not-allowed-now")
	w.do("POST", w.at("vehicles/wrenfield/joints"), w.officer, row{"template": "pedal-pivot", "positions": []string{"clutch"}, "nominal": "12 mm"}).want(201)
	pedal := repairOf(w, "pedal-pivot", "clutch").want(201)
	if pedal.str("number") != "R2" || pedal.get("safety") != true || pedal.str("warnings", 0, "code") != "advice_not_approval" {
		t.Errorf("a pedal: %s", pedal.body)
	}
	page := w.do("GET", w.at("repairs?vehicle=wrenfield&garage=north&state=open&limit=1"), w.officer, nil).want(200)
	if page.str("items", 0, "number") != "R2" {
		t.Errorf("newest first: %s", page.body)
	}
	next := w.do("GET", w.at("repairs?vehicle=wrenfield&garage=north&state=open&limit=1&cursor="+page.str("next")), w.officer, nil).want(200)
	if next.str("items", 0, "number") != "R1" || next.get("next") != nil {
		t.Errorf("the next page: %s", next.body)
	}
	w.do("GET", w.at("repairs?vehicle=nothing"), w.officer, nil).want(422).wantFault("?vehicle")
	w.do("GET", w.at("repairs?garage=nothing"), w.officer, nil).want(422).wantFault("?garage")
}

func TestWhatARepairCannotBeginWith(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	wagon(w, "upper", "lower")
	w.do("POST", w.at("vehicles"), w.officer, row{"code": "hollin", "name": "Hollin"}).want(201)
	w.do("POST", w.at("vehicles/hollin/joints"), w.officer, row{"template": "door-hinge", "positions": []string{"upper", "bonnet"}, "nominal": "8 mm"}).want(201)
	try := func(body row) *response {
		t.Helper()
		return w.do("POST", w.at("repairs"), w.as("member"), body)
	}
	try(row{"joints": []string{"upper"}, "procedure": "door-hinge"}).want(422).wantProblem("ambiguous-name")
	try(row{"joints": []string{"lower", "bonnet"}, "procedure": "door-hinge"}).want(422).wantFault("/joints/1")
	try(row{"joints": []string{"nothing"}, "procedure": "door-hinge"}).want(422).wantFault("/joints/0")
	try(row{"joints": []string{"lower"}, "procedure": "nothing"}).want(422).wantFault("/procedure")
	try(row{"joints": []string{"bonnet"}, "procedure": "door-hinge"}).want(422).wantFault("/garage")
	try(row{"joints": []string{"bonnet"}, "procedure": "door-hinge", "garage": "nothing"}).want(422).wantFault("/garage")
	try(row{"joints": []string{"lower"}, "procedure": "door-hinge", "lead": "nothing"}).want(422).wantFault("/lead")
	try(row{"joints": []string{"lower"}, "procedure": "door-hinge", "occurred_at": w.clock.now().Add(time.Hour)}).want(422).wantFault("/occurred_at")
	try(row{"joints": []string{"lower"}, "procedure": "door-hinge", "occurred_at": w.clock.now().Add(-31 * 24 * time.Hour)}).want(422).wantFault("/occurred_at")
	w.do("POST", w.at("procedures/door-hinge/retire"), w.officer, nil).want(200)
	try(row{"joints": []string{"lower"}, "procedure": "door-hinge"}).want(422).wantFault("/procedure")
	if made := try(row{"joints": []string{"bonnet"}, "procedure": "pedal-pivot", "garage": "north", "lead": "M1"}).want(201); made.str("garage") != "north" || made.get("lead_id") != w.club.OfficerID.String() {
		t.Errorf("made %s", made.body)
	}
}

func TestAProcedureIsWrittenCopiedAndEdited(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	keeper := w.as("tool_keeper")
	make := func(body row) *response { t.Helper(); return w.do("POST", w.at("procedures"), keeper, body) }
	copied := make(row{"code": "ours", "shipped": "door-hinge", "name": "Our hinges"}).want(201)
	shipped := w.do("GET", w.at("procedures/door-hinge"), w.as("member"), nil).want(200)
	if copied.str("name") != "Our hinges" || copied.str("kind_of_joint") != shipped.str("kind_of_joint") || copied.num("edition") != 1 {
		t.Errorf("copied %s", copied.body)
	}
	make(row{"code": "ours", "shipped": "king-pin"}).want(409).wantProblem("name-taken")
	make(row{"code": "x"}).want(422).wantFault("/name").wantFault("/kind_of_joint").wantFault("/steps")
	step := row{"key": "look", "name": "Look", "phase": "measure", "per": "job", "instructions": []string{"Look."}, "minutes": 5, "closed_by": "anyone"}
	make(row{"code": "x", "shipped": "king-pin", "steps": []row{step}}).want(422).wantFault("/steps")
	make(row{"code": "x", "name": "X", "kind_of_joint": "Y", "steps": []row{step, step}}).want(422).wantFault("/steps/1/key")
	w.do("POST", w.at("procedures"), w.as("member"), row{"code": "x", "shipped": "king-pin"}).want(403).wantProblem("missing-role")

	edit := func(body row) *response {
		t.Helper()
		return w.do("POST", w.at("procedures/ours/editions"), keeper, body)
	}
	edited := edit(row{"from_edition": 1, "steps": []row{step}, "note": "Just look"}).want(201)
	if edited.num("edition") != 2 || edited.str("note") != "Just look" {
		t.Errorf("edited %s", edited.body)
	}
	edit(row{"from_edition": 1, "steps": []row{step}}).want(409).wantProblem("not-allowed-now")
	edit(row{"steps": []row{step}}).want(422).wantFault("/from_edition")
	edit(row{"from_edition": 2, "steps": []row{step, step}}).want(422).wantFault("/steps/1/key")
	if got := w.do("GET", w.at("procedures/ours"), keeper, nil).want(200); got.num("edition") != 2 || len(got.get("steps").([]any)) != 1 {
		t.Errorf("now %s", got.body)
	}
	for _, name := range []string{"2", edited.str("id")} {
		if got := w.do("GET", w.at("procedures/ours/editions/"+name), keeper, nil).want(200); string(got.body) != string(edited.body) {
			t.Errorf("edition %s: %s", name, got.body)
		}
	}
	w.do("GET", w.at("procedures/ours/editions/3"), keeper, nil).want(404)
	w.do("GET", w.at("procedures/door-hinge/editions/"+edited.str("id")), keeper, nil).want(404)
	page := w.do("GET", w.at("procedures/ours/editions?limit=1"), keeper, nil).want(200)
	first := w.do("GET", w.at("procedures/ours/editions?limit=1&cursor="+page.str("next")), keeper, nil).want(200)
	if page.num("items", 0, "edition") != 2 || first.num("items", 0, "edition") != 1 || len(first.get("items", 0, "steps").([]any)) != len(shipped.get("steps").([]any)) {
		t.Errorf("editions %s\n%s", page.body, first.body)
	}

	w.do("POST", w.at("procedures/ours/bring-back"), keeper, nil).want(409).wantProblem("not-allowed-now")
	w.do("POST", w.at("procedures/ours/retire"), keeper, nil).want(200)
	w.do("POST", w.at("procedures/ours/retire"), keeper, nil).want(409).wantProblem("not-allowed-now")
	if got := w.do("GET", w.at("procedures?retired=true"), keeper, nil).want(200); got.str("items", 0, "code") != "ours" {
		t.Errorf("retired %s", got.body)
	}
	if got := w.do("GET", w.at("procedures"), keeper, nil).want(200); len(got.get("items").([]any)) != 4 {
		t.Errorf("in use %s", got.body)
	}
	w.do("POST", w.at("procedures/ours/bring-back"), keeper, nil).want(200)
}
