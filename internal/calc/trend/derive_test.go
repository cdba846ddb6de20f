package trend_test

import (
	"math"
	"testing"

	"pinwright/internal/calc/trend"
)

// The formulas of the steps hold for the steps' own numbers.
func TestDerivation(t *testing.T) {
	t.Parallel()
	a := solve(t, trend.Question{Points: line([]float64{0, 100, 200, 300}, []float64{20, 29, 41, 50}, 1), Limit: of(80)})
	at := map[string]float64{}
	for _, s := range a.Derivation("d", "um") {
		if s.Source == "" || s.Formula == "" || s.Name == "" {
			t.Errorf("%+v", s)
		}
		for _, v := range append(append(s.Inputs, s.Values...), s.Result) {
			at[v.Symbol] = v.Value
		}
	}
	near(t, "degrees of freedom", at["nu"], at["n"]-2, 0)
	near(t, "crossing", at["x_L"], (at["L"]-at["a"])/at["b"], 1e-9)
	near(t, "R", at["R"], math.Sqrt(at["chi2"]/at["nu"]), 1e-12)
	near(t, "g", at["g"], at["q"]*at["q"]*at["s_b"]*at["s_b"]/(at["b"]*at["b"]), 1e-12)
	// x_1 and x_2, of the single reading, are where the band of one further reading holds the limit.
	for _, x := range []float64{at["x_1"], at["x_2"]} {
		b := solve(t, trend.Question{Points: line([]float64{0, 100, 200, 300}, []float64{20, 29, 41, 50}, 1), Until: of(math.Max(x, 301)), Now: of(x), Limit: of(80)})
		e := b.Crossing.AtNow
		near(t, "edge", math.Abs(e.Value-80), a.Quantile*math.Hypot(e.SE, a.NewU), 1e-6)
	}
	for _, none := range []trend.Question{{}, {Points: line([]float64{0, 1}, []float64{1, 2})}} {
		if steps := solve(t, none).Derivation("d", "um"); len(steps) == 0 {
			t.Error("no step says why there is no interval")
		}
	}
}
