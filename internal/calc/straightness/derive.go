package straightness

import "pinwright/internal/calc/derivation"

// Derivation tells how the virtual size of a Result comes about, and the clearance in a
// bore when one is given.
func (r Result) Derivation(bore *Estimate) []derivation.Step {
	num := derivation.Number
	largest, bow := num("d_max", "largest size", r.Largest, "mm"), num("b", "what the bend adds over the engaged length", r.Bow, "mm")
	virtual := num("V", "virtual size", r.Virtual.Value, "mm")
	steps := []derivation.Step{{Name: "virtual size", Formula: "V = d_max + b", Inputs: []derivation.Value{largest, bow}, Result: virtual,
		Source: "Taylor's principle, ISO 286-1 envelope; virtual condition, ISO 2692"}}
	if bore == nil {
		return steps
	}
	left := num("c", "clearance", bore.Value-r.Virtual.Value, "mm")
	return append(steps, derivation.Step{Name: "clearance", Formula: "c = B - V", Inputs: []derivation.Value{num("B", "passing size of the bore", bore.Value, "mm"), virtual}, Result: left, Source: "geometry"},
		derivation.Step{Name: "probability that it passes", Formula: "P = Phi(c / sqrt(u_B^2 + u_V^2))", Source: "JCGM 106:2012, 7.2, normal law",
			Inputs: []derivation.Value{left, num("u_B", "standard uncertainty of the bore", bore.U, "mm"), num("u_V", "of the virtual size", r.Virtual.U, "mm")},
			Result: num("P", "probability that it passes", r.Passes(*bore), "1")})
}
