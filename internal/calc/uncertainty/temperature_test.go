package uncertainty_test

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"pinwright/internal/calc/length"
	"pinwright/internal/calc/uncertainty"
)

// The example of a national laboratory's published questions and answers (NPL):
// 500.035 mm at 23.7 °C with 11.7e-6 per K is 500.013 mm at 20 °C; and 25 mm of steel at
// 30 and 5 °C, computed from the definition.
func TestAtTwenty(t *testing.T) {
	t.Parallel()
	for _, row := range []struct{ l, alpha, at, want, tolerance float64 }{
		{500.035, 11.7e-6, 23.7, 500.01335, 1e-5}, {25, 11.5e-6, 30, 25 - 2.8747e-3, 1e-7}, {25, 11.5e-6, 5, 25 + 4.3132e-3, 1e-7},
	} {
		c, err := uncertainty.AtTwenty(length.FromMicrometres(row.l*1000), uncertainty.Thermal{Temperature: at(row.at), InstrumentTemperature: at(20),
			Expansion: &uncertainty.Estimate{Value: row.alpha}, InstrumentExpansion: &uncertainty.Estimate{Value: row.alpha}})
		if err != nil || math.Abs(c.Micrometre/1000-row.want) > row.tolerance || math.Abs(c.Correction-(c.Micrometre-1000*row.l)) > 1e-6 {
			t.Errorf("got %v, %v; want %v", c.Micrometre/1000, err, row.want)
		}
		steps := c.Derivation()
		if got := steps[1].Result.Value; got != c.Micrometre {
			t.Errorf("derived %v", got)
		}
	}
}

// Both ways of stating two temperatures are held against a simulation of what they
// say: independent thermometers, and one thermometer beside a difference felt by hand.
func TestTemperatureBudgetAgainstSimulation(t *testing.T) {
	t.Parallel()
	const draws, size = 400_000, 100_000.0
	random := rand.New(rand.NewPCG(20, 1))
	with := func(x uncertainty.Estimate) float64 { return x.Value + x.U*random.NormFloat64() }
	work, tool := uncertainty.Estimate{Value: 31, U: 1}, uncertainty.Estimate{Value: 22, U: 2}
	difference := uncertainty.Estimate{Value: 9, U: 1.5}
	aluminium, steel := uncertainty.Estimate{Value: 23.1e-6, U: 1e-6}, uncertainty.Estimate{Value: 11.5e-6, U: 1e-6}
	for name, c := range map[string]struct {
		thermal uncertainty.Thermal
		draw    func() (theta, thetaTool float64)
	}{
		"two thermometers": {uncertainty.Thermal{Temperature: &work, InstrumentTemperature: &tool, Expansion: &aluminium, InstrumentExpansion: &steel},
			func() (float64, float64) { return with(work) - 20, with(tool) - 20 }},
		"one and a difference": {uncertainty.Thermal{Temperature: &work, Difference: &difference, Expansion: &aluminium, InstrumentExpansion: &steel},
			func() (float64, float64) { a := with(work) - 20; return a, a - with(difference) }},
	} {
		got, err := uncertainty.AtTwenty(length.FromMicrometres(size), c.thermal)
		if err != nil {
			t.Fatal(err)
		}
		var sum, squares float64
		for range draws {
			a, b := c.draw()
			l := size*(1+with(steel)*b)/(1+with(aluminium)*a) - got.Micrometre
			sum, squares = sum+l, squares+l*l
		}
		sd := math.Sqrt(squares/draws - sum*sum/draws/draws)
		if math.Abs(sd/got.Budget.U-1) > 0.01 || math.Abs(sum/draws) > 0.2 {
			t.Errorf("%s: budget %v, simulated %v about %v", name, got.Budget.U, sd, sum/draws)
		}
	}
}

func TestAtTwentyRefuses(t *testing.T) {
	t.Parallel()
	for name, thermal := range map[string]uncertainty.Thermal{
		"the instrument alone":     {InstrumentTemperature: at(20)},
		"a temperature twice":      {Temperature: at(20), InstrumentTemperature: at(20), Difference: &uncertainty.Estimate{}},
		"an instrument in a fire":  {Temperature: at(20), InstrumentTemperature: at(600)},
		"a temperature of nothing": {Temperature: at(math.NaN())},
	} {
		if got, err := uncertainty.AtTwenty(length.Millimetre.Length(), thermal); !errors.Is(err, uncertainty.ErrInput) {
			t.Errorf("%s: %+v, %v", name, got, err)
		}
	}
	if _, err := uncertainty.AtTwenty(0, uncertainty.Thermal{}); !errors.Is(err, uncertainty.ErrInput) {
		t.Error(err)
	}
	vague, err := uncertainty.AtTwenty(length.FromMicrometres(50_000), uncertainty.Thermal{})
	if err != nil || len(vague.Assumed) != 4 || vague.Correction != 0 || !(vague.Budget.U > 0) {
		t.Errorf("nothing known: %+v, %v", vague, err)
	}
}
