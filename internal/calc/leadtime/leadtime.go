package leadtime

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/stat/distuv"
)

// What can be wrong with a question; the errors returned wrap one of these.
var (
	ErrDays        = errors.New("days out of range")
	ErrPrior       = errors.New("not a prior")
	ErrProbability = errors.New("probability out of range")
)

// Longest bounds what is taken for a delivery, in days.
const Longest = 3650

// sameDay is how long something took that came on the day it was ordered, days.
const sameDay = 0.5

// Prior is what is believed of a supplier before any delivery: see the package's
// comment. Centre is the days by which half of its deliveries are expected, Worth (k)
// by how many deliveries that weighs; Shape (a) and Scale (b) are of the variance of
// log days.
type Prior struct{ Centre, Worth, Shape, Scale float64 }

// The default prior: deliveries of one supplier scatter by a factor of about 1.6 each
// way (a variance of 0.25 of log days is expected, and not much sure of), what a
// supplier states is worth one delivery, and where nothing is stated a week
// is, worth a quarter of one. Common practice, no published source.
const (
	defaultCentre = 7
	statedWorth   = 1
	unstatedWorth = 0.25
	defaultShape  = 2
	defaultScale  = 0.25
)

// DefaultPrior is the prior of a supplier who states so many days, or states
// nothing (nil).
func DefaultPrior(stated *int) Prior {
	if stated == nil {
		return Prior{defaultCentre, unstatedWorth, defaultShape, defaultScale}
	}
	return Prior{math.Max(sameDay, float64(*stated)), statedWorth, defaultShape, defaultScale}
}

// History is what a supplier took: Delivered the whole days of each order that
// came, Open those for which each other order has been waited until now.
type History struct{ Delivered, Open []int }

// Law is what is believed of the next delivery.
type Law struct {
	mean, worth, shape, scale float64 // of the conjugate posterior, log days
	open                      []float64
	nodes                     []node // none without open orders: the law is a Student t
}

// node is one mean and variance with its share.
type node struct{ mean, deviation, weight float64 }

// Learn makes the law of a supplier's next delivery. It is deterministic, and does not depend
// on the order within the history. Numbers of days must lie within 0 and Longest
// (ErrDays), the prior's parts be positive and finite (ErrPrior).
func Learn(p Prior, h History) (*Law, error) {
	for _, v := range []float64{p.Centre, p.Worth, p.Shape, p.Scale} {
		if !(v > 0) || math.IsInf(v, 1) {
			return nil, fmt.Errorf("%w: %+v; every part is a positive number", ErrPrior, p)
		}
	}
	for _, d := range h.Delivered {
		if d < 0 || d > Longest {
			return nil, fmt.Errorf("%w: %d; from 0 to %d", ErrDays, d, Longest)
		}
	}
	// Counted by day, so that the sums do not depend on the order.
	l := &Law{mean: math.Log(p.Centre), worth: p.Worth, shape: p.Shape, scale: p.Scale}
	l.learn(h.Delivered)
	for _, d := range h.Open {
		if d < 0 || d > Longest {
			return nil, fmt.Errorf("%w: open for %d; from 0 to %d", ErrDays, d, Longest)
		}
		if d > 0 {
			l.open = append(l.open, begins(d))
		}
	}
	if len(l.open) > 0 {
		l.spread()
	}
	return l, nil
}

// begins is where so many whole days begin, as log days.
func begins(days int) float64 { return math.Log(float64(days) - 0.5) }

func logDays(days int) float64 {
	if days == 0 {
		return math.Log(sameDay)
	}
	return math.Log(float64(days))
}

// learn is the conjugate update.
func (l *Law) learn(delivered []int) {
	if len(delivered) == 0 {
		return
	}
	count := make([]int, Longest+1)
	for _, d := range delivered {
		count[d]++
	}
	n, sum := float64(len(delivered)), 0.0
	for d, c := range count {
		if c > 0 {
			sum += float64(c) * logDays(d)
		}
	}
	mean, squares := sum/n, 0.0
	for d, c := range count {
		if c > 0 {
			squares += float64(c) * (logDays(d) - mean) * (logDays(d) - mean)
		}
	}
	away := mean - l.mean
	l.scale += squares/2 + l.worth*n*away*away/(2*(l.worth+n))
	l.mean = (l.worth*l.mean + n*mean) / (l.worth + n)
	l.worth += n
	l.shape += n / 2
}

const (
	meanNodes      = 48
	precisionNodes = 64
	// reach is how far the grid goes into the tails of mean and variance, so that
	// open orders that are long overdue find weight there.
	reach = 1e-9
)

// spread weighs the conjugate posterior by the open orders: Gauss-Legendre in the
// logarithm of the precision, Gauss-Hermite in the mean.
func (l *Law) spread() {
	precision := distuv.Gamma{Alpha: l.shape, Beta: l.scale}
	low, high := math.Log(precision.Quantile(reach)), math.Log(precision.Quantile(1-reach))
	logs, shares := make([]float64, precisionNodes), make([]float64, precisionNodes)
	quad.Legendre{}.FixedLocations(logs, shares, low, high)
	z, w := make([]float64, meanNodes), make([]float64, meanNodes)
	quad.Hermite{}.FixedLocations(z, w, math.Inf(-1), math.Inf(1))
	greatest := math.Inf(-1)
	for i, log := range logs {
		deviation := math.Exp(-log / 2)
		// The precision's density over its logarithm, without constants.
		density := l.shape*log - l.scale*math.Exp(log) + math.Log(shares[i])
		for j := range z {
			n := node{mean: l.mean + math.Sqrt2*z[j]*deviation/math.Sqrt(l.worth), deviation: deviation}
			n.weight = density + math.Log(w[j])
			for _, c := range l.open {
				n.weight += logBeyond((c - n.mean) / n.deviation)
			}
			greatest = math.Max(greatest, n.weight)
			l.nodes = append(l.nodes, n)
		}
	}
	total := 0.0
	for i := range l.nodes {
		l.nodes[i].weight = math.Exp(l.nodes[i].weight - greatest)
		total += l.nodes[i].weight
	}
	for i := range l.nodes {
		l.nodes[i].weight /= total
	}
}

// logBeyond is the logarithm of the probability of a standard normal beyond x;
// far out by the asymptotic series, where the probability itself vanishes (Abramowitz and
// Stegun, 26.2.12).
func logBeyond(x float64) float64 {
	if x < 30 {
		return math.Log(math.Erfc(x/math.Sqrt2) / 2)
	}
	return -x*x/2 - math.Log(x*math.Sqrt(2*math.Pi)) + math.Log1p(-1/(x*x)+3/(x*x*x*x))
}

// within is the probability that log days lie at or below x.
func (l *Law) within(x float64) float64 {
	if l.nodes == nil {
		t := distuv.StudentsT{Mu: l.mean, Sigma: math.Sqrt(l.scale * (l.worth + 1) / (l.shape * l.worth)), Nu: 2 * l.shape}
		return t.CDF(x)
	}
	p := 0.0
	for _, n := range l.nodes {
		p += n.weight * math.Erfc((n.mean-x)/n.deviation/math.Sqrt2) / 2
	}
	return p
}

// afterWaiting is the probability that an order which is one of the open ones,
// waited for since the log days c, lies at or below x.
func (l *Law) afterWaiting(x, c float64) float64 {
	p := 0.0
	for _, n := range l.nodes {
		past := logBeyond((c - n.mean) / n.deviation)
		if further := logBeyond((x - n.mean) / n.deviation); further < past {
			p -= n.weight * math.Expm1(further-past)
		}
	}
	return p
}

// Quantile is the least number of whole days by which the next order is here with
// at least probability p (over 0, below 1), at most Longest.
func (l *Law) Quantile(p float64) (int, error) {
	return l.first(p, 0, l.within)
}

// QuantileOfOpen is Quantile of an order that belongs to the history's open ones and
// has been waited for so many whole days: the days since it was ordered, at least waited.
func (l *Law) QuantileOfOpen(p float64, waited int) (int, error) {
	if waited < 0 || waited > Longest {
		return 0, fmt.Errorf("%w: open for %d; from 0 to %d", ErrDays, waited, Longest)
	}
	if waited == 0 {
		return l.Quantile(p)
	}
	if l.nodes == nil {
		return 0, fmt.Errorf("%w: the history has no open order", ErrDays)
	}
	c := begins(waited)
	return l.first(p, waited, func(x float64) float64 { return l.afterWaiting(x, c) })
}

// first is the least whole number of days from least on by which the
// probability is reached.
func (l *Law) first(p float64, least int, within func(float64) float64) (int, error) {
	if !(p > 0 && p < 1) {
		return 0, fmt.Errorf("%w: %v; over 0 and below 1", ErrProbability, p)
	}
	low, high := least, Longest // the answer lies within
	for low < high {
		middle := (low + high) / 2
		if within(begins(middle+1)) >= p { // so many days end where the next begins
			high = middle
		} else {
			low = middle + 1
		}
	}
	return low, nil
}
