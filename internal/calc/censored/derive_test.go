package censored_test

import (
	"math"
	"testing"
)

// Whoever follows the steps meets the answer again, with slopes of zero.
func TestDerivationLeadsToTheAnswer(t *testing.T) {
	t.Parallel()
	f := fitted(t, mixed(), nil)
	steps := f.Derivation(mixed(), "mm")
	if len(steps) != 4 || steps[0].Result.Value != f.LogLikelihood {
		t.Fatalf("got %+v", steps)
	}
	for _, slope := range steps[0].Values {
		near(t, slope.Name, slope.Value, 0, 1e-7)
	}
	in := steps[1].Inputs
	near(t, "standard error", math.Sqrt(in[2].Value/(in[0].Value*in[2].Value-in[1].Value*in[1].Value)), f.SEMu, 1e-9)
	none := 0.0
	if steps := fitted(t, oneBore(), &none).Derivation(oneBore(), "mm"); len(steps) != 3 {
		t.Errorf("a known spread takes %d steps", len(steps))
	}
}
