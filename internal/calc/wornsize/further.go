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
	parts   []part      // as Estimate worked them out
	logs    []float64   // log evidence of all features and the prior at each kept node
	own     [][]float64 // own[f]: log evidence of feature f at each kept node
	outside float64     // log of the share of evidence that lies outside the kept nodes
}

// ErrShares says that a further reading cannot share an error.
var ErrShares = errors.New("a further reading must not share an error with others: leave Common at -1")

// Begin estimates a set as Estimate does and keeps what a further reading
// needs.
func Begin(set Set) (*Estimation, error) {
	if len(set.Features) == 0 {
		return nil, ErrNoFeature
	}
	cylinders, shared, err := prepare(set)
	if err != nil {
		return nil, err
	}
	g := newGrid(cylinders, shared)
	e := &Estimation{set: set, grid: g, parts: make([]part, len(cylinders))}
	eachOf(e.parts, func(f int, p *part) { p.prepare(cylinders[f], g) })
	logs := slices.Clone(g.logs)
	for _, p := range e.parts {
		for k := range logs {
			logs[k] += p.logs[p.which[k]]
		}
	}
	kept, weights, evidence := largest(logs, lightestNode)
	if len(kept) == 0 || math.IsNaN(evidence) || math.IsInf(evidence, 0) {
		// The readings contradict each other beyond a float64; Estimate knows what to
		// do, but there is nothing to continue from.
		p, err := Estimate(set)
		return &Estimation{Posterior: p, set: set}, err
	}
	e.kept = kept
	e.Posterior = Posterior{Weights: weights, LogEvidence: evidence, Features: make([]FeaturePosterior, len(cylinders))}
	eachOf(e.parts, func(f int, p *part) { e.Posterior.Features[f] = p.answer(g, kept, weights) })
	e.own = make([][]float64, len(e.parts))
	for _, k := range kept {
		e.logs = append(e.logs, logs[k])
		for f, p := range e.parts {
			e.own[f] = append(e.own[f], p.logs[p.which[k]])
		}
	}
	_, _, inside := largest(e.logs, 0)
	e.outside = evidence - inside
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
	if e.kept == nil {
		return Estimate(set)
	}
	cylinders, _, err := prepare(set)
	if err != nil {
		return Posterior{}, err
	}
	var p part
	p.prepare(cylinders[f], e.grid)
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
