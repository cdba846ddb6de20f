package reports

import (
	"bytes"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/calc/money"
	"pinwright/internal/ledger"
)

// The journal is written by the Beancount Language Syntax (beancount.github.io/docs/beancount_language_syntax.html):
// plain text, with directives for accounts, entries and balances.

// roots are the account of each kind; those of members and tools have one more part.
var roots = map[string]string{"bank": "Assets:Bank", "member": "Assets:Members", "tool": "Assets:Tools", "deposit": "Liabilities:Deposits", "fund": "Equity:Fund", "opening": "Equity:Opening",
	"charges": "Income:Charges", "costs": "Expenses:Costs"}

var part = regexp.MustCompile(`^[A-Z0-9][A-Za-z0-9-]*$`)

var notInPart = regexp.MustCompile(`[^A-Za-z0-9]+`)

// names gives every account a name, each another.
type names struct {
	of    map[string]string
	taken map[string]bool
}

func keyOf(kind string, of uuid.UUID) string { return kind + " " + of.String() }

func namesOf(accounts []ledger.Account) names {
	n := names{map[string]string{}, map[string]bool{}}
	// What can be named as it is, first, so that no other takes its name.
	for _, plain := range []bool{true, false} {
		for _, a := range accounts {
			called := a.Member + a.Tool
			root, id := roots[a.Kind], a.Of()
			name := root
			if id != uuid.Nil {
				if part.MatchString(called) != plain {
					continue
				}
				name = root + ":" + called
				if !plain {
					name = root + ":X" + strings.Trim(notInPart.ReplaceAllString(called, "-"), "-") + "-" + id.String()
				}
			} else if !plain {
				continue
			}
			if n.taken[name] {
				name += "-" + id.String()
			}
			n.taken[name], n.of[keyOf(a.Kind, id)] = true, name
		}
	}
	return n
}

// quoted writes a string of the syntax.
func quoted(text string) string {
	text = strings.Map(func(r rune) rune {
		if r < ' ' && r != '\n' || r == 0x7f {
			return ' '
		}
		return r
	}, strings.ReplaceAll(text, "\r\n", "\n"))
	return `"` + strings.NewReplacer(`\`, `\\`, `"`, `\"`, "\n", `\n`).Replace(text) + `"`
}

// Journal writes entries, oldest first, and what their accounts stand at after them. title is the club's
// name.
func Journal(title, currency string, accounts []ledger.Account, entries []ledger.Entry, now time.Time) []byte {
	var out bytes.Buffer
	line := func(format string, args ...any) { fmt.Fprintf(&out, format+"\n", args...) }
	amount := func(minor int64) string {
		return money.Amount{Minor: minor, Currency: money.Currency(currency)}.Text()
	}
	first, last := now.UTC(), now.UTC()
	for i, e := range entries {
		if i == 0 || e.BookedOn.Before(first) {
			first = e.BookedOn
		}
		if i == 0 || e.BookedOn.After(last) {
			last = e.BookedOn
		}
	}
	line("; The books, written by the Beancount Language Syntax on %s (UTC).", now.UTC().Format("2006-01-02 15:04"))
	line("option \"title\" %s", quoted(title))
	line("option \"operating_currency\" %s", quoted(currency))
	line("")
	n := namesOf(accounts)
	order := slices.Clone(accounts)
	slices.SortFunc(order, func(a, b ledger.Account) int {
		return strings.Compare(n.of[keyOf(a.Kind, a.Of())], n.of[keyOf(b.Kind, b.Of())])
	})
	for _, a := range order {
		line("%s open %s %s", first.Format(time.DateOnly), n.of[keyOf(a.Kind, a.Of())], currency)
	}
	numbers, stands := map[uuid.UUID]int64{}, map[string]int64{}
	for _, e := range entries {
		numbers[e.ID] = e.Number
		line("")
		payee := ""
		if e.Member != "" {
			payee = quoted(e.Member) + " "
		}
		e.ReversedBy = nil // that it was reversed since is told by the entry that did
		line("%s * %s%s", e.BookedOn.Format(time.DateOnly), payee, quoted(e.Summary()))
		line("  number: %d", e.Number)
		line("  entry: %s", quoted(e.ID.String()))
		line("  kind: %s", quoted(e.Kind))
		if e.Reason != "" {
			line("  reason: %s", quoted(e.Reason))
		}
		if e.Tool != "" {
			line("  tool: %s", quoted(e.Tool))
		}
		if e.Note != "" {
			line("  note: %s", quoted(e.Note))
		}
		if e.Reverses != nil {
			line("  reverses: %d", numbers[*e.Reverses])
		}
		for _, p := range e.Postings {
			of := uuid.Nil
			if p.MemberID != nil {
				of = *p.MemberID
			} else if p.ToolID != nil {
				of = *p.ToolID
			}
			name := n.of[keyOf(p.Account, of)]
			stands[name] += p.Minor
			line("  %s  %s", name, amount(p.Minor))
		}
	}
	line("")
	for _, a := range order { // as it stands on the morning after the last day
		name := n.of[keyOf(a.Kind, a.Of())]
		line("%s balance %s %s", last.AddDate(0, 0, 1).Format(time.DateOnly), name, amount(stands[name]))
	}
	return out.Bytes()
}
