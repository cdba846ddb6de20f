package api

import (
	"fmt"
	"time"

	"github.com/labstack/echo/v4"

	"pinwright/internal/calc/length"
	"pinwright/internal/club"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/procedure"
	"pinwright/internal/repair"
	"pinwright/internal/vehicle"
)

func repairTimerOut(in *call, w *repair.Work, t repair.Timer) RepairTimer {
	return RepairTimer{Id: t.ID, StepId: t.StepID, Step: w.RefOf(t.StepID), Kind: RepairTimerKind(t.Kind), Round: t.Round, BeganAt: t.BeganAt.UTC(), DueAt: t.DueAt.UTC(), MostAt: utc(t.MostAt),
		State: RepairTimerState(t.State(in.now)), RungAt: utc(t.RungAt), OverstayedAt: utc(t.OverstayedAt), StoppedAt: utc(t.StoppedAt), StoppedBy: t.StoppedBy, Text: w.TimerText(t, in.now)}
}

func repairOut(in *call, w *repair.Work) Repair {
	told := w.Tell(in.now)
	return Repair{Id: w.ID, Number: w.Label(), VehicleId: w.VehicleID, Vehicle: w.VehicleCode, ProcedureId: w.ProcedureID, Procedure: w.ProcedureCode, Edition: w.Edition,
		GarageId: w.GarageID, Garage: w.GarageCode, LeadId: w.LeadID, State: RepairState(w.State), Safety: w.Safety, RecommendationId: w.RecommendationID,
		BeganAt: w.BeganAt.UTC(), Note: present(w.Note), StepsTotal: told.Total, StepsClosed: told.Closed,
		SignedAt: utc(w.SignedAt), SignedBy: w.SignedBy, SecondedAt: utc(w.SecondedAt), SecondedBy: w.SecondedBy, AbandonedAt: utc(w.AbandonedAt), AbandonedBy: w.AbandonedBy, AbandonReason: present(w.AbandonReason),
		Summary: told.Summary, DoNext: remarksOut(told.DoNext), Warnings: remarksOut(told.Warnings), Version: w.Version,
		Timers: each(told.Running, func(t repair.Timer) RepairTimer { return repairTimerOut(in, w, t) }),
		Joints: each(w.Joints, func(j repair.Joint) RepairJoint {
			chosen := w.Chosen[j.JointID]
			return RepairJoint{JointId: j.JointID, Position: j.Position, SafetyCritical: j.SafetyCritical, Option: present(chosen.Option), Step: present(chosen.Step)}
		})}
}

func repairFigureOut(in *call, f repair.Figure) RepairFigure {
	return RepairFigure{Code: RepairFigureCode(f.Code), Text: f.Text, Source: present(f.Source), Missing: present(f.Missing), Assumed: remarksOut(f.Assumed),
		Sizes: each(f.Sizes, func(s repair.Sized) FigureSize {
			return FigureSize{Name: s.Name, Size: lengthOut(s.Size, in.caller.Units)}
		}),
		Numbers: each(f.Numbers, func(n repair.Number) FigureNumber { return FigureNumber{Name: n.Name, Value: n.Value, Unit: n.Unit} })}
}

func repairStepOut(in *call, w *repair.Work, v repair.StepView) RepairStep {
	of := recast[ProcedureStep](v.Of)
	out := RepairStep{Id: v.ID, Ref: v.Ref, Key: v.Key, Name: of.Name, Phase: of.Phase, Per: RepairStepPer(of.Per), JointId: v.JointID, Position: present(v.Position), State: RepairStepState(v.State),
		Ready: v.Ready, Instructions: of.Instructions, Tools: of.Tools, Consumables: of.Consumables, Minutes: of.Minutes, Wait: of.Wait, Repeat: of.Repeat, After: of.After, Parts: of.Parts,
		ClosedBy: RepairStepClosedBy(of.ClosedBy), Rounds: v.Of.Rounds(), RoundsDone: v.RoundsDone, BeganAt: utc(v.BeganAt), BeganBy: v.BeganBy, DoneAt: utc(v.DoneAt), DoneBy: v.DoneBy,
		LeftOut: (*RepairStepLeftOut)(v.LeftOut), Note: present(v.Note), Summary: v.Summary, DoNext: remarksOut(v.DoNext), Warnings: remarksOut(v.Warnings), Version: v.Version}
	if len(v.WaitsFor) > 0 {
		out.WaitsFor = &v.WaitsFor
	}
	if len(v.Cautions) > 0 {
		out.Cautions = pointerTo(remarksOut(v.Cautions))
	}
	if len(v.Of.OnlyIf) > 0 {
		out.OnlyIf = &v.Of.OnlyIf
	}
	if len(v.Results) > 0 {
		out.Results = pointerTo(each(v.Results, func(r repair.ResultState) RepairResult {
			return RepairResult{Position: r.Position, Feature: r.Code, Shape: RepairResultShape(r.Measured.Shape), Duty: RepairResultDuty(r.Measured.Duty),
				Stage: RepairResultStage(r.Result.Stage), Least: r.Least, Counted: r.Counted}
		}))
	}
	if figures := w.Figures(v.Step, length.Unit(in.caller.Units)); len(figures) > 0 {
		out.Figures = pointerTo(each(figures, func(f repair.Figure) RepairFigure { return repairFigureOut(in, f) }))
	}
	if len(v.Timers) > 0 {
		out.Timers = pointerTo(each(v.Timers, func(t repair.Timer) RepairTimer { return repairTimerOut(in, w, t) }))
	}
	return out
}

// ListRepairs implements the contract.
func (s *Server) ListRepairs(c echo.Context, _ InClub, params ListRepairsParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(1)
		f := repair.Filter{Vehicle: or(params.Vehicle, ""), Garage: or(params.Garage, ""), State: string(or(params.State, ""))}
		missing := func() error { return nil }
		if f.Vehicle != "" {
			rows := vehicle.Find(b, postgres.ParseRef(f.Vehicle))
			missing = andThen(missing, func() bool { return len(rows.Items) == 0 }, "?vehicle", "there is no such vehicle in this club; check the code, or GET vehicles")
		}
		if f.Garage != "" {
			rows := club.FindGarage(b, postgres.ParseRef(f.Garage))
			missing = andThen(missing, func() bool { return len(rows.Items) == 0 }, "?garage", "there is no such garage in this club; check the code, or GET garages")
		}
		found := repair.List(b, f, in.pageID(p), p.limit+1)
		return func() (answer, error) {
			if err := missing(); err != nil {
				return answer{}, err
			}
			works, err := found.Works()
			if err != nil {
				return answer{}, err
			}
			items, next := cut(in, p, works, func(w *repair.Work) []string { return []string{w.ID.String()} })
			return in.listed(RepairPage{Items: each(items, func(w *repair.Work) Repair { return repairOut(in, w) }), Next: next}, next), nil
		}
	})
}

// GetRepair implements the contract.
func (s *Server) GetRepair(c echo.Context, _ InClub, name InRepair, _ GetRepairParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		found := repair.Find(b, name)
		return func() (answer, error) {
			w, err := found.Work()
			if err != nil {
				return answer{}, err
			}
			return in.whole(ok(repairOut(in, w)), w.Version)
		}
	})
}

// ListRepairSteps implements the contract.
func (s *Server) ListRepairSteps(c echo.Context, _ InClub, name InRepair, _ ListRepairStepsParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		found := repair.Find(b, name)
		return func() (answer, error) {
			w, err := found.Work()
			if err != nil {
				return answer{}, err
			}
			told := w.Tell(in.now)
			return ok(RepairSteps{RepairId: w.ID, Number: w.Label(), State: RepairState(w.State), Summary: told.Summary, DoNext: remarksOut(told.DoNext), Warnings: remarksOut(told.Warnings),
				Items: each(w.Views(in.now), func(v repair.StepView) RepairStep { return repairStepOut(in, w, v) })}), nil
		}
	})
}

// CreateRepair implements the contract.
func (s *Server) CreateRepair(c echo.Context, _ InClub, _ CreateRepairParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[RepairIn](in)
		beginning := lookUpRepair(b, in, body)
		return func(tx *postgres.Tx) (answer, error) {
			n, err := beginning(tx)
			if err != nil {
				return answer{}, err
			}
			w := repair.Add(tx, in.caller.MemberID, n)
			return in.whole(created(in.path("repairs", w.ID.String()), repairOut(in, w)), w.Version)
		}
	})
}

// lookUpRepair looks up what body names of a new repair.
func lookUpRepair(b *postgres.Batch, in *call, body RepairIn) func(tx *postgres.Tx) (repair.New, error) {
	names := each(body.Joints, func(name string) vehicle.Name { return vehicle.Name{Joint: name, Vehicle: or(body.Vehicle, "")} })
	joints := vehicle.FindJoints(b, names)
	of := procedure.Find(b, postgres.ParseRef(body.Procedure))
	where := repair.LookUpPlaces(b, names[0], in.bearer.Holder(), in.bearer.Key())
	number := repair.NextNumber(b)
	garage := garageNamed(b, body.Garage)
	var lead *postgres.Rows[club.Member]
	if body.Lead != nil {
		lead = club.FindMember(b, postgres.ParseRef(*body.Lead))
	}
	return func(tx *postgres.Tx) (repair.New, error) {
		n := repair.New{Repair: repair.Repair{ID: newID(), LeadID: in.caller.MemberID, Note: or(body.Note, "")}}
		var faults []problem.Fault
		n.Repair.BeganAt, faults = repair.Happened(body.OccurredAt, tx.Now)
		index := vehicle.NewIndex(joints.Items)
		for i, name := range body.Joints {
			j, err := index.Joint(fmt.Sprintf("/joints/%d", i), postgres.ParseRef(name), or(body.Vehicle, ""))
			if err != nil {
				return n, err
			}
			n.Joints = append(n.Joints, *j)
		}
		faults = append(faults, n.CheckJoints()...)
		var err error
		if n.Procedure, err = of.OneOf("/procedure", body.Procedure, func(p procedure.Procedure) string { return p.Code }); err != nil {
			return n, err
		}
		if n.Procedure.RetiredAt != nil {
			faults = append(faults, problem.Fault{Pointer: "/procedure", Detail: fmt.Sprintf("%s is retired; choose another, or bring it back", n.Procedure.Code)})
		}
		if lead != nil {
			m, err := lead.OneOf("/lead", *body.Lead, func(m club.Member) string { return m.Number })
			if err != nil {
				return n, err
			}
			n.Repair.LeadID = m.ID
			if m.DisabledAt != nil {
				faults = append(faults, problem.Fault{Pointer: "/lead", Detail: "is disabled; name somebody else"})
			}
		}
		at, err := garage()
		if err != nil {
			return n, err
		}
		place, found := where.At(at, n.Joints[0].VehicleID)
		if !found {
			faults = append(faults, problem.Fault{Pointer: "/garage", Detail: "is needed: neither the vehicle nor you have a garage; name one of GET garages"})
		}
		if len(faults) > 0 {
			return n, problem.Invalid(faults...)
		}
		n.Place = place
		n.Repair.Number, err = number.One()
		return n, err
	}
}

// utc is t by the clock of Greenwich, as every time of an answer is.
func utc(t *time.Time) *time.Time {
	if t == nil {
		return nil
	}
	at := t.UTC()
	return &at
}
