package api_test

func init() {
	for operation, request := range map[string]func(w *world, turn int) *response{
		"getReplacementFund":        func(w *world, _ int) *response { return w.do("GET", w.at(fundAt), w.officer, nil) },
		"getReplacementFundPicture": func(w *world, _ int) *response { return w.do("GET", w.at(fundAt+"/picture"), w.officer, nil) },
		"askReplacementFund": func(w *world, _ int) *response {
			return w.do("POST", w.at(fundAt+"/what-if"), w.officer, row{"turned_away": 0.1})
		},
	} {
		roundTrips = append(roundTrips, struct {
			operation string
			trips     int64
			request   func(w *world, turn int) *response
		}{operation, 1, request})
	}
}
