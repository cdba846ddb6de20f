package ledger

import (
	"time"

	"github.com/google/uuid"

	"pinwright/internal/calc/money"
)

// Kinds of entries.
const (
	Payment          = "payment"   // a member pays the club
	Repayment        = "repayment" // the club pays a member
	Charge           = "charge"    // a member owes for something
	Purchase         = "purchase"  // the club buys something
	DepositTaken     = "deposit_taken"
	DepositGivenBack = "deposit_given_back"
	DepositKept      = "deposit_kept"
	Opening          = "opening" // what there was when the books began
	Reversal         = "reversal"
)

// Kinds of accounts; the ledger's table says what each holds.
const (
	bank    = "bank"
	fund    = "fund"
	charges = "charges"
	costs   = "costs"
	opening = "opening"
	owed    = "member"
	deposit = "deposit"
	bought  = "tool"
)

// Intent is what happened with money, in the words of who tells it.
type Intent struct {
	Kind     string
	Reason   string // of a charge
	MemberID *uuid.UUID
	ToolID   *uuid.UUID
	Amount   money.Amount // above 0
	On       time.Time    // a date
	Note     string
}

// posting is one line: above 0 a debit, below 0 a credit.
type posting struct {
	account string // a kind of account
	member  *uuid.UUID
	tool    *uuid.UUID
	minor   int64
}

// postings are the two lines of an intent. What members owe for using tools up
// is put by to replace them; late fees and the rest are income. A tool that is bought stands
// in its own account, anything else is spent.
func (i Intent) postings() []posting {
	m := i.Amount.Minor
	of := func(account string, minor int64) posting {
		p := posting{account: account, minor: minor}
		switch account {
		case owed, deposit:
			p.member = i.MemberID
		case bought:
			p.tool = i.ToolID
		}
		return p
	}
	move := func(to, from string) []posting { return []posting{of(to, m), of(from, -m)} }
	switch i.Kind {
	case Payment:
		return move(bank, owed)
	case Repayment:
		return move(owed, bank)
	case Charge:
		switch i.Reason {
		case "use", "damage":
			return move(owed, fund)
		default:
			return move(owed, charges)
		}
	case Purchase:
		if i.ToolID != nil {
			return move(bought, bank)
		}
		return move(costs, bank)
	case DepositTaken:
		return move(bank, deposit)
	case DepositGivenBack:
		return move(deposit, bank)
	case DepositKept:
		return move(deposit, charges)
	default:
		panic("ledger: no postings of a " + i.Kind) // the contract lists the kinds
	}
}
