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
	cutNodes = 15  // of the cut error a reamer shares between holes
	cutPace  = 0.6 // standard deviations between them
	pinNodes = 5   // of the pin's tolerance
	lawNodes = 15  // of equal probability, for a worn pin
)

var sharedZ, sharedW = sharedNodes()

// sharedNodes gives nodes and weights for the mean over a standard normal: the
// trapezoidal rule, which for smooth functions converges geometrically (L. N.
// Trefethen, J. A. C. Weideman, SIAM Review 56 (2014) 385-458). Against a sharp
// limit rounded by scatter it needs fewer nodes than Gauss-Hermite: with
// scatter of half, a quarter and a tenth of the shared error the probability
// is right to 0.0001, 0.004 and 0.05; eleven Gauss-Hermite nodes give 0.002,
// 0.04 and 0.11.
func sharedNodes() (z, w []float64) {
	z, w = make([]float64, cutNodes), make([]float64, cutNodes)
	sum := 0.0
	for i := range z {
		z[i] = cutPace * float64(i-cutNodes/2)
		w[i] = density(z[i])
		sum += w[i]
	}
	for i := range w {
		w[i] /= sum
	}
	return z, w
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
			for i := range sharedZ {
				sum += q.w * sharedW[i] * m.law.CDF(y-m.u*sharedZ[i])
			}
		}
	}
	return sum
}
