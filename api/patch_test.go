package api_test

import (
	"encoding/json"
	"net/http"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// optionalValues gives each field that an edit may delete something to delete;
// by operation.
var optionalValues = map[string]row{
	"patchGarage":    {"address": "Back lane"},
	"patchMember":    {"garage": "north"},
	"patchToolModel": {"charge_per_use": row{"minor": 150}, "caution": "Mind the edges."},
	"patchTool":      {"note": "dry"},
	"patchVehicle":   {"chassis_number": "L 1041", "built_year": 1961, "garage": "south"},
	"patchJoint":     {"pin_series": "other", "target": row{"fit": "H7/g6"}},
	"patchPhoto":     {"caption": "Worn jaw"},
}

// notShown are fields of an edit that are no fields of what is edited.
var notShown = []string{"patchJoint nominal"}

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

// In a merge patch null deletes (RFC 7396, 2): whatever the contract shows as
// optional goes back to what it was without it, whatever it requires is refused with
// its place.
func TestNullDeletesWhatIsOptionalAndIsRefusedOtherwise(t *testing.T) {
	t.Parallel()
	w := furnished(t)
	for _, op := range w.patchable(t) {
		t.Run(op.id, func(t *testing.T) {
			path := w.furnishedAt(op)
			shown := op.spec.Responses.Status(200).Value.Content["application/json"].Schema.Value
			patch := func(body any) *response {
				t.Helper()
				return w.do("PATCH", path, w.officer, body, header{"If-Match", "*"})
			}
			for name := range op.bodies()["application/merge-patch+json"].Schema.Value.Properties {
				field := name
				if shown.Properties[field] == nil {
					field += "_id"
				}
				if shown.Properties[field] == nil && !slices.Contains(notShown, op.id+" "+name) {
					t.Fatalf("%s edits what %s does not show", name, op.id)
				}
				if slices.Contains(shown.Required, field) || shown.Properties[field] == nil {
					patch(row{name: nil}).want(422).wantFault("/" + name)
					continue
				}
				value, ok := optionalValues[op.id][name]
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
			r := w.do("PATCH", path, w.officer, row{"name": "x"}, header{"If-Match", "*"}, header{"Content-Type", media}).want(415)
			if got := r.header.Get("Accept-Patch"); got != "application/merge-patch+json" { // RFC 5789, 2.2
				t.Errorf("%s: Accept-Patch %q", op, got)
			}
		}
		w.do("PATCH", path, w.officer, row{"no_such_field": 1}, header{"If-Match", "*"}, header{"Content-Type", "application/merge-patch+json; charset=utf-8"}).want(422)
	}
}
