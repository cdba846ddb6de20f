package controlchart_test

import (
	"encoding/json"
	"math"
	"os"
	"slices"
	"sync"
	"testing"

	"pinwright/internal/calc/controlchart"
)

// published is testdata/spc.json, which names its sources.
type published struct {
	Flow struct {
		Data      []float64 `json:"data"`
		Exact     map[string]float64
		Published map[string]float64
	}
	Constants map[string]float64
	RunLength map[string]float64
	Vectors   map[string]map[string]json.RawMessage
}

var source = sync.OnceValues(func() (published, error) {
	raw, err := os.ReadFile("testdata/spc.json")
	if err != nil {
		return published{}, err
	}
	var f struct {
		Flow struct {
			Data      []float64          `json:"data"`
			Exact     map[string]float64 `json:"exact_constants"`
			Published map[string]float64 `json:"nist_published"`
		} `json:"nist_flowrate"`
		Constants map[string]float64                    `json:"constants_n2"`
		RunLength map[string]float64                    `json:"weco_arl_in_control"`
		Vectors   map[string]map[string]json.RawMessage `json:"rule_vectors"`
	}
	if err := json.Unmarshal(raw, &f); err != nil {
		return published{}, err
	}
	out := published{Constants: f.Constants, RunLength: f.RunLength, Vectors: f.Vectors}
	out.Flow.Data, out.Flow.Exact, out.Flow.Published = f.Flow.Data, f.Flow.Exact, f.Flow.Published
	return out, nil
})

func from(t testing.TB) published {
	t.Helper()
	p, err := source()
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func judge(t testing.TB, q controlchart.Question) controlchart.Chart {
	t.Helper()
	c, err := controlchart.Judge(q)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func near(t testing.TB, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: got %.12g, want %.12g within %g", what, got, want, tolerance)
	}
}

// NIST/SEMATECH e-Handbook 6.3.2.2, flow rates. It prints limits by d2 = 1.128;
// the exact constant moves them by less than 0.002.
func TestFlowRates(t *testing.T) {
	t.Parallel()
	f := from(t).Flow
	s := judge(t, controlchart.Question{Values: f.Data}).Segments[0]
	for name, got := range map[string]float64{"xbar": s.Centre, "mrbar": s.MeanRange, "sigma_hat": s.Sigma, "UCL": s.Upper, "LCL": s.Lower, "UCL_MR": s.RangeUpper} {
		near(t, name, got, f.Exact[name], 1e-9*math.Abs(f.Exact[name]))
		if want, printed := f.Published[name]; printed {
			near(t, name+" as printed", got, want, 0.002)
		}
	}
	if !s.Provisional || s.From != 10 {
		t.Errorf("limits of ten values are provisional: %+v", s)
	}
	z := s.Zones()
	near(t, "lowest zone", z[0], s.Lower, 1e-12)
	near(t, "highest zone", z[6], s.Upper, 1e-12)
}

func TestConstants(t *testing.T) {
	t.Parallel()
	for name, got := range map[string]float64{"d2": controlchart.D2, "d3": controlchart.D3, "D4": controlchart.UpperMR, "E2": 3 / controlchart.D2, "d4_median": controlchart.D4Median} {
		near(t, name, got, from(t).Constants[name], 1e-14)
	}
}

// standard puts z on a chart of centre 0 and σ 1.
func standard(t testing.TB, z []float64, rules ...controlchart.Rule) controlchart.Chart {
	t.Helper()
	return judge(t, controlchart.Question{Values: z, Given: &controlchart.Given{Sigma: 1}, Rules: rules})
}

func fired(c controlchart.Chart) []int {
	var at []int
	for _, s := range c.Signals {
		at = append(at, s.Index+1)
	}
	return at
}

// Nelson (1984) and Western Electric (1956), by the definitions of the rules.
func TestRuleVectors(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		vector, key string
		rules       []controlchart.Rule
	}{
		{"beyond_3s", "signals", []controlchart.Rule{controlchart.Nelson1, controlchart.Western1}},
		{"nine_same_side", "nelson_9", []controlchart.Rule{controlchart.Nelson2}},
		{"nine_same_side", "weco_8", []controlchart.Rule{controlchart.Western4}},
		{"six_trend", "signals_6_points", []controlchart.Rule{controlchart.Nelson3}},
		{"fourteen_alternating", "signals", []controlchart.Rule{controlchart.Nelson4}},
		{"two_of_three_2s", "signals", []controlchart.Rule{controlchart.Nelson5, controlchart.Western2}},
		{"four_of_five_1s", "signals", []controlchart.Rule{controlchart.Nelson6, controlchart.Western3}},
		{"fifteen_within_1s", "signals", []controlchart.Rule{controlchart.Nelson7}},
		{"eight_outside_1s", "signals", []controlchart.Rule{controlchart.Nelson8}},
	} {
		var z []float64
		var want []int
		v := from(t).Vectors[c.vector]
		if err := json.Unmarshal(v["z"], &z); err != nil {
			t.Fatal(err)
		}
		if err := json.Unmarshal(v[c.key], &want); err != nil {
			t.Fatal(err)
		}
		for _, rule := range c.rules {
			down := make([]float64, len(z))
			for i := range z {
				down[i] = -z[i]
			}
			for _, values := range [][]float64{z, down} { // all rules are symmetrical
				got := standard(t, values, rule)
				if !slices.Equal(fired(got), want) {
					t.Errorf("%s by %s: at %v, want %v", c.vector, rule, fired(got), want)
				}
				for _, s := range got.Signals {
					if s.Points[len(s.Points)-1] != s.Index || !slices.IsSorted(s.Points) || s.Meaning == "" || !slices.Contains(got.Points[s.Index].Rules, rule) {
						t.Errorf("%+v", s)
					}
				}
			}
		}
	}
}

// Decimals that lie on a line by arithmetic are on it, whatever binary makes of
// them: 10.4 on a centre of 10.1 with σ 0.1 is at 3σ.
func TestOnALineIsNotBeyond(t *testing.T) {
	t.Parallel()
	c := judge(t, controlchart.Question{Values: []float64{10.4, 9.8, 10.4}, Given: &controlchart.Given{Centre: 10.1, Sigma: 0.1}, Rules: []controlchart.Rule{controlchart.Nelson1}})
	if len(c.Signals) != 0 {
		t.Errorf("%+v", c.Signals)
	}
	onCentre := []float64{10.2, 10.2, 10.2, 10.2, 10.1, 10.2, 10.2, 10.2, 10.2, 10.2}
	c = judge(t, controlchart.Question{Values: onCentre, Given: &controlchart.Given{Centre: 10.1, Sigma: 1}, Rules: []controlchart.Rule{controlchart.Western4, controlchart.Nelson2}})
	if len(c.Signals) != 0 {
		t.Errorf("the centre is on neither side: %+v", c.Signals)
	}
}
