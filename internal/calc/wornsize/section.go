package wornsize

import (
	"math"
	"slices"
)

// triangle holds a function of (S, L) on the mesh: row i has S = s[i] and
// L = s[i−1], s[i], …, the first (one step beyond w = 0) only to steady the
// quadrature; row 0 starts with a blank. With no ovality a row is w = 0 alone.
type triangle [][]float64

func newTriangle(n int, flat bool) triangle {
	t := make(triangle, n)
	size := 0
	width := func(i int) int {
		if flat {
			return 1
		}
		return n - i + 1
	}
	for i := range n {
		size += width(i)
	}
	all := make([]float64, size)
	for i := range n {
		t[i], all = all[:width(i):width(i)], all[width(i):]
	}
	return t
}

// unit is the readings of one section that must be tabulated together: one
// measured reading of unknown direction, or all of stated direction that
// share the section's angle φ.
type unit struct {
	readings []observation
	section  int // 0, 1, 2, or −1 when the station was not noted
	common   int // the one shared error of its readings, −1 none, −2 several
	tables   map[tableKey]triangle
}

// window is the part of the (S, L) plane worth computing. from[i] is the first
// L of row i; what comes before is as good as impossible. Beyond longest an
// ovality has no probability that a float64 holds.
type window struct {
	from    []int
	longest float64
}

func (c window) shut(i, j int, w float64) bool {
	return c.from != nil && j < c.from[i] || w > c.longest
}

// tableKey names a table of a unit: the shared error it was made for, and
// whether its section can be oval.
type tableKey struct {
	shift float64
	flat  bool
}

// unitsOf groups the measured readings. Beyond mostUnplaced readings without
// a station, those that read most alike are taken to be of one section.
func unitsOf(c cylinder) (placed, unplaced []*unit) {
	var directed [3]*unit
	var loose []observation
	for _, o := range c.observations {
		if o.kind != Measured {
			continue
		}
		z := int(o.station) - 1
		switch {
		case z < 0:
			loose = append(loose, o)
		case math.IsNaN(o.direction):
			placed = append(placed, &unit{readings: []observation{o}, section: z, common: o.common})
		case directed[z] == nil:
			directed[z] = &unit{readings: []observation{o}, section: z, common: o.common}
			placed = append(placed, directed[z])
		default:
			directed[z].readings = append(directed[z].readings, o)
			if directed[z].common != o.common {
				directed[z].common = -2
			}
		}
	}
	for _, group := range groupAlike(loose) {
		u := &unit{readings: group, section: -1, common: group[0].common}
		for _, o := range group {
			if o.common != u.common {
				u.common = -2
			}
		}
		unplaced = append(unplaced, u)
	}
	for _, u := range append(slices.Clone(placed), unplaced...) {
		u.tables = map[tableKey]triangle{}
	}
	return placed, unplaced
}

const mostUnplaced = 4

// groupAlike joins neighbours in size until at most mostUnplaced groups remain.
func groupAlike(loose []observation) [][]observation {
	slices.SortStableFunc(loose, func(a, b observation) int {
		switch x, y := a.centre(), b.centre(); {
		case x < y:
			return -1
		case x > y:
			return 1
		}
		return 0
	})
	groups := make([][]observation, len(loose))
	for i, o := range loose {
		groups[i] = []observation{o}
	}
	for len(groups) > mostUnplaced {
		closest, gap := 0, math.Inf(1)
		for i := range len(groups) - 1 {
			left, right := groups[i], groups[i+1]
			d := right[len(right)-1].centre() - left[0].centre()
			if d < gap {
				closest, gap = i, d
			}
		}
		groups[closest] = append(groups[closest], groups[closest+1]...)
		groups = slices.Delete(groups, closest+1, closest+2)
	}
	return groups
}

// log tabulates the log likelihood of the unit at shared errors shifts (by
// index of the shared error), within cells. The table is kept for when the same error comes again.
func (u *unit) log(m *mesh, lobing float64, flat bool, cells window, shifts []float64) triangle {
	key := tableKey{flat: flat}
	if u.common >= 0 {
		key.shift = shifts[u.common]
	}
	if u.common != -2 {
		if t, ok := u.tables[key]; ok {
			return t
		}
	}
	moved := slices.Clone(u.readings)
	for i := range moved {
		if moved[i].common >= 0 {
			moved[i].value -= moved[i].sign * shifts[moved[i].common]
		}
	}
	t := newTriangle(len(m.s), flat)
	switch {
	case flat:
		for i, s := range m.s {
			t[i][0] = sumLog(moved, s)
		}
	case len(moved) == 1 || u.section < 0:
		for _, o := range moved {
			addUndirected(t, m.s, o, lobing, cells)
		}
	default:
		addDirected(t, m.s, moved, lobing, cells)
	}
	if u.common != -2 && len(m.s) <= 700 {
		u.tables[key] = t
	}
	return t
}

func sumLog(readings []observation, x float64) float64 {
	var sum float64
	for _, o := range readings {
		sum += o.logDensity(x)
	}
	return sum
}

// angleNodes is a rule over the angle: the share c = |cos|^k of the ovality
// that a reading at that angle sees, ascending, with weights that sum to one.
type angleNodes struct{ c, w []float64 }

// undirectedNodes averages over an unknown angle: Gauss–Chebyshev nodes for an
// ellipse, Gauss–Legendre over a quarter turn otherwise.
func undirectedNodes(n int, lobing float64) angleNodes {
	a := angleNodes{make([]float64, n), make([]float64, n)}
	if lobing == 2 {
		for k := range n {
			a.c[n-1-k] = 0.5 + 0.5*math.Cos((2*float64(k)+1)*math.Pi/(2*float64(n)))
			a.w[k] = 1 / float64(n)
		}
		return a
	}
	r := legendre(n)
	for k, x := range r.x {
		a.c[n-1-k] = math.Pow(math.Cos(x*math.Pi/2), lobing)
		a.w[n-1-k] = r.w[k]
	}
	return a
}

// tiers gives, for growing w/u, rules with as many nodes as that asks for.
type tiers struct {
	make func(n int) angleNodes
	made map[int]angleNodes
	last int // the tier used last, which its neighbour usually wants too
	keep angleNodes
}

func newTiers(lobing float64) *tiers {
	return &tiers{make: func(n int) angleNodes { return undirectedNodes(n, lobing) }, made: map[int]angleNodes{}}
}

func (t *tiers) at(ratio, base, slope float64) angleNodes {
	n := 5
	for float64(n) < base+slope*ratio && n < 8192 {
		n += n / 2
	}
	if n == t.last {
		return t.keep
	}
	nodes, ok := t.made[n]
	if !ok {
		nodes = t.make(n)
		t.made[n] = nodes
	}
	t.last, t.keep = n, nodes
	return nodes
}

// addUndirected adds to t the log of the arcsine law on [S, L] blurred by o.
func addUndirected(t triangle, s []float64, o observation, lobing float64, cells window) {
	rules := newTiers(lobing)
	plain := o.low == o.high && o.lip == 0
	var blurred densityTable
	if !plain {
		blurred = newDensityTable(o)
	}
	scale, centre := 1/o.u, o.value-o.low
	logNorm := -logSqrtTwoPi - math.Log(o.u)
	for i := range s {
		row := t[i]
		for jj := range row {
			j := i - 1 + jj
			if j < 0 {
				continue
			}
			w := s[j] - s[i]
			if cells.shut(i, j, w) {
				row[jj] = math.Inf(-1)
				continue
			}
			step := w * scale
			if !plain {
				row[jj] += blurred.average(rules.at(math.Min(math.Abs(step), widestBlurred), 7, 1.5), s[i], w)
				continue
			}
			row[jj] += logNorm + logArcsine((centre-s[i])*scale, step, lobing, rules)
		}
	}
}

// near is the run of nodes that lie within nine blurs of the reading, or of
// the edge that is nearest to it.
func near(c []float64, d, step float64) (from, to int) {
	if len(c) < 28 || step <= 0 {
		return 0, len(c)
	}
	from, _ = slices.BinarySearch(c, (math.Min(d, step)-9)/step)
	to, _ = slices.BinarySearch(c, (math.Max(d, 0)+9)/step)
	if from == to {
		return 0, len(c)
	}
	return from, to
}

// averageLog is the log of the weighted mean of exp(f) over the nodes.
func averageLog(nodes angleNodes, f func(c float64) float64) float64 {
	var few [64]float64 // spares an allocation where it is called most
	logs := few[:0]
	for _, c := range nodes.c {
		logs = append(logs, f(c))
	}
	return logOfMean(logs, nodes.w)
}

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

func newDensityTable(o observation) densityTable {
	const reach, perBlur, most = 14, 8, 20000
	t := densityTable{o: o, first: o.value - o.high - reach*o.u, step: o.u / perBlur}
	width := o.high - o.low + 2*reach*o.u + 12*o.lip
	t.step = math.Max(t.step, width/most)
	n := int(width/t.step) + 4
	t.logs = make([]float64, n)
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

// beyond continues the table: normal tails from the edges of the bias, the
// slower tail of a burr where the metal is larger than was read.
func (t densityTable) beyond(x float64) float64 {
	o, last := t.o, t.first+t.step*float64(len(t.logs)-3)
	if x < last {
		z, z0 := (o.value-o.high-x)/o.u, (o.value-o.high-t.first)/o.u
		return t.logs[1] - 0.5*(z*z-z0*z0)
	}
	edge := t.logs[len(t.logs)-2]
	if o.lip > 0 {
		return edge - (x-last)/o.lip
	}
	z, z0 := (x-o.value+o.low)/o.u, (last-o.value+o.low)/o.u
	return edge - 0.5*(z*z-z0*z0)
}
