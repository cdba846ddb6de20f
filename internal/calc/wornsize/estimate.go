package wornsize

import (
	"errors"
	"math"
	"runtime"
	"sync"
)

// ErrNoFeature says that a set is empty.
var ErrNoFeature = errors.New("the set has no feature: give at least one bore or pin")

// ErrImpossible says that the readings cannot be under any size of the prior, as
// far as numbers can tell.
var ErrImpossible = errors.New("no size makes these readings possible: void the readings that contradict the others, or widen the prior")

// ErrStopped says that Set.Stop asked to give up.
var ErrStopped = errors.New("the estimate was stopped before it was done")

// lightestNode is the share of the heaviest node below which a node is left out.
const lightestNode = 1e-7

// Estimate gives the posterior of every feature of a set from its readings,
// the shared errors integrated out. All lengths are µm of diameter from
// nominal. It is deterministic and does no sampling; see the package comment
// for the model. Errors say which input to mend, or are ErrStopped;
// contradictory readings are no error (see Contradictions and Slips). Laws are
// right to about 1e-3 in probability.
func Estimate(set Set) (Posterior, error) {
	w, err := work(set)
	if err != nil {
		return Posterior{}, err
	}
	defer w.giveBack()
	return w.answer()
}

// worked is a set whose features have been worked out at every node of the
// shared errors.
type worked struct {
	grid     grid
	parts    []part
	logs     []float64 // log evidence × prior of each node
	kept     []int     // nodes that count
	weights  []float64
	evidence float64
	stop     func() bool
}

func work(set Set) (worked, error) {
	if len(set.Features) == 0 {
		return worked{}, ErrNoFeature
	}
	cylinders, shared, err := prepare(set)
	if err != nil {
		return worked{}, err
	}
	g := newGrid(cylinders, shared)
	w := worked{grid: g, parts: make([]part, len(cylinders)), stop: set.Stop}
	eachOf(w.parts, func(f int, p *part) { p.prepare(cylinders[f], g, set.Stop) })
	if w.stopped() {
		w.giveBack()
		return worked{}, ErrStopped
	}
	w.logs = append([]float64(nil), g.logs...)
	for _, p := range w.parts {
		for k := range w.logs {
			w.logs[k] += p.logs[p.which[k]]
		}
	}
	w.kept, w.weights, w.evidence = largest(w.logs, lightestNode)
	if len(w.kept) == 0 || math.IsNaN(w.evidence) || math.IsInf(w.evidence, 0) {
		w.giveBack()
		return worked{}, ErrImpossible
	}
	return w, nil
}

func (w *worked) stopped() bool { return w.stop != nil && w.stop() }

func (w *worked) answer() (Posterior, error) {
	p := Posterior{Weights: w.weights, LogEvidence: w.evidence, Features: make([]FeaturePosterior, len(w.parts))}
	eachOf(w.parts, func(f int, part *part) { p.Features[f] = part.answer(w.grid, w.kept, w.weights) })
	if w.stopped() {
		return Posterior{}, ErrStopped
	}
	return p, nil
}

func (w *worked) giveBack() {
	for i := range w.parts {
		w.parts[i].giveBack()
	}
}

// part is one feature's share of the work. Nodes of the shared errors that
// this feature cannot tell apart are computed once.
type part struct {
	engine *engine
	centre *found
	which  []int // node of the grid to distinct node
	first  []int // distinct node to one of its nodes of the grid
	logs   []float64
	stop   func() bool
}

func (p *part) giveBack() {
	if p.engine != nil {
		p.engine.arena.giveBack()
		p.engine = nil
	}
}

// stopped is asked between nodes.
func (p *part) stopped() bool { return p.stop != nil && p.stop() }

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

func (p *part) prepare(c cylinder, g grid, stop func() bool) {
	p.stop = stop
	touched := c.touched(len(g.centre))
	if len(touched) == 0 {
		p.which, p.first = make([]int, len(g.shifts)), []int{0}
	} else {
		p.distinct(touched, g)
	}
	if p.stopped() {
		return
	}
	engine, centre := locate(takeArena(), c, nil, g.centre, g.spreads, len(p.first))
	p.engine = engine
	if len(touched) == 0 {
		p.centre = &centre
		p.logs = []float64{centre.logEvidence}
		return
	}
	if centre.clean != nil {
		engine.thin(c.moved(g.spreads), centre.clean)
	}
	p.logs = make([]float64, 0, len(p.first))
	for _, k := range p.first {
		if p.stopped() {
			return
		}
		p.logs = append(p.logs, engine.at(g.shifts[k], false).logEvidence)
	}
}

// prepareTrial is prepare for a feature that a gauge will be tried in, outcomes
// being the feature after each thing the gauge may do; nodes are left to the caller.
func (p *part) prepareTrial(c cylinder, outcomes []cylinder, g grid, stop func() bool) {
	p.stop = stop
	touched := c.touched(len(g.centre))
	if len(touched) == 0 {
		p.which, p.first = make([]int, len(g.shifts)), []int{0}
	} else {
		p.distinct(touched, g)
	}
	engine, centre := locate(takeArena(), c, &outcomes[0], g.centre, g.spreads, len(p.first))
	p.engine = engine
	if len(touched) == 0 {
		p.centre = &centre
		return
	}
	laws := [][]float64{centre.clean}
	for _, after := range outcomes {
		engine.gauges = engine.gauges[:0]
		for _, o := range after.observations {
			if o.kind != Measured {
				engine.gauges = append(engine.gauges, o)
			}
		}
		laws = append(laws, engine.at(g.centre, true).clean)
	}
	engine.thin(c.moved(g.spreads), laws...)
}

// distinct finds the nodes that the shared errors touched tell apart.
func (p *part) distinct(touched []int, g grid) {
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
			if p.stopped() {
				return FeaturePosterior{}
			}
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
