package wornsize

import (
	"sort"

	"pinwright/internal/calc/derivation"
)

const byIntegration = "JCGM 101:2008, 5 (propagation of distributions), by quadrature; the model is told in this engine's documentation"

// Derivation tells what the sizes of a feature follow from. Sizes are µm from
// nominal.
func (p FeaturePosterior) Derivation(shape Shape) []derivation.Step {
	formulaS, formulaC := "S = min over sections of (B + t_z), given the readings", "C = max over sections of (B + t_z + w_z + 2 e_z) + A, given the readings"
	first, second := "passing size", "clean-up size"
	if shape == Pin {
		formulaS, formulaC = "S = max over sections of (B - t_z), given the readings", "C = min over sections of (B - t_z - w_z), given the readings"
		first, second = "largest size", "smallest size"
	}
	summary := func(symbol, name string, l Law) []derivation.Value {
		return []derivation.Value{
			derivation.Number("mean("+symbol+")", "mean of the "+name+", from nominal", l.Mean(), "um"),
			derivation.Number("sd("+symbol+")", "standard deviation of the "+name, l.SD(), "um"),
			derivation.Number(symbol+"_2.5", "2.5 % quantile of the "+name+", from nominal", l.Quantile(0.025), "um"),
			derivation.Number(symbol+"_97.5", "97.5 % quantile of the "+name+", from nominal", l.Quantile(0.975), "um"),
		}
	}
	return []derivation.Step{
		{Name: first, Formula: formulaS, Values: summary("S", first, p.Passing),
			Result: derivation.Number("S", "median "+first+", from nominal", p.Passing.Quantile(0.5), "um"), Source: byIntegration + "; passing size: Taylor's principle, ISO 1938-1"},
		{Name: second, Formula: formulaC, Values: summary("C", second, p.CleanUp),
			Result: derivation.Number("C", "median "+second+", from nominal", p.CleanUp.Quantile(0.5), "um"), Source: byIntegration},
	}
}

// CutDerivation tells how the probability that a cut to size cleans a bore up
// follows from its posterior. size is µm from nominal.
func (p FeaturePosterior) CutDerivation(size float64) []derivation.Step {
	return append(p.Derivation(Bore), []derivation.Step{
		{Name: "probability of clean-up", Formula: "P = Pr(C <= c), between two nodes of the law P_0 + (P_1 - P_0) (c - x_0) / (x_1 - x_0)",
			Inputs: []derivation.Value{derivation.Number("c", "size of the cut, from nominal", size, "um")}, Values: p.CleanUp.nodes(size),
			Result: derivation.Number("P", "probability that the cut reaches sound metal everywhere", p.CleanUp.CDF(size), "1"), Source: byIntegration},
	}...)
}

// nodes are the two nodes of the law about x with their probabilities; none where x
// lies outside the law, whose probability is 0 or 1 there.
func (l Law) nodes(x float64) []derivation.Value {
	n := len(l.X)
	if n < 2 || !(x > l.X[0] && x < l.X[n-1]) {
		return nil
	}
	i := sort.SearchFloat64s(l.X, x)
	return []derivation.Value{
		derivation.Number("x_0", "node below, from nominal", l.X[i-1], "um"), derivation.Number("P_0", "probability up to it", l.P[i-1], "1"),
		derivation.Number("x_1", "node above, from nominal", l.X[i], "um"), derivation.Number("P_1", "probability up to it", l.P[i], "1"),
	}
}
