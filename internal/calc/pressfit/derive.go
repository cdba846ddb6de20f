package pressfit

import (
	"math"

	"pinwright/internal/calc/derivation"
)

const rings = "Lamé 1852, plane stress, in any book on machine elements"

// Derivation tells how a joint's numbers follow, step by step, at an interference in
// mm for which Fit has an answer; parameters are Fit's. It is empty for a joint that
// Fit refuses.
func Derivation(pin, hub Part, diameter, length, interference float64, friction Friction, safety float64) []derivation.Step {
	r, err := Fit(pin, hub, diameter, length, interference, friction, safety)
	if err != nil {
		return nil
	}
	num := derivation.Number
	d, out, in := num("d", "diameter of the joint", diameter, "mm"), num("D_o", "outside of the hub", hub.Outer, "mm"), num("D_i", "bore of the pin, 0 when solid", pin.Inner, "mm")
	ch := num("C_h", "form of the hub", (hub.Outer*hub.Outer+diameter*diameter)/(hub.Outer*hub.Outer-diameter*diameter), "1")
	cs := num("C_s", "form of the pin", (diameter*diameter+pin.Inner*pin.Inner)/(diameter*diameter-pin.Inner*pin.Inner), "1")
	eh, nh := num("E_h", "modulus of the hub", hub.Material.Elastic, "MPa"), num("nu_h", "Poisson's ratio of the hub", hub.Material.Poisson, "1")
	es, ns := num("E_s", "modulus of the pin", pin.Material.Elastic, "MPa"), num("nu_s", "Poisson's ratio of the pin", pin.Material.Poisson, "1")
	k := num("K", "how far both give way", (ch.Value+nh.Value)/eh.Value+(cs.Value-ns.Value)/es.Value, "1/MPa")
	delta, p := num("delta", "interference as it works", interference, "mm"), num("p", "pressure", r.Pressure, "MPa")
	mu, l := num("mu", "friction, high", friction.High, "1"), num("L", "length", length, "mm")
	force := num("F", "force to push in", r.Force, "N")
	hoop := num("sigma_h", "hoop stress in the hub's bore", r.HubBore.Hoop, "MPa")
	steps := []derivation.Step{
		{Name: "form of the hub", Formula: "C_h = (D_o^2 + d^2) / (D_o^2 - d^2)", Inputs: []derivation.Value{out, d}, Result: ch, Source: rings},
		{Name: "form of the pin", Formula: "C_s = (d^2 + D_i^2) / (d^2 - D_i^2)", Inputs: []derivation.Value{d, in}, Result: cs, Source: rings},
		{Name: "how far both give way", Formula: "K = (C_h + nu_h) / E_h + (C_s - nu_s) / E_s", Inputs: []derivation.Value{ch, nh, eh, cs, ns, es}, Result: k, Source: rings},
		{Name: "pressure", Formula: "p = delta / (d K)", Inputs: []derivation.Value{delta, d, k}, Result: p, Source: rings},
		{Name: "hoop stress in the hub's bore", Formula: "sigma_h = p C_h", Inputs: []derivation.Value{p, ch}, Result: hoop, Source: rings},
		{Name: "force to push in", Formula: "F = mu p pi d L", Inputs: []derivation.Value{mu, p, d, l}, Values: []derivation.Value{num("A", "face", math.Pi*diameter*length, "mm2")}, Result: force, Source: "friction after Coulomb"},
		{Name: "torque it takes with that friction", Formula: "T = F d / 2", Inputs: []derivation.Value{force, d}, Result: num("T", "torque", r.Torque, "N.mm"), Source: "friction after Coulomb"},
	}
	return append(steps, r.stressSteps(pin, hub, hoop, safety)...)
}

func (r Result) stressSteps(pin, hub Part, hoop derivation.Value, safety float64) []derivation.Step {
	num := derivation.Number
	s := num("S", "safety", safety, "1")
	var out []derivation.Step
	if hub.Material.Yield > 0 {
		step := derivation.Step{Name: "use of the hub", Formula: "n_h = (sigma_h + p) S / R_h", Source: "Tresca: greatest difference of principal stresses",
			Inputs: []derivation.Value{hoop, num("p", "pressure", r.Pressure, "MPa"), s, num("R_h", "yield stress of the hub", hub.Material.Yield, "MPa")}, Result: num("n_h", "use of the hub, 1 is just allowed", r.HubUse, "1")}
		if hub.Material.Brittle {
			step.Formula, step.Source = "n_h = sigma_h S / R_h", "greatest pull, for a material that breaks before it yields"
			step.Inputs = []derivation.Value{hoop, s, num("R_h", "tensile strength of the hub", hub.Material.Yield, "MPa")}
		}
		out = append(out, step)
	}
	if pin.Material.Yield > 0 && !pin.Material.Brittle {
		out = append(out, derivation.Step{Name: "use of the pin", Formula: "n_s = tau_s S / R_s", Source: "Tresca: greatest difference of principal stresses; at the bore, solid at the axis",
			Inputs: []derivation.Value{num("tau_s", "equivalent stress", math.Max(r.PinInside.Tresca(), r.PinSurface.Tresca()), "MPa"), s, num("R_s", "yield stress of the pin", pin.Material.Yield, "MPa")},
			Result: num("n_s", "use of the pin, 1 is just allowed", r.PinUse, "1")})
	}
	return out
}
