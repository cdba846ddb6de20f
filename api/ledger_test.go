package api_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"strings"
	"sync"
	"testing"

	"github.com/google/uuid"

	"pinwright/internal/ledger"
)

// verifyBooks is what ledger.Verify says, a line each.
func (w *world) verifyBooks() (entries int, faults []string) {
	w.t.Helper()
	tx, err := w.db.Owner.Begin(w.t.Context())
	if err != nil {
		w.t.Fatal(err)
	}
	defer tx.Rollback(context.WithoutCancel(w.t.Context())) //nolint:errcheck // nothing was written
	entries, found, err := ledger.Verify(w.t.Context(), tx)
	if err != nil {
		w.t.Fatal(err)
	}
	for _, f := range found {
		faults = append(faults, f.String())
	}
	return entries, faults
}

// behindTheService changes rows as nobody but the database's owner can.
func (w *world) behindTheService(sql string) {
	w.t.Helper()
	if _, err := w.db.Owner.Exec(w.t.Context(), sql); err != nil {
		w.t.Fatalf("%v\n%s", err, sql)
	}
}

func money(minor int) row { return row{"minor": minor} }

func TestMoneyIsBookedByWhatHappened(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.stock([3]string{"reamer-9", "R-1"})
	treasurer := w.as("treasurer")
	member, _ := w.member("B-7")
	post := func(path string, body row) *response { return w.do("POST", w.at(path), treasurer, body) }

	bought := post("purchases", row{"amount": money(8400), "tool": "R-1", "note": "from the tool fair"}).want(201)
	if bought.num("number") != 1 || bought.str("postings", 0, "account") != "tool" || bought.num("postings", 0, "amount", "minor") != 8400 ||
		bought.str("postings", 1, "account") != "bank" || bought.num("postings", 1, "amount", "minor") != -8400 || bought.str("tool") != "R-1" {
		t.Errorf("bought: %s", bought.body)
	}
	charged := post("charges", row{"member": "B-7", "amount": money(450), "reason": "use", "tool": "R-1"}).want(201)
	if charged.str("postings", 1, "account") != "fund" || !strings.HasPrefix(charged.str("summary"), "Member B-7 owes 4.50 EUR for use (R-1), ") {
		t.Errorf("charged: %s", charged.body)
	}
	post("charges", row{"member": "B-7", "amount": money(200), "reason": "late"}).want(201)
	post("payments", row{"member": "B-7", "amount": row{"minor": 500, "currency": "EUR"}}).want(201)
	post("payments", row{"member": "B-7", "amount": money(100), "to": "member"}).want(201)
	post("purchases", row{"amount": money(1200), "note": "cutting oil"}).want(201)
	post("deposits", row{"member": "B-7", "amount": money(2500), "act": "taken", "tool": "R-1"}).want(201)
	post("deposits", row{"member": "B-7", "amount": money(2000), "act": "given_back"}).want(201)
	post("deposits", row{"member": "B-7", "amount": money(501), "act": "kept"}).want(409).wantProblem("not-allowed-now")
	post("deposits", row{"member": "B-7", "amount": money(500), "act": "kept"}).want(201)

	// What an entry was answered with is what it is.
	again := w.do("GET", bought.header.Get("Location"), w.as("auditor"), nil).want(200)
	if string(again.body) != string(bought.body) || again.header.Get("ETag") != bought.header.Get("ETag") {
		t.Errorf("booked %s\nread %s", bought.body, again.body)
	}

	statement := w.do("GET", w.at("members/B-7/statement?limit=3"), member, nil).want(200)
	if statement.num("owed", "minor") != 250 || statement.num("deposit_held", "minor") != 0 || statement.num("items", 0, "owed", "minor") != 250 ||
		statement.num("items", 0, "amount", "minor") != 100 || statement.str("items", 0, "kind") != "repayment" || statement.num("items", 2, "owed", "minor") != 650 {
		t.Errorf("statement: %s", statement.body)
	}
	rest := w.do("GET", w.at("members/B-7/statement?limit=3&cursor="+statement.str("next")), member, nil).want(200)
	if rest.num("items", 0, "owed", "minor") != 450 || rest.get("items", 1) != nil || rest.get("next") != nil {
		t.Errorf("the rest of it: %s", rest.body)
	}
	if csv := w.do("GET", w.at("members/B-7/statement"), member, nil, header{"Accept", "text/csv"}).want(200); !strings.Contains(string(csv.body), "4.50 EUR for use, R-1") {
		t.Errorf("as a sheet: %s", csv.body)
	}

	balances := map[string]int{}
	accounts := w.do("GET", w.at("ledger/accounts"), treasurer, nil).want(200)
	for i := range accounts.get("items").([]any) {
		balances[accounts.str("items", i, "account")] = int(accounts.num("items", i, "balance", "minor"))
	}
	for account, want := range map[string]int{"bank": -8400 + 500 - 100 - 1200 + 2500 - 2000, "tool": 8400, "fund": -450, "charges": -200 - 500, "costs": 1200, "member": 250, "deposit": 0} {
		if balances[account] != want {
			t.Errorf("%s stands at %d, want %d", account, balances[account], want)
		}
	}
	for query, want := range map[string]int{"kind=charge": 2, "member=B-7": 7, "tool=R-1": 3, "from=2000-01-01&until=2000-12-31": 0} {
		if list := w.do("GET", w.at("ledger/entries?"+query), w.as("officer"), nil).want(200).get("items").([]any); len(list) != want {
			t.Errorf("%s: %d entries, want %d", query, len(list), want)
		}
	}
	if n, faults := w.verifyBooks(); n != 9 || len(faults) > 0 {
		t.Errorf("%d entries, %v", n, faults)
	}
}

func TestWhoSeesTheBooks(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	one, _ := w.member("B-1")
	other, _ := w.member("B-2")
	treasurer := w.as("treasurer")
	made := w.do("POST", w.at("charges"), treasurer, row{"member": "B-1", "amount": money(100), "reason": "other"}).want(201).header.Get("Location")
	w.do("GET", w.at("members/B-1/statement"), one, nil).want(200)
	w.do("GET", w.at("members/B-1/statement"), other, nil).want(403).wantProblem("missing-role")
	w.do("GET", w.at("members/none/statement"), other, nil).want(404)
	for _, path := range []string{made, w.at("ledger/entries"), w.at("ledger/accounts"), w.at("ledger/closings")} {
		w.do("GET", path, one, nil).want(403).wantProblem("missing-role")
		w.do("GET", path, w.as("auditor"), nil).want(200)
	}
	w.do("POST", w.at("charges"), w.as("auditor"), row{"member": "B-1", "amount": money(100), "reason": "other"}).want(403)
	w.do("POST", w.at("charges"), w.officer, row{"member": "B-1", "amount": money(100), "reason": "other"}).want(403) // who rules the club keeps no books
}

func TestMoneyThatIsRefused(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.member("B-1")
	treasurer := w.as("treasurer")
	w.do("POST", w.at("charges"), treasurer, row{"member": "none", "tool": "none", "amount": row{"minor": 5, "currency": "USD"}, "reason": "use", "on": "2100-01-01"}).
		want(422).wantFault("/member").wantFault("/tool").wantFault("/amount/currency").wantFault("/on")
	w.do("POST", w.at("payments"), treasurer, row{"member": "B-1", "amount": money(0)}).want(422).wantFault("/amount/minor")
	w.do("GET", w.at("ledger/entries?member=none"), treasurer, nil).want(422).wantFault("?member")
	w.do("GET", w.at("ledger/entries?tool=none"), treasurer, nil).want(422).wantFault("?tool")
	if n, faults := w.verifyBooks(); n != 0 || len(faults) > 0 {
		t.Errorf("%d entries, %v", n, faults)
	}
}

func TestBooksAreClosedAndEntriesReversed(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.member("B-1")
	treasurer := w.as("treasurer")
	today := w.clock.now().UTC()
	day := func(n int) string { return today.AddDate(0, 0, n).Format("2006-01-02") }
	charge := func(on string) *response {
		return w.do("POST", w.at("charges"), treasurer, row{"member": "B-1", "amount": money(700), "reason": "damage", "on": on})
	}
	old := charge(day(-40)).want(201).header.Get("Location")
	w.do("POST", w.at("ledger/closings"), treasurer, row{"closed_until": day(5)}).want(422).wantFault("/closed_until")
	w.do("POST", w.at("ledger/closings"), treasurer, row{"closed_until": day(-30), "note": "looked through with the auditor"}).want(201)
	w.do("POST", w.at("ledger/closings"), treasurer, row{"closed_until": day(-30)}).want(409).wantProblem("not-allowed-now")
	if list := w.do("GET", w.at("ledger/closings"), treasurer, nil).want(200); list.str("items", 0, "closed_until") != day(-30) || list.get("items", 1) != nil {
		t.Errorf("closings: %s", list.body)
	}
	charge(day(-30)).want(409).wantProblem("not-allowed-now")
	charge(day(-29)).want(201)
	reverse := func(entry, on string) *response {
		return w.do("POST", entry+"/reverse", treasurer, row{"note": "the wrong member", "on": on})
	}
	reverse(old, day(-40)).want(409).wantProblem("not-allowed-now")
	undone := reverse(old, day(0)).want(201)
	if undone.num("number") != 3 || undone.str("kind") != "reversal" || undone.num("postings", 0, "amount", "minor") != -700 {
		t.Errorf("reversed by %s", undone.body)
	}
	reverse(old, day(0)).want(409).wantProblem("not-allowed-now")
	reverse(undone.header.Get("Location"), day(0)).want(409).wantProblem("not-allowed-now")
	if e := w.do("GET", old, treasurer, nil).want(200); e.str("reversed_by") != undone.str("id") || !strings.Contains(e.str("summary"), "reversed since") {
		t.Errorf("the old entry: %s", e.body)
	}
	if s := w.do("GET", w.at("members/B-1/statement"), treasurer, nil).want(200); s.num("owed", "minor") != 700 || s.num("items", 0, "reverses") != 1 {
		t.Errorf("statement: %s", s.body)
	}
	if n, faults := w.verifyBooks(); n != 3 || len(faults) > 0 {
		t.Errorf("%d entries, %v", n, faults)
	}
}

// Many book at once, some requests twice, while others read: every snapshot adds
// up to nothing, every request is booked once, numbers have no gap.
func TestBooksAddUpWhileManyBook(t *testing.T) {
	t.Parallel()
	w := newWorld(t).patient()
	treasurer := w.as("treasurer")
	const members, clients, each = 4, 16, 12
	for i := range members {
		w.member(fmt.Sprint("B-", i))
	}
	done := make(chan struct{})
	var readers sync.WaitGroup
	snapshots := 0
	readers.Go(func() {
		for {
			select {
			case <-done:
				return
			default:
			}
			var total, lines int64
			if err := w.db.Owner.QueryRow(w.t.Context(), `select (select coalesce(sum(balance), 0) from account), (select coalesce(sum(minor), 0) from posting)`).Scan(&total, &lines); err != nil || total != 0 || lines != 0 {
				t.Errorf("a snapshot: accounts %d, postings %d, %v", total, lines, err)
			}
			snapshots++
		}
	})
	var made sync.Map // location → times answered
	_, answers := race(clients, func(i int) *response {
		random := rand.New(rand.NewPCG(41, uint64(i)))
		var last *response
		for range each {
			who := fmt.Sprint("B-", random.IntN(members))
			path, body := "charges", row{"member": who, "amount": money(1 + random.IntN(900)), "reason": "use"}
			switch random.IntN(4) {
			case 0:
				path, body = "payments", row{"member": who, "amount": money(1 + random.IntN(900))}
			case 1:
				path, body = "deposits", row{"member": who, "amount": money(1 + random.IntN(900)), "act": []string{"taken", "given_back", "kept"}[random.IntN(3)]}
			case 2:
				made.Range(func(location, _ any) bool {
					path, body = strings.TrimPrefix(location.(string), w.at("")+"/")+"/reverse", row{"note": "drawn to be undone"}
					return random.IntN(3) > 0
				})
			}
			path = strings.TrimPrefix(path, w.at(""))
			key := header{"Idempotency-Key", uuid.Must(uuid.NewV7()).String()}
			for range 1 + random.IntN(2) {
				last = w.do("POST", w.at(path), treasurer, body, key)
				switch last.status {
				case 201:
					made.Store(last.header.Get("Location"), true)
				case 409, 404: // too little is held, or it was reversed by another
				default:
					t.Errorf("%s %v: %d %s", path, body, last.status, last.body)
				}
			}
		}
		return last
	})
	close(done)
	readers.Wait()
	booked := 0
	made.Range(func(any, any) bool { booked++; return true })
	n, faults := w.verifyBooks()
	t.Logf("%d entries, %d snapshots, %d answers", n, snapshots, len(answers))
	if n != booked || n < clients*each/4 || len(faults) > 0 || snapshots < 3 {
		t.Errorf("%d entries for %d bookings, %v", n, booked, faults)
	}
	if d := w.db.Deadlocks(t); d > 0 {
		t.Errorf("writers waited in a circle %d times", d)
	}
}

// Whoever gets past the service at the rows is found, by the number of what they
// touched.
func TestTamperedBooksAreNamed(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.member("B-1")
	w.member("B-2")
	treasurer := w.as("treasurer")
	for i := range 4 {
		w.do("POST", w.at("charges"), treasurer, row{"member": "B-1", "amount": money(100 + i), "reason": "use"}).want(201)
	}
	w.do("POST", w.at("ledger/closings"), treasurer, row{"closed_until": "2020-01-01"}).want(201)
	for name, c := range map[string]struct {
		sql, undo string
		want      string
	}{
		"an amount":                {`update entry set minor = 99999 where number = 2`, `update entry set minor = 101 where number = 2`, "entry 2: is not what the journal says"},
		"a member":                 {`update entry set member_id = (select id from member where number = 'B-2') where number = 3`, `update entry set member_id = (select id from member where number = 'B-1') where number = 3`, "entry 3: is not what"},
		"both lines":               {`update posting set minor = minor * 2 where entry_number = 2`, `update posting set minor = minor / 2 where entry_number = 2`, "entry 2: is not what"},
		"one line":                 {`update posting set minor = minor + 1 where entry_number = 4 and line = 0`, `update posting set minor = minor - 1 where entry_number = 4 and line = 0`, "add up to 1"},
		"a running balance":        {`update posting set balance = 7 where entry_number = 1 and line = 0`, `update posting set balance = minor where entry_number = 1 and line = 0`, "entry 1: line 0 leaves its account at 7"},
		"a balance":                {`update account set balance = balance - 50 where kind = 'member'`, `update account set balance = balance + 50 where kind = 'member'`, "stands at 356"},
		"a number":                 {`update entry set number = 40 where number = 4`, `update entry set number = 4 where number = 40`, "entry 40: is not number 4"},
		"the count":                {`update books set entries = 9`, `update books set entries = 4`, "9 entries were numbered and 4 are there"},
		"a day in the closed past": {`update entry set booked_on = '2019-12-31', recorded_at = recorded_at + interval '1 hour' where number = 1`, `update entry set booked_on = ((recorded_at - interval '1 hour') at time zone 'UTC')::date, recorded_at = recorded_at - interval '1 hour' where number = 1`, "entry 1: is booked on a day that was closed"},
	} {
		if _, faults := w.verifyBooks(); len(faults) > 0 {
			t.Fatalf("before %s: %v", name, faults)
		}
		w.behindTheService(c.sql)
		if _, faults := w.verifyBooks(); !strings.Contains(strings.Join(faults, "\n"), c.want) {
			t.Errorf("%s: %v, want %q", name, faults, c.want)
		}
		w.behindTheService(c.undo)
	}
	w.behindTheService(`delete from posting where entry_number = 4`)
	w.behindTheService(`delete from entry where number = 4`)
	_, faults := w.verifyBooks()
	if all := strings.Join(faults, "\n"); !strings.Contains(all, "that is gone") {
		t.Errorf("an entry taken away: %v", faults)
	}
}

// The database itself refuses what the service would never write.
func TestTheDatabaseHoldsTheBooks(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.member("B-1")
	treasurer := w.as("treasurer")
	w.do("POST", w.at("charges"), treasurer, row{"member": "B-1", "amount": money(100), "reason": "use"}).want(201)
	const lines = `insert into posting (club_id, entry_id, line, account_id, currency, minor) select e.club_id, e.id, `
	const head = `insert into entry (club_id, id, number, booked_on, kind, reason, member_id, minor, currency, lines, by_member, recorded_at)
		select club_id, gen_random_uuid(), %s, '2026-01-01', 'charge', 'use', member_id, 5, 'EUR', 2, by_member, recorded_at from entry where number = 1`
	for name, c := range map[string]struct{ sql, want string }{
		"an entry without lines":      {fmt.Sprintf(head, "2"), "does not balance"},
		"a number that is taken":      {fmt.Sprintf(head, "1"), "the next entry is number 2"},
		"a number that leaves a gap":  {fmt.Sprintf(head, "3"), "the next entry is number 2"},
		"a third line":                {lines + `2, a.id, 'EUR', 5 from entry e join account a using (club_id) where a.kind = 'member'`, "does not balance"},
		"two more lines that balance": {lines + `2 + n, a.id, 'EUR', 5 - 10 * n from entry e join account a using (club_id), generate_series(0, 1) n where a.kind = 'member'`, "does not balance"},
		"a line of another currency":  {lines + `2, a.id, 'USD', 5 from entry e join account a using (club_id) where a.kind = 'member'`, "posting_club_id_account_id_currency_fkey"},
		"a change":                    {`update entry set minor = 5`, "permission denied"},
		"a change of a line":          {`update posting set minor = 5`, "permission denied"},
		"a line taken away":           {`delete from posting`, "permission denied"},
		"an entry taken away":         {`delete from entry`, "permission denied"},
		"a balance":                   {`update account set balance = 5`, "permission denied"},
		"the books opened again":      {`update books set closed_until = null`, "permission denied"},
	} {
		tx, err := w.db.App.Begin(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if _, err := tx.Exec(t.Context(), `select set_config('app.club', $1, true)`, w.club.ClubID.String()); err != nil {
			t.Fatal(err)
		}
		_, err = tx.Exec(t.Context(), c.sql)
		if err == nil {
			err = tx.Commit(t.Context())
		}
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %s", name, err, c.want)
		}
		_ = tx.Rollback(t.Context())
	}
	if n, faults := w.verifyBooks(); n != 1 || len(faults) > 0 {
		t.Errorf("%d entries, %v", n, faults)
	}
}
