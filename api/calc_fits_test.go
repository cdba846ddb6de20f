package api_test

import (
	"strings"
	"testing"
)

// faultsAt asks and expects a refusal with a fault at each place.
func (w *world) faultsAt(calc, body string, at ...string) {
	w.t.Helper()
	r := w.calc(calc, body).want(422)
	for _, pointer := range at {
		r.wantFault(pointer)
	}
}

func TestFitSearchFindsThePreferredFits(t *testing.T) {
	t.Parallel()
	w := withoutDatabase(t)
	for _, c := range []struct{ body, fit, least, greatest string }{
		// Limits of ISO 286-2: 25 H7/g6 leaves 7 to 41 micrometres, 25 P7/h6 -35 to -1; ANSI B4.1-1967: 0.500 RC4 0.6 to 2.3 thou.
		{`{"size":"25 mm","clearance_min":"7 um","clearance_max":"41 um","order":"easiest"}`, "H7/g6", "0.007 mm", "0.041 mm"},
		{`{"size":"25 mm","clearance_min":"-0.035 mm","clearance_max":"-0.001 mm","order":"easiest","basis":"shaft"}`, "P7/h6", "-0.035 mm", "-0.001 mm"},
		{`{"size":"0.5 in","clearance_min":"0.0006 in","clearance_max":"0.0023 in","order":"easiest"}`, "RC4", "0.0006 in", "0.0023 in"},
		{`{"size":"25 mm","clearance_min":"0.110 mm","clearance_max":"0.370 mm","order":"easiest","basis":"hole","classes":"all"}`, "H11/c11", "0.11 mm", "0.37 mm"},
	} {
		r := w.calc("fit-search", c.body).want(200)
		if r.str("fits", 0, "fit") != c.fit || r.str("fits", 0, "clearance_min", "text") != c.least || r.str("fits", 0, "clearance_max", "text") != c.greatest {
			t.Errorf("%s: %s", c.body, r.body)
		}
		if r.str("summary") == "" || r.str("source") == "" {
			t.Errorf("%s says neither summary nor source", c.body)
		}
	}
	r := w.calc("fit-search?explain=true&units=thou", `{"size":"25 mm","clearance_min":"7 um","clearance_max":"41 um"}`).want(200)
	if r.str("fits", 0, "clearance_min", "unit") != "thou" || r.str("explanation", 0, "name") != "width of the window" || len(r.get("assumed").([]any)) != 3 {
		t.Errorf("%s", r.body)
	}
	// By hand of ISO 286-2 at 25 mm, grades 6 and coarser: H6/g6 leaves 7 to 33 micrometres, the nearest to 8 to 30.
	miss := w.calc("fit-search", `{"size":"25 mm","clearance_min":"8 um","clearance_max":"30 um","finest_grade":6}`).want(200)
	if miss.num("inside") != 0 || miss.str("misses", 0, "fit") != "H6/g6" || miss.str("misses", 0, "below", "text") != "0.001 mm" || miss.str("misses", 0, "above", "text") != "0.003 mm" ||
		!strings.Contains(miss.str("misses", 0, "reason"), "0.026 mm where 0.022 mm") || !strings.Contains(miss.str("summary"), "finest") {
		t.Errorf("%s", miss.body)
	}
	if none := w.calc("fit-search", `{"size":"1 in","clearance_min":"0 in","clearance_max":"1 in","basis":"shaft"}`).want(200); none.num("considered") != 0 {
		t.Errorf("%s", none.body)
	}
	if none := w.calc("fit-search", `{"size":"1 in","clearance_min":"0 in","clearance_max":"1 in","system":"iso","finest_grade":12}`).want(200); !strings.Contains(none.str("summary"), "finest_grade") {
		t.Errorf("%s", none.body)
	}
	for body, at := range map[string]string{
		`{"size":"51 mm","clearance_min":"0 mm","clearance_max":"0 mm"}`:                        "/size",
		`{"size":"4 in","clearance_min":"0 mm","clearance_max":"0 mm"}`:                         "/size",
		`{"size":"25 mm","clearance_min":"41 um","clearance_max":"7 um"}`:                       "/clearance_max",
		`{"size":"25 mm","clearance_min":"0 mm","clearance_max":"41 mm"}`:                       "/clearance_max",
		`{"size":"25 mm","clearance_min":"-26 mm","clearance_max":"41 um"}`:                     "/clearance_min",
		`{"size":"25 mm","clearance_min":"0 mm","clearance_max":"1 mm","limit":1000}`:           "/limit",
		`{"size":"25 mm","clearance_min":"0 mm","clearance_max":"1 mm","finest_grade":13}`:      "/finest_grade",
		`{"size":"25 mm","clearance_min":"0 mm","clearance_max":"1 mm","basis":"bore"}`:         "/basis",
		`{"size":"25 mm","clearance_min":"0 mm"}`:                                               "/clearance_max",
		`{"size":"25 mm","clearance_min":"0 mm","clearance_max":"1 mm","classes":"none","x":1}`: "/classes",
	} {
		w.faultsAt("fit-search", body, at)
	}
}

// DIN 1420 as printed in a toolmaker's page (10 D8: 10.058 to 10.050) and a
// reamer maker's catalogue (H7 over 6 to 10 mm: +12/+6).
func TestReamersAreThoseInPrint(t *testing.T) {
	t.Parallel()
	w := withoutDatabase(t)
	for _, c := range []struct{ body, least, greatest, verdict string }{
		{`{"size":"10 mm","class":"D8"}`, "10.05 mm", "10.058 mm", ""},
		{`{"size":"10 mm"}`, "10.006 mm", "10.012 mm", ""},
		{`{"smallest":"10 mm","largest":"10.015 mm","reamer":"10.007 mm"}`, "10.006 mm", "10.012 mm", "within"},
		{`{"smallest":"10 mm","largest":"10.015 mm","reamer":"10.013 mm"}`, "10.006 mm", "10.012 mm", "too_large"},
		{`{"smallest":"10 mm","largest":"10.015 mm","reamer":"10.001 mm"}`, "10.006 mm", "10.012 mm", "worn_but_usable"},
		{`{"smallest":"10 mm","largest":"10.015 mm","reamer":"9.999 mm"}`, "10.006 mm", "10.012 mm", "too_small"},
	} {
		r := w.calc("reamer-for-hole", c.body).want(200)
		verdict, _ := r.get("verdict").(string)
		if r.str("reamer_smallest", "text") != c.least || r.str("reamer_largest", "text") != c.greatest || verdict != c.verdict {
			t.Errorf("%s: %s", c.body, r.body)
		}
	}
	r := w.calc("reamer-for-hole?explain=true", `{"size":"10 mm","class":"D8"}`).want(200)
	near(t, "greatest reamer", r.num("explanation", 3, "result", "value"), 10.058, 1e-12)
	near(t, "least reamer", r.num("explanation", 4, "result", "value"), 10.050, 1e-12)
	w.faultsAt("reamer-for-hole", `{"size":"10 mm","class":"H1"}`, "/class")
	w.faultsAt("reamer-for-hole", `{"size":"10 mm","class":"Q7"}`, "/class")
	w.faultsAt("reamer-for-hole", `{"size":"60 mm","class":"H7"}`, "/size")
	w.faultsAt("reamer-for-hole", `{"size":"10 mm","largest":"11 mm"}`, "/size")
	w.faultsAt("reamer-for-hole", `{"class":"H7"}`, "/size")
	w.faultsAt("reamer-for-hole", `{"reamer":"10 mm"}`, "/size")
	w.faultsAt("reamer-for-hole", `{"smallest":"10 mm"}`, "/largest")
	w.faultsAt("reamer-for-hole", `{"largest":"10 mm"}`, "/smallest")
	w.faultsAt("reamer-for-hole", `{"smallest":"10 mm","largest":"9 mm"}`, "/largest")
	w.faultsAt("reamer-for-hole", `{"size":"10 mm","reamer":"10 in"}`, "/reamer")
	w.faultsAt("reamer-for-hole", `{}`, "")
}

// Gauge makers' worked examples of the ten percent rule: 0.250 +0.004 in has
// gauges of 0.0002 in, class ZZ; 1.000 ±0.001 in of 0.0001 in, class Z.
func TestGaugesFollowTheTenPercentRule(t *testing.T) {
	t.Parallel()
	w := withoutDatabase(t)
	r := w.calc("gauges-to-turn?explain=true", `{"wear_share":0,"holes":[{"name":"a","smallest":"0.250 in","largest":"0.254 in"},{"smallest":"0.999 in","largest":"1.001 in"}]}`).want(200)
	for i, want := range []string{"0.25 in|0.2502 in|0.2538 in|0.254 in|ZZ|ZZ", "0.999 in|0.9991 in|1.0009 in|1.001 in|Z|Z"} {
		got := strings.Join([]string{r.str("gauges", i, "go_smallest", "text"), r.str("gauges", i, "go_largest", "text"), r.str("gauges", i, "no_go_smallest", "text"),
			r.str("gauges", i, "no_go_largest", "text"), r.str("gauges", i, "go_class"), r.str("gauges", i, "no_go_class")}, "|")
		if got != want {
			t.Errorf("%d: %s, want %s", i, got, want)
		}
	}
	if r.str("gauges", 0, "name") != "a" || r.str("explanation", 0, "name") != "a: tolerance of the hole" || r.get("explanation", 15) == nil {
		t.Errorf("%s", r.body)
	}
	// The steps of a series, with every default: 9 H7 has 15 micrometres, so 0.75 for wear and for each gauge.
	series := w.calc("gauges-to-turn", `{"holes":[{"size":"9 mm"},{"size":"9.25 mm"},{"size":"9.5 mm","class":"H11"}]}`).want(200)
	if series.str("gauges", 0, "go_smallest", "text") != "9.00075 mm" || series.str("gauges", 0, "go_largest", "text") != "9.0015 mm" || series.str("gauges", 0, "go_retire_below", "text") != "9 mm" ||
		series.str("gauges", 0, "no_go_smallest", "text") != "9.01425 mm" || series.str("gauges", 0, "go_class") != "X" || len(series.get("gauges").([]any)) != 3 || len(series.get("assumed").([]any)) != 3 {
		t.Errorf("%s", series.body)
	}
	w.faultsAt("gauges-to-turn", `{"holes":[{"size":"9 mm","class":"H1"},{"size":"90 mm"},{"smallest":"2 mm","largest":"1 mm"},{"name":"x"}]}`, "/holes/0/class", "/holes/1/size", "/holes/2/largest", "/holes/3/size")
	w.faultsAt("gauges-to-turn", `{"holes":[]}`, "/holes")
	w.faultsAt("gauges-to-turn", `{"holes":[{"size":"9 mm"}],"tolerance_share":0.3,"wear_share":-1}`, "/tolerance_share", "/wear_share")
}
