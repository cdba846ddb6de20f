package api_test

import (
	"encoding/binary"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
)

// keyNow is an Idempotency-Key as a client makes one whose clock shows what the world's does.
func (w *world) keyNow() header {
	id := uuid.Must(uuid.NewV7())
	binary.BigEndian.PutUint32(id[0:4], uint32(w.clock.now().UnixMilli()>>16)) // 48 bits of milliseconds (RFC 9562, 5.7)
	binary.BigEndian.PutUint16(id[4:6], uint16(w.clock.now().UnixMilli()))
	return header{"Idempotency-Key", id.String()}
}

// lifeCharged is what a tool did in one of its lives, and what was charged for that.
type lifeCharged struct{ holes, minor int }

// A treasurer's whole year: what there was, loans and uses with their charges, payments by hand and by the bank,
// sharpening, a replacement, a mistake that is reversed, the closing, the reports. The clock goes through it
// month by month; every number is added up again here from the rows of the tables.
func TestATreasurersYear(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	stock(w)
	w.alwaysOpen()
	random := rand.New(rand.NewPCG(7, 19))
	post := func(path, token string, body row) *response {
		t.Helper()
		return w.do("POST", w.at(path), token, body, w.keyNow())
	}
	members, tools := []string{"B-1", "B-2", "B-3"}, []string{"R-1", "R-2", "R-3"}
	for _, number := range members {
		post("members", w.officer, row{"number": number, "name": "Member " + number}).want(201)
	}
	for _, number := range tools {
		post("tools", w.officer, row{"number": number, "model": "R8", "garage": "north"}).want(201)
	}
	treasurer := w.as("treasurer")
	today := w.clock.now().UTC()
	begins := time.Date(today.Year(), today.Month()+1, 1, 12, 0, 0, 0, time.UTC)
	w.do("PATCH", w.at("ledger/books"), treasurer, row{"year_begins": begins.Format("01-02")}, header{"If-Match", "*"}, w.keyNow()).want(200)
	w.clock.advance(begins.Sub(w.clock.now()))

	opening := row{"on": begins.Format(time.DateOnly), "bank": signed(80000), "fund": money(20000), "members": []row{{"member": "B-1", "owes": signed(1500)}, {"member": "B-2", "owes": signed(-400)}},
		"deposits": []row{{"member": "B-3", "held": money(2500)}}, "tools": []row{{"tool": "R-1", "value": money(6000)}, {"tool": "R-2", "value": money(4000)}}}
	post("opening-balances", treasurer, opening).want(201)

	// What a tool's life bears, for its holes to share: 60.00, two sharpenings of 18.00 and less 3.00, over 150 holes.
	const bears, life = 6000 + 2*1800 - 300, 150
	post("tool-models/R8/costs", treasurer, row{"valid_from": begins.Format(time.DateOnly), "cost": money(6000), "sharpenings": 2, "sharpening_cost": money(1800), "residual": money(300), "life": life}).want(201)
	post("charge-rules", treasurer, row{"valid_from": begins.Format(time.DateOnly), "late_per_day": money(75), "late_most": money(500)}).want(201)

	charged, wrong, lastLoan := map[string]int{}, "", ""
	uses := map[string][2]int64{}                    // of each tool: how often, how many holes
	wore, lives := map[string]int{}, []lifeCharged{} // what was charged for wear in each tool's present life, and the lives that are over
	inLife := map[string]int{}                       // holes in each tool's present life
	for month := range 12 {
		// Tokens live for a while only, so the officer makes new ones, as a club would.
		token := func(member string) string {
			return w.do("POST", w.at("tokens"), w.officer, row{"id": w.keyNow().value, "label": fmt.Sprint("month ", month), "member": member}, w.keyNow()).want(201).str("token")
		}
		treasurer, w.officer = token("T-treasurer"), token("M1")
		for i, member := range members {
			tool := tools[(month+i)%2] // R-3 lies idle
			out := post("handouts", w.officer, row{"member": member, "tools": []row{{"tool": tool}}}).want(201)
			until, err := time.Parse(time.RFC3339, out.str("loans", 0, "period", "until"))
			if err != nil {
				t.Fatal(err)
			}
			back, late := 26*time.Hour, 0
			if month == 3 && i == 2 {
				back, late = until.Sub(w.clock.now())+2*24*time.Hour, 2
			}
			w.clock.advance(back)
			holes := 1 + random.IntN(6)
			post("returns", w.officer, row{"garage": "north", "tools": []row{{"tool": tool, "parts": 1, "uses": []row{{"work": "holes", "count": holes, "depth": "20 mm", "lubricant": "cutting_oil"}}}}}).want(201)
			uses[tool] = [2]int64{uses[tool][0] + 1, uses[tool][1] + int64(holes)}
			inLife[tool] += holes
			lastLoan = out.str("loans", 0, "id")
			e := post("loans/"+lastLoan+"/charge", treasurer, row{}).want(201)
			minor := int(e.num("total", "minor"))
			wore[tool] += minor - 75*late
			charged[member] += minor
			if month == 4 && i == 1 {
				wrong = post("charges", treasurer, row{"member": member, "tool": tool, "reason": "use", "amount": money(250)}).want(201).header.Get("Location")
				charged[member] += 250
			}
			if random.IntN(3) == 0 {
				post("charges", treasurer, row{"member": member, "tool": tool, "reason": []string{"late", "consumables", "damage"}[random.IntN(3)], "amount": money(50 + random.IntN(400))}).want(201)
			}
			w.clock.advance(24 * time.Hour)
		}
		switch month {
		case 2:
			post("purchases", treasurer, row{"tool": "R-1", "amount": money(1800), "note": "sharpened"}).want(201)
			post("tools/R-1/renewals", w.officer, row{"kind": "sharpened"}).want(201)
		case 5:
			w.do("POST", wrong+"/reverse", treasurer, row{"note": "another member had it"}, w.keyNow()).want(201)
		case 7:
			post("purchases", treasurer, row{"tool": "R-2", "amount": money(7900), "note": "replaced"}).want(201)
			post("tools/R-2/renewals", w.officer, row{"kind": "replaced"}).want(201)
			lives = append(lives, lifeCharged{inLife["R-2"], wore["R-2"]})
			inLife["R-2"], wore["R-2"] = 0, 0
			post("purchases", treasurer, row{"amount": money(640), "note": "cutting oil"}).want(201)
			post("deposits", treasurer, row{"member": "B-3", "act": "kept", "amount": money(900)}).want(201)
			post("deposits", treasurer, row{"member": "B-3", "act": "given_back", "amount": money(1600)}).want(201)
		}
		// Each pays by the bank what was charged in the month, but for one who pays in cash, who is in the bank's rows too.
		var told strings.Builder
		told.WriteString("date,amount,reference,name\n")
		day := w.clock.now().Format(time.DateOnly)
		for i, member := range members {
			fmt.Fprintf(&told, "%s,%d.%02d,%s month %d,\n", day, charged[member]/100, charged[member]%100, member, month)
			if i == 2 {
				post("payments", treasurer, row{"member": member, "amount": money(charged[member])}).want(201)
			}
			charged[member] = 0
		}
		file := told.String()
		brought := w.bankTells(treasurer, "?decimal=point&dates=ymd", file, w.keyNow()).want(201)
		if again := w.bankTells(treasurer, "?decimal=point&dates=ymd", file, w.keyNow()).want(200); again.num("created") != 0 {
			t.Errorf("month %d came in twice", month)
		}
		for i, member := range members {
			r := w.do("GET", w.at("bank-rows/"+brought.str("rows", i, "bank_row", "id")), treasurer, nil).want(200)
			first := r.get("proposals", 0).(map[string]any)
			if first["member"] != member {
				t.Errorf("month %d: proposed %v for %s", month, first, member)
			}
			body := row{"as": "payment", "member": member}
			if first["entry_id"] != nil {
				body = row{"as": "entry", "entry": first["entry_id"]}
			}
			if i == 2 != (first["entry_id"] != nil) {
				t.Errorf("month %d: %v", month, first)
			}
			w.do("POST", w.at("bank-rows/"+r.str("id")+"/accept"), treasurer, body, w.keyNow()).want(200)
		}
		next := begins.AddDate(0, month+1, 0)
		w.clock.advance(next.Sub(w.clock.now()))
	}

	// Whatever the loans were: what a life was charged is its holes' part of what it bears, rounded once.
	for _, l := range append(lives, lifeCharged{inLife["R-1"], wore["R-1"]}, lifeCharged{inLife["R-2"], wore["R-2"]}) {
		if exact := float64(bears) * float64(l.holes) / life; l.holes == 0 || math.Abs(float64(l.minor)-exact) > 0.5 {
			t.Errorf("%d holes were charged %d, exactly %.3f", l.holes, l.minor, exact)
		}
	}

	ends := begins.AddDate(1, 0, -1).Format(time.DateOnly)
	post("ledger/closings", treasurer, row{"closed_until": ends}).want(201)
	post("charges", treasurer, row{"member": "B-1", "reason": "other", "amount": money(1), "on": ends}).want(409)
	year := w.do("GET", w.at("reports/year?year="+begins.Format("2006")), treasurer, nil).want(200)
	if year.str("year", "from") != begins.Format(time.DateOnly) || year.str("year", "until") != ends || year.get("closed") != true {
		t.Errorf("the year: %s", year.body)
	}
	w.holdAnnual(year)
	wear := w.do("GET", w.at("reports/tool-wear?from="+begins.Format(time.DateOnly)+"&until="+ends), treasurer, nil).want(200)
	w.holdWear(wear, func(l rawLine) string { return l.Tool })
	for i := range wear.get("items").([]any) {
		name := wear.str("items", i, "name")
		if got := [2]int64{int64(wear.num("items", i, "uses")), int64(wear.num("items", i, "holes"))}; got != uses[name] || wear.get("items", i, "idle") != (uses[name][0] == 0) {
			t.Errorf("%s: %v uses and holes, counted %v", name, got, uses[name])
		}
		if int64(wear.num("items", i, "loans")) != uses[name][0] {
			t.Errorf("%s: %v loans", name, wear.num("items", i, "loans"))
		}
	}
	w.holdWear(w.do("GET", w.at("reports/tool-wear?by=member&from="+begins.Format(time.DateOnly)+"&until="+ends), treasurer, nil).want(200), func(l rawLine) string {
		if l.Member == "" {
			return "nobody in particular"
		}
		return l.Member
	})
	// The journal says the same, and each member's statement ends in what they owe by it.
	_, books, stands := readJournal(t, string(w.do("GET", w.at("ledger/journal"), treasurer, nil).want(200).body))
	byHand := map[string]int64{}
	for _, l := range w.rawLines() {
		byHand[l.Account+l.AccountMember+l.AccountTool] += l.Minor
	}
	for account, minor := range map[string]int64{"Assets:Bank": byHand["bank"], "Equity:Fund": byHand["fund"], "Income:Charges": byHand["charges"], "Expenses:Costs": byHand["costs"], "Assets:Tools:R-2": byHand["toolR-2"], "Liabilities:Deposits:B-3": byHand["depositB-3"]} {
		if stands[account] != minor {
			t.Errorf("%s stands at %d in the journal, by hand %d", account, stands[account], minor)
		}
	}
	for _, member := range members {
		statement := w.do("GET", w.at("members/"+member+"/statement"), treasurer, nil).want(200)
		if got := int64(statement.num("owed", "minor")); got != byHand["member"+member] || got != stands["Assets:Members:"+member] {
			t.Errorf("%s owes %d by the statement, %d by hand, %d by the journal", member, got, byHand["member"+member], stands["Assets:Members:"+member])
		}
	}
	n, faults := w.verifyBooks()
	if n != len(books) || len(faults) > 0 {
		t.Errorf("%d entries, %d transactions, %v", n, len(books), faults)
	}
	// A use turns out to be none after the closing: what was charged for it comes back in the open time, and the year stays.
	use := w.do("GET", w.at("loans/"+lastLoan+"/charge"), treasurer, nil).want(200)
	tool := use.str("tool")
	post("tools/"+tool+"/uses/"+use.str("uses", 0, "id")+"/void", w.officer, row{"reason": "the next member's hole"}).want(200)
	corrected := post("loans/"+lastLoan+"/charge/correct", treasurer, row{"note": "no hole was cut"}).want(201)
	if corrected.num("total", "minor") != 0 || corrected.str("booked_on") <= ends {
		t.Errorf("corrected: %s", corrected.body)
	}
	if again := w.do("GET", w.at("reports/year?year="+begins.Format("2006")), treasurer, nil).want(200); !again.tells(year) {
		t.Errorf("the closed year changed\nfrom %s\nto   %s", year.body, again.body)
	}
	if n, faults = w.verifyBooks(); n != len(books)+1 || len(faults) > 0 {
		t.Errorf("%d entries after the correction, %v", n, faults)
	}
	if open := w.do("GET", w.at("bank-rows?state=open"), treasurer, nil).want(200); len(open.get("items").([]any)) != 0 {
		t.Errorf("rows of the bank that nobody decided: %s", open.body)
	}
}
