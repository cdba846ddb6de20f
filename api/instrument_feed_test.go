package api_test

import (
	"slices"
	"testing"
)

// linesOf are the budget's lines of the first reading of an estimate, in millimetres by source.
func linesOf(r *response) map[string]float64 {
	out := map[string]float64{}
	for i := 0; r.get("budgets", 0, "lines", i) != nil; i++ {
		out[r.str("budgets", 0, "lines", i, "source")] = r.num("budgets", 0, "lines", i, "u", "value")
	}
	return out
}

// What the instrument's own study and calibrations say takes the place of what is assumed.
func TestUncertaintyTakesTheInstrumentsStudyAndDrift(t *testing.T) {
	t.Parallel()
	w := newBench(t)
	w.do("POST", w.at("readings"), w.officer, row{"joint": "only", "value": "8.01 mm", "instrument": "C1", "taken_at": "2026-03-01T10:00:00Z"}).want(201)
	list := w.do("GET", w.at("vehicles/coupe/joints"), w.officer, nil).want(200)
	var bore string
	for i := range list.get("items").([]any) {
		if list.str("items", i, "position") == "only" {
			bore = list.str("items", i, "features", 0, "id")
		}
	}
	estimate := func() *response {
		return w.do("GET", w.at("features/"+bore+"/estimate?units=mm"), w.officer, nil).want(200)
	}
	before := estimate()
	if got := linesOf(before); got["repeatability"] != 0.02 || !slices.Contains(codes(before.get("assumed")), "assumed_repeatability") || got["drift"] != 0 {
		t.Fatalf("a caliper nobody studied: %v %v", got, codes(before.get("assumed")))
	}

	// Two people on one part, alike but for 10 µm between them; each repeats to 2 µm.
	study := func(day, second string) {
		w.do("POST", w.at("tools/C1/studies"), w.officer, raw(`{"studied_on":"`+day+`","gauge_study":{"positions_marked":true,"readings":[
			{"person":"A","part":"1","value":"8.000 mm"},{"person":"A","part":"1","value":"8.004 mm"},{"person":"A","part":"1","value":"8.002 mm"},
			{"person":"`+second+`","part":"1","value":"8.010 mm"},{"person":"`+second+`","part":"1","value":"8.014 mm"},{"person":"`+second+`","part":"1","value":"8.012 mm"}]}}`)).want(201)
	}
	study("2026-04-01", "B")
	studied := estimate()
	got := linesOf(studied)
	// By hand: within each person the deviations are -2, 2, 0 µm, so EV = 2 µm; the means differ by
	// 10 µm, so AV² = 50 - 4/3 and AV = 6.976 µm.
	near(t, "repeatability", got["repeatability"], 0.002, 1e-6)
	near(t, "reproducibility", got["reproducibility"], 0.0070, 1e-6)
	if slices.Contains(codes(studied.get("assumed")), "assumed_repeatability") {
		t.Errorf("still assumed: %v", codes(studied.get("assumed")))
	}
	// A newer one counts, an older one that turned up does not: here one person did all of it.
	w.do("POST", w.at("tools/C1/studies"), w.officer, raw(`{"studied_on":"2026-05-01","gauge_study":{"readings":[{"person":"A","part":"1","value":"8.000 mm"},{"person":"A","part":"1","value":"8.010 mm"}]}}`)).want(201)
	study("2025-01-01", "B")
	newest := estimate()
	if got := linesOf(newest); got["reproducibility"] != 0 || !slices.Contains(codes(newest.get("assumed")), "assumed_people_alike") {
		t.Errorf("the newest study: %v %v", got, codes(newest.get("assumed")))
	}
	near(t, "repeatability of the newest", linesOf(newest)["repeatability"], 0.0071, 1e-6) // 10/√2 µm

	calibrate := func(day, deviation string) {
		w.do("POST", w.at("tools/C1/calibrations"), w.officer, row{"calibrated_on": day, "expanded_uncertainty": "4 um", "deviation": deviation}).want(201)
	}
	calibrate("2024-03-01", "0 um")
	one := estimate()
	// Two years of a quarter of the caliper's usual 30 µm, steady and wandering: 7.5·√(4 + 2).
	if got := linesOf(one); got["drift"] < 0.0182 || got["drift"] > 0.0186 || slices.Contains(codes(one.get("assumed")), "assumed_calibration") || !slices.Contains(codes(one.get("assumed")), "assumed_drift") {
		t.Errorf("one calibration: %v", got)
	}
	calibrate("2025-03-01", "10 um")
	drifting := estimate()
	if got := linesOf(drifting); !(got["drift"] > 0.003 && got["drift"] < 0.03) || slices.Contains(codes(drifting.get("assumed")), "assumed_drift") {
		t.Errorf("two calibrations: %v", got)
	}
	// It read 10 µm more each year, so of a reading a year after the last it takes off more than 10.
	moved := one.num("passing_size", "median", "value") - drifting.num("passing_size", "median", "value")
	if !(moved > 0.009) {
		t.Errorf("the drift moved the estimate by %v mm", moved)
	}
	// Calibrations after the reading do not change what it was.
	calibrate("2026-04-01", "-50 um")
	if later := estimate(); later.num("passing_size", "median", "value") != drifting.num("passing_size", "median", "value") {
		t.Errorf("a later calibration moved it to %s", later.str("passing_size", "text"))
	}
}

// Where a gauge is felt to go is taken from its own study.
func TestUncertaintyTakesTheGaugesFeel(t *testing.T) {
	t.Parallel()
	w := newBench(t)
	w.do("POST", w.at("readings"), w.officer, row{"joint": "only", "gauge": "G318", "result": "go"}).want(201)
	list := w.do("GET", w.at("vehicles/coupe/joints"), w.officer, nil).want(200)
	var bore string
	for i := range list.get("items").([]any) {
		if list.str("items", i, "position") == "only" {
			bore = list.str("items", i, "features", 0, "id")
		}
	}
	w.do("POST", w.at("tools/G318/studies"), w.officer, raw(`{"studied_on":"2026-04-01","attribute_study":{"parts":[{"part":"1","size":"8.070 mm"},{"part":"2","size":"8.078 mm"},{"part":"3","size":"8.090 mm"}],
		"decisions":[{"person":"A","part":"1","accepted":false},{"person":"A","part":"1","accepted":false},{"person":"A","part":"2","accepted":true},{"person":"A","part":"2","accepted":false},{"person":"A","part":"3","accepted":true},{"person":"A","part":"3","accepted":true}]}}`)).want(201)
	feel := w.do("GET", w.at("tools/G318/studies"), w.officer, nil).want(200).num("items", 0, "feel") / 1000
	e := w.do("GET", w.at("features/"+bore+"/estimate?units=mm"), w.officer, nil).want(200)
	near(t, "feel", linesOf(e)["feel"], feel, 6e-5)
	if slices.Contains(codes(e.get("assumed")), "assumed_feel") || feel < 0.002 {
		t.Errorf("%v, feel %v", codes(e.get("assumed")), feel)
	}
}
