package wornsize

import "math"

// combiner joins the three sections and the gauged readings at every size m of
// the smallest section. Given the base size the sections are independent and
// exponential laws have no memory, so with E_z f(m) = E f(m + t_z) the
// likelihood of "the smallest section is m" is
//
//	Σ_z share_z h_z(m) Π_{z'≠z} E_z' h_z' (m)
//
// share_z being the probability that section z is the smallest. A gauge that
// was tried at an unknown end brings a function of the larger mouth, which
// nests one smoothing in another.
//
// The gauged readings come in as sums of products of functions of one size
// each. Where these would cancel, direct takes them as they are, for every m.
type combiner struct {
	e         *engine
	slabs     [3][]slab
	outcomes  []outcome
	terms     []gaugeTerm // of the expansion, none where it is too long
	groups    []group     // of direct, or none
	helds     []gaugeTerm // of each group
	floor     float64     // of direct: below it no factor falls
	wholes    []float64   // of direct: all outcomes that depend on the smallest section alone
	result    []float64
	magnitude []float64
	size      float64 // ∫ prior × sum of absolute terms, to see cancellation

	// By section and subset of the readings without a station:
	factored [3][][]float64 // h times the gauge factor of that section, or h
	smooth   [3][][]float64 // E of factored
	larger   [3][][]float64 // E of factored × the factor of the larger mouth
	// Room for these, and E h where no gauge has a say, made once a column.
	roomFactored, roomSmooth, plain [3][][]float64
	plainMade                       [3]bool
	// By subset, over both mouths:
	both  [][]float64 // E of the product
	first [][]float64 // a mouth is the smallest section, less the middle's part

	scratch, nested []float64
}

// group is a run of sizes m of the smallest section at which the gauged
// outcomes are the same functions of the mouths.
type group struct{ from, to int }

// lead is how many nodes below the first wanted a cubic may reach that ends
// close above it.
const lead = 3

// cancelled is the share of its terms that an expansion may leave.
const cancelled = 0.1

func newCombiner(e *engine) *combiner {
	n, sets := len(e.mesh.s), 1<<len(e.unplaced)
	vector := func() []float64 { return e.arena.take(n) }
	table := func() [][]float64 {
		t := make([][]float64, sets)
		for i := range t {
			t[i] = vector()
		}
		return t
	}
	c := &combiner{e: e, result: vector(), magnitude: vector(), scratch: vector(), nested: vector()}
	for z := range 3 {
		c.factored[z], c.smooth[z] = make([][]float64, sets), make([][]float64, sets)
		c.roomFactored[z], c.roomSmooth[z], c.plain[z] = table(), table(), table()
		c.larger[z] = table()
	}
	c.both, c.first = table(), table()
	return c
}

// begin takes the tables of one node.
func (c *combiner) begin(slabs [3][]slab, outcomes []outcome) {
	c.slabs, c.outcomes, c.groups, c.terms, c.floor = slabs, outcomes, nil, nil, 0
	count := 1
	for _, o := range outcomes {
		if count *= len(o.products); count > mostGaugeTerms {
			c.direct()
			return
		}
	}
	c.terms = gaugeTerms(c.e.arena, outcomes)
}

// mayCancel reports that likelihood adds terms of both signs.
func (c *combiner) mayCancel() bool { return c.groups == nil && len(c.terms) > 1 }

// direct makes likelihood take the outcomes as they are, wherever the
// expansion cancels: positive throughout, at the price of one pass for every m at
// which a gauge is in doubt.
func (c *combiner) direct() {
	const same = 1e-13
	n := len(c.e.mesh.s)
	c.groups, c.helds, c.wholes = make([]group, 0, n), make([]gaugeTerm, 0, n), nil
	for _, o := range c.outcomes {
		if o.place == nowhere {
			c.wholes = times(c.e.arena, c.wholes, o.products[0].whole)
		}
	}
	if c.floor > 0 && c.wholes != nil {
		raise(c.wholes, c.floor)
	}
	from := 0
	for i := 1; i <= n; i++ {
		alike := i < n
		for _, o := range c.outcomes {
			if !alike || len(o.products) < 2 {
				continue
			}
			for _, p := range o.products {
				if p.whole != nil && math.Abs(p.whole[i]-p.whole[from]) > same {
					alike = false
				}
			}
		}
		if !alike {
			c.groups = append(c.groups, group{from, i - 1})
			c.helds = append(c.helds, c.held(from))
			from = i
		}
	}
}

// likelihood fills and returns result: at each mesh size, for sections cut
// clean to column k, or for all sizes when k is −1.
func (c *combiner) likelihood(k int) []float64 {
	e := c.e
	end := len(e.mesh.s) - 1
	open := k < 0
	if !open {
		end = e.columns[k].end
		open = e.columns[k].x > e.mesh.s[end]
	}
	for i := range end + 1 {
		c.result[i], c.magnitude[i] = 0, 0
	}
	c.plainMade = [3]bool{}
	c.makePlain(1, k, end, open)
	for _, term := range c.terms {
		c.add(term, k, 0, end, end, open)
	}
	for i, g := range c.groups {
		to := min(g.to, end)
		if c.stands(g.from, to) {
			continue
		}
		clear(c.result[g.from : to+1])
		c.add(c.helds[i], k, g.from, to, end, open)
	}
	if k < 0 {
		for i := range c.magnitude {
			c.magnitude[i] *= e.prior[i]
		}
		c.size = e.mesh.integral(c.magnitude, end)
	}
	return c.result
}

// stands reports that the expansion, if there is one, cancels little at all of
// the sizes from … to of the smallest section, or that there are none.
func (c *combiner) stands(from, to int) bool {
	if c.terms == nil {
		return from > to
	}
	for i := from; i <= to; i++ {
		if !(c.result[i] >= cancelled*c.magnitude[i]) {
			return false
		}
	}
	return true
}

func (c *combiner) column(z, set, k int) []float64 {
	if k < 0 {
		return c.slabs[z][set].total
	}
	return c.slabs[z][set].column(c.e.columns[k])
}

// held is the product of all outcomes as functions of the mouths when the
// smallest section is that of node m. Just below m they are continued as they
// run, so that no cubic meets a corner.
func (c *combiner) held(m int) gaugeTerm {
	t := gaugeTerm{whole: c.wholes}
	least := max(0, m-lead-2)
	for _, o := range c.outcomes {
		var into *[]float64
		switch o.place {
		case nowhere:
			continue
		case atA:
			into = &t.a
		case atB:
			into = &t.b
		case atLarger:
			into = &t.larger
		}
		if *into == nil {
			*into = c.e.arena.take(len(c.result))
			for j := range *into {
				(*into)[j] = 1
			}
		}
		f := *into
		if p := o.products[0]; len(o.products) == 1 && p.whole == nil {
			for j, v := range p.mouth[least:] {
				f[least+j] *= v
			}
			continue
		}
		for j := least; j < len(f); j++ {
			var v float64
			for _, p := range o.products {
				part := 1.0
				if p.mouth != nil {
					part = p.mouth[j]
				}
				if p.whole != nil {
					part *= p.whole[m]
				}
				v += part
			}
			if j >= m {
				v = math.Max(v, Lapse/3)
			}
			f[j] *= v
		}
	}
	if c.floor > 0 {
		for _, f := range [3][]float64{t.a, t.b, t.larger} {
			raise(f, c.floor)
		}
	}
	return t
}

// raise lifts a table to a floor, in place.
func raise(f []float64, floor float64) {
	for i, v := range f {
		if v < floor {
			f[i] = floor
		}
	}
}

// hopeless is direct for outcomes so many of which are at odds that no float64
// holds what is left: beyond some seven in one place no more are counted.
func (c *combiner) hopeless() {
	c.floor, c.terms = math.Exp(-160), nil
	c.direct()
}

// beyond is what a smoothed function is worth past the mesh: what it was at
// its end, or nothing when a cut ends it.
func beyond(f []float64, end int, open bool) float64 {
	if open {
		return f[end]
	}
	return 0
}

// add adds one gauge term at sizes from … to of the smallest section.
func (c *combiner) add(term gaugeTerm, k, from, to, end int, open bool) {
	for set := range c.slabs[0] {
		c.mouth(0, set, term.a, term.larger, k, from, end, open)
		c.mouth(2, set, term.b, term.larger, k, from, end, open)
	}
	c.join(term, k, from, to, end, open)
}

// makePlain smooths a section as no gauge changes it.
func (c *combiner) makePlain(z, k, end int, open bool) {
	if c.plainMade[z] {
		return
	}
	c.plainMade[z] = true
	for set, out := range c.plain[z] {
		h := c.column(z, set, k)
		c.e.bell[z].apply(out, h, 0, end, beyond(h, end, open))
	}
}

// mouth prepares one mouth for one gauge term, for sizes of the smallest
// section that are not below from.
func (c *combiner) mouth(z, set int, own, larger []float64, k, from, end int, open bool) {
	f := c.column(z, set, k)
	if own != nil {
		h := f
		f = c.roomFactored[z][set]
		multiply(f, h, own, max(0, from-lead-2), end)
	}
	c.factored[z][set] = f
	switch {
	case larger != nil:
		multiply(c.scratch, f, larger, max(0, from-lead-2), end)
		c.e.bell[z].apply(c.larger[z][set], c.scratch, max(0, from-lead), end, beyond(c.scratch, end, open))
	case own != nil:
		c.smooth[z][set] = c.roomSmooth[z][set]
		c.e.bell[z].apply(c.smooth[z][set], f, from, end, beyond(f, end, open))
	default:
		c.makePlain(z, k, end, open)
		c.smooth[z][set] = c.plain[z][set]
	}
}

// join adds one gauge term, over every way to share out the readings without
// a station among the sections.
func (c *combiner) join(term gaugeTerm, k, from, to, end int, open bool) {
	e := c.e
	every := len(c.slabs[0]) - 1
	least := max(0, from-lead)
	for mouths := range c.slabs[0] {
		both, first := c.both[mouths], c.first[mouths]
		last := to
		if term.larger != nil {
			last = end
		}
		clear(both[least : last+1])
		clear(first[least : last+1])
		clear(c.nested[least : last+1])
		for a := mouths; ; a = (a - 1) & mouths { // subsets of mouths, down to none
			fa, fb := c.factored[0][a], c.factored[2][mouths&^a]
			if term.larger == nil {
				ea, eb := c.smooth[0][a], c.smooth[2][mouths&^a]
				for i := from; i <= to; i++ {
					both[i] += ea[i] * eb[i]
					first[i] += e.share[0]*fa[i]*eb[i] + e.share[2]*fb[i]*ea[i]
				}
			} else {
				la, lb := c.larger[0][a], c.larger[2][mouths&^a]
				for i := least; i <= end; i++ {
					x, y := fa[i]*lb[i], fb[i]*la[i]
					c.nested[i] += 0.5 * (x + y)
					first[i] += e.share[0]*x + e.share[2]*y
				}
			}
			if a == 0 {
				break
			}
		}
		if term.larger != nil {
			e.pair.apply(both, c.nested, from, end, beyond(c.nested, end, open))
		}
		h, smooth := c.column(1, every&^mouths, k), c.plain[1][every&^mouths]
		for i := from; i <= to; i++ {
			v := e.share[1]*h[i]*both[i] + first[i]*smooth[i]
			if term.whole != nil {
				v *= term.whole[i]
			}
			c.result[i] += v
			if v < 0 {
				v = -v
			}
			c.magnitude[i] += v
		}
	}
}

// multiply writes a·b into out from … end.
func multiply(out, a, b []float64, from, end int) {
	for i := from; i <= end; i++ {
		out[i] = a[i] * b[i]
	}
}
