package reamerwear

import "math"

// Left is the distribution of the further travel until the size that a reamer cuts on average
// has fallen to one that is needed.
type Left struct{ parts []leftPart }

// leftPart is one rate: given it, the size above the one needed is normal.
type leftPart struct{ weight, rate, above, sd float64 }

// Left is how much further a reamer that has travelled from will cut, on average, at least needed. Scatter
// from hole to hole is left out: a reamer is worn out when its size is, not when one hole came out small.
func (s State) Left(from, needed float64) Left {
	var out Left
	for _, l := range s.weighted() {
		if l.log < 1e-12 {
			continue
		}
		slope := l.co / l.vRate // of c0 on r
		sd := math.Sqrt(max(l.vSize-slope*slope*l.vRate, 0))
		for r, w := range l.rates() {
			out.parts = append(out.parts, leftPart{l.log * w, r, l.size + slope*(r-l.rate) - r*from - needed, sd})
		}
	}
	return out
}

// Within is the probability that the end comes within a further travel of at least 0.
func (l Left) Within(travel float64) float64 {
	p := 0.0
	for _, q := range l.parts {
		p += q.weight * math.Erfc((q.above-q.rate*travel)/q.sd/math.Sqrt2) / 2
	}
	return p
}

// Quantile is the travel within which the end comes with probability p in (0, 1): 0 where it has come
// already with at least that, infinite where with less than that it comes within a thousand kilometres.
func (l Left) Quantile(p float64) float64 {
	if l.Within(0) >= p {
		return 0
	}
	low, high := 0.0, 1.0
	for l.Within(high) < p {
		if low, high = high, 2*high; low > farthest {
			return math.Inf(1)
		}
	}
	for high-low > 1e-7*high {
		if middle := (low + high) / 2; l.Within(middle) >= p {
			high = middle
		} else {
			low = middle
		}
	}
	return high
}

// Evidence is the logarithm of the probability density that the prior, c0, r and sigma
// integrated out, gave to all that was observed, but for (2π)^(-holes/2). It compares what travels
// may have been: how hard different cutting wears the reamer.
func (s State) Evidence() float64 {
	top, total, weights := math.Inf(-1), 0.0, 0.0
	lines := s.lines()
	for i, l := range lines {
		top = max(top, l.log)
		weights += s.Prior.Scatter[i].Weight
	}
	for _, l := range lines {
		total += math.Exp(l.log - top)
	}
	return top + math.Log(total/weights)
}
