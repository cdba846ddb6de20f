package api

import (
	"fmt"

	"github.com/labstack/echo/v4"

	"pinwright/internal/club"
	"pinwright/internal/loan"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/tool"
)

// ListLoans implements the contract.
func (s *Server) ListLoans(c echo.Context, _ InClub, params ListLoansParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(1)
		f := loan.Filter{Member: or(params.Member, ""), Tool: or(params.Tool, ""), State: string(or(params.State, "")), Now: in.now}
		var who *postgres.Rows[club.Member]
		var what *postgres.Rows[tool.Tool]
		if f.Member != "" {
			who = club.FindMember(b, postgres.ParseRef(f.Member))
		}
		if f.Tool != "" {
			what = tool.Find(b, postgres.ParseRef(f.Tool))
		}
		found := loan.List(b, f, in.pageID(p), p.limit+1)
		return func() (answer, error) {
			var faults []problem.Fault
			if who != nil && len(who.Items) == 0 {
				faults = append(faults, problem.Fault{Pointer: "?member", Detail: "there is no such member in this club; check the number, or GET members"})
			}
			if what != nil && len(what.Items) == 0 {
				faults = append(faults, problem.Fault{Pointer: "?tool", Detail: "there is no such tool in this club; check the number, or GET tools"})
			}
			if len(faults) > 0 {
				return answer{}, problem.Invalid(faults...)
			}
			items, next := cut(in, p, found.Items(), func(l loan.Loan) []string { return []string{l.ID.String()} })
			return in.listed(LoanPage{Items: each(items, func(l loan.Loan) Loan { return loanOut(in, l) }), Next: next}, next), nil
		}
	})
}

// answered is l with its version.
func (in *call) loanAnswer(l loan.Loan) answer {
	return ok(loanOut(in, l)).versioned(versionOf(in.now, l), in.caller.Units)
}

// GetLoan implements the contract.
func (s *Server) GetLoan(c echo.Context, _ InClub, id InLoan, _ GetLoanParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		found := loan.Find(b, id)
		return func() (answer, error) {
			l, err := found.One()
			return in.loanAnswer(l), err
		}
	})
}

// mayLend allows borrowers what they have themselves, and keepers everything.
func (in *call) mayLend(l loan.Loan, roles ...string) error {
	if l.MemberID == in.caller.MemberID || len(roles) > 0 && in.caller.Has(roles...) {
		return nil
	}
	return problem.New(problem.MissingRole, "Another member has this tool and answers for it; let them do that.")
}

// ExtendLoan implements the contract.
func (s *Server) ExtendLoan(c echo.Context, _ InClub, id InLoan, _ ExtendLoanParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[ExtendIn](in)
		order := loan.LockLonger(b, in.now, id)
		return func(tx *postgres.Tx) (answer, error) {
			l, err := order.Loan()
			if err != nil {
				return answer{}, err
			}
			if err := in.mayLend(l, "tool_keeper", "officer"); err != nil {
				return answer{}, err
			}
			if l, err = order.Extend(in.ctx, tx, in.caller.MemberID, l, body.Until); err != nil {
				return answer{}, counterProblem(err)
			}
			return in.loanAnswer(l), nil
		}
	})
}

// OfferHandOver implements the contract.
func (s *Server) OfferHandOver(c echo.Context, _ InClub, id InLoan, _ OfferHandOverParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[HandOverIn](in)
		order := loan.LockOffer(b, in.now, id, body.To)
		return func(tx *postgres.Tx) (answer, error) {
			l, err := order.Loan()
			if err != nil {
				return answer{}, err
			}
			if l, err = order.Offer(tx, in.caller.MemberID, l, body.To, in.mayLend(l)); err != nil {
				return answer{}, err
			}
			return in.loanAnswer(l), nil
		}
	})
}

// ConfirmHandOver implements the contract.
func (s *Server) ConfirmHandOver(c echo.Context, _ InClub, id InLoan, _ ConfirmHandOverParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[HandOverConfirmIn](in)
		order := loan.LockPassing(b, in.now, id)
		return func(tx *postgres.Tx) (answer, error) {
			l, err := order.Loan()
			if err != nil {
				return answer{}, err
			}
			done, err := order.Confirm(in.ctx, tx, in.caller.MemberID, l, body.Until)
			if err != nil {
				return answer{}, counterProblem(err)
			}
			now := done.Loans[0]
			return created(in.path("loans", now.ID.String()), loanOut(in, now)).versioned(versionOf(in.now, now), in.caller.Units), nil
		}
	})
}

// DeclineHandOver implements the contract.
func (s *Server) DeclineHandOver(c echo.Context, _ InClub, id InLoan, _ DeclineHandOverParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		order := loan.LockLoan(b, in.now, id, false)
		return func(tx *postgres.Tx) (answer, error) {
			l, err := order.Loan()
			if err != nil {
				return answer{}, err
			}
			if l, err = order.Decline(tx, in.caller.MemberID, l); err != nil {
				return answer{}, err
			}
			return in.loanAnswer(l), nil
		}
	})
}

// LoseLoan implements the contract.
func (s *Server) LoseLoan(c echo.Context, _ InClub, id InLoan, _ LoseLoanParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[LostIn](in)
		order := loan.LockLoan(b, in.now, id, true)
		return func(tx *postgres.Tx) (answer, error) {
			l, err := order.Loan()
			if err != nil {
				return answer{}, err
			}
			l, moved, err := order.Lose(in.ctx, tx, in.caller.MemberID, l, or(body.Note, ""), or(body.OccurredAt, in.now))
			if err != nil {
				return answer{}, err
			}
			return ok(LoanLost{Loan: loanOut(in, l), Promises: promisesOut(moved), Summary: fmt.Sprintf("%s is lost; %s answers for it.", l.ToolNumber, l.MemberNumber) + promisesInWords(moved)}), nil
		}
	})
}
