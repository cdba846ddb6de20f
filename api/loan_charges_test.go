package api_test

import (
	"strings"
	"testing"
	"time"
)

// tariffed is a desk whose tool, of one model, cost 10.00 EUR for 30 uses and
// 1.50 EUR a loan, with consumables of 0.05 EUR a use and a late fee.
func tariffed(t *testing.T) (d *desk, treasurer string) {
	t.Helper()
	d = newDesk(t, [3]string{"puller", "R-1"}, [3]string{"puller", "R-2"}, [3]string{"lamp", "L-1"})
	treasurer = d.as("treasurer")
	d.sql(`update tool_model set charge_minor = 150, deposit_minor = 2500 where code = 'puller'`)
	d.do("POST", d.at("charge-rules"), treasurer, row{"valid_from": d.day(0), "late_per_day": money(200), "late_most": money(500), "late_grace_days": 1,
		"consumables": []row{{"kind": "other", "per_unit": money(5)}}, "exempt": []string{"guests"}}).want(201)
	d.do("POST", d.at("tool-models/puller/costs"), treasurer, row{"valid_from": d.day(0), "cost": money(1000), "residual": money(0), "sharpenings": 0, "life": 30}).want(201)
	return d, treasurer
}

// used records a use of a loan past the service, and returns its id.
func (d *desk) used(loan string, count int) string {
	d.t.Helper()
	id := newID()
	d.sql(`insert into tool_use (club_id, id, tool_id, loan_id, member_id, used_at, recorded_at, recorded_by, work, count)
		select club_id, $2, tool_id, id, member_id, collected_at, collected_at, member_id, 'other', $3 from loan where id = $1`, loan, id, count)
	return id
}

func (d *desk) voids(use string) {
	d.t.Helper()
	d.sql(`update tool_use set voided_at = used_at, voided_by = member_id, void_reason = 'counted twice' where id = $1`, use)
}

// lent hands the tool out, records uses and takes it back so much later; it returns the
// loan's id and the uses'.
func (d *desk) lent(tool string, later time.Duration, counts ...int) (loan string, uses []string) {
	d.t.Helper()
	loan = d.out(nil, tool).want(201).str("loans", 0, "id")
	for _, n := range counts {
		uses = append(uses, d.used(loan, n))
	}
	d.clock.advance(later)
	d.back(nil, row{"tool": tool}).want(201)
	return loan, uses
}

// wantParts holds what a quote's line or a charge consists of.
func (r *response) wantParts(want map[string]int, path ...any) *response {
	r.t.Helper()
	got, total := map[string]int{}, 0
	list, _ := r.get(append(path, "parts")...).([]any)
	for i := range list {
		n := int(r.num(append(path, "parts", i, "amount", "minor")...))
		got[r.str(append(path, "parts", i, "part")...)] += n
		total += n
	}
	for name, minor := range want {
		if got[name] != minor {
			r.t.Errorf("%s: %s is %d, want %d\n%s", r.what, name, got[name], minor, r.body)
		}
	}
	if total != int(r.num(append(path, "total", "minor")...)) {
		r.t.Errorf("%s: the parts add up to %d\n%s", r.what, total, r.body)
	}
	return r
}

func (d *desk) books(want int) {
	d.t.Helper()
	if n, faults := d.verifyBooks(); n != want || len(faults) > 0 {
		d.t.Errorf("%d entries, want %d; %v", n, want, faults)
	}
}

func TestLoanIsQuotedChargedAndCompared(t *testing.T) {
	t.Parallel()
	d, treasurer := tariffed(t)
	other := d.as("auditor,member")
	quote := d.do("POST", d.at("quotes"), d.member, row{"period": d.period(0, 5), "lines": []row{{"tool": "R-1", "expected_uses": 2}, {"tool_model": "lamp", "expected_uses": 0}}}).want(201)
	quote.wantParts(map[string]int{"flat": 150, "wear": 67, "consumables": 10}, "lines", 0).wantParts(map[string]int{"wear": 0}, "lines", 1)
	if quote.num("total", "minor") != 227 || quote.num("deposit", "minor") != 2500 || quote.str("lines", 0, "late") != "Each day late costs 2.00 EUR for each tool, after 1 day of grace, and 5.00 EUR at most." ||
		!strings.Contains(quote.str("lines", 0, "parts", 1, "detail"), "10.00 EUR over 30 uses; 2 uses more: 0.67 EUR") || quote.num("lines", 0, "costs_edition") != 1 || quote.num("lines", 1, "costs_edition") != 0 {
		t.Errorf("quoted %s", quote.body)
	}
	loan := d.out(nil, "R-1").want(201).str("loans", 0, "id")
	one, two := d.used(loan, 1), d.used(loan, 2)
	at := d.at("loans/" + loan + "/charge")
	d.do("POST", at, treasurer, row{}).want(409).wantProblem("not-allowed-now") // still out
	d.back(nil, row{"tool": "R-1"}).want(201)

	preview := d.do("GET", at, d.member, nil).want(200).wantParts(map[string]int{"flat": 150, "wear": 100, "consumables": 15})
	if preview.str("state") != "preview" || !strings.HasSuffix(preview.str("summary"), "would be charged 2.65 EUR for the loan of R-1 as things stand, 0.38 EUR more than was quoted.") {
		t.Errorf("before: %s", preview.body)
	}
	for _, token := range []string{d.keeper, d.as("member,tool_keeper")} { // not theirs
		d.do("GET", at, token, nil).want(404)
		d.do("GET", quote.header.Get("Location"), token, nil).want(404)
	}
	d.do("GET", at, other, nil).want(200)
	d.do("POST", at, d.member, row{}).want(403).wantProblem("missing-role")
	d.do("POST", at, d.officer, row{}).want(403).wantProblem("missing-role")
	d.do("GET", d.at("loans/"+newID()+"/charge"), treasurer, nil).want(404)
	d.do("POST", d.at("loans/"+newID()+"/charge"), treasurer, row{}).want(404)
	d.do("POST", at, treasurer, row{"on": "2100-01-01", "damage": row{"amount": row{"minor": 5, "currency": "USD"}, "note": "bent"}}).want(422).wantFault("/on").wantFault("/damage/amount/currency")

	key := header{"Idempotency-Key", newID()}
	charged := d.do("POST", at, treasurer, row{}, key).want(201).wantParts(map[string]int{"flat": 150, "wear": 100, "consumables": 15})
	if again := d.do("POST", at, treasurer, row{}, key).want(201); string(again.body) != string(charged.body) {
		t.Errorf("the replay differs: %s", again.body)
	}
	d.do("POST", at, treasurer, row{}).want(409).wantProblem("not-allowed-now")
	if seen := d.do("GET", charged.header.Get("Location"), d.member, nil).want(200); string(seen.body) != string(charged.body) {
		t.Errorf("charged %s\nseen %s", charged.body, seen.body)
	}
	if charged.str("uses", 0, "id") != one || charged.num("uses", 0, "wear", "minor") != 33 || charged.str("uses", 1, "id") != two || charged.num("uses", 1, "wear", "minor") != 67 {
		t.Errorf("uses: %s", charged.body)
	}
	if charged.str("quote_id") != quote.str("id") || charged.num("quoted", "minor") != 227 || charged.str("differences", 0, "part") != "wear" || charged.num("differences", 0, "quoted", "minor") != 67 ||
		charged.str("differences", 0, "why") != "2 uses expected, 3 uses made." || charged.str("differences", 1, "part") != "consumables" || charged.get("differences", 2) != nil {
		t.Errorf("differences: %s", charged.body)
	}
	if charged.str("entries", 0, "reason") != "use" || charged.num("entries", 0, "amount", "minor") != 250 || charged.str("entries", 1, "reason") != "consumables" || charged.get("entries", 2) != nil {
		t.Errorf("entries: %s", charged.body)
	}
	entry := d.do("GET", d.at("ledger/entries/"+charged.str("entries", 0, "entry_id")), treasurer, nil).want(200)
	if entry.str("postings", 1, "account") != "fund" || entry.str("tool") != "R-1" || !strings.HasPrefix(entry.str("note"), "Loan of R-1 from ") {
		t.Errorf("booked %s", entry.body)
	}
	if s := d.do("GET", d.at("members/"+d.number+"/statement"), d.member, nil).want(200); s.num("owed", "minor") != 265 {
		t.Errorf("statement: %s", s.body)
	}
	d.books(2)
}

func TestLateFeeGoesByTheGaragesCalendarAndDamageIsTold(t *testing.T) {
	t.Parallel()
	d, treasurer := tariffed(t)
	lisbon, err := time.LoadLocation("Europe/Lisbon")
	if err != nil {
		t.Fatal(err)
	}
	out := d.out(nil, "R-1").want(201)
	until, err := time.Parse(time.RFC3339, out.str("loans", 0, "period", "until"))
	if err != nil {
		t.Fatal(err)
	}
	back := until.In(lisbon).AddDate(0, 0, 3) // three days late at the same time of day, two of them beyond grace
	d.clock.advance(back.Sub(d.clock.now()))
	loan := out.str("loans", 0, "id")
	open := d.do("GET", d.at("loans/"+loan+"/charge"), d.member, nil).want(200).wantParts(map[string]int{"flat": 150, "late": 400})
	d.back(nil, row{"tool": "R-1", "condition": "damaged"}).want(201)
	charged := d.do("POST", d.at("loans/"+loan+"/charge"), treasurer, row{"damage": row{"amount": money(1200), "note": "one jaw bent"}}).want(201).
		wantParts(map[string]int{"flat": 150, "wear": 0, "late": 400, "damage": 1200})
	if open.str("parts", 2, "detail") != "3 days late by the garage's calendar, 1 day of grace: 2 × 2.00 EUR." || charged.str("parts", 3, "detail") != "one jaw bent" || len(charged.get("differences").([]any)) != 0 {
		t.Errorf("open %s\ncharged %s", open.body, charged.body)
	}
	accounts := map[string]string{}
	for i := range charged.get("entries").([]any) {
		e := d.do("GET", d.at("ledger/entries/"+charged.str("entries", i, "entry_id")), treasurer, nil).want(200)
		accounts[e.str("reason")] = e.str("postings", 1, "account")
	}
	if accounts["use"] != "fund" || accounts["damage"] != "fund" || accounts["late"] != "charges" {
		t.Errorf("accounts: %v", accounts)
	}
	d.books(3)
}

func TestChargeIsCorrectedByReversalAfterTheClose(t *testing.T) {
	t.Parallel()
	d, treasurer := tariffed(t)
	loan, uses := d.lent("R-1", time.Hour, 3, 2)
	at := d.at("loans/" + loan + "/charge")
	correct := func(body row) *response { return d.do("POST", at+"/correct", treasurer, body) }
	correct(row{"note": "too soon"}).want(409).wantProblem("not-allowed-now")
	first := d.do("POST", at, treasurer, row{"on": d.day(-5), "damage": row{"amount": money(300), "note": "a scratch"}}).want(201).wantParts(map[string]int{"wear": 167, "consumables": 25, "damage": 300})
	correct(row{"note": "nothing changed"}).want(409).wantProblem("not-allowed-now")
	d.do("POST", d.at("ledger/closings"), treasurer, row{"closed_until": d.day(-3)}).want(201)
	d.voids(uses[1])
	if seen := d.do("GET", at, d.member, nil).want(200); seen.get("due") == nil || seen.num("total", "minor") != first.num("total", "minor") {
		t.Errorf("while it is due: %s", seen.body)
	}
	correct(row{"note": "counted twice", "on": d.day(-4)}).want(409).wantProblem("not-allowed-now") // closed
	correct(row{"note": "both", "damage": row{"amount": money(1), "note": "x"}, "without_damage": true}).want(422).wantFault("/without_damage")
	d.do("POST", at+"/correct", d.member, row{"note": "mine"}).want(403)
	d.do("POST", d.at("loans/"+newID()+"/charge/correct"), treasurer, row{"note": "none"}).want(404)
	key := header{"Idempotency-Key", newID()}
	second := d.do("POST", at+"/correct", treasurer, row{"note": "counted twice"}, key).want(201).wantParts(map[string]int{"flat": 150, "wear": 100, "consumables": 15, "damage": 300})
	if again := d.do("POST", at+"/correct", treasurer, row{"note": "counted twice"}, key).want(201); string(again.body) != string(second.body) {
		t.Errorf("the replay differs: %s", again.body)
	}
	if second.str("corrects") != first.str("id") || second.str("earlier", 0, "id") != first.str("id") || second.num("earlier", 0, "total", "minor") != first.num("total", "minor") {
		t.Errorf("corrected %s", second.body)
	}
	d.books(9) // three, undone by three, and three anew
	if seen := d.do("GET", at, d.member, nil).want(200); string(seen.body) != string(second.body) {
		t.Errorf("corrected %s\nseen %s", second.body, seen.body)
	}
	// Damage is given anew, and uses stay as they were charged; then it is taken back.
	d.lent("R-1", time.Hour, 7) // of the same tool, not charged
	third := correct(row{"note": "it was more", "damage": row{"amount": money(900), "note": "a deep scratch"}}).want(201).wantParts(map[string]int{"flat": 150, "wear": 100, "consumables": 15, "damage": 900})
	fourth := correct(row{"note": "it was there before", "without_damage": true}).want(201).wantParts(map[string]int{"flat": 150, "wear": 100, "consumables": 15, "damage": 0})
	if len(fourth.get("earlier").([]any)) != 3 || fourth.str("corrects") != third.str("id") {
		t.Errorf("the fourth: %s", fourth.body)
	}
	// An entry that was reversed by hand is booked again by a correction.
	d.do("POST", d.at("ledger/entries/"+fourth.str("entries", 0, "entry_id")+"/reverse"), treasurer, row{"note": "by hand"}).want(201)
	if seen := d.do("GET", at, treasurer, nil).want(200); seen.get("due") == nil || seen.get("entries", 0, "reversed_by") == nil {
		t.Errorf("reversed by hand: %s", seen.body)
	}
	correct(row{"note": "booked again"}).want(201)
	if s := d.do("GET", d.at("members/"+d.number+"/statement"), treasurer, nil).want(200); s.num("owed", "minor") != 265 {
		t.Errorf("statement: %s", s.body)
	}
	_, faults := d.verifyBooks()
	if len(faults) > 0 {
		t.Error(faults)
	}
}

// A tool's life is charged to the last cent, and a new estimate changes only what is still
// to come.
func TestALifeIsChargedToTheLastCent(t *testing.T) {
	t.Parallel()
	d, treasurer := tariffed(t)
	charge := func(uses ...int) *response {
		loan, _ := d.lent("R-1", time.Hour, uses...)
		return d.do("POST", d.at("loans/"+loan+"/charge"), treasurer, row{}).want(201)
	}
	charge(1).wantParts(map[string]int{"wear": 33})
	first := charge(1, 1).wantParts(map[string]int{"wear": 67})
	d.do("POST", d.at("tool-models/puller/costs"), treasurer, row{"valid_from": d.day(1), "cost": money(1000), "residual": money(0), "sharpenings": 0, "life": 13}).want(201)
	charge(1).wantParts(map[string]int{"wear": 33}) // it begins tomorrow
	d.clock.advance(24 * time.Hour)
	// 8.67 EUR are left over 9 uses.
	anew := charge(2).wantParts(map[string]int{"wear": 193})
	if anew.num("costs_edition") != 2 || !strings.Contains(anew.str("parts", 1, "detail"), "8.67 EUR over 9 uses are left of it by this estimate; 2 uses more: 1.93 EUR") {
		t.Errorf("anew: %s", anew.body)
	}
	if seen := d.do("GET", d.at("loans/"+first.str("loan_id")+"/charge"), treasurer, nil).want(200); string(seen.body) != string(first.body) {
		t.Errorf("charged %s\nseen %s", first.body, seen.body)
	}
	rest := charge(9).wantParts(map[string]int{"wear": 867 - 193})
	if !strings.Contains(rest.str("parts", 1, "detail"), "2 uses beyond the expected life are free.") {
		t.Errorf("the rest: %s", rest.body)
	}
	charge(3).wantParts(map[string]int{"wear": 0})
	// Replaced, it begins anew.
	d.sql(`insert into tool_renewal (club_id, id, tool_id, kind, done_at, member_id, recorded_at) select t.club_id, $1, t.id, 'replaced', $2, m.id, $2 from tool t join member m using (club_id) where t.number = 'R-1' and m.number = 'T-member'`, newID(), d.clock.now())
	d.clock.advance(time.Hour)
	charge(13).wantParts(map[string]int{"wear": 1000})
}

func TestQuotesThatAreRefusedAndOfOthers(t *testing.T) {
	t.Parallel()
	d, treasurer := tariffed(t)
	other, _ := d.world.member("B-2")
	ask := func(token string, body row) *response { return d.do("POST", d.at("quotes"), token, body) }
	ask(d.member, row{"lines": []row{}}).want(422).wantFault("/lines")
	ask(d.member, row{"period": d.period(0, 5), "lines": []row{{"expected_uses": 1}, {"tool": "none", "expected_uses": 1}, {"tool": "R-1", "tool_model": "lamp", "expected_uses": 1}, {"tool": "R-1", "line": 3, "expected_uses": 1}}}).
		want(422).wantFault("/lines/0").wantFault("/lines/2").wantFault("/lines/3/line")
	ask(d.member, row{"period": d.period(0, 5), "lines": []row{{"tool": "none", "expected_uses": 1}, {"tool_model": "none", "expected_uses": 1}}}).want(422).wantFault("/lines/0/tool").wantFault("/lines/1/tool_model")
	ask(d.member, row{"lines": []row{{"tool": "R-1", "expected_uses": 1}, {"tool": "R-1", "period": d.period(5, 5), "expected_uses": 1}, {"tool": "R-1", "period": d.period(0, 500*24), "expected_uses": 1}}}).
		want(422).wantFault("/lines/0/period").wantFault("/lines/1/period/until").wantFault("/lines/2/period/until")
	ask(d.member, row{"member": "B-2", "period": d.period(0, 5), "lines": []row{{"tool": "R-1", "expected_uses": 1}}}).want(403).wantProblem("missing-role")
	ask(treasurer, row{"member": "none", "period": d.period(0, 5), "lines": []row{{"tool": "R-1", "expected_uses": 1}}}).want(422).wantFault("/member")

	reserved := d.reserve(other, 2, 5, toolLine("R-1"), toolLine("L-1")).want(201).str("id")
	ask(d.member, row{"reservation": reserved, "lines": []row{}}).want(422).wantFault("/reservation")
	ask(other, row{"reservation": newID(), "lines": []row{}}).want(422).wantFault("/reservation")
	ask(other, row{"reservation": reserved, "lines": []row{{"expected_uses": 1}}}).want(422).wantFault("/lines/0/line")
	ask(other, row{"reservation": reserved, "lines": []row{{"line": 7, "expected_uses": 1}}}).want(422).wantFault("/lines/0/line")
	ask(other, row{"reservation": reserved, "member": "B-2", "lines": []row{{"line": 0, "tool": "R-1", "expected_uses": 1}}}).want(422).wantFault("/lines/0").wantFault("/reservation")
	of := ask(d.keeper, row{"reservation": reserved, "lines": []row{{"line": 0, "expected_uses": 4}}}).want(201).wantParts(map[string]int{"flat": 150, "wear": 133, "consumables": 20}, "lines", 0)
	if of.str("member") != "B-2" || of.get("lines", 1, "expected_uses").(float64) != 0 || of.str("reservation_id") != reserved {
		t.Errorf("of a reservation: %s", of.body)
	}
	for token, want := range map[string]int{other: 1, d.member: 0, treasurer: 1, d.as("auditor"): 1} {
		if list := d.do("GET", d.at("quotes"), token, nil).want(200).get("items").([]any); len(list) != want {
			t.Errorf("%d quotes, want %d", len(list), want)
		}
	}
	d.do("GET", d.at("quotes?member=B-2"), d.member, nil).want(422).wantFault("?member")
	d.do("GET", d.at("quotes?member=B-2"), other, nil).want(200)
	d.do("GET", of.header.Get("Location"), other, nil).want(200)
	d.do("GET", of.header.Get("Location"), d.keeper, nil).want(200) // who made it
	d.do("GET", of.header.Get("Location"), d.member, nil).want(404)
	d.do("GET", d.at("quotes/"+newID()), treasurer, nil).want(404)
}
