package api_test

import "fmt"

func init() {
	get := func(path string) func(w *world, turn int) *response {
		return func(w *world, _ int) *response { return w.do("GET", w.at(path), w.officer, nil) }
	}
	post := func(path string, body func(turn int) row) func(w *world, turn int) *response {
		return func(w *world, turn int) *response { return w.do("POST", w.at(path), w.officer, body(turn)) }
	}
	// What was begun or finished already is told, after the same look-ups and behind the same lock.
	for operation, of := range map[string]struct {
		trips   int64
		request func(w *world, turn int) *response
	}{
		"listProcedures": {1, get("procedures?limit=1")}, "getProcedure": {1, get("procedures/short")}, "listProcedureEditions": {1, get("procedures/short/editions")},
		"getProcedureEdition": {1, get("procedures/short/editions/1")}, "listRepairs": {1, get("repairs?limit=1")}, "getRepair": {1, get("repairs/R1")}, "getRepairRecord": {1, get("repairs/R1/record")},
		"listRepairSteps": {1, get("repairs/R1/steps")}, "getRepairStep": {1, get("repairs/R1/steps/soak")}, "getRepairsToday": {1, get("garages/north/repairs-today")},
		"createProcedure": {2, post("procedures", func(turn int) row { return row{"code": fmt.Sprint("copy", turn), "shipped": "king-pin"} })},
		"createRepair": {2, post("repairs", func(turn int) row {
			return row{"vehicle": "counted", "joints": []string{fmt.Sprint("j", turn+1)}, "procedure": "door-hinge", "garage": "north"}
		})},
		"beginRepairStep":    {2, post("repairs/R1/steps/soak/begin", func(turn int) row { return row{"round": turn + 1} })},
		"finishRepairStep":   {2, post("repairs/R2/steps/soak/finish", func(int) row { return row{"early": true, "note": "It came out"} })},
		"leaveOutRepairStep": {2, post("repairs/R2/steps/bath/leave-out", func(int) row { return row{"reason": "No rust"} })},
		"patchRepair": {2, func(w *world, turn int) *response {
			return w.do("PATCH", w.at("repairs/R1"), w.officer, row{"note": fmt.Sprint("note ", turn)}, header{"If-Match", "*"})
		}},
		"abandonRepair": {2, post("repairs/R3/abandon", func(int) row { return row{"reason": "The car was sold"} })},
		"retireProcedure": {2, func(w *world, turn int) *response {
			return w.do("POST", w.at(fmt.Sprintf("procedures/gone%d/retire", turn)), w.officer, nil)
		}},
	} {
		roundTrips = append(roundTrips, struct {
			operation string
			trips     int64
			request   func(w *world, turn int) *response
		}{operation, of.trips, of.request})
	}
}

// countedRepairs makes what the rows above ask for.
func countedRepairs(w *world) {
	w.t.Helper()
	short(w)
	w.do("POST", w.at("vehicles"), w.officer, row{"code": "counted", "name": "Counted"}).want(201)
	w.do("POST", w.at("vehicles/counted/joints"), w.officer, row{"template": "door-hinge", "positions": []string{"a", "b", "c", "j1", "j2", "j3"}, "nominal": "8 mm"}).want(201)
	for _, joint := range []string{"a", "b", "c"} {
		w.do("POST", w.at("repairs"), w.officer, row{"vehicle": "counted", "joints": []string{joint}, "procedure": "short", "garage": "north"}).want(201)
	}
	stepAct(w, w.officer, "soak", "begin", row{}).want(200)
	w.do("POST", w.at("repairs/R2/steps/soak/begin"), w.officer, row{}).want(200)
	for n := range 3 {
		w.do("POST", w.at("procedures"), w.officer, row{"code": fmt.Sprint("gone", n), "shipped": "king-pin"}).want(201)
	}
}
