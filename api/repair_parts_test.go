package api_test

import (
	"fmt"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// decided begins a repair of two hinges that a recommendation takes to the second oversize.
func decided(t *testing.T) *world {
	t.Helper()
	w := hingeSet(t)
	two := fourHinges[:2]
	for _, h := range two {
		w.do("POST", w.at("readings"), w.as("member"), row{"joint": h, "gauge": "0.318 in", "result": "starts", "surface": "rusty"}).want(201)
	}
	a := w.do("POST", w.at("recommendations"), w.as("member"), row{"joints": two, "form": practiceForm, "guidance": "floating"}).want(201)
	for j := range two {
		if a.str("joints", j, "option") != "ream_to" || a.str("joints", j, "step") != "oversize_2" {
			t.Fatalf("%s", a.body)
		}
	}
	w.do("POST", w.at("repairs"), w.as("member"), row{"vehicle": "tourer", "joints": two, "procedure": "door-hinge", "garage": "north"}).want(201)
	w.do("PATCH", w.at("repairs/R1"), w.as("member"), row{"recommendation": a.str("id")}, header{"If-Match", "*"}).want(200)
	return w
}

// needs are the lines of what a repair needs, by what they are.
func needs(r *response) map[string][5]float64 {
	out := map[string][5]float64{}
	for i := range len(r.get("needs").([]any)) {
		n := func(name string) float64 { return r.num("needs", i, name) }
		out[r.str("needs", i, "what")] = [5]float64{n("needed"), n("spares"), n("ordered"), n("arrived"), n("missing")}
	}
	return out
}

func TestARepairTellsWhatItNeedsAndHowToOrderIt(t *testing.T) {
	t.Parallel()
	w := decided(t)
	get := func() *response { return w.do("GET", w.at("repairs/R1/parts"), w.as("auditor"), nil).want(200) }
	first := get()
	pins := "Pin oversize_2 of hinge-314"
	if diff := cmp.Diff([5]float64{2, 1, 0, 0, 3}, needs(first)[pins]); diff != "" || first.get("complete") != false {
		t.Errorf("%s%s", diff, first.body)
	}
	// What its steps use up that are not left out, each round of a repeated one.
	steps := w.do("GET", w.at("repairs/R1/steps"), w.officer, nil).want(200).get("items").([]any)
	want := map[string]float64{}
	for _, s := range steps {
		step := s.(map[string]any)
		list, _ := step["consumables"].([]any)
		for _, c := range list {
			of := c.(map[string]any)
			if step["state"] != "left_out" {
				want[fmt.Sprint(of["name"], " in ", of["unit"])] += plainNumber(step["rounds"]) * plainNumber(of["quantity"])
			}
		}
	}
	seen := 0
	for i := range len(first.get("needs").([]any)) {
		if unit := first.get("needs", i, "unit"); unit != nil {
			seen++
			name := first.str("needs", i, "what") + " in " + fmt.Sprint(unit)
			if got := first.num("needs", i, "needed"); got < want[name] || got >= want[name]+1 {
				t.Errorf("%s: %v needed, the steps use up %v", name, got, want[name])
			}
		}
	}
	if seen != len(want) || seen == 0 {
		t.Errorf("%d things that are used up, want %d", seen, len(want))
	}
	// Nobody is known to have the pins: the body needs a supplier.
	if first.get("to_order", 0, "supplier") != nil || first.str("do_next", 0, "code") != "name_supplier" {
		t.Errorf("%s", first.body)
	}
	w.do("POST", w.at("suppliers"), w.officer, row{"code": "fallow", "name": "Fallow Pins", "stated_days": 5}).want(201)
	if _, err := w.db.Owner.Exec(t.Context(), `update pin_series set supplier = 'Fallow Pins'`); err != nil {
		t.Fatal(err)
	}
	known := get()
	if known.str("to_order", 0, "supplier") != "fallow" || known.get("waits", 0, "ordered") != false || known.num("waits", 0, "delivery", "quantiles", 0, "days") != 5 {
		t.Errorf("%s", known.body)
	}
	// The body is taken as it stands.
	order := w.do("POST", w.at("parts-orders"), w.as("member"), known.get("to_order", 0)).want(201)
	if order.num("lines", 0, "quantity") != 3 || order.str("repair_id") != known.str("repair_id") {
		t.Errorf("%s", order.body)
	}
	ordered := get()
	if diff := cmp.Diff([5]float64{2, 1, 3, 0, 0}, needs(ordered)[pins]); diff != "" || ordered.get("waits", 0, "ordered") != true || ordered.str("orders", 0) != order.str("id") {
		t.Errorf("%s%s", diff, ordered.body)
	}
	if only := w.do("GET", w.at("parts-orders?repair=R1"), w.officer, nil).want(200); len(only.get("items").([]any)) != 1 {
		t.Errorf("%s", only.body)
	}
	// A step that needs the parts waits for them, and says for what.
	waits := func() (out string) {
		steps := w.do("GET", w.at("repairs/R1/steps"), w.officer, nil).want(200)
		for i := range len(steps.get("items").([]any)) {
			if steps.get("items", i, "parts") == true && steps.get("items", i, "waits_for") != nil {
				out += fmt.Sprint(steps.get("items", i, "waits_for"))
			}
		}
		return out
	}
	if text := waits(); !strings.Contains(text, "3 × "+pins+" from fallow") {
		t.Errorf("waits for %s", text)
	}
	// A part of it comes, the rest is cancelled: what is missing stands there again.
	w.arrives(order, row{"lines": []row{{"line": 0, "quantity": 2}}}).want(201)
	if diff := cmp.Diff([5]float64{2, 1, 3, 2, 0}, needs(get())[pins]); diff != "" {
		t.Error(diff)
	}
	w.do("POST", w.at("parts-orders/"+order.str("id")+"/cancel"), w.officer, nil).want(200)
	if text := waits(); strings.Contains(text, "from fallow") {
		t.Errorf("waits for %s", text)
	}
	last := get()
	if diff := cmp.Diff([5]float64{2, 1, 2, 2, 1}, needs(last)[pins]); diff != "" || last.str("to_order", 0, "supplier") != "fallow" {
		t.Errorf("%s%s", diff, last.body)
	}
	if none := w.do("GET", w.at("repairs/R1/parts?spares=0"), w.officer, nil).want(200); needs(none)[pins] != [5]float64{2, 0, 2, 2, 0} {
		t.Errorf("%s", none.body)
	}
	w.do("GET", w.at("parts-orders?repair=R7"), w.officer, nil).want(422).wantFault("?repair")
	w.do("POST", w.at("parts-orders"), w.officer, row{"supplier": "fallow", "repair": "R7", "lines": []row{{"what": "Oil", "quantity": 1}}}).want(422).wantFault("/repair")
	w.do("GET", w.at("repairs/R7/parts"), w.officer, nil).want(404)
}

func TestARepairWithoutADecisionSaysSo(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	wagon(w, "upper", "lower")
	repairOf(w, "door-hinge", "upper", "lower").want(201)
	got := w.do("GET", w.at("repairs/R1/parts"), w.officer, nil).want(200)
	if got.str("warnings", 0, "code") != "not_decided" || got.get("complete") != false {
		t.Errorf("%s", got.body)
	}
}

func plainNumber(v any) float64 {
	var out float64
	_, _ = fmt.Sscan(fmt.Sprint(v), &out)
	return out
}
