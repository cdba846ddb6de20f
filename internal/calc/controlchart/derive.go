package controlchart

import (
	"fmt"

	"pinwright/internal/calc/derivation"
)

const (
	handbook = "NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2, with the exact constants for ranges of two"
	nelson   = "L. S. Nelson, J. Qual. Technol. 16 (1984) 237"
	western  = "Statistical Quality Control Handbook, Western Electric, 1956"
)

// Derivation tells how the limits and signals of each segment came about, with
// values in unit.
func (c Chart) Derivation(unit string) []derivation.Step {
	var out []derivation.Step
	for k, s := range c.Segments {
		out = append(out, s.derivation(k, c.Spread, unit)...)
	}
	for _, s := range c.Signals {
		source := nelson
		switch s.Rule {
		case Western1, Western2, Western3, Western4:
			source = western
		case MovingRange:
			source = handbook
		}
		step := derivation.Step{Name: "signal at value " + fmt.Sprint(s.Index), Formula: s.Meaning, Source: source,
			Result: derivation.Word("signal", "rule that was met", string(s.Rule))}
		for _, i := range s.Points {
			step.Inputs = append(step.Inputs, derivation.Number(fmt.Sprintf("x_%d", i), "value", c.Points[i].Value, unit))
			step.Values = append(step.Values, derivation.Number(fmt.Sprintf("z_%d", i), "value in sigma from the centre", c.Points[i].Z, "1"))
		}
		out = append(out, step)
	}
	return out
}

func (s Segment) derivation(k int, spread Spread, unit string) []derivation.Step {
	name := func(what string) string {
		return fmt.Sprintf("%s of segment %d, values %d to %d", what, k, s.First, s.Last)
	}
	centre := derivation.Number("c", "centre", s.Centre, unit)
	sigma := derivation.Number("sigma", "standard deviation of single values", s.Sigma, unit)
	var out []derivation.Step
	switch s.State {
	case Baselined:
	case Limits, NoSpread:
		out = append(out, derivation.Step{Name: name("centre"), Formula: "c = sum(x_i)/n", Source: handbook,
			Inputs: []derivation.Value{derivation.Number("n", "values taken for the limits", float64(s.From), "1")}, Result: centre})
		step := derivation.Step{Name: name("spread"), Formula: "sigma = mean(MR)/d2", Source: handbook, Result: sigma,
			Inputs: []derivation.Value{derivation.Number("MR", "mean moving range", s.MeanRange, unit), derivation.Number("d2", "2/sqrt(pi)", D2, "1")}}
		if spread == MedianRange {
			step.Formula, step.Source = "sigma = median(MR)/d4", "median of |x| for a normal law of variance 2, closed form"
			step.Inputs = []derivation.Value{derivation.Number("MR", "median moving range", s.MedianRange, unit), derivation.Number("d4", "sqrt(2) times the normal quantile of 3/4", D4Median, "1")}
		}
		out = append(out, step)
	case TooFew, NoValues:
		return nil
	}
	if s.Sigma == 0 {
		return out
	}
	inputs := []derivation.Value{centre, sigma}
	return append(out,
		derivation.Step{Name: name("lower limit"), Formula: "LCL = c - 3 sigma", Source: handbook, Inputs: inputs, Result: derivation.Number("LCL", "lower control limit", s.Lower, unit)},
		derivation.Step{Name: name("upper limit"), Formula: "UCL = c + 3 sigma", Source: handbook, Inputs: inputs, Result: derivation.Number("UCL", "upper control limit", s.Upper, unit)},
		derivation.Step{Name: name("limit of moving ranges"), Formula: "UCL_MR = (d2 + 3 d3) sigma", Source: handbook,
			Inputs: []derivation.Value{sigma, derivation.Number("d2", "2/sqrt(pi)", D2, "1"), derivation.Number("d3", "sqrt(2 - 4/pi)", D3, "1")},
			Result: derivation.Number("UCL_MR", "upper limit of moving ranges", s.RangeUpper, unit)})
}
