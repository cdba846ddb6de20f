package api

import (
	"fmt"

	"github.com/labstack/echo/v4"
	openapi_types "github.com/oapi-codegen/runtime/types"

	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/tariff"
)

// loanChargeOut is x, compared with what was quoted.
func loanChargeOut(x tariff.Charge, at *tariff.Case, earlier []tariff.Charge, due bool) LoanCharge {
	r, made := x.Reckoned, !x.ChargedAt.IsZero()
	out := LoanCharge{State: "preview", LoanId: x.LoanID, MemberId: x.MemberID, Member: x.Member, ToolId: x.ToolID, Tool: x.Tool, Unit: ChargedUnit(r.Unit), MadeUses: r.Units,
		RulesEdition: r.RuleNumber, CostsEdition: r.CostNumber, Parts: each(r.Parts(x.Currency, x.DamageNote), chargePartOut(x.Currency)), Total: moneyOut(r.Total(), x.Currency),
		Differences: []ChargeDifference{}, Corrects: x.Corrects, Note: present(x.Note),
		Uses: each(r.Uses, func(u tariff.Used) ChargedUse {
			return ChargedUse{Id: u.ID, Work: ChargedUnit(u.Work), Count: u.Count, Wear: moneyOut(u.Wear, x.Currency)}
		}),
		Entries: each(x.Entries, func(b tariff.Booked) ChargeEntry {
			return ChargeEntry{Reason: ChargeEntryReason(b.Reason), EntryId: b.EntryID, Number: b.Number, Amount: moneyOut(b.Minor, x.Currency), ReversedBy: b.Reversed}
		}),
		Earlier: each(earlier, func(e tariff.Charge) EarlierCharge {
			return EarlierCharge{Id: e.ID, Total: moneyOut(e.Reckoned.Total(), e.Currency), BookedOn: openapi_types.Date{Time: e.BookedOn}, ChargedAt: e.ChargedAt.UTC(), Note: present(e.Note)}
		})}
	out.Summary = fmt.Sprintf("Member %s would be charged %s for the loan of %s as things stand", x.Member, out.Total.Text, x.Tool)
	if made {
		out.State, out.Id, out.ByMember = "charged", &x.ID, &x.ByMember
		out.BookedOn, out.ChargedAt = &openapi_types.Date{Time: x.BookedOn}, pointerTo(x.ChargedAt.UTC())
		out.Summary = fmt.Sprintf("Member %s was charged %s for the loan of %s", x.Member, out.Total.Text, x.Tool)
	}
	if q, line, found := at.Quoted(); found {
		quoted := line.Reckoned
		out.QuoteId, out.Quoted = &q.ID, pointerTo(moneyOut(quoted.Total(), x.Currency))
		out.Differences = each(r.Against(quoted, x.Currency, x.DamageNote), func(d tariff.Difference) ChargeDifference {
			return ChargeDifference{Part: ChargeDifferencePart(d.Name), Quoted: moneyOut(d.Quoted, x.Currency), Charged: moneyOut(d.Charged, x.Currency), Why: d.Why}
		})
		switch more := r.Total() - quoted.Total(); {
		case more > 0:
			out.Summary += ", " + moneyOut(more, x.Currency).Text + " more than was quoted"
		case more < 0:
			out.Summary += ", " + moneyOut(-more, x.Currency).Text + " less than was quoted"
		default:
			out.Summary += ", as was quoted"
		}
	}
	out.Summary += "."
	if due {
		out.Due = pointerTo("Uses, times or entries of the books changed since this was charged; a treasurer puts it right by POST to charge/correct.")
	}
	return out
}

// GetLoanCharge implements the contract.
func (s *Server) GetLoanCharge(c echo.Context, _ InClub, id InLoan) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		at := tariff.Look(b, id)
		return func() (answer, error) {
			member, err := at.Borrower()
			if err != nil {
				return answer{}, err
			}
			if err := in.seesMoneyOf(member); err != nil {
				return answer{}, err
			}
			next, err := at.Reckon(in.now, in.caller.Currency, tariff.Damage{})
			if err != nil {
				return answer{}, err
			}
			if x, earlier, made := at.Standing(); made {
				return ok(loanChargeOut(x, at, earlier, tariff.Due(x, next))), nil
			}
			return ok(loanChargeOut(next, at, nil, false)), nil
		}
	})
}

func damageIn(in *call, d *DamageIn) (*tariff.Damage, error) {
	if d == nil {
		return nil, nil
	}
	if or(d.Amount.Currency, in.caller.Currency) != in.caller.Currency {
		return nil, problem.Invalid(problem.Fault{Pointer: "/damage/amount/currency", Detail: "this club reckons in " + in.caller.Currency + "; give the amount in that, or leave the currency out"})
	}
	return &tariff.Damage{Minor: d.Amount.Minor, Note: d.Note}, nil
}

// ChargeLoan implements the contract.
func (s *Server) ChargeLoan(c echo.Context, _ InClub, id InLoan, _ ChargeLoanParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[LoanChargeIn](in)
		at := tariff.Lock(b, id)
		return func(tx *postgres.Tx) (answer, error) {
			on, onErr := bookedOn(body.On, tx.Now)
			damage, err := damageIn(in, body.Damage)
			if err := together(onErr, err); err != nil {
				return answer{}, err
			}
			x, err := at.Charge(tx, tariff.Order{Actor: in.caller.MemberID, Currency: in.caller.Currency, On: on, Damage: damage})
			return created(in.path("loans", id.String(), "charge"), loanChargeOut(x, at, nil, false)), err
		}
	})
}

// CorrectLoanCharge implements the contract.
func (s *Server) CorrectLoanCharge(c echo.Context, _ InClub, id InLoan, _ CorrectLoanChargeParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[LoanChargeCorrectionIn](in)
		at := tariff.Lock(b, id)
		return func(tx *postgres.Tx) (answer, error) {
			on, onErr := bookedOn(body.On, tx.Now)
			damage, err := damageIn(in, body.Damage)
			if or(body.WithoutDamage, false) {
				if damage != nil {
					err = problem.Invalid(problem.Fault{Pointer: "/without_damage", Detail: "contradicts damage; give one of them"})
				}
				damage = &tariff.Damage{}
			}
			if err := together(onErr, err); err != nil {
				return answer{}, err
			}
			x, err := at.Correct(tx, tariff.Order{Actor: in.caller.MemberID, Currency: in.caller.Currency, On: on, Damage: damage, Note: body.Note})
			if err != nil {
				return answer{}, err
			}
			was, earlier, _ := at.Standing()
			return created(in.path("loans", id.String(), "charge"), loanChargeOut(x, at, append([]tariff.Charge{was}, earlier...), false)), nil
		}
	})
}
