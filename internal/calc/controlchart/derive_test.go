package controlchart_test

import (
	"testing"

	"pinwright/internal/calc/controlchart"
)

// Every step's numbers are the chart's, and its formula holds for them.
func TestDerivation(t *testing.T) {
	t.Parallel()
	values := []float64{1, 2, 1, 2, 1, 30, 31, 30, 31}
	c := judge(t, controlchart.Question{Values: values, Baseline: 5, Rules: []controlchart.Rule{controlchart.Western1, controlchart.MovingRange}})
	results := map[string]float64{}
	steps := c.Derivation("um")
	for _, s := range steps {
		if s.Source == "" || s.Formula == "" {
			t.Errorf("%+v", s)
		}
		results[s.Result.Symbol] = s.Result.Value
	}
	near(t, "centre", results["c"], 1.4, 1e-12)
	near(t, "sigma", results["sigma"], 1/controlchart.D2, 1e-12)
	near(t, "upper limit", results["UCL"], results["c"]+3*results["sigma"], 1e-12)
	near(t, "lower limit", results["LCL"], results["c"]-3*results["sigma"], 1e-12)
	near(t, "limit of ranges", results["UCL_MR"], c.Segments[0].RangeUpper, 1e-12)
	if want := 5 + len(c.Signals); len(steps) != want || len(c.Signals) != 5 {
		t.Errorf("%d steps and %d signals, want %d and 5", len(steps), len(c.Signals), want)
	}
	if got := judge(t, controlchart.Question{Values: []float64{1}}).Derivation("um"); len(got) != 0 {
		t.Errorf("%+v of one value", got)
	}
}
