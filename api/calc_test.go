package api_test

import (
	"encoding/json"
	"log/slog"
	"math"
	"strings"
	"testing"

	"pinwright/api"
)

// withoutDatabase is a service that has none: what it serves here must need none.
func withoutDatabase(t testing.TB) *world {
	t.Helper()
	server, err := api.New(api.Options{Log: slog.New(slog.NewJSONHandler(logOf(t), nil))})
	if err != nil {
		t.Fatal(err)
	}
	w := &world{t: t, handler: server.Handler()}
	if w.router, err = contractRouter(); err != nil {
		t.Fatal(err)
	}
	return w
}

// calc asks a calculator; none needs a token.
func (w *world) calc(name string, body string) *response {
	w.t.Helper()
	return w.do("POST", "/v1/calc/"+name, "", raw(body))
}

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s is %v, want %v within %v", what, got, want, within)
	}
}

func TestLimitsOfISO286AreThoseOfItsTables(t *testing.T) {
	t.Parallel()
	w := withoutDatabase(t)
	for _, c := range []struct{ name, size, class, kind, lower, upper, smallest, largest string }{
		// ISO 286-2, tables 6 and 21 as printed in handbooks: 25 H7 is 0 to +21, g6 -20 to -7 micrometres.
		{"hole of 25 mm", "25 mm", "H7", "hole", "0 mm", "0.021 mm", "25 mm", "25.021 mm"},
		{"shaft of 25 mm", "25 mm", "g6", "shaft", "-0.02 mm", "-0.007 mm", "24.98 mm", "24.993 mm"},
		// A step runs up to and including its last size (ISO 286-1, table 1): 30.001 mm is the next.
		{"last size of a step", "30 mm", "H7", "hole", "0 mm", "0.021 mm", "30 mm", "30.021 mm"},
		{"first size of the next", "30.001 mm", "H7", "hole", "0 mm", "0.025 mm", "30.001 mm", "30.026 mm"},
		{"asked in micrometres", "8000 um", "H7", "hole", "0 um", "15 um", "8000 um", "8015 um"},
		// Technical corrigendum 1:2006 of ISO 286-2:1988, table 11: 25 R10 ends at -28 micrometres.
		{"a class by rule", "25 mm", "R10", "hole", "-0.112 mm", "-0.028 mm", "24.888 mm", "24.972 mm"},
	} {
		r := w.calc("limits", `{"size":"`+c.size+`","class":"`+c.class+`"}`).want(200)
		got := []string{r.str("kind"), r.str("lower_deviation", "text"), r.str("upper_deviation", "text"), r.str("smallest", "text"), r.str("largest", "text"), r.str("size", "text")}
		want := []string{c.kind, c.lower, c.upper, c.smallest, c.largest, c.size}
		if strings.Join(got, "|") != strings.Join(want, "|") {
			t.Errorf("%s: %v, want %v", c.name, got, want)
		}
		if r.get("derived") != (c.class == "R10") || !strings.Contains(r.str("source"), "ISO 286") || !strings.Contains(r.str("summary"), c.largest) {
			t.Errorf("%s: %s", c.name, r.body)
		}
	}
	inches := w.calc("limits", `{"size":{"value":1.000,"unit":"in"},"class":"H7"}`).want(200)
	if !strings.Contains(string(inches.body), `"value":1.000}`) {
		t.Errorf("the entered digits were not kept: %s", inches.body)
	}
	near(t, "tolerance of 25.4 H7 in inches", inches.num("tolerance", "value"), 0.021/25.4, 5e-9)
}

func TestFitsAreThoseOfISO286AndB41(t *testing.T) {
	t.Parallel()
	w := withoutDatabase(t)
	for _, c := range []struct{ size, fit, kind, least, most string }{
		// 25 H7/g6 leaves 7 to 41, 25 H7/p6 -35 to -1 micrometres: limits of ISO 286-2.
		{"25 mm", "H7/g6", "clearance", "0.007 mm", "0.041 mm"},
		{"25 mm", "H7/p6", "interference", "-0.035 mm", "-0.001 mm"},
		// Footnote of the preferred fits of ANSI B4.2: up to 3 mm H7/p6 is a transition fit.
		{"3 mm", "H7/p6", "transition", "-0.012 mm", "0.004 mm"},
		// ANSI B4.1-1967, tables of running, force and locational fits, thousandths of an inch:
		// 0.500 RC4 0.6 to 2.3; 1.000 FN2 -1.9 to -0.6; 0.750 LN2 -1.3 to 0.
		{"0.500 in", "RC4", "clearance", "0.0006 in", "0.0023 in"},
		{"1.000 in", "FN2", "interference", "-0.0019 in", "-0.0006 in"},
		{"0.750 in", "LN2", "interference", "-0.0013 in", "0 in"},
		{"500 thou", "RC4", "clearance", "0.6 thou", "2.3 thou"},
	} {
		r := w.calc("fit", `{"size":"`+c.size+`","fit":"`+c.fit+`"}`).want(200)
		if r.str("kind") != c.kind || r.str("clearance_min", "text") != c.least || r.str("clearance_max", "text") != c.most || r.str("fit") != c.fit {
			t.Errorf("%s %s: %s", c.size, c.fit, r.body)
		}
		near(t, c.fit+" least clearance", r.num("hole_smallest", "value")-r.num("shaft_largest", "value"), r.num("clearance_min", "value"), 2e-8)
		near(t, c.fit+" greatest clearance", r.num("hole_largest", "value")-r.num("shaft_smallest", "value"), r.num("clearance_max", "value"), 2e-8)
	}
	rc4 := w.calc("fit", `{"size":"0.5 in","fit":"RC4"}`).want(200)
	for field, want := range map[string]float64{"hole_smallest": 0.5, "hole_largest": 0.501, "shaft_largest": 0.4994, "shaft_smallest": 0.4987} {
		near(t, field, rc4.num(field, "value"), want, 1e-9)
	}
}

// The end gauge of JCGM 100:2008, H.1: contributions 25, 9.7, 2.9 and 16.6 nm
// (the last is 16.675 from unrounded inputs), combined standard uncertainty
// 32 nm, 16 degrees of freedom. The guide goes on with 99 %; k for 95 % and 16 degrees of
// freedom is 2.12 in its table G.2.
func TestBudgetOfTheEndGaugeIsThatOfTheGuide(t *testing.T) {
	t.Parallel()
	w := withoutDatabase(t)
	const length, alpha = 50.000623e6, 11.5e-6 // nm, per kelvin
	body, err := json.Marshal(map[string]any{"inputs": []map[string]any{
		{"name": "standard", "u": 25, "degrees_of_freedom": 18},
		{"name": "comparator repeated", "u": 5.8, "degrees_of_freedom": 24},
		{"name": "comparator random", "u": 3.9, "degrees_of_freedom": 5},
		{"name": "comparator systematic", "u": 6.7, "degrees_of_freedom": 8},
		{"name": "expansion of the standard", "u": 1.2e-6, "sensitivity": 0},
		{"name": "temperature of the bed", "u": 0.41, "sensitivity": 0},
		{"name": "difference of expansion", "u": 0.58e-6, "sensitivity": length * 0.1, "degrees_of_freedom": 50},
		{"name": "difference of temperature", "u": 0.029, "sensitivity": -length * alpha, "degrees_of_freedom": 2},
	}})
	if err != nil {
		t.Fatal(err)
	}
	r := w.calc("uncertainty", string(body)).want(200)
	near(t, "combined u", r.num("combined_u"), 31.7, 0.05)
	near(t, "degrees of freedom", r.num("effective_degrees_of_freedom"), 16, 0)
	near(t, "k", r.num("coverage_factor"), 2.12, 0.005)
	near(t, "U", r.num("expanded"), 67.2, 0.05)
	near(t, "coverage", r.num("coverage_probability"), 0.95, 0)
	for i, want := range []float64{25, 5.8, 3.9, 6.7, 0, 0, 2.9, 16.6} {
		near(t, "contribution "+r.str("budget", i, "source"), r.num("budget", i, "contribution"), want, 0.1)
	}
	if r.get("value") != nil || r.get("unit") != nil {
		t.Errorf("a general budget shows a reading: %s", r.body)
	}
}

func TestUncertaintyOfOneReadingIsToldInItsUnit(t *testing.T) {
	t.Parallel()
	w := withoutDatabase(t)
	plain := w.calc("uncertainty", `{"value":{"value":0.3155,"unit":"in"},"with":"bore_gauge"}`).want(200)
	if plain.str("unit") != "in" || plain.str("value", "unit") != "in" || !strings.HasSuffix(plain.str("text"), " in") {
		t.Errorf("not in inches: %s", plain.body)
	}
	codes := map[string]bool{}
	list, _ := plain.get("assumed").([]any)
	for _, a := range list {
		codes[a.(map[string]any)["code"].(string)] = true
	}
	for _, code := range []string{"assumed_shape", "assumed_calibration", "assumed_repeatability", "assumed_resolution", "assumed_temperature", "assumed_expansion", "assumed_bias"} {
		if !codes[code] {
			t.Errorf("%s is not said: %s", code, plain.body)
		}
	}
	// NPL, frequently asked questions on dimensional measurement: a steel part that reads 500.035 mm at 23.7
	// degrees is 500.013 mm at 20 degrees, with 11.7 millionths per kelvin and an instrument that does not grow.
	warm := w.calc("uncertainty", `{"value":"500.035 mm","with":"micrometer","shape":"pin","temperature_celsius":23.7,"workpiece_expansion":11.7,"instrument_expansion":0}`).want(200)
	near(t, "size at 20 degrees", warm.num("value", "value"), 500.013, 0.0005)
	// A certificate of U = 6 um with k = 2 is a standard uncertainty of 3 um (JCGM 100, 4.3.3), here in mm.
	known := w.calc("uncertainty", `{"value":"9.121 mm","with":"bore_gauge","shape":"bore","resolution":"1 um","repeatability":"2 um","calibration":{"expanded_uncertainty":"6 um","coverage_factor":2}}`).want(200)
	near(t, "calibration", known.num("budget", 0, "contribution"), 0.003, 1e-9)
	near(t, "repeatability", known.num("budget", 1, "contribution"), 0.002, 1e-9)
	near(t, "resolution, a rectangle of 1 um (JCGM 100, 4.3.7)", known.num("budget", 2, "contribution"), 0.001/math.Sqrt(12), 1e-8)
	lapsed := w.calc("uncertainty", `{"value":"9.121 mm","with":"bore_gauge","calibration":{"expanded_uncertainty":"6 um","lapsed":true}}`).want(200)
	if lapsed.str("warnings", 0, "code") != "calibration_lapsed" || lapsed.num("budget", 0, "contribution") <= 0.003 {
		t.Errorf("a lapsed calibration costs nothing: %s", lapsed.body)
	}
}

// Common practice, no published source: pin 0.314 in when new, oversizes 0.317 and
// 0.321 in, reamers 0.318 and 0.322 in. When a gauge the size of the first reamer
// starts into a rusty running bore, the first reamer will not clean it up and the second
// usually will.
func TestCleanUpSendsARustyBoreToTheSecondReamer(t *testing.T) {
	t.Parallel()
	w := withoutDatabase(t)
	ask := func(reamer, more string) *response {
		return w.calc("clean-up", `{"nominal":"0.314 in","surface":"rusty","reamer":"`+reamer+`","readings":[{"gauge":"0.318 in","result":"starts"}]`+more+`}`).want(200)
	}
	first, second := ask("0.318 in", ""), ask("0.322 in", "")
	if p := first.num("probability"); p > 0.05 {
		t.Errorf("the first reamer cleans up with %v, want hardly ever\n%s", p, first.body)
	}
	if p := second.num("probability"); p < 0.85 || p > 0.98 {
		t.Errorf("the second reamer cleans up with %v, want mostly\n%s", p, second.body)
	}
	if held := ask("0.322 in", `,"guidance":"held_to_axis"`); held.num("probability") >= second.num("probability") {
		t.Error("a reamer held to the axis cleans up as well as one that follows the bore")
	}
	smooth := ask("0.322 in", `,"form":{"bell_mouth":"2 um","ovality":"2 um","surface":"1 um"}`)
	if smooth.num("probability") <= second.num("probability") {
		t.Error("less form error does not make cleaning up more likely")
	}
	if second.str("clean_up_size", "median", "unit") != "in" || !strings.Contains(string(second.body), `"assumed_cut_size"`) ||
		!strings.Contains(string(second.body), `"assumed_form"`) || strings.Contains(string(smooth.body), `"assumed_form"`) ||
		!strings.Contains(string(second.body), "advice_not_approval") {
		t.Errorf("%s", second.body)
	}
	passing, clean := second.get("passing_size", "median").(map[string]any)["value"].(float64), second.get("clean_up_size", "median").(map[string]any)["value"].(float64)
	if !(passing < clean) {
		t.Errorf("passing size %v is not below clean-up size %v", passing, clean)
	}
}

// With no form error and stated independent uncertainties the size is the mean
// of the readings weighted by 1/u², with u = 1/√Σ(1/u²) (JCGM 100, H.5 for equal weights;
// NIST e-Handbook, weighted mean).
func TestCleanUpWithoutFormErrorIsTheWeightedMean(t *testing.T) {
	t.Parallel()
	w := withoutDatabase(t)
	r := w.calc("clean-up", `{"nominal":"8 mm","reamer":"8.106 mm","surface":"bright","form":{"bell_mouth":"0 um","ovality":"0 um","surface":"0 um"},
		"readings":[{"value":"8.100 mm","u":"4 um"},{"value":"8.106 mm","u":"4 um"},{"value":"8.112 mm","u":"8 um"}]}`).want(200)
	// weights 4:4:1, mean 8.104, u = 4/√(2.25) = 2.667 um; P(size <= 8.106) = Φ(0.75) = 0.7734
	near(t, "median", r.num("clean_up_size", "median", "value"), 8.104, 1e-4)
	near(t, "low", r.num("clean_up_size", "low", "value"), 8.104-1.96*0.002667, 2e-4)
	near(t, "high", r.num("clean_up_size", "high", "value"), 8.104+1.96*0.002667, 2e-4)
	near(t, "probability", r.num("probability"), 0.7734, 0.002)
}

func TestReadingsOfOneInstrumentShareItsError(t *testing.T) {
	t.Parallel()
	w := withoutDatabase(t)
	width := func(n int) float64 {
		reading := `{"value":"8.05 mm","with":"bore_gauge","station":"middle"}`
		r := w.calc("clean-up", `{"nominal":"8 mm","reamer":"8.1 mm","surface":"bright","form":{"bell_mouth":"0 um","ovality":"0 um","surface":"0 um"},
			"readings":[`+strings.TrimSuffix(strings.Repeat(reading+",", n), ",")+`]}`).want(200)
		return r.num("clean_up_size", "high", "value") - r.num("clean_up_size", "low", "value")
	}
	one, many := width(1), width(25)
	// The default calibration, 5 um to either side, stays however often it is read.
	if many >= one || many < 2*1.96*0.0025 {
		t.Errorf("width after 1 reading %v, after 25 %v mm", one, many)
	}
}

func TestCleanUpWarnsOfReadingsThatContradictEachOther(t *testing.T) {
	t.Parallel()
	w := withoutDatabase(t)
	r := w.calc("clean-up", `{"nominal":"8 mm","reamer":"8.3 mm","surface":"bright","readings":[{"value":"8.05 mm","with":"bore_gauge"},{"gauge":"8.3 mm","result":"go","end":"a"},{"gauge":"8.0 mm","result":"no_go","end":"both"}]}`).want(200)
	found := map[string]int{}
	list, _ := r.get("warnings").([]any)
	for _, x := range list {
		found[x.(map[string]any)["text"].(string)]++
	}
	if found["/readings/1 and /readings/2 can hardly both be true; take the doubtful one again."] != 1 {
		t.Errorf("a go of 8.3 mm and a no-go of 8.0 mm pass for true: %s", r.body)
	}
	agreed := w.calc("clean-up", `{"nominal":"8 mm","reamer":"8.3 mm","surface":"bright","readings":[{"value":"8.05 mm","with":"bore_gauge"},{"gauge":"8.0 mm","result":"go"}]}`).want(200)
	if strings.Contains(string(agreed.body), "readings_contradict") {
		t.Errorf("readings that agree are doubted: %s", agreed.body)
	}
}
