package api_test

import (
	"testing"
	"time"
)

// toCharge is why each loan is on the treasurer's list.
func (d *desk) toCharge(token, query string) map[string]string {
	d.t.Helper()
	out := map[string]string{}
	for path := "loans-to-charge?" + query; path != ""; {
		page := d.do("GET", d.at(path), token, nil).want(200)
		for i := range page.get("items").([]any) {
			out[page.str("items", i, "loan_id")] = page.str("items", i, "why")
		}
		path = ""
		if next := page.get("next"); next != nil {
			path = "loans-to-charge?" + query + "&cursor=" + next.(string)
		}
	}
	return out
}

func TestLoansToChargeAreThoseThatEndedAndAreNotSettled(t *testing.T) {
	t.Parallel()
	d, treasurer := tariffed(t)
	auditor := d.as("auditor,member")
	holds := func(what string, want map[string]string) {
		t.Helper()
		for _, query := range []string{"", "limit=1", "since=" + d.day(-1)} {
			got := d.toCharge(auditor, query)
			if len(got) != len(want) {
				t.Errorf("%s, with %q: %v, want %v", what, query, got, want)
			}
			for loan, why := range want {
				if got[loan] != why {
					t.Errorf("%s, with %q: %s is %q, want %q", what, query, loan, got[loan], why)
				}
			}
		}
	}
	undone := d.out(nil, "R-1").want(201)
	d.undo("handouts", undone).want(200)
	out := d.out(nil, "R-1").want(201).str("loans", 0, "id")
	d.used(out, 3)
	holds("out", map[string]string{})
	d.clock.advance(time.Hour)
	d.back(nil, row{"tool": "R-1"}).want(201)
	holds("back", map[string]string{out: "not_charged"})
	other, _ := d.lent("L-1", time.Hour)
	holds("two", map[string]string{out: "not_charged", other: "not_charged"})

	first := d.do("GET", d.at("loans-to-charge"), treasurer, nil).want(200)
	if first.str("items", 0, "loan_id") != other || first.str("items", 1, "tool") != "R-1" || first.num("items", 1, "uses") != 1 || first.str("items", 1, "ended") != "returned" ||
		first.str("items", 1, "member") != d.number || first.get("items", 1, "charged") != nil {
		t.Errorf("to charge: %s", first.body)
	}
	for _, token := range []string{d.member, d.keeper} {
		d.do("GET", d.at("loans-to-charge"), token, nil).want(403).wantProblem("missing-role")
	}
	if got := d.toCharge(treasurer, "since="+d.day(1)); len(got) != 0 {
		t.Errorf("of tomorrow: %v", got)
	}
	d.do("GET", d.at("loans-to-charge?since=tomorrow"), treasurer, nil).want(422).wantFault("?since")

	at := d.at("loans/" + out + "/charge")
	charged := d.do("POST", at, treasurer, row{}).want(201)
	d.do("POST", d.at("loans/"+other+"/charge"), treasurer, row{}).want(201) // with nothing
	holds("charged", map[string]string{})
	d.used(out, 1)
	holds("a use more", map[string]string{out: "uses_changed"})
	if seen := d.do("GET", d.at("loans-to-charge"), treasurer, nil).want(200); seen.num("items", 0, "charged", "minor") != charged.num("total", "minor") {
		t.Errorf("charged otherwise: %s", seen.body)
	}
	again := d.do("POST", at+"/correct", treasurer, row{"note": "one was forgotten"}).want(201)
	holds("corrected", map[string]string{})
	d.do("POST", d.at("ledger/entries/"+again.str("entries", 0, "entry_id")+"/reverse"), treasurer, row{"note": "by hand"}).want(201)
	holds("reversed by hand", map[string]string{out: "entry_reversed"})
	d.do("POST", at+"/correct", treasurer, row{"note": "put right"}).want(201)
	holds("put right", map[string]string{})
}
