package api_test

import (
	"fmt"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

func TestGarageHoursAreSetKeptAndTakenAway(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	plain := w.do("POST", w.at("garages"), w.officer, workshop).want(201)
	if hours, isList := plain.get("hours").([]any); !isList || len(hours) != 0 {
		t.Errorf("a garage that was given no hours has %v", plain.get("hours"))
	}
	// A day that opens twice, one over midnight, and none for the rest; the order does not matter.
	week := []row{{"weekday": 6, "opens": "20:00", "closes": "02:00"}, {"weekday": 2, "opens": "14:00", "closes": "24:00"}, {"weekday": 2, "opens": "08:00", "closes": "12:00"}}
	set := w.do("PATCH", w.at("garages/north"), w.officer, row{"hours": week}, header{"If-Match", "*"}).want(200)
	want := []any{row{"weekday": 2.0, "opens": "08:00", "closes": "12:00"}, row{"weekday": 2.0, "opens": "14:00", "closes": "24:00"}, row{"weekday": 6.0, "opens": "20:00", "closes": "02:00"}}
	for name, r := range map[string]*response{"patched": set, "read": w.do("GET", w.at("garages/north"), w.as("member"), nil).want(200),
		"patched in another field": w.do("PATCH", w.at("garages/north"), w.officer, row{"name": "North Yard Two"}, header{"If-Match", "*"}).want(200)} {
		var got []any
		for i := range len(r.get("hours").([]any)) {
			got = append(got, row{"weekday": number(t, r, "hours", i, "weekday"), "opens": r.str("hours", i, "opens"), "closes": r.str("hours", i, "closes")})
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("%s: %s", name, diff)
		}
	}
	if r := w.do("PATCH", w.at("garages/north"), w.officer, row{"hours": []row{}}, header{"If-Match", "*"}).want(200); len(r.get("hours").([]any)) != 0 {
		t.Errorf("an empty list leaves hours: %s", r.body)
	}
	made := w.do("POST", w.at("garages"), w.officer, row{"code": "south", "name": "South Yard", "time_zone": "UTC", "hours": week}).want(201)
	if got := w.do("GET", w.at("garages/south"), w.officer, nil).want(200); string(got.body) != string(made.body) {
		t.Errorf("made %s\nread %s", made.body, got.body)
	}
}

func number(t *testing.T, r *response, path ...any) float64 {
	t.Helper()
	var out float64
	if _, err := fmt.Sscan(fmt.Sprint(r.get(path...)), &out); err != nil {
		t.Fatal(err)
	}
	return out
}

func TestGarageHoursThatOverlapAreRefused(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.do("POST", w.at("garages"), w.officer, workshop).want(201)
	for name, week := range map[string][]row{
		"twice the same":      {{"weekday": 1, "opens": "08:00", "closes": "12:00"}, {"weekday": 1, "opens": "08:00", "closes": "12:00"}},
		"one in the other":    {{"weekday": 1, "opens": "08:00", "closes": "12:00"}, {"weekday": 1, "opens": "09:00", "closes": "10:00"}},
		"over midnight":       {{"weekday": 1, "opens": "20:00", "closes": "02:00"}, {"weekday": 2, "opens": "01:00", "closes": "10:00"}},
		"over the week's end": {{"weekday": 1, "opens": "01:00", "closes": "10:00"}, {"weekday": 7, "opens": "20:00", "closes": "02:00"}},
	} {
		r := w.do("PATCH", w.at("garages/north"), w.officer, row{"hours": week}, header{"If-Match", "*"}).want(422)
		if r.wantFault("/hours/1"); t.Failed() {
			t.Fatal(name)
		}
	}
	w.do("PATCH", w.at("garages/north"), w.officer, row{"hours": []row{{"weekday": 1, "opens": "08:00", "closes": "12:00"}, {"weekday": 1, "opens": "12:00", "closes": "08:00"}}}, header{"If-Match", "*"}).want(200)
	w.do("PATCH", w.at("garages/north"), w.officer, row{"hours": []row{{"weekday": 8, "opens": "8:00", "closes": "25:00"}}}, header{"If-Match", "*"}).want(422).
		wantFault("/hours/0/weekday").wantFault("/hours/0/opens").wantFault("/hours/0/closes")
}

func TestClosuresAreMadeListedAndWithdrawn(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	garage := w.do("POST", w.at("garages"), w.officer, workshop).want(201).str("id")
	on := func(n int) string { return w.clock.now().AddDate(0, 0, n).Format(time.DateOnly) }
	one := w.do("POST", w.at("closures"), w.as("tool_keeper"), row{"garage": "north", "first_day": on(3), "last_day": on(4), "reason": "Stocktaking"}).want(201)
	all := w.do("POST", w.at("closures"), w.officer, row{"first_day": on(0), "last_day": on(0)}).want(201)
	if one.str("garage_id") != garage || all.get("garage_id") != nil || one.str("state") != "stands" {
		t.Errorf("%s\n%s", one.body, all.body)
	}
	if got := w.do("GET", one.header.Get("Location"), w.as("member"), nil).want(200); string(got.body) != string(one.body) {
		t.Errorf("made %s\nread %s", one.body, got.body)
	}
	list := func(query string) (ids []string) {
		r := w.do("GET", w.at("closures"+query), w.as("auditor"), nil).want(200)
		for i := range len(r.get("items").([]any)) {
			ids = append(ids, r.str("items", i, "id"))
		}
		return ids
	}
	gone := w.do("POST", w.at("closures/"+one.str("id")+"/withdraw"), w.officer, nil).want(200)
	again := w.do("POST", w.at("closures/"+one.str("id")+"/withdraw"), w.officer, nil).want(200)
	if gone.str("state") != "withdrawn" || gone.get("withdrawn_at") == nil || string(again.body) != string(gone.body) {
		t.Errorf("%s\n%s", gone.body, again.body)
	}
	if diff := cmp.Diff([][]string{{all.str("id"), one.str("id")}, {all.str("id")}, {one.str("id")}}, [][]string{list(""), list("?state=stands"), list("?state=withdrawn")}); diff != "" {
		t.Error(diff)
	}
	for name, f := range map[string]struct {
		body row
		at   string
	}{
		"ends before it begins": {row{"first_day": on(4), "last_day": on(3)}, "/last_day"},
		"too long":              {row{"first_day": on(4), "last_day": on(405)}, "/last_day"},
		"over":                  {row{"first_day": on(-5), "last_day": on(-2)}, "/last_day"},
		"too far ahead":         {row{"first_day": on(800), "last_day": on(800)}, "/last_day"},
		"nowhere":               {row{"garage": "nowhere", "first_day": on(4), "last_day": on(4)}, "/garage"},
		"no day":                {row{"first_day": "2027-02-29", "last_day": "2027-02-29"}, "/first_day"},
	} {
		t.Run(name, func(t *testing.T) { w.do("POST", w.at("closures"), w.officer, f.body).want(422).wantFault(f.at) })
	}
	leap := w.do("POST", w.at("closures"), w.officer, row{"first_day": "2028-02-29", "last_day": "2028-02-29"})
	if w.clock.now().Before(time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC)) {
		leap.want(422)
	} else {
		leap.want(201)
	}
}

func TestTravelTimesAreOneTableForBothWays(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	for _, code := range []string{"a", "b", "c"} {
		w.do("POST", w.at("garages"), w.officer, row{"code": code, "name": "Yard", "time_zone": "UTC"}).want(201)
	}
	put := func(others string, pairs ...row) *response {
		body := row{"travel_times": append([]row{}, pairs...)}
		if others != "" {
			body["others"] = others
		}
		return w.do("PUT", w.at("travel-times"), w.as("tool_keeper"), body)
	}
	held := func(want ...string) {
		t.Helper()
		r := w.do("GET", w.at("travel-times"), w.as("member"), nil).want(200)
		got := []string{}
		for i := range len(r.get("items").([]any)) {
			got = append(got, fmt.Sprintf("%s %s %v", r.str("items", i, "garage"), r.str("items", i, "other_garage"), number(t, r, "items", i, "minutes")))
		}
		if diff := cmp.Diff(append([]string{}, want...), got); diff != "" || number(t, r, "otherwise_minutes") != 60 {
			t.Errorf("%s%s", diff, r.body)
		}
	}
	held()
	first := put("", row{"garage": "b", "other_garage": "a", "minutes": 90}, row{"garage": "a", "other_garage": "c", "minutes": 0}).want(200)
	held("a b 90", "a c 0")
	if first.str("items", 0, "garage") != "a" || number(t, first, "items", 0, "minutes") != 90 {
		t.Errorf("answered %s", first.body)
	}
	put("keep", row{"garage": "c", "other_garage": "a", "minutes": 15}, row{"garage": "c", "other_garage": "b", "minutes": 45}).want(200)
	held("a b 90", "a c 15", "b c 45")
	put("forget", row{"garage": "a", "other_garage": "b", "minutes": 30}).want(200)
	held("a b 30")
	put("", row{"garage": "a", "other_garage": "a", "minutes": 1}, row{"garage": "a", "other_garage": "b", "minutes": 1}, row{"garage": "b", "other_garage": "a", "minutes": 2},
		row{"garage": "d", "other_garage": "b", "minutes": 1}).want(422).wantFault("/travel_times/0/other_garage").wantFault("/travel_times/2/other_garage").wantFault("/travel_times/3/garage")
	held("a b 30")
	put("").want(200)
	held()
	w.do("PUT", w.at("travel-times"), w.as("member"), row{"travel_times": []row{}}).want(403)
}
