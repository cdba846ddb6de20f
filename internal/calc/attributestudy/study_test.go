package attributestudy_test

import (
	"errors"
	"math"
	"math/rand/v2"
	"os"
	"testing"

	"pgregory.net/rapid"

	"pinwright/internal/calc/attributestudy"
)

func near(got, want, tolerance float64) bool { return math.Abs(got-want) <= tolerance }

// pairOf makes decisions of two raters with the counts of a table [first accepts][second accepts].
func pairOf(counts [2][2]int) (first, second [][]bool) {
	for i, row := range counts {
		for j, n := range row {
			for range n {
				first, second = append(first, []bool{i == 1}), append(second, []bool{j == 1})
			}
		}
	}
	return first, second
}

func pointer[T any](x T) *T { return &x }

// The worked example of an attribute study with 50 parts, three people and three
// trials (Measurement Systems Analysis, AIAG, 4th ed.; cross tables and results from memory).
func TestKappaOfTheWorkedExample(t *testing.T) {
	t.Parallel()
	for name, row := range map[string]struct {
		counts [2][2]int
		want   float64
	}{
		"A and B":             {[2][2]int{{44, 6}, {3, 97}}, 0.86},
		"B and C":             {[2][2]int{{42, 5}, {9, 94}}, 0.79},
		"A and C":             {[2][2]int{{43, 7}, {8, 92}}, 0.78},
		"A and the reference": {[2][2]int{{45, 5}, {3, 97}}, 0.88},
		"B and the reference": {[2][2]int{{45, 2}, {3, 100}}, 0.92},
		"C and the reference": {[2][2]int{{42, 9}, {6, 93}}, 0.77},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			first, second := pairOf(row.counts)
			s := attributestudy.Study{Parts: make([]attributestudy.Part, len(first)), Accepted: [][][]bool{first, second}}
			r, err := attributestudy.Analyse(s)
			if err != nil {
				t.Fatal(err)
			}
			if got := r.Pairs[0].Kappa; !got.Defined || !near(got.Value, row.want, 0.005) {
				t.Errorf("kappa %+v, printed %v", got, row.want)
			}
			// Against a reference the same counts give the same kappa, and the printed rates.
			s = attributestudy.Study{Accepted: [][][]bool{first}}
			for _, good := range second {
				s.Parts = append(s.Parts, attributestudy.Part{Good: pointer(good[0])})
			}
			again, err := attributestudy.Analyse(s)
			if err != nil || again.People[0].Kappa != r.Pairs[0].Kappa {
				t.Errorf("%+v, %v", again.People[0].Kappa, err)
			}
			bad, good := row.counts[0][0]+row.counts[1][0], row.counts[0][1]+row.counts[1][1]
			if p := again.People[0]; !near(p.Misses.Share, float64(row.counts[1][0])/float64(bad), 1e-12) || !near(p.FalseAlarms.Share, float64(row.counts[0][1])/float64(good), 1e-12) || p.Misses.Of != bad {
				t.Errorf("%+v", p)
			}
		})
	}
}

// Person A of that example: 3 misses in 48 and 5 false alarms in 102 decisions, printed
// as 6.3 % and 4.9 %; 42 of 50 parts, printed as 84 % from 71 % to 93 %.
func TestRatesOfTheWorkedExample(t *testing.T) {
	t.Parallel()
	s := attributestudy.Study{Accepted: [][][]bool{nil}}
	add := func(n int, good bool, trials ...bool) {
		for range n {
			s.Parts = append(s.Parts, attributestudy.Part{Good: pointer(good)})
			s.Accepted[0] = append(s.Accepted[0], trials)
		}
	}
	add(29, true, true, true, true)
	add(5, true, true, false, true)
	add(13, false, false, false, false)
	add(3, false, false, true, false)
	r, err := attributestudy.Analyse(s)
	if err != nil {
		t.Fatal(err)
	}
	p := r.People[0]
	for _, row := range [][2]float64{{p.Effectiveness.Share, 0.84}, {p.Effectiveness.Low, 0.71}, {p.Effectiveness.High, 0.93}} {
		if !near(row[0], row[1], 0.005) {
			t.Errorf("got %v, printed %v", row[0], row[1])
		}
	}
	if !near(p.Misses.Share, 0.063, 0.0006) || !near(p.FalseAlarms.Share, 0.049, 0.0005) || p.Consistent.Count != 42 || p.Correct.Of != 150 {
		t.Errorf("%+v", p)
	}
}

// Clopper and Pearson: none of 10 has the upper end 1 - 0.025^(1/10), all of 10 the mirror image.
func TestExactIntervals(t *testing.T) {
	t.Parallel()
	s := attributestudy.Study{Accepted: [][][]bool{nil}}
	for i := range 20 {
		s.Parts = append(s.Parts, attributestudy.Part{Good: pointer(i < 10)})
		s.Accepted[0] = append(s.Accepted[0], []bool{i < 10})
	}
	r, err := attributestudy.Analyse(s)
	if err != nil {
		t.Fatal(err)
	}
	p := r.People[0]
	if want := 1 - math.Pow(0.025, 0.1); !near(p.Misses.High, want, 1e-12) || p.Misses.Low != 0 || !near(p.Effectiveness.Low, math.Pow(0.025, 1./20), 1e-12) || p.Effectiveness.High != 1 {
		t.Errorf("%+v", p)
	}
}

// beetles is the oldest set to which this law was fitted: C. I. Bliss, Ann. Appl. Biol.
// 22 (1935) 134, as in A. J. Dobson, An Introduction to Generalized Linear Models (data
// and fit from memory): doses, numbers, killed; probit fit -34.94 + 19.73 x.
func beetles(scale, offset float64, small bool) attributestudy.Study {
	s := attributestudy.Study{Accepted: [][][]bool{nil}, AcceptsSmall: small}
	for _, row := range [][3]float64{{1.6907, 59, 6}, {1.7242, 60, 13}, {1.7552, 62, 18}, {1.7842, 56, 28}, {1.8113, 63, 52}, {1.8369, 59, 53}, {1.8610, 62, 61}, {1.8839, 60, 60}} {
		for i := range int(row[1]) {
			size := scale*row[0] + offset
			if small {
				size = -size
			}
			s.Parts = append(s.Parts, attributestudy.Part{Size: &size})
			s.Accepted[0] = append(s.Accepted[0], []bool{i < int(row[2])})
		}
	}
	return s
}

func TestBlurOfThePublishedFit(t *testing.T) {
	t.Parallel()
	for name, row := range map[string]struct {
		scale, offset float64
		small         bool
	}{"as printed": {1, 0, false}, "in another unit from another origin": {1000, -1500, false}, "accepting small ones": {1, 0, true}} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			r, err := attributestudy.Analyse(beetles(row.scale, row.offset, row.small))
			if err != nil {
				t.Fatal(err)
			}
			b := r.People[0].Blur
			slope := row.scale / b.SD
			half := b.Half
			if row.small {
				half = -half
			}
			at := (half - row.offset) / row.scale * slope
			if !near(slope, 19.73, 0.005) || !near(at, 34.94, 0.005) {
				t.Errorf("fitted %v and %v, printed 19.73 and 34.94", slope, at)
			}
			// Printed standard error of the slope 1.49: the profile's ends are about 1.96 of them off.
			if low, high := row.scale/b.High, row.scale/b.Low; !near(low, 19.73-1.96*1.49, 0.15) || !near(high, 19.73+1.96*1.49, 0.15) {
				t.Errorf("slope from %v to %v", low, high)
			}
		})
	}
}

// logLikelihood by its definition.
func logLikelihood(x []float64, accepted [][]bool, c, sd float64) float64 {
	var sum float64
	for j, trials := range accepted {
		for _, a := range trials {
			z := (x[j] - c) / sd
			if !a {
				z = -z
			}
			sum += logNormal(z)
		}
	}
	return sum
}

// logNormal is the logarithm of the normal law; far out, where the law itself is
// too small for a float64, by the asymptotic series of Mills' ratio (Abramowitz
// and Stegun, 26.2.12).
func logNormal(z float64) float64 {
	if z > -30 {
		return math.Log(math.Erfc(-z/math.Sqrt2) / 2)
	}
	q := 1 / (z * z)
	return -z*z/2 - math.Log(-z*math.Sqrt(2*math.Pi)) + math.Log1p(-q+3*q*q-15*q*q*q)
}

// The fit against a search over a grid, and its interval against the definition.
func TestBlurAgainstBruteForce(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(4, 9).Draw(t, "parts")
		random := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 5))
		var x []float64
		s := attributestudy.Study{Accepted: [][][]bool{nil}}
		for range n {
			size := 6*random.Float64() - 3
			x = append(x, size)
			s.Parts = append(s.Parts, attributestudy.Part{Size: &size})
			var trials []bool
			for range 4 {
				trials = append(trials, size+random.NormFloat64() > 0)
			}
			s.Accepted[0] = append(s.Accepted[0], trials)
		}
		r, err := attributestudy.Analyse(s)
		if err != nil {
			t.Fatal(err)
		}
		b := r.All.Blur
		if b == nil || b.SD == 0 {
			return
		}
		best := logLikelihood(x, s.Accepted[0], b.Half, b.SD)
		profile := func(sd float64) float64 {
			low, high := -60.0, 60.0 // the likelihood has one top in c, so thirds find it
			for range 120 {
				a, b := low+(high-low)/3, high-(high-low)/3
				if logLikelihood(x, s.Accepted[0], a, sd) < logLikelihood(x, s.Accepted[0], b, sd) {
					low = a
				} else {
					high = b
				}
			}
			return logLikelihood(x, s.Accepted[0], (low+high)/2, sd)
		}
		for sd := 0.3; sd < 20; sd *= 1.25 {
			if p := profile(sd); p > best+1e-9 {
				t.Errorf("σ = %v has log likelihood %v, over %v at σ = %v", sd, p, best, b.SD)
			}
		}
		for _, end := range []float64{b.Low, b.High} {
			if math.IsInf(end, 0) || end > 15 || end == 0 {
				continue // the search is too short, or there is no end
			}
			// 1.920729 is half of the 95 % point of chi-square with one degree of freedom (tables).
			if p := profile(end); math.Abs(best-p-1.920729) > 1e-4 {
				t.Errorf("at the end %v of [%v, %v] the likelihood has fallen by %v", end, b.Low, b.High, best-p)
			}
		}
	})
}

// The interval of the blur is held by how often it covers, also where no doubt was seen.
func TestBlurIntervalCovers(t *testing.T) {
	t.Parallel()
	runs := 300 // four standard errors are 0.05
	if os.Getenv("PINWRIGHT_LONG") != "" {
		runs = 5_000
	}
	random := rand.New(rand.NewPCG(3, 63))
	for _, sd := range []float64{0.5, 1.5} {
		covered, told := 0, 0
		for range runs {
			s := attributestudy.Study{Accepted: [][][]bool{nil, nil}}
			for j := range 16 {
				size := float64(j-8)*0.7 + 0.2
				s.Parts = append(s.Parts, attributestudy.Part{Size: &size})
				for i := range s.Accepted {
					var trials []bool
					for range 3 {
						trials = append(trials, size+sd*random.NormFloat64() > 0)
					}
					s.Accepted[i] = append(s.Accepted[i], trials)
				}
			}
			r, err := attributestudy.Analyse(s)
			if err != nil {
				t.Fatal(err)
			}
			if b := r.All.Blur; b != nil {
				told++
				if b.Low <= sd && sd <= b.High {
					covered++
				}
			}
		}
		if share := float64(covered) / float64(told); share < 0.90 || share > 0.995 || told < runs*9/10 {
			t.Errorf("blur %v: covered %.3f of %d", sd, share, told)
		}
	}
}

func TestBlurWithoutDoubt(t *testing.T) {
	t.Parallel()
	study := func(sizes []float64, accepted ...bool) attributestudy.Study {
		s := attributestudy.Study{Accepted: [][][]bool{nil}}
		for j := range sizes {
			s.Parts = append(s.Parts, attributestudy.Part{Size: &sizes[j]})
			s.Accepted[0] = append(s.Accepted[0], []bool{accepted[j], accepted[j], accepted[j]})
		}
		return s
	}
	r, err := attributestudy.Analyse(study([]float64{-4, -2, 2, 4}, false, false, true, true))
	if err != nil {
		t.Fatal(err)
	}
	b := r.All.Blur
	if b == nil || b.SD != 0 || b.Half != 0 || !(b.High > 0.5 && b.High < 6) || b.Feel != b.High || b.Low != 0 {
		t.Fatalf("%+v", b)
	}
	// At the upper end the likelihood of what was seen is exp(-1.9207) of a certainty.
	if got := logLikelihood([]float64{-4, -2, 2, 4}, study([]float64{-4, -2, 2, 4}, false, false, true, true).Accepted[0], 0, b.High); !near(got, -1.920729, 1e-5) {
		t.Errorf("log likelihood %v at %v", got, b.High)
	}
	for name, s := range map[string]attributestudy.Study{
		"all accepted":    study([]float64{1, 2}, true, true),
		"all refused":     study([]float64{1, 2}, false, false),
		"one size":        study([]float64{1, 1}, false, true),
		"the wrong way":   study([]float64{1, 2}, true, false),
		"sizes no matter": study([]float64{1, 2, 3}, true, false, true),
	} {
		if r, err := attributestudy.Analyse(s); err != nil || r.All.Blur != nil || len(r.Notes) == 0 {
			t.Errorf("%s: %+v, %v", name, r.All.Blur, err)
		}
	}
	// Doubt at one size alone.
	s := study([]float64{-1, 0, 1}, false, true, true)
	s.Accepted[0][1][0] = false
	if r, err := attributestudy.Analyse(s); err != nil || r.All.Blur == nil || r.All.Blur.SD != 0 || r.All.Blur.Half != 0 || math.IsInf(r.All.Blur.High, 0) {
		t.Errorf("%+v, %v", r.All.Blur, err)
	}
}

func TestWhatIsRefused(t *testing.T) {
	t.Parallel()
	good := func() attributestudy.Study {
		return attributestudy.Study{Parts: []attributestudy.Part{{Good: pointer(true), Size: pointer(1.0)}, {Good: pointer(false), Size: pointer(0.0)}},
			Accepted: [][][]bool{{{true, true}, {false, false}}, {{true, true}, {false, true}}}}
	}
	for name, spoil := range map[string]func(s *attributestudy.Study){
		"no parts":            func(s *attributestudy.Study) { s.Parts = nil },
		"no people":           func(s *attributestudy.Study) { s.Accepted = nil },
		"a missing cell":      func(s *attributestudy.Study) { s.Accepted[1] = s.Accepted[1][:1] },
		"a missing trial":     func(s *attributestudy.Study) { s.Accepted[1][0] = s.Accepted[1][0][:1] },
		"no trial":            func(s *attributestudy.Study) { s.Accepted = [][][]bool{{{}, {}}} },
		"a reference for one": func(s *attributestudy.Study) { s.Parts[1].Good = nil },
		"a size for one":      func(s *attributestudy.Study) { s.Parts[1].Size = nil },
		"a size of no number": func(s *attributestudy.Study) { s.Parts[1].Size = pointer(math.NaN()) },
		"a confidence of two": func(s *attributestudy.Study) { s.Confidence = 2 },
		"nothing to agree with": func(s *attributestudy.Study) {
			*s = attributestudy.Study{Parts: make([]attributestudy.Part, 1), Accepted: [][][]bool{{{true}}}}
		},
	} {
		s := good()
		spoil(&s)
		if r, err := attributestudy.Analyse(s); !errors.Is(err, attributestudy.ErrStudy) {
			t.Errorf("%s: got %+v, %v", name, r, err)
		}
	}
	if _, err := attributestudy.Analyse(good()); err != nil {
		t.Error(err)
	}
}

func TestKappaWithoutMeaning(t *testing.T) {
	t.Parallel()
	s := attributestudy.Study{Parts: make([]attributestudy.Part, 2), Accepted: [][][]bool{{{true}, {true}}, {{true}, {true}}}}
	if r, err := attributestudy.Analyse(s); err != nil || r.Pairs[0].Kappa.Defined || r.Pairs[0].Kappa.Observed != 1 {
		t.Errorf("%+v, %v", r.Pairs, err)
	}
}

func FuzzAnyStudy(f *testing.F) {
	f.Add(uint8(2), uint8(2), uint8(3), []byte{1, 2, 3, 4, 5, 6, 7})
	f.Fuzz(func(t *testing.T, people, parts, trials uint8, data []byte) {
		next := func() byte {
			if len(data) == 0 {
				return 0
			}
			b := data[0]
			data = data[1:]
			return b
		}
		s := attributestudy.Study{AcceptsSmall: next()%2 == 0}
		kind := next()
		for range parts % 8 {
			p := attributestudy.Part{}
			if kind&1 == 0 {
				p.Size = pointer(float64(int8(next())) * math.Pow(10, float64(next()%8)))
			}
			if kind&2 == 0 {
				p.Good = pointer(next()%2 == 0)
			}
			s.Parts = append(s.Parts, p)
		}
		for range people % 4 {
			var rows [][]bool
			for range s.Parts {
				var cell []bool
				for range trials % 5 {
					cell = append(cell, next()%2 == 0)
				}
				rows = append(rows, cell)
			}
			s.Accepted = append(s.Accepted, rows)
		}
		r, err := attributestudy.Analyse(s)
		if err != nil {
			return
		}
		for _, p := range append(r.People, r.All) {
			if b := p.Blur; b != nil && (!(b.Low >= 0 && b.Low <= b.SD*(1+1e-6) && b.High >= b.SD*(1-1e-6)) || math.IsNaN(b.Half) || math.IsInf(b.Half, 0)) {
				t.Errorf("%+v", b)
			}
			if math.IsNaN(p.Kappa.Value) || math.Abs(p.Kappa.Value) > 1+1e-12 || !(p.Kappa.StandardError >= 0) {
				t.Errorf("%+v", p.Kappa)
			}
		}
	})
}

func BenchmarkTwentyPartsThreePeopleThreeTrials(b *testing.B) {
	random := rand.New(rand.NewPCG(1, 1))
	s := attributestudy.Study{Accepted: make([][][]bool, 3)}
	for j := range 20 {
		size := float64(j-10) * 0.5
		s.Parts = append(s.Parts, attributestudy.Part{Size: &size, Good: pointer(size > 0)})
		for i := range s.Accepted {
			s.Accepted[i] = append(s.Accepted[i], []bool{size+random.NormFloat64() > 0, size+random.NormFloat64() > 0, size+random.NormFloat64() > 0})
		}
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := attributestudy.Analyse(s); err != nil {
			b.Fatal(err)
		}
	}
}
