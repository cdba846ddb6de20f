package leadtime_test

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"pinwright/internal/calc/leadtime"
)

func quantile(t testing.TB, l *leadtime.Law, p float64) int {
	t.Helper()
	d, err := l.Quantile(p)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func learn(t testing.TB, p leadtime.Prior, h leadtime.History) *leadtime.Law {
	t.Helper()
	l, err := leadtime.Learn(p, h)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// The default prior has 4 degrees of freedom, after two deliveries 6. Critical values
// of Student's t: NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.2 (4: 1.533 at
// 0.90, 2.132 at 0.95; 6: 1.440, 1.943). The rest of the formula is worked by hand.
func TestQuantilesAreThoseOfThePublishedTTable(t *testing.T) {
	t.Parallel()
	stated := 7
	days := func(location, scale, critical float64) int {
		return int(math.Ceil(math.Exp(location+scale*critical) - 0.5))
	}
	prior := leadtime.DefaultPrior(&stated)
	fresh := learn(t, prior, leadtime.History{})
	// b (k+1)/(a k) = 0.25 · 2/2 = 0.25, so the scale is 0.5.
	if got, want := []int{quantile(t, fresh, 0.5), quantile(t, fresh, 0.9), quantile(t, fresh, 0.95)}, []int{7, days(math.Log(7), 0.5, 1.533), days(math.Log(7), 0.5, 2.132)}; !slices.Equal(got, want) {
		t.Errorf("before any delivery: %v, want %v", got, want)
	}
	// Two deliveries of 4 and 16 days: mean of logs log 8, sum of squares (log 2)²·2.
	two := learn(t, prior, leadtime.History{Delivered: []int{16, 4}})
	l2 := math.Ln2
	location := (math.Log(7) + 2*math.Log(8)) / 3
	b := 0.25 + l2*l2 + 2*math.Pow(math.Log(8)-math.Log(7), 2)/(2*3)
	scale := math.Sqrt(b * 4 / (3 * 3))
	if got, want := []int{quantile(t, two, 0.9), quantile(t, two, 0.95)}, []int{days(location, scale, 1.440), days(location, scale, 1.943)}; !slices.Equal(got, want) {
		t.Errorf("after two deliveries: %v, want %v", got, want)
	}
}

// brute is the predictive probability of at most d whole days, from the prior and the
// likelihood alone, summed over a fine grid of mean and log deviation.
func brute(p leadtime.Prior, h leadtime.History, d int) float64 {
	normal := func(x float64) float64 { return math.Erfc(-x/math.Sqrt2) / 2 }
	log := func(d int) float64 { return math.Log(math.Max(0.5, float64(d))) }
	var total, within float64
	for ls := -3.0; ls <= 3; ls += 0.04 {
		s := math.Exp(ls)
		for m := -15.0; m <= 25; m += 0.02 {
			w := -2*p.Shape*ls - p.Scale/(s*s) // inverse gamma of s², over log s
			w += -ls - p.Worth*math.Pow(m-math.Log(p.Centre), 2)/(2*s*s)
			for _, x := range h.Delivered {
				w += -ls - math.Pow((log(x)-m)/s, 2)/2
			}
			weight := math.Exp(w)
			for _, c := range h.Open {
				if c > 0 {
					weight *= normal(-(math.Log(float64(c)-0.5) - m) / s)
				}
			}
			total += weight
			within += weight * normal((math.Log(float64(d)+0.5)-m)/s)
		}
	}
	return within / total
}

func TestQuantilesAreThoseOfBruteForce(t *testing.T) {
	t.Parallel()
	stated := 5
	for name, h := range map[string]leadtime.History{
		"nothing":               {},
		"deliveries":            {Delivered: []int{4, 6, 5, 9, 4}},
		"one on the same day":   {Delivered: []int{0, 2, 1}},
		"one open":              {Open: []int{12}},
		"open beside delivered": {Delivered: []int{4, 6, 5}, Open: []int{3, 9, 20}},
		"all of them late":      {Delivered: []int{3, 4, 3, 4, 5, 4}, Open: []int{40}},
	} {
		for _, prior := range []leadtime.Prior{leadtime.DefaultPrior(&stated), leadtime.DefaultPrior(nil)} {
			l := learn(t, prior, h)
			for _, p := range []float64{0.2, 0.5, 0.8, 0.95} {
				d := quantile(t, l, p)
				// The least day that reaches p; 1e-4 for the grid of the sum.
				if at := brute(prior, h, d); at < p-1e-4 {
					t.Errorf("%s: by day %d only %.5f, want %v", name, d, at, p)
				}
				if d > 0 {
					if before := brute(prior, h, d-1); before > p+1e-4 {
						t.Errorf("%s: %.5f already by day %d, want less than %v", name, before, d-1, p)
					}
				}
			}
		}
	}
}

// An open order that was waited for is the next order, given that it is later than that.
func TestAnOpenOrderIsAnOrderThatIsNotHereYet(t *testing.T) {
	t.Parallel()
	prior := leadtime.DefaultPrior(nil)
	for _, others := range []leadtime.History{{}, {Delivered: []int{4, 6, 5, 9}}, {Delivered: []int{4, 6}, Open: []int{2}}} {
		for _, waited := range []int{1, 5, 14, 60} {
			own := leadtime.History{Delivered: others.Delivered, Open: append(slices.Clone(others.Open), waited)}
			l := learn(t, prior, own)
			for _, p := range []float64{0.5, 0.8, 0.95} {
				d, err := l.QuantileOfOpen(p, waited)
				if err != nil {
					t.Fatal(err)
				}
				past := brute(prior, others, waited-1)
				given := func(d int) float64 { return (brute(prior, others, d) - past) / (1 - past) }
				if d < waited || given(d) < p-2e-3 || d > waited && given(d-1) > p+2e-3 {
					t.Errorf("%+v waited %d: %v by day %d, by brute force %.4f then and %.4f the day before", others, waited, p, d, given(d), given(d-1))
				}
			}
		}
	}
}

// Suppliers drawn from the prior deliver by the quantile as often as it says: the
// mean over many suppliers, each with a few deliveries and open orders.
func TestCalibration(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(11, 7))
	prior := leadtime.Prior{Centre: 10, Worth: 1, Shape: 2, Scale: 0.25}
	const suppliers = 4000
	ps := []float64{0.5, 0.8, 0.95}
	hit, least := make([]float64, 3), make([]float64, 3)
	for range suppliers {
		precision := 0.0 // gamma of shape 2 is the sum of two exponentials
		precision = (r.ExpFloat64() + r.ExpFloat64()) / prior.Scale
		s := 1 / math.Sqrt(precision)
		m := math.Log(prior.Centre) + r.NormFloat64()*s
		draw := func() int { return min(leadtime.Longest, int(math.Round(math.Exp(m+s*r.NormFloat64())))) }
		var h leadtime.History
		for range r.IntN(5) {
			h.Delivered = append(h.Delivered, draw())
		}
		for range r.IntN(3) { // ordered some days ago; what came since is a delivery
			d, ago := draw(), r.IntN(20)
			if d < ago {
				h.Delivered = append(h.Delivered, d)
			} else {
				h.Open = append(h.Open, ago)
			}
		}
		l, next := learn(t, prior, h), draw()
		for i, p := range ps {
			d := quantile(t, l, p)
			if next <= d {
				hit[i]++
			}
			if next < d {
				least[i]++
			}
		}
	}
	for i, p := range ps {
		// Whole days: at least p are in by the day, at most p before it; four standard errors.
		e := 4 * math.Sqrt(p*(1-p)/suppliers)
		if at, before := hit[i]/suppliers, least[i]/suppliers; at < p-e || before > p+e {
			t.Errorf("%v: %.4f by the day, %.4f before it", p, at, before)
		} else {
			t.Logf("%v: %.4f by the day, %.4f before it", p, at, before)
		}
	}
}

func TestLawProperties(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(rt *rapid.T) {
		days := rapid.SliceOfN(rapid.IntRange(0, 400), 0, 8)
		h := leadtime.History{Delivered: days.Draw(rt, "delivered"), Open: days.Draw(rt, "open")}
		stated := rapid.IntRange(0, 60).Draw(rt, "stated")
		prior := leadtime.DefaultPrior(&stated)
		l := learn(t, prior, h)
		before := 0
		for _, p := range []float64{0.05, 0.5, 0.8, 0.95, 0.999} {
			d := quantile(t, l, p)
			if d < before || d > leadtime.Longest {
				rt.Fatalf("%v: day %d after day %d", p, d, before)
			}
			before = d
		}
		shuffled := leadtime.History{Delivered: slices.Clone(h.Delivered), Open: slices.Clone(h.Open)}
		slices.Reverse(shuffled.Delivered)
		slices.Sort(shuffled.Open)
		if a, b := quantile(t, l, 0.8), quantile(t, learn(t, prior, shuffled), 0.8); a != b {
			rt.Fatalf("in another order %d, was %d", b, a)
		}
		// An order that is still open never makes the next one look quicker.
		waited := rapid.IntRange(1, 400).Draw(rt, "waited")
		more := learn(t, prior, leadtime.History{Delivered: h.Delivered, Open: append(slices.Clone(h.Open), waited)})
		if a, b := quantile(t, l, 0.5), quantile(t, more, 0.5); b < a {
			rt.Fatalf("with one open for %d days the median falls from %d to %d", waited, a, b)
		}
		if d, err := more.QuantileOfOpen(0.5, waited); err != nil || d < waited {
			rt.Fatalf("one that is open for %d days is here by day %d (%v)", waited, d, err)
		}
	})
}

func TestRefusals(t *testing.T) {
	t.Parallel()
	good := leadtime.DefaultPrior(nil)
	for name, tc := range map[string]struct {
		prior leadtime.Prior
		h     leadtime.History
		want  error
	}{
		"a delivery before its order":   {good, leadtime.History{Delivered: []int{-1}}, leadtime.ErrDays},
		"a delivery of a century":       {good, leadtime.History{Delivered: []int{36500}}, leadtime.ErrDays},
		"an open order from the future": {good, leadtime.History{Open: []int{-1}}, leadtime.ErrDays},
		"a prior worth nothing":         {leadtime.Prior{Centre: 7, Shape: 1, Scale: 1}, leadtime.History{}, leadtime.ErrPrior},
		"a prior that is no number":     {leadtime.Prior{Centre: math.NaN(), Worth: 1, Shape: 1, Scale: 1}, leadtime.History{}, leadtime.ErrPrior},
	} {
		if _, err := leadtime.Learn(tc.prior, tc.h); !errors.Is(err, tc.want) {
			t.Errorf("%s: %v, want %v", name, err, tc.want)
		}
	}
	l := learn(t, good, leadtime.History{})
	for _, p := range []float64{0, 1, -1, math.NaN()} {
		if _, err := l.Quantile(p); !errors.Is(err, leadtime.ErrProbability) {
			t.Errorf("quantile %v: %v", p, err)
		}
	}
	if _, err := l.QuantileOfOpen(0.5, 3); !errors.Is(err, leadtime.ErrDays) {
		t.Errorf("an open order of a history without one: %v", err)
	}
}
