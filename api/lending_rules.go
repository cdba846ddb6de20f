package api

import (
	"github.com/labstack/echo/v4"

	"pinwright/internal/lending"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

func lendingRulesOut(r lending.Rules, currency string) LendingRules {
	out := LendingRules{LongestLoanDays: r.LongestLoanDays, DaysAhead: r.DaysAhead, AtOnce: r.AtOnce, FairSharePercent: r.FairSharePercent, FairShareDays: r.FairShareDays,
		FairShareFreeHours: r.FairShareFreeHours, DepositAtHandout: r.DepositAtHandout, LateBorrowersWait: r.LateBorrowersWait, TravelMinutes: r.TravelMinutes,
		OfferHours: r.OfferHours, WalkInDays: r.WalkInDays, Version: r.Version}
	from := ""
	if r.ApprovalFromMinor != nil {
		out.ApprovalFrom = pointerTo(moneyOut(*r.ApprovalFromMinor, currency))
		from = out.ApprovalFrom.Text
	}
	out.Summary = r.Summary(from)
	return out
}

func lendingRulesIn(r lending.Rules, currency string) LendingRulesIn {
	out := LendingRulesIn{LongestLoanDays: r.LongestLoanDays, DaysAhead: r.DaysAhead, AtOnce: r.AtOnce, FairSharePercent: r.FairSharePercent, FairShareDays: r.FairShareDays,
		FairShareFreeHours: r.FairShareFreeHours, DepositAtHandout: r.DepositAtHandout, LateBorrowersWait: r.LateBorrowersWait, TravelMinutes: r.TravelMinutes,
		OfferHours: r.OfferHours, WalkInDays: r.WalkInDays}
	if r.ApprovalFromMinor != nil {
		out.ApprovalFrom = &MoneyIn{Minor: *r.ApprovalFromMinor, Currency: &currency}
	}
	return out
}

// GetLendingRules implements the contract.
func (s *Server) GetLendingRules(c echo.Context, _ InClub, _ GetLendingRulesParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		found := lending.FindRules(b)
		return func() (answer, error) {
			r := found.Get()
			return ok(lendingRulesOut(r, in.caller.Currency)).versioned(r.Version, in.caller.Units), nil
		}
	})
}

// PatchLendingRules implements the contract.
func (s *Server) PatchLendingRules(c echo.Context, _ InClub, _ PatchLendingRulesParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		found := lending.LockRules(b)
		return func(tx *postgres.Tx) (answer, error) {
			r := found.Get()
			if err := in.match(r.Version, lendingRulesOut(r, in.caller.Currency)); err != nil {
				return answer{}, err
			}
			body, err := merged(s, in, "LendingRulesIn", lendingRulesIn(r, in.caller.Currency))
			if err != nil {
				return answer{}, err
			}
			changed := lending.Rules{LongestLoanDays: body.LongestLoanDays, DaysAhead: body.DaysAhead, AtOnce: body.AtOnce, FairSharePercent: body.FairSharePercent,
				FairShareDays: body.FairShareDays, FairShareFreeHours: body.FairShareFreeHours, DepositAtHandout: body.DepositAtHandout, LateBorrowersWait: body.LateBorrowersWait,
				TravelMinutes: body.TravelMinutes, OfferHours: body.OfferHours, WalkInDays: body.WalkInDays, Version: r.Version}
			if m := body.ApprovalFrom; m != nil {
				if or(m.Currency, in.caller.Currency) != in.caller.Currency {
					return answer{}, problem.Invalid(problem.Fault{Pointer: "/approval_from/currency", Detail: "this club reckons in " + in.caller.Currency + "; give the amount in that, or leave the currency out"})
				}
				changed.ApprovalFromMinor = &m.Minor
			}
			changed = lending.ChangeRules(tx, in.caller.MemberID, changed)
			return ok(lendingRulesOut(changed, in.caller.Currency)).versioned(changed.Version, in.caller.Units), nil
		}
	})
}
