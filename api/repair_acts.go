package api

import (
	"slices"
	"time"

	"github.com/labstack/echo/v4"

	"pinwright/internal/club"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/recommend"
	"pinwright/internal/record"
	"pinwright/internal/repair"
)

// doer is who asks, for something that happened at said.
func (in *call) doer(tx *postgres.Tx, said *time.Time) (repair.Doer, error) {
	at, faults := repair.Happened(said, tx.Now)
	if len(faults) > 0 {
		return repair.Doer{}, problem.Invalid(faults...)
	}
	return repair.Doer{MemberID: in.caller.MemberID, Roles: in.caller.Roles, At: at}, nil
}

// actOnStep is what acts on a step have in common: the repair is locked, the act done,
// and the step shown as it stands then, with what the act has to tell among its
// warnings.
func (s *Server) actOnStep(c echo.Context, name InRepair, step string, said func(in *call) *time.Time,
	act func(in *call, tx *postgres.Tx, w *repair.Work, d repair.Doer, step repair.Step) (repair.Step, []recommend.Remark, error)) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		found := repair.Lock(b, name)
		at := said(in)
		return func(tx *postgres.Tx) (answer, error) {
			w, err := found.Work()
			if err != nil {
				return answer{}, err
			}
			of, err := w.Step(step)
			if err != nil {
				return answer{}, err
			}
			d, err := in.doer(tx, at)
			if err != nil {
				return answer{}, err
			}
			of, told, err := act(in, tx, w, d, of)
			if err != nil {
				return answer{}, err
			}
			v := w.View(of, in.now)
			v.Warnings = append(slices.Clone(told), v.Warnings...)
			return ok(repairStepOut(in, w, v)), nil
		}
	})
}

// GetRepairStep implements the contract.
func (s *Server) GetRepairStep(c echo.Context, _ InClub, name InRepair, step InRepairStep, _ GetRepairStepParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		found := repair.Find(b, name)
		return func() (answer, error) {
			w, err := found.Work()
			if err != nil {
				return answer{}, err
			}
			of, err := w.Step(step)
			if err != nil {
				return answer{}, err
			}
			return ok(repairStepOut(in, w, w.View(of, in.now))), nil
		}
	})
}

// BeginRepairStep implements the contract.
func (s *Server) BeginRepairStep(c echo.Context, _ InClub, name InRepair, step InRepairStep, _ BeginRepairStepParams) error {
	var body StepBeginIn
	return s.actOnStep(c, name, step, func(in *call) *time.Time { body = decode[StepBeginIn](in); return body.OccurredAt },
		func(_ *call, tx *postgres.Tx, w *repair.Work, d repair.Doer, of repair.Step) (repair.Step, []recommend.Remark, error) {
			return w.Begin(tx, d, of, body.Round, or(body.Note, ""))
		})
}

// FinishRepairStep implements the contract.
func (s *Server) FinishRepairStep(c echo.Context, _ InClub, name InRepair, step InRepairStep, _ FinishRepairStepParams) error {
	var body StepFinishIn
	return s.actOnStep(c, name, step, func(in *call) *time.Time { body = decode[StepFinishIn](in); return body.OccurredAt },
		func(_ *call, tx *postgres.Tx, w *repair.Work, d repair.Doer, of repair.Step) (repair.Step, []recommend.Remark, error) {
			return w.Finish(tx, d, of, repair.Finishing{Early: or(body.Early, false), Note: or(body.Note, "")})
		})
}

// LeaveOutRepairStep implements the contract.
func (s *Server) LeaveOutRepairStep(c echo.Context, _ InClub, name InRepair, step InRepairStep, _ LeaveOutRepairStepParams) error {
	var body StepLeaveOutIn
	return s.actOnStep(c, name, step, func(in *call) *time.Time { body = decode[StepLeaveOutIn](in); return body.OccurredAt },
		func(_ *call, tx *postgres.Tx, w *repair.Work, d repair.Doer, of repair.Step) (repair.Step, []recommend.Remark, error) {
			return w.LeaveOut(tx, d, of, body.Reason)
		})
}

// ReopenRepairStep implements the contract.
func (s *Server) ReopenRepairStep(c echo.Context, _ InClub, name InRepair, step InRepairStep, _ ReopenRepairStepParams) error {
	var body StepReopenIn
	return s.actOnStep(c, name, step, func(in *call) *time.Time { body = decode[StepReopenIn](in); return body.OccurredAt },
		func(_ *call, tx *postgres.Tx, w *repair.Work, d repair.Doer, of repair.Step) (repair.Step, []recommend.Remark, error) {
			return w.Reopen(tx, d, of, or(body.Following, false), body.Reason)
		})
}

// StopRepairTimer implements the contract.
func (s *Server) StopRepairTimer(c echo.Context, _ InClub, name InRepair, timer InRepairTimer, _ StopRepairTimerParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[TimerStopIn](in)
		found := repair.Lock(b, name)
		return func(tx *postgres.Tx) (answer, error) {
			w, err := found.Work()
			if err != nil {
				return answer{}, err
			}
			d, err := in.doer(tx, body.OccurredAt)
			if err != nil {
				return answer{}, err
			}
			of, told, err := w.StopTimer(tx, d, timer, or(body.Note, ""))
			if err != nil {
				return answer{}, err
			}
			v := w.View(of, in.now)
			v.Warnings = append(slices.Clone(told), v.Warnings...)
			return ok(repairStepOut(in, w, v)), nil
		}
	})
}

// PatchRepair implements the contract.
func (s *Server) PatchRepair(c echo.Context, _ InClub, name InRepair, _ PatchRepairParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[RepairPatch](in)
		found := repair.Lock(b, name)
		var garage *postgres.Rows[club.Garage]
		if body.Garage != nil {
			garage = club.FindGarage(b, postgres.ParseRef(*body.Garage))
		}
		var lead *postgres.Rows[club.Member]
		if body.Lead != nil {
			lead = club.FindMember(b, postgres.ParseRef(*body.Lead))
		}
		var kept *postgres.Rows[recommend.Kept]
		if body.Recommendation != nil {
			kept = recommend.Find(b, *body.Recommendation, nil)
		}
		return func(tx *postgres.Tx) (answer, error) {
			w, err := found.Work()
			if err != nil {
				return answer{}, err
			}
			if err := in.match(w.Version, repairOut(in, w)); err != nil {
				return answer{}, err
			}
			change, err := repairChange(in, body, garage, lead, kept)
			if err != nil {
				return answer{}, err
			}
			d, err := in.doer(tx, nil)
			if err != nil {
				return answer{}, err
			}
			told, err := w.Change(tx, d, change)
			if err != nil {
				return answer{}, err
			}
			return in.repairTold(w, told)
		}
	})
}

// repairChange is what body changes, of what was looked up.
func repairChange(in *call, body RepairPatch, garage *postgres.Rows[club.Garage], lead *postgres.Rows[club.Member], kept *postgres.Rows[recommend.Kept]) (repair.Change, error) {
	var change repair.Change
	if garage != nil {
		g, err := garage.OneOf("/garage", *body.Garage, func(g club.Garage) string { return g.Code })
		if err != nil {
			return change, err
		}
		change.Place = &repair.Place{GarageID: g.ID, Code: g.Code, TimeZone: g.TimeZone}
	}
	if lead != nil {
		m, err := lead.OneOf("/lead", *body.Lead, func(m club.Member) string { return m.Number })
		if err != nil {
			return change, err
		}
		if m.DisabledAt != nil {
			return change, problem.Invalid(problem.Fault{Pointer: "/lead", Detail: "is disabled; name somebody else"})
		}
		change.LeadID = &m.ID
	}
	if in.says("note") {
		change.Note = pointerTo(or(body.Note, ""))
	}
	if in.says("recommendation") {
		var of *recommend.Kept
		if kept != nil {
			k, err := kept.OneOf("/recommendation", body.Recommendation.String(), func(k recommend.Kept) string { return k.ID.String() })
			if err != nil {
				return change, err
			}
			of = &k
		}
		change.Recommendation = &of
	}
	return change, nil
}

// repairTold shows w with what an act has to tell among its warnings.
func (in *call) repairTold(w *repair.Work, told []recommend.Remark) (answer, error) {
	out := repairOut(in, w)
	out.Warnings = append(remarksOut(told), out.Warnings...)
	return in.whole(ok(out), w.Version)
}

// actOnRepair is what acts on a whole repair have in common.
func (s *Server) actOnRepair(c echo.Context, name InRepair, said func(in *call) *time.Time, act func(tx *postgres.Tx, w *repair.Work, d repair.Doer) ([]recommend.Remark, error)) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		return in.repairAct(b, name, said(in), act)
	})
}

// repairAct queues the lookups of an act on a repair, and returns what does it.
func (in *call) repairAct(b *postgres.Batch, name InRepair, at *time.Time, act func(tx *postgres.Tx, w *repair.Work, d repair.Doer) ([]recommend.Remark, error)) func(tx *postgres.Tx) (answer, error) {
	found := repair.Lock(b, name)
	return func(tx *postgres.Tx) (answer, error) {
		w, err := found.Work()
		if err != nil {
			return answer{}, err
		}
		d, err := in.doer(tx, at)
		if err != nil {
			return answer{}, err
		}
		told, err := act(tx, w, d)
		if err != nil {
			return answer{}, err
		}
		return in.repairTold(w, told)
	}
}

// SignOffRepair implements the contract. The last signature writes the record.
func (s *Server) SignOffRepair(c echo.Context, _ InClub, name InRepair, _ SignOffRepairParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[SignOffIn](in)
		var asked *record.Asked
		act := in.repairAct(b, name, body.OccurredAt, func(tx *postgres.Tx, w *repair.Work, d repair.Doer) ([]recommend.Remark, error) {
			before := w.State
			told, err := w.SignOff(tx, d, repair.Signing{InspectionFirst: or(body.InspectionFirst, false)})
			if err == nil && before != repair.Signed && w.State == repair.Signed {
				_, err = asked.Make(tx, d.MemberID, w)
			}
			return told, err
		})
		record.LockChain(b, name)
		asked = record.LookUp(b, name) // behind the locks
		return act
	})
}

// AbandonRepair implements the contract.
func (s *Server) AbandonRepair(c echo.Context, _ InClub, name InRepair, _ AbandonRepairParams) error {
	var body AbandonIn
	return s.actOnRepair(c, name, func(in *call) *time.Time { body = decode[AbandonIn](in); return body.OccurredAt },
		func(tx *postgres.Tx, w *repair.Work, d repair.Doer) ([]recommend.Remark, error) {
			return w.Abandon(tx, d, body.Reason)
		})
}

// GetRepairsToday implements the contract.
func (s *Server) GetRepairsToday(c echo.Context, _ InClub, garage InGarage) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		asked := repair.LookUpToday(b, postgres.ParseRef(garage))
		return func() (answer, error) {
			t, err := asked.Result(in.now)
			if err != nil {
				return answer{}, err
			}
			timers := func(of []repair.AtTimer) []TodayTimer {
				return each(of, func(a repair.AtTimer) TodayTimer {
					return TodayTimer{RepairId: a.Work.ID, Repair: a.Work.Label(), Vehicle: a.Work.VehicleCode, Timer: repairTimerOut(in, a.Work, a.Timer)}
				})
			}
			out := RepairsToday{GarageId: t.Garage.ID, Garage: t.Garage.Code, TimeZone: t.Garage.TimeZone, Begins: t.Begins, Ends: t.Ends,
				Timers: timers(t.Timers), Rounds: timers(t.Rounds), CutOff: present(t.CutOff),
				Summary: t.Summary(in.now), DoNext: remarksOut(t.DoNext(in.now)), Warnings: remarksOut(t.Warnings(in.now)),
				Ready: each(t.Ready, func(a repair.AtStep) TodayStep {
					return TodayStep{RepairId: a.Work.ID, Repair: a.Work.Label(), Vehicle: a.Work.VehicleCode, StepId: a.ID, Step: a.Ref, Name: a.Of.Name, State: RepairStepState(a.State), Minutes: a.Of.Minutes}
				})}
			return ok(out), nil
		}
	})
}
