package wornsize

import (
	"math"
	"testing"
)

// The arcsine law blurred by a normal one, by a plain sum of equal steps of
// the angle.
func plainArcsine(d, step, lobing float64) float64 {
	n := 4000 + int(10*step)
	nearest := math.Max(0, math.Max(-d, d-step)) // taken out, so that nothing underflows
	var sum float64
	for k := range n {
		c := math.Pow(math.Abs(math.Cos(math.Pi*(float64(k)+0.5)/(2*float64(n)))), lobing)
		z := d - step*c
		sum += math.Exp(-0.5 * (z*z - nearest*nearest))
	}
	return math.Log(sum/float64(n)) - 0.5*nearest*nearest
}

func TestBlurredArcsineAgreesWithAPlainSum(t *testing.T) {
	t.Parallel()
	for _, lobing := range []float64{2, 1, 3.5} {
		rules := newTiers(lobing)
		for _, step := range []float64{0, 0.03, 0.4, 1.7, 5, 14.3, 30, 120.9, 340, 900} {
			for _, d := range []float64{-20, -9.01, -8.9, -3.3, -1, 0, 0.37, 2, 7.9, 8.8, 9.3, 15, 40} {
				for _, at := range []float64{d, step - d} {
					got, want := logArcsine(at, step, lobing, rules), plainArcsine(at, step, lobing)
					tolerance := 1e-3
					if want < -30 {
						tolerance = 0.05 // nine blurs off: only its order counts
					}
					if lobing != 2 {
						tolerance *= 10
					}
					if math.Abs(got-want) > tolerance {
						t.Errorf("lobing %g, width %g blurs, reading at %g: log density %.6f, want %.6f", lobing, step, at, got, want)
					}
				}
			}
		}
	}
}
