package wornsize

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
type combiner struct {
	e         *engine
	slabs     [3][]slab
	result    []float64
	magnitude []float64
	size      float64 // ∫ prior × sum of absolute terms, to see cancellation

	// By section and subset of the readings without a station:
	factored [3][][]float64 // h times the gauge factor of that section
	smooth   [3][][]float64 // E of factored
	larger   [3][][]float64 // E of factored × the factor of the larger mouth
	// By subset, over both mouths:
	both  [][]float64 // E of the product
	first [][]float64 // a mouth is the smallest section, less the middle's part

	scratch, nested []float64
}

func newCombiner(e *engine, slabs [3][]slab) *combiner {
	n, sets := len(e.mesh.s), len(slabs[0])
	vector := func() []float64 { return make([]float64, n) }
	table := func() [][]float64 {
		t := make([][]float64, sets)
		for i := range t {
			t[i] = vector()
		}
		return t
	}
	c := &combiner{e: e, slabs: slabs, result: vector(), magnitude: vector(), scratch: vector(), nested: vector()}
	for z := range 3 {
		c.factored[z], c.smooth[z], c.larger[z] = table(), table(), table()
	}
	c.both, c.first = table(), table()
	return c
}

// likelihood fills and returns result: at each mesh size, for sections cut
// clean to column k, or for all sizes when k is −1.
func (c *combiner) likelihood(terms []gaugeTerm, k int) []float64 {
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
	for set := range c.slabs[1] {
		h := c.slabs[1][set].column(k)
		e.bell[1].apply(c.smooth[1][set], h, end, beyond(h, end, open))
	}
	for _, term := range terms {
		for set := range c.slabs[0] {
			c.mouth(0, set, term.a, term.larger, k, end, open)
			c.mouth(2, set, term.b, term.larger, k, end, open)
		}
		c.join(term, k, end, open)
	}
	if k < 0 {
		for i := range c.magnitude {
			c.magnitude[i] *= e.prior[i]
		}
		c.size = e.mesh.integral(c.magnitude, end)
	}
	return c.result
}

// beyond is what a smoothed function is worth past the mesh: what it was at
// its end, or nothing when a cut ends it.
func beyond(f []float64, end int, open bool) float64 {
	if open {
		return f[end]
	}
	return 0
}

func (s slab) column(k int) []float64 {
	if k < 0 {
		return s.total
	}
	return s.cut[k]
}

// mouth prepares one mouth for one gauge term.
func (c *combiner) mouth(z, set int, own, larger []float64, k, end int, open bool) {
	h := c.slabs[z][set].column(k)
	f := c.factored[z][set]
	multiply(f, h, own, end)
	c.e.bell[z].apply(c.smooth[z][set], f, end, beyond(f, end, open))
	if larger == nil {
		return
	}
	multiply(c.scratch, f, larger, end)
	c.e.bell[z].apply(c.larger[z][set], c.scratch, end, beyond(c.scratch, end, open))
}

// join adds one gauge term, over every way to share out the readings without
// a station among the sections.
func (c *combiner) join(term gaugeTerm, k, end int, open bool) {
	e := c.e
	every := len(c.slabs[0]) - 1
	for mouths := range c.slabs[0] {
		both, first := c.both[mouths], c.first[mouths]
		for i := range end + 1 {
			both[i], first[i], c.nested[i] = 0, 0, 0
		}
		for a := mouths; ; a = (a - 1) & mouths { // subsets of mouths, down to none
			fa, fb := c.factored[0][a], c.factored[2][mouths&^a]
			if term.larger == nil {
				ea, eb := c.smooth[0][a], c.smooth[2][mouths&^a]
				for i := range end + 1 {
					both[i] += ea[i] * eb[i]
					first[i] += e.share[0]*fa[i]*eb[i] + e.share[2]*fb[i]*ea[i]
				}
			} else {
				la, lb := c.larger[0][a], c.larger[2][mouths&^a]
				for i := range end + 1 {
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
			e.pair.apply(both, c.nested, end, beyond(c.nested, end, open))
		}
		h, smooth := c.slabs[1][every&^mouths].column(k), c.smooth[1][every&^mouths]
		for i := range end + 1 {
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

// multiply writes a·b into out up to end, a nil b being one.
func multiply(out, a, b []float64, end int) {
	if b == nil {
		copy(out[:end+1], a[:end+1])
		return
	}
	for i := range end + 1 {
		out[i] = a[i] * b[i]
	}
}
