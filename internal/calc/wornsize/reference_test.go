package wornsize

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/mat"
)

// Reference case F: three measured readings, u = 3 µm, and four pin gauges of
// blur 1 µm in one bore; maximum of the interval-censored likelihood, its
// value (densities per mm) and the 95 % profile interval by scipy 1.10.1
// (scipy.stats.norm, scipy.optimize), as do survival models of R.
func TestNoFormErrorIsTheIntervalCensoredLikelihood(t *testing.T) {
	t.Parallel()
	const (
		size, logLikelihood = 10.012899075419384, 13.828011970647463
		low, high           = 10.011085338824325, 10.01473157936559
	)
	at := func(mm float64) float64 { return (mm - 10) * 1000 }
	f := Feature{Prior: Prior{Low: -50, High: 80, Shoulder: 10}}
	for _, mm := range []float64{10.012, 10.015, 10.011} {
		f.Readings = append(f.Readings, measured(at(mm), 3, AnyStation, unknown))
	}
	for mm, kind := range map[float64]Kind{10.01: Go, 10.012: Go, 10.014: NoGo, 10.016: NoGo} {
		f.Readings = append(f.Readings, tried(kind, at(mm), 1, AnyStation))
	}
	likelihood := func(mm float64) float64 {
		l, err := LogLikelihood(f, at(mm))
		if err != nil {
			t.Fatal(err)
		}
		return l + 3*math.Log(1000)
	}
	if got := likelihood(size); math.Abs(got-logLikelihood) > 1e-7 {
		t.Errorf("log likelihood at the mode %.9f, want %.9f", got, logLikelihood)
	}
	step := 1e-6
	slope := (likelihood(size+step) - likelihood(size-step)) / (2 * step)
	curvature := (likelihood(size+step) - 2*likelihood(size) + likelihood(size-step)) / (step * step)
	if off := slope / curvature; math.Abs(off) > 1e-7 {
		t.Errorf("the mode lies %g mm from the reference", off)
	}
	const half = 3.841458820694124 / 2 // of chi-squared with one degree of freedom at 95 %
	for _, end := range []float64{low, high} {
		if got := likelihood(end); math.Abs(logLikelihood-got-half) > 1e-4 {
			t.Errorf("at the profile end %.6f the log likelihood has fallen by %.6f, want %.6f", end, logLikelihood-got, half)
		}
	}
	// The served law has the likelihood as its density under a flat prior.
	law := estimateOrFail(t, one(f)).Features[0].Passing
	width := 0.1
	mode, most := 0.0, 0.0
	for x := at(low); x < at(high); x += 0.01 {
		if p := law.CDF(x+width) - law.CDF(x-width); p > most {
			mode, most = x, p
		}
	}
	if math.Abs(mode-at(size)) > 0.05 {
		t.Errorf("the served law peaks at %.3f µm, want %.3f", mode, at(size))
	}
	ratio := (law.CDF(at(low)+width) - law.CDF(at(low)-width)) / most
	if want := math.Exp(-half); math.Abs(ratio-want) > 0.01*want {
		t.Errorf("density at the profile end is %.4f of the peak, want %.4f", ratio, want)
	}
}

// JCGM 100:2008, 5.2 and F.1.2.3: errors that readings share enter through
// covariances. Without form error the answer is the generalised least squares
// mean, here by plain matrices.
func TestNoFormErrorIsGeneralisedLeastSquares(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		values, us []float64
		common     []int
		shared     []float64
	}{
		"one instrument":                    {[]float64{3, 7, 4}, []float64{2, 3, 1.5}, []int{0, 0, 0}, []float64{4}},
		"one instrument against single":     {[]float64{3, 7, 14}, []float64{2, 3, 2.5}, []int{0, 0, -1}, []float64{4}},
		"two instruments that disagree":     {[]float64{3, 7, 14, 19, 12}, []float64{1, 1.5, 2, 1, 1}, []int{0, 0, 1, 1, 1}, []float64{5, 3}},
		"an instrument worse than its blur": {[]float64{3, 3.5, 4, 20}, []float64{0.5, 0.5, 0.5, 3}, []int{0, 0, 0, -1}, []float64{10}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			f := Feature{Prior: Prior{Low: -500, High: 500, Shoulder: 10}}
			set := Set{}
			n := len(c.values)
			cov := mat.NewSymDense(n, nil)
			for i, v := range c.values {
				f.Readings = append(f.Readings, Reading{Value: v, U: c.us[i], Common: c.common[i], Direction: unknown})
				for j := i; j < n; j++ {
					var s float64
					if i == j {
						s = c.us[i] * c.us[i]
					}
					if k := c.common[i]; k >= 0 && k == c.common[j] {
						s += c.shared[k] * c.shared[k]
					}
					cov.SetSym(i, j, s)
				}
			}
			for _, u := range c.shared {
				set.Commons = append(set.Commons, Common{U: u})
			}
			set.Features = []Feature{f}
			var chol mat.Cholesky
			if !chol.Factorize(cov) {
				t.Fatal("the covariance is not positive")
			}
			ones, y := mat.NewVecDense(n, nil), mat.NewVecDense(n, c.values)
			for i := range n {
				ones.SetVec(i, 1)
			}
			var byOnes, byY mat.VecDense
			if chol.SolveVecTo(&byOnes, ones) != nil || chol.SolveVecTo(&byY, y) != nil {
				t.Fatal("the covariance cannot be solved")
			}
			information := mat.Dot(ones, &byOnes)
			mean, sd := mat.Dot(ones, &byY)/information, 1/math.Sqrt(information)
			chi := mat.Dot(y, &byY) - mean*mean*information
			logEvidence := -0.5*(float64(n-1)*math.Log(2*math.Pi)+chol.LogDet()+math.Log(information)+chi) -
				math.Log(1000+10*math.Sqrt(2*math.Pi))

			p := estimateOrFail(t, set)
			law := p.Features[0].Passing
			if d := law.Mean() - mean; math.Abs(d) > 1e-6*sd {
				t.Errorf("mean %.9f, want %.9f: %.1e of its deviation", law.Mean(), mean, d/sd)
			}
			if d := p.LogEvidence - logEvidence; math.Abs(d) > 1e-6 {
				t.Errorf("log evidence %.9f, want %.9f", p.LogEvidence, logEvidence)
			}
			if d := law.SD()/sd - 1; math.Abs(d) > 1e-4 {
				t.Errorf("deviation %.7f, want %.7f", law.SD(), sd)
			}
			for _, z := range []float64{-2, -1, 0, 1.5} {
				if got := law.CDF(mean + z*sd); math.Abs(got-phi(z)) > 5e-5 {
					t.Errorf("probability %.6f at %g deviations, want %.6f", got, z, phi(z))
				}
			}
		})
	}
}
