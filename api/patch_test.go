package api_test

import (
	"encoding/json"
	"net/http"
	"slices"
	"testing"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/google/go-cmp/cmp"
)

// optionalValues gives each field that an edit may delete something to delete;
// by operation.
var optionalValues = map[string]row{
	"patchGarage": {"address": "Back lane"},
	"patchMember": {"garage": "north"}, // and guest: see guestBecomesMember
	"patchToolModel": {"charge_per_use": row{"minor": 150}, "caution": "Mind the edges.", "value": row{"minor": 9000}, "deposit": row{"minor": 2000}, "turnaround_hours": 5,
		"parts": 3, "certificate_needed": true, "approval_needed": true},
	"patchTool":         {"note": "dry", "value": row{"minor": 8000}, "deposit": row{"minor": 1000}, "inspection_due_on": "2099-01-02", "place": "north"},
	"patchKit":          {"note": "dry"},
	"patchLendingRules": {"approval_from": row{"minor": 50000}, "fair_share_percent": 40},
	"patchContact":      {"mail_address": "ada@hollow-lane.example", "quiet_hours": row{"from": "22:00", "until": "07:00"}},
	"patchVehicle":      {"chassis_number": "L 1041", "built_year": 1961, "garage": "south"},
	"patchJoint": {"pin_series": "other", "target": row{"fit": "H7/g6"}, "boss": row{"diameter": "20 mm", "material": "brass"}, "access": row{"blind": true},
		"guidance": "jig", "guidance_offset": "0 mm", "coating": "40 um"},
	"patchRepair":   {"note": "The upper ones first"},
	"patchSupplier": {"note": "Closed in August", "stated_days": 7},
	"patchPhoto":    {"caption": "Worn jaw"},
}

// notShown are fields of an edit that are no fields of what is edited.
var notShown = []string{"patchJoint nominal", "patchJoint lengths", "patchTool place", "patchSupplier retired"}

func (w *world) patchable(t *testing.T) []walked {
	t.Helper()
	w.do("POST", w.at("pin-series"), w.officer, row{"code": "other", "name": "Other pins", "steps": []any{row{"code": "standard", "pin": "9 mm"}}}).want(201)
	var out []walked
	for _, op := range everyOperation(t) {
		if op.method == http.MethodPatch {
			out = append(out, op)
		}
	}
	if len(out) < 7 {
		t.Fatalf("only %d operations edit", len(out))
	}
	return out
}

// editor is somebody who may edit: an officer where they may.
func (w *world) editor(op walked) string {
	if len(op.roles) == 0 || slices.Contains(op.roles, "officer") {
		return w.officer
	}
	return w.as(op.roles[0])
}

// hasDefault are fields that an edit may delete although the answer never lacks
// them: without them the usual is said (one part, no certificate, the home garage).
var hasDefault = []string{"patchToolModel parts", "patchToolModel certificate_needed", "patchToolModel approval_needed", "patchTool place"}

// In a merge patch null deletes (RFC 7396, 2): whatever the contract shows as
// optional, or has a usual value for, goes back to what it was without it; whatever
// else it requires is refused with its place. The contract calls the former nullable.
func TestNullDeletesWhatIsOptionalAndIsRefusedOtherwise(t *testing.T) {
	t.Parallel()
	w := furnished(t)
	for _, op := range w.patchable(t) {
		t.Run(op.id, func(t *testing.T) {
			path := w.furnishedAt(op)
			shown := op.spec.Responses.Status(200).Value.Content["application/json"].Schema.Value
			patch := func(body any) *response {
				t.Helper()
				return w.do("PATCH", path, w.editor(op), body, header{"If-Match", "*"})
			}
			for name, property := range op.bodies()["application/merge-patch+json"].Schema.Value.Properties {
				field := name
				if shown.Properties[field] == nil {
					field += "_id"
				}
				if shown.Properties[field] == nil && !slices.Contains(notShown, op.id+" "+name) {
					t.Fatalf("%s edits what %s does not show", name, op.id)
				}
				deletable := shown.Properties[field] != nil && !slices.Contains(shown.Required, field) || slices.Contains(hasDefault, op.id+" "+name)
				nullable := property.Value.Nullable || slices.ContainsFunc(property.Value.OneOf, func(one *openapi3.SchemaRef) bool { return one.Value.Nullable })
				if nullable != deletable {
					t.Errorf("%s: the contract says nullable %v", name, property.Value.Nullable)
				}
				if !deletable {
					patch(row{name: nil}).want(422).wantFault("/" + name)
					continue
				}
				if op.id == "patchMember" && name == "guest" {
					w.guestBecomesMember(t)
					continue
				}
				value, ok := optionalValues[op.id][name]
				if op.id == "patchRepair" && name == "recommendation" {
					value, ok = w.do("GET", w.at("recommendations?limit=1"), w.officer, nil).want(200).str("items", 0, "id"), true
				}
				if !ok {
					t.Fatalf("%s %s is optional; give it something to delete in optionalValues", op.id, name)
				}
				bare := patch(row{name: nil}).want(200)
				with := patch(row{name: value}).want(200)
				if cmp.Equal(versionless(t, bare), versionless(t, with)) {
					t.Errorf("%s was not set: %s", name, with.body)
				}
				if diff := cmp.Diff(versionless(t, bare), versionless(t, patch(row{name: nil}).want(200))); diff != "" {
					t.Errorf("%s was not deleted (-before +after):\n%s", name, diff)
				}
			}
			patch(row{"no_such_field": nil}).want(422).wantFault("/no_such_field")
			for _, none := range []string{`[]`, `null`, `"x"`, `{}`} {
				patch(raw(none)).want(422).wantProblem("invalid-request")
			}
		})
	}
}

// guestBecomesMember deletes a guest's stay, which no edit gives back: guests are
// added as such.
func (w *world) guestBecomesMember(t *testing.T) {
	t.Helper()
	made, _ := w.guest("V-9", "M1", 2)
	patch := func(stay any) *response {
		t.Helper()
		return w.do("PATCH", w.at("members/V-9"), w.officer, row{"guest": stay}, header{"If-Match", "*"})
	}
	longer := patch(row{"last_day": w.dayAhead(3)}).want(200)
	if made.str("guest", "last_day") != w.dayAhead(2) || longer.str("guest", "last_day") != w.dayAhead(3) {
		t.Errorf("the stay was not edited: %s", longer.body)
	}
	for range 2 { // a member already, the second time
		if member := patch(nil).want(200); member.get("guest") != nil {
			t.Errorf("the stay was not deleted: %s", member.body)
		}
	}
	patch(row{"last_day": w.dayAhead(3)}).want(409).wantProblem("not-allowed-now")
}

func versionless(t *testing.T, r *response) map[string]any {
	t.Helper()
	var out map[string]any
	if err := json.Unmarshal(r.body, &out); err != nil {
		t.Fatal(err)
	}
	delete(out, "version")
	return out
}

func TestNullDeletesWithinWhatIsEdited(t *testing.T) {
	t.Parallel()
	w := furnished(t)
	patch := func(path string, body row) *response {
		t.Helper()
		return w.do("PATCH", w.at(path), w.officer, body, header{"If-Match", "*"})
	}
	patch("joints/left-lower", row{"facts": row{"coated": true, "thin_boss": true, "bent_leaf": false}}).want(200)
	facts := patch("joints/left-lower", row{"facts": row{"coated": nil, "cracked_boss": nil}}).want(200).get("facts")
	if diff := cmp.Diff(map[string]any{"thin_boss": true}, facts); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	patch("joints/left-lower", row{"facts": row{"coated": "yes"}}).want(422).wantFault("/facts/coated")
	patch("joints/left-lower", row{"target": row{"clearance_min": "10 um", "clearance_max": "30 um"}}).want(200)
	target := patch("joints/left-lower", row{"target": row{"clearance_min": nil, "clearance_max": nil, "fit": "H7/g6"}}).want(200)
	if target.str("target", "fit") != "H7/g6" {
		t.Errorf("%s", target.body)
	}
	patch("joints/left-lower", row{"target": row{"fit": nil, "clearance_min": "10 um"}}).want(422).wantFault("/target/clearance_max")

	patch("tool-models/MIC", row{"charge_per_use": row{"minor": 200, "currency": "EUR"}}).want(200)
	charge := patch("tool-models/MIC", row{"charge_per_use": row{"currency": nil}}).want(200)
	if charge.num("charge_per_use", "minor") != 200 || charge.str("charge_per_use", "currency") != "EUR" {
		t.Errorf("what the patch does not name stays: %s", charge.body)
	}
	patch("tool-models/MIC", row{"charge_per_use": row{"minor": nil}}).want(422).wantFault("/charge_per_use/minor")
	patch("tool-models/MIC", row{"charge_per_use": nil}).want(200)
	patch("tool-models/MIC", row{"charge_per_use": row{"currency": "EUR"}}).want(422).wantFault("/charge_per_use/minor")
}

func TestEditsAreMergePatchesAndSaySo(t *testing.T) {
	t.Parallel()
	w := furnished(t)
	for _, op := range w.patchable(t) {
		path := w.furnishedAt(op)
		for _, media := range []string{"application/json", "application/json-patch+json", "text/plain", ""} {
			r := w.do("PATCH", path, w.editor(op), row{"name": "x"}, header{"If-Match", "*"}, header{"Content-Type", media}).want(415)
			if got := r.header.Get("Accept-Patch"); got != "application/merge-patch+json" { // RFC 5789, 2.2
				t.Errorf("%s: Accept-Patch %q", op, got)
			}
		}
		w.do("PATCH", path, w.editor(op), row{"no_such_field": 1}, header{"If-Match", "*"}, header{"Content-Type", "application/merge-patch+json; charset=utf-8"}).want(422)
	}
}
