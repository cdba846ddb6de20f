package api

import (
	"fmt"
	"net/http"

	"github.com/labstack/echo/v4"
	openapi_types "github.com/oapi-codegen/runtime/types"

	"pinwright/internal/loan"
	"pinwright/internal/postgres"
	"pinwright/internal/tool"
)

func inspectionOut(in *call, i loan.Inspection) Inspection {
	out := Inspection{Id: i.ID, ToolId: i.ToolID, ToolNumber: i.ToolNumber, Verdict: InspectionVerdict(i.Verdict), Condition: CounterCondition(i.Condition), Parts: i.Parts,
		Checks: each(i.Checks, func(c loan.Check) Check {
			return Check{Value: lengthOut(c.Size, in.caller.Units), With: present(c.With), Place: present(c.Place)}
		}),
		Note: present(i.Note), ReturnId: i.ReturnID, InspectedAt: i.InspectedAt.UTC(), MemberId: i.MemberID, RecordedAt: i.RecordedAt.UTC()}
	if i.NextDueOn != nil {
		out.NextDueOn = &openapi_types.Date{Time: *i.NextDueOn}
	}
	return out
}

// ListInspections implements the contract.
func (s *Server) ListInspections(c echo.Context, _ InClub, name InTool, _ ListInspectionsParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(1)
		ref := postgres.ParseRef(name)
		row := tool.Find(b, ref)
		found := loan.ListInspections(b, ref, in.pageID(p), p.limit+1)
		return func() (answer, error) {
			if _, err := row.One(); err != nil {
				return answer{}, err
			}
			items, next := cut(in, p, found.Items, func(i loan.Inspection) []string { return []string{i.ID.String()} })
			return in.listed(InspectionPage{Items: each(items, func(i loan.Inspection) Inspection { return inspectionOut(in, i) }), Next: next}, next), nil
		}
	})
}

// CreateInspection implements the contract.
func (s *Server) CreateInspection(c echo.Context, _ InClub, name InTool, _ CreateInspectionParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[InspectionIn](in)
		order := loan.LockInspection(b, name)
		return func(tx *postgres.Tx) (answer, error) {
			i := loan.Inspection{ID: newID(), Verdict: string(body.Verdict), Condition: string(or(body.Condition, "")), Parts: body.Parts, Checks: checksIn(body.Checks),
				Note: or(body.Note, ""), InspectedAt: or(body.OccurredAt, in.now), MemberID: in.caller.MemberID}
			if body.NextDueOn != nil {
				i.NextDueOn = &body.NextDueOn.Time
			}
			i, moved, err := order.Make(in.ctx, tx, i)
			if err != nil {
				return answer{}, err
			}
			out := inspectionOut(in, i)
			out.Promises = pointerTo(promisesOut(moved))
			return answer{status: http.StatusCreated, body: out}, nil
		}
	})
}

// FindTool implements the contract.
func (s *Server) FindTool(c echo.Context, _ InClub, name InTool, _ FindToolParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[FoundIn](in)
		order := loan.LockFound(b, name, body.Garage)
		return func(tx *postgres.Tx) (answer, error) {
			state := string(or(body.State, FoundInState("quarantine")))
			number, moved, err := order.Back(in.ctx, tx, in.caller.MemberID, state)
			if err != nil {
				return answer{}, err
			}
			how := map[string]string{"in_service": "is lent again", "quarantine": "is in quarantine until an inspection"}[state]
			return ok(ToolFound{ToolNumber: number, State: ToolFoundState(state), Promises: promisesOut(moved), Summary: fmt.Sprintf("%s was found and %s.", number, how) + promisesInWords(moved)}), nil
		}
	})
}
