package api_test

import (
	"fmt"
	"testing"
	"time"

	"pinwright/internal/pgtest"
)

// TestRoundTripsOfVehiclesAndAnswers holds what roundTrips holds, for what is
// repaired and what is answered about it. Offers take two: which tools to look
// for stands in the recommendation.
func TestRoundTripsOfVehiclesAndAnswers(t *testing.T) {
	t.Parallel()
	db := pgtest.New(t)
	pool, counted := countedPool(t, db.AppURL)
	w := newWorldOn(t, db, pool)
	w.hinges()
	w.do("POST", w.at("readings"), w.officer, map[string]any{"joint": "left-upper", "gauge": "0.316 in", "result": "no_go", "surface": "bright"}).want(201)
	bore := featureNamed(t, w, "left-upper", "bore")
	kept := w.do("POST", w.at("recommendations"), w.officer, map[string]any{"joints": []string{"left-upper"}}).want(201).header.Get("Location")
	for deadline, noted := time.Now().Add(time.Minute), false; !noted; time.Sleep(time.Millisecond) {
		if err := db.Owner.QueryRow(t.Context(), `select used_on is not null from token where hash = $1`, w.club.Secret.Hash()).Scan(&noted); err != nil || time.Now().After(deadline) {
			t.Fatalf("the token's use was not noted: %v", err)
		}
	}
	get := func(path string) func(int) *response {
		return func(int) *response { return w.do("GET", path, w.officer, nil) }
	}
	for _, row := range []struct {
		operation string
		trips     int64
		request   func(turn int) *response
	}{
		{"listVehicles", 1, get(w.at("vehicles"))},
		{"getVehicle", 1, get(w.at("vehicles/tourer"))},
		{"createVehicle", 2, func(turn int) *response {
			return w.do("POST", w.at("vehicles"), w.officer, map[string]any{"code": fmt.Sprint("v", turn), "name": "Van", "garage": "north"})
		}},
		{"patchVehicle", 2, func(turn int) *response {
			return w.do("PATCH", w.at("vehicles/tourer"), w.officer, map[string]any{"name": fmt.Sprint("Tourer ", turn)}, header{"If-Match", "*"})
		}},
		{"getVehicle with all that can be included", 1, get(w.at("vehicles/tourer?include=joints,features,estimates"))},
		{"listJoints with estimates", 1, get(w.at("vehicles/tourer/joints?include=estimates"))},
		{"getJoint with estimates", 1, get(w.at("joints/left-upper?include=estimates"))},
		{"getRecordStanding", 1, get("/v1/records/" + "0000000000000000000000000000000000000000000000000000000000000000")},
		{"listVehicleRecords", 1, get(w.at("vehicles/tourer/records"))},
		{"search", 1, get(w.at("search?q=hinge"))},
		{"a list as CSV", 1, func(int) *response {
			return w.do("GET", w.at("vehicles/tourer/joints?units=in"), w.officer, nil, header{"Accept", "text/csv"})
		}},
		{"listJoints", 1, get(w.at("vehicles/tourer/joints"))},
		{"getJoint", 1, get(w.at("joints/left-upper"))},
		{"createJoints", 2, func(turn int) *response {
			return w.do("POST", w.at("vehicles/tourer/joints"), w.officer, map[string]any{"template": "door-hinge", "positions": []string{fmt.Sprint("boot-", turn), fmt.Sprint("hatch-", turn)}, "pin_series": "hinge-314"})
		}},
		{"patchJoint", 2, func(turn int) *response {
			return w.do("PATCH", w.at("joints/left-lower"), w.officer, map[string]any{"facts": map[string]any{"coated": turn%2 == 0}}, header{"If-Match", "*"})
		}},
		{"listFeatures", 1, get(w.at("joints/left-upper/features"))},
		{"getFeature", 1, get(w.at("features/" + bore))},
		{"listJointTemplates", 1, get(w.at("joint-templates"))},
		{"getJointTemplate", 1, get(w.at("joint-templates/door-hinge"))},
		{"listPinSeries", 1, get(w.at("pin-series"))},
		{"getPinSeries", 1, get(w.at("pin-series/hinge-314"))},
		{"getEstimate", 1, get(w.at("features/" + bore + "/estimate"))},
		{"getFeaturePicture", 1, get(w.at("features/" + bore + "/picture"))},
		{"createRecommendation", 2, func(int) *response {
			return w.do("POST", w.at("recommendations"), w.officer, map[string]any{"joints": []string{"left-upper"}})
		}},
		{"listRecommendations", 1, get(w.at("recommendations?vehicle=tourer&limit=1"))},
		{"getRecommendation", 1, get(kept)},
		{"getRecommendationPicture", 1, get(kept + "/picture")},
		{"getJointTrend", 1, get(w.at("joints/left-upper/trend?over=distance"))},
		{"getJointTrendPicture", 1, get(w.at("joints/left-upper/trend/picture"))},
		{"getOffers", 2, get(kept + "/offers")},
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
