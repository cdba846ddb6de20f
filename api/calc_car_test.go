package api_test

import (
	"strings"
	"testing"
)

// By hand: bores 20 mm long, 400 mm apart, 0.2 mm of clearance each; the outermost
// mouths are 420 mm apart, so at 900 mm the door lifts by 0.4/420 × 900 = 0.857 mm.
func TestLiftTestTellsWornBoresFromABentLeaf(t *testing.T) {
	t.Parallel()
	w := withoutDatabase(t)
	ask := func(lift, more string) *response {
		return w.calc("lift-test?explain=true", `{"hinges":[{"height":"400 mm","length":"20 mm","clearance":{"value":"0.2 mm","u":"0.02 mm"}},{"height":"0 mm","length":"20 mm","clearance":{"value":"0.2 mm"}}],"reach":{"value":"900 mm"},"lift":{"value":"`+lift+`","u":"0.2 mm"},"give":{"value":"0 mm","u":"0.001 mm"}`+more+`}`)
	}
	r := ask("0.9 mm", `,"door_mass_kg":30,"centre":"450 mm"`).want(200)
	near(t, "explained", mm(r, "explained"), 0.8571, 1e-4)
	near(t, "derived", r.num("explanation", 4, "result", "value"), r.num("elsewhere_probability"), 1e-4)
	// Weight 294.2 N × 450/400.
	near(t, "load", r.num("load", "horizontal_newtons"), 330.97, 0.01)
	if r.str("verdict") != "bores" || !strings.Contains(string(r.body), `"door_weight"`) || !strings.Contains(string(r.body), `"assumed_u"`) {
		t.Errorf("%s", r.body)
	}
	if bent := ask("4 mm", "").want(200); bent.str("verdict") != "elsewhere" || bent.get("load") != nil {
		t.Errorf("%s", bent.body)
	}
	if maybe := ask("1.3 mm", "").want(200); maybe.str("verdict") != "undecided" {
		t.Errorf("%s", maybe.body)
	}
	if never := ask("0.05 mm", `,"end_float":{"value":"1 mm","u":"0.1 mm"}`).want(200); never.str("verdict") != "contradiction" {
		t.Errorf("%s", never.body)
	}
	plain := w.calc("lift-test", `{"hinges":[{"height":"400 mm","length":"20 mm","clearance":{"value":"0.2 mm"}},{"height":"0 mm","length":"20 mm","clearance":{"value":"0.2 mm"}}],"reach":{"value":"900 mm"},"lift":{"value":"1.1 mm"}}`).want(200)
	near(t, "with what a sound door gives", mm(plain, "explained"), 1.1571, 1e-4)
	if plain.str("verdict") != "bores" || !strings.Contains(string(plain.body), `"assumed_give"`) {
		t.Errorf("%s", plain.body)
	}
	faultsAt(t, "all wrong", ask("-1 mm", `,"end_float":{"value":"-1 mm"},"mean_elsewhere":"0 mm"`), "/lift/value", "/end_float/value", "/mean_elsewhere")
	faultsAt(t, "a centre without a mass", ask("1 mm", `,"centre":"450 mm"`), "/centre")
	faultsAt(t, "a centre beyond", ask("1 mm", `,"door_mass_kg":30,"centre":"0 mm"`), "/centre")
	faultsAt(t, "one hinge", w.calc("lift-test", `{"hinges":[{"height":"400 mm","length":"20 mm","clearance":{"value":"0.2 mm"}}],"reach":{"value":"900 mm"},"lift":{"value":"1 mm"}}`), "/hinges")
	faultsAt(t, "hinges in one another", w.calc("lift-test", `{"hinges":[{"height":"0 mm","length":"20 mm","clearance":{"value":"0.2 mm"}},{"height":"5 mm","length":"20 mm","clearance":{"value":"0.2 mm"}}],"reach":{"value":"900 mm"},"lift":{"value":"1 mm"}}`), "/hinges")
	faultsAt(t, "nothing in doubt", w.calc("lift-test", `{"hinges":[{"height":"0 mm","length":"20 mm","clearance":{"value":"0.2 mm","u":"0 mm"}},{"height":"500 mm","length":"0 mm","clearance":{"value":"-1 mm"}}],"reach":{"value":"1 mm"},"lift":{"value":"1 mm","u":"0 mm"}}`),
		"/hinges/0/clearance/u", "/hinges/1/length", "/hinges/1/clearance/value", "/reach/value", "/lift/u")
}

func TestEndFloatTakesTheFewestShims(t *testing.T) {
	t.Parallel()
	w := withoutDatabase(t)
	r := w.calc("end-float?explain=true", `{"end_float":{"value":"0.42 mm","u":"5 um"},"target_min":"0.05 mm","target_max":"0.15 mm","stack":[{"thickness":"0.05 mm","count":2},{"thickness":"0.25 mm"},{"thickness":"0.3 mm"}]}`).want(200)
	if shims := r.get("shims").([]any); len(shims) != 1 || r.get("sure") != true {
		t.Errorf("%s", r.body)
	}
	near(t, "left", mm(r, "left"), 0.12, 1e-12)
	near(t, "derived", r.num("explanation", 0, "result", "value"), 120, 1e-9)
	many := w.calc("end-float", `{"end_float":{"value":"0.5 mm","u":"2 um"},"target_min":"0.05 mm","target_max":"0.1 mm","stack":[{"thickness":"4 thou","count":9}]}`).want(200)
	if len(many.get("shims").([]any)) != 4 || !strings.Contains(string(many.body), `"many_shims"`) {
		t.Errorf("%s", many.body)
	}
	for name, body := range map[string]string{
		"no shims":     `{"end_float":{"value":"0.42 mm"},"target_min":"0.05 mm","target_max":"0.15 mm","stack":[]}`,
		"binds":        `{"end_float":{"value":"-0.1 mm"},"target_min":"0.05 mm","target_max":"0.15 mm","stack":[{"thickness":"0.1 mm"}]}`,
		"known poorly": `{"end_float":{"value":"0.42 mm","u":"1 mm"},"target_min":"0.05 mm","target_max":"0.15 mm","stack":[{"thickness":"0.3 mm"}]}`,
	} {
		if bad := w.calc("end-float", body).want(200); bad.get("sure") != false || !strings.Contains(string(bad.body), `"not_sure"`) {
			t.Errorf("%s: %s", name, bad.body)
		}
	}
	faultsAt(t, "all wrong", w.calc("end-float", `{"end_float":{"value":"200 mm","u":"0 mm"},"target_min":"0.2 mm","target_max":"0.15 mm","shim_u":"-1 mm","stack":[{"thickness":"0 mm"}]}`),
		"/end_float/value", "/end_float/u", "/target_max", "/shim_u", "/stack/0/thickness")
	faultsAt(t, "the same twice", w.calc("end-float", `{"end_float":{"value":"1 mm"},"target_min":"0.1 mm","target_max":"0.15 mm","stack":[{"thickness":"0.1 mm"},{"thickness":"100 um"}]}`), "/stack")
}

// Runout of 0.06 mm in the middle is a bow of 0.03 mm; over half of the length engaged
// a quarter of it counts.
func TestPinStraightness(t *testing.T) {
	t.Parallel()
	w := withoutDatabase(t)
	whole := w.calc("pin-straightness?explain=true", `{"size":{"value":"8 mm","u":"1 um"},"whole_length":"60 mm","runout":{"value":"0.06 mm","u":"4 um"},"bore":{"value":"8.02 mm","u":"3 um"}}`).want(200)
	near(t, "virtual size", mm(whole, "virtual_size"), 8.03, 1e-9)
	near(t, "clearance", mm(whole, "clearance"), -0.01, 1e-9)
	near(t, "derived", whole.num("explanation", 2, "result", "value"), whole.num("passes_probability"), 1e-4)
	if whole.str("verdict") != "bent" || whole.str("advice") != "straighten_or_replace" || !strings.Contains(string(whole.body), `"straightening"`) {
		t.Errorf("%s", whole.body)
	}
	half := w.calc("pin-straightness", `{"size":{"value":"8 mm","u":"1 um"},"whole_length":"60 mm","engaged_length":"30 mm","gap":{"value":"0.03 mm","u":"2 um"},"hardened":true}`).want(200)
	near(t, "half engaged", mm(half, "virtual_size"), 8.0075, 1e-9)
	if half.str("advice") != "replace" || half.get("clearance") != nil {
		t.Errorf("%s", half.body)
	}
	stations := w.calc("pin-straightness", `{"stations":[{"position":"60 mm","size":{"value":"8 mm","u":"1 um"}},{"position":"30 mm","size":{"value":"7.96 mm","u":"1 um"},"gap":{"value":"0.05 mm","u":"2 um"}},{"position":"0 mm","size":{"value":"8 mm","u":"1 um"}}]}`).want(200)
	// The gap is 0.02 mm for the thinner place and 0.03 for the bow: 7.98 + 0.03 - 0.02 reaches 8.01.
	near(t, "stepped and bent", mm(stations, "virtual_size"), 8.01, 1e-9)
	near(t, "step", mm(stations, "step"), 0.04, 1e-9)
	if !strings.Contains(string(stations.body), `"stepped"`) {
		t.Errorf("%s", stations.body)
	}
	// 0.03 mm each way at thirds of the length: a line that falls by 0.75 µm per mm takes a
	// quarter off the 0.06.
	s := w.calc("pin-straightness", `{"stations":[{"position":"0 mm","size":{"value":"8 mm"}},{"position":"20 mm","size":{"value":"8 mm"},"runout":{"value":"0.06 mm"}},{"position":"40 mm","size":{"value":"8 mm"},"runout":{"value":"0.06 mm"},"opposite":true},{"position":"60 mm","size":{"value":"8 mm"}}]}`).want(200)
	near(t, "bent like an S", mm(s, "virtual_size"), 8.045, 1e-9)
	for _, c := range []struct {
		name, body string
		at         []string
	}{
		{"nothing", `{}`, []string{"/size"}},
		{"no reading", `{"size":{"value":"8 mm"},"whole_length":"60 mm"}`, []string{"/runout"}},
		{"both readings", `{"size":{"value":"8 mm"},"whole_length":"60 mm","runout":{"value":"0.06 mm"},"gap":{"value":"0.06 mm"}}`, []string{"/gap"}},
		{"both ways", `{"size":{"value":"8 mm"},"whole_length":"60 mm","stations":[{"position":"0 mm","size":{"value":"8 mm"}}]}`, []string{"/size", "/whole_length"}},
		{"the same place", `{"stations":[{"position":"0 mm","size":{"value":"8 mm"}},{"position":"0 mm","size":{"value":"8 mm"}}]}`, []string{"/stations"}},
		{"sizes of nothing", `{"stations":[{"position":"0 mm","size":{"value":"0 mm","u":"0 mm"},"runout":{"value":"-1 mm"}}]}`, []string{"/stations/0/size/value", "/stations/0/size/u", "/stations/0/runout/value"}},
		{"more engaged than there is", `{"size":{"value":"8 mm"},"whole_length":"60 mm","engaged_length":"61 mm","runout":{"value":"0.06 mm"}}`, []string{"/engaged_length"}},
		{"a hoop", `{"size":{"value":"8 mm"},"whole_length":"60 mm","gap":{"value":"40 mm"}}`, []string{"/whole_length"}},
	} {
		faultsAt(t, c.name, w.calc("pin-straightness", c.body), c.at...)
	}
}

// 8 micrometres on pin and bore take 32 of the diameter; ISO 2081's classes as kinds.
func TestCoatingEatsClearance(t *testing.T) {
	t.Parallel()
	w := withoutDatabase(t)
	r := w.calc("coating?explain=true", `{"clearance":{"value":"50 um","u":"5 um"},"needed":"20 um","pin":{"least":"8 um","most":"8 um"},"bore":{"least":"8 um","most":"8 um"}}`).want(200)
	near(t, "left", mm(r, "left"), 18, 1e-9)
	near(t, "enough", r.num("enough_probability"), 0.3446, 1e-4) // normal table, -0.4
	near(t, "derived", r.num("explanation", 3, "result", "value"), 0.344578, 1e-6)
	near(t, "to make", mm(r, "clearance_to_make"), 52, 1e-9)
	if !strings.Contains(string(r.body), `"may_bind"`) || !strings.Contains(string(r.body), `"hydrogen"`) {
		t.Errorf("%s", r.body)
	}
	zinc := w.calc("coating", `{"clearance":{"value":"0.1 mm"},"pin":{"kind":"zinc_electroplated"}}`).want(200)
	near(t, "least", mm(zinc, "taken_least"), 0.01, 1e-9)
	near(t, "most", mm(zinc, "taken_most"), 0.03, 1e-9)
	for _, c := range []struct {
		name, body string
		at         []string
	}{
		{"nothing coated", `{"clearance":{"value":"50 um"}}`, []string{"/pin"}},
		{"kind and thickness", `{"clearance":{"value":"50 um"},"pin":{"kind":"paint","least":"1 um"}}`, []string{"/pin/kind"}},
		{"half a thickness", `{"clearance":{"value":"50 um"},"bore":{"least":"1 um"}}`, []string{"/bore/most"}},
		{"upside down", `{"clearance":{"value":"50 um"},"bore":{"least":"2 um","most":"1 um"}}`, []string{"/bore/most"}},
		{"gold leaf", `{"clearance":{"value":"50 um"},"pin":{"kind":"gold_leaf"}}`, []string{"/pin/kind"}},
		{"no doubt", `{"clearance":{"value":"50 um","u":"0 um"},"needed":"-1 um","pin":{"kind":"paint"}}`, []string{"/clearance/u", "/needed"}},
	} {
		faultsAt(t, c.name, w.calc("coating", c.body), c.at...)
	}
}
