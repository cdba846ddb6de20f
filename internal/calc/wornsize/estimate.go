package wornsize

import (
	"errors"
	"math"
	"runtime"
	"sync"
)

// ErrNoFeature says that a set is empty.
var ErrNoFeature = errors.New("the set has no feature: give at least one bore or pin")

const (
	lightestNode = 1e-7 // share of the heaviest node below which a node is left out
	widenings    = 20
)

// Estimate gives the posterior of every feature of a set from its readings,
// the shared errors integrated out. All lengths are µm of diameter from
// nominal. It is deterministic and does no sampling; see the package comment
// for the model. Errors say which input to mend; contradictory readings are no
// error (see Contradictions). Laws are right to about 1e-3 in probability.
func Estimate(set Set) (Posterior, error) {
	if len(set.Features) == 0 {
		return Posterior{}, ErrNoFeature
	}
	cylinders, shared, err := prepare(set)
	if err != nil {
		return Posterior{}, err
	}
	for range widenings {
		if posterior, ok := estimate(cylinders, shared); ok {
			return posterior, nil
		}
		// The readings contradict each other beyond what a float64 can hold:
		// believe all of them less until they can be true together.
		for c := range cylinders {
			for i := range cylinders[c].observations {
				cylinders[c].observations[i].u *= 4
			}
		}
	}
	return Posterior{}, errors.New("no size makes these readings possible: void the readings that contradict the others, or widen the prior")
}

func estimate(cylinders []cylinder, shared []Common) (Posterior, bool) {
	g := newGrid(cylinders, shared)
	parts := make([]part, len(cylinders))
	eachOf(parts, func(f int, p *part) { p.prepare(cylinders[f], g) })
	logs := append([]float64(nil), g.logs...)
	for _, p := range parts {
		for k := range logs {
			logs[k] += p.logs[p.which[k]]
		}
	}
	kept, weights, evidence := largest(logs, lightestNode)
	if len(kept) == 0 || math.IsNaN(evidence) || math.IsInf(evidence, 0) {
		return Posterior{}, false
	}
	p := Posterior{Weights: weights, LogEvidence: evidence, Features: make([]FeaturePosterior, len(cylinders))}
	eachOf(parts, func(f int, part *part) { p.Features[f] = part.answer(g, kept, weights) })
	return p, true
}

// part is one feature's share of the work. Nodes of the shared errors that
// this feature cannot tell apart are computed once.
type part struct {
	engine *engine
	centre *found
	which  []int // node of the grid to distinct node
	first  []int // distinct node to one of its nodes of the grid
	logs   []float64
}

// eachOf runs the work of every feature, side by side; each writes only its own.
func eachOf(parts []part, work func(f int, p *part)) {
	if len(parts) == 1 {
		work(0, &parts[0])
		return
	}
	var group sync.WaitGroup
	slots := make(chan struct{}, runtime.GOMAXPROCS(0))
	for f := range parts {
		slots <- struct{}{}
		group.Go(func() {
			defer func() { <-slots }()
			work(f, &parts[f])
		})
	}
	group.Wait()
}

func (p *part) prepare(c cylinder, g grid) {
	touched := c.touched(len(g.centre))
	seen := map[string]int{}
	for k, shifts := range g.shifts {
		key := shiftKey(shifts, touched)
		at, ok := seen[key]
		if !ok {
			at = len(p.first)
			seen[key] = at
			p.first = append(p.first, k)
		}
		p.which = append(p.which, at)
	}
	engine, centre := locate(c, g.centre, g.spreads, len(p.first))
	p.engine = engine
	if len(touched) == 0 {
		p.centre = &centre
		p.logs = []float64{centre.logEvidence}
		return
	}
	if centre.clean != nil {
		engine.thin(centre.clean, c.moved(g.spreads))
	}
	for _, k := range p.first {
		p.logs = append(p.logs, engine.at(g.shifts[k], false).logEvidence)
	}
}

func (p *part) answer(g grid, kept []int, weights []float64) FeaturePosterior {
	place := make([]int, len(p.first))
	for i := range place {
		place[i] = -1
	}
	var finds []found
	var share []float64
	which := make([]int, len(kept))
	for i, k := range kept {
		at := p.which[k]
		if place[at] < 0 {
			place[at] = len(finds)
			if p.centre != nil {
				finds = append(finds, *p.centre)
			} else {
				finds = append(finds, p.engine.at(g.shifts[p.first[at]], true))
			}
			share = append(share, 0)
		}
		which[i] = place[at]
		share[place[at]] += weights[i]
	}
	return p.engine.laws(finds, share, which)
}

// touched lists the shared errors that the readings of a feature carry.
func (c cylinder) touched(n int) []int {
	var list []int
	for k := range n {
		for _, o := range c.observations {
			if o.common == k {
				list = append(list, k)
				break
			}
		}
	}
	return list
}

// shiftKey names a node as far as a feature can tell.
func shiftKey(shifts []float64, touched []int) string {
	key := make([]byte, 0, 8*len(touched))
	for _, k := range touched {
		bits := math.Float64bits(shifts[k])
		for b := range 8 {
			key = append(key, byte(bits>>(8*b)))
		}
	}
	return string(key)
}
