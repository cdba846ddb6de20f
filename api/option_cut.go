package api

import (
	"pinwright/internal/calc/choice"
	"pinwright/internal/calc/length"
	"pinwright/internal/calc/pressfit"
	"pinwright/internal/recommend"
)

// cutOut fills what an option cuts and presses.
func cutOut(out *OptionAnswer, a *recommend.Answer, j int, o choice.Option, unit string) {
	micrometres := func(um float64) Length { return lengthOut(length.FromMicrometres(um), unit) }
	if o.WallLeft != nil {
		out.WallLeft = pointerTo(micrometres(*o.WallLeft))
	}
	if recommend.Cuts(o) {
		one := a.Problem.Joints[j]
		kind := one.Guidance
		if kind == "" {
			kind = choice.Floating
		}
		out.Guidance = &CutGuidance{Kind: Guidance(kind), Offset: micrometres(one.Offset), Text: a.GuidanceText(j)}
	}
	if r := o.Reamer; r != nil && r.Build != (choice.Build{}) {
		out.ReamerBuild = &ReamerBuild{Flutes: (*ReamerBuildFlutes)(present(r.Flutes)), Lead: (*ReamerBuildLead)(present(r.Lead)),
			Expansion: present(r.Expansion), Piloted: r.Piloted}
		if r.LeadLength > 0 {
			out.ReamerBuild.LeadLength = pointerTo(micrometres(r.LeadLength))
		}
		if r.Length > 0 {
			out.ReamerBuild.Length = pointerTo(micrometres(r.Length))
		}
	}
	if len(o.Passes) > 0 {
		passes := make([]CutPass, len(o.Passes))
		for i, p := range o.Passes {
			var model *string
			if p.Reamer {
				model = &p.Code
			}
			passes[i] = CutPass{ReamerModel: model, Size: micrometres(a.Nominal.Micrometres() + p.Diameter), Takes: micrometres(p.Allowance), Text: a.PassText(p, i, len(o.Passes))}
		}
		out.Passes = &passes
	}
	if o.Kind == choice.BushBack && a.Bushes[j] != nil {
		out.Bush = bushOut(a, j, o, unit)
	}
	if p := o.Press; p != nil {
		out.Press = &PressAnswer{ForceNewtons: p.Force.Mean, ForceLowNewtons: p.Force.Low, ForceHighNewtons: p.Force.High, HandClamp: p.Hand == pressfit.Yes,
			Means: present(p.Means), ProbabilityLoose: p.Loose, ProbabilityOverstressed: p.Overstressed, Text: a.PressText(*p)}
		if !p.Learned {
			out.Press.HoldNewtons, out.Press.PressureMegapascals, out.Press.StressMegapascals = &p.Hold, &p.Pressure, &p.Stress
			out.Press.AllowedInterference = pointerTo(micrometres(p.Allowed))
		}
	}
}

// heldCut names the reamer of the held bores, where the option cuts them.
func heldCut(out *JointAnswer, a *recommend.Answer, j int, o choice.Option, unit string) {
	if o.Step < 0 || o.Kind != choice.ReamTo && o.Kind != choice.CutSmallerAndLook && o.Kind != choice.HoneTo {
		return
	}
	r, held := a.Steps[o.Step].HeldReamer, len(a.Problem.Joints[j].Held)
	if r == nil || held == 0 {
		return
	}
	out.HeldReamer, out.HeldHoles = optionalLength(a.StepRows[o.Step].HeldReamerNm, unit), &held
	if r.Available {
		out.HeldReamerModel = &r.Code
	}
}

func bushOut(a *recommend.Answer, j int, o choice.Option, unit string) *BushSizes {
	p := a.Bushes[j]
	mm := func(x float64) Length { return lengthOut(length.FromMicrometres(x*1000), unit) }
	out := &BushSizes{HoleSmallest: mm(p.Hole.Low), HoleLargest: mm(p.Hole.High), InterferenceLeast: mm(p.Interference.Low), InterferenceMost: mm(p.Interference.High), OutsideSmallest: mm(p.Body.Low), OutsideLargest: mm(p.Body.High),
		BoreSmallest: mm(p.Before.Low), BoreLargest: mm(p.Before.High), FinishedSmallest: mm(p.Finished.Low), FinishedLargest: mm(p.Finished.High),
		ClosesInLeast: mm(p.ClosesIn.Low), ClosesInMost: mm(p.ClosesIn.High), Length: mm(p.Length), WallLeft: mm(p.BossWall),
		ForceNewtons: p.Tightest.Force, StressMegapascals: p.Tightest.HubBore.Mises(), Text: a.BushText(*p)}
	if o.Reamer != nil && o.Reamer.Available {
		out.FinishedWith = &o.Reamer.Code
	}
	return out
}
