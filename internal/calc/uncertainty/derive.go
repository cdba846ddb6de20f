package uncertainty

import (
	"fmt"
	"math"

	"pinwright/internal/calc/derivation"
)

// Derivation tells how the budget came about; unit is that of the result, a UCUM
// code. Inputs keep their own units, which a budget does not know.
func (b Budget) Derivation(unit string) []derivation.Step {
	var steps []derivation.Step
	var contributions, shares []derivation.Value
	for i, line := range b.Lines {
		symbol := fmt.Sprintf("u_%d", i+1)
		contribution := derivation.Number("U_"+symbol[2:], "contribution of "+line.Name, line.Contribution, unit)
		steps = append(steps, derivation.Step{Name: "contribution of " + line.Name, Formula: fmt.Sprintf("U_%d = |c_%d| u_%d", i+1, i+1, i+1),
			Inputs: []derivation.Value{derivation.Number(fmt.Sprintf("c_%d", i+1), "sensitivity", line.Sensitivity, "1"), derivation.Number(symbol, "standard uncertainty of "+line.Name, line.U, "1")},
			Values: line.law(), Result: contribution, Source: "JCGM 100:2008, 5.1.3"})
		contributions = append(contributions, contribution)
		shares = append(shares, count(fmt.Sprintf("nu_%d", i+1), "degrees of freedom of "+line.Name, line.DoF))
	}
	combined := derivation.Number("u_c", "combined standard uncertainty", b.U, unit)
	effective := count("nu_eff", "effective degrees of freedom", b.DoF)
	used := count("nu", "degrees of freedom used, truncated", math.Max(1, math.Floor(b.DoF)))
	k := derivation.Number("k", "coverage factor", b.K, "1")
	return append(steps,
		derivation.Step{Name: "combined standard uncertainty", Formula: "u_c = sqrt(sum U_i^2)", Inputs: contributions, Result: combined, Source: "JCGM 100:2008, 5.1.2"},
		derivation.Step{Name: "effective degrees of freedom", Formula: "nu_eff = u_c^4 / sum(U_i^4 / nu_i)", Inputs: append(shares, combined), Result: effective, Source: "JCGM 100:2008, G.4.1 (Welch and Satterthwaite)"},
		derivation.Step{Name: "coverage factor", Formula: "k = t((1 + p) / 2, nu)", Inputs: []derivation.Value{derivation.Number("p", "coverage probability", b.Coverage, "1"), effective},
			Values: []derivation.Value{used}, Result: k, Source: "JCGM 100:2008, G.4.1 and table G.2"},
		derivation.Step{Name: "expanded uncertainty", Formula: "U = k u_c", Inputs: []derivation.Value{k, combined}, Result: derivation.Number("U", "expanded uncertainty", b.Expanded, unit), Source: "JCGM 100:2008, 6.2.1"},
	)
}

// law tells of the distribution behind a standard uncertainty, where one is known,
// and of the bound that it was taken from (JCGM 100, 4.3).
func (in Input) law() []derivation.Value {
	var values []derivation.Value
	if in.Distribution != "" {
		values = append(values, derivation.Word("law", "distribution", string(in.Distribution)))
	}
	if divisor := Standard(in.Distribution, 1); in.Distribution == Rectangular || in.Distribution == Triangular || in.Distribution == UShaped {
		values = append(values, derivation.Number("a", "half-width, of which u is a / "+fmt.Sprintf("%.4g", 1/divisor)+" (4.3.7 to 4.3.9)", in.U/divisor, "1"))
	}
	return values
}

// Derivation tells how the value of a reading came about and then its budget,
// in micrometres.
func (r Result) Derivation() []derivation.Step {
	um := func(symbol, name string, v float64) derivation.Value { return derivation.Number(symbol, name, v, "um") }
	n := derivation.Number
	read, corrected := um("R", "as read", r.read), um("L", "as read, corrected by the certificate", r.read+r.correction)
	at20 := um("L_20", "at 20 Cel", r.At20.Micrometres())
	middle := um("b", "middle of the method's one-sided error", (r.BiasLow+r.BiasHigh)/2)
	ofPart := r.used.temperature.Value - 20
	steps := []derivation.Step{
		{Name: "corrected by the certificate", Formula: "L = R + c", Inputs: []derivation.Value{read, um("c", "correction of the certificate", r.correction)}, Result: corrected, Source: "JCGM 100:2008, 3.2.3"},
		{Name: "brought to 20 Cel", Formula: "L_20 = L (1 + a_i theta_i) / (1 + a_w theta_w)", Inputs: []derivation.Value{corrected,
			n("a_i", "expansion of the instrument", r.used.instrument.Value, "1/K"), n("theta_i", "instrument over 20 Cel", ofPart-r.used.difference.Value, "K"),
			n("a_w", "expansion of the workpiece", r.used.workpiece.Value, "1/K"), n("theta_w", "workpiece over 20 Cel", ofPart, "K")},
			Result: at20, Source: "JCGM 100:2008, H.1; ISO 1 for 20 Cel"},
		{Name: "middle of the method's one-sided error", Formula: "b = (b_low + b_high) / 2", Inputs: []derivation.Value{um("b_low", "least of reading minus true", r.BiasLow), um("b_high", "greatest of reading minus true", r.BiasHigh)},
			Result: middle, Source: "JCGM 100:2008, 4.3.7; the bounds: common practice, no published source"},
		{Name: "value", Formula: "y = L_20 - b", Inputs: []derivation.Value{at20, middle}, Result: um("y", "value", r.Value.Micrometres()), Source: "JCGM 100:2008, 4.1.4"},
	}
	return append(steps, r.Budget.Derivation("um")...)
}

func count(symbol, name string, n float64) derivation.Value {
	if math.IsInf(n, 1) {
		return derivation.Word(symbol, name, "infinite")
	}
	return derivation.Number(symbol, name, n, "1")
}
