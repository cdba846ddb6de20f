package api_test

import (
	"fmt"
	"net/url"
	"testing"
	"time"
)

const wholeReamer = `{"code":"R9","name":"Reamer 9 H7","kind":"reamer","size":"9.000 mm","tolerance":{"lower":"8 um","upper":"0.012 mm"},
	"build":{"flutes":"spiral","flute_count":6,"lead":"hand_taper","expansion":false,"piloted":true,"pilot":"8.90 mm","lead_length":"20 mm","length":"120 mm","material":"hss","shank":{"shape":"square","size":"7.1 mm"}},
	"charge_per_use":{"minor":150},"value":{"minor":4200},"deposit":{"minor":1000,"currency":"EUR"},"parts":2,"turnaround_hours":6,"certificate_needed":true,"approval_needed":true}`

func TestEachKindHasTheSizesThatMatterOfIt(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	reamer := w.do("POST", w.at("tool-models"), w.as("tool_keeper"), raw(wholeReamer)).want(201)
	for _, row := range []struct {
		want string
		path []any
	}{
		{"0.008 mm", []any{"tolerance", "lower", "text"}}, {"0.012 mm", []any{"tolerance", "upper", "text"}}, {"8 um", []any{"entered", "tolerance_lower"}},
		{"6", []any{"build", "flute_count"}}, {"8.9 mm", []any{"build", "pilot", "text"}}, {"hss", []any{"build", "material"}}, {"square", []any{"build", "shank", "shape"}},
		{"7.1 mm", []any{"build", "shank", "size", "text"}}, {"42.00 EUR", []any{"value", "text"}}, {"10.00 EUR", []any{"deposit", "text"}}, {"2", []any{"parts"}},
		{"6", []any{"turnaround_hours"}}, {"true", []any{"certificate_needed"}}, {"true", []any{"approval_needed"}},
	} {
		if got := fmt.Sprint(reamer.get(row.path...)); got != row.want {
			t.Errorf("%v is %s, want %s", row.path, got, row.want)
		}
	}
	if got := w.do("GET", w.at("tool-models/R9"), w.as("member"), nil).want(200); string(got.body) != string(reamer.body) {
		t.Errorf("kept %s\nanswered %s", got.body, reamer.body)
	}
	puller := w.do("POST", w.at("tool-models"), w.officer, raw(`{"code":"P","name":"Puller","kind":"puller","puller":{"jaw_reach":"80 mm","jaw_opening":"4 in","stroke":"35 mm","screw_thread":"M14x1.5"}}`)).want(201)
	if puller.str("puller", "jaw_opening", "text") != "101.6 mm" || puller.str("puller", "screw_thread") != "M14x1.5" || puller.num("parts") != 1 || puller.get("certificate_needed") != false {
		t.Errorf("puller %s", puller.body)
	}

	after := w.do("PATCH", w.at("tool-models/R9"), w.officer, raw(`{"value":{"minor":3900},"deposit":null,"parts":null,"turnaround_hours":null,"certificate_needed":false}`), header{"If-Match", reamer.header.Get("ETag")}).want(200)
	if after.num("value", "minor") != 3900 || after.get("deposit") != nil || after.num("parts") != 1 || after.get("turnaround_hours") != nil || after.get("certificate_needed") != false || after.get("approval_needed") != true ||
		after.str("entered", "tolerance_lower") != "8 um" || after.str("build", "pilot", "text") != "8.9 mm" {
		t.Errorf("after the edit: %s", after.body)
	}
	if got := w.do("GET", w.at("tool-models/R9"), w.officer, nil).want(200); string(got.body) != string(after.body) {
		t.Errorf("kept %s\nanswered %s", got.body, after.body)
	}
	w.do("PATCH", w.at("tool-models/R9"), w.officer, raw(`{"value":{"minor":1,"currency":"CHF"}}`), header{"If-Match", "*"}).want(422).wantFault("/value/currency")
	w.do("PATCH", w.at("tool-models/R9"), w.officer, raw(`{"tolerance":null}`), header{"If-Match", "*"}).want(422).wantFault("/tolerance")
}

func TestSizesOfAnotherKindAreRefused(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	for name, row := range map[string]struct {
		body   string
		faults []string
	}{
		"a tolerance of a gauge":                     {`"kind":"pin_gauge","size":"9 mm","tolerance":{"lower":"0 mm","upper":"1 um"}`, []string{"/tolerance"}},
		"a tolerance that runs backwards":            {`"kind":"reamer","size":"9 mm","tolerance":{"lower":"5 um","upper":"-5 um"}`, []string{"/tolerance/upper"}},
		"a tolerance of millimetres":                 {`"kind":"reamer","size":"9 mm","tolerance":{"lower":"0 mm","upper":"4 mm"}`, []string{"/tolerance"}},
		"half a tolerance":                           {`"kind":"reamer","size":"9 mm","tolerance":{"lower":"0 mm"}`, []string{"/tolerance/upper"}},
		"the build of a press":                       {`"kind":"press","build":{"flute_count":6}`, []string{"/build"}},
		"a pilot larger than the reamer":             {`"kind":"reamer","size":"9 mm","build":{"pilot":"9 mm"}`, []string{"/build/pilot"}},
		"a pilot of a reamer without one":            {`"kind":"reamer","size":"9 mm","build":{"pilot":"8.9 mm","piloted":false}`, []string{"/build/pilot"}},
		"no flutes":                                  {`"kind":"reamer","size":"9 mm","build":{"flute_count":0}`, []string{"/build/flute_count"}},
		"a shank of no shape":                        {`"kind":"reamer","size":"9 mm","build":{"shank":{"size":"7 mm"}}`, []string{"/build/shank/shape"}},
		"a size of a Morse taper":                    {`"kind":"reamer","size":"9 mm","build":{"shank":{"shape":"morse_taper","size":"12 mm"}}`, []string{"/build/shank/size"}},
		"a taper number of a square":                 {`"kind":"reamer","size":"9 mm","build":{"shank":{"shape":"square","taper":1}}`, []string{"/build/shank/taper"}},
		"a range of a reamer that does not expand":   {`"kind":"reamer","size":"9 mm","range_from":"8 mm","range_to":"10 mm"`, []string{"/range_from"}},
		"an expansion reamer of a size out of range": {`"kind":"reamer","size":"11 mm","range_from":"8 mm","range_to":"10 mm","build":{"expansion":true}`, []string{"/size"}},
		"half a range of an expansion reamer":        {`"kind":"reamer","size":"9 mm","range_to":"10 mm","build":{"expansion":true}`, []string{"/range_from"}},
		"the jaws of a reamer":                       {`"kind":"reamer","size":"9 mm","puller":{"jaw_reach":"80 mm"}`, []string{"/puller"}},
		"a puller of one size":                       {`"kind":"puller","size":"80 mm"`, []string{"/size"}},
		"a puller's range":                           {`"kind":"puller","range_to":"80 mm"`, []string{"/range_to"}},
		"jaws of no reach":                           {`"kind":"puller","puller":{"jaw_reach":"0 mm","stroke":"3000 mm"}`, []string{"/puller/jaw_reach", "/puller/stroke"}},
		"a resolution of a drift":                    {`"kind":"drift","resolution":"0.01 mm"`, []string{"/resolution"}},
		"a deposit in another currency":              {`"kind":"press","deposit":{"minor":1,"currency":"CHF"}`, []string{"/deposit/currency"}},
	} {
		t.Run(name, func(*testing.T) {
			answer := w.do("POST", w.at("tool-models"), w.officer, raw(`{"code":"x","name":"x",`+row.body+`}`)).want(422).wantProblem("invalid-request")
			for _, at := range row.faults {
				answer.wantFault(at)
			}
		})
	}
	w.do("POST", w.at("tool-models"), w.officer, raw(`{"code":"RX","name":"x","kind":"reamer","size":"9 mm","range_from":"8.75 mm","range_to":"9.75 mm","build":{"expansion":true,"shank":{"shape":"morse_taper","taper":1}}}`)).want(201)
}

func TestWhereAToolIsAndWhatItIsWorth(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	stock(w)
	w.do("POST", w.at("garages"), w.officer, row{"code": "south", "name": "South", "time_zone": "UTC"}).want(201)
	w.alwaysOpen() // a promise of four hours ends within the garage's hours at any time of the test's day
	north, south := w.do("GET", w.at("garages/north"), w.officer, nil).str("id"), w.do("GET", w.at("garages/south"), w.officer, nil).str("id")
	made := w.do("POST", w.at("tools"), w.as("tool_keeper"), raw(`{"number":"R-1","model":"R8","garage":"north","condition":"worn","place":"south","value":{"minor":500},"inspection_due_on":"2027-01-31"}`)).want(201)
	if made.str("garage_id") != north || made.str("present_garage_id") != south || made.str("condition") != "worn" || made.str("value", "text") != "5.00 EUR" || made.get("deposit") != nil || made.str("inspection_due_on") != "2027-01-31" {
		t.Errorf("made %s", made.body)
	}
	at, tag := w.at("tools/R-1"), header{"If-Match", made.header.Get("ETag")}
	w.do("PATCH", at, w.as("member"), row{"place": "north"}, tag).want(403)
	w.do("PATCH", at, w.officer, row{"place": "nowhere"}, tag).want(422).wantFault("/place")
	w.do("PATCH", at, w.officer, raw(`{"deposit":{"minor":1,"currency":"CHF"}}`), tag).want(422).wantFault("/deposit/currency")
	w.do("PATCH", at, w.officer, row{"condition": "good"}, tag).want(422).wantFault("/condition") // whoever looks it over says so
	after := w.do("PATCH", at, w.officer, raw(`{"value":null,"deposit":{"minor":2000},"inspection_due_on":null}`), tag).want(200)
	if after.get("value") != nil || after.num("deposit", "minor") != 2000 || after.get("inspection_due_on") != nil || after.str("present_garage_id") != south || after.str("condition") != "worn" {
		t.Errorf("after the edit: %s", after.body)
	}
	listed := func(query string, want ...string) {
		t.Helper()
		r := w.do("GET", w.at("tools?"+query), w.as("member"), nil).want(200)
		var got []string
		for i := range r.get("items").([]any) {
			got = append(got, r.str("items", i, "number"))
		}
		if fmt.Sprint(got) != fmt.Sprint(want) {
			t.Errorf("%s: %v, want %v", query, got, want)
		}
	}
	listed("garage=south", "R-1")
	listed("garage=north")
	home := w.do("PATCH", at, w.officer, raw(`{"place":null}`), header{"If-Match", after.header.Get("ETag")}).want(200)
	if got := w.do("GET", at, w.officer, nil).want(200); !got.tells(home) || got.str("present_garage_id") != north || home.str("present_garage_id") != north ||
		got.num("deposit", "minor") != 2000 || got.get("value") != nil || got.str("condition") != "worn" {
		t.Errorf("kept %s\nanswered %s", got.body, home.body)
	}
	listed("garage=north", "R-1")

	addTool(w, "R-2", "R8")
	addTool(w, "G-1", "PG-318")
	listed("bore=8+mm", "R-1", "R-2")
	listed("bore=8.08+mm", "G-1")
	listed("bore=8.09+mm&within=0.02+mm", "G-1")
	listed("bore=0.318+in&kind=reamer")
	listed("size_from=8+mm&size_until=8.05+mm", "R-1", "R-2")
	listed("size_from=8.05+mm", "G-1")
	from, until := w.hour(1), w.hour(5)
	w.reserve(w.as("member"), 1, 3, toolLine("R-1")).want(201)
	stretch := "free_from=" + url.QueryEscape(from.Format(time.RFC3339)) + "&free_until=" + url.QueryEscape(until.Format(time.RFC3339))
	listed("kind=reamer&"+stretch, "R-2")
	listed("kind=reamer&limit=1", "R-1")
	first := w.do("GET", w.at("tools?bore=8+mm&limit=1"), w.officer, nil).want(200)
	listed("bore=8+mm&limit=1&cursor="+first.str("next"), "R-2")
	w.do("GET", w.at("tools?bore=8.1+mm&limit=1&cursor="+first.str("next")), w.officer, nil).want(422).wantFault("?cursor")

	for query, fault := range map[string]string{"bore=8": "?bore", "within=1+um": "?within", "bore=8+mm&within=2+mm": "?within", "size_from=9+mm&size_until=8+mm": "?size_until",
		"free_from=2026-01-01T00:00:00Z": "?free_until", "free_until=2026-01-01T00:00:00Z": "?free_from", "free_from=2026-01-02T00:00:00Z&free_until=2026-01-01T00:00:00Z": "?free_until"} {
		w.do("GET", w.at("tools?"+query), w.officer, nil).want(422).wantFault(fault)
	}
}
