package survival

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/optimize"
	"gonum.org/v1/gonum/stat/distuv"
)

// Weibull is the law S(t) = exp(-(t/Scale)^Shape), fitted to lives. A shape below 1 is
// early failure, about 1 chance, above 1 wear.
type Weibull struct {
	Shape, Scale  float64
	LogLikelihood float64
	Failures      int

	lives []Life
	unit  float64
}

// FitWeibull is the law of greatest likelihood. ErrFew tells of fewer than Few
// failures, ErrLife of lives that cannot be, or that leave the shape unbounded (all failures
// at one moment).
func FitWeibull(lives []Life) (Weibull, error) {
	if err := check(lives); err != nil {
		return Weibull{}, err
	}
	n := failures(lives)
	if n < Few {
		return Weibull{}, fmt.Errorf("%w: %d, and a law takes %d", ErrFew, n, Few)
	}
	w := Weibull{Failures: n, lives: lives}
	// Lives are measured in their mean, so that the search starts near 1 whatever the measure.
	for _, l := range lives {
		if l.failed() {
			w.unit += (l.From + l.Until) / 2 / float64(n)
		}
	}
	at, value, err := minimize([]float64{0, 0}, func(x []float64) float64 { return -w.likelihood(x[0], x[1]) })
	if err != nil || math.Abs(at[1]) > 5 {
		return Weibull{}, fmt.Errorf("%w by which a law could be told: the failures lie too close together", ErrLife)
	}
	w.Scale, w.Shape, w.LogLikelihood = w.unit*math.Exp(at[0]), math.Exp(at[1]), -value
	return w, nil
}

// likelihood is the log-likelihood at the logarithms of scale (in units of w.unit)
// and shape.
func (w Weibull) likelihood(logScale, logShape float64) float64 {
	shape := math.Exp(logShape)
	hazard := func(t float64) float64 { // cumulated
		if t == 0 {
			return 0
		}
		return math.Exp(shape * (math.Log(t/w.unit) - logScale))
	}
	sum := 0.0
	for _, l := range w.lives {
		from := hazard(l.From)
		sum += hazard(l.Entered) - from
		switch {
		case l.exact():
			sum += logShape - math.Log(l.From) + math.Log(from)
		case l.failed():
			sum += math.Log(-math.Expm1(from - hazard(l.Until)))
		}
	}
	return sum
}

// minimize finds the least value of f near start by the simplex of Nelder and Mead,
// begun again where it ended, since a simplex may shrink before it has arrived.
func minimize(start []float64, f func([]float64) float64) ([]float64, float64, error) {
	at, value := start, f(start)
	for range 20 {
		r, err := optimize.Minimize(optimize.Problem{Func: f}, at, &optimize.Settings{Converger: &optimize.FunctionConverge{Absolute: 1e-13, Iterations: 100}, MajorIterations: 5000},
			&optimize.NelderMead{SimplexSize: 0.2})
		if err != nil {
			return nil, 0, fmt.Errorf("minimize: %w", err)
		}
		better := value - r.F
		at, value = r.X, r.F
		if better < 1e-11 {
			return at, value, nil
		}
	}
	return at, value, nil
}

// Survival is the share that lasts longer than t.
func (w Weibull) Survival(t float64) float64 { return math.Exp(-math.Pow(t/w.Scale, w.Shape)) }

// Quantile is the life by which the share p has failed.
func (w Weibull) Quantile(p float64) float64 {
	return w.Scale * math.Pow(-math.Log1p(-p), 1/w.Shape)
}

// Mean is the mean life.
func (w Weibull) Mean() float64 { return w.Scale * math.Gamma(1+1/w.Shape) }

// Failing is the probability that what has lasted until age fails within further.
func (w Weibull) Failing(age, further float64) float64 {
	return -math.Expm1(math.Pow(age/w.Scale, w.Shape) - math.Pow((age+further)/w.Scale, w.Shape))
}

// ShapeInterval is the interval of the shape by the likelihood ratio at a level such as 0.95.
func (w Weibull) ShapeInterval(level float64) (low, high float64) {
	profile := func(logShape float64) float64 {
		return highest(math.Log(w.Scale/w.unit), func(logScale float64) float64 { return w.likelihood(logScale, logShape) })
	}
	return w.ratio(math.Log(w.Shape), profile, level)
}

// QuantileInterval is the interval of the life by which the share p has failed, by the
// likelihood ratio.
func (w Weibull) QuantileInterval(p, level float64) (low, high float64) {
	share := math.Log(-math.Log1p(-p))
	profile := func(logLife float64) float64 {
		return highest(math.Log(w.Shape), func(logShape float64) float64 {
			return w.likelihood(logLife-share*math.Exp(-logShape), logShape)
		})
	}
	low, high = w.ratio(math.Log(w.Quantile(p)/w.unit), profile, level)
	return low * w.unit, high * w.unit
}

// highest is the greatest value of f, which rises to one and falls from it, within 4 of
// start: by golden section, to what 1e-6 beside its place makes of it.
func highest(start float64, f func(float64) float64) float64 {
	golden := (math.Sqrt(5) - 1) / 2
	low, high := start-4, start+4
	a, b := high-golden*(high-low), low+golden*(high-low)
	atA, atB := f(a), f(b)
	for high-low > 1e-6 {
		if atA > atB {
			high, b, atB = b, a, atA
			a = high - golden*(high-low)
			atA = f(a)
		} else {
			low, a, atA = a, b, atB
			b = low + golden*(high-low)
			atB = f(b)
		}
	}
	return max(atA, atB)
}

// ratio are the ends of what lies within the likelihood ratio's bound around the
// best value of a logarithm; 0 or infinity where the likelihood does not fall
// that far within a factor of e^20.
func (w Weibull) ratio(best float64, profile func(float64) float64, level float64) (low, high float64) {
	bound := w.LogLikelihood - distuv.ChiSquared{K: 1}.Quantile(level)/2
	end := func(direction, none float64) float64 {
		inside, step := 0.0, 0.05
		for profile(best+direction*(inside+step)) >= bound {
			inside += step
			if step *= 2; inside > 20 {
				return none
			}
		}
		outside := inside + step
		for outside-inside > 1e-9 {
			if middle := (inside + outside) / 2; profile(best+direction*middle) >= bound {
				inside = middle
			} else {
				outside = middle
			}
		}
		return math.Exp(best + direction*inside)
	}
	return end(-1, 0), end(1, math.Inf(1))
}
