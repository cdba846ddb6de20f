package wornsize

import (
	"math"
	"sort"
)

// CDF is the probability that the size is at most x µm from nominal: linear
// between the nodes, 0 below the first and 1 above the last. An empty law
// gives NaN. Cost: one binary search.
func (l Law) CDF(x float64) float64 {
	n := len(l.X)
	if n == 0 || math.IsNaN(x) {
		return math.NaN()
	}
	if x < l.X[0] {
		return 0
	}
	if x >= l.X[n-1] {
		return 1
	}
	i := sort.SearchFloat64s(l.X, x)
	if l.X[i] == x { // the last of equal nodes carries the whole step
		for i+1 < n && l.X[i+1] == x {
			i++
		}
		return l.P[i]
	}
	part := (x - l.X[i-1]) / (l.X[i] - l.X[i-1])
	return l.P[i-1] + part*(l.P[i]-l.P[i-1])
}

// Quantile is the smallest size, µm from nominal, that is not exceeded with
// probability p; p outside [0, 1] or an empty law gives NaN. p = 0 gives the
// first node, p = 1 the size at which the law is complete.
func (l Law) Quantile(p float64) float64 {
	n := len(l.X)
	if n == 0 || math.IsNaN(p) || p < 0 || p > 1 {
		return math.NaN()
	}
	i := sort.SearchFloat64s(l.P, p)
	if i == 0 {
		return l.X[0]
	}
	if i == n {
		return l.X[n-1]
	}
	step := l.P[i] - l.P[i-1]
	return l.X[i-1] + (p-l.P[i-1])/step*(l.X[i]-l.X[i-1])
}

// Mean is the expected size, µm from nominal, exact for the law as stated
// (piecewise uniform); NaN for an empty law.
func (l Law) Mean() float64 {
	mean, _ := l.moments()
	return mean
}

// SD is the standard deviation, µm, exact for the law as stated (piecewise
// uniform, so never below the width of the cell that holds all); NaN for an
// empty law.
func (l Law) SD() float64 {
	_, variance := l.moments()
	return math.Sqrt(variance)
}

func (l Law) moments() (mean, variance float64) {
	n := len(l.X)
	if n == 0 {
		return math.NaN(), math.NaN()
	}
	origin := l.X[0] // differences first: sizes may be large beside the spread
	mean = l.P[0] * 0
	for i := 1; i < n; i++ {
		mean += (l.P[i] - l.P[i-1]) * ((l.X[i-1]-origin)/2 + (l.X[i]-origin)/2)
	}
	mean += (1 - l.P[n-1]) * (l.X[n-1] - origin)
	for i := 1; i < n; i++ {
		width := l.X[i] - l.X[i-1]
		centre := (l.X[i-1]-origin)/2 + (l.X[i]-origin)/2 - mean
		variance += (l.P[i] - l.P[i-1]) * (centre*centre + width*width/12)
	}
	first, last := -mean, l.X[n-1]-origin-mean
	variance += l.P[0]*first*first + (1-l.P[n-1])*last*last
	return origin + mean, variance
}

// MixLaws is the law of a size that follows laws[k] with probability
// weights[k] (non-negative, any positive sum). It is exact: its nodes are all
// nodes of the laws mixed. Lengths must be equal; laws with no nodes or
// weight zero are left out, and no law left gives an empty one.
func MixLaws(weights []float64, laws []Law) Law {
	var total float64
	var kept []int
	size := 0
	for k, law := range laws {
		if k < len(weights) && weights[k] > 0 && len(law.X) > 0 {
			kept = append(kept, k)
			total += weights[k]
			size += len(law.X)
		}
	}
	if len(kept) == 0 {
		return Law{}
	}
	shared := true
	first := laws[kept[0]].X
	for _, k := range kept[1:] {
		x := laws[k].X
		if len(x) != len(first) || &x[0] != &first[0] {
			shared = false
			break
		}
	}
	if shared { // the usual case: laws given the nodes of one posterior
		mixed := Law{X: first, P: make([]float64, len(first))}
		for _, k := range kept {
			share := weights[k] / total
			for i, p := range laws[k].P {
				mixed.P[i] += share * p
			}
		}
		mixed.tidy()
		return mixed
	}
	nodes := make([]float64, 0, size)
	for _, k := range kept {
		nodes = append(nodes, laws[k].X...)
	}
	sort.Float64s(nodes)
	unique := nodes[:1]
	for _, x := range nodes[1:] {
		if x != unique[len(unique)-1] {
			unique = append(unique, x)
		}
	}
	mixed := Law{X: unique, P: make([]float64, len(unique))}
	for _, k := range kept {
		share := weights[k] / total
		for i, x := range unique {
			mixed.P[i] += share * laws[k].CDF(x)
		}
	}
	mixed.tidy()
	return mixed
}

// tidy removes what rounding did: the function rises, within [0, 1].
func (l Law) tidy() {
	highest := 0.0
	for i, p := range l.P {
		if !(p > highest) {
			p = highest
		}
		if p > 1 {
			p = 1
		}
		highest = p
		l.P[i] = p
	}
}

// mirrored is the law of the negated size.
func (l Law) mirrored() Law {
	n := len(l.X)
	out := Law{X: make([]float64, n), P: make([]float64, n)}
	for i := range l.X {
		out.X[n-1-i] = -l.X[i]
		out.P[n-1-i] = 1 - l.P[i]
	}
	return out
}
