package api

import (
	"fmt"

	"github.com/labstack/echo/v4"

	"pinwright/internal/calc/coating"
	"pinwright/internal/calc/derivation"
	"pinwright/internal/problem"
)

// CalcCoating implements the contract.
func (s *Server) CalcCoating(c echo.Context, params CalcCoatingParams) error {
	return s.calculate(c, func(in *call) (answer, error) {
		ask := decode[CoatedIn](in)
		if in.fault != nil {
			return answer{}, in.fault
		}
		var p workpiece
		unit := string(shownIn(ask.Clearance.Value, params.Units).Unit())
		clearance, u := p.doubtful("/clearance", ask.Clearance, -10, 10, 0.005, 10)
		needed := p.optionalMM("/needed", ask.Needed, 0, 10, 0)
		if ask.Pin == nil && ask.Bore == nil {
			p.fault("/pin", "is needed, or bore, or both: what is coated?")
		}
		pin, bore := p.coat("/pin", ask.Pin, false), p.coat("/bore", ask.Bore, true)
		if err := p.invalid(); err != nil {
			return answer{}, err
		}
		left, err := coating.Leave(clearance*1000, u*1000, needed*1000, pin, bore)
		if err != nil {
			return answer{}, problem.Invalid(faultOf("/clearance", err))
		}
		out := CoatedOut{TakenLeast: micrometresOut(left.Low, unit), TakenMost: micrometresOut(left.High, unit), Left: micrometresOut(left.Mean, unit), LeftU: micrometresOut(left.U, unit),
			EnoughProbability: probabilityOut(left.Enough), ClearanceToMake: micrometresOut(needed*1000+left.High, unit), Source: "twice the thickness on each surface; ranges as named in assumed",
			Explanation: explained(params.Explain, func() []derivation.Step {
				return coating.Derivation(clearance*1000, u*1000, needed*1000, pin, bore)
			})}
		out.Summary = fmt.Sprintf("Coating takes %s to %s of the clearance and leaves about %s; that is enough %s. To be sure, make the clearance %s before coating.",
			out.TakenLeast.Text, out.TakenMost.Text, out.Left.Text, chanceInWords(left.Enough), out.ClearanceToMake.Text)
		if left.Enough < 0.95 {
			p.warn("may_bind", "Mask the bearing faces, or make more clearance before coating; scraping a coating off afterwards leaves it unprotected.")
		}
		p.caution("stripping", "Stripping and plating baths are acid or worse: leave them to a shop. Never heat or grind cadmium or zinc without extraction.")
		p.caution("hydrogen", "Hardened pins and springs become brittle by hydrogen in electroplating and may break days later: have them baked at once, or do not plate them.")
		p.notApproval()
		out.Warnings, out.Cautions, out.Assumed = textsOut(p.warnings), textsOut(p.cautions), textsOut(p.assumed)
		return ok(out), nil
	})
}

// coat is what a coating takes on one surface; nothing where there is none.
func (p *workpiece) coat(at string, in *CoatingIn, bore bool) coating.Range {
	switch {
	case in == nil:
		return coating.Range{}
	case in.Kind != nil && (in.Least != nil || in.Most != nil):
		p.fault(at+"/kind", "goes without least and most; send one or the other")
	case in.Kind != nil:
		k, err := coating.ByName(string(*in.Kind))
		if err != nil {
			p.faults = append(p.faults, faultOf(at+"/kind", err))
			return coating.Range{}
		}
		p.assume("assumed_thickness_"+at[1:], fmt.Sprintf("For %s %.0f to %.0f micrometres were taken on the %s (%s).", k.Name, k.Low, k.High, at[1:], k.Source))
		return k.Range(bore)
	case in.Least == nil || in.Most == nil:
		p.fault(at+"/most", "is needed with least, or give the kind")
	default:
		r, err := coating.Thickness(1000*p.mm(at+"/least", *in.Least, 0, 2), 1000*p.mm(at+"/most", *in.Most, 0, 2))
		if err != nil && len(p.faults) == 0 {
			p.faults = append(p.faults, faultOf(at+"/most", err))
		}
		return r
	}
	return coating.Range{}
}
