package tariff

import (
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/calc/money"
	"pinwright/internal/journal"
	"pinwright/internal/ledger"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Order is who charges what: on which day it is booked, and why it is corrected.
type Order struct {
	Actor    uuid.UUID
	Currency string
	On       time.Time
	Damage   *Damage // nil: none, or as it was
	Note     string
}

// Charge charges the loan for the first time.
func (c *Case) Charge(tx *postgres.Tx, o Order) (Charge, error) {
	if _, err := c.loan.One(); err != nil {
		return Charge{}, err
	}
	if x, _, done := c.Standing(); done {
		return Charge{}, problem.New(problem.NotAllowedNow, "This loan was charged %s already, on %s. GET the charge to see it; what was wrong is corrected by POST to `charge/correct`.", amount(x.Reckoned.Total(), x.Currency), x.BookedOn.Format(time.DateOnly))
	}
	switch c.Ended() {
	case "":
		return Charge{}, problem.New(problem.NotAllowedNow, "The tool is still out. Charge the loan when it is back; GET shows what it would come to now.")
	case "undone":
		return Charge{}, problem.New(problem.NotAllowedNow, "This handout was undone, so there is nothing to charge.")
	}
	damage := Damage{}
	if o.Damage != nil {
		damage = *o.Damage
	}
	x, err := c.Reckon(tx.Now, o.Currency, damage)
	if err != nil {
		return x, err
	}
	return x.post(tx, o, ledger.Of(c.books))
}

// Correct takes the place of the charge that stands: what was booked is reversed on a day
// that is open, and what is right now is booked anew. Where uses are as they were, so
// is what they cost.
func (c *Case) Correct(tx *postgres.Tx, o Order) (Charge, error) {
	if _, err := c.loan.One(); err != nil {
		return Charge{}, err
	}
	was, _, done := c.Standing()
	if !done {
		return Charge{}, problem.New(problem.NotAllowedNow, "This loan was not charged yet, so there is nothing to correct. POST to `charge` charges it.")
	}
	if c.Ended() == "" {
		return Charge{}, problem.New(problem.NotAllowedNow, "The tool is out again, since its return was undone. Correct the charge when it is back.")
	}
	damage := Damage{Minor: was.Reckoned.Damage, Note: was.DamageNote}
	if o.Damage != nil {
		damage = *o.Damage
	}
	x, err := c.Reckon(tx.Now, o.Currency, damage)
	if err != nil {
		return x, err
	}
	if !Due(was, x) && damage.Minor == was.Reckoned.Damage && damage.Note == was.DamageNote {
		return x, problem.New(problem.NotAllowedNow, "Uses, times and damage are as they were charged, so there is nothing to correct. Void the use that was wrong, or record the one that is missing, first.")
	}
	if slices.EqualFunc(was.Reckoned.Uses, x.Reckoned.Uses, func(a, b Used) bool { return a.ID == b.ID && a.Count == b.Count && a.Work == b.Work }) {
		late, days := x.Reckoned.Late, x.Reckoned.LateDays
		x.Reckoned, x.RuleID, x.CostID, x.CostNumber = was.Reckoned, was.RuleID, was.CostID, was.CostNumber
		x.Reckoned.Late, x.Reckoned.LateDays, x.Reckoned.Damage = late, days, damage.Minor
	}
	x.Corrects, x.Note = &was.ID, o.Note
	books := ledger.Of(c.books)
	for _, e := range c.entries.Items {
		if e.ReversedBy != nil {
			continue
		}
		if _, err := ledger.Reverse(tx, o.Actor, books, e, o.On, o.Note); err != nil {
			return x, err
		}
		books.Entries++
	}
	return x.post(tx, o, books)
}

// post writes x with its entries.
func (x Charge) post(tx *postgres.Tx, o Order, books ledger.Books) (Charge, error) {
	if err := books.Closed(o.On); err != nil {
		return x, err
	}
	x.ID, x.BookedOn, x.ByMember, x.ChargedAt = uuid.Must(uuid.NewV7()), o.On, o.Actor, kept(tx.Now)
	r := x.Reckoned
	insert := tx.Queue(`insert into loan_charge (club_id, id, loan_id, tool_id, member_id, lent_at, corrects, quote_id, quote_line, rule_id, cost_id, cost_number, currency, units, flat_minor, wear_minor,
			consumables_minor, other_minor, late_minor, damage_minor, damage_note, note, reckoned, booked_on, by_member, charged_at)
		values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18, $19, $20, $21, $22, $23, $24, $25, $26)`,
		tx.Club, x.ID, x.LoanID, x.ToolID, x.MemberID, x.LentAt, x.Corrects, x.QuoteID, x.QuoteLine, x.RuleID, x.CostID, x.CostNumber, x.Currency, r.Units, r.Flat, r.Wear,
		r.Consumables, r.Least, r.Late, r.Damage, x.DamageNote, x.Note, r, x.BookedOn, x.ByMember, x.ChargedAt)
	insert.RunAgainOn("loan_charged_once").RunAgainOn("loan_charge_corrected_once") // decided anew, on what is there then
	for _, part := range []struct {
		reason string
		minor  int64
		note   string
	}{
		{"use", r.Flat + r.Wear, fmt.Sprintf("Loan of %s from %s, %s", x.Tool, x.LentAt.Format(time.DateOnly), units(r.Units, r.Unit))},
		{"consumables", r.Consumables, fmt.Sprintf("Loan of %s from %s, %s", x.Tool, x.LentAt.Format(time.DateOnly), units(r.Units, r.Unit))},
		{"other", r.Least, fmt.Sprintf("Loan of %s from %s, up to the least charge", x.Tool, x.LentAt.Format(time.DateOnly))},
		{"late", r.Late, fmt.Sprintf("Loan of %s from %s, %s late", x.Tool, x.LentAt.Format(time.DateOnly), count(int64(r.LateDays), "day", "days"))},
		{"damage", r.Damage, fmt.Sprintf("Loan of %s from %s: %s", x.Tool, x.LentAt.Format(time.DateOnly), x.DamageNote)},
	} {
		if part.minor == 0 {
			continue
		}
		e, err := ledger.Book(tx, o.Actor, books, ledger.Intent{Kind: ledger.Charge, Reason: part.reason, MemberID: &x.MemberID, ToolID: &x.ToolID,
			Amount: money.Amount{Minor: part.minor, Currency: money.Currency(x.Currency)}, On: o.On, Note: cutTo(part.note, 500)})
		if err != nil {
			return x, err
		}
		books.Entries++
		tx.Queue(`insert into loan_charge_entry (club_id, charge_id, reason, entry_id) values ($1, $2, $3, $4)`, tx.Club, x.ID, part.reason, e.ID)
		x.Entries = append(x.Entries, Booked{Reason: part.reason, EntryID: e.ID, Number: e.Number, Minor: e.Minor})
	}
	kind := "loan.charged"
	if x.Corrects != nil {
		kind = "loan.charge_corrected"
	}
	journal.Append(tx, journal.Event{Type: kind, Subject: x.ID, Version: 1, Audience: journal.ForOfficers, Actor: o.Actor}, x)
	return x, nil
}

// cutTo is text of at most so many characters.
func cutTo(text string, most int) string {
	if runes := []rune(text); len(runes) > most {
		return string(runes[:most])
	}
	return text
}
