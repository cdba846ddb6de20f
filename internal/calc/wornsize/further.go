package wornsize

import (
	"errors"
	"fmt"
	"math"
	"slices"
)

// Estimation is an estimated set to which a further reading can be added
// without estimating the rest again: the nodes of the shared errors stay, only
// the feature that was read is worked out anew, and the nodes are weighed by it
// (Bayes' rule, node by node). It is not safe for concurrent use.
type Estimation struct {
	Posterior Posterior

	set     Set
	grid    grid
	kept    []int       // nodes of the grid that Posterior keeps
	logs    []float64   // log evidence of all features and the prior at each kept node
	own     [][]float64 // own[f]: log evidence of feature f at each kept node
	outside float64     // log of the share of evidence that lies outside the kept nodes

	alone []*Estimation // of each feature by itself, where it was asked for
	last  trial         // the gauge that was asked for last
}

// trial is one feature made ready for every outcome of one gauge: the tables of
// its measured readings are the same for all three.
type trial struct {
	feature int
	reading Reading // without its outcome
	part    part
}

// ErrShares says that a further reading cannot share an error.
var ErrShares = errors.New("a further reading must not share an error with others: leave Common at -1")

// Begin estimates a set as Estimate does and keeps what a further reading
// needs.
func Begin(set Set) (*Estimation, error) {
	w, err := work(set)
	if err != nil {
		return nil, err
	}
	defer w.giveBack()
	e := &Estimation{set: set, grid: w.grid, kept: w.kept}
	if e.Posterior, err = w.answer(); err != nil {
		return nil, err
	}
	e.own = make([][]float64, len(w.parts))
	for _, k := range w.kept {
		e.logs = append(e.logs, w.logs[k])
		for f, p := range w.parts {
			e.own[f] = append(e.own[f], p.logs[p.which[k]])
		}
	}
	_, _, inside := largest(e.logs, 0)
	e.outside = w.evidence - inside
	return e, nil
}

// With returns the posterior of the set with one more reading of feature f. It
// costs one feature's work. Laws of the other features' original sizes are left
// as they were: a further reading moves them only through the shared errors.
func (e *Estimation) With(f int, r Reading) (Posterior, error) {
	if f < 0 || f >= len(e.set.Features) {
		return Posterior{}, fmt.Errorf("feature %d: the set has %d", f, len(e.set.Features))
	}
	if r.Common >= 0 {
		return Posterior{}, ErrShares
	}
	set := e.set
	set.Features = slices.Clone(set.Features)
	set.Features[f].Readings = append(slices.Clip(set.Features[f].Readings), r)
	cylinders, _, err := prepare(set)
	if err != nil {
		return Posterior{}, err
	}
	var p part
	if r.Kind == Measured {
		defer p.giveBack()
		p.prepare(cylinders[f], e.grid, set.Stop)
	} else {
		p, err = e.tried(f, r, cylinders[f])
		if err != nil {
			return Posterior{}, err
		}
	}
	if p.stopped() {
		return Posterior{}, ErrStopped
	}
	logs := slices.Clone(e.logs)
	for i, k := range e.kept {
		logs[i] += p.logs[p.which[k]] - e.own[f][i]
	}
	places, weights, evidence := largest(logs, 0)
	if len(places) == 0 || math.IsNaN(evidence) || math.IsInf(evidence, 0) {
		return Estimate(set)
	}
	out := Posterior{Weights: weights, LogEvidence: evidence + e.outside, Features: slices.Clone(e.Posterior.Features)}
	for i := range out.Features {
		if i == f {
			kept := make([]int, len(places))
			for j, at := range places {
				kept[j] = e.kept[at]
			}
			out.Features[i] = p.answer(e.grid, kept, weights)
			continue
		}
		was := e.Posterior.Features[i]
		now := FeaturePosterior{Original: was.Original}
		for _, at := range places {
			now.PassingAt = append(now.PassingAt, was.PassingAt[at])
			now.CleanUpAt = append(now.CleanUpAt, was.CleanUpAt[at])
		}
		if len(places) == 1 || len(p.first) == 1 {
			now.Passing, now.CleanUp = was.Passing, was.CleanUp // the weights did not move
		} else {
			now.Passing, now.CleanUp = MixLaws(weights, now.PassingAt), MixLaws(weights, now.CleanUpAt)
		}
		out.Features[i] = now
	}
	return out, nil
}

// tried is feature f with one more gauge, at all nodes. after is the feature
// with that reading. The mesh is that of the feature as it was, fine at the gauge
// too, so that it does not depend on the outcome, nor on which is asked first.
func (e *Estimation) tried(f int, r Reading, after cylinder) (part, error) {
	one := r
	one.Kind, one.Direction = Go, 0
	if e.last.part.engine == nil || e.last.feature != f || e.last.reading != one {
		if err := e.try(f, r, one); err != nil {
			return part{}, err
		}
	}
	p := e.last.part
	p.engine.gauges = p.engine.gauges[:0]
	for _, o := range after.observations {
		if o.kind != Measured {
			p.engine.gauges = append(p.engine.gauges, o)
		}
	}
	if p.centre != nil {
		centre := p.engine.at(e.grid.centre, true)
		p.centre, p.logs = &centre, []float64{centre.logEvidence}
		return p, nil
	}
	p.logs = make([]float64, 0, len(p.first))
	for _, k := range p.first {
		if p.stopped() {
			break
		}
		p.logs = append(p.logs, p.engine.at(e.grid.shifts[k], false).logEvidence)
	}
	return p, nil
}

// try makes e.last ready.
func (e *Estimation) try(f int, r, one Reading) error {
	e.last.part.giveBack()
	e.last = trial{}
	// All outcomes at once: what the feature is prepared for must not tell them apart.
	var outcomes []cylinder
	for _, kind := range [...]Kind{Go, Starts, NoGo} {
		set := e.set
		set.Features = slices.Clone(set.Features)
		r.Kind = kind
		set.Features[f].Readings = append(slices.Clip(set.Features[f].Readings), r)
		cylinders, _, err := prepare(set)
		if err != nil {
			return err
		}
		outcomes = append(outcomes, cylinders[f])
	}
	before, _, err := prepare(e.set)
	if err != nil {
		return err
	}
	e.last.feature, e.last.reading = f, one
	e.last.part.prepareTrial(before[f], outcomes, e.grid, e.set.Stop)
	return nil
}

// Estimate is Estimate of a set that is the one begun with, or one feature of it
// alone, with at most one reading more: continued from what is known. Any other set
// is estimated from the start. Laws then lie as far from Estimate's as With's do.
func (e *Estimation) Estimate(asked Set) (Posterior, error) {
	if len(asked.Features) == 1 && len(e.set.Features) > 1 {
		if f := e.place(asked); f >= 0 {
			if e.alone == nil {
				e.alone = make([]*Estimation, len(e.set.Features))
			}
			if e.alone[f] == nil {
				own, err := Begin(Set{Features: e.set.Features[f : f+1 : f+1], Commons: e.set.Commons, Stop: e.set.Stop})
				if err != nil {
					return Posterior{}, err
				}
				e.alone[f] = own
			}
			return e.alone[f].Estimate(asked)
		}
	}
	changed := -1
	for f := range asked.Features {
		switch {
		case len(asked.Features) != len(e.set.Features) || !sameCommons(asked, e.set):
			return Estimate(asked)
		case continues(asked.Features[f], e.set.Features[f], 0):
		case changed >= 0 || !continues(asked.Features[f], e.set.Features[f], 1):
			return Estimate(asked)
		default:
			changed = f
		}
	}
	if changed < 0 {
		return e.Posterior, nil
	}
	own := asked.Features[changed].Readings
	if own[len(own)-1].Common >= 0 {
		return Estimate(asked)
	}
	return e.With(changed, own[len(own)-1])
}

// place is the first feature of the set that the only one of asked continues, or −1.
func (e *Estimation) place(asked Set) int {
	if !sameCommons(asked, e.set) {
		return -1
	}
	return slices.IndexFunc(e.set.Features, func(f Feature) bool { return continues(asked.Features[0], f, 1) })
}

func sameCommons(a, b Set) bool { return slices.Equal(a.Commons, b.Commons) }

// continues reports that a is b with so many readings more.
func continues(a, b Feature, more int) bool {
	n := len(b.Readings)
	if len(a.Readings) != n+more || a.Shape != b.Shape || a.Form != b.Form || a.Prior != b.Prior || a.Guidance != b.Guidance || a.Misalignment != b.Misalignment {
		return false
	}
	for i, r := range b.Readings {
		s := a.Readings[i]
		if math.IsNaN(r.Direction) && math.IsNaN(s.Direction) {
			r.Direction, s.Direction = 0, 0
		}
		if r != s {
			return false
		}
	}
	return true
}
