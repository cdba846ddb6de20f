package api

import (
	"errors"
	"fmt"
	"strings"

	"github.com/labstack/echo/v4"

	"pinwright/internal/calc/derivation"
	"pinwright/internal/calc/endfloat"
	"pinwright/internal/problem"
)

// CalcEndFloat implements the contract.
func (s *Server) CalcEndFloat(c echo.Context, params CalcEndFloatParams) error {
	return s.calculate(c, func(in *call) (answer, error) {
		ask := decode[EndFloatIn](in)
		if in.fault != nil {
			return answer{}, in.fault
		}
		var p workpiece
		unit := string(shownIn(ask.EndFloat.Value, params.Units).Unit())
		q := p.endFloat(ask)
		if err := p.invalid(); err != nil {
			return answer{}, err
		}
		chosen, err := endfloat.Choose(q)
		if err != nil {
			pointer := "/end_float"
			if errors.Is(err, endfloat.ErrStack) {
				pointer = "/stack"
			}
			return answer{}, problem.Invalid(faultOf(pointer, err))
		}
		out := EndFloatOut{Shims: []Length{}, Left: lengthOut(chosen.Left, unit), LeftU: micrometresOut(chosen.U, unit), Probability: probabilityOut(chosen.Probability), Sure: chosen.Sure,
			Source: "every set of up to six shims; JCGM 100; normal law", Explanation: explained(params.Explain, func() []derivation.Step { return q.Derivation(chosen) })}
		var texts []string
		for _, t := range chosen.Shims {
			out.Shims = append(out.Shims, lengthOut(t, unit))
			texts = append(texts, t.Text(ask.EndFloat.Value.Unit()))
		}
		p.shimmed(&out, chosen, strings.Join(texts, " + "))
		p.caution("hands", "Never feel for float with fingers between parts that a spring or a weight can move; take the load off first.")
		p.notApproval()
		out.Warnings, out.Cautions, out.Assumed = textsOut(p.warnings), textsOut(p.cautions), textsOut(p.assumed)
		return ok(out), nil
	})
}

func (p *workpiece) endFloat(ask EndFloatIn) endfloat.Question {
	_, u := p.doubtful("/end_float", ask.EndFloat, -20, 100, 0.01, 100)
	low, high := p.mm("/target_min", ask.TargetMin, 0, 100), p.mm("/target_max", ask.TargetMax, 0, 100)
	if low >= high {
		p.fault("/target_max", "must be more than target_min")
	}
	q := endfloat.Question{Float: ask.EndFloat.Value.Length(), U: u * 1000, Low: ask.TargetMin.Length(), High: ask.TargetMax.Length(), Probability: or(ask.Probability, 0.95)}
	q.ShimU = 1000 * p.optionalMM("/shim_u", ask.ShimU, 0, 10, 0.003)
	if ask.ShimU == nil {
		p.assume("assumed_shim_u", "Shims were taken to be known to 3 micrometres, as measured with a micrometer (common practice, no published source).")
	}
	for i, s := range ask.Stack {
		p.mm(fmt.Sprintf("/stack/%d/thickness", i), s.Thickness, 0.001, 20)
		q.Stack = append(q.Stack, endfloat.Size{Thickness: s.Thickness.Length(), Count: or(s.Count, 1)})
	}
	return q
}

func (p *workpiece) shimmed(out *EndFloatOut, c endfloat.Choice, shims string) {
	likely := fmt.Sprintf("in the target with %.1f times in 100", 100*out.Probability)
	switch {
	case len(c.Shims) == 0 && c.Sure:
		out.Summary = fmt.Sprintf("No shim is needed: %s is %s.", out.Left.Text, likely)
	case c.Sure:
		out.Summary = fmt.Sprintf("Put in %s; %s is left, %s.", shims, out.Left.Text, likely)
	case len(c.Shims) == 0:
		out.Summary = fmt.Sprintf("No set of these shims does it; without any %s is left, %s.", out.Left.Text, likely)
	default:
		out.Summary = fmt.Sprintf("No set of these shims is sure enough; the surest is %s, which leaves %s, %s.", shims, out.Left.Text, likely)
	}
	if !c.Sure {
		p.warn("not_sure", "Measure the float better, get shims of other thicknesses, or take metal off where the parts bind already.")
	}
	if len(c.Shims) > 3 {
		p.warn("many_shims", "More than three shims spring and gather dirt; grind one spacer to their sum (common practice).")
	}
}
