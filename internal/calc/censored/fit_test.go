package censored_test

import (
	"errors"
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"pinwright/internal/calc/censored"
)

var inf = math.Inf(1)

func exactly(values ...float64) (out []censored.Reading) {
	for _, v := range values {
		out = append(out, censored.Reading{Low: v, High: v})
	}
	return out
}

func repeated(n int, low, high float64) (out []censored.Reading) {
	for range n {
		out = append(out, censored.Reading{Low: low, High: high})
	}
	return out
}

// mixed is case A: made-up readings of every kind.
func mixed() []censored.Reading {
	return slices.Concat(exactly(12.1, 9.4, 15.8, 11.0, 7.6, 13.3, 10.2),
		repeated(3, 5, 10), repeated(5, 10, 15), repeated(2, 15, 20), repeated(1, -inf, 5), repeated(2, 20, inf))
}

// oneBore is case F: three micrometer readings of u 3 µm and four pins whose
// feel blurs by 1 µm, in mm, of one size.
func oneBore() []censored.Reading {
	out := exactly(10.012, 10.015, 10.011)
	for i := range out {
		out[i].Blur = 0.003
	}
	for _, pin := range []float64{10.010, 10.012} {
		out = append(out, censored.Reading{Low: pin, High: inf, Blur: 0.001})
	}
	for _, pin := range []float64{10.014, 10.016} {
		out = append(out, censored.Reading{Low: -inf, High: pin, Blur: 0.001})
	}
	return out
}

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s is %.10g, want %.10g ± %g", what, got, want, tolerance)
	}
}

func fitted(t *testing.T, readings []censored.Reading, sigma *float64) censored.Fit {
	t.Helper()
	f, err := censored.Normal(readings, sigma)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// Source: R 4.2.2, package survival 3.5-3, survreg(Surv(..., type = "interval2") ~ 1,
// dist = "gaussian"); profile intervals by scipy 1.10.1 with numpy 1.24.2, an
// independent optimiser.
func TestMixedReadingsAsAStatisticsProgramFitsThem(t *testing.T) {
	t.Parallel()
	f := fitted(t, mixed(), nil)
	near(t, "mu", f.Mu, 12.3337323269, 12e-6)
	near(t, "sigma", f.Sigma, 4.79606975263, 5e-6)
	near(t, "log likelihood", f.LogLikelihood, -38.7383483315, 1e-6)
	near(t, "se of mu", f.SEMu, 1.10880386263, 2e-6)
	near(t, "se of ln sigma", f.SELogSigma, 0.185112103703, 2e-6)
	near(t, "covariance", f.Covariance, 0.00465152597747, 2e-6)
	near(t, "lower end of mu", f.MuInterval.Low, 10.039043187139395, 1e-4)
	near(t, "upper end of mu", f.MuInterval.High, 14.668417030356418, 1e-4)
	near(t, "lower end of sigma", f.SigmaInterval.Low, 3.451223342743565, 1e-4)
	near(t, "upper end of sigma", f.SigmaInterval.High, 7.1920745154828465, 1e-4)
}

// Source: as above; and by hand: mean and standard deviation with divisor n.
func TestExactReadingsAlone(t *testing.T) {
	t.Parallel()
	f := fitted(t, exactly(12.1, 9.4, 15.8, 11.0, 7.6, 13.3, 10.2), nil)
	near(t, "mu", f.Mu, 11.3428571429, 1e-9)
	near(t, "sigma", f.Sigma, 2.49219188831, 1e-9)
	near(t, "log likelihood", f.LogLikelihood, -16.3247079303, 1e-9)
	near(t, "se of mu", f.SEMu, 0.941959993703, 1e-9)
	near(t, "se of ln sigma", f.SELogSigma, 1/math.Sqrt(14), 1e-9)
	near(t, "covariance", f.Covariance, 0, 1e-9)
}

// Source: scipy 1.10.1 (bounded minimisation of the same likelihood).
func TestOneBoreByMicrometerAndPins(t *testing.T) {
	t.Parallel()
	none := 0.0
	f := fitted(t, oneBore(), &none)
	near(t, "size", f.Mu, 10.012899075419384, 1e-7)
	near(t, "log likelihood", f.LogLikelihood, 13.828011970647463, 1e-6)
	near(t, "standard error", f.SEMu, 0.0009528350104438808, 1e-8)
	near(t, "lower end", f.MuInterval.Low, 10.011085338824325, 1e-6)
	near(t, "upper end", f.MuInterval.High, 10.01473157936559, 1e-6)
	// Left free, the spread is what these readings need: none beyond their blur.
	free := fitted(t, oneBore(), nil)
	near(t, "free spread", free.Sigma, 0, 1e-6)
	near(t, "size with free spread", free.Mu, f.Mu, 1e-6)
	if free.SigmaInterval.Low != 0 || !(free.SigmaInterval.High > 0.001 && free.SigmaInterval.High < 0.02) {
		t.Errorf("the spread's interval is %v", free.SigmaInterval)
	}
}

func TestWhatHasNoFiniteAnswer(t *testing.T) {
	t.Parallel()
	none, wide := 0.0, -1.0
	for name, tc := range map[string]struct {
		readings []censored.Reading
		sigma    *float64
		want     error
	}{
		"nothing":                            {nil, nil, censored.ErrNone},
		"one exact reading":                  {exactly(3), nil, censored.ErrNoSpread},
		"equal exact readings":               {exactly(3, 3, 3), nil, censored.ErrNoSpread},
		"an exact reading within intervals":  {slices.Concat(exactly(3), repeated(4, 2, 5)), nil, censored.ErrNoSpread},
		"intervals with a common part":       {[]censored.Reading{{Low: 1, High: 4}, {Low: 3, High: 6}, {Low: 2, High: 5}}, nil, censored.ErrNoSpread},
		"intervals that touch":               {[]censored.Reading{{Low: 0, High: 5}, {Low: 5, High: 10}}, nil, censored.ErrNoSpread},
		"below and above with common part":   {[]censored.Reading{{Low: -inf, High: 5}, {Low: 3, High: inf}}, nil, censored.ErrNoSpread},
		"all above":                          {repeated(5, 3, inf), nil, censored.ErrOneSided},
		"all below":                          {repeated(5, -inf, 3), nil, censored.ErrOneSided},
		"all above, spread known":            {repeated(5, 3, inf), new(2.0), censored.ErrOneSided},
		"below and above at odds":            {[]censored.Reading{{Low: -inf, High: 3}, {Low: 5, High: inf}}, nil, censored.ErrTooSpread},
		"no spread and no blur":              {exactly(1, 2), &none, censored.ErrSigma},
		"sharp intervals and blurred values": {[]censored.Reading{{Low: 0, High: 5}, {Low: 3, High: 3, Blur: 1}}, nil, censored.ErrNoSpread},
	} {
		if f, err := censored.Normal(tc.readings, tc.sigma); !errors.Is(err, tc.want) {
			t.Errorf("%s: got %+v and %v, want %v", name, f, err, tc.want)
		}
	}
	for name, bad := range map[string]censored.Reading{
		"ends swapped": {Low: 2, High: 1}, "no number": {Low: math.NaN(), High: 1}, "no end": {Low: -inf, High: inf},
		"below nothing": {Low: -inf, High: -inf}, "blur below zero": {Low: 1, High: 1, Blur: -1}, "blur unknown": {Low: 1, High: 1, Blur: math.NaN()}, "vast": {Low: 1e200, High: 1e200},
	} {
		if _, err := censored.Normal(append(exactly(1, 2), bad), nil); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
	if _, err := censored.Normal(exactly(1, 2), &wide); err == nil {
		t.Error("a negative spread was taken")
	}
}

// drawn gives readings of every kind that have a finite fit, or not.
func drawn(t *rapid.T, blurred bool) []censored.Reading {
	var out []censored.Reading
	for range rapid.IntRange(2, 12).Draw(t, "n") {
		x := float64(rapid.IntRange(-40, 40).Draw(t, "x"))
		r := censored.Reading{Low: x, High: x}
		switch rapid.IntRange(0, 4).Draw(t, "kind") {
		case 1:
			r.High = x + float64(rapid.IntRange(1, 30).Draw(t, "width"))
		case 2:
			r.Low = -inf
		case 3:
			r.High = inf
		}
		if blurred {
			r.Blur = float64(rapid.IntRange(1, 8).Draw(t, "blur"))
		}
		out = append(out, r)
	}
	return out
}

// logLikelihood is the definition, summed without care for tails.
func logLikelihood(readings []censored.Reading, mu, sigma float64) (sum float64) {
	below := func(z float64) float64 { return math.Erfc(-z/math.Sqrt2) / 2 }
	for _, r := range readings {
		s := math.Hypot(sigma, r.Blur)
		if r.Low == r.High {
			z := (r.Low - mu) / s
			sum += -z*z/2 - math.Log(s*math.Sqrt(2*math.Pi))
			continue
		}
		sum += math.Log(below((r.High-mu)/s) - below((r.Low-mu)/s))
	}
	return sum
}

// No point of a grid over mean and spread fits better than the fit, and the
// intervals hold every mean and spread at which some point fits nearly as well.
func TestNoPointOfAGridFitsBetter(t *testing.T) {
	t.Parallel()
	answered := 0
	rapid.Check(t, func(t *rapid.T) {
		readings := drawn(t, rapid.Bool().Draw(t, "blurred"))
		f, err := censored.Normal(readings, nil)
		if err != nil {
			return
		}
		answered++
		if at := logLikelihood(readings, f.Mu, f.Sigma); f.Sigma > 0 && !math.IsInf(at, 0) && math.Abs(at-f.LogLikelihood) > 1e-6*(1+math.Abs(at)) {
			t.Fatalf("says %g, is %g", f.LogLikelihood, at)
		}
		for i := -30.0; i <= 30; i++ {
			for j := -12.0; j <= 12; j++ {
				mu, sigma := f.Mu+i*4, math.Exp(j/2)*10
				l := logLikelihood(readings, mu, sigma)
				if l > f.LogLikelihood+1e-7 {
					t.Fatalf("mean %g and spread %g fit better (%g) than %+v", mu, sigma, l, f)
				}
				if l > f.LogLikelihood-1.9207+1e-3 && (mu < f.MuInterval.Low-1e-6 || mu > f.MuInterval.High+1e-6 || sigma < f.SigmaInterval.Low-1e-6 || sigma > f.SigmaInterval.High+1e-6) {
					t.Fatalf("mean %g and spread %g fit nearly as well (%g) but lie outside %+v", mu, sigma, l, f)
				}
			}
		}
	})
	if answered < 20 {
		t.Errorf("only %d draws had an answer; this proves nothing", answered)
	}
}

func TestUnitsAndOrderDoNotMatter(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		readings := drawn(t, rapid.Bool().Draw(t, "blurred"))
		f, err := censored.Normal(readings, nil)
		scale := rapid.SampledFrom([]float64{1e-6, 0.0254, 1, 1000}).Draw(t, "scale")
		shift := rapid.SampledFrom([]float64{0, -300, 8000}).Draw(t, "shift")
		moved := rapid.Permutation(readings).Draw(t, "order")
		exact := 0
		for i, r := range moved {
			if r.Low == r.High {
				exact++
			}
			moved[i] = censored.Reading{Low: scale * (r.Low + shift), High: scale * (r.High + shift), Blur: scale * r.Blur}
		}
		g, err2 := censored.Normal(moved, nil)
		if (err == nil) != (err2 == nil) {
			t.Fatalf("%v became %v", err, err2)
		}
		if err != nil {
			return
		}
		tolerance := 1e-6 * (1 + f.Sigma)
		for name, pair := range map[string][2]float64{
			"mu": {f.Mu, g.Mu/scale - shift}, "sigma": {f.Sigma, g.Sigma / scale}, "se": {f.SEMu, g.SEMu / scale},
			"log likelihood": {f.LogLikelihood, g.LogLikelihood + float64(exact)*math.Log(scale)},
			"low":            {f.MuInterval.Low, g.MuInterval.Low/scale - shift}, "high": {f.MuInterval.High, g.MuInterval.High/scale - shift},
		} {
			if pair[0] != pair[1] && math.Abs(pair[0]-pair[1]) > tolerance && math.Abs(pair[0]) < 1e4 {
				t.Fatalf("%s: %g became %g", name, pair[0], pair[1])
			}
		}
	})
}

func FuzzNormal(f *testing.F) {
	f.Add(1.0, 2.0, 0.0, 3.0, 3.0, 0.5, -1.0)
	f.Add(-1e99, 1e99, 1e-90, 3.0, 3.0, 0.5, 1e-30)
	f.Fuzz(func(t *testing.T, a, b, u, c, d, v, sigma float64) {
		var known *float64
		if sigma >= 0 {
			known = &sigma
		}
		fit, err := censored.Normal([]censored.Reading{{Low: a, High: b, Blur: u}, {Low: c, High: d, Blur: v}, {Low: a, High: a, Blur: v}, {Low: -inf, High: d}}, known)
		if err == nil && (math.IsNaN(fit.Mu) || math.IsInf(fit.Mu, 0) || math.IsNaN(fit.LogLikelihood) || !(fit.Sigma >= 0)) {
			t.Errorf("got %+v", fit)
		}
	})
}

func BenchmarkNormal(b *testing.B) {
	all := mixed()
	b.ReportAllocs()
	for b.Loop() {
		if _, err := censored.Normal(all, nil); err != nil {
			b.Fatal(err)
		}
	}
}
