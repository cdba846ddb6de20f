package api

import (
	"fmt"
	"math"
	"strings"

	"github.com/labstack/echo/v4"

	"pinwright/internal/calc/derivation"
	"pinwright/internal/calc/length"
	"pinwright/internal/calc/uncertainty"
	"pinwright/internal/problem"
)

// CalcUncertainty implements the contract.
func (s *Server) CalcUncertainty(c echo.Context, params CalcUncertaintyParams) error {
	return s.calculate(c, func(in *call) (answer, error) {
		ask := decode[UncertaintyIn](in)
		if in.fault != nil {
			return answer{}, in.fault
		}
		if faults := ask.check(); len(faults) > 0 {
			return answer{}, problem.Invalid(faults...)
		}
		if ask.Inputs == nil {
			return readingBudget(ask, shownIn(*ask.Value, params.Units).Unit(), params.Explain)
		}
		if params.Units != nil {
			return answer{}, problem.Invalid(problem.Fault{Pointer: "?units", Detail: "belongs to one reading; inputs keep the units that they have, so leave it out"})
		}
		return generalBudget(*ask.Inputs, params.Explain)
	})
}

// check finds whether one of the two forms was sent, whole and alone.
func (ask UncertaintyIn) check() []problem.Fault {
	if ask.Inputs == nil {
		return ask.checkReading()
	}
	var faults []problem.Fault
	for _, field := range []struct {
		name  string
		given bool
	}{
		{"value", ask.Value != nil}, {"with", ask.With != nil}, {"shape", ask.Shape != nil}, {"resolution", ask.Resolution != nil},
		{"repeatability", ask.Repeatability != nil}, {"calibration", ask.Calibration != nil}, {"temperature_celsius", ask.TemperatureCelsius != nil},
		{"workpiece_expansion", ask.WorkpieceExpansion != nil}, {"instrument_expansion", ask.InstrumentExpansion != nil},
	} {
		if field.given {
			faults = append(faults, problem.Fault{Pointer: "/" + field.name, Detail: "belongs to one reading; leave it out, or leave out inputs"})
		}
	}
	return faults
}

func (ask UncertaintyIn) checkReading() []problem.Fault {
	var faults []problem.Fault
	fault := func(pointer, detail string) { faults = append(faults, problem.Fault{Pointer: pointer, Detail: detail}) }
	switch {
	case ask.Value == nil && ask.With == nil:
		fault("/value", "is needed for one reading, with the method as with; or give inputs for a general budget")
	case ask.Value == nil:
		fault("/value", "is needed: what was read, such as \"9.12 mm\"")
	case !measurable(ask.Value.Length()):
		fault("/value", notMeasurable)
	case ask.With == nil:
		fault("/with", "is needed: say what it was read with, such as caliper")
	case *ask.With == MethodPinGauge || *ask.With == MethodPlugGauge:
		fault("/with", "a gauge goes or does not go, it reads no value; POST /v1/calc/clean-up takes gauged readings")
	}
	longest := length.Limit
	if ask.Value != nil {
		longest = ask.Value.Length()
	}
	for _, part := range []struct {
		pointer string
		q       *LengthIn
		least   length.Length
	}{
		{"/resolution", ask.Resolution, 1}, {"/repeatability", ask.Repeatability, 0},
	} {
		if part.q != nil && (part.q.Length() < part.least || part.q.Length() > longest) {
			fault(part.pointer, "must not be below 0 nor beyond what was read; is the unit right?")
		}
	}
	if ask.Calibration != nil {
		if u := ask.Calibration.ExpandedUncertainty.Length(); u < 0 || u > longest {
			fault("/calibration/expanded_uncertainty", "must not be below 0 nor beyond what was read; is the unit right?")
		}
	}
	return faults
}

// measurable is what a garage can measure; the calculations hold for it and
// refuse slips of unit beyond.
func measurable(l length.Length) bool { return l >= 100_000 && l <= 1_000_000_000 }

const notMeasurable = "must be a diameter from 0.1 mm to 1 m; is the unit right?"

// method is the method of the calculation; a plug gauge is a pin gauge with a handle.
func (m Method) method() uncertainty.Method {
	if m == MethodPlugGauge {
		return uncertainty.PinGauge
	}
	return uncertainty.Method(m)
}

// usualShape is what a method is for, when nobody said what was measured.
func (m Method) usualShape() uncertainty.Shape {
	if m == MethodMicrometer {
		return uncertainty.Pin
	}
	return uncertainty.Bore
}

// What is believed of the numbers that people note; common practice, no published
// source. A garage thermometer is within 1 K, an alloy's expansion known to about 1e-6.
const (
	thermometerHalfWidth = 1
	expansionU           = 1e-6
	expansionDoF         = 8
)

var assumedThermometer = uncertainty.Remark{Code: "assumed_thermometer", Params: []uncertainty.Param{{Name: "half_width", Value: thermometerHalfWidth, Unit: "K"}},
	Text: "The temperature was taken as right to 1 K either way (common practice, no published source)."}

func readingBudget(ask UncertaintyIn, unit length.Unit, explain *bool) (answer, error) {
	reading := uncertainty.Reading{Read: ask.Value.Length(), Method: ask.With.method(), Shape: ask.With.usualShape()}
	var assumed []uncertainty.Remark
	if ask.Shape != nil {
		reading.Shape = uncertainty.Shape(*ask.Shape)
	} else {
		assumed = append(assumed, uncertainty.Remark{Code: "assumed_shape", Text: fmt.Sprintf("A %s was assumed to have been measured.", reading.Shape)})
	}
	if ask.Resolution != nil {
		reading.Instrument.Resolution = ask.Resolution.Length().Micrometres()
	}
	if ask.Repeatability != nil {
		reading.Instrument.Study = &uncertainty.Study{Repeatability: ask.Repeatability.Length().Micrometres(), RepeatabilityDoF: uncertainty.Infinite}
		assumed = append(assumed, uncertainty.Remark{Code: "assumed_repeatability_known", Text: "The repeatability was taken as one standard deviation, well known."})
	}
	if c := ask.Calibration; c != nil {
		reading.Instrument.Calibration = &uncertainty.Calibration{
			Expanded: c.ExpandedUncertainty.Length().Micrometres(), K: or(c.CoverageFactor, 0), Lapsed: or(c.Lapsed, false)}
	}
	if t := ask.TemperatureCelsius; t != nil {
		reading.Thermal.Temperature = &uncertainty.Estimate{Value: *t, U: uncertainty.Standard(uncertainty.Rectangular, thermometerHalfWidth)}
		assumed = append(assumed, assumedThermometer)
	}
	reading.Thermal.Expansion = expansionOf(ask.WorkpieceExpansion)
	reading.Thermal.InstrumentExpansion = expansionOf(ask.InstrumentExpansion)
	result, err := uncertainty.Measure(reading)
	if err != nil {
		// Every other input was checked before: what is left is the method and shape.
		return answer{}, problem.Invalid(faultOf("/with", err))
	}
	micrometre := 1000 / float64(unit.Length())
	out := budgetOut(result.Budget, micrometre)
	value := micrometresOut(result.Value.Micrometres(), string(unit))
	text := result.Text(unit)
	out.Value, out.Text, out.Unit = &value, &text, pointerTo(Unit(unit))
	out.Explanation = explained(explain, func() []derivation.Step { return result.Derivation() })
	out.Assumed, out.Warnings = textsOut(append(assumed, result.Assumed...)), textsOut(result.Warnings)
	out.Source = "JCGM 100:2008, clauses 4 and 5 and annex G; ISO 1 for the temperature"
	out.Summary = fmt.Sprintf("The %s measures %s, about %.0f times in 100.", reading.Shape, text, 100*result.Budget.Coverage)
	return ok(out), nil
}

func expansionOf(perMillion *float64) *uncertainty.Estimate {
	if perMillion == nil {
		return nil
	}
	return &uncertainty.Estimate{Value: *perMillion * 1e-6, U: expansionU, DoF: expansionDoF}
}

func generalBudget(inputs []BudgetInputIn, explain *bool) (answer, error) {
	list := make([]uncertainty.Input, len(inputs))
	for i, in := range inputs {
		list[i] = uncertainty.Input{Name: in.Name, U: in.U, Sensitivity: or(in.Sensitivity, 1), DoF: or(in.DegreesOfFreedom, uncertainty.Infinite)}
	}
	budget, err := uncertainty.Combine(list, uncertainty.Coverage)
	if err != nil {
		return answer{}, problem.Invalid(faultOf("/inputs", err))
	}
	out := budgetOut(budget, 1)
	out.Explanation = explained(explain, func() []derivation.Step { return budget.Derivation("1") })
	out.Assumed, out.Warnings = []Text{{Code: "assumed_uncorrelated", Text: "The inputs were taken as uncorrelated; choose them so."}}, []Text{}
	out.Source = "JCGM 100:2008, 5.1.2 and annex G"
	out.Summary = budgetSummary(out)
	return ok(out), nil
}

// budgetOut shows a budget, each of its numbers times scale.
func budgetOut(b uncertainty.Budget, scale float64) UncertaintyOut {
	out := UncertaintyOut{
		CombinedU: significant(b.U * scale), CoverageFactor: significant(b.K), Expanded: significant(b.Expanded * scale),
		CoverageProbability: b.Coverage, Budget: make([]BudgetShare, len(b.Lines)),
	}
	if b.DoF <= mostDoF {
		out.EffectiveDegreesOfFreedom = pointerTo(int(math.Max(1, math.Floor(b.DoF*(1+1e-12)))))
	}
	for i, line := range b.Lines {
		share := BudgetShare{Source: line.Name, Contribution: significant(line.Contribution * scale), Shared: line.Part == uncertainty.Shared}
		if !math.IsInf(line.DoF, 0) {
			share.DegreesOfFreedom = pointerTo(line.DoF)
		}
		out.Budget[i] = share
	}
	return out
}

// mostDoF is where Student's law no longer differs from the normal one.
const mostDoF = 1e6

func budgetSummary(out UncertaintyOut) string {
	var s strings.Builder
	fmt.Fprintf(&s, "Combined standard uncertainty %.4g", out.CombinedU)
	if out.EffectiveDegreesOfFreedom != nil {
		fmt.Fprintf(&s, " with %d effective degrees of freedom", *out.EffectiveDegreesOfFreedom)
	}
	fmt.Fprintf(&s, "; expanded %.4g (k = %.2f, about %.0f %%).", out.Expanded, out.CoverageFactor, 100*out.CoverageProbability)
	return s.String()
}
