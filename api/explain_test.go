package api_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/getkin/kin-openapi/openapi3"

	"pinwright/openapi"
)

// Every calculator can be asked how its numbers came about.
func TestEveryCalculatorExplains(t *testing.T) {
	t.Parallel()
	doc, err := openapi3.NewLoader().LoadFromData(openapi.YAML)
	if err != nil {
		t.Fatal(err)
	}
	found := 0
	for path, item := range doc.Paths.Map() {
		if !strings.HasPrefix(path, "/v1/calc/") || strings.HasSuffix(path, "/picture") {
			continue
		}
		found++
		op := item.Post
		if op == nil || op.Extensions["x-explain"] != true || op.Parameters.GetByInAndName("query", "explain") == nil {
			t.Errorf("%s cannot be asked to explain", path)
			continue
		}
		if answer := op.Responses.Status(200).Value.Content.Get("application/json").Schema.Value; answer.Properties["explanation"] == nil {
			t.Errorf("%s has no room for an explanation", path)
		}
	}
	if found < 4 {
		t.Errorf("found only %d calculators", found)
	}
}

// The steps end in the numbers of the answer, and each formula can be done again:
// JCGM 100:2008, 5.1.2 on two inputs of 3 and 4 gives 5.
func TestCalculatorsExplainTheirNumbers(t *testing.T) {
	t.Parallel()
	w := withoutDatabase(t)
	r := w.calc("uncertainty?explain=true", `{"inputs":[{"name":"a","u":3},{"name":"b","u":2,"sensitivity":2}]}`).want(200)
	var got []string
	for i := range 6 {
		got = append(got, fmt.Sprintf("%s %.4g", r.str("explanation", i, "result", "symbol"), numberOf(r, i)))
	}
	if want := "U_1 3, U_2 4, u_c 5, nu_eff +Inf, k 1.96, U 9.8"; strings.Join(got, ", ") != want {
		t.Errorf("derived %s, want %s", strings.Join(got, ", "), want)
	}
	if r.str("explanation", 3, "result", "text") != "infinite" || r.get("explanation", 3, "result", "value") != nil {
		t.Errorf("infinite degrees of freedom: %s", r.body)
	}
	for ask, want := range map[string]float64{
		`fit {"size":"25 mm","fit":"H7/g6"}`:       7, // ISO 286-2: 25 H7/g6 leaves 7 to 41 µm
		`limits {"size":"25 mm","class":"g6"}`:     24.98,
		`fit {"size":"0.5 in","fit":"RC4"}`:        0.6 * 25.4, // ANSI B4.1-1967
		`limits {"size":"30.001 mm","class":"H7"}`: 30.001,
	} {
		name, body, _ := strings.Cut(ask, " ")
		r := w.calc(name+"?explain=true", body).want(200)
		at := 0
		for s := r.str("explanation", at, "result", "symbol"); s != map[string]string{"fit": "C_min", "limits": "D_min"}[name]; s = r.str("explanation", at, "result", "symbol") {
			at++
		}
		near(t, ask, r.num("explanation", at, "result", "value"), want, 1e-9)
		if r.str("explanation", at, "source") == "" || r.get("explanation", at, "inputs", 1) == nil {
			t.Errorf("%s: %s", ask, r.body)
		}
		if plain := w.calc(name, body).want(200); plain.get("explanation") != nil {
			t.Errorf("%s explains unasked: %s", ask, plain.body)
		}
	}
	clean := w.calc("clean-up?explain=true", `{"nominal":"9 mm","readings":[{"value":"9.05 mm","with":"bore_gauge"}],"reamer":"9.1 mm"}`).want(200)
	near(t, "probability", clean.num("explanation", 3, "result", "value"), clean.num("probability"), 1e-4)
	if r := w.calc("pin-straightness", `{"size":"8.98 mm"}`).want(422); r.str("errors", 0, "detail") != "must be an object with value" {
		t.Errorf("a length without its doubt: %s", r.body)
	}
	w.calc("fit?explain=perhaps", `{"size":"25 mm","fit":"H7/g6"}`).want(422)
}

func numberOf(r *response, i int) float64 {
	if r.get("explanation", i, "result", "value") == nil {
		return math.Inf(1)
	}
	return r.num("explanation", i, "result", "value")
}
