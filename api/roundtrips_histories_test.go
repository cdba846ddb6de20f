package api_test

import "fmt"

func init() {
	get := func(path string) func(w *world, turn int) *response {
		return func(w *world, _ int) *response { return w.do("GET", w.at(path), w.officer, nil) }
	}
	consents := func(w *world) *response {
		return w.do("POST", w.at("vehicles/coupe/history-consents"), w.officer, row{"note": "In the binder"}).want(201)
	}
	for operation, of := range map[string]struct {
		trips   int64
		request func(w *world, turn int) *response
	}{
		"listHistoryConsents": {1, get("vehicles/coupe/history-consents")},
		"listHistoryExports":  {1, get("vehicles/coupe/history-exports")},
		"createHistoryConsent and withdrawHistoryConsent": {4, func(w *world, _ int) *response {
			return w.do("POST", w.at("history-consents/"+consents(w).str("id")+"/withdraw"), w.officer, nil)
		}},
		"createHistoryConsent and getVehicleHistory": {4, func(w *world, turn int) *response {
			consents(w)
			return get("vehicles/coupe/history")(w, turn)
		}},
		"listHistoryImports": {1, get("history-imports")},
		// Who sends it is looked up before the body is read; then as any write.
		"createHistoryConsent, getVehicleHistory, createDistance and createHistoryImport, getHistoryImport": {10, func(w *world, turn int) *response {
			w.do("POST", w.at("vehicles/coupe/distances"), w.officer, row{"shown": 5000 + turn, "unit": "km", "taken_at": fmt.Sprintf("2026-06-0%dT10:00:00Z", turn+1)}).want(201)
			consents(w)
			made := w.do("POST", w.at("history-imports"), w.officer, raw(get("vehicles/coupe/history")(w, turn).body)).want(201)
			return w.do("GET", made.header.Get("Location"), w.officer, nil)
		}},
	} {
		roundTrips = append(roundTrips, struct {
			operation string
			trips     int64
			request   func(w *world, turn int) *response
		}{operation, of.trips, of.request})
	}
}
