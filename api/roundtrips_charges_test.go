package api_test

func init() {
	roundTrips = append(roundTrips, []struct {
		operation string
		trips     int64
		request   func(w *world, turn int) *response
	}{
		{"listChargeRules", 1, func(w *world, _ int) *response { return w.do("GET", w.at("charge-rules"), w.officer, nil) }},
		{"createChargeRules", 2, func(w *world, _ int) *response {
			return w.do("POST", w.at("charge-rules"), w.officer, row{"valid_from": w.day(0), "late_per_day": money(100)})
		}},
		{"listToolCosts", 1, func(w *world, _ int) *response { return w.do("GET", w.at("tool-models/MIC/costs"), w.officer, nil) }},
		{"createToolCosts", 2, func(w *world, _ int) *response {
			return w.do("POST", w.at("tool-models/MIC/costs"), w.officer, row{"valid_from": w.day(0), "life": 4000})
		}},
		{"createQuote", 2, func(w *world, _ int) *response {
			return w.do("POST", w.at("quotes"), w.officer, row{"period": w.period(0, 5), "lines": []row{{"tool": "M7", "expected_uses": 3}, {"tool_model": "MIC", "expected_uses": 3}}})
		}},
		{"createQuote of a reservation", 2, func(w *world, _ int) *response {
			return w.do("POST", w.at("quotes"), w.officer, row{"reservation": w.booked, "lines": []row{{"line": 0, "expected_uses": 3}}})
		}},
		{"listLoansToCharge", 1, func(w *world, _ int) *response { return w.do("GET", w.at("loans-to-charge"), w.officer, nil) }},
		{"listQuotes", 1, func(w *world, _ int) *response { return w.do("GET", w.at("quotes?member=M1&limit=1"), w.officer, nil) }},
	}...)
}
