package api_test

import (
	"strings"
	"testing"
)

func mm(r *response, path ...any) float64 {
	return r.num(append(path, "value")...)
}

// ISO 286-2: 12 H7 is 0 to +18, s6 +28 to +39; 8 F8 is +13 to +35, h7 0 to -15
// micrometres. The chain of sizes by hand.
func TestBushChainOfSizes(t *testing.T) {
	t.Parallel()
	w := withoutDatabase(t)
	r := w.calc("bush?explain=true", `{"pin":"8 mm","running_fit":"F8/h7","boss_outside":"22 mm","boss_length":"16 mm","press_fit":"H7/s6","outsides":["12 mm"],"friction":{"low":0.1,"high":0.1},"material":"steel_hardened","boss_material":"steel_hardened"}`).want(200)
	for _, c := range []struct {
		want float64
		path []any
	}{
		{12, []any{"hole", "smallest"}}, {12.018, []any{"hole", "largest"}}, {12.028, []any{"body", "smallest"}}, {12.039, []any{"body", "largest"}},
		{0.010, []any{"interference", "smallest"}}, {0.039, []any{"interference", "largest"}}, {8.013, []any{"bore_finished", "smallest"}}, {8.035, []any{"bore_finished", "largest"}},
		{0.013, []any{"running_clearance", "smallest"}}, {0.05, []any{"running_clearance", "largest"}}, {0.1, []any{"to_ream", "smallest"}}, {(12.028 - 8.035) / 2, []any{"bush_wall"}}, {(22 - 12.018) / 2, []any{"boss_wall"}},
	} {
		near(t, strings.Trim(strings.Join(strs(c.path), "/"), "/"), mm(r, c.path...), c.want, 6e-5)
	}
	if before, closes := mm(r, "bore_before", "largest"), mm(r, "closes_in", "smallest"); !(closes > 0) {
		t.Errorf("closes in by %v", closes)
	} else {
		near(t, "bore before", before, 8.013-0.1+closes, 1e-4)
	}
	near(t, "derived", r.num("explanation", 6, "result", "value"), mm(r, "bore_before", "largest"), 1e-4)
	if steps := r.get("steps").([]any); len(steps) != 4 || !strings.Contains(steps[3].(string), "Ream it in place") || !strings.Contains(string(r.body), `"advice_not_approval"`) {
		t.Errorf("%s", r.body)
	}
	inch := w.calc("bush?units=in", `{"pin_smallest":"7.985 mm","pin_largest":"8 mm","clearance_min":"0.013 mm","clearance_max":"0.05 mm","boss_outside":"22 mm","boss_length":"16 mm","outsides":["12 mm"]}`).want(200)
	near(t, "hole in inches", mm(inch, "hole", "largest")*25.4, 12.018, 2e-4)
}

func strs(path []any) []string {
	out := make([]string, len(path))
	for i, p := range path {
		out[i], _ = p.(string)
	}
	return out
}

func TestBushChoosesAndRefuses(t *testing.T) {
	t.Parallel()
	w := withoutDatabase(t)
	r := w.calc("bush", `{"pin":"8 mm","boss_outside":"22 mm","boss_length":"16 mm"}`).want(200)
	// By thousandths of the outside: 11 mm gives 11 to 22 micrometres.
	near(t, "outside", mm(r, "outside"), 11, 0)
	near(t, "interference", mm(r, "interference", "largest"), 0.022, 1e-9)
	if refused := r.get("refused").([]any); len(refused) != 3 || r.get("turned_to_suit") != true || !strings.Contains(r.get("steps", 1).(string), "0.0110 mm to 0.0220 mm over the hole as measured") || strings.Contains(r.str("refused", 0, "why"), "no bush fits") || !strings.Contains(string(r.body), `"assumed_interference"`) || !strings.Contains(string(r.body), `"assumed_running_fit"`) {
		t.Errorf("%s", r.body)
	}
	worn := w.calc("bush", `{"pin":"8 mm","boss_outside":"22 mm","boss_length":"16 mm","clean_up":"12.5 mm"}`).want(200)
	near(t, "outside", mm(worn, "outside"), 13, 0)
	sintered := w.calc("bush", `{"pin":"8 mm","running_fit":"F8/h7","kind":"sintered","boss_outside":"24 mm","boss_length":"16 mm","interference_min":"12 um","interference_max":"16 um","outsides":["14 mm"]}`).want(200)
	if sintered.get("to_ream") != nil || sintered.get("sizing_pin") == nil || !strings.Contains(string(sintered.body), "Do not ream it") {
		t.Errorf("%s", sintered.body)
	}
	lined := w.calc("bush", `{"pin":"8 mm","running_fit":"F8/h7","kind":"lined","material":"steel_hardened","boss_material":"steel_hardened","boss_outside":"24 mm","boss_length":"16 mm","press_fit":"H7/s6","outsides":["12 mm"]}`).want(200)
	if lined.get("to_ream") != nil || lined.get("sizing_pin") != nil || !strings.Contains(string(lined.body), "Cut nothing") {
		t.Errorf("%s", lined.body)
	}
	const boss = `"boss_outside":"22 mm","boss_length":"16 mm"`
	for _, c := range []struct {
		name, body string
		at         []string
	}{
		{"nothing", `{}`, []string{"/boss_outside", "/boss_length"}},
		{"no pin", `{` + boss + `}`, []string{"/pin_smallest", "/pin_largest", "/clearance_min", "/clearance_max"}},
		{"both ways", `{"pin":"8 mm","pin_largest":"8 mm",` + boss + `}`, []string{"/pin_largest"}},
		{"a fit without a pin", `{"running_fit":"F8/h7",` + boss + `}`, []string{"/pin"}},
		{"a fit that is none", `{"pin":"8 mm","running_fit":"F8h7x/",` + boss + `}`, []string{"/running_fit"}},
		{"a running fit that presses", `{"pin":"8 mm","running_fit":"H7/s6",` + boss + `}`, []string{"/running_fit"}},
		{"a press fit that runs", `{"pin":"8 mm","press_fit":"H7/g6",` + boss + `}`, []string{"/press_fit"}},
		{"both interferences", `{"pin":"8 mm","press_fit":"H7/r6","interference_min":"12 um",` + boss + `}`, []string{"/press_fit"}},
		{"half an interference", `{"pin":"8 mm","interference_min":"12 um",` + boss + `}`, []string{"/interference_max"}},
		{"interference upside down", `{"pin":"8 mm","interference_min":"12 um","interference_max":"10 um",` + boss + `}`, []string{"/interference_max"}},
		{"interference that roughness takes", `{"pin":"8 mm","interference_min":"2 um","interference_max":"10 um",` + boss + `}`, []string{"/interference_min"}},
		{"interference that yields", `{"pin":"8 mm","interference_min":"60 um","interference_max":"90 um",` + boss + `}`, []string{"/outsides"}},
		{"a press fit of unknown class", `{"pin":"8 mm","press_fit":"H7/q6",` + boss + `}`, []string{"/press_fit"}},
		{"a pin beyond the tables", `{"pin":"80 mm","boss_outside":"120 mm","boss_length":"16 mm"}`, []string{"/pin"}},
		{"a boss without metal", `{"pin":"8 mm","boss_outside":"9 mm","boss_length":"16 mm"}`, []string{"/outsides"}},
		{"a boss inside the pin", `{"pin":"8 mm","boss_outside":"5 mm","boss_length":"0 mm"}`, []string{"/boss_outside", "/boss_length"}},
		{"pins of all sizes", `{"pin_smallest":"7.9 mm","pin_largest":"8 mm","clearance_min":"0.01 mm","clearance_max":"0.05 mm",` + boss + `}`, []string{"/clearance_max"}},
		{"upside down", `{"pin_smallest":"8 mm","pin_largest":"7.9 mm","clearance_min":"0.05 mm","clearance_max":"0.01 mm",` + boss + `}`, []string{"/pin_largest", "/clearance_max"}},
		{"outsides of nothing", `{"pin":"8 mm","outsides":["0 mm"],` + boss + `}`, []string{"/outsides/0"}},
		{"friction the wrong way round", `{"pin":"8 mm","friction":{"low":0.2,"high":0.1},` + boss + `}`, []string{"/friction/low"}},
		{"no outside up to fifty", `{"pin_smallest":"60 mm","pin_largest":"60 mm","clearance_min":"0.01 mm","clearance_max":"0.05 mm","boss_outside":"90 mm","boss_length":"16 mm"}`, []string{"/outsides"}},
	} {
		faultsAt(t, c.name, w.calc("bush", c.body), c.at...)
	}
}

func TestHoningAdvice(t *testing.T) {
	t.Parallel()
	w := withoutDatabase(t)
	r := w.calc("honing?explain=true", `{"stock":"30 um","hardness_hrc":60,"ra_wanted":"0.4 um","ra_now":"0.8 um"}`).want(200)
	if r.str("method") != "hone" || len(r.get("passes").([]any)) < 1 || !strings.Contains(string(r.body), `"rotating_tool"`) {
		t.Errorf("%s", r.body)
	}
	near(t, "derived", r.num("explanation", 1, "result", "value"), 1000*mm(w.calc("honing?units=mm", `{"stock":"30 um","hardness_hrc":60,"ra_wanted":"0.4 um","ra_now":"0.8 um"}`).want(200), "passes", 0, "stock"), 0.1)
	if soft := w.calc("honing", `{"stock":"0.3 mm"}`).want(200); soft.str("method") != "ream" || !strings.Contains(string(soft.body), `"assumed_finish"`) {
		t.Errorf("%s", soft.body)
	}
	if oil := w.calc("honing", `{"stock":"30 um","metal":"sintered"}`).want(200); oil.str("method") != "neither" {
		t.Errorf("%s", oil.body)
	}
	if short := w.calc("honing", `{"stock":"2 um","hardness_hrc":60,"ra_now":"6 um"}`).want(200); !strings.Contains(string(short.body), `"little_stock"`) {
		t.Errorf("%s", short.body)
	}
	faultsAt(t, "nothing to take", w.calc("honing", `{"stock":"0 mm","ra_wanted":"1 mm","ra_now":"0 mm"}`), "/stock", "/ra_wanted", "/ra_now")
	faultsAt(t, "harder than anything", w.calc("honing", `{"stock":"30 um","hardness_hrc":90,"metal":"wood"}`), "/hardness_hrc", "/metal")
}
