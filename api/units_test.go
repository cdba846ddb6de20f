package api_test

import (
	"encoding/json"
	"fmt"
	"math/big"
	"net/http"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/getkin/kin-openapi/openapi3"
)

// The international yard and pound agreement of 1959 (ISO 31-1, annex A): an inch
// is 25.4 mm exactly, and so a thousandth of it 25.4 µm.
var nanometresIn = map[string]int64{"mm": 1_000_000, "um": 1_000, "in": 25_400_000, "thou": 25_400}

// answersLengths reports whether an operation's good answers may hold a Length.
func answersLengths(op walked) bool {
	included := slices.ContainsFunc(op.params, func(p *openapi3.ParameterRef) bool { return p.Value.Name == "include" })
	for status, r := range op.spec.Responses.Map() {
		if j := r.Value.Content["application/json"]; status[0] == '2' && j != nil && holdsLength(j.Schema, included, map[*openapi3.Schema]bool{}) {
			return true
		}
	}
	return false
}

func holdsLength(ref *openapi3.SchemaRef, included bool, seen map[*openapi3.Schema]bool) bool {
	if ref == nil || ref.Value == nil || seen[ref.Value] {
		return false
	}
	seen[ref.Value] = true
	inner := slices.Concat(ref.Value.OneOf, ref.Value.AnyOf, ref.Value.AllOf, []*openapi3.SchemaRef{ref.Value.Items})
	for _, p := range ref.Value.Properties {
		if included || p.Value.Extensions["x-include"] == nil {
			inner = append(inner, p)
		}
	}
	return strings.HasSuffix(ref.Ref, "/Length") || slices.ContainsFunc(inner, func(r *openapi3.SchemaRef) bool { return holdsLength(r, included, seen) })
}

func TestUnitsAreTakenWhereAnAnswerHoldsLengthsAndNowhereElse(t *testing.T) {
	t.Parallel()
	count := 0
	for _, op := range everyOperation(t) {
		takes := slices.ContainsFunc(op.params, func(p *openapi3.ParameterRef) bool { return p.Value.Name == "units" })
		if drawn := op.spec.Responses.Status(200); drawn != nil && (drawn.Value.Content["image/svg+xml"] != nil || drawn.Value.Content["text/html"] != nil) {
			continue // what a picture draws or a sheet prints stands in no schema; its own tests ask for the units
		}
		if takes != answersLengths(op) {
			t.Errorf("%s: answers lengths %v, takes units %v", op, answersLengths(op), takes)
		}
		if takes {
			count++
		}
	}
	if count < 25 {
		t.Errorf("only %d operations take units", count)
	}
}

// lengthsIn lists every length of an answer by its place.
func lengthsIn(at string, v any, found map[string]map[string]any) {
	switch v := v.(type) {
	case map[string]any:
		if _, ok := v["value"].(json.Number); ok && v["unit"] != nil && v["text"] != nil {
			found[at] = v
			return
		}
		for name, member := range v {
			lengthsIn(at+"/"+name, member, found)
		}
	case []any:
		for i, member := range v {
			lengthsIn(fmt.Sprint(at, "/", i), member, found)
		}
	}
}

func lengthsOf(t *testing.T, body []byte) map[string]map[string]any {
	t.Helper()
	dec := json.NewDecoder(strings.NewReader(string(body)))
	dec.UseNumber()
	var v any
	if err := dec.Decode(&v); err != nil {
		t.Fatal(err)
	}
	found := map[string]map[string]any{}
	lengthsIn("", v, found)
	return found
}

func nanometres(t *testing.T, l map[string]any) *big.Rat {
	t.Helper()
	value, ok := new(big.Rat).SetString(string(l["value"].(json.Number)))
	if !ok {
		t.Fatalf("%v is no number", l)
	}
	return value.Mul(value, new(big.Rat).SetInt64(nanometresIn[l["unit"].(string)]))
}

// otherUnit finds an amount of length in a sentence, but for one in the unit.
func otherUnit(text, unit string) string {
	for _, amount := range regexp.MustCompile(`\d (mm|um|µm|in|thou)\b`).FindAllStringSubmatch(text, -1) {
		if amount[1] != unit {
			return amount[0]
		}
	}
	return ""
}

// Every answer to GET holds the same lengths in each unit: as near as the
// decimals shown allow, a nanometre where it was entered and a tenth of a micrometre where
// it was computed.
func TestEveryAnswerHoldsTheSameLengthsInEveryUnit(t *testing.T) {
	t.Parallel()
	w := furnished(t)
	for _, op := range everyOperation(t) {
		if op.method != http.MethodGet || !answersLengths(op) {
			continue
		}
		t.Run(op.id, func(t *testing.T) {
			path := w.furnishedAt(op)
			with := "?"
			for _, p := range op.params {
				if p.Value.Name == "include" { // the most that can be shown
					all := p.Value.Schema.Value.Items.Value.Enum
					with += "include=" + strings.Trim(strings.ReplaceAll(fmt.Sprint(all), " ", ","), "[]") + "&"
				}
			}
			plain := w.do("GET", strings.TrimRight(path+with, "?&"), w.officer, nil).want(200)
			want := lengthsOf(t, plain.body)
			if len(want) == 0 {
				t.Fatalf("nothing to convert in %s", plain.body)
			}
			tags := map[string]string{"": plain.header.Get("ETag")}
			for unit := range nanometresIn {
				r := w.do("GET", path+with+"units="+unit, w.officer, nil).want(200)
				got := lengthsOf(t, r.body)
				if len(got) != len(want) {
					t.Errorf("%d lengths in %s, %d by the club's choice", len(got), unit, len(want))
				}
				for at, l := range got {
					if l["unit"] != unit || !strings.HasSuffix(l["text"].(string), " "+unit) {
						t.Errorf("%s in %s: %v", at, unit, l)
						continue
					}
					off := new(big.Rat).Sub(nanometres(t, l), nanometres(t, want[at]))
					if off.Abs(off).Cmp(big.NewRat(200, 1)) > 0 {
						t.Errorf("%s: %v in %s, %v by the club's choice", at, l, unit, want[at])
					}
				}
				for _, sentence := range []string{r.str("summary"), r.str("do_next", 0, "text")} {
					if wrong := otherUnit(sentence, unit); wrong != "" {
						t.Errorf("in %s the sentence says %q: %s", unit, wrong, sentence)
					}
				}
				tag := r.header.Get("ETag")
				if (tag == "") != (tags[""] == "") {
					t.Errorf("ETag %q in %s, %q without", tag, unit, tags[""])
				}
				if tag == "" {
					continue
				}
				if (tag == tags[""]) != (unit == "mm") {
					t.Errorf("ETag %q in %s, %q by the club's choice of mm", tag, unit, tags[""])
				}
				w.do("GET", path+with+"units="+unit, w.officer, nil, header{"If-None-Match", tag}).want(304)
				if unit != "mm" {
					w.do("GET", strings.TrimRight(path+with, "?&"), w.officer, nil, header{"If-None-Match", tag}).want(200)
				}
			}
			w.do("GET", path+with+"units=cm", w.officer, nil).want(422).wantFault("?units")
			w.do("GET", path+with+"units=mm&units=in", w.officer, nil).want(422).wantFault("?units")
		})
	}
}

func TestUnitsOfExactLengthsAreExact(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.do("POST", w.at("tool-models"), w.officer, row{"code": "inch", "name": "Gauge", "kind": "drift", "size": "1 in"}).want(201)
	w.do("POST", w.at("tool-models"), w.officer, row{"code": "fine", "name": "Dial", "kind": "micrometer", "resolution": "25.4 um"}).want(201)
	for unit, want := range map[string][2]string{"mm": {"25.4", "0.0254"}, "um": {"25400", "25.4"}, "in": {"1", "0.001"}, "thou": {"1000", "1"}} {
		r := w.do("GET", w.at("tool-models/inch?units="+unit), w.officer, nil).want(200)
		fine := w.do("GET", w.at("tool-models/fine?units="+unit), w.officer, nil).want(200)
		if got, other := lengthsOf(t, r.body)["/size"]["value"], lengthsOf(t, fine.body)["/resolution"]["value"]; got != json.Number(want[0]) || other != json.Number(want[1]) {
			t.Errorf("in %s: %v and %v, want %v", unit, got, other, want)
		}
		if r.str("entered", "size") != "1 in" {
			t.Errorf("what was entered stays: %s", r.body)
		}
	}
}

func TestWritesAnswerInTheUnitAskedFor(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	key := newID()
	body := row{"code": "R8", "name": "Reamer", "kind": "reamer", "size": "8 mm"}
	made := w.do("POST", w.at("tool-models?units=thou"), w.officer, body, header{"Idempotency-Key", key}).want(201)
	if made.str("size", "unit") != "thou" || made.header.Get("ETag") != `"1.thou"` {
		t.Errorf("%s %s", made.header.Get("ETag"), made.body)
	}
	// The same key in another unit is another request.
	w.do("POST", w.at("tool-models?units=in"), w.officer, body, header{"Idempotency-Key", key}).want(422).wantProblem("key-reused")
	again := w.do("POST", w.at("tool-models?units=thou"), w.officer, body, header{"Idempotency-Key", key}).want(201)
	if string(again.body) != string(made.body) || again.header.Get("Idempotency-Replayed") != "true" {
		t.Errorf("%s\n%s", again.body, made.body)
	}
	// If-Match looks at the version, in whatever unit it was read.
	edited := w.do("PATCH", w.at("tool-models/R8?units=in"), w.officer, row{"name": "Reamer 8"}, header{"If-Match", `"1.thou"`}).want(200)
	if edited.str("size", "unit") != "in" || edited.header.Get("ETag") != `"2.in"` {
		t.Errorf("%s %s", edited.header.Get("ETag"), edited.body)
	}
	stale := w.do("PATCH", w.at("tool-models/R8?units=um"), w.officer, row{"name": "Reamer"}, header{"If-Match", `"1.thou"`}).want(412)
	if stale.str("current", "size", "unit") != "um" || stale.str("current_etag") != `"2.um"` {
		t.Errorf("%s", stale.body)
	}
	w.do("PATCH", w.at("tool-models/R8?units=ft"), w.officer, row{"name": "Reamer"}, header{"If-Match", `"2.mm"`}).want(422).wantFault("?units")
}

// A recommendation is kept: what it says in another unit was said when it was made.
func TestRecommendationInEveryUnitIsTheSameAnswer(t *testing.T) {
	t.Parallel()
	w := hingeSet(t)
	w.do("POST", w.at("readings"), w.officer, row{"joint": "left-upper", "gauge": "0.318 in", "result": "starts"}).want(201)
	made := w.do("POST", w.at("recommendations?units=in"), w.officer, row{"joints": []string{"left-upper"}}).want(201)
	id := made.str("id")
	if same := w.do("GET", w.at("recommendations/"+id+"?units=in"), w.officer, nil).want(200); string(same.body) != string(made.body) || same.header.Get("ETag") != `"1.in"` {
		t.Errorf("%s\n%s", made.body, same.body)
	}
	byClub := w.do("GET", w.at("recommendations/"+id), w.officer, nil).want(200)
	if byClub.str("joints", 0, "passing_size", "median", "unit") != "mm" || byClub.str("digest") != made.str("digest") || byClub.header.Get("ETag") != `"1.mm"` {
		t.Errorf("%s", byClub.body)
	}
	again := w.do("POST", w.at("recommendations?units=um"), w.officer, row{"joints": []string{"left-upper"}}).want(201)
	if again.str("digest") != made.str("digest") {
		t.Error("the unit of the answer is no input of it, but changes the digest")
	}
	superseded := w.do("GET", w.at("recommendations/"+id+"?units=thou"), w.officer, nil).want(200)
	if superseded.str("superseded_by") != again.str("id") || superseded.str("joints", 0, "pin", "unit") != "thou" {
		t.Errorf("%s", superseded.body)
	}
	offers := w.do("GET", w.at("recommendations/"+again.str("id")+"/offers?units=thou"), w.officer, nil).want(200)
	if wrong := otherUnit(offers.str("summary"), "thou"); wrong != "" || !strings.Contains(offers.str("summary"), " thou") {
		t.Errorf("%s", offers.body)
	}
}

func TestCalculatorsTakeUnits(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	for path, body := range map[string]row{
		"limits":          {"size": "1 in", "class": "H7"},
		"fit":             {"size": "1 in", "fit": "H7/g6"},
		"uncertainty":     {"value": "1 in", "with": "caliper"},
		"fit-search":      {"size": "1 in", "clearance_min": "0 in", "clearance_max": "0.002 in"},
		"reamer-for-hole": {"size": "1 in", "class": "H8", "reamer": "1 in"},
		"gauges-to-turn":  {"holes": []any{row{"size": "1 in"}, row{"smallest": "8 mm", "largest": "8.05 mm"}}},
		"reaming":         {"diameter": "0.5 in", "bore": "0.48 in", "work": "brass"},
		"clean-up":        {"nominal": "8 mm", "reamer": "8.1 mm", "readings": []any{row{"value": "8.02 mm", "with": "bore_gauge"}}},
	} {
		want := lengthsOf(t, w.do("POST", "/v1/calc/"+path, "", body).want(200).body)
		for unit := range nanometresIn {
			r := w.do("POST", "/v1/calc/"+path+"?units="+unit, "", body).want(200)
			got := lengthsOf(t, r.body)
			if len(got) == 0 || len(got) != len(want) {
				t.Errorf("%s: %d lengths, want %d", path, len(got), len(want))
			}
			for at, l := range got {
				off := new(big.Rat).Sub(nanometres(t, l), nanometres(t, want[at]))
				if l["unit"] != unit || off.Abs(off).Cmp(big.NewRat(200, 1)) > 0 {
					t.Errorf("%s %s in %s: %v, want %v", path, at, unit, l, want[at])
				}
			}
			if wrong := otherUnit(r.str("summary"), unit); wrong != "" {
				t.Errorf("%s in %s says %q: %s", path, unit, wrong, r.str("summary"))
			}
		}
		w.do("POST", "/v1/calc/"+path+"?units=yd", "", body).want(422).wantFault("?units")
	}
	// 1 in in mm as sent and as asked: the size itself is exact.
	if got := w.do("POST", "/v1/calc/limits?units=mm", "", row{"size": "1 in", "class": "H7"}).want(200); got.str("size", "text") != "25.4 mm" {
		t.Errorf("%s", got.body)
	}
	w.do("POST", "/v1/calc/uncertainty?units=mm", "", row{"inputs": []any{row{"name": "standard", "u": 25}}}).want(422).wantFault("?units")
}
