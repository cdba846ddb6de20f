package api_test

import (
	"fmt"
	"strings"
	"testing"
)

const told = "?decimal=comma&dates=dmy"

// bankTells sends a file of the bank.
func (w *world) bankTells(token, query, text string, headers ...header) *response {
	w.t.Helper()
	return w.do("POST", w.at("bank-statements"+query), token, raw(text), append([]header{{"Content-Type", "text/csv"}}, headers...)...)
}

const may = "Datum;Betrag;Zweck;Name\n" +
	"02.05.2026;12,50;Beitrag b17;W. Alder\n" +
	"03.05.2026;1.000,00;;Ines Maré\n" +
	"03.05.2026;-25,00;Kaution zurück;Wren Alder\n" +
	"04.05.2026;7,00;;\n" +
	"04.05.2026;7,00;;\n" +
	"05.05.2026;-4,90;Gebühr;\n"

const mayMap = told + "&map=Datum=date&map=Betrag=amount&map=Zweck=reference"

// banked is a club with members who owe, and a treasurer.
func banked(t *testing.T) (w *world, treasurer string) {
	t.Helper()
	w = newWorld(t)
	treasurer = w.as("treasurer")
	for number, name := range map[string]string{"B-17": "Wren Alder", "B-2": "Ines Maré"} {
		w.do("POST", w.at("members"), w.officer, row{"number": number, "name": name}).want(201)
	}
	w.do("POST", w.at("opening-balances"), treasurer, row{"on": "2026-01-01", "bank": signed(10000), "members": []row{{"member": "B-17", "owes": signed(1250)}}, "deposits": []row{{"member": "B-17", "held": money(2500)}}}).want(201)
	return w, treasurer
}

func TestWhatTheBankTellsIsMatchedAndBooked(t *testing.T) {
	t.Parallel()
	w, treasurer := banked(t)
	trial := w.bankTells(treasurer, mayMap+"&dry_run=true", may).want(200)
	if trial.num("created") != 6 || trial.get("id") != nil || w.numberOf(`select count(*) from bank_row`) != 0 {
		t.Errorf("a trial: %s", trial.body)
	}
	key := header{"Idempotency-Key", newID()}
	brought := w.bankTells(treasurer, mayMap, may, key).want(201)
	if again := w.bankTells(treasurer, mayMap, may, key).want(201); string(again.body) != string(brought.body) {
		t.Errorf("the same request again: %s", again.body)
	}
	first := brought.str("rows", 0, "bank_row", "id")
	if brought.num("created") != 6 || brought.str("rows", 0, "bank_row", "booked_on") != "2026-05-02" || brought.num("rows", 1, "bank_row", "amount", "minor") != 100000 ||
		brought.str("rows", 0, "bank_row", "proposals", 0, "member") != "B-17" || fmt.Sprint(brought.get("rows", 0, "bank_row", "proposals", 0, "because")) != "[number name amount]" ||
		brought.str("rows", 1, "bank_row", "proposals", 0, "member") != "B-2" || brought.str("assumed", 0, "code") != "assumed_separator" {
		t.Errorf("brought: %s", brought.body)
	}
	// The same file twice, and one that overlaps it, bring nothing twice.
	if twice := w.bankTells(treasurer, mayMap, may).want(200); twice.num("existing") != 6 || twice.num("created") != 0 || twice.get("id") != nil || twice.str("rows", 0, "bank_row", "id") != first {
		t.Errorf("the same file: %s", twice.body)
	}
	if longer := w.bankTells(treasurer, mayMap, may+"04.05.2026;7,00;;\n").want(201); longer.num("existing") != 6 || longer.num("created") != 1 || longer.str("rows", 6, "status") != "created" {
		t.Errorf("a longer file: %s", longer.body)
	}
	at := func(i int) string { return w.at("bank-rows/" + brought.str("rows", i, "bank_row", "id")) }
	accept := func(i int, body row) *response { return w.do("POST", at(i)+"/accept", treasurer, body) }

	// A payment is made of a row, once.
	accept(0, row{"as": "payment"}).want(422).wantFault("/member")
	accept(0, row{"as": "payment", "member": "none"}).want(422).wantFault("/member")
	accept(0, row{"as": "purchase"}).want(422).wantFault("/as")
	accept(0, row{"as": "nothing", "member": "B-17", "tool": "x", "entry": newID(), "on": "2026-05-02", "note": "x"}).want(422).wantFault("/member").wantFault("/tool").wantFault("/entry").wantFault("/on").wantFault("/note")
	w.do("POST", at(0)+"/accept", w.as("auditor"), row{"as": "nothing"}).want(403).wantProblem("missing-role")
	paid := accept(0, row{"as": "payment", "member": "B-17"}).want(200)
	if paid.str("state") != "booked" || paid.str("member") != "B-17" || paid.num("entry") != 2 || len(paid.get("proposals").([]any)) != 0 {
		t.Errorf("accepted: %s", paid.body)
	}
	if got := w.do("GET", at(0), w.as("auditor"), nil).want(200); string(got.body) != string(paid.body) {
		t.Errorf("accepted %s\nread %s", paid.body, got.body)
	}
	accept(0, row{"as": "payment", "member": "B-17"}).want(409).wantProblem("not-allowed-now")
	entry := w.do("GET", w.at("ledger/entries/"+paid.str("entry_id")), treasurer, nil).want(200)
	if entry.str("kind") != "payment" || entry.str("booked_on") != "2026-05-02" || entry.num("amount", "minor") != 1250 || entry.get("note") != nil {
		t.Errorf("its entry: %s", entry.body)
	}

	// What is booked already is proposed first, and belongs to one row.
	typed := w.do("POST", w.at("payments"), treasurer, row{"member": "B-2", "amount": money(100000), "on": "2026-05-01"}).want(201)
	if p := w.do("GET", at(1), treasurer, nil).want(200); p.str("proposals", 0, "entry_id") != typed.str("id") || fmt.Sprint(p.get("proposals", 0, "because")) != "[entry name]" {
		t.Errorf("proposed: %s", p.body)
	}
	accept(1, row{"as": "entry", "entry": newID()}).want(422).wantFault("/entry")
	accept(3, row{"as": "entry", "entry": typed.str("id")}).want(422).wantFault("/entry") // of another amount
	if linked := accept(1, row{"as": "entry", "entry": typed.str("id")}).want(200); linked.str("state") != "linked" || linked.num("entry") != 3 {
		t.Errorf("linked: %s", linked.body)
	}
	// Deposits, costs, and what is not for the books.
	accept(2, row{"as": "deposit", "member": "B-17"}).want(200)
	accept(5, row{"as": "purchase", "note": "the bank's fee"}).want(200)
	if aside := accept(4, row{"as": "nothing"}).want(200); aside.str("state") != "set_aside" || aside.get("entry") != nil {
		t.Errorf("set aside: %s", aside.body)
	}
	seven := w.do("POST", w.at("payments"), treasurer, row{"member": "B-2", "amount": money(700), "on": "2026-05-04"}).want(201).str("id")
	accept(3, row{"as": "entry", "entry": seven}).want(200)
	open := w.do("GET", w.at("bank-rows?state=open"), treasurer, nil).want(200)
	third := w.at("bank-rows/" + open.str("items", 0, "id"))
	if len(open.get("items").([]any)) != 1 {
		t.Errorf("open: %s", open.body)
	}
	w.do("POST", third+"/accept", treasurer, row{"as": "entry", "entry": seven}).want(409).wantProblem("not-allowed-now") // it belongs to a row

	// Taken back: by the row, and by whoever reverses the entry.
	reopen := func(i int) *response {
		return w.do("POST", at(i)+"/reopen", treasurer, row{"note": "the wrong member"})
	}
	if back := reopen(0).want(200); back.str("state") != "open" || back.num("version") != 3 {
		t.Errorf("opened again: %s", back.body)
	}
	reopen(0).want(409).wantProblem("not-allowed-now")
	if e := w.do("GET", w.at("ledger/entries/"+paid.str("entry_id")), treasurer, nil).want(200); e.get("reversed_by") == nil {
		t.Errorf("its entry stands: %s", e.body)
	}
	again := accept(0, row{"as": "payment", "member": "B-2"}).want(200)
	w.do("POST", w.at("ledger/entries/"+again.str("entry_id")+"/reverse"), treasurer, row{"note": "not hers"}).want(201)
	if got := w.do("GET", at(0), treasurer, nil).want(200); got.str("state") != "open" || got.num("version") != 5 {
		t.Errorf("after its entry was reversed: %s", got.body)
	}
	accept(0, row{"as": "entry", "entry": again.str("entry_id")}).want(422).wantFault("/entry") // it was reversed
	if back := reopen(1).want(200); back.str("state") != "open" {
		t.Errorf("unlinked: %s", back.body)
	}
	if e := w.do("GET", w.at("ledger/entries/"+typed.str("id")), treasurer, nil).want(200); e.get("reversed_by") != nil {
		t.Errorf("what was there before was reversed: %s", e.body)
	}
	reopen(4).want(200)
	// 100 + 10 of Ines typed + 7 typed − 25 deposit − 4.90 fee; B-17's payment was undone, twice.
	stands := w.standsAt(treasurer)
	if stands["bank"] != 10000+100000+700-2500-490 || stands["deposit"] != 0 || stands["costs"] != 490 || stands["member"] != 1250-100000-700 {
		t.Errorf("accounts: %v", stands)
	}
	if list := w.do("GET", w.at("bank-statements"), treasurer, nil).want(200); len(list.get("items").([]any)) != 2 || list.num("items", 1, "created") != 6 {
		t.Errorf("files: %s", list.body)
	}
	if list := w.do("GET", w.at("bank-rows?statement="+brought.str("id")+"&limit=4"), treasurer, nil).want(200); len(list.get("items").([]any)) != 4 || list.str("next") == "" {
		t.Errorf("rows of a file: %s", list.body)
	}
	if n, faults := w.verifyBooks(); n != 9 || len(faults) > 0 {
		t.Errorf("%d entries, %v", n, faults)
	}
}

func TestFilesOfTheBankThatAreRefused(t *testing.T) {
	t.Parallel()
	w, treasurer := banked(t)
	w.bankTells(treasurer, "?decimal=comma", may).want(422).wantFault("?dates")
	w.bankTells(treasurer, told, may).want(422) // nothing says what the columns are
	w.bankTells(treasurer, mayMap+"&map=Wert=amount", may).want(422).wantFault("?map")
	w.bankTells(w.officer, mayMap, may).want(403).wantProblem("missing-role")
	bad := "date,amount,reference\n2026-05-01,12.50,a\n2026-05-01,1.2.3,b\n31.5.2026,3,c\n2026-05-01,0,d\n"
	refused := w.bankTells(treasurer, "?decimal=point&dates=ymd", bad).want(422).wantProblem("rows-refused")
	if refused.num("report", "refused") != 3 || refused.str("report", "rows", 1, "errors", 0, "column") != "amount" || refused.str("report", "rows", 2, "errors", 0, "column") != "date" || refused.num("report", "rows", 2, "row") != 4 {
		t.Errorf("refused: %s", refused.body)
	}
	if some := w.bankTells(treasurer, "?decimal=point&dates=ymd&partial=true", bad).want(201); some.num("created") != 1 || some.num("refused") != 3 {
		t.Errorf("the sound rows: %s", some.body)
	}
	// A row is booked on no closed day, and is on a later one.
	w.do("POST", w.at("ledger/closings"), treasurer, row{"closed_until": "2026-05-31"}).want(201)
	at := w.at("bank-rows/" + w.do("GET", w.at("bank-rows"), treasurer, nil).want(200).str("items", 0, "id"))
	w.do("POST", at+"/accept", treasurer, row{"as": "payment", "member": "B-2"}).want(409).wantProblem("not-allowed-now")
	w.do("POST", at+"/accept", treasurer, row{"as": "payment", "member": "B-2", "on": "2026-06-01"}).want(200)
	one, _ := w.member("B-9")
	w.do("GET", w.at("bank-rows"), one, nil).want(403)
}

// The same file from many at once brings each row once, and of many who accept a row, or link the same
// entry to two, one does.
func TestTheBankIsHeardOnce(t *testing.T) {
	t.Parallel()
	w, treasurer := banked(t)
	w.patient()
	created := 0
	_, answers := race(10, func(i int) *response {
		if i%2 == 0 {
			return w.bankTells(treasurer, mayMap, may)
		}
		return w.bankTells(treasurer, mayMap, may+fmt.Sprintf("0%d.05.2026;1,00;;\n", i))
	})
	for _, r := range answers {
		if r.status != 200 {
			r.want(201)
		}
		created += int(r.num("created"))
	}
	if n := w.numberOf(`select count(*) from bank_row`); n != 11 || created != n {
		t.Errorf("%d rows, %d told as new", n, created)
	}
	rows := w.do("GET", w.at("bank-rows"), treasurer, nil).want(200)
	var sevens []string
	for i := range rows.get("items").([]any) {
		if rows.num("items", i, "amount", "minor") == 700 {
			sevens = append(sevens, w.at("bank-rows/"+rows.str("items", i, "id")))
		}
	}
	typed := w.do("POST", w.at("payments"), treasurer, row{"member": "B-2", "amount": money(700), "on": "2026-05-04"}).want(201).str("id")
	done := 0
	_, answers = race(8, func(i int) *response {
		return w.do("POST", sevens[i%2]+"/accept", treasurer, row{"as": "entry", "entry": typed})
	})
	for _, r := range answers {
		if r.status == 200 {
			done++
		} else {
			r.want(409)
		}
	}
	made := 0
	_, answers = race(8, func(i int) *response {
		return w.do("POST", w.at("bank-rows/"+rows.str("items", len(rows.get("items").([]any))-1, "id"))+"/accept", treasurer, row{"as": "payment", "member": "B-2"})
	})
	for _, r := range answers {
		if r.status == 200 {
			made++
		} else {
			r.want(409)
		}
	}
	if n, faults := w.verifyBooks(); done != 1 || made != 1 || n != 3 || len(faults) > 0 {
		t.Errorf("%d linked one entry, %d booked one row, %d entries, %v", done, made, n, faults)
	}
}

// What the bank told of somebody goes with them, and what came in before is known still.
func TestTheBanksWordsGoWithAMember(t *testing.T) {
	t.Parallel()
	w, treasurer := banked(t)
	brought := w.bankTells(treasurer, mayMap, may).want(201)
	w.do("POST", w.at("bank-rows/"+brought.str("rows", 0, "bank_row", "id")+"/accept"), treasurer, row{"as": "payment", "member": "B-17"}).want(200)
	w.do("POST", w.at("members/B-17/erase"), w.officer, row{"reason": "left"}).want(200)
	list := string(w.do("GET", w.at("bank-rows"), treasurer, nil).want(200).body)
	for _, gone := range []string{"W. Alder", "Wren", "Beitrag", "Kaution"} {
		if strings.Contains(list, gone) {
			t.Errorf("%q stands there still", gone)
		}
	}
	if !strings.Contains(list, "Ines") {
		t.Error("another's words went too")
	}
	if twice := w.bankTells(treasurer, mayMap, may).want(200); twice.num("existing") != 6 {
		t.Errorf("the same file after: %s", twice.body)
	}
}
