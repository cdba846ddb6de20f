package api_test

import (
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestAJointHasItsMeansFromItsTemplateUntilItSaysThem(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	features := []any{row{"code": "bore", "shape": "bore", "duty": "running", "nominal": "8 mm"}}
	w.do("POST", w.at("joint-templates"), w.officer, row{"code": "lid", "name": "Lid hinge", "features": features, "guidance": "pilot", "guidance_offset": "8 um",
		"boss": row{"kind": "closed", "diameter": "14 mm", "material": "cast_iron_grey", "hardness": 180}, "access": row{"blind": true, "room_before": "90 mm"}}).want(201)
	shown := w.do("GET", w.at("joint-templates/lid"), w.officer, nil).want(200)
	if shown.str("boss", "diameter", "text") != "14 mm" || shown.str("guidance_offset", "text") != "0.008 mm" || shown.get("access", "blind") != true {
		t.Errorf("template: %s", shown.body)
	}
	w.do("POST", w.at("vehicles"), w.officer, row{"code": "van", "name": "Van"}).want(201)
	w.do("POST", w.at("vehicles/van/joints"), w.officer, row{"template": "lid", "positions": []string{"rear"}}).want(201)
	patch := func(body row) *response {
		return w.do("PATCH", w.at("joints/rear"), w.officer, body, header{"If-Match", "*"})
	}
	own := patch(row{"boss": row{"diameter": "13.5 mm"}, "guidance": "jig", "coating": "30 um", "facts": row{"bent_pin": true, "stepped_pin": true}}).want(200)
	if own.str("boss", "diameter", "text") != "13.5 mm" || own.str("boss", "material") != "cast_iron_grey" || own.str("guidance") != "jig" || own.get("guidance_offset") != nil ||
		own.str("coating", "text") != "0.03 mm" || own.str("access", "room_before", "text") != "90 mm" {
		t.Errorf("own members before the template's, a guidance without its offset: %s", own.body)
	}
	if diff := cmp.Diff(map[string]any{"bent_pin": true, "stepped_pin": true}, own.get("facts")); diff != "" {
		t.Error(diff)
	}
	back := patch(row{"boss": row{"diameter": nil}, "guidance": nil, "coating": nil}).want(200)
	if back.str("boss", "diameter", "text") != "14 mm" || back.str("guidance") != "pilot" || back.str("guidance_offset", "text") != "0.008 mm" || back.get("coating") != nil {
		t.Errorf("back to the template's: %s", back.body)
	}
	patch(row{"boss": row{"diameter": "8 mm"}}).want(422).wantFault("/boss/diameter")
	patch(row{"boss": row{"minimum_wall": "-1 mm"}}).want(422).wantFault("/boss/minimum_wall")
	patch(row{"boss": row{"material": "cheese"}}).want(422).wantFault("/boss/material")
	patch(row{"access": row{"room_beyond": "11 m"}}).want(422).wantFault("/access/room_beyond")
	patch(row{"guidance": "floating", "guidance_offset": "20 um"}).want(422).wantFault("/guidance_offset")
	patch(row{"guidance": "by_eye"}).want(422).wantFault("/guidance")
	patch(row{"coating": "6 mm"}).want(422).wantFault("/coating")
	w.do("POST", w.at("joint-templates"), w.officer, row{"code": "lid-2", "name": "Lid", "features": features, "boss": row{"diameter": "7 mm"}}).want(422).wantFault("/boss/diameter")
}

func TestAReamerIsBuiltInOneWay(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	body := row{"code": "r8", "name": "Reamer", "kind": "reamer", "size": "8 mm",
		"build": row{"flutes": "spiral", "lead": "hand_taper", "expansion": false, "piloted": true, "lead_length": "12 mm", "length": "115 mm"}}
	made := w.do("POST", w.at("tool-models"), w.officer, body).want(201)
	if made.str("build", "flutes") != "spiral" || made.str("build", "lead_length", "text") != "12 mm" || made.get("build", "piloted") != true {
		t.Errorf("made: %s", made.body)
	}
	if edited := w.do("PATCH", w.at("tool-models/r8"), w.officer, row{"name": "Hand reamer"}, header{"If-Match", "*"}).want(200); edited.str("build", "length", "text") != "115 mm" {
		t.Errorf("an edit keeps it: %s", edited.body)
	}
	for pointer, change := range map[string]row{
		"/build/lead_length": {"lead_length": "120 mm", "length": "115 mm"}, "/build/length": {"length": "0 mm"}, "/build/flutes": {"flutes": "wavy"},
	} {
		body["code"], body["build"] = "r9", change
		w.do("POST", w.at("tool-models"), w.officer, body).want(422).wantFault(pointer)
	}
	w.do("POST", w.at("tool-models"), w.officer, row{"code": "d1", "name": "Drift", "kind": "drift", "build": row{"piloted": true}}).want(422).wantFault("/build")
}

func TestHeldAndRunningBoresNeedDifferentReamersOfOneSeries(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	series := func(code string, more row) *response {
		step := row{"code": "standard", "pin": "8 mm", "reamer": "8.02 mm"}
		for k, v := range more {
			step[k] = v
		}
		return w.do("POST", w.at("pin-series"), w.officer, row{"code": code, "name": "Pins", "steps": []any{step}})
	}
	if made := series("a", row{"held_reamer": "7.98 mm"}).want(201); made.str("steps", 0, "held_reamer", "text") != "7.98 mm" {
		t.Errorf("made: %s", made.body)
	}
	if made := series("b", row{"held_reamer": "8.05 mm", "held_surface": "knurled", "held_part_min": "8.1 mm", "held_part_max": "8.15 mm"}).want(201); made.str("steps", 0, "held_surface") != "knurled" {
		t.Errorf("made: %s", made.body)
	}
	series("c", row{"held_reamer": "8.02 mm"}).want(422).wantFault("/steps/0/held_reamer")
	series("d", row{"held_surface": "splined"}).want(422).wantFault("/steps/0/held_part_min")
	series("e", row{"held_part_min": "8.1 mm"}).want(422).wantFault("/steps/0/held_part_min")
	series("f", row{"held_part_min": "8.2 mm", "held_part_max": "8.1 mm"}).want(422).wantFault("/steps/0/held_part_max")
}

// heldHinge is one hinge whose held bore and boss are known, with a held reamer in
// the series.
func heldHinge(t *testing.T) *world {
	t.Helper()
	w := newWorld(t)
	w.do("POST", w.at("garages"), w.officer, workshop).want(201)
	for code, size := range map[string]string{"run-1": "8.10 mm", "held-1": "8.065 mm"} {
		w.do("POST", w.at("tool-models"), w.officer, row{"code": code, "name": "Reamer", "kind": "reamer", "size": size, "build": row{"flutes": "straight", "lead": "hand_taper", "lead_length": "12 mm"}}).want(201)
		w.do("POST", w.at("tools"), w.officer, row{"number": code, "model": code, "garage": "north"}).want(201)
	}
	w.do("POST", w.at("pin-series"), w.officer, row{"code": "p8", "name": "Pins", "steps": []any{
		row{"code": "standard", "pin": "8 mm", "pin_tolerance_lower": "-5 um"},
		row{"code": "oversize_1", "pin": "8.075 mm", "pin_tolerance_lower": "-5 um", "reamer": "8.10 mm", "held_reamer": "8.065 mm"}}}).want(201)
	w.do("POST", w.at("vehicles"), w.officer, row{"code": "van", "name": "Van"}).want(201)
	w.do("POST", w.at("vehicles/van/joints"), w.officer, row{"template": "door-hinge", "positions": []string{"left"}, "pin_series": "p8", "target": row{"clearance_min": "5 um", "clearance_max": "50 um"}}).want(201)
	w.do("PATCH", w.at("joints/left"), w.officer, row{"boss": row{"kind": "closed", "diameter": "16 mm", "material": "steel_mild"}}, header{"If-Match", "*"}).want(200)
	held := featureNamed(t, w, "left", "held_bore")
	for _, station := range []string{"mouth_a", "middle", "mouth_b"} {
		for _, direction := range []int{0, 90} {
			w.do("POST", w.at("readings"), w.officer, row{"joint": "left", "value": "8.045 mm", "with": "bore_gauge", "station": station, "direction": direction, "surface": "bright"}).want(201)
			w.do("POST", w.at("readings"), w.officer, row{"feature": held, "value": "7.99 mm", "with": "bore_gauge", "station": station, "direction": direction, "surface": "bright"}).want(201)
		}
	}
	return w
}

func optionOf(t *testing.T, a *response, kind, step string) map[string]any {
	t.Helper()
	for i := 0; a.get("joints", 0, "options", i) != nil; i++ {
		if a.get("joints", 0, "options", i, "option") == kind && (step == "" || a.get("joints", 0, "options", i, "step") == step) {
			return a.get("joints", 0, "options", i).(map[string]any)
		}
	}
	t.Fatalf("no option %s of %s: %s", kind, step, a.body)
	return nil
}

func against(option map[string]any, code string) bool {
	list, _ := option["against"].([]any)
	for _, r := range list {
		if r.(map[string]any)["code"] == code {
			return true
		}
	}
	return false
}

// Lamé for equal moduli and a solid pin: pressure = interference E (Do² − d²) /
// (2 d Do²); DIN 7190 takes 0.4 of both roughnesses off, here 4.8 µm.
func TestAnOptionTellsItsCutsItsWallAndWhatPressingTakes(t *testing.T) {
	t.Parallel()
	w := heldHinge(t)
	ask := func(more row) *response {
		body := row{"joints": []string{"left"}}
		for k, v := range more {
			body[k] = v
		}
		return w.do("POST", w.at("recommendations"), w.officer, body).want(201)
	}
	a := ask(nil)
	o := optionOf(t, a, "ream_to", "oversize_1")
	if o["open"] != true || a.str("joints", 0, "option") != "ream_to" {
		t.Fatalf("the case is not as meant: %s", a.body)
	}
	if wall := o["wall_left"].(map[string]any)["value"].(float64); math.Abs(wall-(16-8.10)/2) > 1e-3 {
		t.Errorf("wall %v", wall)
	}
	press := o["press"].(map[string]any)
	i := 8.0725 - 8.065 - 0.0048 // mean pin less hole less peaks, mm
	pressure := i * 210000 * (16*16 - 8*8) / (2 * 8 * 16 * 16)
	if got := press["pressure_megapascals"].(float64); math.Abs(got/pressure-1) > 0.02 {
		t.Errorf("pressure %v MPa, want %v", got, pressure)
	}
	if press["probability_loose"].(float64) < 0.01 || press["hand_clamp"] == nil || !strings.Contains(press["text"].(string), "MPa") {
		t.Errorf("press %v", press)
	}
	passes := o["passes"].([]any)
	if len(passes) != 1 || passes[0].(map[string]any)["reamer_model"] != "run-1" {
		t.Errorf("passes %v", passes)
	}
	if build := o["reamer_build"].(map[string]any); build["lead"] != "hand_taper" {
		t.Errorf("build %v", build)
	}
	if g := o["guidance"].(map[string]any); g["kind"] != "floating" {
		t.Errorf("guidance %v", g)
	}
	for _, code := range []string{"pressing", "rotating_tool"} {
		if !hasCode(a, "cautions", code) {
			t.Errorf("no caution %s: %v", code, a.get("cautions"))
		}
	}
	for _, code := range []string{"assumed_reaming_allowance", "assumed_roughness", "assumed_seat_length", "assumed_minimum_wall"} {
		if !hasCode(a, "assumed", code) {
			t.Errorf("%s is not said", code)
		}
	}
	// ISO 286-2 at 11 mm: H7 is 0 to +18 µm; 10 mm would leave the bush less than 1 mm. The bush is turned one to two thousandths
	// over its hole. The finished bore leaves 5 to 50 µm over a pin of 7.995 to 8 mm.
	bush, planned := optionOf(t, a, "bush_back_to_standard", "")["bush"].(map[string]any)
	if !planned {
		t.Fatalf("no bush was planned: %v", a.get("warnings"))
	}
	for name, want := range map[string]float64{"hole_smallest": 11, "hole_largest": 11.018, "outside_smallest": 11.011, "outside_largest": 11.040, "interference_least": 0.011, "interference_most": 0.022, "finished_smallest": 8.005, "finished_largest": 8.045, "wall_left": (16 - 11.018) / 2} {
		if got := bush[name].(map[string]any)["value"].(float64); math.Abs(got-want) > 6e-4 {
			t.Errorf("bush, %s: %v, want %v", name, got, want)
		}
	}
	if most := bush["closes_in_most"].(map[string]any)["value"].(float64); most <= 0 || most > 0.022 {
		t.Errorf("the bush closes in by %v mm: more than nothing, less than its interference", most)
	}
	// Led by a jig the cut reaches further on the worn side and cleans up less surely.
	led := optionOf(t, ask(row{"guidance": "jig", "guidance_offset": "30 um"}), "ream_to", "oversize_1")
	if led["probability_clean_up"].(float64) >= o["probability_clean_up"].(float64) || led["guidance"].(map[string]any)["kind"] != "jig" {
		t.Errorf("led by a jig: %v, floating %v", led["probability_clean_up"], o["probability_clean_up"])
	}
	w.do("POST", w.at("recommendations"), w.officer, row{"joints": []string{"left"}, "guidance": "floating", "guidance_offset": "30 um"}).want(422).wantFault("/guidance_offset")
	w.do("POST", w.at("recommendations"), w.officer, row{"joints": []string{"left"}, "guidance_offset": "6 mm"}).want(422).wantFault("/guidance_offset")
}

// Whoever cuts needs the reamer of the held bore as well.
func TestOffersNameTheReamerOfTheHeldBoreToo(t *testing.T) {
	t.Parallel()
	w := heldHinge(t)
	a := w.do("POST", w.at("recommendations"), w.officer, row{"joints": []string{"left"}}).want(201)
	if a.str("joints", 0, "held_reamer_model") != "held-1" || a.num("joints", 0, "held_holes") != 1 || a.str("joints", 0, "reamer_model") != "run-1" {
		t.Errorf("%s", a.body)
	}
	offers := w.do("GET", a.header.Get("Location")+"/offers", w.officer, nil).want(200)
	if offers.str("tools", 0, "tool_model") != "run-1" || offers.str("tools", 1, "tool_model") != "held-1" || offers.get("tools", 2) != nil {
		t.Errorf("%s", offers.body)
	}
}

func TestThePlaceThePinAndTheMetalCloseWhatTheyMust(t *testing.T) {
	t.Parallel()
	w := heldHinge(t)
	after := func(change row) *response {
		w.do("PATCH", w.at("joints/left"), w.officer, change, header{"If-Match", "*"}).want(200)
		return w.do("POST", w.at("recommendations"), w.officer, row{"joints": []string{"left"}}).want(201)
	}
	if o := optionOf(t, after(row{"access": row{"blind": true}}), "ream_to", "oversize_1"); o["open"] != false || !against(o, "taper_lead_in_blind_bore") {
		t.Errorf("a blind bore: %v", o["against"])
	}
	if o := optionOf(t, after(row{"access": row{"blind": false, "keyway": true}}), "ream_to", "oversize_1"); o["open"] != false || !against(o, "straight_flutes_cross_groove") {
		t.Errorf("a keyway: %v", o["against"])
	}
	if o := optionOf(t, after(row{"access": nil, "boss": row{"diameter": "10 mm"}}), "ream_to", "oversize_1"); o["open"] != false || !against(o, "wall_too_thin") {
		t.Errorf("a wall of less than a seventh: %v", o["against"])
	}
	a := after(row{"boss": row{"diameter": "16 mm", "hardness": 400}})
	if o := optionOf(t, a, "hone_to", "oversize_1"); o["open"] != true || a.str("joints", 0, "option") != "hone_to" || !hasCode(a, "assumed", "assumed_honing") {
		t.Errorf("a hardened bore is honed: %v, chosen %s", o, a.str("joints", 0, "option"))
	}
	if o := optionOf(t, a, "ream_to", "oversize_1"); !against(o, "hardened_bore") {
		t.Errorf("a hardened bore: %v", o["against"])
	}
	a = after(row{"boss": row{"hardness": nil, "kind": "rolled_eye"}})
	if o := optionOf(t, a, "ream_to", "oversize_1"); o["press"] != nil || !against(o, "no_elastic_answer") {
		t.Errorf("a rolled eye: %v, %v", o["press"], o["against"])
	}
	a = after(row{"boss": nil, "coating": "200 um"})
	if o := optionOf(t, a, "ream_to", "oversize_1"); o["probability_clearance"].(float64) > 0.01 || !against(o, "coated") {
		t.Errorf("a coating of 0.2 mm: %v", o)
	}
	a = after(row{"coating": nil, "facts": row{"bent_pin": true}})
	if o := optionOf(t, a, "leave", ""); o["open"] != false || !against(o, "bent_pin") {
		t.Errorf("a bent pin: %v", o["against"])
	}
}

// What is explained ends in the numbers of the answer, is kept, and stands in no
// answer unasked.
func TestARecommendationExplainsItsNumbers(t *testing.T) {
	t.Parallel()
	w := heldHinge(t)
	a := w.do("POST", w.at("recommendations?explain=true"), w.officer, row{"joints": []string{"left"}}).want(201)
	o := optionOf(t, a, a.str("joints", 0, "option"), a.str("joints", 0, "step"))
	result := map[string]float64{}
	steps := 0
	for ; a.get("explanation", steps) != nil; steps++ {
		if v, ok := a.get("explanation", steps, "result", "value").(float64); ok {
			result[a.str("explanation", steps, "result", "symbol")] = v
		}
		if steps > 0 && !strings.HasPrefix(a.str("explanation", 0, "name"), "left: ") {
			t.Errorf("whose it is: %s", a.str("explanation", 0, "name"))
		}
	}
	for symbol, want := range map[string]any{"P_1": o["probability_clean_up"], "P_2": o["probability_clearance"], "P": o["probability_fit"], "P_set": a.get("probability_all"), "F": o["press"].(map[string]any)["force_newtons"]} {
		if got, ok := result[symbol]; !ok || got != want {
			t.Errorf("%s: explained %v, served %v", symbol, got, want)
		}
	}
	at := a.header.Get("Location")
	plain := w.do("GET", at, w.officer, nil).want(200)
	if plain.get("explanation") != nil {
		t.Errorf("explains unasked: %s", plain.body)
	}
	for _, units := range []string{"mm", "in"} {
		kept := w.do("GET", at+"?explain=true&units="+units, w.officer, nil).want(200)
		if diff := cmp.Diff(a.get("explanation"), kept.get("explanation")); diff != "" || kept.str("joints", 0, "passing_size", "median", "unit") != units {
			t.Errorf("in %s (-asked +kept):\n%s", units, diff)
		}
	}
	if list := w.do("GET", w.at("recommendations"), w.officer, nil).want(200); list.get("items", 0, "explanation") != nil {
		t.Error("a list explains")
	}
	w.do("POST", w.at("recommendations?explain=perhaps"), w.officer, row{"joints": []string{"left"}}).want(422)
}

func hasCode(a *response, list, code string) bool {
	for i := 0; a.get(list, i) != nil; i++ {
		if a.get(list, i, "code") == code {
			return true
		}
	}
	return false
}
