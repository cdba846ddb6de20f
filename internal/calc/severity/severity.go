// Package severity learns from many reamers how much more one way of cutting wears than another: dry against
// oil, bronze against steel.
//
// # The model
//
// Each life of a reamer follows package reamerwear: it cuts c0 - r s + e, with c0, r and the scatter its own. The travel is
//
//	s = sum over what was cut of depth × exp(b_lubricant + b_material)
//
// where b is 0 for the reference, which is the level that cut most, and for what is not known. exp(b) is a rate ratio: how often a metre
// counts. Since every life has a rate of its own, only lives that were cut in more than one way tell of it.
//
// # How it is computed
//
// c0, r and the scatter of each life are integrated out exactly (reamerwear.State.Evidence); the logarithms b have
// independent normal priors about 0 with standard deviation Doubt. Their posterior is taken as normal about its mode with the inverse of the
// curvature there as covariance (Laplace's method; e.g. A. Gelman et al., Bayesian Data Analysis, 13.3). With little data the
// interval is about the prior's, so that nothing is told.
//
// # What it does not do
//
// Lubricant and material multiply: a lubricant that suits one material only is told as one between. It
// compares no reamers with each other.
package severity

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/optimize"
	"gonum.org/v1/gonum/stat/distuv"

	"pinwright/internal/calc/reamerwear"
)

// Doubt is the standard deviation of the prior of the logarithm of a ratio: within a factor of four either way with 95 %
// (common practice, no published source).
const Doubt = 0.7

// MostLevels bounds the levels beside the references.
const MostLevels = 12

// ErrLevels tells of more levels than that.
var ErrLevels = errors.New("too many ways of cutting")

// Way is a way of cutting; empty is not known.
type Way struct{ Lubricant, Material string }

// Hole is one size that was seen: the metres cut before it in each way, the size in µm, and its standard uncertainty.
type Hole struct {
	Cut     map[Way]float64
	Size, U float64
}

// Life is one life of a reamer.
type Life struct {
	Prior reamerwear.Prior // a narrow one of its rate is made up for by the ratios, so leave that wide
	Holes []Hole           // in order
}

// Ratio is how much more a metre of a level wears than one of the reference.
type Ratio struct {
	Level     string
	Ratio     float64 // median
	Low, High float64
	Told      bool // the interval does not hold 1
}

// Ratios are those of lubricants and materials, each against its reference, by name.
type Ratios struct {
	LubricantReference, MaterialReference string // empty: nothing is known of any
	Lubricants, Materials                 []Ratio
	Lives                                 int // that were cut in more than one way
}

// Learn finds the ratios with intervals of a level such as 0.95. Errors: ErrLevels, and those of reamerwear.
func Learn(lives []Life, level float64) (Ratios, error) {
	lubricants, materials := map[string]float64{}, map[string]float64{}
	var out Ratios
	for _, l := range lives {
		if len(l.Holes) == 0 {
			continue
		}
		ways := l.Holes[len(l.Holes)-1].Cut
		if len(ways) > 1 {
			out.Lives++
		}
		for w, metres := range ways {
			lubricants[w.Lubricant] += metres
			materials[w.Material] += metres
		}
	}
	var lube, stuff []string
	out.LubricantReference, lube = split(lubricants)
	out.MaterialReference, stuff = split(materials)
	n := len(lube) + len(stuff)
	if n > MostLevels {
		return out, fmt.Errorf("%w: %d beside the references, at most %d", ErrLevels, n, MostLevels)
	}
	if n == 0 {
		return out, nil
	}
	var failed error
	minus := func(b []float64) float64 {
		v, err := posterior(lives, lube, stuff, b)
		if err != nil {
			failed = err
		}
		return -v
	}
	start := make([]float64, n)
	if minus(start); failed != nil {
		return out, failed
	}
	mode, err := lowest(minus, start)
	if err != nil {
		return out, err
	}
	se, err := spread(minus, mode)
	if err != nil {
		return out, err
	}
	z := distuv.UnitNormal.Quantile(0.5 + level/2)
	for i := range n {
		r := Ratio{Ratio: math.Exp(mode[i]), Low: math.Exp(mode[i] - z*se[i]), High: math.Exp(mode[i] + z*se[i])}
		r.Told = r.Low > 1 || r.High < 1
		if i < len(lube) {
			r.Level = lube[i]
			out.Lubricants = append(out.Lubricants, r)
		} else {
			r.Level = stuff[i-len(lube)]
			out.Materials = append(out.Materials, r)
		}
	}
	return out, nil
}

// split names the level that cut most, and the others that are known, by name.
func split(metres map[string]float64) (reference string, others []string) {
	for name, m := range metres {
		if name == "" {
			continue
		}
		others = append(others, name)
		if reference == "" || m > metres[reference] || m == metres[reference] && name < reference {
			reference = name
		}
	}
	others = slices.DeleteFunc(others, func(name string) bool { return name == reference })
	slices.Sort(others)
	return reference, others
}

// posterior is the logarithm of the density of b, but for a constant.
func posterior(lives []Life, lube, stuff []string, b []float64) (float64, error) {
	weigh := map[string]float64{}
	for i, name := range lube {
		weigh["l "+name] = b[i]
	}
	for i, name := range stuff {
		weigh["m "+name] = b[len(lube)+i]
	}
	sum := 0.0
	for _, x := range b {
		sum -= x * x / (2 * Doubt * Doubt)
	}
	for _, l := range lives {
		state, err := reamerwear.New(l.Prior)
		if err != nil {
			return 0, fmt.Errorf("severity: %w", err)
		}
		for _, h := range l.Holes {
			travel := 0.0
			for w, metres := range h.Cut {
				travel += metres * math.Exp(weigh["l "+w.Lubricant]+weigh["m "+w.Material])
			}
			if state, err = state.With(reamerwear.Observation{Travel: travel, Size: h.Size, U: h.U}); err != nil {
				return 0, fmt.Errorf("severity: %w", err)
			}
		}
		sum += state.Evidence()
	}
	return sum, nil
}

// lowest is where f is least, by the simplex of Nelder and Mead, begun again where it ended.
func lowest(f func([]float64) float64, at []float64) ([]float64, error) {
	value := f(at)
	for range 10 {
		r, err := optimize.Minimize(optimize.Problem{Func: f}, at, &optimize.Settings{Converger: &optimize.FunctionConverge{Absolute: 1e-9, Iterations: 60}, MajorIterations: 4000}, &optimize.NelderMead{SimplexSize: 0.2})
		if err != nil {
			return nil, fmt.Errorf("severity: %w", err)
		}
		better := value - r.F
		at, value = r.X, r.F
		if better < 1e-6 {
			break
		}
	}
	return at, nil
}

// spread are the standard deviations of the normal law with the curvature of f at its lowest.
func spread(f func([]float64) float64, at []float64) ([]float64, error) {
	const h = 0.02
	n := len(at)
	move := func(i int, di float64, j int, dj float64) float64 {
		x := slices.Clone(at)
		x[i] += di
		x[j] += dj
		return f(x)
	}
	curvature := mat.NewSymDense(n, nil)
	middle := f(at)
	for i := range n {
		curvature.SetSym(i, i, (move(i, h, i, 0)-2*middle+move(i, -h, i, 0))/(h*h))
		for j := range i {
			curvature.SetSym(i, j, (move(i, h, j, h)-move(i, h, j, -h)-move(i, -h, j, h)+move(i, -h, j, -h))/(4*h*h))
		}
	}
	var factor mat.Cholesky
	if !factor.Factorize(curvature) {
		return nil, errors.New("severity: the likelihood has no peak")
	}
	var covariance mat.SymDense
	if err := factor.InverseTo(&covariance); err != nil {
		return nil, fmt.Errorf("severity: %w", err)
	}
	out := make([]float64, n)
	for i := range out {
		out[i] = math.Sqrt(covariance.At(i, i))
	}
	return out, nil
}
