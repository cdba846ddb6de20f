package api

import (
	"fmt"

	"github.com/labstack/echo/v4"

	"pinwright/internal/calc/derivation"
	"pinwright/internal/calc/honing"
	"pinwright/internal/problem"
)

// CalcHoning implements the contract.
func (s *Server) CalcHoning(c echo.Context, params CalcHoningParams) error {
	return s.calculate(c, func(in *call) (answer, error) {
		ask := decode[HoningIn](in)
		if in.fault != nil {
			return answer{}, in.fault
		}
		var p workpiece
		unit := shownIn(ask.Stock, params.Units).Unit()
		metal := or(ask.Metal, "steel")
		b := honing.Bore{Stock: 1000 * p.mm("/stock", ask.Stock, 1e-6, 5), Hardness: or(ask.HardnessHrc, 0),
			Ra: 1000 * p.optionalMM("/ra_wanted", ask.RaWanted, 1e-4, 5e-3, 0.8e-3), Before: 1000 * p.optionalMM("/ra_now", ask.RaNow, 1e-4, 50e-3, 1.6e-3),
			Soft: metal == "bronze" || metal == "aluminium", Porous: metal == "sintered", Lined: metal == "lined"}
		if err := p.invalid(); err != nil {
			return answer{}, err
		}
		a, err := honing.Advise(b)
		if err != nil {
			return answer{}, problem.Invalid(faultOf("/stock", err))
		}
		if ask.RaWanted == nil || ask.RaNow == nil {
			p.assume("assumed_finish", "Where no finish was given, Ra 0.8 micrometres wanted and Ra 1.6 now were taken (common practice, no published source).")
		}
		p.assume("assumed_grits", "Which grit leaves which finish, and where reamers end, is common practice, no published source.")
		if a.Short {
			p.warn("little_stock", "There is too little stock to remove the marks that are there; some will be left, or the bore becomes larger.")
		}
		p.caution("rotating_tool", "No gloves at a turning hone, clamp the part, keep the hone inside while it turns, and catch the swarf: grit ruins bearings and eyes.")
		p.notApproval()
		out := HoningOut{Method: HoningOutMethod(a.Method), Reasons: a.Reasons, Passes: []HoningPass{}, Source: "common practice, no published source",
			Warnings: textsOut(p.warnings), Cautions: textsOut(p.cautions), Assumed: textsOut(p.assumed),
			Explanation: explained(params.Explain, func() []derivation.Step { return b.Derivation(a) })}
		for _, pass := range a.Passes {
			out.Passes = append(out.Passes, HoningPass{Grit: pass.Grit, Stock: mmOut(pass.Stock/1000, unit), Ra: mmOut(pass.Ra/1000, unit)})
		}
		out.Summary = honingSummary(a, out.Passes)
		return ok(out), nil
	})
}

func honingSummary(a honing.Advice, passes []HoningPass) string {
	text := map[honing.Method]string{honing.Ream: "Ream it.", honing.Hone: "Hone it.", honing.Either: "Ream or hone it.", honing.BoreFirst: "Have it hard turned or ground, then hone it.", honing.Neither: "Do not cut it."}[a.Method]
	for i, p := range passes {
		word := " Then"
		if i == 0 {
			word = " Honing: first"
		}
		text += fmt.Sprintf("%s grit %d for %s.", word, p.Grit, p.Stock.Text)
	}
	return text
}
