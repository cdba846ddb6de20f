package reamerwear_test

import (
	"errors"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"pinwright/internal/calc/reamerwear"
)

var usual = reamerwear.Prior{Size: 8, SizeU: 4, Rate: 0.6, RateU: 0.6,
	Scatter: []reamerwear.Scatter{{Sigma: 1, Weight: 1}, {Sigma: 2, Weight: 2}, {Sigma: 3, Weight: 2}, {Sigma: 5, Weight: 1}}}

func begin(t testing.TB, p reamerwear.Prior) reamerwear.State {
	t.Helper()
	s, err := reamerwear.New(p)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func observe(t testing.TB, s reamerwear.State, seen ...reamerwear.Observation) reamerwear.State {
	t.Helper()
	for _, o := range seen {
		var err error
		if s, _, err = s.Observe(o); err != nil {
			t.Fatal(err)
		}
	}
	return s
}

func square(x float64) float64 { return x * x }

// The same law summed over a plain grid of c0, r and sigma, by the model's own words.
func TestTheLawIsThatOfAPlainGrid(t *testing.T) {
	t.Parallel()
	seen := []reamerwear.Observation{{Travel: 0.1, Size: 9.5, U: 1.5}, {Travel: 2, Size: 9, U: 1.5}, {Travel: 3.2, Size: 6.2, U: 2.5}, {Travel: 6, Size: 8.8, U: 1}}
	s := observe(t, begin(t, usual), seen...)
	const travel, steps = 7.5, 700
	var total, mean, variance, rate float64
	below := map[float64]float64{2: 0, 6: 0, 9: 0}
	for _, sc := range usual.Scatter {
		for i := range steps {
			c0 := usual.Size + usual.SizeU*(float64(i)+0.5-steps/2)/steps*12
			for j := range steps {
				r := (float64(j) + 0.5) / steps * 5
				log := math.Log(sc.Weight) - square((c0-usual.Size)/usual.SizeU)/2 - square((r-usual.Rate)/usual.RateU)/2
				for _, o := range seen {
					v := sc.Sigma*sc.Sigma + o.U*o.U
					log -= math.Log(v)/2 + square(o.Size-c0+r*o.Travel)/v/2
				}
				w, c := math.Exp(log), c0-r*travel
				total += w
				mean += w * c
				rate += w * r
				variance += w * (c*c + sc.Sigma*sc.Sigma)
				for v := range below {
					below[v] += w * math.Erfc((c-v)/sc.Sigma/math.Sqrt2) / 2
				}
			}
		}
	}
	law := s.CutSize(travel)
	for v, p := range below {
		if got := law.Below(v); math.Abs(got-p/total) > 2e-5 {
			t.Errorf("below %g with probability %.7f, by the grid %.7f", v, got, p/total)
		}
	}
	mean /= total
	if math.Abs(law.Mean()-mean) > 2e-4 {
		t.Errorf("mean %.6f, by the grid %.6f", law.Mean(), mean)
	}
	shared, scatter := law.Shares()
	if sd := math.Sqrt(variance/total - mean*mean); math.Abs(math.Hypot(shared, scatter)-sd) > 2e-4 {
		t.Errorf("standard deviation %.6f, by the grid %.6f", math.Hypot(shared, scatter), sd)
	}
	if got, low, high := s.Rate(0.9); math.Abs(got-rate/total) > 2e-4 || !(0 < low && low < got && got < high) {
		t.Errorf("rate %.6f (%.4f to %.4f), by the grid %.6f", got, low, high, rate/total)
	}
	for _, p := range []float64{0.001, 0.05, 0.5, 0.975} {
		if got := law.Below(law.Quantile(p)); math.Abs(got-p) > 1e-6 {
			t.Errorf("below its quantile %g with probability %g", p, got)
		}
	}
}

// Reamers drawn from the prior: intervals of the next hole hold it as often as they
// say, at the end of its reach as many holes are too small as the risk says, surprises are
// standard normal. The model being told exactly, only chance may part them.
func TestReamersDrawnFromThePriorAreForetold(t *testing.T) {
	t.Parallel()
	reamers := 2000
	if os.Getenv("PINWRIGHT_LONG") != "" {
		reamers = 20000
	}
	r := rand.New(rand.NewPCG(5, 77))
	held, small, reached := 0, 0, 0
	var surprises []float64
	for range reamers {
		sigma := pick(r, usual.Scatter)
		c0, rate := usual.Size+usual.SizeU*r.NormFloat64(), -1.0
		for rate < 0 {
			rate = usual.Rate + usual.RateU*r.NormFloat64()
		}
		cut := func(travel float64) float64 { return c0 - rate*travel + sigma*r.NormFloat64() }
		s, travel := begin(t, usual), 0.0
		for n := range 1 + r.IntN(10) {
			u := []float64{0.5, 1.5, 4}[r.IntN(3)]
			after, surprise, err := s.Observe(reamerwear.Observation{Travel: travel, Size: cut(travel) + u*r.NormFloat64(), U: u})
			if err != nil {
				t.Fatal(err)
			}
			if s = after; n == 0 {
				surprises = append(surprises, surprise) // one of each: those of one reamer are independent, but this is simpler to judge
			}
			travel += 2 * r.Float64()
		}
		law := s.CutSize(travel)
		if c := cut(travel); law.Quantile(0.025) <= c && c <= law.Quantile(0.975) {
			held++
		}
		const needed = -4.0
		if reach, ok := s.Reach(travel, needed, 0.05); ok && !math.IsInf(reach, 1) {
			reached++
			if cut(reach) < needed {
				small++
			}
		}
	}
	share := float64(held) / float64(reamers)
	t.Logf("%d reamers: %.4f of the 95 %% intervals hold the next hole; of %d at the end of their reach %.4f cut too small", reamers, share, reached, float64(small)/float64(reached))
	// 20,000 drawings are held to 94.5 to 95.5 %, fewer to as many standard deviations.
	if within := 0.005 * math.Sqrt(20000/float64(reamers)); math.Abs(share-0.95) > within {
		t.Errorf("%.4f of the intervals hold the next hole", share)
	}
	if within := 0.005 * math.Sqrt(20000/float64(reached)); reached < reamers/3 || math.Abs(float64(small)/float64(reached)-0.05) > within {
		t.Errorf("%d of %d cut too small at the end of their reach", small, reached)
	}
	// Kolmogorov's distance of the surprises from the normal law; 1.95/√n is passed once in a thousand.
	slices.Sort(surprises)
	far := 0.0
	for i, z := range surprises {
		p, n := math.Erfc(-z/math.Sqrt2)/2, float64(len(surprises))
		far = max(far, p-float64(i)/n, float64(i+1)/n-p)
	}
	if far > 1.95/math.Sqrt(float64(len(surprises))) {
		t.Errorf("surprises lie %.4f from the normal law", far)
	}
}

func pick(r *rand.Rand, of []reamerwear.Scatter) float64 {
	total := 0.0
	for _, s := range of {
		total += s.Weight
	}
	for x := r.Float64() * total; ; of = of[1:] {
		if x -= of[0].Weight; x < 0 || len(of) == 1 {
			return of[0].Sigma
		}
	}
}

func drawn(t *rapid.T) (reamerwear.State, []reamerwear.Observation) {
	number := func(label string, low, high float64) float64 { return rapid.Float64Range(low, high).Draw(t, label) }
	p := reamerwear.Prior{Size: number("size", -20, 20), SizeU: number("size u", 0.5, 10), Rate: number("rate", -1, 2), RateU: number("rate u", 0.3, 2)}
	for range rapid.IntRange(1, 3).Draw(t, "scatters") {
		p.Scatter = append(p.Scatter, reamerwear.Scatter{Sigma: number("sigma", 0.3, 5), Weight: number("weight", 0.1, 3)})
	}
	var seen []reamerwear.Observation
	for range rapid.IntRange(0, 8).Draw(t, "holes") {
		seen = append(seen, reamerwear.Observation{Travel: number("travel", 0, 20), Size: number("seen", -20, 20), U: number("u", 0, 5)})
	}
	s, err := reamerwear.New(p)
	if err != nil {
		t.Fatal(err)
	}
	for _, o := range seen {
		if s, _, err = s.Observe(o); err != nil {
			t.Fatal(err)
		}
	}
	return s, seen
}

// A worn reamer cuts no larger; order does not matter; a measurement of no worth
// tells nothing; where the origin of sizes lies does not matter.
func TestProperties(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		s, seen := drawn(t)
		at, further := rapid.Float64Range(0, 30).Draw(t, "at"), rapid.Float64Range(0, 30).Draw(t, "further")
		v := rapid.Float64Range(-30, 30).Draw(t, "needed")
		here, there := s.CutSize(at).Below(v), s.CutSize(at+further).Below(v)
		if there < here-1e-6 {
			t.Fatalf("below %g with probability %.9f at %g m and %.9f at %g m", v, here, at, there, at+further)
		}
		turned, err := reamerwear.New(s.Prior)
		if err != nil {
			t.Fatal(err)
		}
		moved := s.Prior
		moved.Size += 1000
		far, err := reamerwear.New(moved)
		if err != nil {
			t.Fatal(err)
		}
		for i := range seen {
			if turned, _, err = turned.Observe(seen[len(seen)-1-i]); err != nil {
				t.Fatal(err)
			}
			o := seen[i]
			o.Size += 1000
			if far, _, err = far.Observe(o); err != nil {
				t.Fatal(err)
			}
		}
		if got := turned.CutSize(at).Below(v); math.Abs(got-here) > 1e-8 {
			t.Fatalf("%.12f in one order, %.12f in the other", here, got)
		}
		if got := far.CutSize(at).Below(v + 1000); math.Abs(got-here) > 1e-8 {
			t.Fatalf("%.12f, and %.12f a millimetre higher", here, got)
		}
		blind, _, err := s.Observe(reamerwear.Observation{Travel: at, Size: v, U: 1e9})
		if err != nil {
			t.Fatal(err)
		}
		if got := blind.CutSize(at).Below(v); math.Abs(got-here) > 1e-6 {
			t.Fatalf("%.9f before and %.9f after what tells nothing", here, got)
		}
		if reach, ok := s.Reach(at, v, 0.05); ok && !math.IsInf(reach, 1) {
			if p := s.CutSize(reach).Below(v); reach < at || p > 0.05+1e-9 {
				t.Fatalf("at the end of its reach, %g m, below with probability %g", reach, p)
			}
			n, each := s.HolesLeft(at, 0.02, v, 0.05), 0.02
			if last := at + float64(n-1)*each; n < 1 || last > reach+1e-9 || last+each < reach-1e-9 {
				t.Fatalf("%d holes from %g m within a reach of %g m", n, at, reach)
			}
		} else if !ok && here <= 0.05 {
			t.Fatal("nothing is left, though the next hole becomes large enough")
		}
	})
}

func TestARateThatCannotBeToldFromNone(t *testing.T) {
	t.Parallel()
	s := begin(t, reamerwear.Prior{Size: 8, SizeU: 1, Rate: 1e-9, RateU: 1e-9, Scatter: []reamerwear.Scatter{{Sigma: 1, Weight: 1}}})
	if n := s.HolesLeft(0, 0.03, 2, 0.05); n != -1 {
		t.Errorf("%d holes left of a reamer that does not wear", n)
	}
	if n := s.HolesLeft(0, 0.03, 9, 0.05); n != 0 {
		t.Errorf("%d holes left of a size that it does not cut", n)
	}
}

func TestWhatIsRefused(t *testing.T) {
	t.Parallel()
	good := usual
	for name, spoil := range map[string]func(*reamerwear.Prior){
		"no doubt of the size": func(p *reamerwear.Prior) { p.SizeU = 0 },
		"no doubt of the rate": func(p *reamerwear.Prior) { p.RateU = 0 },
		"never worn":           func(p *reamerwear.Prior) { p.Rate, p.RateU = -9, 1 },
		"no scatter":           func(p *reamerwear.Prior) { p.Scatter = nil },
		"no number":            func(p *reamerwear.Prior) { p.Size = math.NaN() },
		"scatter of none":      func(p *reamerwear.Prior) { p.Scatter = []reamerwear.Scatter{{Sigma: 0, Weight: 1}} },
		"no weight":            func(p *reamerwear.Prior) { p.Scatter = []reamerwear.Scatter{{Sigma: 1, Weight: 0}} },
	} {
		p := good
		spoil(&p)
		if _, err := reamerwear.New(p); !errors.Is(err, reamerwear.ErrPrior) {
			t.Errorf("%s: %v", name, err)
		}
	}
	s := begin(t, usual)
	for _, o := range []reamerwear.Observation{{Travel: -1}, {Travel: math.NaN()}, {Size: math.Inf(1)}, {U: -1}, {U: math.NaN()}} {
		if after, _, err := s.Observe(o); !errors.Is(err, reamerwear.ErrObservation) || after.Holes != 0 {
			t.Errorf("%+v: %v", o, err)
		}
	}
	if _, surprise, err := s.Observe(reamerwear.Observation{Size: 1e9, U: 1}); err != nil || surprise < 30 {
		t.Errorf("a size of a kilometre surprises by %g, %v", surprise, err)
	}
}

// What another hole costs after a hundred and after a hundred thousand.
func BenchmarkObserve(b *testing.B) {
	for _, holes := range []int{100, 100_000} {
		s := begin(b, usual)
		for i := range holes {
			s = observe(b, s, reamerwear.Observation{Travel: float64(i) * 0.02, Size: 8 - float64(i)*0.001, U: 1.5})
		}
		b.Run(map[int]string{100: "behind 100 holes", 100_000: "behind 100000 holes"}[holes], func(b *testing.B) {
			for range b.N {
				next := observe(b, s, reamerwear.Observation{Travel: s.Travel, Size: 5, U: 1.5})
				next.CutSize(next.Travel).Below(2)
			}
		})
	}
}
