package api_test

import (
	"testing"
)

// pinGauge is 8.077 mm by its marked 0.318 in (25.4 mm to the inch, ISO 31-1).
var pinGauge = map[string]any{"code": "PG-318", "name": "Pin gauge 0.318", "kind": "pin_gauge", "size": "0.318 in", "gauge_class": "ZZ", "gauge_sense": "minus",
	"charge_per_use": map[string]any{"minor": 150}}

func TestToolModelKeepsItsSizeAsEntered(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	made := w.do("POST", w.at("tool-models"), w.as("tool_keeper"), pinGauge).want(201)
	if made.str("size", "text") != "8.0772 mm" || made.str("entered", "size") != "0.318 in" || made.str("charge_per_use", "text") != "1.50 EUR" {
		t.Errorf("0.318 in for 150 cents became %s", made.body)
	}
	byCode := w.do("GET", w.at("tool-models/PG-318"), w.as("member"), nil).want(200)
	byAddress := w.do("GET", made.header.Get("Location"), w.as("member"), nil).want(200)
	if string(byCode.body) != string(made.body) || string(byAddress.body) != string(made.body) {
		t.Errorf("made %s\nby code %s\nby address %s", made.body, byCode.body, byAddress.body)
	}
	w.do("GET", w.at("tool-models/PG-318"), w.officer, nil, header{"If-None-Match", byCode.header.Get("ETag")}).want(304)

	zeros := w.do("POST", w.at("tool-models"), w.officer, raw(`{"code":"MIC-25","name":"Outside micrometer","kind":"micrometer","resolution":{"value":0.0010,"unit":"mm"},"range_from":"0 mm","range_to":"1 in"}`)).want(201)
	if zeros.str("entered", "resolution") != "0.0010 mm" || zeros.str("entered", "range_to") != "1 in" || zeros.str("range_to", "text") != "25.4 mm" {
		t.Errorf("digits or units as entered are lost: %s", zeros.body)
	}
}

func TestToolModelSizesGoWithItsKind(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	rows := map[string]struct {
		body   string
		faults []string
	}{
		"a reamer is nothing without its size":                {`"kind":"reamer"`, []string{"/size"}},
		"nor is a plug gauge":                                 {`"kind":"plug_gauge"`, []string{"/size"}},
		"a size is greater than zero":                         {`"kind":"reamer","size":"0 mm"`, []string{"/size"}},
		"a size under half a nanometre is none":               {`"kind":"reamer","size":"0.0000004 mm"`, []string{"/size"}},
		"a class is for gauges":                               {`"kind":"reamer","size":"8 mm","gauge_class":"X"`, []string{"/gauge_class"}},
		"a sense is for gauges":                               {`"kind":"drift","gauge_sense":"plus"`, []string{"/gauge_sense"}},
		"classes end at 4.510 in (ASME B89.1.5)":              {`"kind":"plug_gauge","size":"4.511 in","gauge_class":"X"`, []string{"/gauge_class"}},
		"classes begin over 0.010 in (ASME B89.1.5)":          {`"kind":"pin_gauge","size":"0.010 in","gauge_class":"ZZ"`, []string{"/gauge_class"}},
		"a micrometer needs its resolution":                   {`"kind":"micrometer"`, []string{"/resolution"}},
		"so do the others with a scale":                       {`"kind":"bore_gauge","size":"8 mm"`, []string{"/resolution", "/size"}},
		"a resolution is greater than zero":                   {`"kind":"caliper","resolution":"-0.01 mm"`, []string{"/resolution"}},
		"a pin gauge has no scale and no range":               {`"kind":"pin_gauge","size":"8 mm","resolution":"0.01 mm","range_to":"9 mm"`, []string{"/resolution", "/range_to"}},
		"a range does not run backwards":                      {`"kind":"inside_micrometer","resolution":"0.005 mm","range_from":"30 mm","range_to":"1 in"`, []string{"/range_to"}},
		"a range does not begin below zero":                   {`"kind":"caliper","resolution":"0.01 mm","range_from":"-1 mm","range_to":"150 mm"`, []string{"/range_from"}},
		"a range has an end":                                  {`"kind":"caliper","resolution":"0.01 mm","range_from":"0 mm"`, []string{"/range_to"}},
		"a charge is in the club's currency":                  {`"kind":"press","charge_per_use":{"minor":100,"currency":"CHF"}`, []string{"/charge_per_use/currency"}},
		"all faults are told at once, of sizes and of charge": {`"kind":"reamer","gauge_sense":"plus","charge_per_use":{"minor":100,"currency":"CHF"}`, []string{"/size", "/gauge_sense", "/charge_per_use/currency"}},
	}
	for name, row := range rows {
		t.Run(name, func(t *testing.T) {
			answer := w.do("POST", w.at("tool-models"), w.officer, raw(`{"code":"x","name":"x",`+row.body+`}`)).want(422).wantProblem("invalid-request")
			for _, at := range row.faults {
				answer.wantFault(at)
			}
			if got := len(answer.get("errors").([]any)); got != len(row.faults) {
				t.Errorf("%d faults, want %d: %s", got, len(row.faults), answer.body)
			}
		})
	}
	for name, body := range map[string]string{
		"a reamer with its size":                       `"kind":"reamer","size":"8 mm"`,
		"the greatest classed gauge (ASME B89.1.5)":    `"kind":"plug_gauge","size":"4.510 in","gauge_class":"XXX"`,
		"a telescoping gauge, which has no resolution": `"kind":"telescoping_gauge","range_from":"8 mm","range_to":"12.7 mm"`,
		"a caliper from nought":                        `"kind":"caliper","resolution":"0.01 mm","range_to":"150 mm"`,
		"a puller without sizes":                       `"kind":"puller"`,
		"the club's currency spelled out":              `"kind":"press","charge_per_use":{"minor":100,"currency":"EUR"}`,
	} {
		t.Run("taken: "+name, func(*testing.T) {
			w.do("POST", w.at("tool-models"), w.officer, raw(`{"code":"`+newID()+`","name":"x",`+body+`}`)).want(201)
		})
	}
}

func TestToolModelCarriesTheUsualCautionUnlessItsKeeperSaysOtherwise(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	usual := w.do("POST", w.at("tool-models"), w.officer, raw(`{"code":"R8","name":"Reamer","kind":"reamer","size":"8 mm"}`)).want(201)
	if usual.str("caution") == "" {
		t.Errorf("a reamer comes without a caution: %s", usual.body)
	}
	own := w.do("POST", w.at("tool-models"), w.officer, raw(`{"code":"R9","name":"Reamer","kind":"reamer","size":"9 mm","caution":"Left-handed."}`)).want(201)
	if own.str("caution") != "Left-handed." {
		t.Errorf("the keeper's caution became %s", own.body)
	}
	cleared := w.do("PATCH", w.at("tool-models/R9"), w.officer, raw(`{"caution":null}`), header{"If-Match", own.header.Get("ETag")}).want(200)
	if cleared.get("caution") != nil {
		t.Errorf("null left a caution: %s", cleared.body)
	}
}

func TestToolModelEdit(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	made := w.do("POST", w.at("tool-models"), w.officer, pinGauge).want(201)
	w.do("POST", w.at("tool-models"), w.officer, raw(`{"code":"R8","name":"Reamer","kind":"reamer","size":"8 mm"}`)).want(201)
	keeper, tag := w.as("tool_keeper"), header{"If-Match", made.header.Get("ETag")}
	at := w.at("tool-models/PG-318")
	change := map[string]any{"name": "Pin 318", "charge_per_use": map[string]any{"minor": 200}}
	w.do("PATCH", at, w.as("member"), change, tag).want(403).wantProblem("missing-role")
	w.do("PATCH", at, keeper, change).want(428).wantProblem("precondition-required")
	w.do("PATCH", at, keeper, map[string]any{"size": "8 mm"}, tag).want(422).wantFault("/size")
	w.do("PATCH", at, keeper, raw(`{"name":null}`), tag).want(422).wantFault("/name")
	w.do("PATCH", at, keeper, raw(`{"charge_per_use":{"minor":1,"currency":"USD"}}`), tag).want(422).wantFault("/charge_per_use/currency")
	w.do("PATCH", at, keeper, map[string]any{"code": "R8"}, tag).want(409).wantProblem("name-taken")
	w.do("PATCH", w.at("tool-models/nothing"), keeper, change, tag).want(404).wantProblem("not-found")
	key := header{"Idempotency-Key", newID()}
	after := w.do("PATCH", at, keeper, change, tag, key).want(200)
	if after.str("name") != "Pin 318" || after.num("charge_per_use", "minor") != 200 || after.str("entered", "size") != "0.318 in" || after.str("gauge_class") != "ZZ" {
		t.Errorf("after the edit: %s", after.body)
	}
	if again := w.do("PATCH", at, keeper, change, tag, key).want(200); string(again.body) != string(after.body) || again.header.Get("Idempotency-Replayed") != "true" {
		t.Errorf("the replay differs: %s", again.body)
	}
	stale := w.do("PATCH", at, keeper, change, tag).want(412).wantProblem("stale-version")
	if stale.str("current", "name") != "Pin 318" {
		t.Errorf("a stale edit is not shown the current body: %s", stale.body)
	}
	free := w.do("PATCH", at, keeper, raw(`{"charge_per_use":null}`), header{"If-Match", after.header.Get("ETag")}).want(200)
	if free.get("charge_per_use") != nil {
		t.Errorf("null left a charge: %s", free.body)
	}
	if got := w.do("GET", at, keeper, nil).want(200); string(got.body) != string(free.body) || got.header.Get("ETag") != free.header.Get("ETag") {
		t.Errorf("what was kept differs from what was answered:\n%s\n%s", got.body, free.body)
	}
}

func TestToolModelRefusals(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	key := header{"Idempotency-Key", newID()}
	first := w.do("POST", w.at("tool-models"), w.officer, pinGauge, key).want(201)
	if again := w.do("POST", w.at("tool-models"), w.officer, pinGauge, key).want(201); string(again.body) != string(first.body) {
		t.Errorf("the replay differs: %s", again.body)
	}
	w.do("POST", w.at("tool-models"), w.officer, pinGauge).want(409).wantProblem("name-taken")
	w.do("POST", w.at("tool-models"), w.as("member"), pinGauge).want(403).wantProblem("missing-role")
	w.do("POST", w.at("tool-models"), w.officer, pinGauge, header{"Idempotency-Key", ""}).want(400).wantProblem("key-missing")
	w.do("GET", w.at("tool-models/nothing"), w.officer, nil).want(404).wantProblem("not-found")
	w.do("GET", w.at("tool-models?kind=spoon"), w.officer, nil).want(422).wantFault("?kind")
	w.do("POST", w.at("tool-models"), w.officer, raw(`{"code":"x","name":"x","kind":"reamer","size":"8"}`)).want(422).wantFault("/size")
	w.do("POST", w.at("tool-models"), w.officer, raw(`{"code":"x","name":"x","kind":"reamer","size":{"value":8,"unit":"cm"}}`)).want(422).wantFault("/size")
	w.do("POST", w.at("tool-models"), w.officer, raw(`{"code":"x","name":"x","kind":"reamer","size":"11000 mm"}`)).want(422).wantFault("/size")
}

func TestToolModelListPagesByCodeAndKeepsToItsKind(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	for _, code := range []string{"c", "a", "d", "b"} {
		kind := `"kind":"reamer","size":"8 mm"`
		if code == "a" {
			kind = `"kind":"press"`
		}
		w.do("POST", w.at("tool-models"), w.officer, raw(`{"code":"`+code+`","name":"x",`+kind+`}`)).want(201)
	}
	all := w.do("GET", w.at("tool-models"), w.as("member"), nil).want(200)
	if len(all.get("items").([]any)) != 4 || all.str("items", 0, "code") != "a" || all.get("next") != nil {
		t.Errorf("all models: %s", all.body)
	}
	first := w.do("GET", w.at("tool-models?kind=reamer&limit=2"), w.officer, nil).want(200)
	if first.str("items", 0, "code") != "b" || first.str("items", 1, "code") != "c" || first.header.Get("Link") == "" {
		t.Fatalf("first page: %s", first.body)
	}
	second := w.do("GET", w.at("tool-models?kind=reamer&limit=2&cursor="+first.str("next")), w.officer, nil).want(200)
	if second.str("items", 0, "code") != "d" || second.get("next") != nil {
		t.Fatalf("second page: %s", second.body)
	}
	w.do("GET", w.at("tool-models?limit=2&cursor="+first.str("next")), w.officer, nil).want(422).wantFault("?cursor")
}
