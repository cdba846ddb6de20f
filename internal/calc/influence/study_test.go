package influence_test

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"pinwright/internal/calc/influence"
	"pinwright/internal/calc/wornsize"
)

var form = wornsize.Form{BellMouth: 10, MiddleShare: 0.5, Ovality: 10, Surface: 3, Feel: 1.5}

func measured(station wornsize.Station, values ...float64) (out []wornsize.Reading) {
	for _, v := range values {
		out = append(out, wornsize.Reading{Value: v, U: 3, Common: -1, Station: station, Direction: math.NaN()})
	}
	return out
}

func gauged(kind wornsize.Kind, size float64) wornsize.Reading {
	return wornsize.Reading{Kind: kind, Value: size, U: 1, Common: -1, Direction: math.NaN()}
}

func bore(readings ...wornsize.Reading) wornsize.Feature {
	return wornsize.Feature{Readings: readings, Form: form, Prior: wornsize.Prior{Low: -30, High: 500, Shoulder: 20}}
}

func look(tb testing.TB, f wornsize.Feature, commons []wornsize.Common) influence.Study {
	tb.Helper()
	s, err := influence.Look(f, commons, 0)
	if err != nil {
		tb.Fatal(err)
	}
	return s
}

func outliers(s influence.Study) (out []int) {
	for _, f := range s.Findings {
		if f.Outlier {
			out = append(out, f.Reading)
		}
	}
	return out
}

func TestOutliersAreFoundAndSoundReadingsAreNot(t *testing.T) {
	t.Parallel()
	sound := slices.Concat(measured(wornsize.MouthA, 112, 118), measured(wornsize.Middle, 101, 104), measured(wornsize.MouthB, 109))
	for name, tc := range map[string]struct {
		f    wornsize.Feature
		want []int
	}{
		"sound":                    {bore(sound...), nil},
		"a hundredth too much":     {bore(slices.Concat(sound, measured(wornsize.Middle, 260))...), []int{5}},
		"far too small":            {bore(slices.Concat(sound, measured(wornsize.Middle, -20))...), []int{5}},
		"a gauge that cannot go":   {bore(append(slices.Clone(sound), gauged(wornsize.Go, 160))...), []int{5}},
		"a gauge that must go":     {bore(append(slices.Clone(sound), gauged(wornsize.NoGo, 60))...), []int{5}},
		"a gauge that goes":        {bore(append(slices.Clone(sound), gauged(wornsize.Go, 95))...), nil},
		"two that hide each other": {bore(slices.Concat(sound, measured(wornsize.Middle, 320, 322))...), []int{5, 6}},
		"alone":                    {bore(sound[:1]...), nil},
		"nothing":                  {bore(), nil},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := look(t, tc.f, nil)
			if got := outliers(s); !slices.Equal(got, tc.want) {
				t.Errorf("outliers %v, want %v: %+v", got, tc.want, s)
			}
			if len(tc.f.Readings) > 1 && len(s.Findings) != len(tc.f.Readings) {
				t.Errorf("%d of %d looked at", len(s.Findings), len(tc.f.Readings))
			}
		})
	}
}

// What a reading moves is the answer with it less the answer without it.
func TestShiftsAreWhatLeavingOutMoves(t *testing.T) {
	t.Parallel()
	f := bore(slices.Concat(measured(wornsize.Middle, 100, 104), measured(wornsize.MouthA, 140))...)
	s := look(t, f, nil)
	with, err := wornsize.Estimate(wornsize.Set{Features: []wornsize.Feature{f}})
	if err != nil {
		t.Fatal(err)
	}
	for _, found := range s.Findings {
		rest := f
		rest.Readings = slices.Delete(slices.Clone(f.Readings), found.Reading, found.Reading+1)
		without, err := wornsize.Estimate(wornsize.Set{Features: []wornsize.Feature{rest}})
		if err != nil {
			t.Fatal(err)
		}
		a, b := with.Features[0].CleanUp, without.Features[0].CleanUp
		if d := a.Quantile(0.95) - b.Quantile(0.95); math.Abs(d-found.CleanUp.Upper) > 1e-9 {
			t.Errorf("reading %d: %g, want %g", found.Reading, found.CleanUp.Upper, d)
		}
	}
	if mouth := s.Findings[2]; math.Abs(mouth.CleanUp.Median) < 5 {
		t.Errorf("the belled mouth moves the clean-up size by %g only", mouth.CleanUp.Median)
	}
}

// Without form error the predictive law of a reading is normal, and its p-value
// has a closed form: with n readings of u elsewhere (flat prior) it is N(mean, u²(1+1/n)).
// Source: A. Gelman et al., Bayesian Data Analysis, 3rd ed., 2.5.
func TestSurpriseOfAPlainSizeIsTheNormalOne(t *testing.T) {
	t.Parallel()
	for _, odd := range []float64{109, 110.5, 113} {
		f := bore(measured(wornsize.Middle, 100, 99, 101, 100, odd)...)
		f.Form = wornsize.Form{}
		found := look(t, f, nil).Findings[4]
		want := math.Erfc((odd - 100) / (3 * math.Sqrt(1.25)) / math.Sqrt2)
		if math.Abs(found.Surprise-want) > 0.02*want {
			t.Errorf("%g: %g, want %g", odd, found.Surprise, want)
		}
		if found.Outlier != (want < influence.FamilyWise/10) {
			t.Errorf("%g with p = %g: outlier %v", odd, want, found.Outlier)
		}
	}
}

// The predictive probability of a gauge's outcome is the mean over the law of
// the passing size without it.
func TestSurpriseOfAGaugeIsItsProbability(t *testing.T) {
	t.Parallel()
	f := bore(append(measured(wornsize.Middle, 100, 104), gauged(wornsize.Go, 108))...)
	rest := f
	rest.Readings = f.Readings[:2]
	p, err := wornsize.Estimate(wornsize.Set{Features: []wornsize.Feature{rest}})
	if err != nil {
		t.Fatal(err)
	}
	law := p.Features[0].Passing
	var want float64
	for i := range 2000 { // P(S > g + feel + noise)
		z := -5 + 10*(float64(i)+0.5)/2000
		want += (1 - law.CDF(108+1.5+z)) * math.Exp(-z*z/2) / math.Sqrt(2*math.Pi) * 10 / 2000
	}
	if got := look(t, f, nil).Findings[2].Surprise; math.Abs(got-want) > 2e-3 {
		t.Errorf("got %g, want %g", got, want)
	}
}

// Of clubs whose readings are all sound, drawn from the model itself, few show
// an outlier.
func TestSoundReadingsSeldomLookOdd(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(4, 4))
	alarms := 0
	const n = 16
	for range n {
		var readings []wornsize.Reading
		b := 100 * r.Float64()
		for z, station := range []wornsize.Station{wornsize.MouthA, wornsize.Middle, wornsize.MouthB} {
			bell := 10 * r.ExpFloat64()
			if z == 1 {
				bell /= 2
			}
			w := 10 * r.ExpFloat64()
			for range 2 {
				c := math.Cos(math.Pi * r.Float64())
				readings = append(readings, measured(station, b+bell+w*c*c+3*r.NormFloat64())...)
			}
		}
		if len(outliers(look(t, bore(readings...), nil))) > 0 {
			alarms++
		}
	}
	if alarms > 2 { // 1 % each: three or more of 16 happen once in 2000 times
		t.Errorf("%d of %d sound features show outliers", alarms, n)
	}
}

func TestManyReadingsCostNoMoreThanSome(t *testing.T) {
	t.Parallel()
	var readings []wornsize.Reading
	for i := range 30 {
		readings = append(readings, measured(wornsize.Station(1+i%3), 100+float64(i%5))...)
	}
	readings[17].Value = 240
	s := look(t, bore(readings...), nil)
	if len(s.Findings) != influence.MostLeftOut || s.NotLooked != 30-influence.MostLeftOut || !slices.Equal(outliers(s), []int{17}) {
		t.Errorf("got %+v", s)
	}
	if s, err := influence.Look(bore(readings...), nil, 3); err != nil || len(s.Findings) != 3 || !slices.Equal(outliers(s), []int{17}) {
		t.Errorf("the three furthest: %+v %v", s, err)
	}
}

func TestSharedErrorsAreNoSurprise(t *testing.T) {
	t.Parallel()
	commons := []wornsize.Common{{U: 30}}
	f := bore(measured(wornsize.Middle, 100, 103, 101, 150)...)
	for i := range 3 {
		f.Readings[i].Common = 0
	}
	if got := outliers(look(t, f, commons)); got != nil {
		t.Errorf("an instrument that may be 30 µm off makes outliers of %v", got)
	}
}

func TestAPinIsTheMirrorImage(t *testing.T) {
	t.Parallel()
	a := bore(slices.Concat(measured(wornsize.Middle, 100, 104), measured(wornsize.Middle, 190))...)
	b := a
	b.Shape = wornsize.Pin
	b.Prior.Low, b.Prior.High = -a.Prior.High, -a.Prior.Low
	b.Form.MiddleShare, a.Form.MiddleShare = 1, 1 // then ends and middle are alike
	a.Form.Surface = 0                            // a pin is not cut
	b.Readings = slices.Clone(a.Readings)
	for i := range b.Readings {
		b.Readings[i].Value *= -1
	}
	x, y := look(t, a, nil), look(t, b, nil)
	for i := range x.Findings {
		if p, q := x.Findings[i].Surprise, y.Findings[i].Surprise; math.Abs(p-q) > 0.01*p || math.IsNaN(p) != math.IsNaN(q) {
			t.Errorf("reading %d: %g as a bore, %g as a pin", i, p, q)
		}
		if p, q := x.Findings[i].Passing.Median, y.Findings[i].Passing.Median; math.Abs(p+q) > 0.05 {
			t.Errorf("reading %d moves a bore by %g, a pin by %g", i, p, q)
		}
	}
}

// Order and where sizes are counted from change nothing.
func TestOrderAndOriginDoNotMatter(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		var readings []wornsize.Reading
		for i := range rapid.IntRange(2, 4).Draw(t, "n") {
			r := measured(wornsize.Station(rapid.IntRange(1, 3).Draw(t, "station")), float64(rapid.IntRange(80, 160).Draw(t, "value")))[0]
			if i == 0 && rapid.Bool().Draw(t, "gauged") {
				r = gauged(wornsize.Go, r.Value)
			}
			readings = append(readings, r)
		}
		order := rapid.Permutation([]int{0, 1, 2, 3}[:len(readings)]).Draw(t, "order")
		const shift = 37.5
		a, b := bore(readings...), bore()
		b.Prior.Low, b.Prior.High = b.Prior.Low+shift, b.Prior.High+shift
		for _, i := range order {
			r := readings[i]
			r.Value += shift
			b.Readings = append(b.Readings, r)
		}
		x, err := influence.Look(a, nil, 0)
		y, err2 := influence.Look(b, nil, 0)
		if err != nil || err2 != nil {
			t.Fatal(err, err2)
		}
		for k, i := range order {
			p, q := x.Findings[i], y.Findings[k]
			if p.Outlier != q.Outlier && math.Abs(p.Surprise-x.Threshold) > 0.1*x.Threshold || math.Abs(p.CleanUp.Median-q.CleanUp.Median) > 0.3 {
				t.Fatalf("%+v became %+v", p, q)
			}
		}
	})
}

func TestAGaugeBetweenTwoThatContradictSettlesIt(t *testing.T) {
	t.Parallel()
	f := bore(append(measured(wornsize.MouthA, 100), gauged(wornsize.Go, 180))...)
	s, err := influence.Settle(f, nil, 0, 1)
	if err != nil {
		t.Fatal(err)
	}
	if s.Again != -1 || s.Kind != wornsize.Go || s.Size < 105 || s.Size > 182 || s.Power < 0.9 {
		t.Errorf("got %+v", s)
	}
	if s.WithoutFirst < 175 || s.WithoutSecond > 110 {
		t.Errorf("sizes left: %+v", s)
	}
	g := bore(gauged(wornsize.NoGo, 90), gauged(wornsize.Go, 120))
	if s, err := influence.Settle(g, nil, 0, 1); err != nil || s.Size < 85 || s.Size > 125 || s.Power < 0.5 {
		t.Errorf("%+v %v", s, err)
	}
	for _, pair := range [][2]int{{0, 0}, {-1, 0}, {0, 2}} {
		if _, err := influence.Settle(f, nil, pair[0], pair[1]); !errors.Is(err, influence.ErrPair) {
			t.Errorf("%v: %v", pair, err)
		}
	}
}

func TestTheRightMeasurementAgain(t *testing.T) {
	t.Parallel()
	f := bore(slices.Concat(measured(wornsize.Middle, 100), measured(wornsize.Middle, 320))...)
	f.Readings[0].Direction, f.Readings[1].Direction = 0, 90
	s, err := influence.Settle(f, nil, 0, 1)
	if err != nil || s.Power < 0.8 {
		t.Errorf("%+v %v", s, err)
	}
}

func FuzzLook(f *testing.F) {
	f.Add(1, 100.0, 2, 160.0, 3.0, false)
	f.Add(0, -1e5, 3, 1e5, 0.01, true)
	f.Fuzz(func(t *testing.T, kind int, a float64, other int, b, u float64, pin bool) {
		r := bore(wornsize.Reading{Kind: wornsize.Kind(kind), Value: a, U: u, Common: -1, Direction: 10}, wornsize.Reading{Kind: wornsize.Kind(other), Value: b, U: u, Common: -1, Station: wornsize.MouthA})
		if pin {
			r.Shape = wornsize.Pin
		}
		s, err := influence.Look(r, nil, 0)
		for _, found := range s.Findings {
			if err == nil && (found.Surprise < 0 || found.Surprise > 1 || math.IsNaN(found.CleanUp.Mean)) {
				t.Errorf("%+v", found)
			}
		}
		if settled, err := influence.Settle(r, nil, 0, 1); err == nil && !(settled.Power >= 0 && settled.Power <= 1+1e-9) {
			t.Errorf("%+v", settled)
		}
	})
}

func BenchmarkLook(b *testing.B) {
	f := bore(slices.Concat(measured(wornsize.MouthA, 112, 118), measured(wornsize.Middle, 101, 104), measured(wornsize.MouthB, 109, 240))...)
	b.ReportAllocs()
	for b.Loop() {
		look(b, f, nil)
	}
}
