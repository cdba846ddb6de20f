package api

import (
	"time"

	"github.com/labstack/echo/v4"

	"pinwright/internal/postgres"
	"pinwright/internal/tariff"
)

func loanToChargeOut(l tariff.ToCharge) LoanToCharge {
	out := LoanToCharge{LoanId: l.LoanID, ToolId: l.ToolID, Tool: l.Tool, MemberId: l.MemberID, Member: l.Member, CollectedAt: l.CollectedAt.UTC(), EndedAt: l.EndedAt.UTC(),
		Ended: LoanToChargeEnded(l.Ended), Uses: l.Uses, Why: LoanToChargeWhy(l.Why)}
	if l.Minor != nil && l.Currency != nil {
		out.Charged = pointerTo(moneyOut(*l.Minor, *l.Currency))
	}
	return out
}

// ListLoansToCharge implements the contract.
func (s *Server) ListLoansToCharge(c echo.Context, _ InClub, params ListLoansToChargeParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(2)
		since := in.now.AddDate(-1, 0, 0)
		if params.Since != nil {
			since = params.Since.Time
		}
		ended, id := in.pageTime(p)
		found := tariff.ListToCharge(b, since, ended, id, p.limit+1)
		return func() (answer, error) {
			items, next := cut(in, p, found.Items, func(l tariff.ToCharge) []string {
				return []string{l.EndedAt.UTC().Format(time.RFC3339Nano), l.LoanID.String()}
			})
			return in.listed(LoanToChargePage{Items: each(items, loanToChargeOut), Next: next}, next), nil
		}
	})
}
