package api_test

import (
	"regexp"
	"testing"

	"pgregory.net/rapid"
)

// soundQuestions are asked of the workshop calculators; any of their lengths is changed for
// one that hardly makes sense.
var soundQuestions = []struct{ name, body string }{
	{"press-fit", `{"diameter":"8 mm","length":"12 mm","interference":"12 um","interference_u":"3 um","hub":{"outside":"18 mm","roughness_rz":"3 um"},"pin":{"bore":"2 mm","roughness_rz":"3 um"}}`},
	{"press-fit", `{"diameter":"8 mm","length":"12 mm","interference":"20 um","hub":{"outside":"18 mm","elastic_mpa":100,"poisson":0,"strength_mpa":10000},"pin":{"elastic_mpa":1000000,"poisson":0.499,"strength_mpa":10000}}`},
	{"press-fit", `{"diameter":"8 mm","length":"12 mm","interference":"100 um","hub":{"outside":"18 mm"},"pin":{"surface":"splined"},"pressings":[{"crest_interference":"90 um","force_newtons":1},{"crest_interference":"110 um","force_newtons":10000000}]}`},
	{"shrink-fit", `{"diameter":"8 mm","interference":"10 um","clearance":"8 um","hub_expansion":1,"pin_expansion":100}`},
	{"shrink-fit", `{"diameter":"8 mm","interference":"10 um","pin_temperature_celsius":-200}`},
	{"bush", `{"pin":"8 mm","boss_outside":"22 mm","boss_length":"16 mm","outsides":["11 mm","13 mm"]}`},
	{"bush", `{"pin_smallest":"7.985 mm","pin_largest":"8 mm","clearance_min":"13 um","clearance_max":"50 um","boss_outside":"22 mm","boss_length":"16 mm","clean_up":"10 mm","interference_min":"11 um","interference_max":"20 um","bush_wall":"1 mm","boss_wall":"2 mm","ream_allowance":"0.1 mm","bore_tolerance":"50 um","kind":"sintered"}`},
	{"honing", `{"stock":"30 um","ra_wanted":"0.4 um","ra_now":"1.6 um","hardness_hrc":70}`},
	{"lift-test", `{"hinges":[{"height":"400 mm","length":"20 mm","clearance":{"value":"0.2 mm","u":"20 um"}},{"height":"0 mm","length":"20 mm","clearance":{"value":"0.2 mm"}}],"reach":{"value":"900 mm","u":"5 mm"},"lift":{"value":"1 mm","u":"0.2 mm"},"end_float":{"value":"0.1 mm"},"give":{"value":"0.3 mm","u":"0.2 mm"},"door_mass_kg":500,"centre":"450 mm","mean_elsewhere":"2 mm"}`},
	{"end-float", `{"end_float":{"value":"0.42 mm","u":"10 um"},"target_min":"50 um","target_max":"150 um","shim_u":"3 um","stack":[{"thickness":"0.1 mm","count":1000},{"thickness":"0.25 mm"}]}`},
	{"pin-straightness", `{"size":{"value":"8 mm","u":"3 um"},"whole_length":"60 mm","engaged_length":"50 mm","runout":{"value":"60 um","u":"10 um"},"bore":{"value":"8.05 mm","u":"5 um"}}`},
	{"pin-straightness", `{"stations":[{"position":"0 mm","size":{"value":"8 mm","u":"3 um"},"gap":{"value":"10 um","u":"20 um"}},{"position":"30 mm","size":{"value":"7.9 mm"},"runout":{"value":"60 um"}},{"position":"60 mm","size":{"value":"8 mm"}}],"bore":{"value":"8.05 mm"}}`},
	{"coating", `{"clearance":{"value":"80 um","u":"5 um"},"needed":"20 um","pin":{"least":"5 um","most":"9 um"},"bore":{"kind":"paint"}}`},
}

var sizeInQuotes = regexp.MustCompile(`"-?[0-9.e-]+ (mm|um)"`)

// Whatever length stands in them, the answer is one by the contract, or says what to
// mend; and each is answered as it stands.
func TestWorkshopCalculatorsStandAnySize(t *testing.T) {
	t.Parallel()
	w := withoutDatabase(t)
	for _, s := range soundQuestions {
		w.calc(s.name+"?explain=true", s.body).want(200)
	}
	odd := []string{"0 mm", "-1 mm", "1e-6 mm", "0.001 mm", "0.02 mm", "0.1 mm", "0.5 mm", "1 mm", "8 mm", "8.03 mm", "20 mm", "50 mm", "100 mm", "400 mm", "999 mm", "5000 mm", "9999 mm", "-9999 mm", "12 thou", "1 in"}
	rapid.Check(t, func(rt *rapid.T) {
		s := rapid.SampledFrom(soundQuestions).Draw(rt, "question")
		body := sizeInQuotes.ReplaceAllStringFunc(s.body, func(was string) string {
			if rapid.IntRange(0, 4).Draw(rt, "change") > 0 {
				return was
			}
			return `"` + rapid.SampledFrom(odd).Draw(rt, "size") + `"`
		})
		r := w.calc(s.name+rapid.SampledFrom([]string{"", "?explain=true", "?units=in", "?units=um&explain=true"}).Draw(rt, "query"), body)
		if r.status != 200 && r.status != 422 {
			rt.Fatalf("%s %s: %d\n%s", s.name, body, r.status, r.body)
		}
	})
}
