package api

import (
	"encoding/json"
	"fmt"
	"strconv"

	"github.com/labstack/echo/v4"

	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/procedure"
)

// recast is v as another type of the same shape in JSON: steps are named alike in the
// contract and in package procedure, which keeps them as they are.
func recast[T any](v any) T {
	var out T
	text, err := json.Marshal(v)
	if err == nil {
		err = json.Unmarshal(text, &out)
	}
	if err != nil {
		panic(fmt.Sprintf("api: recast %T: %v", v, err)) // both are ours
	}
	return out
}

func procedureStepsOut(steps []procedure.Step) []ProcedureStep {
	return recast[[]ProcedureStep](steps)
}

func procedureOut(p procedure.Procedure) Procedure {
	out := Procedure{Id: p.ID, Code: p.Code, Name: p.Name, KindOfJoint: p.KindOfJoint, Edition: p.Edition, Steps: procedureStepsOut(p.Steps), RetiredAt: p.RetiredAt, Version: p.Version,
		Summary: fmt.Sprintf("%d steps, edition %d.", len(p.Steps), p.Edition)}
	if p.RetiredAt != nil {
		out.Summary += " The procedure is retired; repairs that follow it go on."
	}
	return out
}

func procedureEditionOut(e procedure.Edition) ProcedureEdition {
	return ProcedureEdition{Id: e.ID, ProcedureId: e.ProcedureID, Edition: e.Number, Steps: procedureStepsOut(e.Steps), Note: present(e.Note), MemberId: e.MemberID, RecordedAt: e.RecordedAt}
}

// ListProcedures implements the contract.
func (s *Server) ListProcedures(c echo.Context, _ InClub, params ListProceduresParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(1)
		rows := procedure.List(b, or(params.Retired, false), p.key(0, ""), p.limit+1)
		return func() (answer, error) {
			items, next := cut(in, p, rows.Items, func(p procedure.Procedure) []string { return []string{p.Code} })
			return in.listed(ProcedurePage{Items: each(items, procedureOut), Next: next}, next), nil
		}
	})
}

// newProcedure is what body asks for.
func newProcedure(body ProcedureIn) (procedure.Procedure, []problem.Fault) {
	p := procedure.Procedure{ID: newID(), Code: body.Code, Name: or(body.Name, ""), KindOfJoint: or(body.KindOfJoint, "")}
	if body.Steps != nil {
		p.Steps = recast[[]procedure.Step](*body.Steps)
	}
	if body.Shipped != nil {
		shipped, _ := procedure.ShippedAs(string(*body.Shipped)) // one of the contract's
		if body.Steps != nil {
			return p, []problem.Fault{{Pointer: "/steps", Detail: "is left out for a copy of a shipped procedure; edit the copy afterwards"}}
		}
		p.Steps = shipped.Steps
		if p.Name == "" {
			p.Name = shipped.Name
		}
		if p.KindOfJoint == "" {
			p.KindOfJoint = shipped.KindOfJoint
		}
		return p, nil
	}
	var faults []problem.Fault
	for _, of := range []struct {
		name    string
		missing bool
	}{{"name", p.Name == ""}, {"kind_of_joint", p.KindOfJoint == ""}, {"steps", body.Steps == nil}} {
		if of.missing {
			faults = append(faults, problem.Fault{Pointer: "/" + of.name, Detail: "is needed, unless `shipped` names what to copy"})
		}
	}
	return p, append(faults, procedure.Check("/steps", p.Steps)...)
}

// CreateProcedure implements the contract.
func (s *Server) CreateProcedure(c echo.Context, _ InClub, _ CreateProcedureParams) error {
	return s.write(c, func(_ *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[ProcedureIn](in)
		return func(tx *postgres.Tx) (answer, error) {
			p, faults := newProcedure(body)
			if len(faults) > 0 {
				return answer{}, problem.Invalid(faults...)
			}
			p = procedure.Add(tx, in.caller.MemberID, p, or(body.Note, ""))
			return created(in.path("procedures", p.ID.String()), procedureOut(p)).versioned(p.Version, in.caller.Units), nil
		}
	})
}

// GetProcedure implements the contract.
func (s *Server) GetProcedure(c echo.Context, _ InClub, name InProcedure, _ GetProcedureParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		row := procedure.Find(b, postgres.ParseRef(name))
		return func() (answer, error) {
			p, err := row.One()
			return ok(procedureOut(p)).versioned(p.Version, in.caller.Units), err
		}
	})
}

// RetireProcedure implements the contract.
func (s *Server) RetireProcedure(c echo.Context, _ InClub, name InProcedure, _ RetireProcedureParams) error {
	return s.offerProcedure(c, name, false, "procedure.retired")
}

// BringProcedureBack implements the contract.
func (s *Server) BringProcedureBack(c echo.Context, _ InClub, name InProcedure, _ BringProcedureBackParams) error {
	return s.offerProcedure(c, name, true, "procedure.brought_back")
}

// offerProcedure offers a procedure again, or no more.
func (s *Server) offerProcedure(c echo.Context, name InProcedure, offered bool, event string) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		row := procedure.Lock(b, postgres.ParseRef(name))
		return func(tx *postgres.Tx) (answer, error) {
			p, err := row.One()
			if err != nil {
				return answer{}, err
			}
			if p, err = p.Offered(offered, tx.Now); err != nil {
				return answer{}, err
			}
			return ok(procedureOut(procedure.Update(tx, in.caller.MemberID, p, event))), nil
		}
	})
}

// ListProcedureEditions implements the contract.
func (s *Server) ListProcedureEditions(c echo.Context, _ InClub, name InProcedure, _ ListProcedureEditionsParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(1)
		of := procedure.Find(b, postgres.ParseRef(name))
		before, err := strconv.Atoi(p.key(0, "2147483647"))
		if err != nil { // no cursor of ours
			in.fault = problem.Invalid(problem.Fault{Pointer: "?cursor", Detail: "belongs to another list; start without a cursor"})
		}
		rows := procedure.ListEditions(b, postgres.ParseRef(name), before, p.limit+1)
		return func() (answer, error) {
			if _, err := of.One(); err != nil {
				return answer{}, err
			}
			items, next := cut(in, p, rows.Items, func(e procedure.Edition) []string { return []string{strconv.Itoa(e.Number)} })
			return in.listed(ProcedureEditionPage{Items: each(items, procedureEditionOut), Next: next}, next), nil
		}
	})
}

// EditProcedure implements the contract.
func (s *Server) EditProcedure(c echo.Context, _ InClub, name InProcedure, _ EditProcedureParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[ProcedureEditionIn](in)
		row := procedure.Lock(b, postgres.ParseRef(name))
		return func(tx *postgres.Tx) (answer, error) {
			p, err := row.One()
			if err != nil {
				return answer{}, err
			}
			if body.FromEdition != p.Edition {
				return answer{}, problem.New(problem.NotAllowedNow, "The newest edition of %s is %d. GET procedures/%s, make your edit from that, and send from_edition %d.", p.Code, p.Edition, p.Code, p.Edition)
			}
			steps := recast[[]procedure.Step](body.Steps)
			if faults := procedure.Check("/steps", steps); len(faults) > 0 {
				return answer{}, problem.Invalid(faults...)
			}
			p, e := procedure.Edit(tx, in.caller.MemberID, p, steps, or(body.Note, ""))
			return created(in.path("procedures", p.ID.String(), "editions", e.ID.String()), procedureEditionOut(e)), nil
		}
	})
}

// GetProcedureEdition implements the contract.
func (s *Server) GetProcedureEdition(c echo.Context, _ InClub, name InProcedure, edition InProcedureEdition) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		var number *int
		if n, err := strconv.Atoi(edition); err == nil && n > 0 && n < 1<<31 {
			number = &n
		}
		row := procedure.FindEdition(b, postgres.ParseRef(name), postgres.ParseRef(edition), number)
		return func() (answer, error) {
			e, err := row.One()
			return ok(procedureEditionOut(e)), err
		}
	})
}
