package gaugestudy

import (
	"math"

	"pinwright/internal/calc/derivation"
)

const (
	fromAIAG       = "Measurement Systems Analysis, AIAG, 4th ed. 2010, ANOVA method (from memory)"
	fromMontgomery = "D. C. Montgomery, Design and Analysis of Experiments, chapter 13"
)

// Derivation tells how the components of the model that counts came about, in the
// order in which they were worked out.
func (r Result) Derivation() []derivation.Step {
	m := r.Counting()
	t := m.Table
	number := derivation.Number
	sizes := []derivation.Value{number("p", "parts", float64(r.NParts), "1"), number("o", "people", float64(r.NPeople), "1"), number("r", "trials", float64(r.NTrials), "1")}
	var steps []derivation.Step
	square := func(symbol, name string, row Row) {
		if row.DoF > 0 {
			steps = append(steps, derivation.Step{Name: "mean square of " + name, Formula: symbol + " = SS/df", Source: fromMontgomery,
				Inputs: append([]derivation.Value{number("SS", "sum of squares", row.SumSquares, "um2"), number("df", "degrees of freedom", row.DoF, "1")}, sizes...),
				Result: number(symbol, "mean square", row.MeanSquare, "um2")})
		}
	}
	square("P", "parts", t.Parts)
	square("O", "people", t.People)
	against := "E"
	if crossed := r.Crossed.Table.Interaction; crossed.DoF > 0 {
		decision := "kept apart"
		if r.Pooled {
			decision = "pooled with the repeats"
		}
		square("I", "the interaction", crossed)
		steps = append(steps, derivation.Step{Name: "whether the interaction counts", Formula: "pooled when P(F > I/E of the table with the interaction) is over the threshold", Source: fromAIAG,
			Inputs: []derivation.Value{number("F", "ratio", crossed.F, "1"), number("p_F", "probability", probability(crossed), "1"), number("a", "threshold", r.PoolAbove, "1")},
			Result: derivation.Word("interaction", "interaction", decision)})
		if !r.Pooled {
			against = "I"
		}
	}
	square("E", "the repeats", t.Repeatability)
	component := func(symbol, name, formula string, c *Component) {
		if c != nil {
			steps = append(steps, derivation.Step{Name: name, Formula: symbol + " = sqrt(max(0, " + formula + "))", Inputs: sizes, Source: fromMontgomery,
				Values: []derivation.Value{number(symbol+"^2", "variance", c.Variance, "um2")}, Result: number(symbol, name, c.SD, "um")})
		}
	}
	component("EV", "repeatability", "E", &m.Repeatability)
	component("AV", "difference between people", "(O - "+against+")/(p r)", m.People)
	component("INT", "interaction", "(I - E)/r", m.Interaction)
	component("PV", "difference between parts", "(P - "+against+")/(o r)", m.Parts)
	gauge := derivation.Step{Name: "gauge variation", Formula: "GRR = sqrt(EV^2 + AV^2 + INT^2), of those there are", Source: fromAIAG, Result: number("GRR", "gauge variation", m.Gauge.SD, "um"),
		Inputs: []derivation.Value{number("EV", "repeatability", m.Repeatability.SD, "um")}}
	if m.People != nil {
		gauge.Inputs = append(gauge.Inputs, number("AV", "difference between people", m.People.SD, "um"))
	}
	if m.Interaction != nil {
		gauge.Inputs = append(gauge.Inputs, number("INT", "interaction", m.Interaction.SD, "um"))
	}
	steps = append(steps, gauge)
	if m.Parts != nil {
		steps = append(steps, derivation.Step{Name: "total variation", Formula: "TV = sqrt(GRR^2 + PV^2)", Source: fromAIAG, Result: number("TV", "total variation", m.Total.SD, "um"),
			Inputs: []derivation.Value{number("GRR", "gauge variation", m.Gauge.SD, "um"), number("PV", "difference between parts", m.Parts.SD, "um")}})
	}
	if m.Categories != nil {
		steps = append(steps, derivation.Step{Name: "distinct categories", Formula: "n = sqrt(2) PV / GRR", Source: fromAIAG,
			Inputs: []derivation.Value{number("PV", "difference between parts", m.Parts.SD, "um"), number("GRR", "gauge variation", m.Gauge.SD, "um")},
			Result: number("n", "distinct categories", *m.Categories, "1")})
	}
	if f := r.Form; f.Removed != nil {
		steps = append(steps, derivation.Step{Name: "repeatability without the parts' form error", Formula: "EV' = sqrt(max(0, EV^2 - w^2 / 8))", Source: "arcsine law, JCGM 101:2008, 6.4.6",
			Inputs: []derivation.Value{number("EV", "repeatability", m.Repeatability.SD, "um"), number("w", "form error", *f.Inflation*math.Sqrt(8), "um")},
			Result: number("EV'", "the instrument's own repeatability", *f.Removed, "um")})
	}
	return steps
}
