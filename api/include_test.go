package api_test

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestVehicleIncludesItsJointsFeaturesAndEstimates(t *testing.T) {
	t.Parallel()
	w := furnished(t)
	get := func(path string) *response {
		t.Helper()
		return w.do("GET", w.at(path), w.officer, nil).want(200)
	}
	if plain := get("vehicles/tourer"); plain.get("joints") != nil || plain.get("joints_next") != nil {
		t.Errorf("nothing was asked for: %s", plain.body)
	}
	// Each part is what stands at its own address.
	joints := get("vehicles/tourer/joints").get("items")
	for _, include := range []string{"joints", "features", "joints,features", "features,joints"} {
		if diff := cmp.Diff(joints, get("vehicles/tourer?include="+include).get("joints")); diff != "" {
			t.Errorf("include=%s (-list +included):\n%s", include, diff)
		}
	}
	for _, path := range []string{"vehicles/tourer?include=joints,features,estimates", "vehicles/tourer?include=estimates", "vehicles/tourer/joints?include=features,estimates"} {
		r := get(path)
		list, _ := r.get("joints").([]any)
		if list == nil {
			list, _ = r.get("items").([]any)
		}
		if len(list) != len(fourHinges) {
			t.Fatalf("%s: %d joints", path, len(list))
		}
		seen := 0
		for _, j := range list {
			for _, f := range j.(map[string]any)["features"].([]any) {
				feature := f.(map[string]any)
				own := w.do("GET", w.at("features/"+feature["id"].(string)+"/estimate"), w.officer, nil).want(200).json()
				if diff := cmp.Diff(any(own), feature["estimate"]); diff != "" {
					t.Errorf("%s %s (-own address +included):\n%s", path, feature["code"], diff)
				}
				seen++
			}
		}
		if seen < 8 {
			t.Errorf("%s: only %d features", path, seen)
		}
	}
	one := get("joints/left-upper?include=estimates")
	if one.str("features", 0, "estimate", "summary") == "" || one.str("features", 0, "estimate", "passing_size", "text") == "" {
		t.Errorf("%s", one.body)
	}
	if diff := cmp.Diff(get("joints/left-upper").json(), get("joints/left-upper?include=features").json()); diff != "" {
		t.Errorf("features are always shown (-without +with):\n%s", diff)
	}
}

func TestIncludeRefusesWhatItDoesNotKnow(t *testing.T) {
	t.Parallel()
	w := furnished(t)
	for path, known := range map[string]string{"vehicles/tourer": "joints, features, estimates", "joints/left-upper": "features, estimates", "vehicles/tourer/joints": "features, estimates"} {
		for _, query := range []string{"include=wheels", "include=estimates,wheels", "include=estimates,estimates", "include=", "include=features&include=estimates", "include=features,,estimates", "include=Estimates"} {
			r := w.do("GET", w.at(path+"?"+query), w.officer, nil).want(422).wantProblem("invalid-request").wantFault("?include")
			if strings.Contains(strings.ToLower(query), "wheels") && !strings.Contains(string(r.body), known) {
				t.Errorf("%s?%s does not say what is known (%s): %s", path, query, known, r.body)
			}
		}
	}
	w.do("GET", w.at("garages/south?include=tools"), w.officer, nil).want(422).wantFault("?include")
	w.do("GET", w.at("vehicles/nowhere?include=joints,estimates"), w.officer, nil).want(404)
}

// The ETag covers what is included (RFC 9110, 8.8.1: a strong validator changes
// whenever the content does) and still serves as If-Match.
func TestETagCoversWhatIsIncluded(t *testing.T) {
	t.Parallel()
	w := furnished(t)
	path := w.at("vehicles/tourer")
	plain := w.do("GET", path, w.officer, nil).want(200).header.Get("ETag")
	tags := map[string]string{}
	for _, include := range []string{"joints", "estimates"} {
		tag := w.do("GET", path+"?include="+include, w.officer, nil).want(200).header.Get("ETag")
		w.do("GET", path+"?include="+include, w.officer, nil, header{"If-None-Match", tag}).want(304)
		if tag == plain || strings.HasPrefix(tag, "W/") || !strings.HasPrefix(tag, strings.TrimSuffix(plain, `"`)) {
			t.Errorf("include=%s: %s, without %s", include, tag, plain)
		}
		tags[include] = tag
	}
	// A joint changes: the vehicle's version stays, what is included does not.
	w.do("PATCH", w.at("joints/left-lower"), w.officer, row{"facts": row{"thin_boss": true}}, header{"If-Match", "*"}).want(200)
	if now := w.do("GET", path, w.officer, nil, header{"If-None-Match", plain}); now.status != 304 {
		t.Errorf("the vehicle itself did not change: %d", now.status)
	}
	w.do("GET", path+"?include=joints", w.officer, nil, header{"If-None-Match", tags["joints"]}).want(200)
	before := w.do("GET", path+"?include=estimates", w.officer, nil).want(200).header.Get("ETag")
	w.do("POST", w.at("readings"), w.officer, row{"joint": "right-lower", "gauge": "0.317 in", "result": "no_go"}).want(201)
	w.do("GET", path+"?include=estimates", w.officer, nil, header{"If-None-Match", before}).want(200)

	edited := w.do("PATCH", path, w.officer, row{"name": "Tourer II"}, header{"If-Match", tags["joints"]}).want(200)
	w.do("PATCH", path, w.officer, row{"name": "Tourer III"}, header{"If-Match", tags["estimates"]}).want(412)
	if edited.str("name") != "Tourer II" {
		t.Errorf("%s", edited.body)
	}
	joint := w.do("GET", w.at("joints/left-lower?include=estimates&units=in"), w.officer, nil).want(200)
	w.do("PATCH", w.at("joints/left-lower"), w.officer, row{"facts": row{"thin_boss": nil}}, header{"If-Match", joint.header.Get("ETag")}).want(200)
}

func TestWhatIsIncludedIsBoundedAndGoesOn(t *testing.T) {
	t.Parallel()
	w := hingeSet(t)
	w.do("POST", w.at("vehicles"), w.officer, row{"code": "bus", "name": "Long bus"}).want(201)
	want := map[string]bool{}
	for part := range 2 {
		var positions []string
		for n := range 22 {
			positions = append(positions, fmt.Sprintf("p%d-%02d", part, n))
			want[positions[n]] = true
		}
		w.do("POST", w.at("vehicles/bus/joints"), w.officer, row{"template": "door-hinge", "positions": positions, "pin_series": "hinge-314"}).want(201)
	}
	first := w.do("GET", w.at("vehicles/bus?include=joints,estimates&units=in"), w.officer, nil).want(200)
	list, _ := first.get("joints").([]any)
	if len(list) != 40 {
		t.Fatalf("%d joints included", len(list))
	}
	rest := w.do("GET", first.str("joints_next"), w.officer, nil).want(200)
	more, _ := rest.get("items").([]any)
	for _, j := range append(list, more...) {
		joint := j.(map[string]any)
		delete(want, joint["position"].(string))
		estimate, _ := joint["features"].([]any)[0].(map[string]any)["estimate"].(map[string]any)
		if text, _ := json.Marshal(estimate["passing_size"]); !strings.Contains(string(text), `"unit":"in"`) {
			t.Fatalf("%v is not estimated in inches: %s", joint["position"], text)
		}
	}
	if len(want) > 0 || rest.get("next") != nil {
		t.Errorf("left out: %v; next %v", want, rest.get("next"))
	}
	w.do("GET", w.at("vehicles/bus/joints?include=estimates&limit=41"), w.officer, nil).want(422).wantFault("?limit")
	page := w.do("GET", w.at("vehicles/bus/joints?include=estimates"), w.officer, nil).want(200)
	if items, _ := page.get("items").([]any); len(items) != 40 || page.str("next") == "" || !strings.Contains(page.header.Get("Link"), "include=estimates") {
		t.Errorf("%d items, Link %q", len(items), page.header.Get("Link"))
	}
}

func TestSearchFindsAnythingByWhatItIsCalled(t *testing.T) {
	t.Parallel()
	w := furnished(t)
	find := func(query string) []map[string]any {
		t.Helper()
		r := w.do("GET", w.at("search?"+query), w.as("auditor"), nil).want(200)
		var list struct{ Items []map[string]any }
		if err := json.Unmarshal(r.body, &list); err != nil {
			t.Fatal(err)
		}
		return list.Items
	}
	for query, want := range map[string]string{
		"q=A7": "member A7 exact", "q=ada,+wren&kind=member": "member A7 alike", "q=G318&kind=tool": "tool G318 exact", "q=g318&kind=tool_model": "tool_model G318 exact", "q=micrometer": "tool_model MIC alike",
		"q=tourer": "vehicle tourer exact", "q=tourrer&kind=vehicle": "vehicle tourer alike", "q=left-upper": "joint left-upper exact", "q=left-&kind=joint": "joint left-lower prefix",
		"q=hinge-314": "pin_series hinge-314 exact", "q=hinge+pins": "pin_series hinge-314 exact", "q=eyelet": "joint_template eyelet exact", "q=NORTH+YARD": "garage north exact",
	} {
		hits := find(query)
		if len(hits) == 0 {
			t.Errorf("%s finds nothing, want %s", query, want)
			continue
		}
		if got := fmt.Sprint(hits[0]["kind"], " ", hits[0]["code"], " ", hits[0]["match"]); got != want {
			t.Errorf("%s finds %s, want %s", query, got, want)
		}
	}
	// Every hit stands where it says.
	seen := map[string]bool{}
	for _, query := range []string{"q=tourer", "q=left&limit=50", "q=hinge", "q=G318", "q=A7", "q=south", "q=eyelet"} {
		for _, hit := range find(query) {
			r := w.do("GET", hit["path"].(string), w.officer, nil).want(200)
			if r.str("id") != hit["id"] {
				t.Errorf("%v is not at %v", hit, hit["path"])
			}
			seen[hit["kind"].(string)] = true
			if hit["kind"] == "joint" && hit["vehicle"] != "tourer" {
				t.Errorf("%v", hit)
			}
		}
	}
	if len(seen) != 8 {
		t.Errorf("only %v were found", seen)
	}
	booked := w.do("GET", w.at("reservations"), w.officer, nil).want(200).str("items", 0, "id")
	for _, q := range []string{booked, booked[:13], strings.ToUpper(booked[:8])} {
		hits, found := find("q="+q), false
		for _, hit := range hits { // those of the same minute begin alike
			if found = found || hit["id"] == booked; hit["kind"] != "reservation" || !strings.HasPrefix(hit["id"].(string), strings.ToLower(q)) {
				t.Errorf("%s finds %v", q, hit)
			}
		}
		if !found || q == booked && len(hits) != 1 {
			t.Errorf("%s finds %v", q, hits)
		}
	}
	if hits := find("q=left&limit=2"); len(hits) != 2 {
		t.Errorf("%v", hits)
	}
	if hits := find("q=A7&kind=tool,vehicle"); len(hits) != 0 {
		t.Errorf("%v", hits)
	}
	// A name that is changed is found no more; the row and what is found follow in one commit.
	w.do("PATCH", w.at("members/A7"), w.officer, row{"name": "Gone"}, header{"If-Match", "*"}).want(200)
	if hits := find("q=ada&kind=member"); len(hits) != 0 {
		t.Errorf("%v", hits)
	}
	csv := w.do("GET", w.at("search?q=tourer"), w.officer, nil, header{"Accept", "text/csv"}).want(200)
	if !strings.HasPrefix(string(csv.body), "kind,id,match,likeness,path,code,name,vehicle\r\nvehicle,") {
		t.Errorf("%s", csv.body)
	}
}

func TestSearchRefusesWhatItCannotUse(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	for query, fault := range map[string]string{"": "?q", "q=": "?q", "q=" + strings.Repeat("x", 101): "?q", "q=%00": "?q", "q=%0a": "?q", "q=x&kind=wheel": "?kind", "q=x&kind=tool&kind=member": "?kind", "q=x&limit=51": "?limit", "q=x&limit=0": "?limit", "q=x&q=y": "?q"} {
		w.do("GET", w.at("search?"+query), w.officer, nil).want(422).wantFault(fault)
	}
	w.do("GET", w.at("search?q=%FF"), w.officer, nil).want(422).wantFault("?q")
	other := w.found("brook-end")
	w.do("GET", w.at("search?q=odile"), other.Secret.Reveal(), nil).want(404)
	if r := w.do("GET", w.at("search?q=%C2%B4"), w.officer, nil).want(200); string(r.body) != `{"items":[]}` {
		t.Errorf("%s", r.body)
	}
}

func TestTextsThatAreNotUTF8AreRefused(t *testing.T) {
	t.Parallel()
	w := furnished(t)
	w.do("GET", w.at("readings?vehicle=%FF"), w.officer, nil).want(422).wantFault("?vehicle")
	w.do("GET", w.at("readings?joint=a%C3"), w.officer, nil).want(422).wantFault("?joint")
	w.do("GET", w.at("garages/%FF"), w.officer, nil).want(422).wantFault("{garage}")
}
