package choice

import (
	"math"
	"sort"

	"gonum.org/v1/gonum/integrate/quad"

	"pinwright/internal/calc/wornsize"
)

func phi(z float64) float64 { return 0.5 * math.Erfc(-z/math.Sqrt2) }

func density(z float64) float64 { return math.Exp(-z*z/2) / math.Sqrt(2*math.Pi) }

const (
	cutNodes = 11 // of the cut error a reamer shares between holes
	pinNodes = 5  // of the pin's tolerance
	lawNodes = 15 // of equal probability, for a worn pin or a held bore
)

var hermiteX, hermiteW = hermite()

// hermite gives nodes and weights for the mean over a standard normal.
func hermite() (x, w []float64) {
	x, w = make([]float64, cutNodes), make([]float64, cutNodes)
	quad.Hermite{}.FixedLocations(x, w, math.Inf(-1), math.Inf(1))
	for i := range x {
		// gonum's weights are for exp(-x*x); a standard normal has the density
		// exp(-z*z/2)/sqrt(2*pi), with z = x*sqrt(2).
		w[i] /= math.Sqrt(math.Pi)
		x[i] *= math.Sqrt2
	}
	return x, w
}

// node is a value with its probability.
type node struct{ x, w float64 }

var legendreX, legendreW = legendre()

func legendre() (x, w []float64) {
	x, w = make([]float64, pinNodes), make([]float64, pinNodes)
	quad.Legendre{}.FixedLocations(x, w, 0, 1)
	return x, w
}

// rectangular gives nodes of a rectangular law.
func rectangular(i Interval) []node {
	if i.Width() == 0 {
		return []node{{i.Low, 1}}
	}
	out := make([]node, pinNodes)
	for j := range out {
		out[j] = node{i.Low + i.Width()*legendreX[j], legendreW[j]}
	}
	return out
}

// levels are the middles of lawNodes slices of equal probability.
func levels() []float64 {
	out := make([]float64, lawNodes)
	for i := range out {
		out[i] = (float64(i) + 0.5) / lawNodes
	}
	return out
}

// mixture is the law of X + s*R where X has law l (a point when l is nil), R is
// rectangular on r, plus a normal error of standard deviation u.
type mixture struct {
	law    *wornsize.Law
	offset float64
	sign   float64
	r      Interval
	u      float64
}

// quantity summarises the mixture; quantiles by bisection on its distribution.
func (m mixture) quantity() Quantity {
	mean, sd := m.offset+m.sign*m.r.Mid(), 0.0
	lo, hi := 0.0, 0.0
	if m.law != nil {
		lm, ls := m.law.Mean(), m.law.SD()
		mean, sd = mean+lm, ls
		lo, hi = m.law.X[0], m.law.X[len(m.law.X)-1]
	}
	sd = math.Sqrt(sd*sd + m.u*m.u + m.r.Width()*m.r.Width()/12)
	ends := []float64{m.sign * m.r.Low, m.sign * m.r.High}
	sort.Float64s(ends)
	lo += m.offset + ends[0] - 6*m.u
	hi += m.offset + ends[1] + 6*m.u
	return Quantity{Mean: mean, SD: sd, Low: m.bisect(0.025, lo, hi), High: m.bisect(0.975, lo, hi)}
}

func (m mixture) bisect(p, lo, hi float64) float64 {
	for i := 0; i < 48 && hi-lo > 1e-6; i++ {
		mid := (lo + hi) / 2
		if m.below(mid) < p {
			lo = mid
		} else {
			hi = mid
		}
	}
	return (lo + hi) / 2
}

// below is P(mixture <= x).
func (m mixture) below(x float64) float64 {
	sum := 0.0
	for _, q := range rectangular(m.r) {
		y := x - m.offset - m.sign*q.x
		switch {
		case m.law == nil && m.u == 0:
			if y >= 0 {
				sum += q.w
			}
		case m.law == nil:
			sum += q.w * phi(y/m.u)
		case m.u == 0:
			sum += q.w * m.law.CDF(y)
		default:
			for i := range hermiteX {
				sum += q.w * hermiteW[i] * m.law.CDF(y-m.u*hermiteX[i])
			}
		}
	}
	return sum
}
