package api

import (
	"fmt"
	"net/http"
	"time"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"

	"pinwright/internal/calc/length"
	"pinwright/internal/club"
	"pinwright/internal/loan"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/repair"
	"pinwright/internal/tool"
	"pinwright/internal/use"
)

func toolVoidOut(v use.Void) *ToolVoid {
	if v.VoidedAt == nil {
		return nil
	}
	return &ToolVoid{At: v.VoidedAt.UTC(), MemberId: *v.VoidedBy, Reason: v.VoidReason}
}

func toolUseOut(in *call, u use.Use) ToolUse {
	unit := in.caller.Units
	out := ToolUse{Id: u.ID, ToolId: u.ToolID, ToolNumber: u.ToolNumber, LoanId: u.LoanID, MemberId: u.MemberID, UsedAt: u.UsedAt.UTC(), Work: ToolWork(u.Work), Count: u.Count,
		RepairId: u.RepairID, JointId: u.JointID, Position: u.Position, FeatureId: u.FeatureID, Feature: u.Feature, SizeBefore: optionalLength(u.SizeBeforeNm, unit), Depth: optionalLength(u.DepthNm, unit),
		Material: (*CutMaterial)(u.Material), Lubricant: (*CutLubricant)(u.Lubricant), Guidance: (*Guidance)(u.Guidance), Note: present(u.Note),
		RecordedAt: u.RecordedAt.UTC(), RecordedBy: u.RecordedBy, Void: toolVoidOut(u.Void)}
	if u.RepairNumber != nil {
		out.Repair = pointerTo(repair.Repair{Number: *u.RepairNumber}.Label())
	}
	return out
}

// recorder is the caller as who records what tools did.
func (in *call) recorder() use.Recorder {
	return use.Recorder{ID: in.caller.MemberID, Keeper: in.caller.Has("tool_keeper", "officer")}
}

func usesIn(tool postgres.Ref, at string, list []ToolUseIn) []use.Line {
	out := make([]use.Line, len(list))
	for i, l := range list {
		out[i] = use.Line{At: fmt.Sprintf("%s/%d", at, i), Tool: tool, Loan: l.Loan, UsedAt: l.UsedAt, Member: or(l.Member, ""), Repair: or(l.Repair, ""), Joint: or(l.Joint, ""), Feature: or(l.Feature, ""),
			Use: use.Use{ID: idOr(l.Id), Work: string(l.Work), Count: or(l.Count, 1), SizeBeforeNm: nanometres(l.SizeBefore), Cut: cutIn(l.Depth, l.Material, l.Lubricant, l.Guidance), Note: or(l.Note, "")}}
	}
	return out
}

func cutIn(depth *LengthIn, material *CutMaterial, lubricant *CutLubricant, guidance *Guidance) use.Cut {
	return use.Cut{DepthNm: nanometres(depth), Material: (*string)(material), Lubricant: (*string)(lubricant), Guidance: (*string)(guidance)}
}

func workOut(counts []use.Count) []ToolWorkCount {
	return each(counts, func(c use.Count) ToolWorkCount {
		return ToolWorkCount{Work: ToolWork(c.Work), Uses: c.Uses, Count: c.Count}
	})
}

// ListToolUses implements the contract.
func (s *Server) ListToolUses(c echo.Context, _ InClub, name InTool, params ListToolUsesParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		p := in.page(2)
		at, id := in.pageTime(p)
		ref := postgres.ParseRef(name)
		tools := tool.Find(b, ref)
		f := use.Filter{Loan: params.Loan, Member: or(params.Member, ""), Repair: or(params.Repair, "")}
		var loans *postgres.Rows[bool]
		var members *postgres.Rows[club.Member]
		var repairs *postgres.Rows[repair.Brief]
		if f.Loan != nil {
			loans = use.IsLoanOf(b, ref, *f.Loan)
		}
		if f.Member != "" {
			members = club.FindMember(b, postgres.ParseRef(f.Member))
		}
		if f.Repair != "" {
			repairs = repair.FindBrief(b, f.Repair)
		}
		rows := use.List(b, ref, f, at, id, p.limit+1)
		life := use.FindLife(b, ref)
		return func() (answer, error) {
			if _, err := tools.One(); err != nil {
				return answer{}, err
			}
			var faults []problem.Fault
			if loans != nil && len(loans.Items) == 0 {
				faults = append(faults, problem.Fault{Pointer: "?loan", Detail: "is no loan of this tool; GET loans?tool= shows them"})
			}
			if members != nil && len(members.Items) == 0 {
				faults = append(faults, problem.Fault{Pointer: "?member", Detail: "there is no such member in this club; check the number, or GET members"})
			}
			if repairs != nil && len(repairs.Items) == 0 {
				faults = append(faults, problem.Fault{Pointer: "?repair", Detail: "there is no such repair in this club; check the number, or GET repairs"})
			}
			if len(faults) > 0 {
				return answer{}, problem.Invalid(faults...)
			}
			items, next := cut(in, p, rows.Items, func(u use.Use) []string {
				return []string{u.UsedAt.UTC().Format(time.RFC3339Nano), u.ID.String()}
			})
			out := ToolUsePage{Items: each(items, func(u use.Use) ToolUse { return toolUseOut(in, u) }), Next: next, SinceRenewal: ToolWorkSince{Work: workOut(life.SinceRenewal.Items)}}
			if len(life.Renewals.Items) > 0 {
				n := life.Renewals.Items[0]
				out.SinceRenewal.At, out.SinceRenewal.Renewal = pointerTo(n.DoneAt.UTC()), pointerTo(RenewalKind(n.Kind))
			}
			if len(life.Calibrated.Items) > 0 {
				out.SinceCalibration = &ToolWorkSince{At: pointerTo(life.Calibrated.Items[0].UTC()), Work: workOut(life.SinceCalibration.Items)}
			}
			if len(life.Checks.Items) > 0 {
				out.LatestCheck = pointerTo(toolCheckOut(in, life.Checks.Items[0]))
			}
			return in.listed(out, next), nil
		}
	})
}

// RecordToolUses implements the contract.
func (s *Server) RecordToolUses(c echo.Context, _ InClub, name InTool, _ RecordToolUsesParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[ToolUsesIn](in)
		ref := postgres.ParseRef(name)
		order := use.LockRecording(b, in.now, ref, usesIn(ref, "/uses", body.Uses))
		return func(tx *postgres.Tx) (answer, error) {
			uses, already, err := order.Record(tx, in.recorder())
			if err != nil {
				return answer{}, err
			}
			out := ToolUsesRecorded{Uses: each(uses, func(u use.Use) ToolUse { return toolUseOut(in, u) }), Already: already, Summary: fmt.Sprintf("Recorded: %d.", len(uses)-already)}
			if already > 0 {
				out.Summary += fmt.Sprintf(" On record already: %d.", already)
			}
			status := http.StatusCreated
			if already == len(uses) {
				status = http.StatusOK
			}
			return answer{status: status, body: out}, nil
		}
	})
}

// GetToolUse implements the contract.
func (s *Server) GetToolUse(c echo.Context, _ InClub, name InTool, id InToolUse, _ GetToolUseParams) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		row := use.Find(b, postgres.ParseRef(name), id, false)
		return func() (answer, error) {
			u, err := row.One()
			return ok(toolUseOut(in, u)), err
		}
	})
}

// mayVoidWithin allows who recorded something to void it for a day, and whoever keeps the tools or runs
// the club at any time.
func (in *call) mayVoidWithin(member uuid.UUID, recorded time.Time) error {
	if in.caller.Has("tool_keeper", "officer") {
		return nil
	}
	if member == in.caller.MemberID && in.now.Sub(recorded) > 24*time.Hour {
		return problem.New(problem.NotAllowedNow, "You recorded this more than a day ago. Ask a tool_keeper or officer to void it.")
	}
	return in.mayVoidOf(member)
}

// VoidToolUse implements the contract.
func (s *Server) VoidToolUse(c echo.Context, _ InClub, name InTool, id InToolUse, _ VoidToolUseParams) error {
	return s.write(c, func(b *postgres.Batch, in *call) func(tx *postgres.Tx) (answer, error) {
		body := decode[ToolVoidIn](in)
		row := use.Find(b, postgres.ParseRef(name), id, true)
		return func(tx *postgres.Tx) (answer, error) {
			u, err := row.One()
			if err != nil {
				return answer{}, err
			}
			if err := in.mayVoidWithin(u.RecordedBy, u.RecordedAt); err != nil {
				return answer{}, err
			}
			u, err = use.VoidUse(tx, in.caller.MemberID, u, body.Reason)
			return ok(toolUseOut(in, u)), err
		}
	})
}

// usesBack are what tools that come back did while they were out.
func usesBack(tools []ReturnedToolIn) (out []use.Line) {
	for i, t := range tools {
		out = append(out, usesIn(postgres.ParseRef(t.Tool), fmt.Sprintf("/tools/%d/uses", i), each(or(t.Uses, nil), func(u ReturnedUseIn) ToolUseIn {
			return ToolUseIn{Id: u.Id, Member: u.Member, UsedAt: u.UsedAt, Work: u.Work, Count: u.Count, Repair: u.Repair, Joint: u.Joint, Feature: u.Feature, SizeBefore: u.SizeBefore, Depth: u.Depth,
				Material: u.Material, Lubricant: u.Lubricant, Guidance: u.Guidance, Note: u.Note}
		}))...)
	}
	return out
}

// lentBack are the loans that ended, as their uses need them.
func lentBack(loans []loan.Loan) []use.Loan {
	return each(loans, func(l loan.Loan) use.Loan {
		return use.Loan{ID: l.ID, ToolID: l.ToolID, MemberID: l.MemberID, CollectedAt: l.CollectedAt, EndedAt: l.EndedAt, Ended: l.Ended}
	})
}

// proposalOut is a proposal as the body of the use.
func proposalOut(in *call, p use.Proposed) (ToolUseIn, error) {
	out := ToolUseIn{Loan: p.LoanID, UsedAt: &p.UsedAt, Work: ToolWork(p.Work), Count: &p.Count, Material: (*CutMaterial)(p.Material), Guidance: (*Guidance)(p.Guidance), Feature: p.Feature}
	if p.RepairNumber != nil {
		out.Repair = pointerTo(repair.Repair{Number: *p.RepairNumber}.Label())
	}
	if p.JointID != nil {
		out.Joint = pointerTo(p.JointID.String())
	}
	for _, of := range []struct {
		nm *int64
		to **LengthIn
	}{{p.SizeBeforeNm, &out.SizeBefore}, {p.DepthNm, &out.Depth}} {
		if of.nm == nil {
			continue
		}
		q, err := length.Length(*of.nm).Quantity(length.Unit(in.caller.Units))
		if err != nil {
			return out, fmt.Errorf("api: a proposed length: %w", err)
		}
		*of.to = &q
	}
	return out, nil
}

// ProposeToolUses implements the contract.
func (s *Server) ProposeToolUses(c echo.Context, _ InClub, id InLoan) error {
	return s.read(c, func(b *postgres.Batch, in *call) func() (answer, error) {
		hints := use.FindHints(b, id)
		return func() (answer, error) {
			p, err := hints.Propose(in.now)
			if err != nil {
				return answer{}, err
			}
			out := ToolUsesProposed{LoanId: p.ID, ToolId: p.ToolID, ToolNumber: p.ToolNumber, Recorded: p.Recorded, Body: ToolUsesProposal{Uses: []ToolUseIn{}}, Reasons: []ToolUseReason{}, Assumed: []Text{}}
			for _, one := range p.Uses {
				line, err := proposalOut(in, one)
				if err != nil {
					return answer{}, err
				}
				out.Body.Uses = append(out.Body.Uses, line)
				out.Reasons = append(out.Reasons, ToolUseReason{Source: UseSource(one.Source), RepairId: one.RepairID, RepairStepId: one.StepID, VerificationId: one.VerificationID, Text: one.Why(length.Unit(in.caller.Units))})
			}
			switch {
			case p.Ended == "undone":
				out.Summary = "This loan was undone, so the tool did nothing on it."
			case len(p.Uses) == 0:
				out.Summary = fmt.Sprintf("Nothing that is not on record is known of what %s did. Post what it did, where it did something.", p.ToolNumber)
			default:
				out.Summary = fmt.Sprintf("What %s seems to have done and is not on record: %d. Look it through, mend what is wrong, and POST the body to tools/%s/uses.", p.ToolNumber, len(p.Uses), p.ToolNumber)
				out.Assumed = append(out.Assumed, Text{Code: "as_far_as_is_known", Text: "Only what was measured, verified and finished in repairs is known here: add what else the tool did, and with what lubricant it cut."})
			}
			return ok(out), nil
		}
	})
}
