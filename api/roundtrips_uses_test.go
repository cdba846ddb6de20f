package api_test

import (
	"fmt"
	"time"
)

func init() {
	loan := "" // of the micrometer, made by the first that asks
	lent := func(w *world) string {
		if loan == "" {
			loan = w.lend("M7", "M1", w.before(time.Hour), w.clock.now().Add(time.Hour)).String()
		}
		return loan
	}
	uses := func(w *world) *response {
		return w.do("POST", w.at("tools/M7/uses"), w.officer, row{"uses": []row{{"work": "measurements", "loan": lent(w), "repair": "R4", "joint": "only"}, {"work": "other", "member": "M1"}}})
	}
	type counted = struct {
		operation string
		trips     int64
		request   func(w *world, turn int) *response
	}
	roundTrips = append(roundTrips, []counted{
		{"recordToolUses", 2, func(w *world, _ int) *response { return uses(w) }},
		{"recordToolUses and voidToolUse", 4, func(w *world, _ int) *response {
			return w.do("POST", w.at("tools/M7/uses/"+uses(w).want(201).str("uses", 0, "id")+"/void"), w.officer, row{"reason": "A slip"})
		}},
		{"listToolUses", 1, func(w *world, _ int) *response {
			return w.do("GET", w.at("tools/M7/uses?member=M1&repair=R4&loan="+lent(w)), w.officer, nil)
		}},
		{"proposeToolUses", 1, func(w *world, _ int) *response {
			return w.do("GET", w.at("loans/"+lent(w)+"/uses-proposed"), w.officer, nil)
		}},
		{"checkTool and voidToolCheck", 4, func(w *world, _ int) *response {
			made := w.do("POST", w.at("tools/W8/checks"), w.officer, row{"kind": "check_cut", "size": "8 mm", "u": "1 um", "instrument": "M7"}).want(201)
			return w.do("POST", w.at("tools/W8/checks/"+made.str("id")+"/void"), w.officer, row{"reason": "A slip"})
		}},
		{"listToolChecks", 1, func(w *world, _ int) *response { return w.do("GET", w.at("tools/W8/checks"), w.officer, nil) }},
		{"renewTool and voidToolRenewal", 4, func(w *world, turn int) *response {
			made := w.do("POST", w.at("tools/W8/renewals"), w.officer, row{"kind": "sharpened", "done_at": fmt.Sprintf("2026-01-0%dT10:00:00Z", turn+1)}).want(201)
			return w.do("POST", w.at("tools/W8/renewals/"+made.str("id")+"/void"), w.officer, row{"reason": "A slip"})
		}},
		{"listToolRenewals", 1, func(w *world, _ int) *response { return w.do("GET", w.at("tools/W8/renewals"), w.officer, nil) }},
	}...)
}
