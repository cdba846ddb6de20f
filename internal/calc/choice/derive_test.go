package choice

import (
	"math"
	"testing"

	"pinwright/internal/calc/derivation"
)

// given finds the number of a symbol anywhere in a step.
func given(t *testing.T, s derivation.Step, symbol string) float64 {
	t.Helper()
	for _, v := range append(append(append([]derivation.Value{}, s.Inputs...), s.Values...), s.Result) {
		if v.Symbol == symbol {
			return v.Value
		}
	}
	t.Fatalf("%s: no %s", s.Name, symbol)
	return 0
}

// Each closed formula is worked out again from the inputs that its step names.
func TestDerivationsCanBeWorkedOutAgain(t *testing.T) {
	t.Parallel()
	formulas := map[string]func(g func(string) float64) float64{
		"H = D + o; u_H = sqrt(u^2 + s^2)":                                        func(g func(string) float64) float64 { return g("D") + g("o") },
		"a = H - mean(S), of the bore with the least S":                           func(g func(string) float64) float64 { return g("H") - math.Min(g("mean(S_1)"), g("mean(S_2)")) },
		"g = H - (p_min + p_max)/2 - k; u_g = sqrt(u_H^2 + (p_max - p_min)^2/12)": func(g func(string) float64) float64 { return g("H") - (g("p_min")+g("p_max"))/2 - g("k") },
		"a = H - (b - c)":               func(g func(string) float64) float64 { return g("H") - (g("b") - g("c")) },
		"t = (D_o - H)/2":               func(g func(string) float64) float64 { return (g("D_o") - g("H")) / 2 },
		"p = p_1 max(0, i - l)":         func(g func(string) float64) float64 { return g("p_1") * math.Max(0, g("i")-g("l")) },
		"sigma = sigma_1 max(0, i - l)": func(g func(string) float64) float64 { return g("sigma_1") * math.Max(0, g("i")-g("l")) },
		"r = (1 - P) W":                 func(g func(string) float64) float64 { return (1 - g("P")) * g("W") },
		"g = mean(S) - (p_min + p_max)/2 - k, of the bore with the least S": func(g func(string) float64) float64 {
			return math.Min(g("mean(S_1)"), g("mean(S_2)")) - (g("p_min")+g("p_max"))/2 - g("k")
		},
		"g = mean(S) - mean(p) - k, of the bore with the least S and the pin's largest size": func(g func(string) float64) float64 {
			return math.Min(g("mean(S_1)"), g("mean(S_2)")) - g("mean(p)") - g("k")
		},
		"F = f_1 E(max(0, i - l)), i normal with u_i": func(g func(string) float64) float64 {
			m, z := g("i")-g("l"), (g("i")-g("l"))/g("u_i")
			return g("f_1") * (m*phi(z) + g("u_i")*density(z))
		},
		"V = pins + wear + labour + steps + r + tools + waiting": func(g func(string) float64) float64 {
			return g("pins") + g("wear") + g("labour") + g("steps") + g("r") + g("tools") + g("waiting")
		},
	}
	post := single(bore(30, 55, 4), bore(33, 52, 5), bore(-30, -25, 2), bore(-4, -6, 1))
	p := problem(post, hinge("h", 0, 1))
	j := &p.Joints[0]
	j.Held, j.Pin, j.Dirty, j.Hub, j.Hone, j.Coating = []int{2}, 3, false, steelHub(t), honed(), 3
	j.BossDiameter, j.MinimumWall = 8000, 2000
	j.Bush.Finish = &Reamer{Code: "0.315", Diameter: inch(0.315), Overcut: 3, OvercutU: 4, Scatter: 3, MinCut: 20, MaxCut: 100, Available: true}
	j.Bush.Bore, j.Bush.ClosesIn = Interval{-60, -40}, 15
	p.Series[1].HeldReamer = &Reamer{Code: "held", Diameter: p.Series[1].Pin.Mid() - 9, Scatter: 2, Available: true}
	a := decide(t, p)
	used := map[string]bool{}
	for _, o := range a.Options[0] {
		steps := p.Derivation(0, o)
		if len(steps) < 3 {
			t.Errorf("%s: %d steps", o.Kind, len(steps))
		}
		for _, s := range steps {
			if s.Name == "" || s.Formula == "" || s.Source == "" || s.Result.Symbol == "" || s.Result.Text == "" && math.IsNaN(s.Result.Value) {
				t.Errorf("%s: %+v", o.Kind, s)
			}
			f, ok := formulas[s.Formula]
			if !ok {
				continue
			}
			used[s.Formula] = true
			if want := f(func(symbol string) float64 { return given(t, s, symbol) }); math.Abs(s.Result.Value-want) > 1e-6*(1+math.Abs(want)) {
				t.Errorf("%s %d, %s: %v, worked out again %v", o.Kind, o.Step, s.Formula, s.Result.Value, want)
			}
		}
		last := steps[len(steps)-1]
		if math.Abs(last.Result.Value-o.Loss.Total()) > 1e-9 {
			t.Errorf("%s ends in %v, its loss is %v", o.Kind, last.Result.Value, o.Loss.Total())
		}
	}
	for f := range formulas {
		if !used[f] {
			t.Errorf("no step has the formula %s", f)
		}
	}
}
