package api

import (
	"errors"
	"fmt"
	"math"

	"github.com/labstack/echo/v4"

	"pinwright/internal/calc/derivation"
	"pinwright/internal/calc/pressfit"
	"pinwright/internal/calc/shrinkfit"
	"pinwright/internal/calc/uncertainty"
	"pinwright/internal/problem"
)

// CalcShrinkFit implements the contract.
func (s *Server) CalcShrinkFit(c echo.Context, params CalcShrinkFitParams) error {
	return s.calculate(c, func(in *call) (answer, error) {
		ask := decode[ShrinkFitIn](in)
		if in.fault != nil {
			return answer{}, in.fault
		}
		var p workpiece
		unit := shownIn(ask.Diameter, params.Units).Unit()
		j := p.shrinkJoint(ask)
		if err := p.invalid(); err != nil {
			return answer{}, err
		}
		hub, pin := p.present(ask)
		ways, err := shrinkfit.Ways(j, hub, pin, or(ask.PinTemperatureCelsius, math.NaN()))
		if err != nil {
			pointer := "/diameter"
			if errors.Is(err, shrinkfit.ErrName) {
				pointer = "/hub_has"
			}
			return answer{}, problem.Invalid(faultOf(pointer, err))
		}
		p.shrinkCautions()
		out := ShrinkFitOut{Clearance: mmOut(j.Clearance, unit), Ways: []ShrinkWay{}, Summary: shrinkSummary(ways), Source: "linear expansion; temperatures of harm as named in each",
			Warnings: textsOut(p.warnings), Cautions: textsOut(p.cautions), Assumed: textsOut(p.assumed),
			Explanation: explained(params.Explain, func() []derivation.Step { return j.Derivation(ways[0]) })}
		for _, w := range ways {
			out.Ways = append(out.Ways, ShrinkWay{PinCooledBy: ShrinkWayPinCooledBy(w.Cold), PinCelsius: w.Pin, HubCelsius: math.Ceil(w.Hub), Acceptable: w.Acceptable,
				Harms: textsOut(append(harms("hub", w.HubLimits), harms("pin", w.PinLimits)...))})
		}
		return ok(out), nil
	})
}

func (p *workpiece) shrinkJoint(ask ShrinkFitIn) shrinkfit.Joint {
	j := shrinkfit.Joint{Hole: p.mm("/diameter", ask.Diameter, 0.1, 1000)}
	if math.IsNaN(j.Hole) {
		return j
	}
	j.Interference = p.mm("/interference", ask.Interference, 0, j.Hole/100)
	j.Clearance = p.optionalMM("/clearance", ask.Clearance, 0, j.Hole/50, shrinkfit.Clearance(j.Hole))
	if ask.Clearance == nil {
		p.assume("assumed_clearance", "A clearance of a thousandth of the diameter, at least 10 micrometres, was taken for joining by hand (from memory, DIN 7190; common practice).")
	}
	j.HubExpansion = p.expansion("hub", ask.HubMaterial, ask.HubExpansion)
	j.PinExpansion = p.expansion("pin", ask.PinMaterial, ask.PinExpansion)
	p.assume("assumed_cold", "In the cold three quarters of the coefficient at room temperature were taken (from memory, DIN 7190).")
	return j
}

func (p *workpiece) expansion(part string, name *PressMaterial, given *float64) float64 {
	if given != nil {
		return *given * 1e-6
	}
	m, err := pressfit.ByName(string(or(name, "steel_mild")))
	if err != nil {
		p.faults = append(p.faults, faultOf("/"+part+"_material", err))
	}
	p.assume("assumed_expansion_"+part, fmt.Sprintf("The %s was taken to grow as %s does, %.3g millionths per kelvin.", part, m.Name, m.Expansion*1e6))
	return m.Expansion
}

// present is what harm is looked for on hub and pin; of a pin and hub of which
// nothing was said, bare steel.
func (p *workpiece) present(ask ShrinkFitIn) (hub, pin []string) {
	named := func(list *[]ShrinkPresence, part string) []string {
		if list == nil {
			p.assume("assumed_bare_"+part, "The "+part+" was taken as bare steel with nothing on it that heat or cold harms; name what it has.")
			return []string{"bare_steel"}
		}
		return each(*list, func(n ShrinkPresence) string { return string(n) })
	}
	return named(ask.HubHas, "hub"), named(ask.PinHas, "pin")
}

func harms(part string, list []shrinkfit.Limit) []uncertainty.Remark {
	var out []uncertainty.Remark
	for _, l := range list {
		way := "above"
		if l.Cold {
			way = "below"
		}
		out = append(out, uncertainty.Remark{Code: part + "_" + l.Name, Params: []uncertainty.Param{{Name: "celsius", Value: l.Celsius, Unit: "Cel"}},
			Text: fmt.Sprintf("Of the %s: %s %.0f °C %s (%s).", part, way, l.Celsius, l.Why, l.Source)})
	}
	return out
}

func (p *workpiece) shrinkCautions() {
	p.caution("heat", "Hot metal looks cold: wear gloves, keep fuel lines, tanks, wiring, sound deadening and rags away, have an extinguisher at hand and look again after an hour.")
	p.caution("fumes", "Never heat zinc or cadmium plating, galvanised parts or paint with a flame: the fumes make ill, those of cadmium can kill. Take the coating off first, outdoors.")
	p.caution("cold", "Dry ice and liquid nitrogen burn skin and drive the air out of closed rooms: gloves and face shield, open doors, never a closed container, never in a car.")
	p.caution("quick", "A small part changes its temperature in seconds. Rehearse dry, join in one movement, and never strike a cold pin.")
	p.notApproval()
}

func shrinkSummary(ways []shrinkfit.Way) string {
	for _, w := range ways {
		if !w.Acceptable {
			continue
		}
		if w.Hub <= shrinkfit.Room {
			return fmt.Sprintf("With the pin at %.0f °C it drops in without heating the hub.", w.Pin)
		}
		return fmt.Sprintf("Heat the whole hub to %.0f °C with the pin at %.0f °C.", math.Ceil(w.Hub), w.Pin)
	}
	w := ways[0]
	return fmt.Sprintf("No way harms nothing: with the pin at %.0f °C the hub would need %.0f °C. Press it in, or choose less interference.", w.Pin, math.Ceil(w.Hub))
}
