package api_test

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"slices"
	"strings"
	"testing"
)

// worked is the worked example of a gauge study (AIAG, 4th ed.; the file states its source) as
// a request, its numbers taken as millimetres.
func worked(t *testing.T, more string) string {
	t.Helper()
	raw, err := os.ReadFile("../testdata/gaugestudy/aiag.json")
	if err != nil {
		t.Fatal(err)
	}
	var f struct{ Data map[string][][]float64 }
	if err := json.Unmarshal(raw, &f); err != nil {
		t.Fatal(err)
	}
	var readings []string
	for _, person := range []string{"C", "A", "B"} {
		for part, trials := range f.Data[person] {
			for _, x := range trials {
				readings = append(readings, fmt.Sprintf(`{"person":%q,"part":"%d","value":"%v mm"}`, person, part, x))
			}
		}
	}
	if len(readings) != 90 {
		t.Fatalf("%d readings", len(readings))
	}
	return `{"readings":[` + strings.Join(readings, ",") + `]` + more + `}`
}

// componentOf is the index of a component by its name.
func componentOf(t *testing.T, r *response, model, name string) int {
	t.Helper()
	for i := range 7 {
		if r.get(model, "components", i) != nil && r.str(model, "components", i, "component") == name {
			return i
		}
	}
	t.Fatalf("no component %s in %s", name, model)
	return 0
}

func TestGaugeStudyOfTheWorkedExample(t *testing.T) {
	t.Parallel()
	w := withoutDatabase(t)
	r := w.calc("gauge-study?explain=true", worked(t, `,"positions_marked":true,"tolerance":"6 mm"`)).want(200)
	// Printed: EV 0.199933, AV 0.226838, GRR 0.302373, PV 1.042327, TV 1.085; 27.9 % of the
	// study's variation, 7.8 % of the variance; 4 categories.
	for name, want := range map[string]float64{"repeatability": 0.199933, "people": 0.226838, "gauge": 0.302373, "parts": 1.042327, "total": 1.085} {
		near(t, name, r.num("result", "components", componentOf(t, r, "result", name), "sd"), want, 3e-6+5e-4*float64(strings.Count(name, "total")))
	}
	gauge := componentOf(t, r, "result", "gauge")
	near(t, "%GRR", r.num("result", "components", gauge, "percent_study"), 27.9, 0.05)
	near(t, "contribution", r.num("result", "components", gauge, "percent_contribution"), 7.8, 0.05)
	near(t, "% of tolerance", r.num("result", "components", gauge, "percent_tolerance"), 100*6*0.302373/6, 0.001)
	if r.num("result", "distinct_categories") != 4 || r.get("pooled") != true || r.num("trials") != 3 || r.num("people") != 3 || r.num("parts") != 10 {
		t.Errorf("%s", r.body)
	}
	near(t, "EV with the interaction", r.num("with_interaction", "components", componentOf(t, r, "with_interaction", "repeatability"), "sd"), 0.214435, 1e-6)
	if r.get("explanation", 5, "source") == nil {
		t.Errorf("not explained: %s", r.body)
	}
	inches := w.calc("gauge-study?units=in", worked(t, `,"positions_marked":true`)).want(200)
	near(t, "EV in inches", inches.num("repeatability"), 0.199933/25.4, 1e-7)
	if inches.str("unit") != "in" || inches.str("mean", "unit") != "in" {
		t.Errorf("%s", inches.body)
	}
	ovality := w.calc("gauge-study", worked(t, `,"form_error":"0.2 mm"`)).want(200)
	near(t, "without form error", ovality.num("repeatability"), math.Sqrt(0.199933*0.199933-0.2*0.2/8), 1e-5)
	if !slices.Contains(codesIn(ovality, "remarks"), "form_taken_out") {
		t.Errorf("%v", codesIn(ovality, "remarks"))
	}
}

func codesIn(r *response, list string) []string {
	var out []string
	for i := 0; r.get(list, i) != nil; i++ {
		out = append(out, r.str(list, i, "code"))
	}
	return out
}

func TestGaugeStudyRefuses(t *testing.T) {
	t.Parallel()
	w := withoutDatabase(t)
	missing := strings.Replace(worked(t, ""), `{"person":"B","part":"3","value":"1.03 mm"},`, "", 1)
	w.calc("gauge-study", missing).want(422).wantFault("/readings")
	w.calc("gauge-study", `{"readings":[{"person":"A","part":"1","value":"1 mm"},{"person":"A","part":"1","value":"1 mm"},{"person":"A","part":"2","value":"1 mm"}]}`).want(422).wantFault("/readings")
	w.calc("gauge-study", `{"readings":[{"person":"A","part":"1","value":"1 mm"},{"person":"A","part":"2","value":"1 mm"}]}`).want(422).wantFault("/readings")
	w.calc("gauge-study", worked(t, `,"tolerance":"0 mm"`)).want(422).wantFault("/tolerance")
	w.calc("gauge-study", worked(t, `,"form_error":"-1 mm"`)).want(422).wantFault("/form_error")
	w.calc("gauge-study", worked(t, `,"form_error":"1 mm","positions_marked":true`)).want(422).wantFault("/form_error")
	w.calc("gauge-study", worked(t, `,"confidence":1`)).want(422).wantFault("/confidence")
	alike := w.calc("gauge-study", `{"readings":[{"person":"A","part":"1","value":"1 mm"},{"person":"A","part":"1","value":"1 mm"}]}`).want(200)
	if alike.num("repeatability") != 0 || !slices.Contains(codesIn(alike, "remarks"), "repeats_all_alike") {
		t.Errorf("%s", alike.body)
	}
}

// 42 of 50 parts right every time, 3 of 48 bad ones accepted, 5 of 102 good ones refused:
// person A of the worked example (AIAG, 4th ed., from memory), kappa 0.88.
func TestAttributeStudyOfTheWorkedExample(t *testing.T) {
	t.Parallel()
	w := withoutDatabase(t)
	var parts, decisions []string
	add := func(n int, good bool, trials ...bool) {
		for range n {
			name := len(parts)
			parts = append(parts, fmt.Sprintf(`{"part":"%d","good":%v}`, name, good))
			for _, a := range trials {
				decisions = append(decisions, fmt.Sprintf(`{"person":"A","part":"%d","accepted":%v}`, name, a))
			}
		}
	}
	add(29, true, true, true, true)
	add(5, true, true, false, true)
	add(13, false, false, false, false)
	add(3, false, false, true, false)
	r := w.calc("attribute-study", `{"parts":[`+strings.Join(parts, ",")+`],"decisions":[`+strings.Join(decisions, ",")+`]}`).want(200)
	for name, want := range map[string]float64{"effectiveness": 0.84, "misses": 0.063, "false_alarms": 0.049} {
		near(t, name, r.num("people", 0, name, "share"), want, 0.0006)
	}
	near(t, "kappa", r.num("people", 0, "against_reference", "kappa"), 0.88, 0.005)
	if r.get("all", "blur") != nil || !slices.Contains(codesIn(r, "remarks"), "no_sizes") {
		t.Errorf("%s", r.body)
	}
}

func TestAttributeStudyFindsTheBlur(t *testing.T) {
	t.Parallel()
	w := withoutDatabase(t)
	ask := func(accepted ...string) string {
		var parts, decisions []string
		for j, yes := range accepted {
			parts = append(parts, fmt.Sprintf(`{"part":"%d","size":"9.12%d mm"}`, j, j))
			for k := range yes {
				decisions = append(decisions, fmt.Sprintf(`{"person":"A","part":"%d","accepted":%v}`, j, yes[k] == 'y'))
			}
		}
		return `{"parts":[` + strings.Join(parts, ",") + `],"decisions":[` + strings.Join(decisions, ",") + `]}`
	}
	r := w.calc("attribute-study?explain=true", ask("nnnn", "nnny", "nnyy", "nyyy", "yyyy")).want(200)
	near(t, "where half are accepted", r.num("all", "blur", "half", "value"), 9.122, 1e-4)
	if sd := r.num("all", "blur", "sd"); !(sd > 0.0008 && sd < 0.003) || r.num("all", "blur", "low") >= sd || r.num("all", "blur", "high") <= sd || r.str("zone_seen_from", "text") != "9.1210 mm" {
		t.Errorf("%s", r.body)
	}
	sharp := w.calc("attribute-study", ask("nn", "nn", "yy", "yy")).want(200)
	if sharp.num("all", "blur", "sd") != 0 || sharp.num("all", "blur", "feel") != sharp.num("all", "blur", "high") || !slices.Contains(codesIn(sharp, "remarks"), "never_in_doubt") {
		t.Errorf("%s", sharp.body)
	}
	w.calc("attribute-study", ask("y", "n")).want(200)
	var crowd []string
	for i := range 51 {
		crowd = append(crowd, fmt.Sprintf(`{"person":"%d","part":"1","accepted":true}`, i))
	}
	w.calc("attribute-study", `{"parts":[{"part":"1","good":true}],"decisions":[`+strings.Join(crowd, ",")+`]}`).want(422).wantFault("/decisions")
	w.calc("attribute-study", `{"parts":[{"part":"1","good":true},{"part":"1","good":true}],"decisions":[{"person":"A","part":"1","accepted":true}]}`).want(422).wantFault("/parts/1/part")
	w.calc("attribute-study", `{"parts":[{"part":"1","good":true}],"decisions":[{"person":"A","part":"2","accepted":true}]}`).want(422).wantFault("/parts")
	w.calc("attribute-study", `{"parts":[{"part":"1"}],"decisions":[{"person":"A","part":"1","accepted":true}]}`).want(422).wantFault("/parts")
	w.calc("attribute-study", `{"parts":[{"part":"1","good":true},{"part":"2","good":true}],"decisions":[{"person":"A","part":"1","accepted":true},{"person":"A","part":"2","accepted":true},{"person":"A","part":"2","accepted":true}]}`).want(422).wantFault("/decisions")
}

// JCGM 106, clause 7, and Deaver's worked case of global risk; testdata/conformity states the sources.
func TestConformity(t *testing.T) {
	t.Parallel()
	w := withoutDatabase(t)
	r := w.calc("conformity", `{"lower":"10 mm","upper":"10.015 mm","value":"10.012 mm","u":"2 um"}`).want(200)
	near(t, "probability", r.num("probability_conforming"), 0.9331927977, 1e-6)
	near(t, "accepted to", r.num("accept_to", "value"), 10.011, 1e-9)
	near(t, "proves to", r.num("proves_to", "value"), 10.015-1.6448536*0.002, 6e-5)
	if r.str("decision") != "undecided" || r.get("accepted") != false || r.str("rule") != "guarded_acceptance" || r.get("global_risk") != nil {
		t.Errorf("%s", r.body)
	}
	same := w.calc("conformity", `{"lower":"10 mm","upper":"10.015 mm","value":"10.012 mm","expanded_uncertainty":"4 um","coverage_factor":2}`).want(200)
	near(t, "from U", same.num("probability_conforming"), 0.9331927977, 1e-6)
	global := w.calc("conformity?explain=true&units=mm", `{"lower":"-2 mm","upper":"2 mm","u":"0.25 mm","guard_multiplier":0,"process":{"mean":"0 mm","sd":"1 mm"}}`).want(200)
	near(t, "consumer's risk", global.num("global_risk", "consumer"), 0.008006084834450092, 1e-8)
	near(t, "producer's risk", global.num("global_risk", "producer"), 0.014850884211254906, 1e-7)
	if global.get("decision") != nil || global.str("rule") != "simple_acceptance" {
		t.Errorf("%s", global.body)
	}
	one := w.calc("conformity", `{"upper":"10 mm","value":"9 mm","u":"0.1 mm","process":{"mean":"9 mm","sd":"0.2 mm"}}`).want(200)
	if one.str("decision") != "proved" || one.str("specific_risk", "bears") != "consumer" || one.get("accept_from") != nil {
		t.Errorf("%s", one.body)
	}
	narrow := w.calc("conformity", `{"lower":"10 mm","upper":"10.015 mm","value":"10.0075 mm","u":"5 um"}`).want(200)
	if narrow.get("accept_from") != nil || narrow.get("proves_from") != nil || narrow.get("accepted") != false {
		t.Errorf("%s", narrow.body)
	}
	for body, pointer := range map[string]string{
		`{"value":"10 mm","u":"1 um"}`:                                               "/upper",
		`{"lower":"11 mm","upper":"10 mm","value":"10 mm","u":"1 um"}`:               "/lower",
		`{"upper":"10 mm","value":"10 mm"}`:                                          "/u",
		`{"upper":"10 mm","value":"10 mm","u":"0 um"}`:                               "/u",
		`{"upper":"10 mm","value":"10 mm","u":"1 um","expanded_uncertainty":"1 um"}`: "/u",
		`{"upper":"10 mm","u":"1 um"}`:                                               "/value",
		`{"upper":"10 mm","u":"1 um","process":{"mean":"9 mm","sd":"0 mm"}}`:         "/process/sd",
		`{"upper":"10 mm","value":"10 mm","u":"1 um","risk":0.5}`:                    "/risk",
	} {
		w.calc("conformity", body).want(422).wantFault(pointer)
	}
}

// A published example (NPL): 500.035 mm read at 23.7 degrees with 11.7 millionths per kelvin is
// 500.013 mm at 20 degrees.
func TestTemperature(t *testing.T) {
	t.Parallel()
	w := withoutDatabase(t)
	r := w.calc("temperature?explain=true", `{"length":"500.035 mm","temperature_celsius":23.7,"temperature_u":0.5,"workpiece_expansion":11.7,"instrument_temperature_celsius":20,"instrument_temperature_u":0.5,"instrument_material":"steel"}`).want(200)
	near(t, "at 20", r.num("at_20", "value"), 500.01335, 6e-5)
	near(t, "correction", r.num("correction", "value"), -0.02165, 6e-5)
	// By hand: 500 mm times 0.5 K times 11.7e-6 and 11.5e-6, and 3.7 K times 1e-6 and 0.5 K times 1e-6 twice.
	near(t, "u", r.num("combined_u"), 0.5*math.Hypot(math.Hypot(0.5*11.7e-3, 0.5*11.5e-3), math.Hypot(3.7e-3, 0.5e-3*math.Sqrt2)), 2e-5)
	steel := w.calc("temperature", `{"length":"25 mm","temperature_celsius":30,"workpiece_material":"steel","instrument_temperature_celsius":20}`).want(200)
	near(t, "25 mm of steel at 30", steel.num("correction", "value"), -0.0028747, 6e-5)
	if !slices.Contains(codesIn(steel, "assumed"), "assumed_thermometer") || slices.Contains(codesIn(steel, "assumed"), "assumed_expansion") {
		t.Errorf("%v", codesIn(steel, "assumed"))
	}
	if got := codesIn(w.calc("temperature", `{"length":"25 mm"}`).want(200), "assumed"); len(got) != 4 {
		t.Errorf("%v", got)
	}
	for body, pointer := range map[string]string{
		`{"length":"0 mm"}`: "/length",
		`{"length":"9 mm","instrument_temperature_celsius":20}`:                   "/temperature_celsius",
		`{"length":"9 mm","temperature_u":1}`:                                     "/temperature_u",
		`{"length":"9 mm","workpiece_material":"steel","workpiece_expansion":11}`: "/workpiece_expansion",
		`{"length":"9 mm","instrument_expansion_u":1}`:                            "/instrument_expansion_u",
		`{"length":"9 mm","workpiece_material":"cheese"}`:                         "/workpiece_material",
	} {
		w.calc("temperature", body).want(422).wantFault(pointer)
	}
}

func TestDrift(t *testing.T) {
	t.Parallel()
	w := withoutDatabase(t)
	wearing := `"calibrations":[{"calibrated_on":"2022-01-01","deviation":"0 um","expanded_uncertainty":"0.4 um"},{"calibrated_on":"2023-01-01","deviation":"1 um","expanded_uncertainty":"0.4 um"},{"calibrated_on":"2024-01-01","deviation":"2 um","expanded_uncertainty":"0.4 um"},{"calibrated_on":"2025-01-01","deviation":"3 um","expanded_uncertainty":"0.4 um"}]`
	r := w.calc("drift?explain=true", `{`+wearing+`,"permitted_error":"5 um","on":"2026-01-01"}`).want(200)
	near(t, "a year on", r.num("deviation"), 4, 0.2)
	near(t, "slope", r.num("line", "slope"), 1, 0.01)
	if r.str("next_due_on") <= "2025-06-01" || r.str("next_due_on") >= "2026-06-01" || r.num("u") <= 0.2 || r.num("since_u") >= r.num("u") || r.str("newest_on") != "2025-01-01" {
		t.Errorf("%s", r.body)
	}
	one := w.calc("drift", `{"calibrations":[{"calibrated_on":"2025-01-01","deviation":"1 um","expanded_uncertainty":"1 um"}],"permitted_error":"4 um","on":"2026-01-01"}`).want(200)
	// Prior of 1 µm a year, steady and wandering, on a calibration of 0.5 µm: √(0.25 + 1 + 1).
	near(t, "u of one", one.num("u"), 1.5, 3e-3)
	if one.get("line") != nil || !slices.Contains(codesIn(one, "remarks"), "one_calibration") || !slices.Contains(codesIn(one, "remarks"), "assumed_drift") {
		t.Errorf("%s", one.body)
	}
	for quarter := 1; quarter < 9; quarter++ {
		if one.num("forecast", quarter, "u") <= one.num("forecast", quarter-1, "u") || one.num("forecast", quarter, "probability_inside") >= one.num("forecast", quarter-1, "probability_inside") {
			t.Errorf("doubt does not grow: %s", one.body)
		}
	}
	near(t, "a year on", one.num("forecast", 4, "u"), one.num("u"), 2e-3)
	stated := w.calc("drift", `{`+wearing+`,"permitted_error":"5 um","on":"2026-01-01","prior":{"rate":"2 um","step":"0.1 um"},"reliability":0.99,"corrected":true}`).want(200)
	if slices.Contains(codesIn(stated, "remarks"), "assumed_drift") || stated.num("reliability") != 0.99 {
		t.Errorf("%s", stated.body)
	}
	w.calc("drift", `{`+wearing+`,"permitted_error":"5 um"}`).want(200)
	for body, pointer := range map[string]string{
		`{` + wearing + `,"permitted_error":"0 um"}`:                             "/permitted_error",
		`{` + wearing + `,"permitted_error":"5 um","on":"2024-01-01"}`:           "/on",
		`{` + wearing + `,"permitted_error":"5 um","on":"2200-01-01"}`:           "/on",
		`{` + wearing + `,"permitted_error":"5 um","prior":{"rate":"0 um"}}`:     "/prior/rate",
		`{` + wearing + `,"permitted_error":"5 um","reliability":1}`:             "/reliability",
		strings.Replace(`{`+wearing+`,"permitted_error":"5 um"}`, "0.4", "0", 1): "/calibrations/0/expanded_uncertainty",
	} {
		w.calc("drift", body).want(422).wantFault(pointer)
	}
}
