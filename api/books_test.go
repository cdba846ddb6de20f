package api_test

import (
	"fmt"
	"strings"
	"testing"
)

func signed(minor int) row { return row{"minor": minor} }

// standsAt is what each kind of account stands at, summed over whose they are.
func (w *world) standsAt(token string) map[string]int {
	w.t.Helper()
	out := map[string]int{}
	for next := w.at("ledger/accounts"); next != ""; {
		page := w.do("GET", next, token, nil).want(200)
		for i := range page.get("items").([]any) {
			out[page.str("items", i, "account")] += int(page.num("items", i, "balance", "minor"))
		}
		next = ""
		if cursor := page.str("next"); cursor != "" {
			next = w.at("ledger/accounts?cursor=" + cursor)
		}
	}
	return out
}

func TestTheFinancialYearIsSet(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	treasurer := w.as("treasurer")
	books := w.do("GET", w.at("ledger/books"), w.as("auditor"), nil).want(200)
	now := w.clock.now()
	if books.str("year_begins") != "01-01" || books.str("year", "text") != fmt.Sprint(now.Year()) || books.num("entries") != 0 || books.get("closed_until") != nil {
		t.Errorf("books of a new club: %s", books.body)
	}
	tag := books.header.Get("ETag")
	patch := func(begins string, headers ...header) *response {
		return w.do("PATCH", w.at("ledger/books"), treasurer, row{"year_begins": begins}, headers...)
	}
	patch("04-01").want(428).wantProblem("precondition-required")
	patch("02-29", header{"If-Match", tag}).want(422).wantFault("/year_begins")
	set := patch("04-01", header{"If-Match", tag}).want(200)
	patch("07-01", header{"If-Match", tag}).want(412).wantProblem("stale-version")
	first := now.Year()
	if now.Month() < 4 {
		first--
	}
	if set.str("year", "from") != fmt.Sprintf("%d-04-01", first) || set.str("year", "until") != fmt.Sprintf("%d-03-31", first+1) {
		t.Errorf("the year from April: %s", set.body)
	}
	if again := w.do("GET", w.at("ledger/books"), treasurer, nil).want(200); string(again.body) != string(set.body) || again.header.Get("ETag") != set.header.Get("ETag") {
		t.Errorf("set %s\nread %s", set.body, again.body)
	}
	// What entries and closings leave of it.
	w.member("B-1")
	w.do("POST", w.at("charges"), treasurer, row{"member": "B-1", "amount": money(100), "reason": "other"}).want(201)
	w.do("POST", w.at("ledger/closings"), treasurer, row{"closed_until": "2020-01-31"}).want(201)
	if k := w.do("GET", w.at("ledger/books"), treasurer, nil).want(200); k.num("entries") != 1 || k.str("closed_until") != "2020-01-31" || k.str("year_begins") != "04-01" {
		t.Errorf("after an entry and a closing: %s", k.body)
	}
	one, _ := w.member("B-2")
	w.do("GET", w.at("ledger/books"), one, nil).want(403)
	w.do("PATCH", w.at("ledger/books"), w.as("auditor"), row{"year_begins": "01-01"}, header{"If-Match", "*"}).want(403)
}

// Two who set the year of a club without a row of books at once: one is told that it
// was changed.
func TestTheFinancialYearIsSetByOneAtATime(t *testing.T) {
	t.Parallel()
	w := newWorld(t).patient()
	treasurer := w.as("treasurer")
	tag := w.do("GET", w.at("ledger/books"), treasurer, nil).want(200).header.Get("ETag")
	_, answers := race(6, func(i int) *response {
		return w.do("PATCH", w.at("ledger/books"), treasurer, row{"year_begins": fmt.Sprintf("%02d-01", i+2)}, header{"If-Match", tag})
	})
	done := 0
	for _, r := range answers {
		if r.status == 200 {
			done++
		} else {
			r.want(412)
		}
	}
	if done != 1 {
		t.Errorf("%d set it from the same version", done)
	}
}

func TestBooksBeginWithWhatThereWas(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	stock(w)
	treasurer := w.as("treasurer")
	w.do("POST", w.at("tools"), w.officer, row{"number": "R-1", "model": "R8", "garage": "north"}).want(201)
	ada, _ := w.member("B-1")
	w.member("B-2")
	opening := row{"on": "2025-12-31", "bank": signed(123456), "fund": money(40000), "members": []row{{"member": "B-1", "owes": signed(1250)}, {"member": "B-2", "owes": signed(-300)}},
		"deposits": []row{{"member": "B-2", "held": money(2500)}}, "tools": []row{{"tool": "R-1", "value": money(6000)}}, "note": "from the old cash book"}
	give := func(body row, headers ...header) *response {
		return w.do("POST", w.at("opening-balances"), treasurer, body, headers...)
	}
	give(with(opening, row{"on": w.clock.now().AddDate(0, 0, 2).Format("2006-01-02")})).want(422).wantFault("/on")
	give(row{"on": "2025-12-31"}).want(422)
	give(with(opening, row{"members": []row{{"member": "none", "owes": signed(1)}, {"member": "B-1", "owes": row{"minor": 1, "currency": "USD"}}, {"member": "B-1", "owes": signed(1)}}, "tools": []row{{"tool": "none", "value": money(1)}}})).
		want(422).wantFault("/members/0/member").wantFault("/members/1/owes/currency").wantFault("/members/2/member").wantFault("/tools/0/tool")
	w.do("POST", w.at("opening-balances"), w.officer, opening).want(403).wantProblem("missing-role")
	key := header{"Idempotency-Key", newID()}
	made := give(opening, key).want(201)
	if again := give(opening, key).want(201); string(again.body) != string(made.body) {
		t.Errorf("the same request again: %s", again.body)
	}
	// 1234.56 + 12.50 − 3 + 60 − 400 − 25 = 879.06 are the club's own.
	want := map[string]int{"bank": 123456, "fund": -40000, "member": 950, "deposit": -2500, "tool": 6000, "opening": -87906}
	check := func(when string) {
		t.Helper()
		stands := w.standsAt(treasurer)
		for account, minor := range want {
			if stands[account] != minor {
				t.Errorf("%s: %s stands at %d, want %d", when, account, stands[account], minor)
			}
		}
	}
	check("after the opening")
	if made.str("kind") != "opening" || made.num("amount", "minor") != 123456+1250+6000 || len(made.get("postings").([]any)) != 7 {
		t.Errorf("the opening: %s", made.body)
	}
	if own := w.do("GET", w.at("members/B-1/statement"), ada, nil).want(200); own.num("owed", "minor") != 1250 || own.str("items", 0, "kind") != "opening" || !strings.Contains(own.str("items", 0, "summary"), "before the books began") {
		t.Errorf("the statement: %s", own.body)
	}
	if k := w.do("GET", w.at("ledger/books"), treasurer, nil).want(200); k.str("begins_on") != "2025-12-31" || k.str("opening") != made.str("id") {
		t.Errorf("the books: %s", k.body)
	}
	// Once, and nothing before.
	give(opening).want(409).wantProblem("not-allowed-now")
	charge := func(on string) *response {
		return w.do("POST", w.at("charges"), treasurer, row{"member": "B-1", "amount": money(100), "reason": "other", "on": on})
	}
	charge("2025-12-30").want(409).wantProblem("not-allowed-now")
	charge("2025-12-31").want(201)
	// Given anew, once the first is reversed, and not behind what is booked.
	w.do("POST", made.header.Get("Location")+"/reverse", treasurer, row{"note": "a wrong column"}).want(201)
	give(with(opening, row{"on": "2026-01-01"})).want(409).wantProblem("not-allowed-now")
	give(with(opening, row{"bank": signed(-56)})).want(201)
	want["bank"], want["opening"], want["member"] = -56, -87906+123512, 1050
	check("given anew")
	if n, faults := w.verifyBooks(); n != 4 || len(faults) > 0 {
		t.Errorf("%d entries, %v", n, faults)
	}
}

// Many who give the opening at once, and book beside: it stands once, before all else.
func TestBooksBeginOnce(t *testing.T) {
	t.Parallel()
	w := newWorld(t).patient()
	treasurer := w.as("treasurer")
	w.member("B-1")
	_, answers := race(12, func(i int) *response {
		if i%3 == 0 {
			return w.do("POST", w.at("charges"), treasurer, row{"member": "B-1", "amount": money(100), "reason": "other", "on": "2026-01-01"})
		}
		return w.do("POST", w.at("opening-balances"), treasurer, row{"on": fmt.Sprintf("2026-01-%02d", 1+i%2), "bank": signed(1000 + i)})
	})
	charged := 0
	for i, r := range answers {
		switch {
		case r.status == 201 && i%3 == 0:
			charged++
		case r.status == 201:
		default:
			r.want(409).wantProblem("not-allowed-now")
		}
	}
	opened := w.numberOf(`select count(*) from entry where kind = 'opening'`)
	before := w.numberOf(`select count(*) from entry e join entry o on o.kind = 'opening' where e.booked_on < o.booked_on`)
	if opened > 1 || before > 0 || charged+opened == 0 {
		t.Errorf("%d openings, %d entries before it, %d charges", opened, before, charged)
	}
	if n, faults := w.verifyBooks(); n != charged+opened || len(faults) > 0 {
		t.Errorf("%d entries, %v", n, faults)
	}
}

// numberOf is the one number that a query of the owner gives.
func (w *world) numberOf(sql string, args ...any) (n int) {
	w.t.Helper()
	if err := w.db.Owner.QueryRow(w.t.Context(), sql, args...).Scan(&n); err != nil {
		w.t.Fatalf("%v\n%s", err, sql)
	}
	return n
}
