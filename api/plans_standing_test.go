package api_test

import (
	"testing"
	"time"
)

// Where the repair stands counts: what is done is planned no more, and what was begun goes
// on from where it is.
func TestAPlanGoesOnFromWhereTheRepairStands(t *testing.T) {
	t.Parallel()
	w := wagonInWork(t)
	act := func(step, what string) {
		w.do("POST", w.at("repairs/R1/steps/"+step+"/"+what), w.as("member"), row{}).want(200)
	}
	first := plan(w, row{"free": weekend, "ordering": "before"}).want(201)
	act("protect", "begin")
	act("protect", "finish")
	act("penetrant", "begin")
	w.clock.advance(time.Hour)
	made := plan(w, row{}).want(201)
	w.mustHold(made, onWeekends)
	steps := by("ref", made.get("steps"))
	if _, planned := steps["protect"]; planned || steps["penetrant"]["state"] == "open" {
		t.Errorf("what is done is planned: %s", made.body)
	}
	if done := moment(t, steps["penetrant"]["ends_at"]).Sub(w.clock.now()); done < 7*24*time.Hour-2*time.Hour || done > 7*24*time.Hour {
		t.Errorf("seven days of creep, begun an hour ago, are over in %v", done)
	}
	if made.time("ends_at").After(first.time("ends_at")) {
		t.Errorf("begun on a Monday it ends %v, else %v", made.time("ends_at"), first.time("ends_at"))
	}
}

// What was ordered for the repair is waited for, and what arrived no more.
func TestAPlanWaitsForWhatWasOrderedForItsRepair(t *testing.T) {
	t.Parallel()
	w := wagonInWork(t)
	plan(w, row{"free": weekend, "ordering": "before", "lead_days": 0}).want(201)
	w.do("POST", w.at("suppliers"), w.officer, row{"code": "fallow", "name": "Fallow Pins", "stated_days": 40}).want(201)
	order := w.do("POST", w.at("parts-orders"), w.officer, row{"supplier": "fallow", "repair": "R1", "lines": []row{{"pin_series": "hinge-8", "step": "oversize_1", "quantity": 4}}}).want(201)
	late := plan(w, row{}).want(201)
	w.mustHold(late, onWeekends)
	parcel := by("ref", late.get("steps"))["delivery"]
	if due := moment(t, parcel["begins_at"]); due.Before(w.clock.now().AddDate(0, 0, 35)) || howMany(late.get("assumed"), "code", "expected_delivery") != 1 || late.str("held_up", 0, "code") != "delivery" {
		t.Errorf("expected %v: %s", due, late.body)
	}
	if c := by("ref", late.get("changes"))["ream:left-lower"]; c["code"] != "delivery" {
		t.Errorf("the reaming moved: %v", c)
	}
	w.do("POST", w.at("parts-orders/"+order.str("id")+"/arrivals"), w.officer, row{"lines": []row{{"line": 0, "quantity": 4}}}).want(201)
	soon := plan(w, row{}).want(201)
	w.mustHold(soon, onWeekends)
	if !soon.time("ends_at").Before(late.time("ends_at").AddDate(0, 0, -14)) {
		t.Errorf("it arrived, and it ends %v instead of %v", soon.time("ends_at"), late.time("ends_at"))
	}
}
