package api_test

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
)

// lent puts a loan of the past on record, months ago, of so many days and, where above 0, so many uses.
func (w *world) lent(tool, member string, monthsAgo float64, days float64, uses int) {
	w.t.Helper()
	from := w.clock.now().Add(-time.Duration(monthsAgo * 30.436875 * 24 * float64(time.Hour)))
	until := from.Add(time.Duration(days * 24 * float64(time.Hour)))
	reservation, act, loan := uuid.New(), uuid.New(), uuid.New()
	club := w.club.ClubID
	for _, step := range []struct {
		sql  string
		args []any
	}{
		{`insert into reservation (club_id, id, member_id, created_at) select $1, $2, id, $4 from member where club_id = $1 and number = $3`, []any{club, reservation, member, from}},
		{`insert into booking (club_id, reservation_id, line, tool_id, period, held, state) select $1, $2, 0, id, tstzrange($4, $5), tstzrange($4, $5), 'returned' from tool where club_id = $1 and number = $3`, []any{club, reservation, tool, from, until}},
		{`insert into counter_act (club_id, id, kind, by_member, occurred_at, recorded_at) select $1, $2, 'handout', id, $4, $4 from member where club_id = $1 and number = $3`, []any{club, act, member, from}},
		{`insert into loan (club_id, id, reservation_id, line, tool_id, member_id, handout_id, collected_at, held_before, ended_at, ended, recorded_at)
			select $1, $2, $3, 0, t.id, m.id, $4, $7, tstzrange($7, $8), $8, 'returned', $7 from tool t, member m where t.club_id = $1 and t.number = $5 and m.club_id = $1 and m.number = $6`,
			[]any{club, loan, reservation, act, tool, member, from, until}},
	} {
		if _, err := w.db.Owner.Exec(w.t.Context(), step.sql, step.args...); err != nil {
			w.t.Fatalf("%v\n%s", err, step.sql)
		}
	}
	if uses > 0 {
		w.used(tool, member, &loan, from, uses)
	}
}

func (w *world) used(tool, member string, loan *uuid.UUID, at time.Time, uses int) {
	w.t.Helper()
	if _, err := w.db.Owner.Exec(w.t.Context(), `insert into tool_use (club_id, id, tool_id, loan_id, member_id, used_at, recorded_at, recorded_by, work, count)
		select $1, gen_random_uuid(), t.id, $4, m.id, $5, $5, m.id, 'holes', $6 from tool t, member m where t.club_id = $1 and t.number = $2 and m.club_id = $1 and m.number = $3`,
		w.club.ClubID, tool, member, loan, at, uses); err != nil {
		w.t.Fatal(err)
	}
}

const fundAt = "reports/replacement-fund"

// busy is a club whose reamer is borrowed twice a month for five holes, each loan charged 3.00 EUR.
func busy(t *testing.T) *world {
	t.Helper()
	w := newWorld(t)
	w.stock([3]string{"reamer-9", "R-1"}, [3]string{"press", "P-1"}, [3]string{"puller", "L-1"}, [3]string{"puller", "L-2", "lost"})
	w.member("B-7")
	w.exec(`update tool_model set kind = 'reamer', size_nm = 9000000, value_minor = 6000, charge_minor = 300 where club_id = $1 and code = 'reamer-9'`)
	w.exec(`update tool_model set kind = 'press' where club_id = $1 and code = 'press'`)
	for n := range 40 {
		w.lent("R-1", "B-7", 0.3+float64(n)*0.5, 2, 5)
	}
	return w
}

func TestReplacementFund(t *testing.T) {
	t.Parallel()
	w := busy(t)
	treasurer := w.as("treasurer")
	w.do("POST", w.at("charges"), treasurer, row{"member": "B-7", "amount": money(1000), "reason": "damage"}).want(201)
	w.do("POST", w.at("purchases"), treasurer, row{"amount": money(400), "tool": "P-1"}).want(201)
	r := w.do("GET", w.at(fundAt), treasurer, nil).want(200)
	if r.num("balance", "minor") != 1000 || r.num("spent_on_tools", "minor") != 400 || r.num("items", 0, "median", "minor") != 1000 || r.num("not_borrowed") != 2 {
		t.Errorf("balance: %s", r.body)
	}
	list, _ := r.get("items").([]any)
	if len(list) != 25 || !strings.HasPrefix(r.str("items", 24, "ends_on"), fmt.Sprint(w.clock.now().Year()+2)+w.clock.now().Format("-01-")) {
		t.Errorf("%d months until %s", len(list), r.str("items", 24, "ends_on"))
	}
	// 40.5 loans in 19.8 + 1 months (Learned); 200 holes told, so that a life of some 50 is used up and the first work is due.
	if got := r.num("tools", 0, "loans_a_month"); math.Abs(got-40.5/20.8) > 0.05 {
		t.Errorf("%v loans a month", got)
	}
	if r.num("tools", 0, "uses_a_loan") != 5 || r.str("tools", 0, "uses_from") != "recorded" || r.str("tools", 0, "life_from") != "usual" || r.str("tools", 0, "cost_from") != "model" ||
		r.num("tools", 0, "cost", "minor") != 6000 || r.num("tools", 0, "sharpening_cost", "minor") != 1500 || r.num("tools", 0, "per_loan", "minor") != 300 || r.str("tools", 0, "price_from") != "flat" {
		t.Errorf("the reamer: %s", r.body)
	}
	// Some 47 loans bring 140 EUR; their 234 holes take about five works, of which the third costs 60 EUR, and the sixth, and the others 15.
	if income := r.num("income", "minor"); math.Abs(income-24*300*40.5/20.8) > 600 {
		t.Errorf("income %v", income)
	}
	if spent := r.num("spent", "minor"); spent < 11_000 || spent > 17_000 {
		t.Errorf("spent %v", spent)
	}
	if r.num("failure", "within") < 0.8 || r.str("failure", "likeliest_on") == "" || r.get("keeping", "keeps") != false || r.num("keeping", "times") < 1.5 || r.num("keeping", "pay_in", "minor") <= 0 {
		t.Errorf("failure: %s", r.body)
	}
	for _, want := range []string{"The fund stands at 10.00 EUR", "runs out within 24 months", "To keep it at 5 %: charge", "pay"} {
		if !strings.Contains(r.str("summary"), want) {
			t.Errorf("%q is not told in %q", want, r.str("summary"))
		}
	}
	for _, code := range []string{"purchases_apart", "not_borrowed", "assumed_life", "assumed_sharpening", "assumed_demand"} {
		if !strings.Contains(string(r.body), `"`+code+`"`) {
			t.Errorf("%s is not told", code)
		}
	}
	// What is said to keep the risk does: paid in, the chance is what was allowed, of the very same futures.
	paid := w.do("POST", w.at(fundAt+"/what-if"), treasurer, row{"payment": row{"minor": int(r.num("keeping", "pay_in", "minor"))}}).want(200)
	if got := paid.num("changed", "failure", "within"); got > 0.05 || got < 0.04 {
		t.Errorf("with what it asks for paid in it fails with %v", got)
	}
	dearer := w.do("POST", w.at(fundAt+"/what-if"), treasurer, row{"prices": []row{{"times": r.num("keeping", "times")}}}).want(200)
	if got := dearer.num("changed", "failure", "within"); got > 0.05 || got < 0.03 {
		t.Errorf("charging as it asks for it fails with %v", got)
	}
	spent := w.do("GET", w.at(fundAt+"?purchases=from_fund&risk=0.5"), w.as("auditor"), nil).want(200)
	if spent.num("balance", "minor") != 600 || spent.str("purchases") != "from_fund" || spent.num("keeping", "risk") != 0.5 || spent.num("keeping", "times") >= r.num("keeping", "times") {
		t.Errorf("from the fund: %s", spent.body)
	}
	// Equal questions get equal answers.
	if again := w.do("GET", w.at(fundAt), w.officer, nil).want(200); string(again.body) != string(r.body) {
		t.Error("asked again it says something else")
	}
}

func TestReplacementFundIsForWhoKeepsTheMoney(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.found("elsewhere")
	for _, path := range []string{fundAt, fundAt + "/picture"} {
		w.do("GET", w.at(path), w.as("member"), nil).want(403).wantProblem("missing-role")
		w.do("GET", w.at(path), w.as("tool_keeper"), nil).want(403).wantProblem("missing-role")
		w.do("GET", "/v1/clubs/elsewhere/"+path, w.as("treasurer"), nil).want(404)
		w.do("GET", w.at(path+"?risk=0.9"), w.as("treasurer"), nil).want(422).wantFault("?risk")
		w.do("GET", w.at(path+"?purchases=x"), w.as("treasurer"), nil).want(422).wantFault("?purchases")
	}
	w.do("POST", w.at(fundAt+"/what-if"), w.as("member"), row{"turned_away": 0.5}).want(403).wantProblem("missing-role")
}

// A club that has nothing, lends nothing or has told no cost gets clear words and numbers.
func TestReplacementFundOfClubsThatHaveLittle(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	none := w.do("GET", w.at(fundAt), w.officer, nil).want(200)
	if none.num("failure", "within") != 0 || none.get("failure", "likeliest_on") != nil || none.get("keeping", "keeps") != true || none.get("keeping", "times") != nil ||
		!strings.Contains(none.str("summary"), "nothing is foreseen") || none.num("items", 24, "p5", "minor") != 0 {
		t.Errorf("an empty club: %s", none.body)
	}
	if _, desc := pictureIn(t, w.do("GET", w.at(fundAt+"/picture"), w.officer, nil).want(200)); !strings.Contains(desc, "0 EUR on") {
		t.Errorf("its picture tells %q", desc)
	}
	w.stock([3]string{"puller", "L-1"})
	w.member("B-7")
	for n := range 5 {
		w.lent("L-1", "B-7", 1+float64(n), 2, 0)
	}
	r := w.do("GET", w.at(fundAt), w.officer, nil).want(200)
	for _, code := range []string{"cost_unknown", "price_unknown", "assumed_uses"} {
		if !strings.Contains(string(r.body), `"`+code+`"`) {
			t.Errorf("%s is not told: %s", code, r.body)
		}
	}
	if r.str("tools", 0, "cost_from") != "none" || r.get("tools", 0, "cost") != nil || r.num("failure", "within") != 0 || strings.Contains(string(r.body), "NaN") {
		t.Errorf("a tool without a cost: %s", r.body)
	}
}

func TestReplacementFundPicture(t *testing.T) {
	t.Parallel()
	w := busy(t)
	at := w.at(fundAt + "/picture")
	r := w.do("GET", at, w.as("treasurer"), nil).want(200)
	title, desc := pictureIn(t, r)
	told := w.do("GET", w.at(fundAt), w.as("treasurer"), nil).want(200)
	on, err := time.Parse(time.DateOnly, told.str("failure", "likeliest_on"))
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{told.str("summary"), "likeliest month of running out: " + on.Format("January 2006")} {
		if !strings.Contains(desc, want) {
			t.Errorf("%q is not told in %q", want, desc)
		}
	}
	if title != "The fund for tools" {
		t.Errorf("title %q", title)
	}
	w.do("GET", at, w.as("treasurer"), nil, header{"If-None-Match", r.header.Get("ETag")}).want(304)
	w.do("GET", at+"?scheme=x", w.as("treasurer"), nil).want(422).wantFault("?scheme")
}

func TestWhatIfOfTheReplacementFund(t *testing.T) {
	t.Parallel()
	w := busy(t)
	treasurer := w.as("treasurer")
	ask := func(body row) *response { return w.do("POST", w.at(fundAt+"/what-if"), treasurer, body) }
	now := w.do("GET", w.at(fundAt), treasurer, nil).want(200)

	away := ask(row{"turned_away": 1}).want(200)
	if away.num("changed", "tools", 0, "loans_a_month") != 0 || away.num("changed", "income", "minor") != 0 || away.num("changed", "tools", 0, "turned_away") != 1 || !strings.Contains(string(away.body), "About 100 % of what is asked for is turned away") {
		t.Errorf("all turned away: %s", away.body)
	}
	if away.num("now", "failure", "within") != now.num("failure", "within") || away.num("now", "items", 13, "p25", "minor") != now.num("items", 13, "p25", "minor") {
		t.Error("what is now is told otherwise than by the report")
	}
	// One at a time is no bound to who never had two; had all of them been out, it would be.
	if same := ask(row{"most_loans_at_once": 1}).want(200); same.get("changed", "tools", 0, "turned_away") != nil || !strings.Contains(same.str("summary"), "stays at") {
		t.Errorf("no two at once: %s", same.body)
	}
	second := ask(row{"second_tools": []row{{"tool_model": "reamer-9"}}}).want(200)
	if second.num("changed", "balance", "minor") != -6000 || second.str("changed", "tools", 1, "tool") != "another reamer-9" || second.get("changed", "tools", 1, "tool_id") != nil || second.num("changed", "failure", "within") != 1 {
		t.Errorf("a second reamer: %s", second.body)
	}
	both := second.num("changed", "tools", 0, "uses") + second.num("changed", "tools", 1, "uses")
	if alone := second.num("now", "tools", 0, "uses"); math.Abs(both-alone) > 0.01*alone || math.Abs(second.num("changed", "tools", 0, "uses")-both/2) > 3 {
		t.Errorf("alone it has %v uses, two have %v", alone, both)
	}
	cheap := ask(row{"second_tools": []row{{"tool_model": "reamer-9", "cost": row{"minor": 500}}}, "payment": row{"minor": 500}}).want(200)
	if cheap.num("changed", "balance", "minor") != 0 || cheap.str("changed", "tools", 1, "cost_from") != "asked" {
		t.Errorf("a cheap one paid for: %s", cheap.body)
	}
	price := ask(row{"prices": []row{{"tool_model": "reamer-9", "per_use": row{"minor": 100}}}}).want(200)
	if price.num("changed", "tools", 0, "per_use", "minor") != 100 || price.num("changed", "tools", 0, "per_loan", "minor") != 0 || price.str("changed", "tools", 0, "price_from") != "asked" ||
		price.num("changed", "income", "minor") < 1.6*price.num("now", "income", "minor") || price.num("changed", "failure", "within") > price.num("now", "failure", "within") {
		t.Errorf("a price a use: %s", price.body)
	}
	if texts, _ := price.get("differences").([]any); len(texts) < 3 || !strings.Contains(price.str("summary"), "chance of running out") {
		t.Errorf("in words: %s", price.body)
	}

	ask(row{}).want(422)
	ask(row{"most_loans_at_once": 0}).want(422).wantFault("/most_loans_at_once")
	ask(row{"prices": []row{{}}}).want(422).wantFault("/prices/0")
	ask(row{"prices": []row{{"times": 2, "per_use": row{"minor": 1}}}}).want(422).wantFault("/prices/0/times")
	ask(row{"prices": []row{{"times": 2}, {"tool_model": "reamer-9", "times": 3}}}).want(422).wantFault("/prices/1")
	ask(row{"prices": []row{{"tool_model": "nothing", "times": 2}}, "second_tools": []row{{"tool_model": "press"}}}).want(422).wantFault("/prices/0/tool_model").wantFault("/second_tools/0/tool_model")
	w.lent("P-1", "B-7", 1, 1, 0)
	ask(row{"second_tools": []row{{"tool_model": "press"}}}).want(422).wantFault("/second_tools/0/cost")
}

// Which part of the loans a rule turns away is told from the past: of three at a time with at most two allowed a third.
func TestWhatALoanRuleTurnsAway(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.stock([3]string{"a", "A"}, [3]string{"b", "B"}, [3]string{"c", "C"})
	w.member("B-7")
	w.member("B-8")
	for n := range 6 {
		at := 2 + 2*float64(n)
		w.lent("A", "B-7", at, 5, 1)
		w.lent("B", "B-7", at-0.01, 5, 1)
		w.lent("C", "B-7", at-0.02, 5, 1)  // the third at once
		w.lent("C", "B-8", at-0.5, 5, 1)   // another member's first
		w.lent("A", "B-7", at-0.5, 0.1, 1) // after all of them came back
	}
	r := w.do("POST", w.at(fundAt+"/what-if"), w.officer, row{"most_loans_at_once": 2}).want(200)
	for i, want := range []any{nil, nil, 0.5} {
		if got := r.get("changed", "tools", i, "turned_away"); got != want {
			t.Errorf("tool %d: %v is turned away, want %v", i, got, want)
		}
	}
	r = w.do("POST", w.at(fundAt+"/what-if"), w.officer, row{"most_loans_at_once": 1, "turned_away": 0.5}).want(200)
	for i, want := range []any{0.5, 1.0, 0.75} {
		if got := r.get("changed", "tools", i, "turned_away"); got != want {
			t.Errorf("tool %d: %v is turned away, want %v", i, got, want)
		}
	}
}

// What is booked counts though nobody ever borrowed the tool; lines that stand for one another count once.
func TestReplacementFundCountsWhatIsBooked(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.stock([3]string{"reamer-9", "R-1"}, [3]string{"reamer-9", "R-2"})
	w.alwaysOpen()
	w.reserve(w.officer, 24, 30, toolLine("R-1")).want(201)
	w.reserve(w.officer, 48, 50, toolLine("R-1")).want(201)
	cancelled := w.reserve(w.officer, 60, 62, toolLine("R-2")).want(201)
	w.do("POST", w.at("reservations/"+cancelled.str("id")+"/cancel"), w.officer, nil).want(200)
	r := w.do("GET", w.at(fundAt), w.officer, nil).want(200)
	if r.num("tools", 0, "booked") != 2 || r.num("tools", 0, "loans") != 0 || r.num("not_borrowed") != 1 || r.num("tools", 0, "uses") < 2 {
		t.Errorf("booked: %s", r.body)
	}
}

// Uses and sharpenings since the last one tell how near the next is.
func TestReplacementFundKnowsWhatWasDone(t *testing.T) {
	t.Parallel()
	w := busy(t)
	before := w.do("GET", w.at(fundAt), w.officer, nil).want(200)
	if before.num("tools", 0, "sharpenings_left") != 2 || before.num("tools", 0, "left", "median") > 10 {
		t.Errorf("worn: %s", before.body)
	}
	for i, kind := range []string{"replaced", "sharpened"} {
		w.exec(fmt.Sprintf(`insert into tool_renewal (club_id, id, tool_id, kind, done_at, member_id, recorded_at)
			select t.club_id, gen_random_uuid(), t.id, '%s', now() - interval '%d days', m.id, now() from tool t join member m using (club_id) where t.club_id = $1 and t.number = 'R-1' and m.number = 'M1'`, kind, 3-i))
	}
	after := w.do("GET", w.at(fundAt), w.officer, nil).want(200)
	if after.num("tools", 0, "sharpenings_left") != 1 || after.num("tools", 0, "left", "median") < 40 {
		t.Errorf("sharpened: %s", after.body)
	}
}

// What the club says that its tools cost takes the place of what is usual: (150 - 30 + 2 x 20) / 200 EUR a hole, 0.80.
func TestReplacementFundGoesByTheClubsCosts(t *testing.T) {
	t.Parallel()
	w := busy(t)
	w.do("POST", w.at("tool-models/reamer-9/costs"), w.as("treasurer"), row{"valid_from": w.clock.now().UTC().Format(time.DateOnly), "cost": money(15000), "sharpenings": 2, "sharpening_cost": money(2000), "residual": money(3000), "life": 200}).want(201)
	r := w.do("GET", w.at(fundAt), w.officer, nil).want(200)
	if r.num("tools", 0, "cost", "minor") != 12000 || r.str("tools", 0, "cost_from") != "club" || r.num("tools", 0, "sharpening_cost", "minor") != 2000 || r.str("tools", 0, "life_from") != "club" ||
		r.num("tools", 0, "per_use", "minor") != 80 || r.num("tools", 0, "per_loan", "minor") != 300 || r.str("tools", 0, "price_from") != "club" || strings.Contains(string(r.body), "assumed_life") {
		t.Errorf("the club's costs: %s", r.body)
	}
	// Some three quarters of a life a year: what wears off in two is about what the works cost, and the flat charge is left.
	if income, spent := r.num("income", "minor"), r.num("spent", "minor"); math.Abs(income-spent-24*300*40.5/20.8) > 0.35*spent {
		t.Errorf("%v comes in, %v is spent", income, spent)
	}
}

// Holes that were cut to find out tell how much is left, in place of what is usual.
func TestReplacementFundGoesByTheCutSize(t *testing.T) {
	t.Parallel()
	w := busy(t)
	for n, um := range []int{4, 3, 3, 2} {
		if _, err := w.db.Owner.Exec(t.Context(), `insert into tool_check (club_id, id, tool_id, kind, size_nm, u_nm, depth_nm, checked_at, member_id, recorded_at)
			select t.club_id, gen_random_uuid(), t.id, 'check_cut', 9000000 + $2, 1000, 20000000, $3, m.id, $3 from tool t join member m using (club_id) where t.club_id = $1 and t.number = 'R-1' and m.number = 'M1'`,
			w.club.ClubID, um*1000, w.clock.now().AddDate(0, -18+5*n, 0)); err != nil {
			t.Fatal(err)
		}
	}
	r := w.do("GET", w.at(fundAt), w.officer, nil).want(200)
	// 2 um over its size after 200 holes, and some 0.01 um a hole: it is far from its least, and was told as used up without.
	if r.str("tools", 0, "life_from") != "cut_size" || r.num("tools", 0, "left", "low") < 100 || !strings.Contains(string(r.body), `"assumed_next_life"`) {
		t.Errorf("by its cut size: %s", r.body)
	}
	if r.num("failure", "within") > 0.05 || r.get("keeping", "keeps") != true {
		t.Errorf("it fails with %v", r.num("failure", "within"))
	}
}

// What was charged for uses is what they bring, and what was reversed is not.
func TestReplacementFundGoesByWhatWasCharged(t *testing.T) {
	t.Parallel()
	w := busy(t)
	treasurer := w.as("treasurer")
	for range 8 {
		w.do("POST", w.at("charges"), treasurer, row{"member": "B-7", "amount": money(1000), "reason": "use", "tool": "R-1"}).want(201)
	}
	wrong := w.do("POST", w.at("charges"), treasurer, row{"member": "B-7", "amount": money(90000), "reason": "use", "tool": "R-1"}).want(201)
	w.do("POST", w.at("ledger/entries/"+wrong.str("id")+"/reverse"), treasurer, row{"note": "A slip"}).want(201)
	r := w.do("GET", w.at(fundAt), treasurer, nil).want(200)
	if r.num("balance", "minor") != 8000 || r.num("tools", 0, "per_loan", "minor") != 200 || r.str("tools", 0, "price_from") != "charged" {
		t.Errorf("charged: %s", r.body)
	}
}
