package api_test

import (
	"math"
	"strings"
	"testing"
	"time"
)

// twoReadings is the least study there is.
var twoReadings = raw(`{"studied_on":"2025-03-01","gauge_study":{"readings":[{"person":"Jo","part":"1","value":"8.001 mm"},{"person":"Jo","part":"1","value":"0.315 in"}]}}`)

func TestStudiesAreKeptAsPostedButForNames(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	stock(w)
	addTool(w, "M7", "MIC")
	keeper, at := w.as("tool_keeper"), w.at("tools/M7/studies")
	first := w.do("POST", at, keeper, twoReadings).want(201)
	// 8.001 mm and 0.315 in differ by exactly 0 µm.
	if first.num("repeatability") != 0 || first.str("readings", 1, "entered") != "0.315 in" || first.str("readings", 0, "person") != "A" || strings.Contains(string(first.body), "Jo") {
		t.Errorf("%s", first.body)
	}
	body := `{"studied_on":"2025-04-01","gauge_study":` + worked(t, `,"positions_marked":true`) + `}`
	second := w.do("POST", at, keeper, raw(body)).want(201)
	// The published components (AIAG, 4th ed.), in micrometres.
	near(t, "repeatability", second.num("repeatability"), 199.933, 1e-3)
	near(t, "reproducibility", second.num("reproducibility"), 226.838, 1e-3)
	near(t, "its degrees of freedom", second.num("repeatability_degrees_of_freedom"), 78, 0)
	again := w.do("GET", w.at("gauge-studies/"+second.str("id")), w.as("member"), nil).want(200)
	if string(again.body) != string(second.body) {
		t.Errorf("read back\n%s\nposted\n%s", again.body, second.body)
	}
	if told := w.do("GET", w.at("gauge-studies/"+second.str("id")+"?explain=true"), w.as("member"), nil).want(200); told.str("gauge_result", "explanation", 0, "source") == "" || again.get("gauge_result", "explanation") != nil {
		t.Errorf("explained: %s", told.body)
	}
	inches := w.do("GET", w.at("gauge-studies/"+second.str("id")+"?units=in"), w.as("member"), nil).want(200)
	near(t, "in inches", inches.num("gauge_result", "repeatability"), 0.199933/25.4, 1e-7)
	page := w.do("GET", at+"?limit=1", w.as("member"), nil).want(200)
	next := w.do("GET", at+"?limit=1&cursor="+page.str("next"), w.as("member"), nil).want(200)
	if page.str("items", 0, "id") != second.str("id") || next.str("items", 0, "id") != first.str("id") || next.get("next") != nil {
		t.Errorf("%s\n%s", page.body, next.body)
	}
	key := header{"Idempotency-Key", newID()}
	once := w.do("POST", at, keeper, twoReadings, key).want(201)
	if twice := w.do("POST", at, keeper, twoReadings, key).want(201); string(twice.body) != string(once.body) {
		t.Errorf("the replay differs: %s", twice.body)
	}
}

func TestStudyOfAGaugeTellsItsFeel(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	stock(w)
	w.do("POST", w.at("tool-models"), w.officer, row{"code": "PG8", "name": "Pin gauge", "kind": "pin_gauge", "size": "8 mm"}).want(201)
	addTool(w, "PG-1", "PG8")
	var parts, decisions []string
	for j, yes := range []string{"nnnn", "nnny", "nnyy", "nyyy", "yyyy"} {
		name := string(rune('a' + j))
		parts = append(parts, `{"part":"`+name+`","size":"8.00`+string(rune('0'+j))+` mm"}`)
		for _, c := range yes {
			accepted := "false"
			if c == 'y' {
				accepted = "true"
			}
			decisions = append(decisions, `{"person":"Jo","part":"`+name+`","accepted":`+accepted+`}`)
		}
	}
	study := `{"studied_on":"2025-03-01","attribute_study":{"parts":[` + strings.Join(parts, ",") + `],"decisions":[` + strings.Join(decisions, ",") + `]}}`
	r := w.do("POST", w.at("tools/PG-1/studies"), w.officer, raw(study)).want(201)
	near(t, "feel", r.num("feel")/1000, r.num("attribute_result", "all", "blur", "sd"), 1e-6)
	if got := w.do("GET", w.at("gauge-studies/"+r.str("id")), w.officer, nil).want(200); string(got.body) != string(r.body) || got.str("decisions", 0, "person") != "A" {
		t.Errorf("%s", got.body)
	}
	w.do("POST", w.at("tools/PG-1/studies"), w.officer, twoReadings).want(422).wantFault("/gauge_study")
	addTool(w, "M7", "MIC")
	w.do("POST", w.at("tools/M7/studies"), w.officer, raw(study)).want(422).wantFault("/attribute_study")
}

func TestStudyRefusals(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	stock(w)
	addTool(w, "M7", "MIC")
	addTool(w, "R1", "R8")
	keeper, at := w.as("tool_keeper"), w.at("tools/M7/studies")
	w.do("POST", at, w.as("member"), twoReadings).want(403).wantProblem("missing-role")
	w.do("POST", w.at("tools/M8/studies"), keeper, twoReadings).want(404).wantProblem("not-found")
	w.do("GET", w.at("tools/M8/studies"), keeper, nil).want(404).wantProblem("not-found")
	w.do("GET", w.at("gauge-studies/"+newID()), keeper, nil).want(404).wantProblem("not-found")
	w.do("POST", w.at("tools/R1/studies"), keeper, twoReadings).want(422).wantFault("{tool}")
	w.do("POST", at, keeper, raw(`{"studied_on":"2025-03-01"}`)).want(422).wantFault("/gauge_study")
	w.do("POST", at, keeper, raw(`{"studied_on":"2025-03-01","gauge_study":{"readings":[{"person":"A","part":"1","value":"8 mm"},{"person":"A","part":"2","value":"8 mm"}]}}`)).want(422).wantFault("/gauge_study/readings")
	ahead := w.clock.now().Add(72 * time.Hour).Format(time.DateOnly)
	w.do("POST", at, keeper, raw(strings.Replace(string(twoReadings), "2025-03-01", ahead, 1))).want(422).wantFault("/studied_on")
}

func TestDriftOfATool(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	stock(w)
	addTool(w, "M7", "MIC")
	addTool(w, "R1", "R8")
	at := w.at("tools/M7/drift")
	w.do("GET", at, w.as("member"), nil).want(422).wantFault("{tool}")
	w.do("GET", w.at("tools/R1/drift"), w.as("member"), nil).want(422).wantFault("{tool}")
	w.do("GET", w.at("tools/M8/drift"), w.as("member"), nil).want(404).wantProblem("not-found")
	today := w.clock.now().UTC().Truncate(24 * time.Hour)
	for years := range 4 {
		day := today.AddDate(-4+years, 0, 0).Format(time.DateOnly)
		w.do("POST", w.at("tools/M7/calibrations"), w.officer, row{"calibrated_on": day, "expanded_uncertainty": "0.4 um", "deviation": map[string]any{"value": years, "unit": "um"}}).want(201)
	}
	w.do("POST", w.at("tools/M7/calibrations"), w.officer, row{"calibrated_on": today.AddDate(-5, 0, 0).Format(time.DateOnly), "expanded_uncertainty": "0.4 um"}).want(201)
	r := w.do("GET", at+"?permitted_error=5%20um&corrected=false&units=um", w.as("member"), nil).want(200)
	// 0, 1, 2 and 3 µm, a year apart: today it is about 4.
	near(t, "deviation", r.num("deviation"), 4, 0.25)
	if r.str("on") != today.Format(time.DateOnly) || r.get("remarks", 0, "code") != "calibrations_without_deviation" || r.num("interval_days") <= 0 {
		t.Errorf("%s", r.body)
	}
	usual := w.do("GET", at+"?explain=true", w.as("member"), nil).want(200)
	if usual.str("explanation", 0, "source") == "" || r.get("explanation") != nil {
		t.Errorf("explained: %s", usual.body)
	}
	near(t, "usual error of a micrometer", usual.num("permitted_error", "value"), 0.004, 1e-9)
	if usual.str("remarks", 0, "code") != "assumed_permitted_error" || math.IsNaN(usual.num("u")) {
		t.Errorf("%s", usual.body)
	}
	w.do("GET", at+"?permitted_error=0%20mm", w.as("member"), nil).want(422).wantFault("?permitted_error")
	w.do("GET", at+"?permitted_error=4", w.as("member"), nil).want(422).wantFault("?permitted_error")
	w.do("GET", at+"?reliability=2", w.as("member"), nil).want(422).wantFault("?reliability")
}
