package api

import (
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"pinwright/internal/calc/length"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/recommend"
	"pinwright/internal/repair"
	"pinwright/internal/verification"
)

func verificationOut(in *call, v verification.Verification) Verification {
	unit, c := in.caller.Units, v.Content
	out := Verification{Id: v.ID, RepairId: v.RepairID, JointId: v.JointID, Position: v.Position, RepairStepId: v.StepID, Verdict: Verdict(v.Verdict), Risk: v.Risk, Since: c.Since.UTC(),
		ReamerId: c.ReamerTool, NonconformityId: v.Nonconformity, MemberId: v.MemberID, At: v.At.UTC(), Summary: v.Summary(length.Unit(unit)), DoNext: remarksOut(v.DoNext(length.Unit(unit))),
		Warnings: remarksOut(c.Warnings), Assumed: remarksOut(c.Assumed),
		Pin: VerifiedPin{PinSeriesId: c.SeriesID, Step: present(c.Step), Least: micrometresOut(c.Pin.Low, unit), Greatest: micrometresOut(c.Pin.High, unit), Measured: c.Pin.Measured}}
	if c.Pin.U > 0 {
		out.Pin.ExpandedUncertainty = pointerTo(micrometresOut(2*c.Pin.U, unit))
	}
	if t := jointTargetOut(c.Target, &c.NominalNM, unit); t != nil {
		out.Target = *t
	}
	if len(c.Closed) > 0 {
		out.Settles = &c.Closed
	}
	gauge := func(g *verification.Gauge) *GaugeToTry {
		if g == nil {
			return nil
		}
		return &GaugeToTry{Size: micrometresOut(g.Size, unit), ProbabilityGoes: g.Goes}
	}
	out.Bores = each(c.Bores, func(b verification.Bore) VerifiedBore {
		return VerifiedBore{FeatureId: b.FeatureID, Feature: b.Code, Readings: b.Readings, PassingSize: sizeOut(b.Passing, unit), LargestSize: sizeOut(b.Largest, unit), ProbabilityFit: b.Conforming,
			ProbabilityTooTight: b.TooTight, ProbabilityTooLoose: b.TooLoose, Verdict: Verdict(b.Verdict), GoPin: gauge(b.Go), NoGoPin: gauge(b.NoGo),
			CutSize: optionalLength(b.CutNM, unit), CutU: optionalLength(b.CutU, unit)}
	})
	return out
}

// ListVerifications implements the contract.
func (s *Server) ListVerifications(c echo.Context, _ InClub, name InRepair, _ ListVerificationsParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(1)
		of := repair.FindBrief(b, name)
		rows := verification.List(b, name, in.pageID(p), p.limit+1)
		return func() (answer, error) {
			if _, err := of.One(); err != nil {
				return answer{}, err
			}
			items, next := cut(in, p, rows.Items, func(v verification.Verification) []string { return []string{v.ID.String()} })
			return in.listed(VerificationPage{Items: each(items, func(v verification.Verification) Verification { return verificationOut(in, v) }), Next: next}, next), nil
		}
	})
}

// GetVerification implements the contract.
func (s *Server) GetVerification(c echo.Context, _ InClub, name InRepair, id InVerification, _ GetVerificationParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		row := verification.Find(b, name, id)
		return func() (answer, error) {
			v, err := row.One()
			if err != nil {
				return answer{}, err
			}
			return ok(verificationOut(in, v)), nil
		}
	})
}

// jointOf is the joint of the repair that a body names, by id or position.
func jointOf(w *repair.Work, pointer, name string) (repair.Joint, error) {
	ref := postgres.ParseRef(name)
	for _, j := range w.Joints {
		if ref.ID != nil && j.JointID == *ref.ID || ref.ID == nil && j.Position == ref.Name {
			return j, nil
		}
	}
	positions := each(w.Joints, func(j repair.Joint) string { return j.Position })
	return repair.Joint{}, problem.Invalid(problem.Fault{Pointer: pointer, Detail: fmt.Sprintf("is none of repair %s, which has %v", w.Label(), positions)})
}

// underWay refuses what is recorded of a repair that is over.
func underWay(w *repair.Work) error {
	if w.State != repair.Open {
		return problem.New(problem.NotAllowedNow, "Repair %s is %s, so nothing more of it is recorded. What is found now belongs to a new repair.", w.Label(), w.State)
	}
	return nil
}

// CreateVerification implements the contract.
func (s *Server) CreateVerification(c echo.Context, _ InClub, name InRepair, _ CreateVerificationParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[VerificationIn](in)
		found := repair.Lock(b, name)
		all := verification.All(b, name)
		snapshot := recommend.QueueSet(b, []string{body.Joint}, nil, body.PinSeries, in.now)
		var reamers *postgres.Rows[verification.Reamer]
		if body.Reamer != nil {
			reamers = verification.FindReamer(b, postgres.ParseRef(*body.Reamer))
		}
		id := idOr(body.Id)
		kept := verification.Find(b, name, id)
		return func(tx *postgres.Tx) (answer, error) {
			w, err := found.Work()
			if err != nil {
				return answer{}, err
			}
			if len(kept.Items) > 0 {
				return answer{}, problem.New(problem.IDUsed, "A verification with this id is on record; GET it. Make a new id for a new one.")
			}
			ask := verification.Ask{Work: w, Snapshot: snapshot, Open: all.Items, Series: body.PinSeries != nil, Step: or(body.Step, ""), Risk: or(body.Risk, 0.05), Unit: length.Unit(in.caller.Units), Currency: in.caller.Currency}
			var faults []error
			if ask.Joint, err = jointOf(w, "/joint", body.Joint); err != nil {
				faults = append(faults, err)
			}
			if reamers != nil {
				r, err := reamers.OneOf("/reamer", *body.Reamer, func(r verification.Reamer) string { return r.Number })
				switch {
				case err != nil:
					faults = append(faults, err)
				case r.Kind != "reamer" || r.SizeNm == nil:
					faults = append(faults, problem.Invalid(problem.Fault{Pointer: "/reamer", Detail: "is no reamer but a " + r.Kind + "; name the tool that made the cut"}))
				}
				ask.Reamer = &r
			}
			if body.PinSeries != nil && len(snapshot.Steps.Items) == 0 {
				faults = append(faults, problem.Invalid(problem.Fault{Pointer: "/pin_series", Detail: "there is no pin series “" + *body.PinSeries + "” in this club; GET the list"}))
			}
			if body.RepairStep != nil {
				step, err := w.Step(*body.RepairStep)
				if err != nil {
					faults = append(faults, problem.Invalid(problem.Fault{Pointer: "/repair_step", Detail: "is no step of repair " + w.Label() + "; GET its steps"}))
				}
				ask.StepID = &step.ID
			}
			if p := body.Pin; p != nil {
				size, u := p.Size.Length().Micrometres(), p.ExpandedUncertainty.Length().Micrometres()/2
				if u <= 0 || size <= 0 {
					faults = append(faults, problem.Invalid(problem.Fault{Pointer: "/pin/expanded_uncertainty", Detail: "and size must be larger than zero"}))
				}
				ask.Pin = &verification.Pin{Low: size, High: size, U: u}
			}
			if body.Since != nil {
				since, ahead := repair.Happened(body.Since, tx.Now)
				for i := range ahead {
					ahead[i].Pointer = "/since"
				}
				if len(ahead) > 0 {
					faults = append(faults, problem.Invalid(ahead...))
				}
				ask.Since = &since
			}
			if err := together(faults...); err != nil {
				return answer{}, err
			}
			if err := underWay(w); err != nil {
				return answer{}, err
			}
			v, options, err := verification.Judge(ask, id, in.caller.MemberID, tx.Now.UTC().Truncate(time.Microsecond))
			if err != nil {
				return answer{}, err
			}
			return created(in.path("repairs", w.ID.String(), "verifications", v.ID.String()), verificationOut(in, verification.Record(tx, ask, v, options))), nil
		}
	})
}

func nonconformityOut(in *call, n verification.Nonconformity, safety bool) Nonconformity {
	out := Nonconformity{Id: n.ID, RepairId: n.RepairID, JointId: n.JointID, Position: n.Position, VerificationId: n.VerificationID, Kind: NonconformityKind(n.Kind), State: NonconformityState(n.State()),
		Detail: present(n.Detail), FoundAt: n.FoundAt.UTC(), MemberId: n.MemberID, RecordedAt: n.RecordedAt.UTC(), Advice: remarksOut(n.Advice(safety)), Chosen: (*NonconformityChoice)(n.Chosen), Step: n.Step,
		Reason: present(n.Reason), DecidedAt: utc(n.DecidedAt), DecidedBy: n.DecidedBy, ProvedBy: n.ProvedBy, ClosedAt: utc(n.ClosedAt), Summary: n.Summary(), DoNext: remarksOut(n.DoNext()), Version: n.Version}
	out.Options = each(n.Options, func(o verification.Option) NonconformityOption {
		one := NonconformityOption{Option: NonconformityChoice(o.Option), Step: present(o.Step), Text: o.Text, Days: o.Days, ProbabilityFit: present(o.Success)}
		if o.PriceMinor != nil {
			one.Cost = pointerTo(moneyOut(*o.PriceMinor, in.caller.Currency))
		}
		return one
	})
	return out
}

// isSafety reports whether a life hangs on a joint of the repair.
func isSafety(w *repair.Work, joint uuid.UUID) bool {
	for _, j := range w.Joints {
		if j.JointID == joint {
			return j.SafetyCritical
		}
	}
	return false
}

// ListNonconformities implements the contract.
func (s *Server) ListNonconformities(c echo.Context, _ InClub, name InRepair, params ListNonconformitiesParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(1)
		of := repair.Find(b, name)
		var open *bool
		if params.Closed != nil {
			open = pointerTo(!*params.Closed)
		}
		rows := verification.ListNonconformities(b, name, open, in.pageID(p), p.limit+1)
		return func() (answer, error) {
			w, err := of.Work()
			if err != nil {
				return answer{}, err
			}
			items, next := cut(in, p, rows.Items, func(n verification.Nonconformity) []string { return []string{n.ID.String()} })
			return in.listed(NonconformityPage{Items: each(items, func(n verification.Nonconformity) Nonconformity {
				return nonconformityOut(in, n, isSafety(w, n.JointID))
			}), Next: next}, next), nil
		}
	})
}

// GetNonconformity implements the contract.
func (s *Server) GetNonconformity(c echo.Context, _ InClub, name InRepair, id InNonconformity) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		of := repair.Find(b, name)
		row := verification.FindNonconformity(b, name, id)
		return func() (answer, error) {
			w, err := of.Work()
			if err != nil {
				return answer{}, err
			}
			n, err := row.One()
			if err != nil {
				return answer{}, err
			}
			return ok(nonconformityOut(in, n, isSafety(w, n.JointID))), nil
		}
	})
}

// CreateNonconformity implements the contract.
func (s *Server) CreateNonconformity(c echo.Context, _ InClub, name InRepair, _ CreateNonconformityParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[NonconformityIn](in)
		found := repair.Lock(b, name)
		all := verification.All(b, name)
		snapshot := recommend.QueueSet(b, []string{body.Joint}, nil, nil, in.now)
		id := idOr(body.Id)
		kept := verification.FindByID(b, id)
		return func(tx *postgres.Tx) (answer, error) {
			w, err := found.Work()
			if err != nil {
				return answer{}, err
			}
			j, err := jointOf(w, "/joint", body.Joint)
			if err != nil {
				return answer{}, err
			}
			n := verification.Nonconformity{ID: id, RepairID: w.ID, JointID: j.JointID, Position: j.Position, Kind: string(body.Kind), Detail: or(body.Detail, ""), MemberID: in.caller.MemberID}
			if body.FoundAt != nil {
				n.FoundAt = body.FoundAt.UTC().Truncate(time.Microsecond)
			}
			if len(kept.Items) > 0 {
				return ok(nonconformityOut(in, kept.Items[0], j.SafetyCritical)), kept.Items[0].Same(n)
			}
			at, faults := repair.Happened(body.FoundAt, tx.Now)
			for i := range faults {
				faults[i].Pointer = "/found_at"
			}
			if len(faults) > 0 {
				return answer{}, problem.Invalid(faults...)
			}
			if err := underWay(w); err != nil {
				return answer{}, err
			}
			n.FoundAt = at
			ask := verification.Ask{Work: w, Joint: j, Snapshot: snapshot, Open: all.Items, Risk: 0.05, Unit: length.Unit(in.caller.Units), Currency: in.caller.Currency}
			n.Options = verification.Left(ask, n.Kind, tx.Now)
			n = verification.Report(tx, n)
			return created(in.path("repairs", w.ID.String(), "nonconformities", n.ID.String()), nonconformityOut(in, n, j.SafetyCritical)), nil
		}
	})
}

// DecideNonconformity implements the contract.
func (s *Server) DecideNonconformity(c echo.Context, _ InClub, name InRepair, id InNonconformity, _ DecideNonconformityParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[NonconformityDecisionIn](in)
		found := repair.Lock(b, name)
		row := verification.FindNonconformity(b, name, id)
		refused := verification.RefusedSince(b, id)
		return func(tx *postgres.Tx) (answer, error) {
			w, err := found.Work()
			if err != nil {
				return answer{}, err
			}
			n, err := row.One()
			if err != nil {
				return answer{}, err
			}
			if err := underWay(w); err != nil {
				return answer{}, err
			}
			option, step, reason := string(body.Option), or(body.Step, ""), or(body.Reason, "")
			told := []recommend.Remark{{Code: "already", Text: "It was decided just so already, and nothing was refused since; nothing was changed."}}
			if n.ClosedAt != nil || len(refused.Items) > 0 || !n.Says(option, step, reason) {
				if n, err = verification.Decide(tx, in.caller.MemberID, n, option, step, reason); err != nil {
					return answer{}, err
				}
				d, err := in.doer(tx, nil)
				if err != nil {
					return answer{}, err
				}
				told = w.Follow(tx, d, n.Wrong())
			}
			out := nonconformityOut(in, n, isSafety(w, n.JointID))
			if len(told) > 0 {
				out.Warnings = pointerTo(remarksOut(told))
			}
			return ok(out), nil
		}
	})
}
