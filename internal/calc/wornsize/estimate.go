package wornsize

import (
	"errors"
	"math"
)

// ErrNoFeature says that a set is empty.
var ErrNoFeature = errors.New("the set has no feature: give at least one bore or pin")

const (
	lightestNode = 1e-7 // share of the heaviest node below which a node is left out
	widenings    = 40
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
				cylinders[c].observations[i].u *= 2
			}
		}
	}
	return Posterior{}, errors.New("no size makes these readings possible: void the readings that contradict the others, or widen the prior")
}

func estimate(cylinders []cylinder, shared []Common) (Posterior, bool) {
	g := newGrid(cylinders, shared)
	engines := make([]*engine, len(cylinders))
	touched := make([][]int, len(cylinders))
	for f, c := range cylinders {
		engines[f] = locate(c, g.centre, g.spreads)
		touched[f] = c.touched(len(shared))
	}
	logs := append([]float64(nil), g.logs...)
	for f, e := range engines {
		memo := map[string]float64{}
		for k, shifts := range g.shifts {
			key := shiftKey(shifts, touched[f])
			v, ok := memo[key]
			if !ok {
				v = e.at(shifts, false).logEvidence
				memo[key] = v
			}
			logs[k] += v
		}
	}
	kept, weights, evidence := largest(logs, lightestNode)
	if len(kept) == 0 || math.IsNaN(evidence) || math.IsInf(evidence, 0) {
		return Posterior{}, false
	}
	p := Posterior{Weights: weights, LogEvidence: evidence}
	for f, e := range engines {
		memo := map[string]int{}
		var finds []found
		which := make([]int, len(kept))
		share := []float64{}
		for i, k := range kept {
			key := shiftKey(g.shifts[k], touched[f])
			at, ok := memo[key]
			if !ok {
				at = len(finds)
				memo[key] = at
				finds = append(finds, e.at(g.shifts[k], true))
				share = append(share, 0)
			}
			which[i] = at
			share[at] += weights[i]
		}
		p.Features = append(p.Features, e.laws(finds, share, which))
	}
	return p, true
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
