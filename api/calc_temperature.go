package api

import (
	"fmt"

	"github.com/labstack/echo/v4"

	"pinwright/internal/calc/uncertainty"
	"pinwright/internal/problem"
)

// CalcTemperature implements the contract.
func (s *Server) CalcTemperature(c echo.Context, params CalcTemperatureParams) error {
	return s.calculate(c, func(in *call) (answer, error) {
		ask := decode[TemperatureIn](in)
		if in.fault != nil {
			return answer{}, in.fault
		}
		thermal, assumed, faults := ask.thermal()
		if !measurable(ask.Length.Length()) {
			faults = append(faults, problem.Fault{Pointer: "/length", Detail: notMeasurable})
		}
		if len(faults) > 0 {
			return answer{}, problem.Invalid(faults...)
		}
		corrected, err := uncertainty.AtTwenty(ask.Length.Length(), thermal)
		if err != nil { // the contract bounds all that it looks at
			return answer{}, problem.Invalid(faultOf("/length", err))
		}
		read := shownIn(ask.Length, params.Units)
		unit := string(read.Unit())
		budget := budgetOut(corrected.Budget, 1000/float64(read.Unit().Length()))
		out := TemperatureOut{Read: entered(read), At20: micrometresOut(corrected.Micrometre, unit), Correction: micrometresOut(corrected.Correction, unit),
			Text: corrected.Text(read.Unit()), Unit: Unit(unit),
			CombinedU: budget.CombinedU, EffectiveDegreesOfFreedom: budget.EffectiveDegreesOfFreedom, CoverageFactor: budget.CoverageFactor,
			Expanded: budget.Expanded, CoverageProbability: budget.CoverageProbability, Budget: budget.Budget,
			Source:  "ISO 1; JCGM 100:2008, annex H.1, with the terms of second order of H.1.7",
			Assumed: textsOut(append(assumed, corrected.Assumed...)), Warnings: textsOut(corrected.Warnings),
			Explanation: explained(params.Explain, corrected.Derivation)}
		out.Summary = fmt.Sprintf("%s as read is %s at 20 °C, a correction of %s.", out.Read.Text, out.Text, out.Correction.Text)
		return ok(out), nil
	})
}

// thermal is what was told of temperature, with what was assumed of how well it is known.
func (ask TemperatureIn) thermal() (t uncertainty.Thermal, assumed []uncertainty.Remark, faults []problem.Fault) {
	fault := func(pointer, detail string) { faults = append(faults, problem.Fault{Pointer: pointer, Detail: detail}) }
	read := func(at, u *float64, pointer string) *uncertainty.Estimate {
		if at == nil {
			if u != nil {
				fault(pointer+"_u", "belongs to a temperature; give "+pointer[1:]+"_celsius too, or leave it out")
			}
			return nil
		}
		if u == nil {
			u = pointerTo(uncertainty.Standard(uncertainty.Rectangular, thermometerHalfWidth))
			assumed = append(assumed, assumedThermometer)
		}
		return &uncertainty.Estimate{Value: *at, U: *u}
	}
	t.Temperature = read(ask.TemperatureCelsius, ask.TemperatureU, "/temperature")
	t.InstrumentTemperature = read(ask.InstrumentTemperatureCelsius, ask.InstrumentTemperatureU, "/instrument_temperature")
	if t.InstrumentTemperature != nil && t.Temperature == nil {
		fault("/temperature_celsius", "is needed beside the instrument's; the two together tell their difference")
	}
	expansion := func(m *Material, number, u *float64, pointer string) *uncertainty.Estimate {
		switch {
		case m != nil && number != nil:
			fault(pointer+"_expansion", "stands in place of the material; give one of the two")
		case number == nil && u != nil:
			fault(pointer+"_expansion_u", "belongs to an expansion in numbers; give "+pointer[1:]+"_expansion too, or leave it out")
		case m != nil:
			e, err := uncertainty.Expansion(uncertainty.Material(*m))
			if err != nil {
				faults = append(faults, faultOf(pointer+"_material", err))
				return nil
			}
			return &e
		case number != nil && u != nil:
			return &uncertainty.Estimate{Value: *number * 1e-6, U: *u * 1e-6}
		case number != nil:
			assumed = append(assumed, uncertainty.Remark{Code: "assumed_expansion_u", Text: "Expansions given in numbers were taken as known to 1 millionth per kelvin, one standard deviation (common practice, no published source)."})
			return expansionOf(number)
		}
		return nil
	}
	t.Expansion = expansion(ask.WorkpieceMaterial, ask.WorkpieceExpansion, ask.WorkpieceExpansionU, "/workpiece")
	t.InstrumentExpansion = expansion(ask.InstrumentMaterial, ask.InstrumentExpansion, ask.InstrumentExpansionU, "/instrument")
	return t, assumed, faults
}
