package censored

import (
	"math"

	"pinwright/internal/calc/derivation"
)

// Derivation tells how the fit came about. readings are those that were
// fitted, f what Normal made of them; unit is the UCUM code of their unit.
func (f Fit) Derivation(readings []Reading, unit string) []derivation.Step {
	var exact, left, right, between int
	var score, scoreSpread, mm, ms, ss float64
	for _, r := range readings {
		switch {
		case r.Low == r.High:
			exact++
		case math.IsInf(r.Low, -1):
			left++
		case math.IsInf(r.High, 1):
			right++
		default:
			between++
		}
	}
	p := problem{readings: readings}
	t := p.sum(f.Mu, f.Sigma)
	score, scoreSpread, mm, ms, ss = t.m, t.s, -t.mm, -t.ms, -t.ss
	number, word := derivation.Number, derivation.Word
	mu, sigma := number("mu", "mean", f.Mu, unit), number("sigma", "standard deviation", f.Sigma, unit)
	per := "1/" + unit
	steps := []derivation.Step{{
		Name: "log likelihood", Formula: "l = Σ_exact [−((x − mu)/s)²/2 − ln s − ln(2π)/2] + Σ_other ln[Φ((high − mu)/s) − Φ((low − mu)/s)], s² = sigma² + u²",
		Inputs: []derivation.Value{mu, sigma, number("n_exact", "exact readings", float64(exact), "1"), number("n_between", "in an interval", float64(between), "1"),
			number("n_below", "below an end", float64(left), "1"), number("n_above", "above an end", float64(right), "1")},
		Values: []derivation.Value{number("dl/dmu", "slope in the mean, zero at the maximum", score, per), number("dl/dlnsigma", "slope in ln sigma, zero at the maximum unless sigma was given", scoreSpread, "1")},
		Result: number("l", "log likelihood", f.LogLikelihood, "1"), Source: "J. F. Lawless, Statistical Models and Methods for Lifetime Data, 2nd ed., Wiley 2003, 2.2",
	}}
	info := []derivation.Value{number("I_mm", "−d²l/dmu²", mm, "1/"+unit+"2")}
	if f.Known || f.Sigma == 0 {
		steps = append(steps, derivation.Step{Name: "standard error of the mean", Formula: "se = 1/√I_mm", Inputs: info,
			Result: number("se", "standard error of the mean", f.SEMu, unit), Source: "observed information; Lawless, appendix B"})
	} else {
		info = append(info, number("I_ms", "−d²l/(dmu dlnsigma)", ms, per), number("I_ss", "−d²l/dlnsigma²", ss, "1"))
		steps = append(steps,
			derivation.Step{Name: "standard error of the mean", Formula: "se = √[I_ss/(I_mm I_ss − I_ms²)]", Inputs: info,
				Result: number("se", "standard error of the mean", f.SEMu, unit), Source: "observed information; Lawless, appendix B"},
			derivation.Step{Name: "standard error of ln sigma", Formula: "se_ln = √[I_mm/(I_mm I_ss − I_ms²)]", Inputs: info,
				Result: number("se_ln", "standard error of ln sigma", f.SELogSigma, "1"), Source: "observed information; Lawless, appendix B"})
	}
	bound := func(symbol, name string, at float64) derivation.Value {
		if math.IsInf(at, 0) {
			return word(symbol, name, "none")
		}
		return number(symbol, name, at, unit)
	}
	return append(steps, derivation.Step{
		Name: "interval of 95 % for the mean", Formula: "all mu with max over sigma of l ≥ l_max − χ²(0.95; 1)/2",
		Inputs: []derivation.Value{number("l_max", "greatest log likelihood", f.LogLikelihood, "1"), number("drop", "half of 3.841", drop, "1")},
		Values: []derivation.Value{bound("mu_low", "lower end", f.MuInterval.Low)},
		Result: bound("mu_high", "upper end", f.MuInterval.High), Source: "D. R. Cox and D. Oakes, Analysis of Survival Data, Chapman & Hall 1984, 3.3",
	})
}
