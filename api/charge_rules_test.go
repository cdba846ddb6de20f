package api_test

import (
	"strings"
	"testing"
	"time"
)

// day is the date so many days from the clock's, by UTC.
func (w *world) day(n int) string {
	return w.clock.now().UTC().AddDate(0, 0, n).Format(time.DateOnly)
}

func TestChargeRulesAreEditionsThatStay(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	treasurer, at := w.as("treasurer"), w.at("charge-rules")
	usual := w.do("GET", at, w.as("member"), nil).want(200)
	if usual.num("present", "edition") != 0 || usual.num("present", "late_per_day", "minor") != 0 || len(usual.get("items").([]any)) != 0 {
		t.Errorf("as usual: %s", usual.body)
	}
	first := w.do("POST", at, treasurer, row{"valid_from": w.day(0), "late_per_day": money(200), "late_most": money(1500), "late_grace_days": 1, "least": money(100),
		"consumables": []row{{"kind": "reamer", "per_unit": money(20)}, {"kind": "drift", "per_unit": money(0)}}, "exempt": []string{"guests"}, "note": "as the meeting decided"}).want(201)
	want := "Each day late costs 2.00 EUR for each tool, after 1 day of grace, and 15.00 EUR at most. Consumables: 0.20 EUR for each unit of use of a reamer. A loan costs 1.00 EUR at least. Guests pay for damage only."
	if first.num("edition") != 1 || first.str("summary") != want {
		t.Errorf("the first: %s", first.body)
	}
	w.do("POST", at, w.officer, row{"valid_from": w.day(20), "late_per_day": money(300)}).want(201)
	w.do("POST", at, treasurer, row{"valid_from": w.day(10)}).want(422).wantFault("/valid_from") // before the newest
	w.do("POST", at, treasurer, row{"valid_from": w.day(20), "late_per_day": money(250)}).want(201)
	now := w.do("GET", at+"?limit=2", w.as("auditor"), nil).want(200)
	if now.num("present", "edition") != 1 || now.num("items", 0, "edition") != 3 || now.num("items", 1, "late_per_day", "minor") != 300 || now.num("items", 0, "late_grace_days") != 0 {
		t.Errorf("today: %s", now.body)
	}
	if rest := w.do("GET", at+"?limit=2&cursor="+now.str("next"), treasurer, nil).want(200); rest.num("items", 0, "edition") != 1 || rest.get("next") != nil {
		t.Errorf("the rest: %s", rest.body)
	}
	w.clock.advance(21 * 24 * time.Hour)
	if later := w.do("GET", at, treasurer, nil).want(200); later.num("present", "edition") != 3 {
		t.Errorf("three weeks later: %s", later.body)
	}
	w.do("POST", at, treasurer, row{"valid_from": w.day(-1)}).want(422).wantFault("/valid_from")
	w.do("POST", at, treasurer, row{"valid_from": w.day(800)}).want(422).wantFault("/valid_from")
	w.do("POST", at, treasurer, row{"valid_from": w.day(0), "late_per_day": money(200), "late_most": money(100), "least": row{"minor": 200, "currency": "USD"},
		"consumables": []row{{"kind": "reamer", "per_unit": money(1)}, {"kind": "reamer", "per_unit": row{"minor": 1, "currency": "USD"}}}}).
		want(422).wantFault("/least/currency").wantFault("/late_most").wantFault("/consumables/1/kind").wantFault("/consumables/1/per_unit/currency")
	w.do("POST", at, w.as("member"), row{"valid_from": w.day(0)}).want(403).wantProblem("missing-role")
}

func TestToolCostsAreEditionsAndTellWhereEachValueIsFrom(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	treasurer := w.as("treasurer")
	model := func(body row) { w.do("POST", w.at("tool-models"), w.officer, body).want(201) }
	model(row{"code": "R8", "name": "Reamer", "kind": "reamer", "size": "8 mm"})
	model(row{"code": "P1", "name": "Puller", "kind": "puller", "value": money(7700)})
	at := w.at("tool-models/R8/costs")
	usual := w.do("GET", at, w.as("member"), nil).want(200)
	if usual.num("present", "edition") != 0 || usual.str("present", "sources", "life") != "default" || usual.num("present", "to_charge", "minor") != 9000 || !strings.Contains(usual.str("present", "summary"), "common practice, no published source") {
		t.Errorf("as usual: %s", usual.body)
	}
	if p := w.do("GET", w.at("tool-models/P1/costs"), treasurer, nil).want(200); p.num("present", "cost", "minor") != 7700 || p.str("present", "sources", "cost") != "club" || p.str("present", "sources", "residual") != "default" {
		t.Errorf("what the model is worth: %s", p.body)
	}
	made := w.do("POST", at, treasurer, row{"valid_from": w.day(0), "cost": money(8400), "residual": money(600), "life": 240, "sharpening_cost": money(1200)}).want(201)
	if made.num("edition") != 1 || made.num("to_charge", "minor") != 8400+2400-600 || made.str("sources", "sharpenings") != "default" || made.str("sources", "life") != "club" ||
		made.str("summary") != "Bought for 84.00 EUR, 2 sharpenings at 12.00 EUR, worth 6.00 EUR in the end, and expected to do 240 holes. A tool's life bears 102.00 EUR. By what is usual (common practice, no published source): sharpenings." {
		t.Errorf("made: %s", made.body)
	}
	w.do("POST", at, w.officer, row{"valid_from": w.day(0), "life": 300}).want(201)
	if list := w.do("GET", at, treasurer, nil).want(200); list.num("present", "edition") != 2 || list.num("items", 1, "life") != 240 {
		t.Errorf("both: %s", list.body)
	}
	w.do("POST", at, treasurer, row{"valid_from": w.day(0), "cost": money(100), "sharpenings": 0, "residual": money(101)}).want(422).wantFault("/residual")
	w.do("POST", at, treasurer, row{"valid_from": w.day(0), "unit": "pulls"}).want(422).wantFault("/life")
	w.do("POST", at, treasurer, row{"valid_from": w.day(-2)}).want(422).wantFault("/valid_from")
	w.do("POST", at, treasurer, row{"valid_from": w.day(0), "cost": row{"minor": 1, "currency": "USD"}}).want(422).wantFault("/cost/currency")
	w.do("POST", at, w.as("tool_keeper"), row{"valid_from": w.day(0)}).want(403)
	w.do("POST", w.at("tool-models/none/costs"), treasurer, row{"valid_from": w.day(0)}).want(404)
	w.do("GET", w.at("tool-models/none/costs"), treasurer, nil).want(404)
}

// Editions that many set at once are numbered one after the other.
func TestManySetRulesAtOnce(t *testing.T) {
	t.Parallel()
	w := newWorld(t).patient()
	treasurer := w.as("treasurer")
	_, answers := race(16, func(i int) *response {
		return w.do("POST", w.at("charge-rules"), treasurer, row{"valid_from": w.day(0), "late_per_day": money(i)})
	})
	seen := map[float64]bool{}
	for _, a := range answers {
		a.want(201)
		seen[a.num("edition")] = true
	}
	for i := range 16 {
		if !seen[float64(i+1)] {
			t.Errorf("no edition %d among %v", i+1, seen)
		}
	}
}
