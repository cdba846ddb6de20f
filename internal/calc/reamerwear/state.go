package reamerwear

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// ErrPrior and ErrObservation tell of numbers that cannot be; the error says which.
var (
	ErrPrior       = errors.New("not a prior")
	ErrObservation = errors.New("not an observation")
)

// Prior is what is believed of a reamer before any hole was measured.
type Prior struct {
	Size, SizeU float64   // of c0: mean and standard deviation
	Rate, RateU float64   // of r before it is cut off at 0
	Scatter     []Scatter // what sigma may be
}

// Scatter is a standard deviation from hole to hole and its weight; weights need not add
// up to 1.
type Scatter struct{ Sigma, Weight float64 }

func (p Prior) check() error {
	finite := func(v ...float64) bool {
		for _, x := range v {
			if math.IsNaN(x) || math.IsInf(x, 0) {
				return false
			}
		}
		return true
	}
	switch {
	case !finite(p.Size, p.SizeU, p.Rate, p.RateU):
		return fmt.Errorf("%w: it holds what is no number", ErrPrior)
	case p.SizeU <= 0 || p.RateU <= 0:
		return fmt.Errorf("%w: standard deviations %g and %g are not above 0", ErrPrior, p.SizeU, p.RateU)
	case p.Rate/p.RateU < -8:
		return fmt.Errorf("%w: a rate of %g give or take %g is never 0 or above", ErrPrior, p.Rate, p.RateU)
	case len(p.Scatter) == 0:
		return fmt.Errorf("%w: it says nothing of the scatter", ErrPrior)
	}
	for _, s := range p.Scatter {
		if !finite(s.Sigma, s.Weight) || s.Sigma <= 0 || s.Weight <= 0 {
			return fmt.Errorf("%w: scatter %g with weight %g", ErrPrior, s.Sigma, s.Weight)
		}
	}
	return nil
}

// State is what is known of one life of a reamer: the prior, and sums over what was
// observed. Its fields are exported to be stored; a state is changed by Observe and With only.
type State struct {
	Prior  Prior
	Holes  int     // observed
	Travel float64 // the farthest at which one was observed
	Sums   []Sums  // one for each scatter of the prior
}

// Sums are over the holes observed, with weights w = 1/(sigma² + u²).
type Sums struct {
	W          float64 // of weights
	Travel     float64 // mean of travels
	Size       float64 // mean of sizes
	TT, TS, SS float64 // of squares and products about the means
	LogW       float64 // of the logarithms of weights
}

func (m *Sums) add(travel, size, w float64) {
	m.W += w
	m.LogW += math.Log(w)
	dt, ds := travel-m.Travel, size-m.Size
	m.Travel += dt * w / m.W
	m.Size += ds * w / m.W
	m.TT += w * dt * (travel - m.Travel)
	m.TS += w * dt * (size - m.Size)
	m.SS += w * ds * (size - m.Size)
}

// New is a reamer of which nothing was measured yet.
func New(p Prior) (State, error) {
	if err := p.check(); err != nil {
		return State{}, err
	}
	return State{Prior: p, Sums: make([]Sums, len(p.Scatter))}, nil
}

// Observation is a hole: the travel before it was cut, its size and the standard
// uncertainty of that, which is the measurement's alone.
type Observation struct{ Travel, Size, U float64 }

// Observe is the state after o, and how surprising o was: the standard normal deviate of the
// probability that the state before gave to a hole measured as small as o. These are
// independent and standard normal while the model holds, so they are what a chart judges,
// rather than the sizes, which fall.
func (s State) Observe(o Observation) (after State, surprise float64, err error) {
	if after, err = s.With(o); err != nil {
		return s, 0, err
	}
	below, above := s.CutSize(o.Travel).measured(o.U).tails(o.Size)
	normal := distuv.UnitNormal
	switch {
	case below <= 0: // beyond what a float holds
		surprise = -38
	case above <= 0:
		surprise = 38
	case below < above:
		surprise = normal.Quantile(below)
	default:
		surprise = -normal.Quantile(above)
	}
	return after, surprise, nil
}

// With is Observe for whoever does not ask how surprising o was, which is most of its work.
func (s State) With(o Observation) (State, error) {
	switch {
	case math.IsNaN(o.Travel) || math.IsInf(o.Travel, 0) || o.Travel < 0:
		return s, fmt.Errorf("%w: a travel of %g m", ErrObservation, o.Travel)
	case math.IsNaN(o.Size) || math.IsInf(o.Size, 0):
		return s, fmt.Errorf("%w: a size of %g µm", ErrObservation, o.Size)
	case math.IsNaN(o.U) || math.IsInf(o.U, 0) || o.U < 0:
		return s, fmt.Errorf("%w: an uncertainty of %g µm", ErrObservation, o.U)
	}
	after := s
	after.Holes++
	after.Travel = max(s.Travel, o.Travel)
	after.Sums = make([]Sums, len(s.Sums))
	for i, sums := range s.Sums {
		sigma := s.Prior.Scatter[i].Sigma
		sums.add(o.Travel, o.Size, 1/(sigma*sigma+o.U*o.U))
		after.Sums[i] = sums
	}
	return after, nil
}

// line is the posterior of (c0, r) for one sigma before it is cut off at r >= 0, and
// the logarithm of the weight of that sigma.
type line struct {
	size, rate       float64 // means
	vSize, vRate, co float64 // variances and covariance
	log              float64
	sigma            float64
}

func (s State) lines() []line {
	out := make([]line, len(s.Sums))
	for i, m := range s.Sums {
		out[i] = s.Prior.line(m, s.Prior.Scatter[i])
	}
	return out
}

// weighted are the lines with, in place of the logarithm, the weight, which add up to 1.
func (s State) weighted() []line {
	lines := s.lines()
	top, total := math.Inf(-1), 0.0
	for _, l := range lines {
		top = max(top, l.log)
	}
	for i := range lines {
		lines[i].log = math.Exp(lines[i].log - top)
		total += lines[i].log
	}
	for i := range lines {
		lines[i].log /= total
	}
	return lines
}

// line adds the precision of what was seen to that of the prior. With the travel t reckoned from
// its mean, size = a - r t, the observed part of the precision of (a, r) is diagonal.
func (p Prior) line(m Sums, of Scatter) line {
	// a = c0 - r·mean: prior means and precisions of (a, r).
	v0, v1 := p.SizeU*p.SizeU, p.RateU*p.RateU
	k := m.Travel
	mean := p.Size - p.Rate*k
	// covariance of (a, r) is [v0 + k² v1, -k v1; -k v1, v1], its inverse:
	pa, par, pr := 1/v0, k/v0, 1/v1+k*k/v0
	qa, qar, qr := pa+m.W, par, pr+m.TT
	// what was seen less what the prior says: a by m.Size, r by -TS/TT
	ba, br := m.W*(m.Size-mean), -m.TS-m.TT*p.Rate
	det := qa*qr - qar*qar
	da, dr := (qr*ba-qar*br)/det, (qa*br-qar*ba)/det
	va, vr, car := qr/det, qa/det, -qar/det
	l := line{sigma: of.Sigma, rate: p.Rate + dr, vRate: vr, size: mean + da + k*(p.Rate+dr)}
	l.vSize = va + 2*k*car + k*k*vr
	l.co = car + k*vr
	// Evidence: what the prior's line leaves of the squares, less what moving it explains.
	left := m.SS + 2*p.Rate*m.TS + p.Rate*p.Rate*m.TT + m.W*(m.Size-mean)*(m.Size-mean)
	l.log = math.Log(of.Weight) + m.LogW/2 - math.Log(det*v0*v1)/2 - (left-(ba*da+br*dr))/2 +
		logAbove(l.rate/math.Sqrt(l.vRate)) - logAbove(p.Rate/p.RateU)
	return l
}

// logAbove is log Φ(z), the logarithm of the part of a normal law that is left
// where everything below its mean less z standard deviations is cut off.
func logAbove(z float64) float64 {
	if z > -30 {
		return math.Log(math.Erfc(-z/math.Sqrt2) / 2)
	}
	return -z*z/2 - math.Log(-z*math.Sqrt(2*math.Pi)) + math.Log1p(-1/(z*z)+3/(z*z*z*z)) // asymptotic series, M. Abramowitz, I. A. Stegun, 26.2.12
}
