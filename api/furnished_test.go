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
	add("members", row{"number": "A7", "name": "@Ada, \"Wren\"", "roles": []string{"member", "treasurer"}, "garage": "south"})
	add("tool-models", row{"code": "MIC", "name": "-Micrometer", "kind": "micrometer", "resolution": "1 um", "range_from": "0 mm", "range_to": "25 mm"})
	add("tools", row{"number": "M7", "model": "MIC", "garage": "south"})
	add("tool-models", row{"code": "G318", "name": "Gauge", "kind": "pin_gauge", "size": "0.318 in"})
	add("tools", row{"number": "G318", "model": "G318", "garage": "south", "note": "\tkeep | dry \\"})
	add("tools/G318/calibrations", row{"calibrated_on": "2026-01-05", "expanded_uncertainty": "0.0001 in", "deviation": "-1 um", "certificate": "＝1"})
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
	w.reserve(w.officer, 1, 3, toolLine("M7"), modelLine("reamer-0.318")).want(201)
	w.do("POST", w.at("imports?kind=members"), w.officer, raw("number,name\nB8,Bo Imported\n"), header{"Content-Type", "text/csv"}).want(201)
	add("invitations", row{"id": newID(), "name": "+Runa, \"guest\"", "number": "R7", "roles": []string{"member", "auditor"}, "garage": "south"})
	w.link(w.officer, i.Sign(i.About("=person|7", w.clock.now(), nil))).want(201)
	add("recommendations", row{"joints": []string{"left-upper", "left-lower"}})
	for _, of := range []string{"tools/G318", "joints/left-upper"} {
		made := w.photo(of, newID(), w.officer, pictured(t, "orientation-1.jpg")).want(201)
		w.do("PATCH", w.at("photos/"+made.str("id")), w.officer, row{"caption": "=1+1, \"worn\"\r\nhere", "order": -1}, header{"If-Match", "*"}).want(200)
	}
	return w
}

// furnishedPath fills in a path of the contract with what furnished has.
var furnishedPath = map[string]string{"club": "hollow-lane", "vehicle": "tourer", "joint": "left-upper", "tool": "G318", "tool_model": "MIC", "garage": "south", "member": "A7",
	"pin_series": "hinge-314", "joint_template": "eyelet"}

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
		case "reading", "reservation", "recommendation", "token", "import":
			ids[name] = first(name + "s")
		case "photo":
			ids[name] = first("tools/G318/photos")
		case "feature":
			ids[name] = w.do("GET", w.at("joints/left-upper/features"), w.officer, nil).want(200).str("items", 0, "id")
		default:
			ids[name] = furnishedPath[name]
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
