package api_test

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
	} {
		roundTrips = append(roundTrips, struct {
			operation string
			trips     int64
			request   func(w *world, turn int) *response
		}{operation, of.trips, of.request})
	}
}
