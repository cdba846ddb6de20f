package uncertainty_test

import (
	"encoding/json"
	"errors"
	"math"
	"os"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"pinwright/internal/calc/uncertainty"
)

func near(got, want, tolerance float64) bool {
	return math.Abs(got-want) <= tolerance*math.Max(1, math.Abs(want))
}

// endGauge is testdata/gum/h1_end_gauge.json.
type endGauge struct {
	UC            float64            `json:"uc_nm"`
	Contributions map[string]float64 `json:"contributions_nm"`
	NuEff         float64            `json:"nu_eff"`
	K99           float64            `json:"k99"`
	U99           float64            `json:"U99_nm"`
	K95           float64            `json:"k95"`
	U95           float64            `json:"U95_nm"`
	SecondOrder   float64            `json:"second_order_nm"`
	UCWithSecond  float64            `json:"uc_with_second_order_nm"`
}

func readEndGauge(t *testing.T) endGauge {
	t.Helper()
	raw, err := os.ReadFile("../../../testdata/gum/h1_end_gauge.json")
	if err != nil {
		t.Fatal(err)
	}
	var g endGauge
	if err := json.Unmarshal(raw, &g); err != nil {
		t.Fatal(err)
	}
	return g
}

// endGaugeInputs are the inputs printed in JCGM 100:2008, annex H.1, in
// nanometres; the model is l = ls + d - ls (δα θ + αs δθ).
func endGaugeInputs() []uncertainty.Input {
	const ls, alpha, theta = 50_000_623.0, 11.5e-6, -0.1
	inf := uncertainty.Infinite
	return []uncertainty.Input{
		{Name: "ls", Estimate: ls, U: 25, Sensitivity: 1, DoF: 18, Distribution: uncertainty.Normal},
		{Name: "d_rep", Estimate: 215, U: 5.8, Sensitivity: 1, DoF: 24, Distribution: uncertainty.Normal},
		{Name: "d_comp_random", U: 3.9, Sensitivity: 1, DoF: 5, Distribution: uncertainty.Normal},
		{Name: "d_comp_systematic", U: 6.7, Sensitivity: 1, DoF: 8, Distribution: uncertainty.Normal},
		{Name: "alpha_s", Estimate: alpha, U: 1.2e-6, Sensitivity: 0, DoF: inf, Distribution: uncertainty.Rectangular},
		{Name: "theta", Estimate: theta, U: 0.41, Sensitivity: 0, DoF: inf, Distribution: uncertainty.UShaped},
		{Name: "delta_alpha", U: 0.58e-6, Sensitivity: -ls * theta, DoF: 50, Distribution: uncertainty.Rectangular},
		{Name: "delta_theta", U: 0.029, Sensitivity: -ls * alpha, DoF: 2, Distribution: uncertainty.Rectangular},
	}
}

func TestEndGaugeOfTheGuide(t *testing.T) {
	t.Parallel()
	want := readEndGauge(t)
	got, err := uncertainty.Combine(endGaugeInputs(), 0.99)
	if err != nil {
		t.Fatal(err)
	}
	if !near(got.U, want.UC, 1e-9) || !near(got.DoF, want.NuEff, 1e-9) || !near(got.K, want.K99, 1e-8) || !near(got.Expanded, want.U99, 1e-8) {
		t.Errorf("got u %v, ν %v, k %v, U %v; want %+v", got.U, got.DoF, got.K, got.Expanded, want)
	}
	for _, line := range got.Lines {
		if !near(line.Contribution, want.Contributions[line.Name], 1e-9) {
			t.Errorf("%s adds %v nm, want %v", line.Name, line.Contribution, want.Contributions[line.Name])
		}
	}
	// As printed: uc 32 nm, effective degrees of freedom 16, k 2.92, U 93 nm.
	if math.Round(got.U) != 32 || math.Floor(got.DoF) != 16 || math.Abs(got.K-2.92) > 0.005 || math.Round(got.Expanded) != 93 {
		t.Errorf("got u %v, ν %v, k %v, U %v; not as printed", got.U, got.DoF, got.K, got.Expanded)
	}
	at95, err := uncertainty.Combine(endGaugeInputs(), uncertainty.Coverage)
	if err != nil || !near(at95.K, want.K95, 1e-8) || !near(at95.Expanded, want.U95, 1e-8) {
		t.Errorf("at 95 %%: k %v, U %v, %v; want %v, %v", at95.K, at95.Expanded, err, want.K95, want.U95)
	}
}

// TestEndGaugeWithSecondOrder adds the terms of H.1.7: 11.9 nm and 1.7 nm, so that
// uc rises from 32 to 34 nm.
func TestEndGaugeWithSecondOrder(t *testing.T) {
	t.Parallel()
	want := readEndGauge(t)
	inputs := append(endGaugeInputs(),
		uncertainty.Input{Name: "delta_alpha theta", U: 0.58e-6 * 0.41, Sensitivity: 50_000_623, DoF: uncertainty.Infinite},
		uncertainty.Input{Name: "alpha_s delta_theta", U: 1.2e-6 * 0.029, Sensitivity: 50_000_623, DoF: uncertainty.Infinite},
	)
	got, err := uncertainty.Combine(inputs, uncertainty.Coverage)
	if err != nil || !near(got.U, want.UCWithSecond, 1e-6) || math.Round(got.U) != 34 {
		t.Errorf("got %v, %v; want %v", got.U, err, want.UCWithSecond)
	}
}

// TestCoverageFactors takes Student's t for 95 % from table G.2 of JCGM 100 (two
// decimals; from memory).
func TestCoverageFactors(t *testing.T) {
	t.Parallel()
	rows := map[string]struct{ dof, want float64 }{
		"one":                           {1, 12.71},
		"two":                           {2, 4.30},
		"five":                          {5, 2.57},
		"ten":                           {10, 2.23},
		"sixteen":                       {16, 2.12},
		"twenty":                        {20, 2.09},
		"fifty":                         {50, 2.01},
		"endless":                       {uncertainty.Infinite, 1.96},
		"a fraction is cut to the next": {10.9, 2.23},
		"below one counts as one":       {0.4, 12.71},
		"beyond a million":              {2e6, 1.96},
	}
	for name, row := range rows {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			got, err := uncertainty.Combine([]uncertainty.Input{{Name: "x", U: 1, Sensitivity: 1, DoF: row.dof}}, uncertainty.Coverage)
			if err != nil || math.Abs(got.K-row.want) > 0.005 {
				t.Errorf("k is %v, %v; want %v", got.K, err, row.want)
			}
		})
	}
}

// TestPool is the pooled standard deviation of the NIST/SEMATECH e-Handbook,
// 2.4.4.3: five series with one degree of freedom each give 0.0197.
func TestPool(t *testing.T) {
	t.Parallel()
	got, dof, err := uncertainty.Pool([]float64{0.0223, 0.0027, 0.0289, 0.0133, 0.0205}, []float64{1, 1, 1, 1, 1})
	if err != nil || math.Abs(got-0.0197) > 0.5e-4 || dof != 5 {
		t.Errorf("got %v with %v, %v", got, dof, err)
	}
	for name, row := range map[string]struct{ s, dof []float64 }{
		"nothing": {nil, nil}, "uneven": {[]float64{1, 2}, []float64{1}}, "negative": {[]float64{-1}, []float64{1}},
		"no degrees": {[]float64{1}, []float64{0}}, "endless degrees": {[]float64{1}, []float64{math.Inf(1)}},
	} {
		if got, _, err := uncertainty.Pool(row.s, row.dof); !errors.Is(err, uncertainty.ErrInput) {
			t.Errorf("%s: %v, %v", name, got, err)
		}
	}
}

// TestStandard: divisors of JCGM 100, 4.3.7 (√3), 4.3.9 (√6) and H.1.3.4 (√2, a cycling temperature).
func TestStandard(t *testing.T) {
	t.Parallel()
	for law, want := range map[uncertainty.Distribution]float64{
		uncertainty.Rectangular: 0.57735026919, uncertainty.Triangular: 0.40824829046, uncertainty.UShaped: 0.70710678119, uncertainty.Normal: 0.51021345692,
	} {
		if got := uncertainty.Standard(law, 1); !near(got, want, 1e-10) {
			t.Errorf("%s: %v, want %v", law, got, want)
		}
	}
}

func TestCombineRefuses(t *testing.T) {
	t.Parallel()
	rows := map[string]uncertainty.Input{
		"a negative uncertainty":         {Name: "x", U: -1, Sensitivity: 1, DoF: 1},
		"an uncertainty of no number":    {Name: "x", U: math.NaN(), Sensitivity: 1, DoF: 1},
		"an endless uncertainty":         {Name: "x", U: math.Inf(1), Sensitivity: 1, DoF: 1},
		"a sensitivity of no number":     {Name: "x", U: 1, Sensitivity: math.NaN(), DoF: 1},
		"an estimate of no number":       {Name: "x", Estimate: math.NaN(), U: 1, Sensitivity: 1, DoF: 1},
		"degrees of freedom left out":    {Name: "x", U: 1, Sensitivity: 1},
		"negative degrees of freedom":    {Name: "x", U: 1, Sensitivity: 1, DoF: -1},
		"degrees of freedom of no value": {Name: "x", U: 1, Sensitivity: 1, DoF: math.NaN()},
	}
	for name, in := range rows {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			if got, err := uncertainty.Combine([]uncertainty.Input{in}, 0.95); !errors.Is(err, uncertainty.ErrInput) {
				t.Errorf("got %+v, %v", got, err)
			}
		})
	}
	for _, coverage := range []float64{0, 1, math.NaN()} {
		if got, err := uncertainty.Combine(nil, coverage); !errors.Is(err, uncertainty.ErrInput) {
			t.Errorf("coverage %v: %+v, %v", coverage, got, err)
		}
	}
}

func TestNothingUncertainIsCertain(t *testing.T) {
	t.Parallel()
	got, err := uncertainty.Combine([]uncertainty.Input{{Name: "x", U: 0, Sensitivity: 1, DoF: 3}}, 0.95)
	if err != nil || got.U != 0 || got.Expanded != 0 || !math.IsInf(got.DoF, 1) || got.Lines[0].Share != 0 {
		t.Errorf("got %+v, %v", got, err)
	}
}

func TestBudgetsAnyBudgetObeys(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 8).Draw(t, "inputs")
		inputs := make([]uncertainty.Input, n)
		least, most := math.Inf(1), 0.0
		for i := range inputs {
			inputs[i] = uncertainty.Input{
				U:           rapid.Float64Range(1e-6, 100).Draw(t, "u"),
				Sensitivity: rapid.Float64Range(0.1, 10).Draw(t, "c"),
				DoF:         rapid.Float64Range(1, 200).Draw(t, "dof"),
			}
			least, most = math.Min(least, inputs[i].DoF), most+inputs[i].DoF
		}
		b, err := uncertainty.Combine(inputs, 0.95)
		if err != nil {
			t.Fatal(err)
		}
		// JCGM 100, G.4.1: the effective degrees of freedom never exceed the sum; nor
		// are they fewer than the fewest.
		if b.DoF > most*(1+1e-9) || b.DoF < least*(1-1e-9) {
			t.Errorf("ν %v from %v to %v", b.DoF, least, most)
		}
		share := 0.0
		for _, line := range b.Lines {
			share += line.Share
		}
		if !near(share, 1, 1e-12) {
			t.Errorf("shares add up to %v", share)
		}
		// A thousandfold unit gives a thousandfold uncertainty and the same k.
		scaled := make([]uncertainty.Input, n)
		copy(scaled, inputs)
		for i := range scaled {
			scaled[i].Sensitivity *= 1000
		}
		s, err := uncertainty.Combine(scaled, 0.95)
		if err != nil || !near(s.U, 1000*b.U, 1e-12) || s.K != b.K && math.Floor(s.DoF) == math.Floor(b.DoF) {
			t.Errorf("%v became %v, %v", b.U, s.U, err)
		}
		again, err := uncertainty.Combine(inputs, 0.95)
		if err != nil || !cmp.Equal(b, again) {
			t.Errorf("the same inputs gave another budget")
		}
	})
}
