package api_test

import (
	"fmt"
	"testing"
	"time"

	"pinwright/internal/pgtest"
)

// TestRoundTripsOfPlans holds what roundTrips holds, for plans of repairs. Making one
// takes three: when tools can be had is asked once it is known which; so does
// reserving them, which locks them in between.
func TestRoundTripsOfPlans(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	pool, counted := countedPool(t, db.AppURL)
	w := newWorldOn(t, db, pool)
	beginWagon(w)
	plan(w, row{"free": weekend}).want(201)
	for _, who := range []string{w.officer, w.as("member")} {
		w.do("GET", w.at("garages"), who, nil).want(200)
	}
	for deadline, noted := time.Now().Add(time.Minute), false; !noted; time.Sleep(time.Millisecond) {
		if err := db.Owner.QueryRow(t.Context(), `select count(used_on) = 2 from token where used_on is not null`).Scan(&noted); err != nil || time.Now().After(deadline) {
			t.Fatalf("the tokens' use was not noted: %v", err)
		}
	}
	get := func(path string) func(int) *response {
		return func(int) *response { return w.do("GET", w.at(path), w.officer, nil) }
	}
	for _, row := range []struct {
		operation string
		trips     int64
		request   func(turn int) *response
	}{
		{"createPlan", 3, func(turn int) *response { return plan(w, row{"lead_days": 5 + turn}) }},
		{"getPlan", 1, get("repairs/R1/plans/newest")},
		{"listPlans", 1, get("repairs/R1/plans?limit=2")},
		{"getPlanPicture", 1, get("repairs/R1/plans/1/picture")},
		{"createPlan, reservePlan and cancelReservation", 8, func(int) *response {
			plan(w, row{}).want(201)
			made := w.do("POST", w.at("repairs/R1/plans/newest/reservations"), w.as("member"), nil).want(200)
			return w.do("POST", w.at("reservations/"+made.str("reservation", "id")+"/cancel"), w.as("member"), nil)
		}},
	} {
		t.Run(fmt.Sprintf("%s costs %d", row.operation, row.trips), func(t *testing.T) {
			for turn := range 2 { // the first prepares, of a write also its second half
				if r := row.request(turn); r.status >= 300 {
					t.Fatalf("%s: %d\n%s", row.operation, r.status, r.body)
				}
			}
			before := counted.told.Load()
			if r := row.request(2); r.status >= 300 {
				t.Fatalf("%s: %d\n%s", row.operation, r.status, r.body)
			}
			if told := counted.told.Load() - before; told != row.trips {
				t.Errorf("%s took %d round trips, want %d", row.operation, told, row.trips)
			}
		})
	}
}
