package gaugestudy_test

import (
	"math"
	"math/rand/v2"
	"os"
	"testing"

	"pgregory.net/rapid"

	"pinwright/internal/calc/gaugestudy"
)

// truth are standard deviations of a made-up gauge.
type truth struct{ ev, av, interaction, pv float64 }

func (t truth) study(random *rand.Rand, people, parts, trials int) gaugestudy.Study {
	s := gaugestudy.Study{PositionsMarked: true}
	ofPart := make([]float64, parts)
	for j := range ofPart {
		ofPart[j] = t.pv * random.NormFloat64()
	}
	for range people {
		person := t.av * random.NormFloat64()
		var rows [][]float64
		for j := range parts {
			cell := ofPart[j] + person + t.interaction*random.NormFloat64()
			var row []float64
			for range trials {
				row = append(row, cell+t.ev*random.NormFloat64())
			}
			rows = append(rows, row)
		}
		s.Readings = append(s.Readings, rows)
	}
	return s
}

// The intervals are held by how often they cover what the readings were made from.
// Modified large-sample intervals are known to cover at least about what they say.
func TestIntervalsCover(t *testing.T) {
	t.Parallel()
	runs := 2000
	if os.Getenv("PINWRIGHT_LONG") != "" {
		runs = 40_000
	}
	for name, true_ := range map[string]truth{
		"people differ":             {1, 1, 0.5, 5},
		"people hardly differ":      {1, 0.1, 0.1, 5},
		"the interaction is all":    {0.3, 0.1, 2, 3},
		"parts are nearly the same": {1, 0.5, 0.5, 0.3},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			random := rand.New(rand.NewPCG(20, 61))
			covered := map[string]int{}
			for range runs {
				r, err := gaugestudy.Analyse(true_.study(random, 3, 8, 2))
				if err != nil {
					t.Fatal(err)
				}
				m := r.Crossed
				count := func(name string, c *gaugestudy.Component, sd float64) {
					if c.Interval.Low <= sd && sd <= c.Interval.High {
						covered[name]++
					}
				}
				count("EV", &m.Repeatability, true_.ev)
				count("AV", m.People, true_.av)
				count("INT", m.Interaction, true_.interaction)
				count("reproducibility", m.Reproducibility, math.Hypot(true_.av, true_.interaction))
				count("GRR", &m.Gauge, math.Hypot(true_.ev, math.Hypot(true_.av, true_.interaction)))
				count("PV", m.Parts, true_.pv)
			}
			slack := 4 * math.Sqrt(0.95*0.05/float64(runs))
			for name, n := range covered {
				share := float64(n) / float64(runs)
				t.Logf("%s: %.3f", name, share)
				if share < 0.93-slack || name == "EV" && math.Abs(share-0.95) > slack || share > 0.9999 && name == "EV" {
					t.Errorf("the 95 %% interval of %s covers %.3f of the time", name, share)
				}
			}
		})
	}
}

// Ovality read across a direction at random adds w²/8; taking it off gives back the gauge's own.
func TestFormErrorIsTakenOut(t *testing.T) {
	t.Parallel()
	const w, ev = 10.0, 2.0
	random := rand.New(rand.NewPCG(8, 62))
	s := gaugestudy.Study{FormError: new(float64)}
	*s.FormError = w
	var rows [][]float64
	for range 4000 {
		var cell []float64
		for range 5 {
			cos := math.Cos(2 * math.Pi * random.Float64())
			cell = append(cell, w*cos*cos+ev*random.NormFloat64())
		}
		rows = append(rows, cell)
	}
	s.Readings = [][][]float64{rows}
	r, err := gaugestudy.Analyse(s)
	if err != nil {
		t.Fatal(err)
	}
	if raw := r.Counting().Repeatability.SD; math.Abs(raw-math.Sqrt(ev*ev+w*w/8)) > 0.05 {
		t.Errorf("raw repeatability %v", raw)
	}
	if math.Abs(*r.Form.Removed-ev) > 0.1 || r.Instrument().Repeatability != *r.Form.Removed {
		t.Errorf("without form error %v, true %v", *r.Form.Removed, ev)
	}
	*s.FormError = 100
	if r, err = gaugestudy.Analyse(s); err != nil || *r.Form.Removed != 0 {
		t.Errorf("a form error larger than all leaves %v, %v", r.Form.Removed, err)
	}
}

func draw(t *rapid.T) gaugestudy.Study {
	people, parts, trials := rapid.IntRange(1, 5).Draw(t, "people"), rapid.IntRange(1, 6).Draw(t, "parts"), rapid.IntRange(2, 4).Draw(t, "trials")
	s := gaugestudy.Study{Tolerance: rapid.SampledFrom([]float64{0, 15}).Draw(t, "tolerance"), PositionsMarked: rapid.Bool().Draw(t, "marked")}
	for range people {
		var rows [][]float64
		for range parts {
			rows = append(rows, rapid.SliceOfN(rapid.Map(rapid.IntRange(-200, 200), func(n int) float64 { return float64(n) / 4 }), trials, trials).Draw(t, "cell"))
		}
		s.Readings = append(s.Readings, rows)
	}
	return s
}

func alike(a, b float64) bool { return math.Abs(a-b) <= 1e-9*math.Max(math.Abs(a), math.Abs(b))+1e-9 }

// The sums of squares add up to that about the grand mean, whatever order people,
// parts and trials stand in; a shift changes none, and a unit goes with its square.
func TestInvariances(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		s := draw(t)
		r, err := gaugestudy.Analyse(s)
		if err != nil {
			t.Fatal(err)
		}
		var all []float64
		for _, person := range s.Readings {
			for _, cell := range person {
				all = append(all, cell...)
			}
		}
		var mean, total float64
		for _, x := range all {
			mean += x / float64(len(all))
		}
		for _, x := range all {
			total += (x - mean) * (x - mean)
		}
		if !alike(r.Crossed.Table.Total.SumSquares, total) || !alike(r.Additive.Table.Total.SumSquares, total) {
			t.Errorf("total %v, by hand %v", r.Crossed.Table.Total.SumSquares, total)
		}
		other := s
		other.Tolerance *= 3
		other.Readings = nil
		random := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 0))
		order := random.Perm(len(s.Readings[0]))
		for _, i := range random.Perm(len(s.Readings)) {
			var rows [][]float64
			for _, j := range order {
				var cell []float64
				for _, k := range random.Perm(len(s.Readings[i][j])) {
					cell = append(cell, 3*(s.Readings[i][j][k]+1024))
				}
				rows = append(rows, cell)
			}
			other.Readings = append(other.Readings, rows)
		}
		again, err := gaugestudy.Analyse(other)
		if err != nil {
			t.Fatal(err)
		}
		for i, pair := range [][2]gaugestudy.Model{{r.Crossed, again.Crossed}, {r.Additive, again.Additive}} {
			if !alike(3*pair[0].Gauge.SD, pair[1].Gauge.SD) || !alike(3*pair[0].Total.SD, pair[1].Total.SD) || !alike(3*pair[0].Repeatability.SD, pair[1].Repeatability.SD) {
				t.Errorf("model %d: %v and %v", i, pair[0].Gauge, pair[1].Gauge)
			}
			finite(t, pair[0])
		}
		for _, step := range r.Derivation() {
			if math.IsNaN(step.Result.Value) || step.Source == "" || step.Formula == "" {
				t.Errorf("step %+v", step)
			}
		}
	})
}

func finite(t interface {
	Helper()
	Errorf(string, ...any)
}, m gaugestudy.Model) {
	t.Helper()
	for _, c := range []*gaugestudy.Component{&m.Repeatability, m.People, m.Interaction, m.Reproducibility, &m.Gauge, m.Parts, &m.Total} {
		if c == nil {
			continue
		}
		numbers := []float64{c.SD, c.Variance, c.DoF}
		if c.Interval != nil {
			numbers = append(numbers, c.Interval.Low, c.Interval.High, c.Interval.High-c.Interval.Low)
		}
		for _, x := range numbers {
			if !(x >= 0) || math.IsInf(x, 0) {
				t.Errorf("%+v %+v", *c, c.Interval)
			}
		}
	}
}

func FuzzAnyStudy(f *testing.F) {
	f.Add(uint8(2), uint8(2), uint8(2), []byte{1, 2, 3, 4, 5, 6, 7, 8})
	f.Add(uint8(1), uint8(1), uint8(2), []byte{9, 9})
	f.Add(uint8(0), uint8(1), uint8(1), []byte{})
	f.Fuzz(func(t *testing.T, people, parts, trials uint8, data []byte) {
		s := gaugestudy.Study{}
		for range people % 6 {
			var rows [][]float64
			for range parts % 6 {
				var cell []float64
				for range trials % 5 {
					if len(data) > 0 {
						cell, data = append(cell, math.Pow(10, float64(data[0]%16))*float64(int8(data[0]))), data[1:]
					}
				}
				rows = append(rows, cell)
			}
			s.Readings = append(s.Readings, rows)
		}
		r, err := gaugestudy.Analyse(s)
		if err == nil {
			finite(t, r.Crossed)
			finite(t, r.Additive)
		}
	})
}

func BenchmarkTenPartsThreePeopleThreeTrials(b *testing.B) {
	s := truth{1, 1, 0, 5}.study(rand.New(rand.NewPCG(1, 1)), 3, 10, 3)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := gaugestudy.Analyse(s); err != nil {
			b.Fatal(err)
		}
	}
}
