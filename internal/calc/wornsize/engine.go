package wornsize

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mathext"
)

// engine holds what one feature needs at every node of the shared errors.
type engine struct {
	c        cylinder
	mesh     *mesh
	placed   []*unit
	unplaced []*unit
	gauges   []observation
	flat     [3]bool

	bell    [3]*decay // t of each section
	pair    *decay    // the smaller t of the two mouths
	all     *decay    // the smallest t of the three sections
	share   [3]float64
	prior   []float64 // density of the smallest size before any reading, at each mesh size
	base    []float64 // density of the base size
	oval    [3]*decay // w of each section, along L
	columns []column

	open       [3][]int // see findOpen
	measuredBy []int    // the shared errors that touch measured readings
	memo       map[string]remembrance
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
}

// found is what the readings say of one feature at one node.
type found struct {
	logEvidence float64
	whole       []float64 // p(smallest size) × likelihood at each mesh size, scaled to integrate to 1
	base        []float64 // the same for the base size
	clean       []float64 // cumulative of the clean-up size without surface, at each column
}

// newEngine prepares a feature for a mesh that is fine at the given foci.
func newEngine(c cylinder, foci []focus, low, high float64, spreads []float64, limit int) *engine {
	e := &engine{c: c, memo: map[string]remembrance{}}
	e.placed, e.unplaced = unitsOf(c)
	for _, o := range c.observations {
		switch {
		case o.kind != Measured:
			e.gauges = append(e.gauges, o)
		case o.common >= 0 && !slices.Contains(e.measuredBy, o.common):
			e.measuredBy = append(e.measuredBy, o.common)
		}
	}
	slices.Sort(e.measuredBy)
	for _, u := range append(append([]*unit{}, e.placed...), e.unplaced...) {
		if c.round() { // one size only: say so, and logarithms never underflow
			u.section = int(Middle) - 1
		}
	}
	if c.round() {
		e.placed, e.unplaced = append(e.placed, e.unplaced...), nil
	}
	e.mesh = newMesh(low, high, foci, limit)
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
		if z == 2 && mean == c.bell[0] {
			e.bell[z] = e.bell[0]
		} else {
			e.bell[z] = newDecay(m, mean)
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
				e.oval[z] = newDecay(m, c.oval[z])
			}
		}
	}
	smallest := 0.0
	if zeros == 0 {
		smallest = 1 / rate
	}
	e.pair = newDecay(m, c.bell[0]/2)
	e.all = newDecay(m, smallest)
	e.prior, e.base = make([]float64, len(m.s)), make([]float64, len(m.s))
	for i, s := range m.s {
		e.prior[i] = c.prior.smallest(s, smallest)
		e.base[i] = c.prior.density(s)
	}
	e.findOpen(spreads)
	e.makeColumns()
	return e
}

// makeColumns lists the sizes of the clean-up law: the mesh, and beyond it
// what an axis that is held can ask for.
func (e *engine) makeColumns() {
	s := e.mesh.s
	n := len(s)
	for j := range n {
		e.columns = append(e.columns, column{s[j], j})
	}
	if e.c.reach > 1 {
		last := s[n-1]
		step := s[n-1] - s[n-2]
		for x := last + step; x < last+(last-s[0])*0.5 && len(e.columns) < 2*n; x += step {
			e.columns = append(e.columns, column{x, n - 1})
		}
	}
}

// thin keeps the columns that a law needs once it is known roughly: clean is
// the cumulative at each column, moved how far shared errors may shift it.
func (e *engine) thin(clean []float64, moved float64) {
	x := make([]float64, len(e.columns))
	for k, c := range e.columns {
		x[k] = c.x
	}
	rough := Law{x, slices.Clone(clean)}
	rough.tidy()
	jump := func(a, b float64) (most float64) {
		for shift := -4.0; shift <= 4; shift++ {
			most = math.Max(most, columnScale(rough.CDF(b+shift*moved))-columnScale(rough.CDF(a+shift*moved)))
			if moved == 0 {
				break
			}
		}
		return most
	}
	kept := e.columns[:0:0]
	for k, c := range e.columns {
		last := k == len(e.columns)-1
		if k == 0 || last || jump(kept[len(kept)-1].x, x[k+1]) > 1 {
			kept = append(kept, c)
		}
	}
	e.columns = kept
	clear(e.memo)
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

// slab is one section's likelihood times the law of its ovality: total over
// all L for each S, and, by column, over what a cut to x has cleaned.
type slab struct {
	total []float64
	cut   [][]float64
}

// section integrates the ovality out of a table of log likelihoods.
func (e *engine) section(z int, logs triangle, offset float64, wantCut bool) slab {
	m := e.mesh
	n := len(m.s)
	out := slab{total: make([]float64, n)}
	if wantCut {
		out.cut = make([][]float64, len(e.columns))
		size := 0
		for _, c := range e.columns {
			size += c.end + 1
		}
		all := make([]float64, size)
		for k, c := range e.columns {
			out.cut[k], all = all[:c.end+1:c.end+1], all[c.end+1:]
		}
	}
	if e.flat[z] {
		for i := range n {
			out.total[i] = math.Exp(logs[i][0] - offset)
		}
		for k := range out.cut {
			copy(out.cut[k], out.total)
		}
		return out
	}
	mean := e.c.oval[z]
	row, sum, fade := make([]float64, n+1), make([]float64, n), make([]float64, n)
	centred, keep := e.oval[z].centred, e.oval[z].keep
	for i := range n - 4 {
		any := false
		for jj, l := range logs[i] {
			d := l - offset
			if d < -700 {
				row[jj] = 0
				continue
			}
			any = true
			row[jj] = math.Exp(d)
		}
		if !any {
			continue
		}
		// row[jj] is node j = i−1+jj; sum[j] the integral of w from 0 to s[j]−s[i].
		sum[i], fade[i] = 0, 1 // fade[j] is exp(−w/mean)
		for j := i; j < n-1; j++ {
			w := &centred[j]
			at := m.from(j) - i + 1
			g := row[at : at+4 : at+4]
			part := w[0]*g[0] + w[1]*g[1] + w[2]*g[2] + w[3]*g[3]
			sum[j+1] = sum[j] + part*fade[j]
			fade[j+1] = fade[j] * keep[j]
		}
		out.total[i] = sum[n-1] + row[n-i]*fade[n-1]
		if !wantCut {
			continue
		}
		if e.c.reach == 1 {
			for k, c := range e.columns {
				if c.end >= i {
					out.cut[k][i] = sum[c.end]
				}
			}
			continue
		}
		e.cutRow(out, i, row, sum, fade, mean)
	}
	return out
}

// cutRow fills the columns of row i when the cut must reach S + reach·w.
func (e *engine) cutRow(out slab, i int, row, sum, fade []float64, mean float64) {
	s := e.mesh.s
	n := len(s)
	j := i
	for k := range e.columns {
		if e.columns[k].end < i {
			continue
		}
		l := s[i] + (e.columns[k].x-s[i])/e.c.reach
		for j < n-2 && s[j+1] < l {
			j++
		}
		h := s[j+1] - s[j]
		slope := func(at int) float64 {
			return row[at-i+1] * fade[at] / mean
		}
		v := hermiteCubic((l-s[j])/h, sum[j], sum[j+1], slope(j)*h, slope(j+1)*h)
		out.cut[k][i] = math.Max(0, math.Min(v, out.total[i]))
	}
}

// hermiteCubic interpolates between a and b with slopes per cell.
func hermiteCubic(t, a, b, slopeA, slopeB float64) float64 {
	if t >= 1 {
		return b
	}
	u := 1 - t
	return a*(1+2*t)*u*u + b*t*t*(3-2*t) + t*u*(slopeA*u-slopeB*t)
}

// at computes the feature at one node of the shared errors.
func (e *engine) at(shifts []float64, wantLaws bool) found {
	slabs, logScale := e.remembered(shifts)
	outcomes := make([]outcome, 0, len(e.gauges))
	for _, o := range e.gauges {
		shift := 0.0
		if o.common >= 0 {
			shift = o.sign * shifts[o.common]
		}
		result := o.gaugeOutcome(e.mesh.s, e.c.feel, shift)
		if e.c.bell[0] <= 0 && e.c.bell[2] <= 0 { // both mouths are the base, so the smallest
			result = result.merged()
		}
		outcomes = append(outcomes, result)
	}
	n := len(e.mesh.s)
	combiner := newCombiner(e, slabs)
	terms := gaugeTerms(outcomes, false)
	density := make([]float64, n)
	integrate := func() float64 {
		likelihood := combiner.likelihood(terms, -1)
		for i := range density {
			density[i] = e.prior[i] * likelihood[i]
		}
		return e.mesh.integral(density, n-1)
	}
	total := integrate()
	if len(terms) > 1 && !(total > 1e-8*combiner.size) {
		// The expansion cancels down to what quadrature leaves of it: the outcomes
		// contradict one another.
		terms = gaugeTerms(outcomes, true)
		total = integrate()
	}
	out := found{logEvidence: math.Inf(-1)}
	if !(total > 0) || math.IsInf(total, 0) {
		return out
	}
	out.logEvidence = math.Log(total) + logScale
	if !wantLaws {
		return out
	}
	out.whole = make([]float64, n)
	for i, d := range density {
		out.whole[i] = math.Max(0, d/total)
	}
	out.base = make([]float64, n)
	e.all.apply(out.base, combiner.result, n-1, combiner.result[n-1])
	for i := range out.base {
		out.base[i] = math.Max(0, out.base[i]*e.base[i]/total)
	}
	if e.c.round() { // one size: what passes is what is clean
		sums := e.mesh.cumulative(out.whole)
		for _, c := range e.columns {
			out.clean = append(out.clean, sums[c.end])
		}
		return out
	}
	out.clean = make([]float64, len(e.columns))
	for k, c := range e.columns {
		likelihood := combiner.likelihood(terms, k)
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
		e.memo[key] = remembrance{slabs, logScale}
	}
	return slabs, logScale
}

// slabs makes, per section and per subset of the readings without a station,
// the integrated tables; logScale is what was taken out of them.
func (e *engine) slabs(shifts []float64, wantCut bool) (slabs [3][]slab, logScale float64) {
	n := len(e.mesh.s)
	loose := len(e.unplaced)
	logScale = -float64(loose) * math.Log(3)
	most := make([]float64, loose)
	for i, u := range e.unplaced {
		most[i] = math.Inf(-1)
		for z := range 3 {
			most[i] = math.Max(most[i], highest(e.table(u, z, shifts)))
		}
		logScale += most[i]
	}
	for z := range 3 {
		own := newTriangle(n, e.flat[z])
		for _, u := range e.placed {
			if u.section == z {
				own.add(e.table(u, z, shifts))
			}
		}
		offset := highest(own)
		logScale += offset
		slabs[z] = make([]slab, 1<<loose)
		for set := range slabs[z] {
			logs, level := own, offset
			if set > 0 {
				logs = newTriangle(n, e.flat[z])
				logs.add(own)
				for i, u := range e.unplaced {
					if set>>i&1 == 1 {
						logs.add(e.table(u, z, shifts))
						level += most[i]
					}
				}
			}
			if z == 2 && set == 0 && e.sameAsFirst() {
				slabs[2][0] = slabs[0][0]
				continue
			}
			slabs[z][set] = e.section(z, logs, level, wantCut)
		}
	}
	return slabs, logScale
}

func (e *engine) table(u *unit, z int, shifts []float64) triangle {
	cells := window{longest: 745 * max(e.c.oval[0], e.c.oval[1])}
	if u.section >= 0 && !e.flat[z] {
		cells.from = e.open[u.section]
	}
	return u.log(e.mesh, e.c.lobing, e.flat[z], cells, shifts)
}

// findOpen bounds, per section, the (S, L) worth computing: where no reading
// lies so far outside [S, L] that the likelihood is e^−impossible of the best.
func (e *engine) findOpen(spreads []float64) {
	const impossible = 50
	s := e.mesh.s
	for z := range 3 {
		low, high := make([]float64, len(s)), make([]float64, len(s)) // bounds by S, by L
		for _, u := range e.placed {
			if u.section != z {
				continue
			}
			for _, o := range u.readings {
				slack := 0.0
				if o.common >= 0 {
					slack = 7 * spreads[o.common]
				}
				for i, x := range s {
					if d := x - (o.value - o.low + slack); d > 0 && o.lip == 0 {
						low[i] -= 0.5 * d * d / (o.u * o.u)
					}
					if d := o.value - o.high - slack - x; d > 0 {
						high[i] -= 0.5 * d * d / (o.u * o.u)
					}
				}
			}
		}
		best := math.Inf(-1)
		for i := range s {
			best = math.Max(best, low[i]+high[len(s)-1])
			best = math.Max(best, low[i]+high[i])
		}
		e.open[z] = make([]int, len(s))
		for i := range s {
			j := max(0, i-1)
			for j < len(s) && low[i]+high[j] < best-impossible {
				j++
			}
			e.open[z][i] = j
		}
	}
}

// sameAsFirst reports that neither mouth carries readings of its own.
func (e *engine) sameAsFirst() bool {
	for _, u := range e.placed {
		if u.section != 1 {
			return false
		}
	}
	return true
}

func (t triangle) add(other triangle) {
	for i, row := range other {
		for jj, v := range row {
			t[i][jj] += v
		}
	}
}

// highest is the largest entry that is not a blank.
func highest(t triangle) float64 {
	most := math.Inf(-1)
	for i, row := range t {
		for jj, v := range row {
			if i == 0 && jj == 0 && len(row) > 1 {
				continue
			}
			if v > most {
				most = v
			}
		}
	}
	return most
}
