package api

import (
	"errors"
	"fmt"
	"math"

	"github.com/labstack/echo/v4"

	"pinwright/internal/calc/derivation"
	"pinwright/internal/calc/length"
	"pinwright/internal/calc/pressfit"
	"pinwright/internal/problem"
)

// CalcPressFit implements the contract.
func (s *Server) CalcPressFit(c echo.Context, params CalcPressFitParams) error {
	return s.calculate(c, func(in *call) (answer, error) {
		ask := decode[PressFitIn](in)
		if in.fault != nil {
			return answer{}, in.fault
		}
		j := &pressJoint{unit: shownIn(ask.Diameter, params.Units).Unit()}
		pin := or(ask.Pin, PressPinIn{})
		if or(pin.Surface, "plain") != "plain" {
			return j.knurled(ask, params.Explain)
		}
		if ask.Pressings != nil {
			j.fault("/pressings", "are for knurled and splined pins; say so with pin surface knurled or splined, or leave them out")
		}
		j.read(ask, pin)
		if err := j.invalid(); err != nil {
			return answer{}, err
		}
		return j.elastic(params.Explain)
	})
}

const pressFitSource = "thick cylinders after Lamé, plane stress; roughness by DIN 7190 as quoted"

// pressJoint is the question in millimetres.
type pressJoint struct {
	workpiece
	unit                                          length.Unit
	pin, hub                                      pressfit.Part
	diameter, length, interference, u, loss, safe float64
	friction                                      pressfit.Friction
}

func (j *pressJoint) read(ask PressFitIn, pin PressPinIn) {
	j.readSizes(ask)
	d := j.diameter
	if math.IsNaN(d) {
		return
	}
	j.hub.Outer = j.mm("/hub/outside", ask.Hub.Outside, 1.001*d, math.Min(100*d, 10_000))
	j.pin.Inner = j.optionalMM("/pin/bore", pin.Bore, 0, 0.999*d, 0)
	j.hub.OpenSeam = or(ask.Hub.OpenSeam, false)
	j.pin.Material = j.material("/pin", "pin", pin.Material, pin.ElasticMpa, pin.Poisson, pin.StrengthMpa)
	j.hub.Material = j.material("/hub", "hub", ask.Hub.Material, ask.Hub.ElasticMpa, ask.Hub.Poisson, ask.Hub.StrengthMpa)
	j.friction = j.frictionOf(ask.State, ask.Friction)
	j.safe = or(ask.Safety, 1.3)
	if ask.Safety == nil {
		j.assume("assumed_safety", "A safety of 1.3 against strength was taken (common practice, no published source); cast iron wants 2 to 3.")
	}
	j.readRoughness(ask, pin)
}

func (j *pressJoint) readSizes(ask PressFitIn) {
	j.diameter = j.mm("/diameter", ask.Diameter, 0.1, 1000)
	j.length = j.mm("/length", ask.Length, 0.1, 10_000)
	if math.IsNaN(j.diameter) {
		return
	}
	j.interference = j.mm("/interference", ask.Interference, 1e-6, j.diameter/100)
	j.u = j.optionalMM("/interference_u", ask.InterferenceU, 1e-6, j.diameter/100, 0)
}

func (j *pressJoint) material(at, part string, name *PressMaterial, elastic, poisson, strength *float64) pressfit.Material {
	m, err := pressfit.ByName(string(or(name, "steel_mild")))
	if err != nil {
		j.faults = append(j.faults, faultOf(at+"/material", err))
	}
	if elastic == nil || poisson == nil || strength == nil {
		j.assume("assumed_material_"+part, fmt.Sprintf("The %s was taken as %s: %.0f MPa modulus, %.2f Poisson's ratio, %.0f MPa strength (%s). The part's own grade may be weaker or stronger.",
			part, m.Name, or(elastic, m.Elastic), or(poisson, m.Poisson), or(strength, m.Yield), m.Source))
	}
	m.Elastic, m.Poisson, m.Yield = or(elastic, m.Elastic), or(poisson, m.Poisson), or(strength, m.Yield)
	return m
}

func (p *workpiece) frictionOf(state *PressFitInState, given *FrictionIn) pressfit.Friction {
	if given != nil {
		if given.Low > given.High {
			p.fault("/friction/low", "must not be above high")
		}
		return pressfit.Friction{Low: given.Low, High: given.High}
	}
	f := pressfit.Oiled
	if or(state, "oiled") == "dry" {
		f = pressfit.Dry
	}
	p.assume("assumed_friction", fmt.Sprintf("Friction from %.2f to %.2f was taken for %s metal (common practice, no published source).", f.Low, f.High, or(state, "oiled")))
	return f
}

func (j *pressJoint) readRoughness(ask PressFitIn, pin PressPinIn) {
	const reamed, turned = 0.0063, 0.0063
	if pin.RoughnessRz == nil || ask.Hub.RoughnessRz == nil {
		j.assume("assumed_roughness", "Where no roughness was given, Rz 6.3 micrometres was taken, usual after reaming or fine turning (common practice, no published source).")
	}
	rzHub := j.optionalMM("/hub/roughness_rz", ask.Hub.RoughnessRz, 0, 0.1, reamed)
	rzPin := j.optionalMM("/pin/roughness_rz", pin.RoughnessRz, 0, 0.1, turned)
	factor := pressfit.LossDIN7190of2017
	if or(ask.RoughnessEdition, "2017") == "2001" {
		factor = pressfit.LossDIN7190of2001
	}
	if len(j.faults) > 0 {
		return
	}
	loss, err := pressfit.Loss(rzHub, rzPin, factor)
	if err != nil {
		j.faults = append(j.faults, faultOf("/hub/roughness_rz", err))
		return
	}
	if j.loss = loss; j.interference <= loss {
		j.fault("/interference", "must be more than roughness takes away, %s; measure roughness, or give a smoother one", mmOut(loss, j.unit).Text)
	}
}

func (j *pressJoint) elastic(explain *bool) (answer, error) {
	works := j.interference - j.loss
	law, err := pressfit.PerMicrometre(j.pin, j.hub, j.diameter, j.length, j.friction, j.safe)
	var r pressfit.Result
	if err == nil {
		r, err = law.At(works)
	}
	if err != nil {
		return answer{}, problem.Invalid(pressFault(err, j.loss, j.unit))
	}
	forces, err := law.Force(works, j.u, law.PerUM.Force)
	if err != nil {
		return answer{}, problem.Invalid(faultOf("/interference_u", err))
	}
	out := PressFitOut{Basis: "elasticity", ForceNewtons: significant(r.Force), Source: pressFitSource, Elastic: j.elasticOut(r, law)}
	low, high := r.Force*j.friction.Low/j.friction.High, r.Force
	if j.u > 0 {
		out.ForceNewtons = significant(forces.Mean)
		low, high = forces.Quantile(0.025)*j.friction.Low/j.friction.High, forces.Quantile(0.975)
		out.Elastic.LooseProbability = pointerTo(significant(forces.Loose))
		out.Elastic.OverstressedProbability = pointerTo(significant(forces.Overstressed))
		if forces.Loose > 0.05 {
			j.warn("may_be_loose", fmt.Sprintf("With %.0f times in 100 there is no interference left at all; use a larger pin or measure better.", 100*forces.Loose))
		}
		if forces.Overstressed > 0.05 {
			j.warn("may_be_overstressed", fmt.Sprintf("With %.0f times in 100 the stress is beyond what is allowed; use a smaller pin or measure better.", 100*forces.Overstressed))
		}
	}
	out.ForceLowNewtons, out.ForceHighNewtons = pointerTo(significant(low)), pointerTo(significant(high))
	if !r.Safe {
		j.warn("beyond_safety", fmt.Sprintf("The stress is beyond what is allowed with a safety of %.2g; at most %s of effective interference is within it.", j.safe, mmOut(law.Allowed, j.unit).Text))
	}
	j.pressingCautions()
	out.Explanation = explained(explain, func() []derivation.Step {
		return append([]derivation.Step{{Name: "interference as it works", Formula: "delta = delta_0 - loss", Source: "DIN 7190:2001 and DIN 7190-1:2017, as quoted in the manual of a bearing calculation",
			Inputs: []derivation.Value{derivation.Number("delta_0", "interference as measured", j.interference, "mm"), derivation.Number("loss", "what roughness takes", j.loss, "mm")},
			Result: derivation.Number("delta", "interference as it works", works, "mm")}},
			pressfit.Derivation(j.pin, j.hub, j.diameter, j.length, works, j.friction, j.safe)...)
	})
	out.Summary = fmt.Sprintf("Pushing it home takes up to %s; %s.", newtonsInWords(high), hardest(high))
	return j.finish(out, high), nil
}

func (j *pressJoint) finish(out PressFitOut, high float64) answer {
	out.ForceTonnes = significant(pressfit.Tonnes(high))
	out.Presses = []PressWay{}
	for _, p := range pressfit.Presses(high) {
		out.Presses = append(out.Presses, PressWay{Name: p.Name, GivesNewtons: p.Force, Enough: PressWayEnough(p.Enough)})
	}
	j.assume("assumed_presses", "What clamps and vices give by hand is common practice, no published source; presses give what is marked on them.")
	out.Warnings, out.Cautions, out.Assumed = textsOut(j.warnings), textsOut(j.cautions), textsOut(j.assumed)
	return ok(out)
}

// pressFault is an error of package pressfit at the field that can mend it. What is
// elastic is told as interference to be measured, roughness included.
func pressFault(err error, loss float64, unit length.Unit) problem.Fault {
	var plastic *pressfit.PlasticError
	switch {
	case errors.As(err, &plastic):
		does := "yields"
		if plastic.Brittle {
			does = "may crack"
		}
		return problem.Fault{Pointer: "/interference", Detail: fmt.Sprintf("is beyond the elastic range, for which alone there is an answer: the %s %s, %.0f MPa against %.0f MPa. Use at most %s, less with a safety.",
			plastic.Part, does, plastic.Stress, plastic.Limit, mmOut(plastic.Interference+loss, unit).Text)}
	case errors.Is(err, pressfit.ErrOpenSeam):
		return faultOf("/hub/open_seam", err)
	case errors.Is(err, pressfit.ErrShape):
		return faultOf("/hub/outside", err)
	case errors.Is(err, pressfit.ErrMaterial):
		return faultOf("/hub/material", err)
	}
	return faultOf("/interference", err)
}

func (j *pressJoint) elasticOut(r pressfit.Result, law pressfit.Law) *PressElastic {
	return &PressElastic{
		PressureMpa: significant(r.Pressure), HoldNewtons: significant(r.Hold), TorqueNewtonMetres: significant(r.Torque / 1000), HoldTorqueNewtonMetres: significant(r.HoldTorque / 1000),
		Stresses: PressStresses{HubBoreHoop: significant(r.HubBore.Hoop), HubBoreTresca: significant(r.HubBore.Tresca()), HubBoreMises: significant(r.HubBore.Mises()), HubOutsideHoop: significant(r.HubOutside.Hoop),
			PinSurfaceHoop: significant(r.PinSurface.Hoop), PinInsideHoop: significant(r.PinInside.Hoop), PinTresca: significant(math.Max(r.PinInside.Tresca(), r.PinSurface.Tresca())),
			PinMises: significant(math.Max(r.PinInside.Mises(), r.PinSurface.Mises())), HubUse: significant(r.HubUse), PinUse: significant(r.PinUse)},
		EffectiveInterference: mmOut(r.Interference, j.unit), RoughnessLoss: mmOut(j.loss, j.unit),
		HubBoreGrows: mmOut(r.HubBoreGrows, j.unit), HubOutsideGrows: mmOut(r.HubOutsideGrows, j.unit), PinCloses: mmOut(-r.PinGrows, j.unit), PinBoreCloses: mmOut(-r.PinBoreGrows, j.unit),
		WithinSafety: r.Safe, AllowedInterference: mmOut(math.Min(law.Allowed, j.diameter/100), j.unit), ElasticInterference: mmOut(math.Min(law.Elastic, j.diameter/100), j.unit),
		NewtonsPerMicrometre: significant(law.PerUM.Force),
	}
}

func (p *workpiece) pressingCautions() {
	p.caution("press", "Pressed parts can spring out: stand aside, wear eye protection, keep the pin in line and stop when the force runs away from what is told here.")
	p.caution("striking", "Never strike a hardened pin with a hard hammer: splinters fly. Support the leaf beside the boss.")
	p.notApproval()
}

func newtonsInWords(n float64) string {
	switch {
	case n >= 100_000:
		return fmt.Sprintf("%.0f kN (%.0f t)", n/1000, pressfit.Tonnes(n))
	case n >= 10_000:
		return fmt.Sprintf("%.1f kN (%.1f t)", n/1000, pressfit.Tonnes(n))
	}
	return fmt.Sprintf("%.0f N", n)
}

// hardest names the weakest way of pressing that surely does.
func hardest(force float64) string {
	for _, p := range pressfit.Presses(force) {
		if p.Enough == pressfit.Yes {
			return "the weakest that surely does it is a " + p.Name
		}
	}
	return "none of the usual presses surely does it"
}

// knurled answers by the pins that were pressed before.
func (j *pressJoint) knurled(ask PressFitIn, explain *bool) (answer, error) {
	crest := j.mm("/interference", ask.Interference, 0.001, 5) * 1000
	var list []pressfit.Pressing
	for i, p := range or(ask.Pressings, nil) {
		list = append(list, pressfit.Pressing{Crest: 1000 * j.mm(fmt.Sprintf("/pressings/%d/crest_interference", i), p.CrestInterference, 0.001, 5), Force: p.ForceNewtons})
	}
	if len(list) < 2 {
		j.fault("/pressings", "are needed, two or more: crests cut or swage their own seat, so no ring formula holds, and only pins of this kind pressed before tell the force")
	}
	if err := j.invalid(); err != nil {
		return answer{}, err
	}
	learned, err := pressfit.FromPressings(list)
	if err != nil {
		return answer{}, problem.Invalid(faultOf("/pressings", err))
	}
	middle, low, high, outside, err := learned.Next(crest, 0.95)
	if err != nil {
		return answer{}, problem.Invalid(faultOf("/interference", err))
	}
	if outside {
		j.warn("beyond_pressings", "No pin with so little or so much over the crests was pressed before; the force is drawn out from the others.")
	}
	if learned.Scatter == pressfit.LeastScatter {
		j.assume("assumed_scatter", "The pressings agree better than forces can be read; a scatter of a tenth was taken (common practice, no published source).")
	}
	j.pressingCautions()
	out := PressFitOut{Basis: "pressings", ForceNewtons: significant(middle), ForceLowNewtons: pointerTo(significant(low)), ForceHighNewtons: pointerTo(significant(high)),
		Source: "the pressings given; weighted least squares through the origin, Student's t"}
	out.Summary = fmt.Sprintf("By %d pins pressed before it takes about %s, and with 95 times in 100 no more than %s; %s.", learned.Number, newtonsInWords(middle), newtonsInWords(high), hardest(high))
	out.Explanation = explained(explain, func() []derivation.Step { return learned.Derivation(crest, 0.95) })
	return j.finish(out, high), nil
}
