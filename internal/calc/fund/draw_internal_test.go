package fund

import (
	"math"
	"testing"
)

// The first numbers of SplitMix64 from 1234567, as its reference program prints them (from memory; they stand in
// many test suites of random generators).
func TestSplitMix64(t *testing.T) {
	s := &stream{state: 1234567}
	for i, want := range []uint64{6457827717110365317, 3203168211198807973, 9817491932198370423, 4593380528125082431, 16408922859458223821} {
		if got := s.next(); got != want {
			t.Errorf("number %d: %d, want %d", i, got, want)
		}
	}
}

// The distribution that is laid out is Poisson's for small and large means: its quantiles are
// where the sum of exp(-m) m^k / k! passes.
func TestPoissonQuantiles(t *testing.T) {
	var p poisson
	for _, mean := range []float64{1e-9, 0.3, 1, 7.5, 40, 900, 1e5} {
		p.set(mean)
		for _, u := range []float64{1e-6, 0.01, 0.3, 0.5, 0.9, 0.999, 1 - 1e-9} {
			sum, want := 0.0, -1
			for sum < u {
				want++
				l, _ := math.Lgamma(float64(want) + 1)
				sum += math.Exp(float64(want)*math.Log(mean) - mean - l)
			}
			// At the very edge of a step both are right.
			if got := p.at(u); got != want && !(math.Abs(float64(got-want)) == 1 && mean > 1000) {
				t.Errorf("mean %g, %g: %d, want %d", mean, u, got, want)
			}
		}
	}
	p.set(0)
	if p.at(0.999) != 0 {
		t.Error("of nothing there was something")
	}
}

// Mean 1 and variance 1/shape of the gamma numbers.
func TestGammaMoments(t *testing.T) {
	for _, shape := range []float64{0.5, 1, 6.25, 40} {
		const n = 200_000
		s, sum, squares := newStream(1, "a", "b"), 0.0, 0.0
		for range n {
			v := s.gamma(shape)
			sum, squares = sum+v/n, squares+v*v/n
		}
		if variance := squares - sum*sum; math.Abs(sum-1) > 5/math.Sqrt(n*shape) || math.Abs(variance*shape-1) > 0.03+0.03/shape {
			t.Errorf("shape %g: mean %g, variance %g", shape, sum, variance)
		}
	}
}
