package api_test

import (
	"fmt"
	"math"
	"strings"
	"testing"
)

// aClubsHinges are vehicles whose upper hinges were read, belled and oval beyond
// the default.
func aClubsHinges(w *world, vehicles int) {
	w.t.Helper()
	for v := range vehicles {
		code := fmt.Sprint("saloon-", v)
		w.do("POST", w.at("vehicles"), w.officer, map[string]any{"code": code, "name": "Saloon"}).want(201)
		w.do("POST", w.at("vehicles/"+code+"/joints"), w.officer, map[string]any{"template": "door-hinge", "positions": []string{"left-upper"}, "pin_series": "hinge-314"}).want(201)
		var rows []map[string]any
		for i, r := range []struct {
			mm        float64
			station   string
			direction int
		}{{8.05, "middle", 0}, {8.07, "middle", 90}, {8.11, "mouth_a", 0}, {8.16, "mouth_a", 90}} {
			rows = append(rows, map[string]any{"id": fmt.Sprintf("0192f0c1-2a3b-7c4d-8e5f-%06d%06d", v, i), "vehicle": code, "joint": "left-upper", "value": fmt.Sprintf("%.3f mm", r.mm+0.01*float64(v)),
				"with": "bore_gauge", "station": r.station, "direction": r.direction})
		}
		w.do("POST", w.at("readings"), w.as("member"), map[string]any{"readings": rows}).want(200)
	}
}

func TestWhatAClubsHingesShowIsLearnedAndUsed(t *testing.T) {
	t.Parallel()
	w := hingeSet(t)
	ask := map[string]any{"template": "door-hinge", "shape": "bore"}
	none := w.do("POST", w.at("form-priors"), w.officer, ask).want(201)
	if none.num("features") != 0 || none.num("bell_mouth", "factor") != 1 || none.num("version") != 1 || !strings.Contains(none.str("summary"), "defaults stand") {
		t.Errorf("learned of nothing: %s", none.body)
	}
	feature := featureNamed(t, w, "left-upper", "bore")
	before := w.do("GET", w.at("features/"+feature+"/estimate"), w.as("member"), nil).want(200)
	if before.str("prior", "source") != "default" || before.num("prior", "features") != 0 {
		t.Errorf("prior %v", before.get("prior"))
	}
	aClubsHinges(w, 4)
	p := w.do("POST", w.at("form-priors"), w.officer, ask).want(201)
	if p.num("version") != 2 || p.num("features") != 4 || p.num("readings") != 16 || !(p.num("bell_mouth", "factor") > 1.2) || !(p.num("bell_mouth", "weight") > 0.1) {
		t.Errorf("learned: %s", p.body)
	}
	if low, high := p.num("bell_mouth", "low"), p.num("bell_mouth", "high"); !(low < p.num("bell_mouth", "factor") && p.num("bell_mouth", "factor") < high) {
		t.Errorf("interval %v to %v: %s", low, high, p.body)
	}
	// Nothing changed since: the same version.
	again := w.do("POST", w.at("form-priors"), w.officer, ask).want(200)
	if again.str("id") != p.str("id") {
		t.Errorf("learned twice: %s", again.body)
	}
	after := w.do("GET", w.at("features/"+feature+"/estimate"), w.as("member"), nil).want(200)
	if after.str("prior", "source") != "club_history" || after.str("prior", "form_prior_id") != p.str("id") || after.num("prior", "version") != 2 ||
		after.num("prior", "features") != 4 || after.str("prior", "digest") != p.str("digest") || !strings.Contains(after.str("prior", "text"), "4 features") {
		t.Errorf("prior %v", after.get("prior"))
	}
	if want := 0.015 * p.num("bell_mouth", "factor"); math.Abs(after.num("prior", "bell_mouth", "value")-want) > 1e-4 {
		t.Errorf("bell mouth %v, want %v mm", after.get("prior", "bell_mouth"), want)
	}
	// A reading of another feature changes nothing while the version stands; the
	// version's own position serves before all positions.
	w.do("POST", w.at("readings"), w.as("member"), map[string]any{"vehicle": "saloon-0", "joint": "left-upper", "value": "8.2 mm", "with": "telescoping_gauge"}).want(201)
	unmoved := w.do("GET", w.at("features/"+feature+"/estimate"), w.as("member"), nil).want(200)
	if string(unmoved.body) != string(after.body) {
		t.Errorf("another hinge's reading changed the estimate:\n%s\n%s", after.body, unmoved.body)
	}
	here := w.do("POST", w.at("form-priors"), w.officer, map[string]any{"template": "door-hinge", "shape": "bore", "position": "left-upper"}).want(201)
	rec := w.do("POST", w.at("recommendations"), w.as("member"), map[string]any{"vehicle": "tourer", "joints": []string{"left-upper"}}).want(201)
	if rec.str("priors", 0, "form_prior_id") != here.str("id") {
		t.Errorf("priors %v", rec.get("priors"))
	}
	named := w.do("POST", w.at("recommendations"), w.as("member"), map[string]any{"vehicle": "tourer", "joints": []string{"left-upper"}, "form_priors": []string{p.str("id")}}).want(201)
	if named.str("priors", 0, "form_prior_id") != p.str("id") || named.str("digest") == rec.str("digest") {
		t.Errorf("the version named is not used: %v", named.get("priors"))
	}
	asked := w.do("POST", w.at("recommendations"), w.as("member"), map[string]any{"vehicle": "tourer", "joints": []string{"left-upper"}, "form": practiceForm}).want(201)
	if asked.str("priors", 0, "source") != "asked" {
		t.Errorf("priors %v", asked.get("priors"))
	}
	list := w.do("GET", w.at("form-priors?template=door-hinge"), w.as("member"), nil).want(200)
	if list.str("items", 0, "id") != here.str("id") || list.str("items", 2, "id") != none.str("id") || list.get("items", 3) != nil || list.str("items", 0, "position") != "left-upper" {
		t.Errorf("list %s", list.body)
	}
	one := w.do("GET", w.at("form-priors/"+p.str("id")), w.as("member"), nil).want(200)
	if one.str("digest") != p.str("digest") {
		t.Errorf("%s", one.body)
	}
}

func TestLearningRefusesWhatItCannotUse(t *testing.T) {
	t.Parallel()
	w := hingeSet(t)
	if r := w.do("POST", w.at("form-priors"), w.officer, map[string]any{"template": "gate-hinge", "shape": "bore"}).want(422); r.str("errors", 0, "pointer") != "/template" {
		t.Errorf("%s", r.body)
	}
	w.do("POST", w.at("form-priors"), w.as("member"), map[string]any{"template": "door-hinge", "shape": "bore"}).want(403)
	pins := w.do("POST", w.at("form-priors"), w.officer, map[string]any{"template": "door-hinge", "shape": "pin"}).want(201)
	w.do("POST", w.at("vehicles/tourer/joints"), w.officer, map[string]any{"template": "king-pin", "positions": []string{"left-king-pin"}, "pin_series": "hinge-314"}).want(201)
	for name, at := range map[string]string{"0192f0c1-2a3b-7c4d-8e5f-60718293a4b5": "no such version", pins.str("id"): "another kind"} {
		r := w.do("POST", w.at("recommendations"), w.as("member"), map[string]any{"joints": []string{"left-king-pin"}, "form_priors": []string{name}}).want(422)
		if r.str("errors", 0, "pointer") != "/form_priors/0" || !strings.Contains(r.str("errors", 0, "detail"), at) {
			t.Errorf("%s", r.body)
		}
	}
}
