package api_test

import "fmt"

func init() {
	get := func(path string) func(w *world, turn int) *response {
		return func(w *world, _ int) *response { return w.do("GET", w.at(path), w.as("treasurer"), nil) }
	}
	for operation, of := range map[string]struct {
		trips   int64
		request func(w *world, turn int) *response
	}{
		"getBooks": {1, get("ledger/books")},
		"patchBooks": {2, func(w *world, turn int) *response {
			return w.do("PATCH", w.at("ledger/books"), w.as("treasurer"), row{"year_begins": fmt.Sprintf("%02d-01", turn+1)}, header{"If-Match", "*"})
		}},
		"createOpeningBalances and reverseLedgerEntry": {4, func(w *world, _ int) *response {
			begun := w.do("POST", w.at("opening-balances"), w.as("treasurer"), row{"on": "2020-01-01", "bank": money(5), "members": []row{{"member": "M1", "owes": money(5)}}, "tools": []row{{"tool": "M7", "value": money(5)}}}).want(201)
			return w.do("POST", begun.header.Get("Location")+"/reverse", w.as("treasurer"), row{"note": "anew"})
		}},
	} {
		roundTrips = append(roundTrips, struct {
			operation string
			trips     int64
			request   func(w *world, turn int) *response
		}{operation, of.trips, of.request})
	}
}
