package wornsize

import (
	"math"
	"slices"
)

// widestBlurred is the ovality, in blurs, beyond which the angle gets no more
// nodes: a biased method or a burr is itself wider than their steps.
const widestBlurred = 80

// densityTable holds the log density of one reading over the true size near
// it, at eighths of its blur, where the closed form costs too much: a biased
// method, a burr.
type densityTable struct {
	o           observation
	first, step float64
	logs        []float64
}

func newDensityTable(a *arena, o observation) densityTable {
	const reach, perBlur, most = 14, 8, 20000
	t := densityTable{o: o, first: o.value - o.high - reach*o.u, step: o.u / perBlur}
	width := o.high - o.low + 2*reach*o.u + 12*o.lip
	t.step = math.Max(t.step, width/most)
	n := int(width/t.step) + 4
	t.logs = a.take(n)
	for i := range t.logs {
		t.logs[i] = o.logDensity(t.first + t.step*float64(i-1))
	}
	return t
}

// average is the log of the mean density over the angle, at smallest size s
// and ovality w. Nodes that see a size outside the table are left out unless
// all do.
func (t densityTable) average(nodes angleNodes, s, w float64) float64 {
	if len(nodes.c) > 28 && w > 0 {
		last := t.first + t.step*float64(len(t.logs)-4)
		from, _ := slices.BinarySearch(nodes.c, (t.first-s)/w)
		to, _ := slices.BinarySearch(nodes.c, (last-s)/w)
		switch {
		case to-from > 1:
			nodes = angleNodes{nodes.c[from:to], nodes.w[from:to]}
		case from >= len(nodes.c)/2: // all see too little: the largest tell
			nodes = angleNodes{nodes.c[len(nodes.c)-8:], nodes.w[len(nodes.c)-8:]}
		default:
			nodes = angleNodes{nodes.c[:8], nodes.w[:8]}
		}
	}
	return averageLog(nodes, func(c float64) float64 { return t.at(s + w*c) })
}

func (t densityTable) at(x float64) float64 {
	d := (x - t.first) / t.step
	if !(d >= 0 && d < float64(len(t.logs)-3)) {
		return t.beyond(x)
	}
	i := int(d)
	w, g := cubicWeights(d-float64(i)), t.logs[i:i+4:i+4]
	return w[0]*g[0] + w[1]*g[1] + w[2]*g[2] + w[3]*g[3]
}

// beyond continues the table: where a reading lies many blurs away it is a
// slip, but for the slow tail of a burr where the metal is larger than was read.
func (t densityTable) beyond(x float64) float64 {
	o, last := t.o, t.first+t.step*float64(len(t.logs)-3)
	if o.lip == 0 || x < last {
		return o.slip
	}
	return logSum(t.logs[len(t.logs)-2]-(x-last)/o.lip, o.slip)
}
