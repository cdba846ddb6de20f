package api_test

import (
	"strings"
	"testing"
)

// faultsAt fails unless the answer is a 422 with a fault at each pointer.
func faultsAt(t *testing.T, name string, r *response, at ...string) {
	t.Helper()
	if r.status != 422 {
		t.Errorf("%s: %d\n%s", name, r.status, r.body)
		return
	}
	list, _ := r.get("errors").([]any)
	for _, pointer := range at {
		found := false
		for _, f := range list {
			fault := f.(map[string]any)
			found = found || fault["pointer"] == pointer && fault["detail"] != ""
		}
		if !found {
			t.Errorf("%s: no fault at %s\n%s", name, pointer, r.body)
		}
	}
}

// Published worked example (press-fit page of a public calculation site, recomputed
// from the differential equation): 50 mm in 80 mm, 40 mm long, 0.040 mm, E 200 GPa, nu
// 0.3, mu 0.15: 48.8 MPa, 45.9 kN, 1149 N m, 111 MPa.
func TestPressFitIsThePublishedExample(t *testing.T) {
	t.Parallel()
	w := withoutDatabase(t)
	steel := `"elastic_mpa":200000,"poisson":0.3,"strength_mpa":400`
	body := `{"diameter":"50 mm","length":"40 mm","interference":"0.04 mm","pin":{"roughness_rz":"0 mm",` + steel + `},"hub":{"outside":"80 mm","roughness_rz":"0 mm",` + steel + `},"friction":{"low":0.15,"high":0.15}}`
	r := w.calc("press-fit?explain=true", body).want(200)
	near(t, "pressure", r.num("elastic", "pressure_mpa"), 48.75, 0.005)
	near(t, "force", r.num("force_newtons"), 45945.8, 0.5)
	near(t, "torque", r.num("elastic", "torque_newton_metres"), 1148.64, 0.05)
	near(t, "hoop stress", r.num("elastic", "stresses", "hub_bore_hoop"), 111.25, 0.005)
	near(t, "growth", r.get("elastic", "hub_bore_grows").(map[string]any)["value"].(float64), 0.0315, 0.00005)
	near(t, "derived pressure", r.num("explanation", 4, "result", "value"), 48.75, 1e-9)
	if r.str("basis") != "elasticity" || strings.Contains(string(r.body), "assumed_roughness") || !strings.Contains(string(r.body), "assumed_safety") || !strings.Contains(string(r.body), `"advice_not_approval"`) {
		t.Errorf("%s", r.body)
	}
	// In inches it is the same joint.
	inch := w.calc("press-fit?units=in", body).want(200)
	near(t, "force", inch.num("force_newtons"), 45945.8, 0.5)
	if inch.str("elastic", "hub_bore_grows", "unit") != "in" {
		t.Errorf("%s", inch.body)
	}
}

func TestPressFitSaysWhereItEnds(t *testing.T) {
	t.Parallel()
	w := withoutDatabase(t)
	ask := func(rest string) *response {
		return w.calc("press-fit", `{"diameter":"8 mm","length":"12 mm",`+rest+`}`)
	}
	r := ask(`"interference":"12 um","interference_u":"8 um","hub":{"outside":"18 mm"}`).want(200)
	if p := r.num("elastic", "loose_probability"); !(p > 0.1 && p < 0.4) {
		t.Errorf("loose with %v", p)
	}
	if !strings.Contains(string(r.body), `"may_be_loose"`) || !(r.num("force_low_newtons") < r.num("force_newtons") && r.num("force_newtons") < r.num("force_high_newtons")) {
		t.Errorf("%s", r.body)
	}
	known := ask(`"interference":"12 um","hub":{"outside":"18 mm"}`).want(200)
	if older := ask(`"interference":"12 um","hub":{"outside":"18 mm"},"roughness_edition":"2001"`); older.status != 422 && !(older.num("force_newtons") < known.num("force_newtons")) {
		t.Errorf("the older edition takes no more away: %s", older.body)
	}
	for _, c := range []struct {
		name, rest string
		at         []string
	}{
		{"plastic", `"interference":"70 um","hub":{"outside":"18 mm"}`, []string{"/interference"}},
		{"cracking iron", `"interference":"60 um","hub":{"outside":"12 mm","material":"cast_iron_grey"}`, []string{"/interference"}},
		{"an open seam", `"interference":"12 um","hub":{"outside":"18 mm","open_seam":true}`, []string{"/hub/open_seam"}},
		{"a knurled pin of which nothing is known", `"interference":"120 um","pin":{"surface":"knurled"},"hub":{"outside":"18 mm"}`, []string{"/pressings"}},
		{"pressings of a plain pin", `"interference":"12 um","hub":{"outside":"18 mm"},"pressings":[{"crest_interference":"100 um","force_newtons":1000},{"crest_interference":"100 um","force_newtons":1100}]`, []string{"/pressings"}},
		{"all roughness", `"interference":"4 um","hub":{"outside":"18 mm"}`, []string{"/interference"}},
		{"no wall", `"interference":"12 um","hub":{"outside":"8 mm"}`, []string{"/hub/outside"}},
		{"no pin", `"interference":"12 um","pin":{"bore":"8 mm"},"hub":{"outside":"18 mm"}`, []string{"/pin/bore"}},
		{"friction the wrong way round", `"interference":"12 um","hub":{"outside":"18 mm"},"friction":{"low":0.2,"high":0.1}`, []string{"/friction/low"}},
		{"clearance and a mountain", `"interference":"-12 um","hub":{"outside":"18 mm","roughness_rz":"1 mm"}`, []string{"/interference"}},
		{"uncertainty of nothing", `"interference":"12 um","interference_u":"0 mm","hub":{"outside":"18 mm"}`, []string{"/interference_u"}},
		{"an unknown material", `"interference":"12 um","hub":{"outside":"18 mm","material":"cheese"}`, []string{"/hub/material"}},
	} {
		faultsAt(t, c.name, ask(c.rest), c.at...)
	}
	faultsAt(t, "no sizes", w.calc("press-fit", `{}`), "/diameter", "/length", "/interference", "/hub")
	faultsAt(t, "a diameter of nothing", w.calc("press-fit", `{"diameter":"0 mm","length":"1 mm","interference":"1 um","hub":{"outside":"1 mm"}}`), "/diameter")
	// As strong and soft as the contract allows, still an answer.
	ask(`"interference":"80 um","pin":{"elastic_mpa":100,"poisson":0,"strength_mpa":10000},"hub":{"outside":"800 mm","elastic_mpa":100,"poisson":0,"strength_mpa":10000}`).want(200)
}

func TestKnurledPinsGoByThoseBefore(t *testing.T) {
	t.Parallel()
	w := withoutDatabase(t)
	r := w.calc("press-fit?explain=true", `{"diameter":"8 mm","length":"12 mm","interference":"100 um","pin":{"surface":"knurled"},"hub":{"outside":"18 mm"},"pressings":[{"crest_interference":"80 um","force_newtons":3200},{"crest_interference":"0.12 mm","force_newtons":5400},{"crest_interference":"100 um","force_newtons":4100}]}`).want(200)
	// Ratios 40, 45, 41 N/µm: mean 42; scatter 6.3 % is taken as a tenth; Student's t for 2 degrees 4.303.
	near(t, "force", r.num("force_newtons"), 4200, 0.5)
	near(t, "most", r.num("force_high_newtons"), 4200*(1+4.303*0.1*1.1547), 1)
	if r.str("basis") != "pressings" || r.get("elastic") != nil || !strings.Contains(string(r.body), `"assumed_scatter"`) {
		t.Errorf("%s", r.body)
	}
	near(t, "derived", r.num("explanation", 0, "result", "value"), 4200, 1e-6)
}

func TestShrinkFitComparesWays(t *testing.T) {
	t.Parallel()
	w := withoutDatabase(t)
	r := w.calc("shrink-fit?explain=true", `{"diameter":"50 mm","interference":"0.05 mm","clearance":"0 mm","hub_has":["paint","bare_steel"],"pin_has":["hardened"]}`).want(200)
	// A thousandth of steel (11.5 millionths, Swyt 1994) is 87 K.
	near(t, "hub", r.num("ways", 0, "hub_celsius"), 107, 0.01)
	if ways := r.get("ways").([]any); len(ways) != 4 || r.get("ways", 0, "acceptable") != true || r.get("ways", 3, "acceptable") != false {
		t.Errorf("%s", r.body)
	}
	near(t, "derived", r.num("explanation", 2, "result", "value"), 107, 0.1)
	for _, code := range []string{"assumed_cold", "assumed_expansion_hub", "heat", "fumes", "cold", "advice_not_approval", "pin_hardened_cold"} {
		if !strings.Contains(string(r.body), `"`+code+`"`) {
			t.Errorf("%s is not said", code)
		}
	}
	hot := w.calc("shrink-fit", `{"diameter":"8 mm","interference":"0.03 mm","pin_temperature_celsius":20,"hub_has":["paint"]}`).want(200)
	if hot.get("ways", 0, "acceptable") != false || !strings.Contains(hot.str("summary"), "No way") {
		t.Errorf("%s", hot.body)
	}
	faultsAt(t, "all wrong", w.calc("shrink-fit", `{"diameter":"8 mm","interference":"8 mm","clearance":"-1 mm","hub_material":"cheese","hub_expansion":0,"pin_temperature_celsius":-300,"hub_has":["jam"]}`),
		"/hub_material", "/hub_expansion", "/pin_temperature_celsius", "/hub_has/0")
	faultsAt(t, "lengths wrong", w.calc("shrink-fit", `{"diameter":"8 mm","interference":"8 mm","clearance":"-1 mm"}`), "/interference", "/clearance")
	faultsAt(t, "no size", w.calc("shrink-fit", `{"diameter":"0 mm","interference":"8 mm"}`), "/diameter")
}
