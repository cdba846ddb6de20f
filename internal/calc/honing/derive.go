package honing

import (
	"fmt"

	"pinwright/internal/calc/derivation"
)

const practice = "common practice, no published source"

// Derivation tells how the passes share the stock and what decided the method.
func (b Bore) Derivation(a Advice) []derivation.Step {
	num := derivation.Number
	stock := num("s", "stock in diameter", b.Stock, "um")
	steps := []derivation.Step{{Name: "method", Formula: fmt.Sprintf("hone above %.0f HRC or below %.0f um, ream above %.0f um, else either", HardestToReam, LeastToReam, MostToHone), Source: practice,
		Inputs: []derivation.Value{stock, num("H", "hardness (HRC)", b.Hardness, "1")}, Result: derivation.Word("method", "method", string(a.Method))}}
	for i, p := range a.Passes {
		step := derivation.Step{Name: fmt.Sprintf("stock of grit %d", p.Grit), Formula: "s_i = what the finer grits leave", Source: practice,
			Inputs: []derivation.Value{stock}, Result: num(fmt.Sprintf("s_%d", i+1), "stock in diameter", p.Stock, "um")}
		if i > 0 {
			step.Formula = fmt.Sprintf("s_i = %g Ra of the grit before", Scratches)
			step.Inputs = []derivation.Value{num("Ra", "left by the grit before", a.Passes[i-1].Ra, "um")}
		}
		steps = append(steps, step)
	}
	return steps
}
