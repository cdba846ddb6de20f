package api

import (
	"fmt"

	"github.com/labstack/echo/v4"

	"pinwright/internal/loan"
	"pinwright/internal/postgres"
	"pinwright/internal/use"
)

func promisesOut(d loan.Displaced) PromisesTouched {
	return PromisesTouched{Moved: d.Moved, Endangered: d.Endangered, Safe: d.Safe}
}

// promisesInWords tells what became of later reservations; empty when nothing.
func promisesInWords(d loan.Displaced) string {
	text := ""
	if d.Moved > 0 {
		text += fmt.Sprintf(" Later reservations moved to an equal tool: %d.", d.Moved)
	}
	if d.Endangered > 0 {
		text += fmt.Sprintf(" Later reservations for which there is no equal tool: %d; their members are told.", d.Endangered)
	}
	if d.Safe > 0 {
		text += fmt.Sprintf(" Reservations that were in danger and are no more: %d.", d.Safe)
	}
	return text
}

func returnOut(in *call, r loan.Returned) CounterReturn {
	out := CounterReturn{Id: r.ID, MemberId: r.MemberID, MemberNumber: present(r.MemberNumber), OccurredAt: r.OccurredAt.UTC(), RecordedAt: r.RecordedAt.UTC(),
		UndoUntil: r.RecordedAt.Add(loan.UndoWithin).UTC(), Loans: each(r.Loans, func(l loan.Loan) Loan { return loanOut(in, l) }),
		Quarantined: append([]Code{}, r.Quarantined...), LateWithdrawn: append([]Code{}, r.Withdrawn...), Promises: promisesOut(r.Displaced)}
	if r.GarageID != nil {
		out.GarageId = *r.GarageID
	}
	if r.UndoneAt != nil {
		out.UndoneAt = pointerTo(r.UndoneAt.UTC())
		out.Summary = fmt.Sprintf("Undone: %s did not come back and the loans go on as they were.", numbersOf(r.Loans))
		return out
	}
	out.Summary = fmt.Sprintf("%s came back.", numbersOf(r.Loans))
	if len(r.Quarantined) > 0 {
		out.Summary += fmt.Sprintf(" In quarantine until an inspection: %s.", listed(r.Quarantined))
	}
	if len(r.Withdrawn) > 0 {
		out.Summary += fmt.Sprintf(" Not late after all: %s.", listed(r.Withdrawn))
	}
	out.Summary += promisesInWords(r.Displaced)
	return out
}

func checksIn(list *[]CheckIn) []loan.Check {
	return each(or(list, nil), func(c CheckIn) loan.Check {
		return loan.Check{Size: c.Value.Length(), Entered: c.Value, With: or(c.With, ""), Place: or(c.Place, "")}
	})
}

// CreateReturn implements the contract.
func (s *Server) CreateReturn(c echo.Context, _ InClub, _ CreateReturnParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[ReturnIn](in)
		order := loan.LockReturn(b, loan.Return{ID: newID(), Garage: body.Garage, Member: or(body.Member, ""), OccurredAt: or(body.OccurredAt, in.now),
			Tools: each(body.Tools, func(t ReturnedToolIn) loan.Back {
				return loan.Back{Tool: t.Tool, Condition: string(or(t.Condition, "")), Parts: t.Parts, Note: or(t.Note, ""), Quarantine: or(t.Quarantine, false), Checks: checksIn(t.Checks)}
			})})
		var told *use.Recording
		if lines := usesBack(body.Tools); len(lines) > 0 {
			told = use.LookUp(b, lines)
		}
		return func(tx *postgres.Tx) (answer, error) {
			if told != nil {
				if err := told.Named(); err != nil {
					return answer{}, err
				}
			}
			done, err := order.Make(in.ctx, tx, in.caller.MemberID)
			if err != nil {
				return answer{}, counterProblem(err)
			}
			out := returnOut(in, done)
			if told != nil {
				told.Lend(lentBack(done.Loans))
				uses, _, err := told.Record(tx, in.recorder())
				if err != nil {
					return answer{}, err
				}
				out.Uses = pointerTo(each(uses, func(u use.Use) ToolUse { return toolUseOut(in, u) }))
			}
			return answer{status: 201, body: out}, nil
		}
	})
}

// UndoReturn implements the contract.
func (s *Server) UndoReturn(c echo.Context, _ InClub, id InCounterAct, _ UndoReturnParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		order := loan.LockUndo(b, "return", id)
		return func(tx *postgres.Tx) (answer, error) {
			act, err := order.Undo(in.ctx, tx, in.caller.MemberID)
			if err != nil {
				return answer{}, counterProblem(err)
			}
			return ok(returnOut(in, loan.Returned{Act: act})), nil
		}
	})
}
