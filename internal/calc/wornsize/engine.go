package wornsize

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mathext"
)

// engine holds what one feature needs at every node of the shared errors.
//
// Where all measured readings of a feature carry one and the same shared error
// and no other, sizes are counted from where that error puts them (frame): the
// tables of the readings are then the same at every node, and only the prior and
// the gauges move.
type engine struct {
	c        cylinder
	arena    *arena
	mesh     *mesh
	frame    int // the shared error that all measured readings carry, or −1
	nodes    int // of the shared errors that this feature will be asked for
	placed   []*unit
	unplaced []*unit
	gauges   []observation
	flat     [3]bool

	bell     [3]*decay // t of each section
	pair     *decay    // the smaller t of the two mouths, where a gauge was tried at an unknown one
	all      *decay    // the smallest t of the three sections
	share    [3]float64
	smallest float64   // mean of the smallest t
	prior    []float64 // density of the smallest size before any reading, at each mesh size
	base     []float64 // density of the base size
	oval     [3]*decay // w of each section, along L
	columns  []column
	cutSize  int // numbers that the columns of one slab take

	open       [3]window // see findOpen
	measuredBy []int     // the shared errors that touch measured readings, unless sizes are counted from them
	memo       map[string]remembrance
	combiner   *combiner
}

// mostRemembered bounds the memory that tables of one feature take.
const mostRemembered = 16

type remembrance struct {
	slabs    [3][]slab
	logScale float64
}

// column is one size x at which the clean-up law is computed.
type column struct {
	x   float64
	end int // last mesh node not above x
	at  int // where it begins in a slab
}

// found is what the readings say of one feature at one node.
type found struct {
	logEvidence float64
	shift       float64   // sizes are counted from here
	whole       []float64 // p(smallest size) × likelihood at each mesh size, scaled to integrate to 1
	base        []float64 // the same for the base size
	clean       []float64 // cumulative of the clean-up size without surface, at each column
}

// frameOf is the shared error that all measured readings carry, or −1.
func (c cylinder) frameOf() int {
	frame := -1
	for _, o := range c.observations {
		switch {
		case o.kind != Measured:
		case o.common < 0 || frame >= 0 && o.common != frame:
			return -1
		default:
			frame = o.common
		}
	}
	return frame
}

// shiftOf is where sizes are counted from at a node of the shared errors.
func (c cylinder) shiftOf(frame int, shifts []float64) float64 {
	switch {
	case frame < 0:
		return 0
	case c.mirror:
		return -shifts[frame]
	}
	return shifts[frame]
}

// newEngine prepares a feature for a mesh that is fine at the given foci.
// A first look has every other column.
func newEngine(a *arena, c cylinder, foci []focus, low, high float64, spreads []float64, limit, nodes int, firstLook bool) *engine {
	e := &engine{c: c, arena: a, frame: c.frameOf(), nodes: nodes}
	var measured []observation
	for _, o := range c.observations {
		if o.kind != Measured {
			e.gauges = append(e.gauges, o)
			continue
		}
		if e.frame >= 0 {
			o.common = -1
		}
		if o.common >= 0 && !slices.Contains(e.measuredBy, o.common) {
			e.measuredBy = append(e.measuredBy, o.common)
		}
		measured = append(measured, o)
	}
	slices.Sort(e.measuredBy)
	e.placed, e.unplaced = unitsOf(measured)
	if c.round() { // one size only: say so, and logarithms never underflow
		e.placed = append(e.placed, e.unplaced...)
		e.unplaced = nil
		for _, u := range e.placed {
			u.section = int(Middle) - 1
		}
	}
	e.mesh = newMesh(a, low, high, foci, limit)
	m := e.mesh
	var rate float64
	zeros := 0.0
	for _, mean := range c.bell {
		if mean <= 0 {
			zeros++
		} else {
			rate += 1 / mean
		}
	}
	for z, mean := range c.bell {
		e.flat[z] = c.oval[z] <= 0
		if z == 2 {
			e.bell[z] = e.bell[0] // both mouths have one mean
		} else {
			e.bell[z] = newDecay(a, m, mean, true)
		}
		switch {
		case zeros > 0 && mean <= 0:
			e.share[z] = 1 / zeros
		case zeros == 0:
			e.share[z] = 1 / mean / rate
		}
		if !e.flat[z] {
			if z > 0 && c.oval[z] == c.oval[0] {
				e.oval[z] = e.oval[0]
			} else {
				e.oval[z] = newDecay(a, m, c.oval[z], false)
			}
		}
	}
	if zeros == 0 {
		e.smallest = 1 / rate
	}
	e.all = newDecay(a, m, e.smallest, false)
	e.prior, e.base = a.take(len(m.s)), a.take(len(m.s))
	e.setPrior(0)
	e.findOpen(spreads)
	e.makeColumns(firstLook)
	e.combiner = newCombiner(e)
	return e
}

// setPrior tabulates what is believed before any reading when sizes are
// counted from shift.
func (e *engine) setPrior(shift float64) {
	for i, s := range e.mesh.s {
		e.prior[i] = e.c.prior.smallest(s-shift, e.smallest)
		e.base[i] = e.c.prior.density(s - shift)
	}
}

// makeColumns lists the sizes of the clean-up law: the mesh, and beyond it
// what an axis that is held can ask for; every other one for a first look.
func (e *engine) makeColumns(firstLook bool) {
	s := e.mesh.s
	n := len(s)
	e.columns = make([]column, 0, 2*n)
	for j := range n {
		if !firstLook || j%2 == 0 || j == n-1 {
			e.columns = append(e.columns, column{x: s[j], end: j})
		}
	}
	if e.c.reach > 1 {
		last := s[n-1]
		step := s[n-1] - s[n-2]
		for x := last + step; x < last+(last-s[0])*0.5 && len(e.columns) < 2*n; x += step {
			e.columns = append(e.columns, column{x: x, end: n - 1})
		}
	}
	e.layColumns()
}

func (e *engine) layColumns() {
	e.cutSize = 0
	for k := range e.columns {
		e.columns[k].at = e.cutSize
		e.cutSize += e.columns[k].end + 1
	}
}

// thin keeps the columns that laws need once they are known roughly: each of
// laws is the cumulative at each column, moved how far shared errors may shift it.
func (e *engine) thin(moved float64, laws ...[]float64) {
	n := len(e.columns)
	mark := e.arena.mark()
	defer e.arena.back(mark)
	x := e.arena.take(n)
	for k, c := range e.columns {
		x[k] = c.x
	}
	var scales [][]float64 // of each law and shift, at each column
	for _, law := range laws {
		if law == nil {
			continue
		}
		rough := Law{x, e.arena.take(n)}
		copy(rough.P, law)
		rough.tidy()
		for shift := -4.0; shift <= 4; shift++ {
			at := shift * moved
			if moved == 0 && shift != 0 {
				continue
			}
			scale := e.arena.take(n)
			for k := range scale {
				scale[k] = columnScale(rough.CDF(x[k] + at))
			}
			scales = append(scales, scale)
		}
	}
	jumps := func(from, to int) bool {
		for _, s := range scales {
			if s[to]-s[from] > 1 {
				return true
			}
		}
		return false
	}
	kept, last := e.columns[:1], 0
	for k := 1; k < n; k++ {
		if k == n-1 || jumps(last, k+1) {
			kept, last = append(kept, e.columns[k]), k
		}
	}
	e.columns = kept
	if len(e.measuredBy) > 0 { // new tables will come: give them no more room than they need
		e.layColumns()
		clear(e.memo)
	}
}

// columnScale is a scale of probability on which columns of a law may lie one apart:
// a fortieth in the middle, a third of a standard deviation in the tails, since
// a tail that rises from nothing over one wide cell would put mass where none
// can be.
func columnScale(p float64) float64 {
	const surely = 1e-7
	p = math.Max(surely, math.Min(1-surely, p))
	return 40*p + 3*mathext.NormalQuantile(p)
}

// at computes the feature at one node of the shared errors.
func (e *engine) at(shifts []float64, wantLaws bool) found {
	slabs, logScale := e.remembered(shifts)
	n := len(e.mesh.s)
	a := e.arena
	out := found{logEvidence: math.Inf(-1), shift: e.c.shiftOf(e.frame, shifts)}
	if e.frame >= 0 {
		e.setPrior(out.shift)
	}
	if wantLaws {
		out.whole, out.base, out.clean = a.take(n), a.take(n), a.take(len(e.columns))
	}
	if e.pair == nil && slices.ContainsFunc(e.gauges, func(o observation) bool { return o.station == AnyStation }) {
		e.pair = newDecay(a, e.mesh, e.c.bell[0]/2, true)
	}
	mark := a.mark()
	defer a.back(mark)
	outcomes := make([]outcome, 0, len(e.gauges))
	for _, o := range e.gauges {
		shift := -out.shift
		if o.common >= 0 {
			shift += o.sign * shifts[o.common]
		}
		result := o.gaugeOutcome(a, e.mesh.s, e.c.feel, shift)
		if e.c.bell[0] <= 0 && e.c.bell[2] <= 0 { // both mouths are the base, so the smallest
			result = result.merged(a)
		}
		outcomes = append(outcomes, result)
	}
	density := a.take(n)
	combiner := e.combiner
	combiner.begin(slabs, outcomes)
	integrate := func() float64 {
		likelihood := combiner.likelihood(-1)
		for i := range density {
			density[i] = e.prior[i] * likelihood[i]
		}
		return e.mesh.integral(density, n-1)
	}
	total := integrate()
	if combiner.mayCancel() && !(total > cancelled*combiner.size) {
		// The outcomes contradict one another, so that an expansion would leave little
		// but what quadrature errs by.
		combiner.direct()
		total = integrate()
	}
	if !(total > 1e-280) && len(outcomes) > 0 {
		combiner.hopeless()
		total = integrate()
	}
	if !(total > 0) || math.IsInf(total, 0) {
		out.whole, out.base, out.clean = nil, nil, nil
		return out
	}
	out.logEvidence = math.Log(total) + logScale
	if !wantLaws {
		return out
	}
	for i, d := range density {
		out.whole[i] = math.Max(0, d/total)
	}
	e.all.apply(out.base, combiner.result, 0, n-1, combiner.result[n-1])
	for i := range out.base {
		out.base[i] = math.Max(0, out.base[i]*e.base[i]/total)
	}
	if e.c.round() { // one size: what passes is what is clean
		sums := e.mesh.cumulative(a, out.whole)
		for k, c := range e.columns {
			out.clean[k] = sums[c.end]
		}
		return out
	}
	for k, c := range e.columns {
		likelihood := combiner.likelihood(k)
		for i := range c.end + 1 {
			density[i] = e.prior[i] * likelihood[i]
		}
		out.clean[k] = e.mesh.integral(density, c.end) / total
	}
	return out
}

// remembered is slabs, kept for the nodes that differ only in what gauges share.
func (e *engine) remembered(shifts []float64) ([3][]slab, float64) {
	key := shiftKey(shifts, e.measuredBy)
	if kept, ok := e.memo[key]; ok {
		return kept.slabs, kept.logScale
	}
	slabs, logScale := e.slabs(shifts, !e.c.round())
	if len(e.memo) < mostRemembered {
		if e.memo == nil {
			e.memo = map[string]remembrance{}
		}
		e.memo[key] = remembrance{slabs, logScale}
	}
	return slabs, logScale
}
