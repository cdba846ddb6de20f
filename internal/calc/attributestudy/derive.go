package attributestudy

import (
	"fmt"
	"math"

	"pinwright/internal/calc/derivation"
)

// Derivation tells how the numbers of all people together came about.
func (r Result) Derivation() []derivation.Step {
	number := derivation.Number
	var steps []derivation.Step
	share := func(symbol, name string, s Share) {
		if s.Of > 0 {
			steps = append(steps, derivation.Step{Name: name, Formula: symbol + " = n/m", Source: "Measurement Systems Analysis, AIAG, 4th ed. (from memory); interval: C. J. Clopper and E. S. Pearson, Biometrika 26 (1934) 404",
				Inputs: []derivation.Value{number("n", "counted", float64(s.Count), "1"), number("m", "of", float64(s.Of), "1")},
				Values: []derivation.Value{number("low", "lower end", s.Low, "1"), number("high", "upper end", s.High, "1")},
				Result: number(symbol, name, s.Share, "1")})
		}
	}
	share("e", "effectiveness of all", r.All.Effectiveness)
	share("m", "miss rate of all", r.All.Misses)
	share("a", "false alarm rate of all", r.All.FalseAlarms)
	kappa := func(symbol, name string, k Kappa) {
		if k.Defined {
			steps = append(steps, derivation.Step{Name: name, Formula: symbol + " = (p_o - p_e)/(1 - p_e)", Source: "J. Cohen, Educ. Psychol. Meas. 20 (1960) 37",
				Inputs: []derivation.Value{number("p_o", "share agreed on", k.Observed, "1"), number("p_e", "share expected by chance", k.Expected, "1")},
				Values: []derivation.Value{number("se", "standard error (Fleiss, Cohen and Everitt 1969)", k.StandardError, "1")},
				Result: number(symbol, name, k.Value, "1")})
		}
	}
	if r.Reference {
		kappa("kappa_ref", "agreement of all with the reference", r.All.Kappa)
	}
	for _, p := range r.Pairs {
		kappa(fmt.Sprintf("kappa_%d,%d", p.First+1, p.Second+1), fmt.Sprintf("agreement of person %d with person %d", p.First+1, p.Second+1), p.Kappa)
	}
	if b := r.All.Blur; b != nil {
		high := number("high", "upper end", b.High, "um")
		if math.IsInf(b.High, 0) {
			high = derivation.Word("high", "upper end", "unbounded")
		}
		steps = append(steps, derivation.Step{Name: "blur", Formula: "s and c with the greatest sum of ln Phi(±(x - c)/s)", Source: "D. J. Finney, Probit Analysis, 1947",
			Inputs: []derivation.Value{number("N", "decisions", float64(r.NParts*r.NPeople*r.NTrials), "1")},
			Values: []derivation.Value{number("c", "size at which half are accepted", b.Half, "um"), number("low", "lower end", b.Low, "um"), high},
			Result: number("s", "blur", b.SD, "um")})
	}
	return steps
}
