package reamerwear

import (
	"iter"
	"math"

	"gonum.org/v1/gonum/integrate/quad"
)

// Law is a distribution of a size: a mixture of normals, one for each sigma and node of r.
type Law struct{ parts []part }

type part struct {
	weight, mean, u float64
	sigma           float64
}

// nodes are how many rates the part that is cut off is integrated over.
const nodes = 32

// CutSize is the law of the next hole's size at a travel, scatter included.
func (s State) CutSize(travel float64) Law {
	var law Law
	for _, l := range s.weighted() {
		if l.log > 1e-12 {
			law.parts = append(law.parts, l.at(travel, l.log)...)
		}
	}
	return law
}

// at splits the law of the hole at travel by its rate. Where hardly anything is cut off the
// law is one normal; else r runs over what is left, and given r the size is normal.
func (l line) at(travel, weight float64) []part {
	sr := math.Sqrt(l.vRate)
	mean, v := l.size-l.rate*travel, l.vSize-2*travel*l.co+travel*travel*l.vRate
	if l.rate > 6*sr { // 1e-9 is cut off
		return []part{{weight, mean, math.Sqrt(v + l.sigma*l.sigma), l.sigma}}
	}
	slope := (l.co - travel*l.vRate) / l.vRate // of the size on r
	given := math.Sqrt(max(v-slope*slope*l.vRate, 0) + l.sigma*l.sigma)
	out := make([]part, 0, nodes)
	for r, w := range l.rates() {
		out = append(out, part{weight * w, mean + slope*(r-l.rate), given, l.sigma})
	}
	return out
}

// rates are nodes over the rates that are not cut off, with their weights, which add up
// to 1: Gauss and Legendre over where the density is more than e^-30 of its greatest.
func (l line) rates() iter.Seq2[float64, float64] {
	sr := math.Sqrt(l.vRate)
	z := l.rate / sr
	reach := math.Sqrt(60 + min(z, 0)*min(z, 0))
	low, high := max(-z, -reach), reach // in standard deviations about l.rate
	peak := max(-z, 0)
	var w [nodes]float64
	total := 0.0
	for i, x := range legendreX {
		at := low + x*(high-low)
		w[i] = legendreW[i] * math.Exp((peak*peak-at*at)/2)
		total += w[i]
	}
	return func(yield func(float64, float64) bool) {
		for i, x := range legendreX {
			if !yield(l.rate+sr*(low+x*(high-low)), w[i]/total) {
				return
			}
		}
	}
}

var legendreX, legendreW = func() ([]float64, []float64) {
	x, w := make([]float64, nodes), make([]float64, nodes)
	quad.Legendre{}.FixedLocations(x, w, 0, 1)
	return x, w
}()

// measured is the law of what an instrument of standard uncertainty u shows.
func (l Law) measured(u float64) Law {
	out := Law{make([]part, len(l.parts))}
	for i, p := range l.parts {
		p.u = math.Hypot(p.u, u)
		out.parts[i] = p
	}
	return out
}

// tails are the probabilities of a size of at most v, and of more.
func (l Law) tails(v float64) (below, above float64) {
	for _, p := range l.parts {
		z := (v - p.mean) / p.u
		below += p.weight * math.Erfc(-z/math.Sqrt2) / 2
		above += p.weight * math.Erfc(z/math.Sqrt2) / 2
	}
	return below, above
}

// Below is the probability that the hole becomes smaller than v.
func (l Law) Below(v float64) float64 {
	below, _ := l.tails(v)
	return below
}

// Mean is the mean size.
func (l Law) Mean() float64 {
	m := 0.0
	for _, p := range l.parts {
		m += p.weight * p.mean
	}
	return m
}

// Shares are the standard uncertainty that all holes from here on share, and the scatter
// from one to the next: their squares add up to the variance of one hole.
func (l Law) Shares() (shared, scatter float64) {
	mean := l.Mean()
	v, e := 0.0, 0.0
	for _, p := range l.parts {
		v += p.weight * (p.u*p.u + (p.mean-mean)*(p.mean-mean))
		e += p.weight * p.sigma * p.sigma
	}
	return math.Sqrt(max(v-e, 0)), math.Sqrt(e)
}

// Quantile is the size below which the hole stays with probability p in (0, 1), to a
// millionth of a micrometre or of itself.
func (l Law) Quantile(p float64) float64 {
	low, high := math.Inf(1), math.Inf(-1)
	for _, q := range l.parts {
		low, high = min(low, q.mean-q.u), max(high, q.mean+q.u)
	}
	for width := high - low; l.Below(low) > p; width *= 2 {
		low -= width
	}
	for width := high - low; l.Below(high) < p; width *= 2 {
		high += width
	}
	for high-low > 1e-6 && high-low > 1e-15*max(math.Abs(low), math.Abs(high)) {
		if middle := (low + high) / 2; l.Below(middle) < p {
			low = middle
		} else {
			high = middle
		}
	}
	return (low + high) / 2
}
