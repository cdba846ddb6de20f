package endfloat

import (
	"fmt"

	"pinwright/internal/calc/derivation"
)

// Derivation tells how what a choice leaves follows from the question.
func (q Question) Derivation(c Choice) []derivation.Step {
	num := derivation.Number
	float := num("F", "measured float", q.Float.Micrometres(), "um")
	inputs, formula := []derivation.Value{float}, "L = F"
	for i, t := range c.Shims {
		symbol := fmt.Sprintf("t_%d", i+1)
		inputs, formula = append(inputs, num(symbol, "shim", t.Micrometres(), "um")), formula+" - "+symbol
	}
	left, u := num("L", "float with the shims", c.Left.Micrometres(), "um"), num("u_L", "its standard uncertainty", c.U, "um")
	return []derivation.Step{
		{Name: "float with the shims", Formula: formula, Inputs: inputs, Result: left, Source: "geometry"},
		{Name: "its standard uncertainty", Formula: "u_L = sqrt(u_F^2 + n u_t^2)", Result: u, Source: "JCGM 100:2008, 5.1.2",
			Inputs: []derivation.Value{num("u_F", "of the measured float", q.U, "um"), num("n", "shims", float64(len(c.Shims)), "1"), num("u_t", "of a shim", q.ShimU, "um")}},
		{Name: "probability of being in the target", Formula: "P = Phi((high - L) / u_L) - Phi((low - L) / u_L)", Source: "JCGM 106:2012, 7.2, normal law",
			Inputs: []derivation.Value{left, u, num("low", "target from", q.Low.Micrometres(), "um"), num("high", "target to", q.High.Micrometres(), "um")},
			Result: num("P", "probability of being in the target", c.Probability, "1")},
	}
}
