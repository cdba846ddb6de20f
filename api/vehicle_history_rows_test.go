package api_test

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"pinwright/internal/canonical"
)

// resealed is a document that was changed, with its digests and its hash worked out
// anew, as a club that tells something else would.
func resealed(t *testing.T, text []byte, change func(d map[string]any)) []byte {
	t.Helper()
	var d map[string]any
	if err := json.Unmarshal(text, &d); err != nil {
		t.Fatal(err)
	}
	change(d)
	sum := func(v any) string {
		form, err := canonical.Marshal(v)
		if err != nil {
			t.Fatal(err)
		}
		h := sha256.Sum256(form)
		return hex.EncodeToString(h[:])
	}
	digests := map[string]any{}
	for name, rows := range d["content"].(map[string]any) {
		list, is := rows.([]any)
		if !is {
			digests[name] = sum(rows)
			continue
		}
		sums := []any{}
		for _, r := range list {
			sums = append(sums, sum(r))
		}
		digests[name] = sums
	}
	d["digests"], d["hash"] = digests, sum(map[string]any{"digests": digests, "schema": d["schema"]})
	out, err := json.Marshal(d)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func TestHistoryTellsWhatItCannotTakeRowByRow(t *testing.T) {
	t.Parallel()
	w := travelled(t)
	doc := w.history().body
	other := w.found("elder-green")
	token := other.Secret.Reveal()
	var want []string
	text := resealed(t, doc, func(d map[string]any) {
		rowOf(d, "readings", 0)["size_nm"] = 8.5e6                                                    // not what was entered
		rowOf(d, "readings", 1)["taken_at"] = w.clock.now().Add(time.Hour).UTC().Format(time.RFC3339) // ahead
		rowOf(d, "readings", 2)["origin"] = other.ClubID.String()                                     // of the club itself, which has no such
		rowOf(d, "readings", 3)["assumed"] = []any{"never_heard_of"}
		rowOf(d, "distances", 0)["replaced"] = false
		want = []string{"/content/distances/0", "/content/readings/0", "/content/readings/1", "/content/readings/2", "/content/readings/3"}
	})
	in := w.takeIn("elder-green", token, text, "").want(201)
	var told []string
	for _, l := range in.get("report", "left_out").([]any) {
		row := l.(map[string]any)
		if at := row["at"].(string); !strings.HasPrefix(at, "/content/voids/") { // of a reading that was left out, where there is one
			told = append(told, at)
		}
		if row["text"] == "" || row["id"] == "" {
			t.Errorf("nothing is said of %v", row)
		}
	}
	if diff := cmp.Diff(want, slices.Sorted(slices.Values(told))); diff != "" {
		t.Errorf("left out (-want +got):\n%s", diff)
	}
	if in.num("report", "taken", "readings") != 2 || in.num("report", "taken", "distances") != 0 {
		t.Errorf("taken: %s", in.body)
	}
	// What was refused then comes with the right document.
	again := w.takeIn("elder-green", token, doc, "").want(201)
	if again.num("report", "taken", "readings") != 4 || again.num("report", "there", "readings") != 2 || again.num("report", "left_out_count") != 0 {
		t.Errorf("with the right one: %s", again.body)
	}
	// Another chain at the place of one that came is refused as a whole.
	if p := w.takeIn("elder-green", token, resealed(t, doc, func(d map[string]any) {
		r := rowOf(d, "records", 0)
		says := strings.Replace(r["content"].(string), `"number":"R1"`, `"number":"R7"`, 1)
		sum := sha256.Sum256([]byte(says))
		r["content"], r["hash"] = says, hex.EncodeToString(sum[:])
		drop(d["content"], "records", 1)
	}), "").want(422); p.str("errors", 0, "pointer") != "/content/records/0" {
		t.Errorf("another chain: %s", p.body)
	}
}

func TestHistoryBringsJointsAndTemplatesAlong(t *testing.T) {
	t.Parallel()
	w := travelled(t)
	w.do("PATCH", w.at("joints/upper"), w.officer, row{"facts": row{"coated": true}, "coating": "40 um", "target": row{"clearance_min": "10 um", "clearance_max": "60 um"},
		"boss": row{"kind": "closed", "diameter": "20 mm", "material": "bronze"}, "access": row{"blind": true}}, header{"If-Match", "*"}).want(200)
	doc := w.history()
	other := w.found("elder-green")
	token := other.Secret.Reveal()
	code := doc.str("content", "joints", 0, "template", "code")
	w.do("POST", "/v1/clubs/elder-green/joint-templates", token, row{"code": "taken-" + code, "name": "Ours", "features": []any{row{"code": "hole", "shape": "bore", "duty": "running"}}}).want(201)
	text := resealed(t, doc.body, func(d map[string]any) { // a template whose code is another's there
		rowOf(d, "joints", 0)["template"].(map[string]any)["code"] = "taken-" + code
	})
	in := w.takeIn("elder-green", token, text, "").want(201)
	if in.num("report", "taken", "joints") != 1 {
		t.Fatalf("taken: %s", in.body)
	}
	here, there := w.do("GET", w.at("joints/upper"), w.officer, nil).want(200), w.do("GET", "/v1/clubs/elder-green/joints/upper", token, nil).want(200)
	for _, member := range []string{"id", "position", "facts", "coating", "target", "boss", "access", "features", "safety_critical"} {
		if diff := cmp.Diff(here.get(member), there.get(member)); diff != "" && member != "features" {
			t.Errorf("%s (-there +here):\n%s", member, diff)
		}
	}
	if got := there.str("template_code"); !strings.HasPrefix(got, "taken-"+code+"-") {
		t.Errorf("its template is %q, the club's own of that code", got)
	}
	var sent any
	if err := json.Unmarshal(text, &sent); err != nil {
		t.Fatal(err)
	}
	if out := w.giveOut("elder-green", token); out.str("hash") != sent.(map[string]any)["hash"] {
		t.Errorf("given out again it is another: %s", out.str("hash"))
	}
}
