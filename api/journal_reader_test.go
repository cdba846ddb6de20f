package api_test

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// What the Beancount Language Syntax says of the directives that are used here, read strictly: one directive a
// line that begins in its first column, metadata and postings of a transaction indented below it, comments behind a
// semicolon, strings in double quotes with backslashes before quotes and backslashes, accounts of one of five
// roots and parts that begin with a capital or a digit, numbers with a point. (Beancount Language Syntax, "Syntax
// Overview", "Directives", from memory.)
var (
	bookOption   = regexp.MustCompile(`^option "((?:[^"\\]|\\.)*)" "((?:[^"\\]|\\.)*)"$`)
	bookOpen     = regexp.MustCompile(`^(\d{4}-\d\d-\d\d) open (` + bookAccount + `) ([A-Z]{3})$`)
	bookBalance  = regexp.MustCompile(`^(\d{4}-\d\d-\d\d) balance (` + bookAccount + `) (-?\d+(?:\.\d+)?) ([A-Z]{3})$`)
	bookEntry    = regexp.MustCompile(`^(\d{4}-\d\d-\d\d) \* (?:"((?:[^"\\]|\\.)*)" )?"((?:[^"\\]|\\.)*)"$`)
	bookMetadata = regexp.MustCompile(`^  ([a-z][a-zA-Z0-9_-]*): (?:"((?:[^"\\]|\\.)*)"|(\d+))$`)
	bookPosting  = regexp.MustCompile(`^  (` + bookAccount + `)  (-?\d+(?:\.\d+)?) ([A-Z]{3})$`)
)

const bookAccount = `(?:Assets|Liabilities|Equity|Income|Expenses)(?::[A-Z0-9][A-Za-z0-9-]*)+`

var bookUnescape = strings.NewReplacer(`\\`, `\`, `\"`, `"`, `\n`, "\n")

// readBook is what one transaction of a journal says.
type readBook struct {
	on, payee, narration string
	meta                 map[string]string
	postings             map[string]int64
	order                []string
}

// exactMinor reads a number in hundredths.
func exactMinor(t *testing.T, text string) int64 {
	t.Helper()
	negative := strings.HasPrefix(text, "-")
	whole, fraction, _ := strings.Cut(strings.TrimPrefix(text, "-"), ".")
	if len(fraction) != 2 {
		t.Fatalf("%q has not two decimals", text)
	}
	minor, err := strconv.ParseInt(whole+fraction, 10, 64)
	if err != nil {
		t.Fatal(err)
	}
	if negative {
		minor = -minor
	}
	return minor
}

// readJournal reads a journal, adds every account up, and holds it to what it claims: accounts are opened before
// they are used, transactions balance, and each account stands at what is said at the end.
func readJournal(t *testing.T, text string) (options map[string]string, books []readBook, stands map[string]int64) {
	t.Helper()
	options, stands = map[string]string{}, map[string]int64{}
	opened, told := map[string]string{}, map[string]bool{}
	var last string
	for n, line := range strings.Split(text, "\n") {
		at := func(format string, args ...any) { t.Errorf("line %d %q: %s", n+1, line, fmt.Sprintf(format, args...)) }
		var in *readBook
		if len(books) > 0 {
			in = &books[len(books)-1]
		}
		switch {
		case line == "" || strings.HasPrefix(line, ";"):
			continue
		case bookOption.MatchString(line):
			m := bookOption.FindStringSubmatch(line)
			options[m[1]] = bookUnescape.Replace(m[2])
		case bookOpen.MatchString(line):
			m := bookOpen.FindStringSubmatch(line)
			if opened[m[2]] != "" {
				at("is opened twice")
			}
			opened[m[2]] = m[1]
		case bookEntry.MatchString(line):
			m := bookEntry.FindStringSubmatch(line)
			books = append(books, readBook{on: m[1], payee: bookUnescape.Replace(m[2]), narration: bookUnescape.Replace(m[3]), meta: map[string]string{}, postings: map[string]int64{}})
		case bookPosting.MatchString(line):
			m := bookPosting.FindStringSubmatch(line)
			if in == nil || opened[m[1]] == "" || opened[m[1]] > in.on || m[3] != options["operating_currency"] {
				at("a posting of an account that is not open, or in another currency")
				continue
			}
			in.postings[m[1]] += exactMinor(t, m[2])
			in.order = append(in.order, m[1])
			stands[m[1]] += exactMinor(t, m[2])
			last = max(last, in.on)
		case bookMetadata.MatchString(line):
			m := bookMetadata.FindStringSubmatch(line)
			if in == nil || len(in.order) > 0 {
				at("metadata of no transaction, or behind its postings")
				continue
			}
			in.meta[m[1]] = bookUnescape.Replace(m[2]) + m[3]
		case bookBalance.MatchString(line):
			m := bookBalance.FindStringSubmatch(line)
			if m[1] <= last || told[m[2]] || exactMinor(t, m[3]) != stands[m[2]] {
				at("the account stands at %d", stands[m[2]])
			}
			told[m[2]] = true
		default:
			at("is no directive")
		}
	}
	for _, b := range books {
		sum := int64(0)
		for _, minor := range b.postings {
			sum += minor
		}
		if sum != 0 || len(b.order) < 2 {
			t.Errorf("entry %s adds up to %d over %d lines", b.meta["number"], sum, len(b.order))
		}
	}
	if len(told) != len(opened) {
		t.Errorf("%d accounts are opened, and %d are told at the end", len(opened), len(told))
	}
	return options, books, stands
}

func TestTheJournalIsReadBackByItsSyntax(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	stock(w)
	treasurer := w.as("treasurer")
	// Names that the syntax takes, that it does not, and that would be the same if they were only cleaned.
	members := []string{"B-7", "b.7", "b_7", "b-7", "7", "Z.z"}
	for _, number := range members {
		w.member(number)
	}
	w.do("POST", w.at("tools"), w.officer, row{"number": "r.1", "model": "R8", "garage": "north"}).want(201)
	w.do("POST", w.at("opening-balances"), treasurer, row{"on": "2026-01-01", "bank": signed(-5), "fund": money(700), "members": []row{{"member": "b.7", "owes": signed(-250)}}}).want(201)
	note := "four holes; \"oiled\" \\ twice\r\n2026-01-01 open Assets:Nothing\n  Assets:Bank  1.00 EUR"
	for i, number := range members {
		w.do("POST", w.at("charges"), treasurer, row{"member": number, "amount": money(100 + i), "reason": []string{"use", "late"}[i%2], "tool": "r.1", "on": "2026-02-01", "note": note}).want(201)
	}
	undone := w.do("POST", w.at("payments"), treasurer, row{"member": "b-7", "amount": money(99999), "on": "2026-03-01"}).want(201).header.Get("Location")
	w.do("POST", undone+"/reverse", treasurer, row{"note": "no"}).want(201)
	w.do("POST", w.at("deposits"), treasurer, row{"member": "b_7", "amount": money(2500), "act": "taken", "on": "2026-01-15"}).want(201)
	got := w.do("GET", w.at("ledger/journal"), w.as("auditor"), nil).want(200)
	if got.header.Get("Content-Type") != "text/plain; charset=utf-8" {
		t.Errorf("it is %s", got.header.Get("Content-Type"))
	}
	options, books, stands := readJournal(t, string(got.body))
	if options["title"] != "Hollow Lane Garages" || options["operating_currency"] != "EUR" {
		t.Errorf("options: %v", options)
	}
	// Against what the service tells by its other way.
	entries := w.do("GET", w.at("ledger/entries"), treasurer, nil).want(200)
	list := entries.get("items").([]any)
	if len(list) != len(books) {
		t.Fatalf("%d transactions of %d entries", len(books), len(list))
	}
	for i, b := range books {
		j := len(list) - 1 - i // newest first
		if b.on != entries.str("items", j, "booked_on") || b.meta["number"] != fmt.Sprint(entries.num("items", j, "number")) || b.meta["entry"] != entries.str("items", j, "id") || b.meta["kind"] != entries.str("items", j, "kind") ||
			b.payee != entries.str("items", j, "member") || b.meta["tool"] != entries.str("items", j, "tool") || b.meta["reason"] != entries.str("items", j, "reason") || b.meta["note"] != strings.ReplaceAll(entries.str("items", j, "note"), "\r\n", "\n") {
			t.Errorf("%+v\nis entry %v", b, list[j])
		}
		for k, account := range b.order {
			if int64(entries.num("items", j, "postings", k, "amount", "minor")) != b.postings[account] {
				t.Errorf("entry %s, line %d: %v", b.meta["number"], k, b.postings)
			}
		}
	}
	if books[8].meta["reverses"] != "8" {
		t.Errorf("what reverses: %v", books[8].meta)
	}
	accounts := w.do("GET", w.at("ledger/accounts"), treasurer, nil).want(200)
	var want, have []string
	for i := range accounts.get("items").([]any) {
		want = append(want, fmt.Sprint(accounts.num("items", i, "balance", "minor")))
	}
	for _, minor := range stands {
		have = append(have, fmt.Sprint(float64(minor)))
	}
	for _, one := range want { // names differ, so as a bag
		for i, other := range have {
			if one == other {
				have = append(have[:i], have[i+1:]...)
				break
			}
		}
	}
	if len(have) != 0 || len(want) != len(stands) || stands["Assets:Members:B-7"] != 100 || stands["Assets:Members:7"] != 104 || stands["Assets:Bank"] != -5+2500 || stands["Equity:Fund"] != -700-100-102-104 {
		t.Errorf("accounts stand at %v in the journal, %v in the service", stands, want)
	}
	one, _ := w.member("B-9")
	w.do("GET", w.at("ledger/journal"), one, nil).want(403)
}

func TestTheJournalOfNoBooksIsRead(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	if options, books, _ := readJournal(t, string(w.do("GET", w.at("ledger/journal"), w.as("treasurer"), nil).want(200).body)); len(books) != 0 || options["title"] == "" {
		t.Errorf("options %v, %d transactions", options, len(books))
	}
}
