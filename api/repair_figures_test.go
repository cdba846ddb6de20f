package api_test

import (
	"math"
	"strings"
	"testing"
)

// figureOf is the figure of that code of a step of R1.
func figureOf(w *world, step, code, query string) map[string]any {
	w.t.Helper()
	got := w.do("GET", w.at("repairs/R1/steps/"+step+query), w.as("member"), nil).want(200)
	list, _ := got.get("figures").([]any)
	for _, f := range list {
		if f := f.(map[string]any); f["code"] == code {
			return f
		}
	}
	w.t.Fatalf("%s has no figure %s: %s", step, code, got.body)
	return nil
}

func figureSize(f map[string]any, name string) float64 {
	for _, s := range f["sizes"].([]any) {
		if s := s.(map[string]any); s["name"] == name {
			return s["size"].(map[string]any)["value"].(float64)
		}
	}
	return math.NaN()
}

func figureNumber(f map[string]any, name string) float64 {
	for _, n := range f["numbers"].([]any) {
		if n := n.(map[string]any); n["name"] == name {
			return n["value"].(float64)
		}
	}
	return math.NaN()
}

// A template with lengths: a pin of 8 mm and 70 mm in a running bore of 40 mm and two held
// ends of 10 mm.
func TestFiguresOfAJointAreWorkedOut(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.hinges()
	w.do("POST", w.at("joint-templates"), w.officer, row{"code": "long-hinge", "name": "Long hinge", "target": row{"thousandth": true}, "boss": row{"diameter": "16 mm", "material": "steel_mild"}, "features": []row{
		{"code": "bore", "shape": "bore", "duty": "running", "length": "40 mm"}, {"code": "low_end", "shape": "bore", "duty": "held", "length": "10 mm"},
		{"code": "high_end", "shape": "bore", "duty": "held", "length": "10 mm"}, {"code": "pin", "shape": "pin", "duty": "held", "length": "70 mm"}}}).want(201)
	w.do("POST", w.at("vehicles/tourer/joints"), w.officer, row{"template": "long-hinge", "positions": []string{"boot"}, "nominal": "8 mm", "pin_series": "hinge-314"}).want(201)
	made := w.do("POST", w.at("repairs"), w.as("member"), row{"vehicle": "tourer", "joints": []string{"boot"}, "procedure": "door-hinge", "garage": "north"}).want(201)

	// By hand: it stands out (70-60)/2 = 5 mm, less half a millimetre; the follower 8 - 3 % down to a tenth, 60 + 10 mm long (package driver).
	drivers := figureOf(w, "pull", "driver", "?units=mm")
	if figureSize(drivers, "start_diameter") != 8 || figureSize(drivers, "follow_diameter") != 7.7 || figureSize(drivers, "follow_length") != 70 || figureNumber(drivers, "follow_bears") != 12600 {
		t.Errorf("drivers %v", drivers)
	}
	if travel := figureOf(w, "pull", "screw_travel", "?units=mm"); figureSize(travel, "screw_travel") != 4.5 || figureSize(travel, "travel") != 65 || !strings.Contains(travel["text"].(string), "4.5 mm") {
		t.Errorf("screw travel %v", travel)
	}
	if inches := figureOf(w, "pull", "screw_travel", "?units=in"); math.Abs(figureSize(inches, "screw_travel")-4.5/25.4) > 1e-6 || !strings.Contains(inches["text"].(string), "0.1772 in") {
		t.Errorf("in inches %v", inches)
	}
	if duties := figureOf(w, "ream", "held_and_running", ""); !strings.Contains(duties["text"].(string), "Held: low_end, high_end") || !strings.Contains(duties["text"].(string), "Runs: bore,") {
		t.Errorf("duties %v", duties)
	}
	for _, code := range []string{"speed", "stock", "cut_size"} {
		if f := figureOf(w, "ream", code, ""); f["missing"] == nil || len(f["sizes"].([]any)) != 0 {
			t.Errorf("%s before anything is decided: %v", code, f)
		}
	}

	// Worn so that a step of the series has to be cut.
	for _, station := range []string{"mouth_a", "middle", "mouth_b"} {
		for _, size := range []string{"8.09 mm", "8.1 mm"} {
			w.do("POST", w.at("readings"), w.as("member"), row{"vehicle": "tourer", "joint": "boot", "value": size, "with": "inside_micrometer", "station": station, "stage": "cleaned", "surface": "bright"}).want(201)
		}
	}
	rec := w.do("POST", w.at("recommendations?units=in"), w.as("member"), row{"vehicle": "tourer", "joints": []string{"boot"}}).want(201)
	if rec.str("joints", 0, "option") != "ream_to" {
		t.Fatalf("recommended %v %v", rec.get("joints", 0, "option"), rec.get("summary"))
	}
	w.do("PATCH", w.at("repairs/R1"), w.as("member"), row{"recommendation": rec.str("id")}, header{"If-Match", made.header.Get("ETag")}).want(200)
	reamer := rec.num("joints", 0, "reamer", "value") * 25.4 // kept in inches, shown in millimetres
	if cut := figureOf(w, "ream", "cut_size", "?units=mm"); math.Abs(figureSize(cut, "cut_size")-reamer) > 1e-4 {
		t.Errorf("cut size %v, want %v", cut, reamer)
	}
	// n = 1000 v / (π d) (any handbook); the table's row of the material is held in package reaming.
	speed := figureOf(w, "ream", "speed", "")
	if n := figureNumber(speed, "spindle_most"); !(n > 1000*5/(math.Pi*reamer) && n < 1000*40/(math.Pi*reamer)) {
		t.Errorf("spindle speed %v of a reamer of %v mm", n, reamer)
	}
	play, told := figureOf(w, "verify", "play", "?units=mm"), rec.num("joints", 0, "clearance", "median", "value")*25.4
	if math.Abs(figureSize(play, "clearance")-told) > 1e-3 {
		t.Errorf("play %v, want %v", play, told)
	}
	if stock := figureOf(w, "ream", "stock", "?units=mm"); !(figureSize(stock, "stock") > 0) {
		t.Errorf("stock %v", stock)
	}
	press := figureOf(w, "press", "press", "")
	for _, o := range rec.get("joints", 0, "options").([]any) {
		o := o.(map[string]any)
		if o["option"] != "ream_to" || o["step"] != rec.str("joints", 0, "step") || o["press"] == nil {
			continue
		}
		of := o["press"].(map[string]any)
		if figureNumber(press, "force") != math.Round(of["force_newtons"].(float64)) || strings.Contains(press["text"].(string), "by hand is enough") != of["hand_clamp"].(bool) {
			t.Errorf("press %v, want %v", press, of)
		}
	}
	if len(press["numbers"].([]any)) == 0 && press["missing"] == nil {
		t.Errorf("press tells neither a force nor what is missing: %v", press)
	}
}
