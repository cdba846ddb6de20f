package api_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// partsWorld has a supplier, two pins of a series and somebody to order them.
func partsWorld(t *testing.T) *world {
	t.Helper()
	w := newWorld(t)
	w.do("POST", w.at("pin-series"), w.officer, ladder).want(201)
	w.do("POST", w.at("suppliers"), w.officer, row{"code": "fallow", "name": "Fallow Pins", "stated_days": 5}).want(201)
	return w
}

// ago is a day so many days before the clock's.
func (w *world) ago(days int) string {
	return w.clock.now().UTC().AddDate(0, 0, -days).Format(time.DateOnly)
}

func (w *world) order(days int, lines ...row) *response {
	return w.do("POST", w.at("parts-orders"), w.as("member"), row{"supplier": "fallow", "ordered_on": w.ago(days), "lines": lines})
}

func (w *world) arrives(order *response, body row) *response {
	return w.do("POST", w.at("parts-orders/"+order.str("id")+"/arrivals"), w.as("member"), body)
}

// quantiles are the days of a delivery's quantiles.
func quantiles(r *response, path ...any) (out []float64) {
	for i := range 3 {
		out = append(out, r.num(append(path, "quantiles", i, "days")...))
	}
	return out
}

func TestSuppliersAreMadeChangedAndRetired(t *testing.T) {
	t.Parallel()
	w := partsWorld(t)
	got := w.do("GET", w.at("suppliers/fallow"), w.as("auditor"), nil).want(200)
	// Before any delivery: a Student t of 4 degrees of freedom about log 5 with scale 0.5, critical
	// values 0.941 and 2.132 (leadtime's tests name the table): 5, 8.0 and 14.5 days, the last
	// of which ends on the fifteenth.
	if diff := cmp.Diff([]float64{5, 8, 15}, quantiles(got, "delivery")); diff != "" || got.num("delivery", "deliveries") != 0 || got.num("stated_days") != 5 {
		t.Errorf("%s%s", diff, got.body)
	}
	if s := got.str("delivery", "summary"); !strings.Contains(s, "no delivery yet") {
		t.Error(s)
	}
	// A series names its supplier: the days recorded with it are deliveries, its pins' lead time is stated.
	series := w.do("POST", w.at("suppliers"), w.officer, row{"code": "invented", "name": "Invented Pins"}).want(201)
	if series.num("delivery", "deliveries") != 3 || series.num("delivery", "prior_days") != 5 || series.str("delivery", "assumed", 0, "code") != "stated_by_series" {
		t.Errorf("%s", series.body)
	}
	etag := series.header.Get("ETag")
	other := w.do("PATCH", w.at("suppliers/invented"), w.officer, row{"name": "Others", "note": "Closed in August"}, header{"If-Match", etag}).want(200)
	if other.num("delivery", "deliveries") != 0 || other.num("delivery", "prior_days") != 7 || other.num("version") != 2 || other.str("note") != "Closed in August" {
		t.Errorf("%s", other.body)
	}
	if again := w.do("GET", w.at("suppliers/invented"), w.officer, nil).want(200); string(again.body) != string(other.body) || again.header.Get("ETag") != other.header.Get("ETag") {
		t.Errorf("changed to %s\nread %s", other.body, again.body)
	}
	w.do("PATCH", w.at("suppliers/invented"), w.officer, row{"stated_days": 3}, header{"If-Match", etag}).want(412)
	w.do("PATCH", w.at("suppliers/invented"), w.officer, row{"code": "fallow"}, header{"If-Match", "*"}).want(409).wantProblem("name-taken")
	w.do("POST", w.at("suppliers"), w.officer, row{"code": "fallow", "name": "Twice"}).want(409).wantProblem("name-taken")
	said := w.do("PATCH", w.at("suppliers/invented"), w.officer, row{"stated_days": 3, "note": nil, "retired": true}, header{"If-Match", "*"}).want(200)
	if said.num("delivery", "prior_days") != 3 || said.get("note") != nil || said.get("retired_at") == nil {
		t.Errorf("%s", said.body)
	}
	list := func(query string) (codes []string) {
		r := w.do("GET", w.at("suppliers"+query), w.officer, nil).want(200)
		for i := range len(r.get("items").([]any)) {
			codes = append(codes, r.str("items", i, "code"))
		}
		return codes
	}
	if diff := cmp.Diff([][]string{{"fallow"}, {"invented"}}, [][]string{list(""), list("?retired=true")}); diff != "" {
		t.Error(diff)
	}
	w.do("POST", w.at("parts-orders"), w.officer, row{"supplier": "invented", "lines": []row{{"what": "Oil", "quantity": 1}}}).want(409).wantProblem("not-allowed-now")
	back := w.do("PATCH", w.at("suppliers/invented"), w.officer, row{"retired": false}, header{"If-Match", "*"}).want(200)
	if back.get("retired_at") != nil {
		t.Errorf("%s", back.body)
	}
}

func TestAnOrderArrivesInParcels(t *testing.T) {
	t.Parallel()
	w := partsWorld(t)
	made := w.order(6, row{"pin_series": "hinge-8", "step": "over-1", "quantity": 4}, row{"what": "Grease", "unit": "tin", "quantity": 2, "unit_price": row{"minor": 900}}).want(201)
	if made.str("state") != "open" || made.num("total", "minor") != 4*450+2*900 || made.str("lines", 0, "what") != "Pin over-1 of hinge-8" || made.num("lines", 1, "missing") != 2 || made.str("supplier") != "fallow" {
		t.Errorf("%s", made.body)
	}
	if on := made.str("expected", "quantiles", 0, "on"); on < w.ago(0) {
		t.Errorf("an order that is still open is expected on %s, before today", on)
	}
	id := newID()
	first := row{"id": id, "occurred_at": w.ago(2) + "T23:30:00-05:00", "lines": []row{{"line": 1, "quantity": 1}, {"line": 0, "quantity": 4}}, "note": "Left with the neighbour"}
	part := w.arrives(made, first).want(201)
	if part.str("state") != "open" || part.num("lines", 0, "missing") != 0 || part.num("lines", 1, "arrived") != 1 || part.num("version") != 2 || part.str("summary") != "Still missing: 1 × Grease." {
		t.Errorf("%s", part.body)
	}
	// Half past eleven in the evening, by the clock where it came, though UTC has the next day.
	if day := part.str("arrivals", 0, "arrived_on"); day != w.ago(2) || part.get("expected") == nil {
		t.Errorf("it came on %s", day)
	}
	if again := w.arrives(made, first).want(200); string(again.body) != string(part.body) {
		t.Errorf("first %s\nagain %s", part.body, again.body)
	}
	w.arrives(made, with(first, row{"note": "Another"})).want(409).wantProblem("id-used")
	w.arrives(w.order(1, row{"what": "Oil", "quantity": 1}).want(201), row{"id": id}).want(409).wantProblem("id-used")
	w.arrives(made, row{"lines": []row{{"line": 0, "quantity": 1}, {"line": 2, "quantity": 1}, {"line": 1, "quantity": 1}, {"line": 1, "quantity": 1}}}).want(422).
		wantFault("/lines/0/quantity").wantFault("/lines/1/line").wantFault("/lines/3/line")
	w.arrives(made, row{"occurred_at": w.ago(9) + "T12:00:00Z"}).want(422).wantFault("/occurred_at")
	w.arrives(made, row{"occurred_at": w.ago(-2) + "T12:00:00Z"}).want(422).wantFault("/occurred_at")
	w.clock.advance(24 * time.Hour)
	whole := w.arrives(made, row{"occurred_at": w.ago(0) + "T00:00:00Z"}).want(201)
	if whole.str("state") != "arrived" || whole.str("arrived_on") != w.ago(0) || whole.get("expected") != nil || len(whole.get("arrivals").([]any)) != 2 {
		t.Errorf("%s", whole.body)
	}
	if got := w.do("GET", w.at("parts-orders/"+made.str("id")), w.officer, nil).want(200); string(got.body) != string(whole.body) {
		t.Errorf("made %s\nread %s", whole.body, got.body)
	}
	w.arrives(made, row{}).want(409).wantProblem("not-allowed-now")
	w.do("POST", w.at("parts-orders/"+made.str("id")+"/cancel"), w.officer, nil).want(409).wantProblem("not-allowed-now")

	// A parcel recorded by mistake: what was in it is missing again.
	second := whole.str("arrivals", 1, "id")
	void := func(token string) *response { return w.do("POST", w.at("parts-arrivals/"+second+"/void"), token, nil) }
	void(w.as("member,auditor")).want(403).wantProblem("missing-role")
	open := void(w.as("tool_keeper")).want(200)
	if open.str("state") != "open" || open.num("lines", 1, "missing") != 1 || open.get("arrivals", 1, "void_at") == nil || open.get("arrived_on") != nil {
		t.Errorf("%s", open.body)
	}
	if again := void(w.officer).want(200); string(again.body) != string(open.body) {
		t.Errorf("taken back %s\nagain %s", open.body, again.body)
	}
	gone := w.do("POST", w.at("parts-orders/"+made.str("id")+"/cancel"), w.officer, nil).want(200)
	if gone.str("state") != "cancelled" || gone.num("lines", 1, "missing") != 0 || gone.num("lines", 1, "arrived") != 1 || gone.get("expected") != nil {
		t.Errorf("%s", gone.body)
	}
	if again := w.do("POST", w.at("parts-orders/"+made.str("id")+"/cancel"), w.officer, nil).want(200); string(again.body) != string(gone.body) {
		t.Errorf("cancelled %s\nagain %s", gone.body, again.body)
	}
	w.do("POST", w.at("parts-arrivals/"+part.str("arrivals", 0, "id")+"/void"), w.officer, nil).want(409).wantProblem("not-allowed-now")
	w.do("POST", w.at("parts-arrivals/"+newID()+"/void"), w.officer, nil).want(404)
}

func TestOrdersThatCannotBeAreRefused(t *testing.T) {
	t.Parallel()
	w := partsWorld(t)
	post := func(body row) *response { return w.do("POST", w.at("parts-orders"), w.officer, body) }
	post(row{"supplier": "nobody", "lines": []row{{"quantity": 1}, {"pin_series": "hinge-8", "quantity": 1}, {"step": "standard", "quantity": 1}, {"pin_series": "hinge-8", "step": "none", "quantity": 1},
		{"pin_series": "none", "step": "standard", "quantity": 1}, {"what": "Oil", "quantity": 1, "unit_price": row{"minor": 1, "currency": "XTS"}}}}).want(422).
		wantFault("/supplier").wantFault("/lines/0/what").wantFault("/lines/1/step").wantFault("/lines/2/pin_series").wantFault("/lines/3/step").wantFault("/lines/4/pin_series").wantFault("/lines/5/unit_price/currency")
	post(row{"supplier": "fallow", "ordered_on": w.ago(-3), "lines": []row{{"what": "Oil", "quantity": 1}}}).want(422).wantFault("/ordered_on")
	post(row{"supplier": "fallow", "ordered_on": w.ago(900), "lines": []row{{"what": "Oil", "quantity": 1}}}).want(422).wantFault("/ordered_on")
	w.do("GET", w.at("parts-orders?supplier=nobody"), w.officer, nil).want(422).wantFault("?supplier")
}

func TestDeliveriesAreLearnedFrom(t *testing.T) {
	t.Parallel()
	w := partsWorld(t)
	before := quantiles(w.do("GET", w.at("suppliers/fallow"), w.officer, nil).want(200), "delivery")
	oil := row{"what": "Oil", "quantity": 1}
	for i := range 6 { // each took twelve days, though five are stated
		o := w.order(30+i, oil).want(201)
		w.arrives(o, row{"occurred_at": w.ago(18+i) + "T10:00:00Z"}).want(201)
	}
	late := w.do("GET", w.at("suppliers/fallow"), w.officer, nil).want(200)
	if after := quantiles(late, "delivery"); late.num("delivery", "deliveries") != 6 || after[0] < 10 || after[0] > 12 || after[0] <= before[0] || !strings.Contains(late.str("delivery", "summary"), "6 deliveries") {
		t.Errorf("learned %v from six deliveries of twelve days: %s", after, late.body)
	}
	// Two that are not here after forty days, one of them given up: rather later still.
	o := w.order(40, oil).want(201)
	w.order(40, oil).want(201)
	w.do("POST", w.at("parts-orders/"+o.str("id")+"/cancel"), w.officer, nil).want(200)
	later := w.do("GET", w.at("suppliers/fallow"), w.officer, nil).want(200)
	if a, b := quantiles(late, "delivery"), quantiles(later, "delivery"); later.num("delivery", "open") != 2 || later.num("delivery", "deliveries") != 6 || b[2] <= a[2] || b[0] < a[0] {
		t.Errorf("%v became %v", a, b)
	}
	states := map[string]int{}
	for _, state := range []string{"open", "arrived", "cancelled"} {
		r := w.do("GET", w.at("parts-orders?supplier=fallow&state="+state), w.officer, nil).want(200)
		states[state] = len(r.get("items").([]any))
		for i := range states[state] {
			if r.str("items", i, "state") != state || (r.get("items", i, "expected") != nil) != (state == "open") {
				t.Errorf("among %s: %v", state, r.get("items", i))
			}
		}
	}
	if diff := cmp.Diff(map[string]int{"open": 1, "arrived": 6, "cancelled": 1}, states); diff != "" {
		t.Error(diff)
	}
	// Pages hold all, newest first, once.
	var seen []string
	for next := w.at("parts-orders?limit=3"); next != ""; {
		r := w.do("GET", next, w.officer, nil).want(200)
		for i := range len(r.get("items").([]any)) {
			seen = append(seen, r.str("items", i, "id"))
		}
		next = ""
		if c, more := r.get("next").(string); more {
			next = w.at("parts-orders?limit=3&cursor=" + c)
		}
	}
	if len(seen) != 8 || seen[0] <= seen[7] {
		t.Errorf("%d orders: %v", len(seen), seen)
	}
}

func TestTwoPhonesRecordOneParcelEach(t *testing.T) {
	t.Parallel()
	w := partsWorld(t)
	o := w.order(1, row{"what": "Oil", "quantity": 5}).want(201)
	const phones = 8
	token, done := w.as("member"), make(chan int, phones)
	for range phones {
		go func() {
			done <- w.do("POST", w.at("parts-orders/"+o.str("id")+"/arrivals"), token, row{"lines": []row{{"line": 0, "quantity": 1}}}).status
		}()
	}
	statuses := map[int]int{}
	for range phones {
		statuses[<-done]++
	}
	got := w.do("GET", w.at("parts-orders/"+o.str("id")), w.officer, nil).want(200)
	if statuses[201] != 5 || statuses[409]+statuses[422] != 3 || got.num("lines", 0, "arrived") != 5 || len(got.get("arrivals").([]any)) != 5 {
		t.Errorf("%v: %s", statuses, fmt.Sprint(got.get("lines")))
	}
}
