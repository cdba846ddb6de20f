package controlchart_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"

	"pinwright/internal/calc/controlchart"
)

// zone is a part of the axis by the value that stands for it and its probability.
type zone struct{ z, p float64 }

// zones cuts the normal law at the given z.
func zones(cuts ...float64) []zone {
	var out []zone
	before, low := 0.0, math.Inf(-1)
	for _, c := range append(cuts, math.Inf(1)) {
		p := distuv.UnitNormal.CDF(c)
		z := (low + c) / 2
		switch {
		case math.IsInf(low, -1):
			z = c - 0.5
		case math.IsInf(c, 1):
			z = low + 0.5
		}
		out = append(out, zone{z, p - before})
		before, low = p, c
	}
	return out
}

// runLength is the mean number of values up to the first signal, by the Markov
// chain whose states are the last memory zones (C. W. Champ and W. H. Woodall,
// Technometrics 29 (1987) 393); the package itself says which step signals.
func runLength(t *testing.T, memory int, cut []zone, rules ...controlchart.Rule) float64 {
	t.Helper()
	states, names := map[string]int{"": 0}, []string{""}
	paths := [][]int{nil}
	type step struct {
		to int
		p  float64
	}
	var steps [][]step
	for at := 0; at < len(paths); at++ {
		var out []step
		for k, z := range cut {
			path := append(append([]int(nil), paths[at]...), k)
			values := make([]float64, len(path))
			for i, j := range path {
				values[i] = cut[j].z
			}
			c := standard(t, values, rules...)
			if n := len(c.Signals); n > 0 && c.Signals[n-1].Index == len(path)-1 {
				continue
			}
			if len(path) > memory {
				path = path[1:]
			}
			name := fmt.Sprint(path)
			to, known := states[name]
			if !known {
				to = len(paths)
				states[name], paths, names = to, append(paths, path), append(names, name)
			}
			out = append(out, step{to, z.p})
		}
		steps = append(steps, out)
	}
	n := len(paths)
	m, one := mat.NewDense(n, n, nil), mat.NewVecDense(n, nil)
	for i, out := range steps {
		m.Set(i, i, m.At(i, i)+1)
		one.SetVec(i, 1)
		for _, s := range out {
			m.Set(i, s.to, m.At(i, s.to)-s.p)
		}
	}
	var length mat.VecDense
	if err := length.SolveVec(m, one); err != nil {
		t.Fatal(err)
	}
	return length.AtVec(0)
}

// In control: 370.398 for 3σ alone; 2ⁿ - 1 for n on one side (closed form); and
// the table of runs by Champ and Woodall's chains.
func TestRunLengths(t *testing.T) {
	t.Parallel()
	table := from(t).RunLength
	side := zones(0)
	west := func(rules ...controlchart.Rule) []controlchart.Rule { return rules }
	for _, c := range []struct {
		name   string
		want   float64
		memory int
		cut    []zone
		rules  []controlchart.Rule
	}{
		{"western electric 1", table["1"], 0, zones(-3, 3), west(controlchart.Western1)},
		{"western electric 2", table["2"], 2, zones(-2, 2), west(controlchart.Western2)},
		{"western electric 3", table["3"], 4, zones(-1, 1), west(controlchart.Western3)},
		{"western electric 4", 255, 7, side, west(controlchart.Western4)},
		{"nelson 2", 511, 8, side, west(controlchart.Nelson2)},
		{"western electric 1, 2", table["12"], 2, zones(-3, -2, 2, 3), west(controlchart.Western1, controlchart.Western2)},
		{"western electric 1, 3", table["13"], 4, zones(-3, -1, 1, 3), west(controlchart.Western1, controlchart.Western3)},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			near(t, "mean run length", runLength(t, c.memory, c.cut, c.rules...), c.want, 1e-6*c.want)
		})
	}
}

// All four Western Electric rules together, drawn: their chain has too many
// states for the plain one above.
func TestRunLengthOfAllFour(t *testing.T) {
	t.Parallel()
	runs := 600
	if long {
		runs = 40_000
	}
	const seed = 20261125
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 1))
	var sum, squares float64
	for range runs {
		values := make([]float64, 0, 1000)
		at := -1
		for n := 60; at < 0 && n <= 960; n *= 2 {
			for len(values) < n {
				values = append(values, random.NormFloat64())
			}
			if c := standard(t, values, controlchart.WesternElectric...); len(c.Signals) > 0 {
				at = c.Signals[0].Index + 1
			}
		}
		if at < 0 {
			at = 960 // one run in 30,000
		}
		sum += float64(at)
		squares += float64(at) * float64(at)
	}
	got := sum / float64(runs)
	se := math.Sqrt((squares/float64(runs) - got*got) / float64(runs))
	near(t, "mean run length", got, from(t).RunLength["1234"], 4*se)
}
