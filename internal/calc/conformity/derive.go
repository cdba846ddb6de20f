package conformity

import (
	"pinwright/internal/calc/derivation"
)

// Derivation tells how the verdict on a value y with standard uncertainty u came about, in
// the unit of the tolerance, a UCUM code.
func (v Verdict) Derivation(t Tolerance, y, u, risk float64, unit string) []derivation.Step {
	n := derivation.Number
	inputs := append(t.values(unit), n("y", "measured value", y, unit), n("u", "standard uncertainty", u, unit))
	below, above := n("P_L", "probability of being below the lower limit", v.Below, "1"), n("P_U", "probability of being above the upper limit", v.Above, "1")
	not := n("P_N", "probability of nonconformity", v.Nonconforming, "1")
	conforming := n("P_C", "probability of conformity", v.Conforming, "1")
	return []derivation.Step{
		{Name: "probability of nonconformity", Formula: "P_N = Phi((T_L - y)/u) + Phi((y - T_U)/u)", Inputs: inputs, Values: []derivation.Value{below, above}, Result: not, Source: "JCGM 106:2012, clause 7"},
		{Name: "probability of conformity", Formula: "P_C = 1 - P_N", Inputs: []derivation.Value{not}, Result: conforming, Source: "JCGM 106:2012, clause 7"},
		{Name: "decision", Formula: "proved when P_N <= R, refused when P_C <= R, else undecided", Inputs: []derivation.Value{not, conforming, n("R", "stated risk", risk, "1")},
			Result: derivation.Word("decision", "decision", string(v.Decision)), Source: "JCGM 106:2012, clause 8; ISO 14253-1"},
	}
}

func (t Tolerance) values(unit string) []derivation.Value {
	return []derivation.Value{derivation.Number("T_L", "lower tolerance limit", t.Lower, unit), derivation.Number("T_U", "upper tolerance limit", t.Upper, unit)}
}

// GuardDerivation tells how GuardBand placed the zone.
func GuardDerivation(t, zone Tolerance, expanded, multiplier float64, unit string) []derivation.Step {
	n := derivation.Number
	w := n("w", "guard band", multiplier*expanded, unit)
	return []derivation.Step{
		{Name: "guard band", Formula: "w = r U", Inputs: []derivation.Value{n("r", "multiplier", multiplier, "1"), n("U", "expanded uncertainty", expanded, unit)}, Result: w, Source: "JCGM 106:2012, 8.3"},
		{Name: "upper acceptance limit", Formula: "A_U = T_U - w", Inputs: append(t.values(unit), w), Values: []derivation.Value{n("A_L", "lower acceptance limit, T_L + w", zone.Lower, unit)},
			Result: n("A_U", "upper acceptance limit", zone.Upper, unit), Source: "JCGM 106:2012, 8.3"},
	}
}

// Derivation tells how the belief came about from the process and a value y.
func (b Believed) Derivation(p Process, y, u float64, unit string) []derivation.Step {
	n := derivation.Number
	inputs := []derivation.Value{n("y", "measured value", y, unit), n("u", "standard uncertainty", u, unit), n("y_0", "process mean", p.Mean, unit), n("u_0", "process standard deviation", p.SD, unit)}
	return []derivation.Step{
		{Name: "size believed", Formula: "m = (y u_0^2 + y_0 u^2) / (u^2 + u_0^2)", Inputs: inputs, Result: n("m", "size believed", b.Mean, unit), Source: "JCGM 106:2012, annex A.4"},
		{Name: "its standard deviation", Formula: "s = u u_0 / sqrt(u^2 + u_0^2)", Inputs: inputs, Result: n("s", "standard deviation of the size believed", b.SD, unit), Source: "JCGM 106:2012, annex A.4"},
		{Name: "specific risk", Formula: "P_N = Phi((T_L - m)/s) + Phi((m - T_U)/s)", Inputs: []derivation.Value{n("m", "size believed", b.Mean, unit), n("s", "its standard deviation", b.SD, unit)},
			Values: []derivation.Value{n("P_C", "conforming", b.Conforming, "1")}, Result: n("P_N", "nonconforming", b.Nonconforming, "1"), Source: "JCGM 106:2012, 9.3"},
	}
}

// Derivation tells how the risks of a rule came about.
func (r Risks) Derivation(zone Tolerance, p Process, u float64, unit string) []derivation.Step {
	n := derivation.Number
	inputs := []derivation.Value{n("A_L", "lower acceptance limit", zone.Lower, unit), n("A_U", "upper acceptance limit", zone.Upper, unit),
		n("y_0", "process mean", p.Mean, unit), n("u_0", "process standard deviation", p.SD, unit), n("u", "standard uncertainty", u, unit)}
	return []derivation.Step{
		{Name: "global consumer's risk", Formula: "R_C = integral over sizes x outside the tolerance of phi((x - y_0)/u_0)/u_0 [Phi((A_U - x)/u) - Phi((A_L - x)/u)] dx", Inputs: inputs,
			Values: []derivation.Value{n("P_A", "probability of acceptance", r.Accepted, "1")}, Result: n("R_C", "global consumer's risk", r.Consumer, "1"), Source: "JCGM 106:2012, 9.5; Gauss-Legendre quadrature"},
		{Name: "global producer's risk", Formula: "R_P = integral over sizes x inside the tolerance of phi((x - y_0)/u_0)/u_0 [1 - Phi((A_U - x)/u) + Phi((A_L - x)/u)] dx", Inputs: inputs,
			Values: []derivation.Value{n("P_C", "probability that a part conforms", r.Conforming, "1")}, Result: n("R_P", "global producer's risk", r.Producer, "1"), Source: "JCGM 106:2012, 9.5; Gauss-Legendre quadrature"},
	}
}
