package gaugestudy_test

import (
	"encoding/json"
	"errors"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"pinwright/internal/calc/gaugestudy"
)

// near compares to parts in 1e9, and with zero absolutely.
func near(got, want float64) bool { return math.Abs(got-want) <= 1e-9*math.Abs(want)+1e-15 }

type published struct {
	Data map[string][][]float64
	SS   struct{ Operator, Part, Interaction, Error float64 }
	F    map[string]float64
	P    float64 `json:"p_interaction"`
	With model   `json:"with_interaction"`
	Pool model   `json:"pooled"`
}

type model struct {
	SD           map[string]float64
	PctStudy     map[string]float64 `json:"pct_study"`
	Contribution map[string]float64 `json:"pct_contribution"`
	NDC          float64
}

// aiag is the worked example of the ANOVA method; the file states its source.
func aiag(t *testing.T) published {
	t.Helper()
	raw, err := os.ReadFile("../../../testdata/gaugestudy/aiag.json")
	if err != nil {
		t.Fatal(err)
	}
	var p published
	if err := json.Unmarshal(raw, &p); err != nil {
		t.Fatal(err)
	}
	if len(p.Data) != 3 || len(p.Data["C"]) != 10 {
		t.Fatalf("read %d people", len(p.Data))
	}
	return p
}

func (p published) study() gaugestudy.Study {
	return gaugestudy.Study{Readings: [][][]float64{p.Data["A"], p.Data["B"], p.Data["C"]}, PositionsMarked: true}
}

func (m model) compare(t *testing.T, got gaugestudy.Model) {
	t.Helper()
	parts := map[string]*gaugestudy.Component{"EV": &got.Repeatability, "AV": got.People, "INT": got.Interaction, "GRR": &got.Gauge, "PV": got.Parts, "TV": &got.Total}
	m.Contribution["TV"] = 100 // the file leaves it out
	for name, want := range m.SD {
		c := parts[name]
		if c == nil {
			if want != 0 {
				t.Errorf("no %s", name)
			}
			continue
		}
		if !near(c.SD, want) || !near(*c.StudyPercent, m.PctStudy[name]) || !near(*c.Contribution, m.Contribution[name]) {
			t.Errorf("%s: got %v, %v %%, %v %%; want %v, %v, %v", name, c.SD, *c.StudyPercent, *c.Contribution, want, m.PctStudy[name], m.Contribution[name])
		}
	}
	if !near(*got.Categories, m.NDC) {
		t.Errorf("categories %v, want %v", *got.Categories, m.NDC)
	}
}

func TestTheWorkedExample(t *testing.T) {
	t.Parallel()
	p := aiag(t)
	r, err := gaugestudy.Analyse(p.study())
	if err != nil {
		t.Fatal(err)
	}
	table := r.Crossed.Table
	for name, row := range map[string][2]float64{
		"people": {table.People.SumSquares, p.SS.Operator}, "parts": {table.Parts.SumSquares, p.SS.Part},
		"interaction": {table.Interaction.SumSquares, p.SS.Interaction}, "repeats": {table.Repeatability.SumSquares, p.SS.Error},
		"F of people": {table.People.F, p.F["operator_vs_interaction"]}, "F of parts": {table.Parts.F, p.F["part_vs_interaction"]},
		"F of the interaction": {table.Interaction.F, p.F["interaction_vs_error"]}, "P of the interaction": {table.Interaction.P, p.P},
		"F of people pooled": {r.Additive.Table.People.F, p.F["operator_vs_pooled"]}, "F of parts pooled": {r.Additive.Table.Parts.F, p.F["part_vs_pooled"]},
	} {
		if !near(row[0], row[1]) {
			t.Errorf("%s: got %v, want %v", name, row[0], row[1])
		}
	}
	p.With.compare(t, r.Crossed)
	p.Pool.compare(t, r.Additive)
	if !r.Pooled {
		t.Error("the interaction has a probability of 0.974 and was not pooled")
	}
	// Printed with its pooled model (AIAG, 4th ed.): EV 0.199933, AV 0.226838, GRR
	// 0.302373, PV 1.042327, 27.9 % of the total. GRR differs from its own parts by 1.5e-6.
	m := r.Counting()
	for _, row := range [][3]float64{{m.Repeatability.SD, 0.199933, 0.5e-6}, {m.People.SD, 0.226838, 0.6e-6}, {m.Gauge.SD, 0.302373, 2e-6}, {m.Parts.SD, 1.042327, 0.6e-6}, {*m.Gauge.StudyPercent, 27.9, 0.05}} {
		if math.Abs(row[0]-row[1]) > row[2] {
			t.Errorf("printed %v, got %v", row[1], row[0])
		}
	}
	if n, ok := m.DistinctCategories(); !ok || n != 4 {
		t.Errorf("%d categories; 4.88 is cut to 4", n)
	}
	if i := r.Instrument(); !near(i.Repeatability, p.Pool.SD["EV"]) || !near(i.Reproducibility, p.Pool.SD["AV"]) || i.RepeatabilityDoF != 78 || !(i.ReproducibilityDoF >= 1 && i.ReproducibilityDoF <= 2) {
		t.Errorf("fed on as %+v", i)
	}
}

// strd reads a one-way set of NIST's Statistical Reference Datasets.
func strd(t *testing.T, name string) (groups [][]float64, between, within, f float64) {
	t.Helper()
	raw, err := os.ReadFile("../../../testdata/strd/" + name + ".dat")
	if err != nil {
		t.Fatal(err)
	}
	number := func(text string) float64 {
		x, err := strconv.ParseFloat(text, 64)
		if err != nil {
			t.Fatal(err)
		}
		return x
	}
	for i, line := range strings.Split(string(raw), "\n") {
		fields := strings.Fields(line)
		switch {
		case strings.HasPrefix(line, "Between"):
			between, f = number(fields[3]), number(fields[5])
		case strings.HasPrefix(line, "Within"):
			within = number(fields[3])
		case i >= 60 && len(fields) == 2:
			at, err := strconv.Atoi(fields[0])
			if err != nil {
				t.Fatal(err)
			}
			if at > len(groups) {
				groups = append(groups, nil)
			}
			groups[at-1] = append(groups[at-1], number(fields[1]))
		}
	}
	if len(groups) < 2 || f == 0 {
		t.Fatalf("%s: %d groups, F %v", name, len(groups), f)
	}
	return groups, between, within, f
}

// Certified values of the one-way sets. With 7 and 13 constant leading digits the
// readings themselves are only known to 1e-9 and 1e-4 of their spread as double precision numbers.
func TestCertifiedOneWaySets(t *testing.T) {
	t.Parallel()
	for name, tolerance := range map[string]float64{"SiRstv": 1e-12, "SmLs01": 1e-12, "AtmWtAg": 1e-8, "SmLs04": 1e-8, "SmLs07": 3e-3} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			groups, between, within, f := strd(t, name)
			byPart, err := gaugestudy.Analyse(gaugestudy.Study{Readings: [][][]float64{groups}})
			if err != nil {
				t.Fatal(err)
			}
			byPerson := make([][][]float64, len(groups))
			for i, g := range groups {
				byPerson[i] = [][]float64{g}
			}
			people, err := gaugestudy.Analyse(gaugestudy.Study{Readings: byPerson})
			if err != nil {
				t.Fatal(err)
			}
			for way, rows := range map[string][2]gaugestudy.Row{"one person": {byPart.Crossed.Table.Parts, byPart.Crossed.Table.Repeatability}, "one part": {people.Crossed.Table.People, people.Crossed.Table.Repeatability}} {
				for what, pair := range map[string][2]float64{"between": {rows[0].SumSquares, between}, "within": {rows[1].SumSquares, within}, "F": {rows[0].F, f}} {
					if math.Abs(pair[0]-pair[1]) > tolerance*pair[1] {
						t.Errorf("%s, %s: got %v, certified %v", way, what, pair[0], pair[1])
					}
				}
			}
			if m := byPart.Counting(); m.Reproducibility != nil || m.Gauge.Variance != m.Repeatability.Variance {
				t.Errorf("one person reproduces %+v", m.Reproducibility)
			}
			if m := people.Counting(); m.Parts != nil || m.Categories != nil || m.Gauge.StudyPercent != nil {
				t.Error("one part has shares of a total")
			}
		})
	}
}

func TestWhatIsRefused(t *testing.T) {
	t.Parallel()
	good := func() gaugestudy.Study {
		return gaugestudy.Study{Readings: [][][]float64{{{1, 2}, {3, 4}}, {{1, 2}, {3, 5}}}}
	}
	big, negative := 1e14, -1.0
	for name, spoil := range map[string]func(s *gaugestudy.Study){
		"no readings":               func(s *gaugestudy.Study) { s.Readings = nil },
		"a person without parts":    func(s *gaugestudy.Study) { s.Readings[0] = nil },
		"a missing cell":            func(s *gaugestudy.Study) { s.Readings[1] = s.Readings[1][:1] },
		"a missing trial":           func(s *gaugestudy.Study) { s.Readings[1][1] = s.Readings[1][1][:1] },
		"one trial":                 func(s *gaugestudy.Study) { s.Readings = [][][]float64{{{1}, {2}}, {{1}, {2}}} },
		"not a number":              func(s *gaugestudy.Study) { s.Readings[0][0][0] = math.NaN() },
		"an infinite reading":       func(s *gaugestudy.Study) { s.Readings[0][0][0] = math.Inf(1) },
		"a reading beyond all":      func(s *gaugestudy.Study) { s.Readings[0][0][0] = big },
		"a negative tolerance":      func(s *gaugestudy.Study) { s.Tolerance = -1 },
		"pooling above one":         func(s *gaugestudy.Study) { s.PoolAbove = 1 },
		"a confidence of one":       func(s *gaugestudy.Study) { s.Confidence = 1 },
		"a negative form error":     func(s *gaugestudy.Study) { s.FormError = &negative },
		"a tolerance of no number":  func(s *gaugestudy.Study) { s.Tolerance = math.NaN() },
		"a confidence of no number": func(s *gaugestudy.Study) { s.Confidence = math.NaN() },
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := good()
			spoil(&s)
			if r, err := gaugestudy.Analyse(s); !errors.Is(err, gaugestudy.ErrStudy) {
				t.Errorf("got %+v, %v", r, err)
			}
		})
	}
	if _, err := gaugestudy.Analyse(good()); err != nil {
		t.Errorf("the good one: %v", err)
	}
}

func TestDegenerateStudiesAnswerHonestly(t *testing.T) {
	t.Parallel()
	has := func(r gaugestudy.Result, code string) bool {
		for _, n := range r.Notes {
			if n.Code == code {
				return true
			}
		}
		return false
	}
	t.Run("nothing varies", func(t *testing.T) {
		t.Parallel()
		r, err := gaugestudy.Analyse(gaugestudy.Study{Readings: [][][]float64{{{5, 5}, {5, 5}}, {{5, 5}, {5, 5}}}})
		if err != nil || !has(r, gaugestudy.RepeatsAlike) || !r.Pooled || r.Counting().Categories != nil || r.Counting().Gauge.StudyPercent != nil {
			t.Errorf("%+v, %v", r, err)
		}
	})
	t.Run("repeats alike, people differ by part", func(t *testing.T) {
		t.Parallel()
		r, err := gaugestudy.Analyse(gaugestudy.Study{Readings: [][][]float64{{{5, 5}, {6, 6}}, {{5, 5}, {9, 9}}}})
		if err != nil || r.Pooled || r.Counting().Interaction.SD == 0 {
			t.Errorf("%+v, %v", r, err)
		}
	})
	t.Run("a variance below zero", func(t *testing.T) {
		t.Parallel()
		// The repeats scatter, the means are all alike.
		r, err := gaugestudy.Analyse(gaugestudy.Study{Readings: [][][]float64{{{4, 6}, {3, 7}}, {{2, 8}, {4, 6}}}})
		if err != nil || !has(r, gaugestudy.SetToZero) || !r.Counting().Parts.Below || r.Counting().Parts.SD != 0 || !(r.Counting().Parts.Estimate < 0) {
			t.Errorf("%+v, %v", r, err)
		}
	})
	t.Run("one person, one part", func(t *testing.T) {
		t.Parallel()
		// 0.5, 1.5: standard deviation 1/√2 with one degree of freedom; 95 % interval
		// s√(1/χ²): χ²(0.975, 1) = 5.0239, χ²(0.025, 1) = 0.000982069 (tables).
		r, err := gaugestudy.Analyse(gaugestudy.Study{Readings: [][][]float64{{{0.5, 1.5}}}})
		if err != nil || !has(r, gaugestudy.OnePerson) || !has(r, gaugestudy.OnePart) {
			t.Fatalf("%+v, %v", r, err)
		}
		ev := r.Counting().Repeatability
		if !near(ev.SD, math.Sqrt(0.5)) || math.Abs(ev.Interval.Low/math.Sqrt(0.5/5.0239)-1) > 1e-4 || math.Abs(ev.Interval.High/math.Sqrt(0.5/0.000982069)-1) > 1e-4 {
			t.Errorf("%+v %+v", ev, ev.Interval)
		}
		if i := r.Instrument(); i.Reproducibility != 0 || i.ReproducibilityDoF != 0 || i.RepeatabilityDoF != 1 {
			t.Errorf("%+v", i)
		}
	})
}
