package formprior_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"testing"

	"pinwright/internal/calc/formprior"
	"pinwright/internal/calc/wornsize"
)

var (
	form = wornsize.Form{BellMouth: 15, MiddleShare: 0.5, Ovality: 15, Surface: 6, Feel: 1}
	base = wornsize.Prior{Low: -30, High: 500, Shoulder: 20}
)

// club draws features of one kind from the model itself: bell mouth and ovality
// of the means given, bases from N(centre, spread²), read with a bore gauge in
// every section, twice, without directions.
func club(seed uint64, n int, bell, oval, centre, spread float64) formprior.History {
	r := rand.New(rand.NewPCG(seed, 1))
	h := formprior.History{Base: base}
	for range n {
		f := formprior.Feature{Form: form}
		b := centre + spread*r.NormFloat64()
		for z, station := range []wornsize.Station{wornsize.MouthA, wornsize.Middle, wornsize.MouthB} {
			t := bell * r.ExpFloat64()
			if z == 1 {
				t *= form.MiddleShare
			}
			w := oval * r.ExpFloat64()
			for range 2 {
				c := math.Cos(math.Pi * r.Float64())
				f.Readings = append(f.Readings, wornsize.Reading{Value: b + t + w*c*c + 2*r.NormFloat64(), U: 2, Common: -1, Station: station, Direction: math.NaN()})
			}
		}
		h.Features = append(h.Features, f)
	}
	return h
}

func learned(tb testing.TB, h formprior.History) formprior.Learned {
	tb.Helper()
	l, err := formprior.Learn(h)
	if err != nil {
		tb.Fatal(err)
	}
	return l
}

func TestWithoutHistoryTheAnswerIsTheDefaultExactly(t *testing.T) {
	t.Parallel()
	for _, h := range []formprior.History{{Base: base}, {Base: base, Features: []formprior.Feature{{Form: form}}}} {
		l := learned(t, h)
		if got := l.Of(form); got != form || l.Base != base || l.Features != 0 || l.Readings != 0 || l.BellMouth.Weight != 0 {
			t.Errorf("got %+v", l)
		}
	}
}

func TestFewFeaturesPullOnlySlightly(t *testing.T) {
	t.Parallel()
	// One feature of three times the default in both.
	l := learned(t, club(3, 1, 45, 45, 120, 30))
	for name, f := range map[string]formprior.Factor{"bell mouth": l.BellMouth, "ovality": l.Ovality} {
		if f.Value < 0.7 || f.Value > 1.7 || f.Weight > 0.4 || !(f.Low < f.Value && f.Value < f.High) {
			t.Errorf("%s: %+v", name, f)
		}
	}
}

// Where the club's features were drawn with known means, their factors are
// found again, as far as K known sections that average the default let them be:
// (sections × truth + K)/(sections + K), give or take what so many sections scatter.
func TestWhatAClubsFeaturesWereDrawnWithIsFound(t *testing.T) {
	t.Parallel()
	seeds, n := []uint64{1}, 6
	if os.Getenv("PINWRIGHT_LONG") != "" {
		seeds, n = []uint64{1, 2, 3, 4, 5, 6, 7, 8}, 24
	}
	for _, truth := range [][4]float64{{30, 8, 100, 25}, {6, 40, 220, 60}} {
		t.Run(fmt.Sprint(truth), func(t *testing.T) {
			t.Parallel()
			var off [2]float64
			for _, seed := range seeds {
				l := learned(t, club(seed, n, truth[0], truth[1], truth[2], truth[3]))
				for i, f := range []formprior.Factor{l.BellMouth, l.Ovality} {
					want := (f.Sections*truth[i]/15 + formprior.DefaultSections) / (f.Sections + formprior.DefaultSections)
					miss := math.Log(f.Value / want)
					off[i] += miss / float64(len(seeds))
					if math.Abs(miss) > 3/math.Sqrt(f.Sections+formprior.DefaultSections) {
						t.Errorf("seed %d, mean %d: factor %.3f with %.1f sections, drawn with %.3f", seed, i, f.Value, f.Sections, truth[i]/15)
					}
					if f.Sections > float64(3*n)*1.1 || !(f.Low < f.Value && f.Value < f.High) {
						t.Errorf("seed %d: %+v; %d sections were read", seed, f, 3*n)
					}
				}
				if math.Abs(l.Centre-truth[2]) > 120 || l.Spread < truth[3]*0.6 {
					t.Errorf("seed %d: bases with centre %.1f and spread %.1f", seed, l.Centre, l.Spread)
				}
			}
			if len(seeds) > 4 && (math.Abs(off[0]) > 0.15 || math.Abs(off[1]) > 0.15) {
				t.Errorf("over all seeds the factors are off by %.2f and %.2f in their logs", off[0], off[1])
			}
		})
	}
}

// The more features, the nearer to what they were drawn with, and the more weight.
func TestMoreFeaturesWeighMore(t *testing.T) {
	t.Parallel()
	var was formprior.Learned
	for i, n := range []int{1, 6} {
		l := learned(t, club(11, n, 45, 45, 120, 30))
		if i > 0 && (l.Ovality.Weight <= was.Ovality.Weight || l.Spread >= was.Spread) {
			t.Errorf("%d features: %+v after %+v", n, l, was)
		}
		was = l
	}
	if was.Ovality.Value < 1.5 {
		t.Errorf("six features of three times the default give %+v", was)
	}
}

func TestOrderDoesNotMatter(t *testing.T) {
	t.Parallel()
	h := club(5, 2, 25, 10, 80, 20)
	turned := h
	turned.Features = slices.Clone(h.Features)
	slices.Reverse(turned.Features)
	for i := range turned.Features {
		turned.Features[i].Readings = slices.Clone(turned.Features[i].Readings)
		slices.Reverse(turned.Features[i].Readings)
	}
	a, b := learned(t, h), learned(t, turned)
	for _, pair := range [][2]float64{{a.BellMouth.Value, b.BellMouth.Value}, {a.Ovality.Value, b.Ovality.Value}, {a.Centre, b.Centre}, {a.Spread, b.Spread}} {
		if math.Abs(pair[0]-pair[1]) > 1e-6*math.Abs(pair[0]) {
			t.Errorf("%g became %g", pair[0], pair[1])
		}
	}
}

// objective is what is to be maximised, each evidence asked of the engine with a normal law of the base.
func objective(tb testing.TB, h formprior.History, kt, ko, c, s float64) float64 {
	c0, s0 := (base.Low+base.High)/2, spreadOf(base)
	sum := -formprior.DefaultSections*(math.Log(kt)+1/kt) - formprior.DefaultSections*(math.Log(ko)+1/ko) -
		formprior.DefaultFeatures*(math.Log(s)+(s0*s0+(c-c0)*(c-c0))/(2*s*s))
	for _, f := range h.Features {
		m := f.Form
		m.BellMouth *= kt
		m.Ovality *= ko
		p, err := wornsize.Estimate(wornsize.Set{Features: []wornsize.Feature{{Readings: f.Readings, Form: m, Prior: wornsize.Prior{Low: c, High: c, Shoulder: s}}}})
		if err != nil {
			tb.Fatal(err)
		}
		sum += p.LogEvidence
	}
	return sum
}

// spreadOf is the standard deviation of the default, summed numerically.
func spreadOf(p wornsize.Prior) float64 {
	var zero, second float64
	c := (p.Low + p.High) / 2
	for x := p.Low - 10*p.Shoulder; x < p.High+10*p.Shoulder; x += 0.05 {
		z := math.Max(0, math.Max(p.Low-x, x-p.High)) / p.Shoulder
		w := math.Exp(-z * z / 2)
		zero += w
		second += w * (x - c) * (x - c)
	}
	return math.Sqrt(second / zero)
}

// No point of a grid around the answer is better, the engine being asked at
// each with the normal law of the base itself.
func TestNoPointOfAGridIsBetter(t *testing.T) {
	t.Parallel()
	h := club(21, 2, 30, 8, 100, 25)
	l := learned(t, h)
	best := objective(t, h, l.BellMouth.Value, l.Ovality.Value, l.Centre, l.Spread)
	for _, kt := range []float64{0.6, 0.85, 1.18, 1.6} {
		for _, ko := range []float64{0.6, 0.85, 1.18, 1.6} {
			if got := objective(t, h, l.BellMouth.Value*kt, l.Ovality.Value*ko, l.Centre, l.Spread); got > best+0.02 {
				t.Errorf("factors × %g and × %g are better by %g", kt, ko, got-best)
			}
		}
	}
	for _, c := range []float64{-30, 0, 30} {
		for _, s := range []float64{0.8, 1, 1.25} {
			if got := objective(t, h, l.BellMouth.Value, l.Ovality.Value, l.Centre+c, l.Spread*s); got > best+0.02 {
				t.Errorf("centre %+g and spread × %g are better by %g", c, s, got-best)
			}
		}
	}
}

func TestGainsTellOfTheSurface(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(8, 8))
	h := formprior.History{Base: base}
	for range 24 {
		h.Features = append(h.Features, formprior.Feature{Form: form, Gain: &formprior.Gain{Size: 18*r.ExpFloat64() + 2*r.NormFloat64(), U: 2}})
	}
	l := learned(t, h)
	if l.Surface.Value < 2 || l.Surface.Value > 4.2 || l.Gains != 24 || l.Surface.Weight < 0.6 || l.BellMouth.Value != 1 {
		t.Errorf("drawn with three times the default: %+v", l)
	}
	// By hand: known gains that average a multiple of the default give (K + Σ d/α)/(K + n).
	h.Features = nil
	for range 6 {
		h.Features = append(h.Features, formprior.Feature{Form: form, Gain: &formprior.Gain{Size: 12, U: 0.01}})
	}
	if got, want := learned(t, h).Surface.Value, (6+6*2.0)/(6+6); math.Abs(got-want) > 1e-3 {
		t.Errorf("got %g, want %g", got, want)
	}
}

func TestWhatCannotBeLearnedFrom(t *testing.T) {
	t.Parallel()
	many := club(1, 25, 10, 10, 0, 10)
	long := club(1, 1, 10, 10, 0, 10)
	for range 3 {
		long.Features[0].Readings = append(long.Features[0].Readings, long.Features[0].Readings...)
	}
	broken := club(1, 1, 10, 10, 0, 10)
	broken.Features[0].Readings[0].Value = math.NaN()
	gain := formprior.History{Base: base, Features: []formprior.Feature{{Form: form, Gain: &formprior.Gain{Size: 1}}}}
	for name, h := range map[string]formprior.History{"too many features": many, "too many readings": long, "no number": broken, "a gain without uncertainty": gain} {
		if _, err := formprior.Learn(h); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
	// One gauge that goes is little, but no error.
	one := formprior.History{Base: base, Features: []formprior.Feature{{Form: form, Readings: []wornsize.Reading{{Kind: wornsize.Go, Value: 50, U: 1, Common: -1, Direction: math.NaN()}}}}}
	if l := learned(t, one); math.Abs(l.BellMouth.Value-1) > 0.2 || math.Abs(l.Ovality.Value-1) > 0.2 {
		t.Errorf("one gauge: %+v", l)
	}
}

func BenchmarkLearn(b *testing.B) {
	h := club(1, 4, 30, 8, 100, 25)
	b.ReportAllocs()
	for b.Loop() {
		learned(b, h)
	}
}

func FuzzLearn(f *testing.F) {
	f.Add(0, 100.0, 3.0, 1, 1, 12.0, 2.0)
	f.Add(3, -1e5, 0.01, 0, 3, -500.0, 1e-9)
	f.Fuzz(func(t *testing.T, kind int, value, u float64, station, common int, gain, gainU float64) {
		l, err := formprior.Learn(formprior.History{Base: base, Features: []formprior.Feature{{
			Form: form, Gain: &formprior.Gain{Size: gain, U: gainU}, Commons: []wornsize.Common{{U: 2}, {HalfWidth: 3}},
			Readings: []wornsize.Reading{{Kind: wornsize.Kind(kind), Value: value, U: u, Station: wornsize.Station(station), Common: common, BiasHigh: 5}},
		}}})
		if err != nil {
			return
		}
		for _, v := range []float64{l.BellMouth.Value, l.Ovality.Value, l.Surface.Value, l.Centre, l.Spread, l.Base.Shoulder, l.BellMouth.Sections} {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				t.Fatalf("%+v", l)
			}
		}
	})
}
