package conformity

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/integrate/quad"
)

// Process is how parts usually turn out: a normal law of mean and standard deviation,
// in the unit of the tolerance (JCGM 106:2012, 6.4, the prior).
type Process struct{ Mean, SD float64 }

func (p Process) check() error {
	if math.IsNaN(p.Mean) || math.IsInf(p.Mean, 0) || !(p.SD > 0) || math.IsInf(p.SD, 0) {
		return fmt.Errorf("%w: process of mean %v and standard deviation %v; the deviation must be over 0", ErrReading, p.Mean, p.SD)
	}
	return nil
}

// Believed is what is believed of a part's true size after it was measured.
type Believed struct {
	Mean, SD                  float64
	Conforming, Nonconforming float64
	Below, Above              float64
}

// Specific is the risk with one measured value y of standard uncertainty u from a
// process: Nonconforming is the specific consumer's risk if it is accepted,
// Conforming the specific producer's risk if it is rejected. The posterior law is normal,
// y and the process mean weighted by their inverse variances. With u = 0 the value is true.
// Source: JCGM 106:2012, 6.3, 9.3.2 and annex A.4.
func Specific(t Tolerance, p Process, y, u float64) (Believed, error) {
	if err := p.check(); err != nil {
		return Believed{}, err
	}
	v, err := Judge(t, y, u, DefaultRisk)
	if err != nil {
		return Believed{}, err
	}
	b := Believed{Mean: y, SD: 0, Conforming: v.Conforming, Nonconforming: v.Nonconforming, Below: v.Below, Above: v.Above}
	if u == 0 {
		return b, nil
	}
	// Divided by the larger first, so that squares of small numbers do not vanish.
	scale := math.Max(u, p.SD)
	a, c := u/scale, p.SD/scale
	total := math.Hypot(a, c)
	b.Mean = y + (p.Mean-y)*(a/total)*(a/total)
	b.SD = scale * a / total * c
	v, err = Judge(t, b.Mean, b.SD, DefaultRisk)
	if err != nil {
		return Believed{}, err
	}
	b.Conforming, b.Nonconforming, b.Below, b.Above = v.Conforming, v.Nonconforming, v.Below, v.Above
	return b, nil
}

// Risks are the risks of a decision rule over all parts of a process.
type Risks struct {
	// Consumer is the probability that a part is nonconforming and accepted, Producer
	// that it is conforming and rejected (global risks, JCGM 106:2012, 9.5).
	Consumer, Producer float64
	Conforming         float64 // probability that a part of the process conforms
	Accepted           float64 // probability that it is accepted
	// OfAccepted is the share of accepted parts that are nonconforming, OfRejected that
	// of rejected ones that are conforming; 0 when nothing is accepted or rejected.
	OfAccepted, OfRejected float64
}

// Global works out the risks of accepting what is measured inside zone, with standard
// uncertainty u (normal, without bias), when parts come from a process. An empty zone
// (its lower limit above its upper) accepts nothing. Computed by Gauss-Legendre quadrature
// over the true size, to about 1e-12. Source: JCGM 106:2012, 9.5 and annex A.
func Global(t, zone Tolerance, p Process, u float64) (Risks, error) {
	if err := t.check(); err != nil {
		return Risks{}, err
	}
	if err := p.check(); err != nil {
		return Risks{}, err
	}
	if !(u >= 0) || math.IsInf(u, 0) {
		return Risks{}, fmt.Errorf("%w: standard uncertainty %v must be 0 or more", ErrReading, u)
	}
	if math.IsNaN(zone.Lower) || math.IsNaN(zone.Upper) {
		return Risks{}, fmt.Errorf("%w: acceptance limits %v and %v", ErrTolerance, zone.Lower, zone.Upper)
	}
	r := Risks{Conforming: inside(t, p.Mean, p.SD)}
	if zone.Lower > zone.Upper {
		r.Producer = r.Conforming
		r.OfRejected = r.Conforming
		return r, nil
	}
	seen := math.Hypot(p.SD, u)
	r.Accepted = inside(zone, p.Mean, seen)
	rejected := below(zone.Lower, p.Mean, seen) + below(-zone.Upper, -p.Mean, seen)
	edges := edgesOf(zone, p, u)
	accept := func(size float64) float64 { return inside(zone, size, u) }
	reject := func(size float64) float64 { return below(zone.Lower, size, u) + below(-zone.Upper, -size, u) }
	r.Consumer = p.expect(accept, math.Inf(-1), t.Lower, edges) + p.expect(accept, t.Upper, math.Inf(1), edges)
	r.Producer = p.expect(reject, t.Lower, t.Upper, edges)
	if r.Accepted > 0 {
		r.OfAccepted = math.Min(1, r.Consumer/r.Accepted)
	}
	if rejected > 0 {
		r.OfRejected = math.Min(1, r.Producer/rejected)
	}
	return r, nil
}

// reach is how many standard deviations off the normal law is nothing in double precision.
const reach = 39

// edgesOf are where the integrand bends: about the process mean by its deviation, about each
// acceptance limit by u.
func edgesOf(zone Tolerance, p Process, u float64) []float64 {
	var edges []float64
	for _, bend := range []Process{p, {zone.Lower, u}, {zone.Upper, u}} {
		if math.IsInf(bend.Mean, 0) {
			continue
		}
		for _, k := range []float64{0, 1, 2, 3, 4, 5, 6, 7, 8, 10, 12, 16, 20, 28, reach} {
			edges = append(edges, bend.Mean-k*bend.SD, bend.Mean+k*bend.SD)
		}
	}
	slices.Sort(edges)
	return edges
}

// expect is the integral of f over the process from low to high, by panels between edges.
func (p Process) expect(f func(float64) float64, low, high float64, edges []float64) float64 {
	low, high = math.Max(low, p.Mean-reach*p.SD), math.Min(high, p.Mean+reach*p.SD)
	var sum float64
	panel := func(to float64) {
		if to <= low {
			return
		}
		sum += quad.Fixed(func(x float64) float64 {
			z := (x - p.Mean) / p.SD
			return f(x) * math.Exp(-z*z/2)
		}, low, to, 24, quad.Legendre{}, 0)
		low = to
	}
	for _, e := range edges {
		if e < high {
			panel(e)
		}
	}
	if high > low {
		panel(high)
	}
	return sum / (p.SD * math.Sqrt(2*math.Pi))
}
