package reamerwear

import "math"

// farthest is a travel in metres beyond which no reamer is foreseen.
const farthest = 1e6

// Reach is the greatest travel, at least from, at which a hole still becomes smaller than needed
// with at most the probability risk; false where that is passed at from already. It is
// infinite where the wear cannot be told from none up to a thousand kilometres.
func (s State) Reach(from, needed, risk float64) (float64, bool) {
	passes := func(travel float64) bool { return s.CutSize(travel).Below(needed) <= risk }
	if !passes(from) {
		return 0, false
	}
	low, step := from, 0.1
	for passes(low + step) {
		low += step
		if step *= 2; low > farthest {
			return math.Inf(1), true
		}
	}
	high := low + step
	for high-low > 1e-9*high {
		if middle := (low + high) / 2; passes(middle) {
			low = middle
		} else {
			high = middle
		}
	}
	return low, true
}

// HolesLeft is how many holes of a travel each still become at least as large as needed, each
// with probability 1 - risk, when the reamer has travelled from: the last of them begins within
// Reach. -1: no end is in sight.
func (s State) HolesLeft(from, each, needed, risk float64) int {
	reach, ok := s.Reach(from, needed, risk)
	switch {
	case !ok:
		return 0
	case math.IsInf(reach, 1) || each <= 0 || (reach-from)/each > 1e6:
		return -1
	}
	return 1 + int(math.Floor((reach-from)/each))
}

// Rate is the mean of what a metre takes off and the interval of a level such as 0.95
// that leaves as much out below as above.
func (s State) Rate(level float64) (mean, low, high float64) {
	lines := s.weighted()
	below := func(v float64) float64 {
		sum := 0.0
		for _, l := range lines {
			sum += l.log * l.rateBelow(v)
		}
		return sum
	}
	for _, l := range lines {
		for r, w := range l.rates() {
			mean += l.log * w * r
		}
	}
	quantile := func(p float64) float64 {
		low, high := 0.0, 1e-3
		for below(high) < p {
			high *= 2
		}
		for high-low > 1e-12*high {
			if middle := (low + high) / 2; below(middle) < p {
				low = middle
			} else {
				high = middle
			}
		}
		return (low + high) / 2
	}
	return mean, quantile((1 - level) / 2), quantile((1 + level) / 2)
}

// rateBelow is the probability that r lies below v, given that it is not below 0.
func (l line) rateBelow(v float64) float64 {
	if v <= 0 {
		return 0
	}
	sr := math.Sqrt(l.vRate)
	return -math.Expm1(logAbove((l.rate-v)/sr) - logAbove(l.rate/sr))
}
