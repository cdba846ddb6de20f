package trend

import (
	"fmt"
	"math"

	"pinwright/internal/calc/derivation"
)

// Derivation tells how the answer came about, with x in unitX and y in unitY
// (UCUM codes).
func (a Answer) Derivation(unitX, unitY string) []derivation.Step {
	const leastSquares = "weighted least squares, e.g. P. R. Bevington, Data Reduction and Error Analysis, 6.2"
	rateUnit := unitY + "/" + unitX
	number := derivation.Number
	n := number("n", "points", float64(len(a.Points)), "1")
	nu := number("nu", "degrees of freedom", float64(a.DoF), "1")
	out := []derivation.Step{{Name: "degrees of freedom", Formula: "nu = n - p", Source: "JCGM 100:2008, G.3.3",
		Inputs: []derivation.Value{n, number("p", "parameters that the points tell", float64(a.Parameters), "1")}, Result: nu}}
	for k, g := range a.Segments {
		if !g.Rate.Known {
			continue
		}
		of := fmt.Sprintf(" of segment %d", k)
		out = append(out, derivation.Step{Name: "rate" + of, Formula: "b: sum(w_i (y_i - a - b x_i)^2) is least, w_i = 1/u_i^2, all segments together", Source: leastSquares,
			Inputs: []derivation.Value{n}, Values: []derivation.Value{number("a", "the line at x = 0", g.Intercept.Value, unitY)}, Result: number("b", "rate", g.Rate.Value, rateUnit)})
	}
	if a.DoF > 0 {
		chi := number("chi2", "weighted sum of squared residuals", a.ChiSquare, "1")
		out = append(out, derivation.Step{Name: "Birge ratio", Formula: "R = sqrt(chi2/nu)", Source: "R. T. Birge, Phys. Rev. 40 (1932) 207",
			Inputs: []derivation.Value{chi, nu}, Values: []derivation.Value{number("P", "probability of a larger chi2", a.PChiSquare, "1")}, Result: number("R", "Birge ratio", a.Birge, "1")})
	}
	if a.NoInterval != "" {
		return append(out, derivation.Step{Name: "intervals", Formula: "none where the scatter tells no scale", Source: "JCGM 100:2008, G.3.2", Result: derivation.Word("q", "why there are no intervals", string(a.NoInterval))})
	}
	law, source := "q = normal quantile((1 + p)/2), u known", "JCGM 100:2008, G.1.3"
	if a.Scale == Estimated {
		law, source = "q = t quantile((1 + p)/2, nu), scale R from the scatter", "JCGM 100:2008, G.3.2 and H.3"
	}
	q := number("q", "factor of intervals", a.Quantile, "1")
	out = append(out, derivation.Step{Name: "factor of intervals", Formula: law, Source: source, Inputs: []derivation.Value{number("p", "coverage", a.Coverage, "1"), nu}, Result: q})
	for k, g := range a.Segments {
		if g.Rate.Known {
			out = append(out, derivation.Step{Name: fmt.Sprintf("half interval of the rate of segment %d", k), Formula: "U_b = q s_b", Source: leastSquares,
				Inputs: []derivation.Value{q, number("s_b", "standard error of the rate", g.Rate.SE, rateUnit)}, Result: number("U_b", "half interval", a.Quantile*g.Rate.SE, rateUnit)})
		}
	}
	return append(out, a.crossingSteps(unitX, unitY)...)
}

func (a Answer) crossingSteps(unitX, unitY string) []derivation.Step {
	c := a.Crossing
	if c == nil || c.State != Crosses {
		return nil
	}
	const fieller = "E. C. Fieller, J. R. Statist. Soc. B 16 (1954) 175"
	number := derivation.Number
	g := a.Segments[len(a.Segments)-1]
	rateUnit := unitY + "/" + unitX
	b := number("b", "rate", g.Rate.Value, rateUnit)
	out := []derivation.Step{{Name: "where the line reaches the limit", Formula: "x_L = (L - a)/b", Source: fieller,
		Inputs: []derivation.Value{number("L", "limit", c.Limit, unitY), number("a", "the line at x = 0", g.Intercept.Value, unitY), b}, Result: number("x_L", "crossing", c.At, unitX)}}
	for _, r := range []struct {
		Region
		of string
	}{{c.Mean, "the line's crossing"}, {c.Individual, "a single reading's crossing"}} {
		if r.Set == NoSet || math.IsInf(r.G, 0) {
			continue
		}
		step := derivation.Step{Name: "set of " + r.of, Formula: "{x: (m(x) - L)^2 <= q^2 v(x)}, g = q^2 s_b^2/b^2", Source: fieller,
			Inputs: []derivation.Value{number("q", "factor of intervals", a.Quantile, "1"), number("s_b", "standard error of the rate", g.Rate.SE, rateUnit), b},
			Values: []derivation.Value{number("g", "how badly the rate is told", r.G, "1")},
			Result: derivation.Word("set", "shape of the set", string(r.Set))}
		if r.Set != UnboundedBelow && r.Set != WholeLine {
			step.Values = append(step.Values, number("x_1", "lower end", r.Low, unitX))
		}
		if r.Set != UnboundedAbove && r.Set != WholeLine {
			step.Values = append(step.Values, number("x_2", "upper end", r.High, unitX))
		}
		out = append(out, step)
	}
	return out
}
