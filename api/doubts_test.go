package api_test

import (
	"strings"
	"testing"
)

func TestAnOddReadingIsToldAndCounts(t *testing.T) {
	t.Parallel()
	w := hingeSet(t)
	post := func(mm, station string) string {
		return w.do("POST", w.at("readings"), w.as("member"), map[string]any{"joint": "left-upper", "value": mm, "with": "bore_gauge", "station": station}).want(201).str("id")
	}
	post("8.05 mm", "middle")
	post("8.06 mm", "middle")
	post("8.08 mm", "mouth_a")
	post("8.07 mm", "mouth_b")
	feature := featureNamed(t, w, "left-upper", "bore")
	sound := w.do("GET", w.at("features/"+feature+"/estimate"), w.as("member"), nil).want(200)
	if list, there := sound.get("outliers").([]any); !there || len(list) != 0 {
		t.Errorf("sound readings: %s", sound.body)
	}
	odd := post("8.30 mm", "middle")
	for _, r := range []*response{
		w.do("GET", w.at("features/"+feature+"/estimate"), w.as("member"), nil).want(200),
		w.do("POST", w.at("recommendations"), w.as("member"), map[string]any{"joints": []string{"left-upper"}}).want(201),
	} {
		if r.str("outliers", 0, "reading_id") != odd || r.get("outliers", 1) != nil || r.num("outliers", 0, "probability") > r.num("outliers", 0, "threshold") || r.num("outliers", 0, "moves_clean_up_size", "value") < 0.05 {
			t.Errorf("outliers %v", r.get("outliers"))
		}
		warned := false
		for i := 0; r.get("warnings", i) != nil; i++ {
			warned = warned || r.str("warnings", i, "code") == "outlier_reading" && r.str("warnings", i, "params", "reading") == odd
		}
		if !warned || !strings.Contains(string(r.body), odd) {
			t.Errorf("no warning: %v", r.get("warnings"))
		}
	}
	joint := w.do("GET", w.at("joints/left-upper?include=estimates"), w.as("member"), nil).want(200)
	if !strings.Contains(string(joint.body), `"outliers":[{`) {
		t.Errorf("%s", joint.body)
	}
	inches := w.do("GET", w.at("features/"+feature+"/estimate?units=in"), w.as("member"), nil).want(200)
	if inches.str("outliers", 0, "moves_clean_up_size", "unit") != "in" || !strings.Contains(inches.str("outliers", 0, "text"), " in") {
		t.Errorf("outliers in inches: %v", inches.get("outliers"))
	}
}

func TestAContradictionTellsWhatToReadNext(t *testing.T) {
	t.Parallel()
	w := hingeSet(t)
	below := w.do("POST", w.at("readings"), w.as("member"), map[string]any{"joint": "left-upper", "gauge": "0.316 in", "result": "no_go", "end": "a"}).want(201).str("id")
	above := w.do("POST", w.at("readings"), w.as("member"), map[string]any{"joint": "left-upper", "gauge": "0.326 in", "result": "go"}).want(201).str("id")
	for _, r := range []*response{
		w.do("GET", w.at("features/"+featureNamed(t, w, "left-upper", "bore")+"/estimate?units=in"), w.as("member"), nil).want(200),
		w.do("POST", w.at("recommendations?units=in"), w.as("member"), map[string]any{"joints": []string{"left-upper"}}).want(201),
	} {
		pair := r.str("contradictions", 0, "first") + r.str("contradictions", 0, "second")
		if !strings.Contains(pair, below) || !strings.Contains(pair, above) {
			t.Fatalf("contradictions %v", r.get("contradictions"))
		}
		size := r.num("contradictions", 0, "settle", "gauge", "value")
		if r.str("contradictions", 0, "settle", "kind") != "gauge" || size < 0.3155 || size > 0.3265 || r.num("contradictions", 0, "settle", "power") < 0.5 || r.str("contradictions", 0, "settle", "end") == "" {
			t.Errorf("settle %v", r.get("contradictions", 0, "settle"))
		}
		if text := r.str("contradictions", 0, "text"); !strings.Contains(text, "Try a gauge of 0.3") {
			t.Errorf("text %q", text)
		}
	}
}
