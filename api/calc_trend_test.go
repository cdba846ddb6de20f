package api_test

import (
	"encoding/json"
	"fmt"
	"os"
	"strings"
	"testing"
)

// NIST Statistical Reference Datasets, Norris, sent as lengths: certified slope,
// intercept and residual deviation.
func TestTrendOfNorris(t *testing.T) {
	t.Parallel()
	raw, err := os.ReadFile("../internal/calc/trend/testdata/norris.json")
	if err != nil {
		t.Fatal(err)
	}
	var set struct {
		X, Y      []float64
		Certified map[string]float64
	}
	if err := json.Unmarshal(raw, &set); err != nil {
		t.Fatal(err)
	}
	points := make([]string, len(set.X))
	for i := range points {
		points[i] = fmt.Sprintf(`{"x":%v,"value":"%v mm"}`, set.X[i], set.Y[i])
	}
	w := withoutDatabase(t)
	r := w.calc("trend", `{"points":[`+strings.Join(points, ",")+`]}`).want(200)
	near(t, "B0", r.num("segments", 0, "intercept", "value"), set.Certified["B0"], 1e-9)
	near(t, "sd B0", r.num("segments", 0, "intercept", "standard_error"), set.Certified["sd_B0"], 1e-9)
	near(t, "B1", r.num("segments", 0, "rate", "value"), set.Certified["B1"], 1e-9)
	near(t, "sd B1", r.num("segments", 0, "rate", "standard_error"), set.Certified["sd_B1"], 1e-12)
	near(t, "residual sd", r.num("residual_sd"), set.Certified["residual_sd"], 1e-9)
	if r.str("scale") != "estimated" || r.str("unit") != "mm" || r.get("chi_square") != nil {
		t.Errorf("%s", r.body)
	}
}

const wearing = `{"points":[{"on":"2022-05-01","value":"20 um","u":"2 um"},{"on":"2023-05-01","value":"31 um","u":"2 um"},{"on":"2024-05-01","value":"40 um","u":"2 um"},{"on":"2025-05-01","value":"52 um","u":"2 um"}],"limit":"80 um"`

func TestTrendInDays(t *testing.T) {
	t.Parallel()
	w := withoutDatabase(t)
	r := w.calc("trend?explain=true", wearing+`}`).want(200)
	if r.str("x_unit") != "day" || r.str("x_from") != "2022-05-01" || r.str("crossing", "line", "set") != "bounded" || r.str("crossing", "limit", "text") != "80 um" {
		t.Errorf("%s", r.body)
	}
	// About 10.5 um a year from 20 um: 60 um take 5.7 years.
	if on := r.str("crossing", "on"); on < "2027-10" || on > "2028-04" {
		t.Errorf("crosses on %s", on)
	}
	low, high := r.str("crossing", "line", "low_on"), r.str("crossing", "line", "high_on")
	if !(low < r.str("crossing", "on") && r.str("crossing", "on") < high) || !(r.str("crossing", "reading", "low_on") < low) {
		t.Errorf("line from %s to %s", low, high)
	}
	if !strings.Contains(r.str("summary"), "per year") || !strings.Contains(r.str("summary"), "80 um") || r.get("explanation", 5) == nil {
		t.Errorf("%s", r.str("summary"))
	}
	inches := w.calc("trend?units=thou", wearing+`}`).want(200)
	near(t, "value in thou", inches.num("points", 0, "value")*25.4, 20, 1e-6)
	near(t, "rate in thou", inches.num("segments", 0, "rate", "value")*25.4, r.num("segments", 0, "rate", "value"), 1e-9)

	lubricated := w.calc("trend", wearing+`,"changes":[{"on":"2023-11-01","change":"lubrication"}]}`).want(200)
	if lubricated.get("rate_changes", 0, "text") == nil || lubricated.get("segments", 1, "rate") == nil || lubricated.num("degrees_of_freedom") != 1 {
		t.Errorf("%s", lubricated.body)
	}
	contradicted := w.calc("trend", strings.ReplaceAll(wearing, `"40 um"`, `"90 um"`)+`}`).want(200)
	if contradicted.str("warnings", 0, "code") != "scatter_beyond_uncertainty" || contradicted.str("scale") != "estimated" {
		t.Errorf("%s", contradicted.body)
	}
	hopeless := w.calc("trend", `{"points":[{"x":0,"value":"20 um","u":"5 um"},{"x":10,"value":"21 um","u":"5 um"}],"limit":"80 um"}`).want(200)
	if set := hopeless.str("crossing", "line", "set"); set != "two_rays" || hopeless.num("crossing", "line", "g") < 1 || hopeless.get("crossing", "line", "ahead", 0, "to") != nil {
		t.Errorf("%s", hopeless.body)
	}
}

func TestTrendOfFewPoints(t *testing.T) {
	t.Parallel()
	w := withoutDatabase(t)
	for body, said := range map[string]string{
		`{"points":[]}`: "nothing measured",
		`{"points":[],"limit":"1 mm","now":"2026-01-01"}`:                                                          "nothing measured",
		`{"points":[{"x":1,"value":"20 um"}],"limit":"1 mm"}`:                                                      "tells no rate",
		`{"points":[{"x":1,"value":"20 um"},{"x":1,"value":"22 um"}]}`:                                             "tells no rate",
		`{"points":[{"x":1,"value":"20 um"},{"x":3,"value":"24 um"}],"limit":"40 um"}`:                             "cannot be told",
		`{"points":[{"x":0,"value":"20 um"},{"x":1,"value":"20 um"},{"x":2,"value":"20 um"}]}`:                     "cannot be told",
		`{"points":[{"on":"0001-01-01","value":"-9 m"},{"on":"9999-12-31","value":"20 um"}]}`:                      "",
		`{"points":[{"x":0,"value":"9999 mm"},{"x":1e-9,"value":"-9999 mm"}],"limit":"40 um"}`:                     "falls",
		`{"points":[{"x":-1e12,"value":"1 um"},{"x":1e12,"value":"2 um"}],"limit":"9999 mm"}`:                      "reaches",
		`{"points":[{"on":"2024-01-01","value":"9 um"},{"on":"2024-01-02","value":"9.001 um"}],"limit":"9999 mm"}`: "reaches",
	} {
		r := w.calc("trend", body)
		if said == "" {
			r.want(422)
		} else if r.want(200); !strings.Contains(r.str("summary"), said) {
			t.Errorf("%s: %s", body, r.str("summary"))
		}
	}
}

// NIST/SEMATECH e-Handbook 6.3.2.2: mean 50.81, limits 55.8041 and 45.8159 with
// d2 rounded to 1.128; the exact constant moves them by less than 0.002.
func TestControlChartOfFlowRates(t *testing.T) {
	t.Parallel()
	w := withoutDatabase(t)
	r := w.calc("control-chart?explain=true", `{"values":[49.6,47.6,49.9,51.3,47.8,51.2,52.6,52.4,53.6,52.1]}`).want(200)
	near(t, "centre", r.num("segments", 0, "centre"), 50.81, 1e-9)
	near(t, "upper", r.num("segments", 0, "upper"), 55.8041, 0.002)
	near(t, "lower", r.num("segments", 0, "lower"), 45.8159, 0.002)
	near(t, "moving ranges", r.num("segments", 0, "moving_range_upper"), 6.1347, 0.001)
	if r.str("warnings", 0, "code") != "few_for_limits" || r.num("phase") != 1 || r.get("signals", 0) != nil || r.get("explanation", 3) == nil {
		t.Errorf("%s", r.body)
	}
	r = w.calc("control-chart", `{"values":[0.1,0.4,0.2,0.9,0.3,0.6,0.2,0.5,0.8,-0.2],"given":{"centre":0,"sigma":1},"rules":["nelson_2","western_electric_4"]}`).want(200)
	var at []string
	for i := range 3 {
		at = append(at, fmt.Sprint(r.str("signals", i, "rule"), r.num("signals", i, "index")))
	}
	// Nine on one side by Nelson, eight by Western Electric; indexes from 0.
	if got := strings.Join(at, " "); got != "western_electric_47 nelson_28 western_electric_48" {
		t.Errorf("signals %s", got)
	}
	for body, said := range map[string]string{
		`{"values":[]}`:                                       "no values",
		`{"values":[1]}`:                                      "no limits",
		`{"values":[1,1,1]}`:                                  "resolution",
		`{"values":[1,2,1,2,1,2],"starts":[3]}`:               "hold together",
		`{"values":[1,2,1,2,1,2,1,2,90],"baseline":8}`:        "beyond three sigma",
		`{"values":[1,1,1,2],"spread":"median_moving_range"}`: "median",
	} {
		if r := w.calc("control-chart", body).want(200); !strings.Contains(r.str("summary"), said) {
			t.Errorf("%s: %s", body, r.str("summary"))
		}
	}
}

// Every refusal stands at the field that can mend it.
func TestTrendAndChartSayWhereAQuestionIsWrong(t *testing.T) {
	t.Parallel()
	w := withoutDatabase(t)
	for _, c := range []struct{ calc, body, at string }{
		{"trend", `{}`, "/points"},
		{"trend", `{"points":[{"value":"1 um"}]}`, "/points/0"},
		{"trend", `{"points":[{"x":1,"on":"2024-01-01","value":"1 um"}]}`, "/points/0"},
		{"trend", `{"points":[{"x":1,"value":"1 um"},{"on":"2024-01-01","value":"1 um"}]}`, "/points/1"},
		{"trend", `{"points":[{"on":"2024-01-01","value":"1 um"},{"x":1,"value":"1 um"}]}`, "/points/1"},
		{"trend", `{"points":[{"x":1,"value":"1 um","u":"1 um"},{"x":2,"value":"1 um"}]}`, "/points/1/u"},
		{"trend", `{"points":[{"x":1,"value":"1 um","u":"0 um"}]}`, "/points/0/u"},
		{"trend", `{"points":[{"x":1,"value":"1 um"}],"shared_u":"-1 um"}`, "/shared_u"},
		{"trend", `{"points":[{"x":1,"value":"1 um"}],"reading_u":"0 um"}`, "/reading_u"},
		{"trend", `{"points":[{"x":1,"value":"1 um"}],"scale":"known"}`, "/scale"},
		{"trend", `{"points":[{"x":1,"value":"1 um"}],"coverage":1}`, "/coverage"},
		{"trend", `{"points":[{"x":1,"value":"1 um"}],"now":"2024-01-01"}`, "/now"},
		{"trend", `{"points":[{"x":1,"value":"1 um"}],"now":"2024-01-01","now_x":4}`, "/now_x"},
		{"trend", `{"points":[{"x":1,"value":"1 um"}],"changes":[{"x":1,"change":"paint"}]}`, "/changes/0/change"},
		{"trend", `{"points":[{"x":1,"value":"1 um"}],"changes":[{"on":"2024-01-01","change":"repair"}]}`, "/changes/0"},
		{"control-chart", `{}`, "/values"},
		{"control-chart", `{"values":["a"]}`, "/values/0"},
		{"control-chart", `{"values":[1,2],"starts":[2]}`, "/starts/0"},
		{"control-chart", `{"values":[1,2],"baseline":1}`, "/baseline"},
		{"control-chart", `{"values":[1,2],"baseline":2,"given":{"centre":0,"sigma":1}}`, "/baseline"},
		{"control-chart", `{"values":[1,2],"given":{"centre":0,"sigma":0}}`, "/given/sigma"},
		{"control-chart", `{"values":[1,2],"rules":["nelson_9"]}`, "/rules/0"},
	} {
		if r := w.calc(c.calc, c.body).want(422); r.str("errors", 0, "pointer") != c.at {
			t.Errorf("%s %s: %s, want %s", c.calc, c.body, r.body, c.at)
		}
	}
}
