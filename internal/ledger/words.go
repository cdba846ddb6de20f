package ledger

import (
	"fmt"
	"strings"
	"time"

	"pinwright/internal/calc/money"
)

var reasons = map[string]string{"use": "use", "consumables": "consumables", "late": "bringing back late", "damage": "damage", "other": "something else"}

// Summary tells the entry in a sentence.
func (e Entry) Summary() string {
	amount, on := e.Amount().Text(), e.BookedOn.Format(time.DateOnly)
	var what string
	switch e.Kind {
	case Payment:
		what = fmt.Sprintf("Member %s paid the club %s", e.Member, amount)
	case Repayment:
		what = fmt.Sprintf("The club paid member %s %s", e.Member, amount)
	case Charge:
		what = fmt.Sprintf("Member %s owes %s for %s", e.Member, amount, reasons[e.Reason])
	case Purchase:
		what = fmt.Sprintf("The club bought something for %s", amount)
		if e.Tool != "" {
			what = fmt.Sprintf("The club bought the tool %s for %s", e.Tool, amount)
		}
	case DepositTaken:
		what = fmt.Sprintf("The club took a deposit of %s of member %s", amount, e.Member)
	case DepositGivenBack:
		what = fmt.Sprintf("The club gave a deposit of %s back to member %s", amount, e.Member)
	case DepositKept:
		what = fmt.Sprintf("The club kept a deposit of %s of member %s", amount, e.Member)
	case Opening:
		what = "What there was when the books began"
	case Reversal:
		what = fmt.Sprintf("Undoes an entry of %s", amount)
	}
	if e.Kind != Purchase && e.Tool != "" {
		what += " (" + e.Tool + ")"
	}
	what += ", " + on
	if e.ReversedBy != nil {
		what += "; reversed since"
	}
	return what + "."
}

// Summary tells the line in a few words.
func (l Line) Summary() string {
	amount := money.Amount{Minor: max(l.Minor, -l.Minor), Currency: money.Currency(l.Currency)}.Text()
	var what string
	switch {
	case l.Kind == Charge:
		what = amount + " for " + reasons[l.Reason]
	case l.Kind == Opening:
		what = amount + " from before the books began"
	case l.Kind == Payment:
		what = amount + " paid"
	case l.Kind == Repayment:
		what = amount + " paid back"
	case l.Reverses != nil:
		what = fmt.Sprintf("%s, undoes entry %d", amount, *l.Reverses)
	default:
		what = amount
	}
	if l.Tool != "" {
		what += ", " + l.Tool
	}
	return what
}

// Summary tells what the account stands at, in the words of its kind.
func (a Account) Summary() string {
	text := func(minor int64) string {
		return money.Amount{Minor: minor, Currency: money.Currency(a.Currency)}.Text()
	}
	switch a.Kind {
	case bank:
		return "The club has " + text(a.Balance)
	case fund:
		return text(-a.Balance) + " is put by for tools"
	case charges:
		return text(-a.Balance) + " came in by charges"
	case costs:
		return text(a.Balance) + " was spent on what is used up"
	case opening:
		return text(-a.Balance) + " was there when the books began"
	case owed:
		return Owes("Member "+a.Member, a.Balance, a.Currency)
	case deposit:
		return text(-a.Balance) + " is held of member " + a.Member
	default:
		return strings.TrimSpace("The tool "+a.Tool) + " cost " + text(a.Balance)
	}
}

// Owes tells who owes whom.
func Owes(who string, minor int64, currency string) string {
	text := money.Amount{Minor: max(minor, -minor), Currency: money.Currency(currency)}.Text()
	switch {
	case minor > 0:
		return who + " owes the club " + text
	case minor < 0:
		return "The club owes " + strings.ToLower(who[:1]) + who[1:] + " " + text
	default:
		return who + " owes nothing"
	}
}
