package api_test

import (
	"strings"
	"testing"
)

// furnished is a world with something in every list, in texts that CSV and
// spreadsheets find hard, and with every kind of length.
func furnished(t *testing.T) *world {
	t.Helper()
	w, i := newVouchedWorld(t)
	w.hinges()
	add := func(path string, body map[string]any) *response {
		t.Helper()
		return w.do("POST", w.at(path), w.officer, body).want(201)
	}
	add("garages", row{"code": "south", "name": "=HYPERLINK(\"x\")", "address": "1, Lane \"end\"\r\n2nd floor", "time_zone": "UTC"})
	w.do("PUT", w.at("travel-times"), w.officer, row{"travel_times": []row{{"garage": "south", "other_garage": "north", "minutes": 90}}}).want(200)
	add("closures", row{"garage": "south", "first_day": "2026-12-24", "last_day": "2026-12-26", "reason": "=holidays, \"all\""})
	add("members", row{"number": "A7", "name": "@Ada, \"Wren\"", "roles": []string{"member", "treasurer"}, "garage": "south"})
	add("tool-models", row{"code": "MIC", "name": "-Micrometer", "kind": "micrometer", "resolution": "1 um", "range_from": "0 mm", "range_to": "25 mm"})
	add("tools", row{"number": "M7", "model": "MIC", "garage": "south"})
	add("tool-models", row{"code": "G318", "name": "Gauge", "kind": "pin_gauge", "size": "0.318 in"})
	add("tools", row{"number": "G318", "model": "G318", "garage": "south", "note": "\tkeep | dry \\"})
	add("kits", row{"code": "box", "name": "=box, \"red\"", "note": "-top | shelf", "parts": []row{fixed("G318"), anyOf("MIC"), anyOf("MIC")}})
	add("tools/G318/calibrations", row{"calibrated_on": "2026-01-05", "expanded_uncertainty": "0.0001 in", "deviation": "-1 um", "certificate": "＝1"})
	add("tools/G318/studies", row{"studied_on": "2026-01-06", "attribute_study": row{"parts": []row{{"part": "=1", "size": "0.317 in"}, {"part": "2", "size": "0.319 in"}},
		"decisions": []row{{"person": "Ada", "part": "=1", "accepted": false}, {"person": "Ada", "part": "2", "accepted": true}}}})
	add("joint-templates", row{"code": "eyelet", "name": "Eyelet", "form": row{"ovality": "5 um"}, "target": row{"fit": "H7/g6"}, "cautions": []string{"heat", "acid"},
		"features": []any{row{"code": "hole", "shape": "bore", "duty": "running", "nominal": "8 mm"}, row{"code": "shaft", "shape": "pin", "duty": "held", "length": "1 in"}}})
	w.do("PATCH", w.at("joints/left-upper"), w.officer, row{"facts": row{"coated": true}}, header{"If-Match", "*"}).want(200)
	for i, r := range []row{
		{"joint": "left-upper", "gauge": "0.316 in", "result": "no_go", "surface": "bright"},
		{"joint": "left-upper", "value": "8.02 mm", "instrument": "M7", "temperature": row{"value": 21.5, "unit": "Cel"}, "station": "mouth_a", "feature": "pin"},
		{"joint": "left-upper", "value": "0.315 mm", "with": "caliper"}, // doubtful: it was an inch
	} {
		made := add("readings", r)
		if i == 2 {
			w.do("POST", w.at("readings/"+made.str("id")+"/void"), w.officer, row{"reason": "-slipped, \"twice\""}).want(200)
		}
	}
	w.alwaysOpen()
	w.reserve(w.officer, 1, 3, toolLine("M7"), modelLine("reamer-0.318")).want(201)
	add("waiting-list", w.waitFor(1, 3, 2, toolLine("M7")))
	add("handouts", row{"member": "M1", "tools": []row{{"tool": "R-0.322"}}})
	add("returns", row{"garage": "north", "tools": []row{{"tool": "R-0.322"}}}) // to be charged
	add("handouts", row{"member": "M1", "tools": []row{{"tool": "M7", "condition": "worn", "note": "=one flute, \"blunt\"\r\n", "deposit": row{"minor": 2000}}}})
	add("tools/G318/inspections", row{"verdict": "usable", "note": "-worn, \"a little\"", "checks": []row{{"value": "0.318 in"}}, "next_due_on": "2099-01-01"})
	if _, err := w.db.Owner.Exec(t.Context(), `insert into reminder (club_id, id, member_id, kind, subject, due_at, told_at, detail, tools, time_zone, made_at, mail, mail_at)
		select b.club_id, gen_random_uuid(), r.member_id, 'endangered', r.id, $1, $1, 'late', array[b.tool_id], 'UTC', $1, 'sent', $1
		from reservation r join booking b on b.club_id = r.club_id and b.reservation_id = r.id and b.line = 0`, w.clock.now()); err != nil {
		t.Fatal(err)
	}
	add("certificates", row{"member": "A7", "tool_model": "MIC", "expires_on": "2100-01-01"})
	w.do("POST", w.at("imports?kind=members"), w.officer, raw("number,name\nB8,Bo Imported\n"), header{"Content-Type", "text/csv"}).want(201)
	add("invitations", row{"id": newID(), "name": "+Runa, \"guest\"", "number": "R7", "roles": []string{"member", "auditor"}, "garage": "south"})
	add("calendars", row{"id": newID(), "of": "garage", "garage": "south", "names": true})
	w.link(w.officer, i.Sign(i.About("=person|7", w.clock.now(), nil))).want(201)
	add("form-priors", row{"template": "door-hinge", "shape": "bore", "position": "left-upper"})
	add("recommendations", row{"joints": []string{"left-upper", "left-lower"}})
	greased := w.do("POST", w.at("joints/left-upper/events"), w.officer, row{"kind": "lubricated", "occurred_at": "2026-04-01T10:00:00Z", "note": "=grease, \"all\"\r\nof it"}).want(201)
	w.do("POST", w.at("joint-events/"+greased.str("id")+"/void"), w.officer, row{"reason": "-1 | \\"}).want(200)
	car := w.do("GET", w.at("joints/left-upper"), w.officer, nil).want(200).str("vehicle_id")
	w.do("POST", w.at("vehicles/"+car+"/distances"), w.officer, row{"shown": 12.5, "unit": "mi", "taken_at": "2026-04-01T10:00:00Z", "replaced": true, "previous": 99999}).want(201)
	w.do("POST", w.at("vehicles/"+car+"/history-consents"), w.officer, row{"note": "=signed, \"in ink\""}).want(201)
	history := w.do("GET", w.at("vehicles/"+car+"/history"), w.officer, nil).want(200)
	w.do("POST", w.at("history-imports"), w.officer, raw(history.body)).want(201) // its own: all of it is there
	add("suppliers", row{"code": "fallow", "name": "=Fallow, \"Pins\"", "note": "-closed | in August", "stated_days": 5})
	ordered := add("parts-orders", row{"supplier": "fallow", "reference": "=F-1", "note": "+by post\r\n", "lines": []row{{"pin_series": "hinge-314", "step": "oversize_1", "quantity": 4}, {"what": "@Oil", "unit": "tin", "quantity": 2, "unit_price": row{"minor": 900}}}})
	add("parts-orders/"+ordered.str("id")+"/arrivals", row{"lines": []row{{"line": 1, "quantity": 1}}, "note": "=left, \"outside\""})
	add("repairs", row{"vehicle": "tourer", "joints": []string{"left-upper"}, "procedure": "door-hinge", "garage": "south", "note": "=upper, \"first\"\r\n"})
	w.do("POST", w.at("repairs/R1/steps/protect/finish"), w.officer, row{"note": "-taped | twice"}).want(200)
	w.do("POST", w.at("repairs/R1/steps/penetrant/begin"), w.officer, row{}).want(200)
	books := w.as("treasurer")
	w.do("POST", w.at("charges"), books, row{"member": "A7", "tool": "M7", "reason": "use", "amount": row{"minor": 450}, "note": "=two holes, \"dry\"\r\n"}).want(201)
	w.do("POST", w.at("charge-rules"), books, row{"valid_from": w.day(0), "late_per_day": money(200), "consumables": []row{{"kind": "reamer", "per_unit": money(20)}, {"kind": "drift", "per_unit": money(5)}}, "exempt": []string{"guests", "officers"}, "note": "=as decided, \"all\"\r\n"}).want(201)
	w.do("POST", w.at("tool-models/MIC/costs"), books, row{"valid_from": w.day(0), "cost": money(9000), "note": "-a guess | for now"}).want(201)
	add("quotes", row{"member": "A7", "period": w.period(1, 3), "lines": []row{{"tool": "M7", "expected_uses": 3}, {"tool_model": "G318", "expected_uses": 0}}})
	w.do("POST", w.at("ledger/closings"), books, row{"closed_until": "2026-01-31", "note": "-looked | through"}).want(201)
	w.bankTells(books, "?decimal=point&dates=ymd", "date,amount,reference,name\n2026-05-01,4.50,\"=A7, \"\"holes\"\"\",@Ada\n").want(201)
	add("readings", row{"joint": "left-upper", "value": "0.322 in", "with": "bore_gauge", "stage": "reamed"})
	add("repairs/R1/plans", row{"free": row{"weekly": []row{{"weekday": 6, "from": "08:00", "until": "18:00"}}}, "ordering": "at_hand", "at_hand": []string{"reamer"}})
	add("repairs", row{"joints": []string{"left-lower"}, "procedure": "door-hinge", "garage": "south"})
	w.leaveAllOut("R2")
	w.do("POST", w.at("repairs/R2/sign-off"), w.officer, row{}).want(200)
	add("repairs/R1/verifications", row{"joint": "left-upper", "step": "oversize_2", "reamer": "R-0.322"})
	used := add("tools/R-0.322/uses", row{"uses": []row{{"work": "holes", "count": 3, "size_before": "0.319 in", "depth": "10 mm", "repair": "R1", "joint": "left-upper", "feature": "bore", "note": "=three, \"dry\"\r\n"}, {"work": "holes", "size_before": "8.1 mm", "depth": "0.4 in"}}})
	w.do("POST", w.at("tools/R-0.322/uses/"+used.str("uses", 0, "id")+"/void"), w.officer, row{"reason": "-1 | \\"}).want(200)
	add("tools/R-0.322/checks", row{"kind": "check_cut", "size": "0.3221 in", "u": "1 um", "depth": "10 mm", "lubricant": "dry", "note": "@scrap\r\n"})
	add("tools/G318/renewals", row{"kind": "replaced", "note": "+a new one, \"ground\""})
	add("repairs/R1/nonconformities", row{"joint": "left-upper", "kind": "other", "detail": "=torn, \"a little\"\r\n"})
	for _, of := range []string{"tools/G318", "joints/left-upper"} {
		made := w.photo(of, newID(), w.officer, pictured(t, "orientation-1.jpg")).want(201)
		w.do("PATCH", w.at("photos/"+made.str("id")), w.officer, row{"caption": "=1+1, \"worn\"\r\nhere", "order": -1}, header{"If-Match", "*"}).want(200)
	}
	return w
}

// furnishedPath fills in a path of the contract with what furnished has.
var furnishedPath = map[string]string{"club": "hollow-lane", "vehicle": "tourer", "joint": "left-upper", "tool": "G318", "tool_model": "MIC", "kit": "box", "garage": "south", "member": "A7",
	"pin_series": "hinge-314", "joint_template": "eyelet", "repair": "R1", "repair_step": "pull:left-upper", "procedure": "door-hinge", "procedure_edition": "1", "supplier": "fallow"}

// furnishedFor are the things that operations want which are not for every kind of tool.
var furnishedFor = map[string]string{"getCutSize tool": "R-0.322", "listToolChecks tool": "R-0.322", "checkTool tool": "R-0.322", "voidToolCheck tool": "R-0.322",
	"listToolUses tool": "R-0.322", "getToolUse tool": "R-0.322", "getToolModelLife tool_model": "G318"}

// furnishedAt returns the address of an operation in a furnished world; ids are
// looked up in the list one level up.
func (w *world) furnishedAt(op walked) string {
	w.t.Helper()
	ids := map[string]string{}
	first := func(list string) string {
		return w.do("GET", w.at(list+"?limit=1"), w.officer, nil).want(200).str("items", 0, "id")
	}
	for _, name := range append(op.pathParams(), "club") {
		switch name {
		case "closure", "reading", "reservation", "recommendation", "token", "import", "certificate":
			ids[name] = first(name + "s")
		case "bank_row":
			ids[name] = w.do("GET", w.at("bank-rows"), w.as("treasurer"), nil).want(200).str("items", 0, "id")
		case "verification":
			ids[name] = first("repairs/R1/verifications")
		case "nonconformity":
			ids[name] = first("repairs/R1/nonconformities")
		case "parts_order":
			ids[name] = first("parts-orders")
		case "tool_use":
			ids[name] = first("tools/R-0.322/uses")
		case "tool_check":
			ids[name] = first("tools/R-0.322/checks")
		case "tool_renewal":
			ids[name] = first("tools/G318/renewals")
		case "loan":
			ids[name] = first("loans")
		case "gauge_study":
			ids[name] = first("tools/G318/studies")
		case "photo":
			ids[name] = first("tools/G318/photos")
		case "form_prior":
			ids[name] = first("form-priors")
		case "feature":
			ids[name] = w.do("GET", w.at("joints/left-upper/features"), w.officer, nil).want(200).str("items", 0, "id")
		default:
			ids[name] = furnishedPath[name]
			if apart, ok := furnishedFor[op.id+" "+name]; ok {
				ids[name] = apart
			}
		}
		if ids[name] == "" {
			w.t.Fatalf("%s: a furnished world has no %s", op, name)
		}
	}
	path := op.path
	for name, id := range ids {
		path = strings.ReplaceAll(path, "{"+name+"}", id)
	}
	return path + requiredQuery(w.t.(*testing.T), op)
}
