package uncertainty_test

import (
	"math"
	"testing"

	"pinwright/internal/calc/derivation"
	"pinwright/internal/calc/uncertainty"
)

// TestAReadingIsDerived works a reading out again from the numbers of its steps.
// The workpiece is NPL's example: 500.035 mm read at 23.7 °C with 11.7e-6 is 500.013
// mm at 20 °C; a comparator of no expansion reads it.
func TestAReadingIsDerived(t *testing.T) {
	t.Parallel()
	got, err := uncertainty.Measure(uncertainty.Reading{
		Read: 500_035_000, Shape: uncertainty.Pin, Method: uncertainty.Micrometer,
		Instrument: uncertainty.Instrument{Resolution: 1, Calibration: &uncertainty.Calibration{Expanded: 2, K: 2, Correction: 0}},
		Thermal:    uncertainty.Thermal{Temperature: &uncertainty.Estimate{Value: 23.7, U: 0.1}, Expansion: &uncertainty.Estimate{Value: 11.7e-6, U: 1e-7}, InstrumentExpansion: &uncertainty.Estimate{}},
	})
	if err != nil {
		t.Fatal(err)
	}
	steps := got.Derivation()
	numbers := map[string]float64{}
	for _, s := range steps {
		if s.Source == "" {
			t.Errorf("%s has no source", s.Name)
		}
		for _, v := range append(append([]derivation.Value{s.Result}, s.Inputs...), s.Values...) {
			numbers[v.Symbol] = v.Value
		}
	}
	again := numbers["L"] * (1 + numbers["a_i"]*numbers["theta_i"]) / (1 + numbers["a_w"]*numbers["theta_w"])
	if math.Abs(again-500_013.354) > 0.001 || math.Abs(numbers["L_20"]-again) > 0.001 {
		t.Errorf("L_20 %v, worked out again %v", numbers["L_20"], again)
	}
	if y := numbers["L_20"] - numbers["b"]; math.Abs(y-numbers["y"]) > 0.001 || math.Abs(numbers["y"]-got.Value.Micrometres()) > 1e-9 {
		t.Errorf("y %v", numbers["y"])
	}
	var sum float64
	for _, line := range got.Budget.Lines {
		sum += line.Contribution * line.Contribution
	}
	if math.Abs(math.Sqrt(sum)-numbers["u_c"]) > 1e-9 || math.Abs(numbers["k"]*numbers["u_c"]-numbers["U"]) > 1e-9 {
		t.Errorf("u_c %v, U %v", numbers["u_c"], numbers["U"])
	}
	// The resolution of 1 µm is a rectangle of half-width 0.5 (JCGM 100, 4.3.7).
	found := false
	for _, s := range steps {
		if s.Name == "contribution of resolution" {
			found = len(s.Values) == 2 && s.Values[0].Text == "rectangular" && math.Abs(s.Values[1].Value-0.5) < 1e-12
		}
	}
	if !found {
		t.Error("the resolution's law is not told")
	}
}
