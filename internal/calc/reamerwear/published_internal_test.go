package reamerwear

import (
	"encoding/json"
	"math"
	"os"
	"testing"
)

// NIST's Statistical Reference Datasets, Norris, certified to 15 digits: with a prior that
// says nothing the line is that of least squares, and where r stays far from 0 nothing is cut off.
func TestTheLineIsThatOfNorris(t *testing.T) {
	t.Parallel()
	raw, err := os.ReadFile("../../../testdata/strd/norris.json")
	if err != nil {
		t.Fatal(err)
	}
	var file struct {
		Data struct {
			X, Y      []float64
			Certified map[string]float64
		}
	}
	if err := json.Unmarshal(raw, &file); err != nil || len(file.Data.X) != 36 {
		t.Fatal(err, len(file.Data.X))
	}
	set := file.Data
	s, err := New(Prior{SizeU: 1e8, RateU: 1e8, Scatter: []Scatter{{Sigma: 0.5, Weight: 1}}})
	if err != nil {
		t.Fatal(err)
	}
	for i, x := range set.X {
		if s, _, err = s.Observe(Observation{Travel: x, Size: -set.Y[i], U: math.Sqrt(0.75)}); err != nil { // weights of 1
			t.Fatal(err)
		}
	}
	m := s.Sums[0]
	l := s.lines()[0]
	residual := math.Sqrt((m.SS - m.TS*m.TS/m.TT) / float64(len(set.X)-2))
	for _, c := range []struct {
		name      string
		got, want float64
	}{
		{"B0", -l.size, set.Certified["B0"]},
		{"B1", l.rate, set.Certified["B1"]},
		{"residual_sd", residual, set.Certified["residual_sd"]},
		{"sd_B0", math.Sqrt(l.vSize) * residual, set.Certified["sd_B0"]},
		{"sd_B1", math.Sqrt(l.vRate) * residual, set.Certified["sd_B1"]},
	} {
		if math.Abs(c.got-c.want) > 1e-9*math.Abs(c.want) {
			t.Errorf("%s is %.15g, certified %.15g", c.name, c.got, c.want)
		}
	}
}

func TestLogarithmOfATail(t *testing.T) {
	t.Parallel()
	// Φ(-1.959963984540054) = 0.025 (any table); log Φ(-10) = -53.2312851505, log Φ(-40) = -804.6084420137538
	// (M. Abramowitz, I. A. Stegun, table 26.2, gives -log10 Q(10) = 23.11805, Q(40) = 349.43701; the digits here by mpmath, from memory).
	for z, want := range map[float64]float64{-1.959963984540054: math.Log(0.025), -10: -53.2312851505, -40: -804.608442013754, 0: -math.Ln2} {
		if got := logAbove(z); math.Abs(got-want) > 1e-9*math.Abs(want) {
			t.Errorf("log Φ(%g) = %.13g, want %.13g", z, got, want)
		}
	}
	if a, b := logAbove(-29.9999999), logAbove(-30.0000001); math.Abs(a-b) > 1e-5 {
		t.Errorf("a step of %g between the two forms", a-b)
	}
}
