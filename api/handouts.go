package api

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"pinwright/internal/loan"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// counterProblem tells why tools do not change hands, or a loan not last longer.
func counterProblem(err error) error {
	var refusal *loan.Refusal
	var hurt *loan.Hurt
	switch {
	case errors.As(err, &refusal):
		return &problem.Error{Kind: problem.CounterRefused, Detail: refusal.Error(), Members: map[string]any{"refused": each(refusal.Tools, func(t loan.RefusedTool) RefusedTool {
			return RefusedTool{Tool: t.Tool, Code: RefusedToolCode(t.Code), Detail: t.Detail, FreeFrom: t.FreeFrom}
		})}}
	case errors.As(err, &hurt):
		members := map[string]any{"would_hurt": each(hurt.Promised, func(s loan.Stretch) Period { return Period{From: s.From, Until: s.Until} })}
		if hurt.Latest != nil {
			members["until"] = *hurt.Latest
		}
		return &problem.Error{Kind: problem.WouldHurt, Detail: hurt.Error(), Members: members}
	}
	return err
}

// numbersOf lists the tools of loans as people do.
func numbersOf(loans []loan.Loan) string {
	return listed(each(loans, func(l loan.Loan) string { return l.ToolNumber }))
}

func listed(names []string) string {
	if len(names) < 2 {
		return strings.Join(names, "")
	}
	return strings.Join(names[:len(names)-1], ", ") + " and " + names[len(names)-1]
}

func handoutOut(in *call, h loan.Handed) CounterHandout {
	out := CounterHandout{Id: h.ID, MemberNumber: h.MemberNumber, OccurredAt: h.OccurredAt.UTC(), RecordedAt: h.RecordedAt.UTC(), UndoUntil: h.RecordedAt.Add(loan.UndoWithin).UTC(),
		Loans: each(h.Loans, func(l loan.Loan) Loan { return loanOut(in, l) }), WalkIn: h.WalkIn, Shortened: append([]string{}, h.Shortened...), Decided: append([]Code{}, h.Decided...)}
	if h.MemberID != nil {
		out.MemberId = *h.MemberID
	}
	if h.UndoneAt != nil {
		out.UndoneAt = pointerTo(h.UndoneAt.UTC())
		out.Summary = fmt.Sprintf("Undone: %s did not go out to %s. What was reserved is reserved again.", numbersOf(h.Loans), h.MemberNumber)
		return out
	}
	out.Summary = fmt.Sprintf("%s went out to %s.", numbersOf(h.Loans), h.MemberNumber)
	for _, text := range h.Shortened {
		out.Summary += " " + text
	}
	if len(h.Decided) > 0 {
		out.Summary += fmt.Sprintf(" %s was the choice; what stood for it is free again.", listed(h.Decided))
	}
	return out
}

// CreateHandout implements the contract.
func (s *Server) CreateHandout(c echo.Context, _ InClub, _ CreateHandoutParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[HandoutIn](in)
		tools := or(body.Tools, nil)
		h := loan.Handout{ID: newID(), Member: body.Member, Kit: or(body.Kit, ""), Until: body.Until, Days: or(body.Days, 0), OccurredAt: or(body.OccurredAt, in.now),
			Tools: each(tools, func(t PresentedToolIn) loan.Presented {
				p := loan.Presented{Tool: t.Tool, Condition: string(or(t.Condition, "")), Note: or(t.Note, ""), DespiteCalibration: or(t.DespiteCalibration, "")}
				if t.Deposit != nil {
					p.Deposit = &t.Deposit.Minor
				}
				return p
			})}
		order := loan.LockHandout(b, h)
		return func(tx *postgres.Tx) (answer, error) {
			var faults []problem.Fault
			for i, t := range tools {
				if t.Deposit != nil && or(t.Deposit.Currency, in.caller.Currency) != in.caller.Currency {
					faults = append(faults, problem.Fault{Pointer: fmt.Sprintf("/tools/%d/deposit/currency", i), Detail: "the club keeps its money in " + in.caller.Currency + "; leave the currency out"})
				}
			}
			if len(faults) > 0 {
				return answer{}, problem.Invalid(faults...)
			}
			done, err := order.Make(in.ctx, tx, loan.Keeper{ID: in.caller.MemberID, Officer: in.caller.Has("officer")})
			if err != nil {
				return answer{}, counterProblem(err)
			}
			return answer{status: 201, body: handoutOut(in, done)}, nil
		}
	})
}

// UndoHandout implements the contract.
func (s *Server) UndoHandout(c echo.Context, _ InClub, id InCounterAct, _ UndoHandoutParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		order := loan.LockUndo(b, "handout", id)
		return func(tx *postgres.Tx) (answer, error) {
			act, err := order.Undo(in.ctx, tx, in.caller.MemberID)
			if err != nil {
				return answer{}, counterProblem(err)
			}
			return ok(handoutOut(in, loan.Handed{Act: act})), nil
		}
	})
}

// loanOut is l as it is now.
func loanOut(in *call, l loan.Loan) Loan {
	out := Loan{Id: l.ID, State: "open", ToolId: l.ToolID, ToolNumber: l.ToolNumber, ToolModel: l.ToolModel, Caution: present(l.Caution), MemberId: l.MemberID,
		MemberNumber: l.MemberNumber, MemberName: l.MemberName, ReservationId: l.ReservationID, Line: l.Line, WalkIn: l.WalkIn, Period: periodOut(l.Period),
		CollectedAt: l.CollectedAt.UTC(), ConditionOut: CounterCondition(l.ConditionOut), NoteOut: present(l.NoteOut), DespiteCalibration: present(l.DespiteCalibration), LateAt: l.LateAt, PassingTo: l.PassingTo,
		PassingSince: l.PassingSince, HandoutId: l.HandoutID, ReturnId: l.ReturnID, EndedAt: l.EndedAt, ConditionIn: present(CounterCondition(l.ConditionIn)),
		PartsIn: l.PartsIn, NoteIn: present(l.NoteIn), RecordedAt: l.RecordedAt.UTC(), Version: versionOf(in.now, l)}
	if l.DepositMinor != nil {
		out.Deposit = pointerTo(moneyOut(*l.DepositMinor, in.caller.Currency))
	}
	switch {
	case l.Ended != "":
		out.State = LoanState(l.Ended)
	case l.IsLate(in.now):
		out.State = "late"
	}
	return out
}

// versionOf is l's version, which also tells that it became late before anything
// was written of that.
func versionOf(now time.Time, l loan.Loan) int64 {
	if l.LateAt == nil && l.IsLate(now) {
		return l.Version + 1
	}
	return l.Version
}
