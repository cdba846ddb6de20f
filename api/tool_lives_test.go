package api_test

import (
	"fmt"
	"math"
	"strings"
	"testing"
)

// Uses until a puller's screw was found stripped or it went on: 6, 6, 6, 7, 10, 13, 16, 22, 23 failed and 6, 9, 10, 11, 17, 19,
// 20, 25, 32, 32, 34, 35 went on: the 6-MP arm of E. J. Freireich et al., Blood 21 (1963) 699, whose product-limit
// estimate any textbook prints (J. P. Klein, M. L. Moeschberger, Survival Analysis, table 4.1): 0.857 at 6,
// 0.807 at 7, 0.753 at 10, 0.690 at 13, 0.627 at 16, 0.538 at 22, 0.448 at 23.
func TestLifeOfPullersIsTheTextbooks(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.do("POST", w.at("garages"), w.officer, workshop).want(201)
	w.do("POST", w.at("tool-models"), w.officer, row{"code": "PL", "name": "Puller", "kind": "puller"}).want(201)
	at := w.at("tool-models/PL/life")
	if none := w.do("GET", at, w.as("auditor"), nil).want(200); none.str("method") != "none" || none.str("law") != "too_few" {
		t.Errorf("%s", none.body)
	}
	n := 0
	live := func(uses int, failed bool) {
		n++
		number := fmt.Sprint("PL-", n)
		w.do("POST", w.at("tools"), w.officer, row{"number": number, "model": "PL", "garage": "north"}).want(201)
		w.happens("tool_use", "work, count", fmt.Sprintf("'pulls', %d", uses), "used_at", number, 20)
		if failed {
			w.happens("tool_renewal", "kind", "'replaced'", "done_at", number, 10)
		}
	}
	for _, uses := range []int{6, 6, 6, 7, 10, 13, 16, 22, 23} {
		live(uses, true)
	}
	for _, uses := range []int{6, 9, 10, 11, 17, 19, 20, 25, 32, 32, 34, 35} {
		live(uses, false)
	}
	r := w.do("GET", at, w.as("auditor"), nil).want(200)
	want := []struct{ uses, survival float64 }{{6, 0.857}, {7, 0.807}, {10, 0.753}, {13, 0.690}, {16, 0.627}, {22, 0.538}, {23, 0.448}}
	if len(r.get("steps").([]any)) != len(want) || r.str("method") != "kaplan_meier" || r.num("failures") != 9 || r.num("median") != 23 || len(r.get("lives").([]any)) != 21 {
		t.Fatalf("%s", r.body)
	}
	for i, s := range want {
		if r.num("steps", i, "uses") != s.uses || math.Abs(r.num("steps", i, "survival")-s.survival) > 0.0006 {
			t.Errorf("step %d: %v at %v, the textbook has %+v", i, r.num("steps", i, "survival"), r.num("steps", i, "uses"), s)
		}
	}
	// The Weibull law of these lives: shape 1.354, scale 33.76 (A. J. Gross, V. A. Clark; R survreg prints
	// log scale 3.519 and scale 0.739; from memory).
	if r.str("law") != "told" || math.Abs(r.num("weibull", "shape")-1.354) > 0.003 || math.Abs(r.num("weibull", "scale")-33.76) > 0.1 || r.num("weibull", "shape_low") >= 1.354 {
		t.Errorf("%s", r.body)
	}
	_, desc := pictureIn(t, w.do("GET", at+"/picture", w.as("member"), nil).want(200))
	if !strings.Contains(desc, "half last 23 uses") || !strings.Contains(desc, "Line 2 goes from 1") {
		t.Errorf("%q", desc)
	}
	w.do("GET", at+"/picture?scheme=x", w.as("member"), nil).want(422).wantFault("?scheme")
	w.do("GET", w.at("tool-models/none/life"), w.officer, nil).want(404)
	w.do("GET", w.at("tool-models/none/life/picture"), w.officer, nil).want(404)
	w.do("GET", "/v1/clubs/elsewhere/tool-models/PL/life", w.officer, nil).want(404)
}

// A tool that a keeper finds bad failed somewhere since the look before; one that is lost did not.
func TestLifeOfPressesFoundBadAtInspections(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.do("POST", w.at("garages"), w.officer, workshop).want(201)
	w.do("POST", w.at("tool-models"), w.officer, row{"code": "P", "name": "Press", "kind": "press"}).want(201)
	for n, end := range []string{"bad", "bad", "lost", ""} {
		number := fmt.Sprint("P-", n)
		w.do("POST", w.at("tools"), w.officer, row{"number": number, "model": "P", "garage": "north"}).want(201)
		w.happens("tool_use", "work, count", "'pressings', 10", "used_at", number, 30)
		w.inspected(number, "good", 20)
		w.happens("tool_use", "work, count", "'pressings', 15", "used_at", number, 10)
		switch end {
		case "bad":
			w.inspected(number, "bad", 5)
		case "lost":
			if _, err := w.db.Owner.Exec(t.Context(), `update tool set state = 'lost' where number = $1`, number); err != nil {
				t.Fatal(err)
			}
		}
	}
	r := w.do("GET", w.at("tool-models/P/life"), w.as("member"), nil).want(200)
	if r.str("method") != "turnbull" || r.num("failures") != 2 || r.str("law") != "too_few" || !strings.Contains(string(r.body), "too_few_failures") {
		t.Errorf("%s", r.body)
	}
	// Two of four ended within (10, 25], and the others lasted 25.
	if r.num("stretches", 0, "from") != 10 || r.num("stretches", 0, "until") != 25 || math.Abs(r.num("stretches", 0, "share")-0.5) > 1e-6 || r.num("median") != 25 {
		t.Errorf("%s", r.body)
	}
	if r.str("lives", 0, "ended") != "found" || r.str("lives", 2, "ended") != "lost" || r.str("lives", 3, "ended") != "goes_on" {
		t.Errorf("%s", r.body)
	}
}

func (w *world) inspected(number, verdict string, days float64) {
	w.t.Helper()
	condition := map[string]string{"good": "good", "bad": "damaged"}[verdict]
	if _, err := w.db.Owner.Exec(w.t.Context(), `insert into inspection (club_id, id, tool_id, verdict, condition, inspected_at, member_id, recorded_at)
		select t.club_id, gen_random_uuid(), t.id, $2, $3, now() - $4 * interval '1 day', m.id, now() from tool t cross join lateral (select id from member where club_id = t.club_id order by number limit 1) m where t.number = $1`,
		number, verdict, condition, days); err != nil {
		w.t.Fatal(err)
	}
}

// A plug gauge of plus class that loses 0.5 µm a year leaves its class when what it showed too little, 1 µm, is gone: two years after.
func TestWhenAGaugeLeavesItsClass(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.do("POST", w.at("garages"), w.officer, workshop).want(201)
	w.do("POST", w.at("tool-models"), w.officer, row{"code": "PG", "name": "Plug gauge", "kind": "plug_gauge", "size": "8 mm", "gauge_class": "X", "gauge_sense": "plus"}).want(201)
	w.do("POST", w.at("tools"), w.officer, row{"number": "PG-1", "model": "PG", "garage": "north"}).want(201)
	w.do("POST", w.at("tools"), w.officer, row{"number": "PG-2", "model": "PG", "garage": "north"}).want(201)
	for on, deviation := range map[string]string{"2020-01-01": "-1 um", "2020-07-01": "-0.75 um", "2021-01-01": "-0.5 um", "2021-07-01": "-0.25 um"} {
		w.do("POST", w.at("tools/PG-1/calibrations"), w.officer, row{"calibrated_on": on, "expanded_uncertainty": "0.2 um", "deviation": deviation}).want(201)
	}
	r := w.do("GET", w.at("tool-models/PG/life?units=um"), w.as("member"), nil).want(200)
	if r.str("method") != "calibrations" || r.num("gauges", 0, "limit", "value") != 0 || r.num("gauges", 0, "calibrations") != 4 || r.num("gauges", 1, "calibrations") != 0 || !strings.Contains(string(r.body), "too_few_calibrations") {
		t.Errorf("%s", r.body)
	}
	if on := r.str("gauges", 0, "trend", "crossing", "on"); on < "2021-12-25" || on > "2022-01-08" {
		t.Errorf("it leaves its class on %s", on)
	}
}
