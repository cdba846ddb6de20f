package wornsize

import (
	"math"
	"sort"
)

// focus asks for a fine mesh: step about spread*meshStep within half of
// centre, growing with distance beyond.
type focus struct{ centre, half, spread float64 }

const (
	meshStep   = 0.45 // of the blur: a cumulative cubic rule is then right to some 3e-4
	meshGrowth = 0.13 // step per unit of distance from what is sharp
	meshLimit  = 420  // nodes; beyond it all steps are widened alike
	manyLimit  = 260  // the same when shared errors take many nodes
	roundLimit = 4000 // the same for a perfect cylinder, which costs one dimension only
)

// mesh is the ascending sizes at which everything is tabulated, with the
// weights that integrate over each cell a cubic through four neighbours.
type mesh struct {
	s     []float64
	plain [][4]float64 // ∫ over cell i of the four basis cubics; stencil starts at from(i)
	edge  [][4]float64 // the same for the stencil that does not look right of the cell
	basis [][4]float64 // the basis cubics at the Gauss nodes of each cell: six of the stencil around it, six of the one that ends with it
	full  bool         // meshLimit was met: finer is not to be had
}

func newMesh(a *arena, low, high float64, foci []focus, limit int) *mesh {
	for widen := 1.0; ; widen *= 1.5 {
		s := spread(a, low, high, foci, widen, limit)
		if s != nil {
			m := &mesh{s: s, full: widen > 1}
			m.tabulateBasis(a)
			m.plain, m.edge = m.weights(a, 0, true)
			return m
		}
	}
}

const gaussNodes = 6 // per cell

func (m *mesh) tabulateBasis(a *arena) {
	cells := len(m.s) - 1
	m.basis = a.takeQuads(cells * 2 * gaussNodes)
	gauss := legendre6()
	for i := range cells {
		width := m.s[i+1] - m.s[i]
		from, edge := m.from(i), m.edgeFrom(i)
		at := m.basis[i*2*gaussNodes:]
		b := newBasis(m.s[from : from+4])
		for k, node := range gauss.x {
			at[k] = b.at(m.s[i] + node*width)
		}
		if edge == from {
			copy(at[gaussNodes:], at[:gaussNodes])
			continue
		}
		b = newBasis(m.s[edge : edge+4])
		for k, node := range gauss.x {
			at[gaussNodes+k] = b.at(m.s[i] + node*width)
		}
	}
}

// basis is the four Lagrange polynomials on nodes x.
type basis struct{ x, scale [4]float64 }

func newBasis(nodes []float64) basis {
	b := basis{x: [4]float64(nodes)}
	for j := range 4 {
		v := 1.0
		for k := range 4 {
			if k != j {
				v *= b.x[j] - b.x[k]
			}
		}
		b.scale[j] = 1 / v
	}
	return b
}

func (b *basis) at(x float64) [4]float64 {
	p, q, r, s := x-b.x[0], x-b.x[1], x-b.x[2], x-b.x[3]
	pq, rs := p*q, r*s
	return [4]float64{b.scale[0] * q * rs, b.scale[1] * p * rs, b.scale[2] * pq * s, b.scale[3] * pq * r}
}

// spread walks from low to high with the step the nearest focus asks for; nil
// when that takes more than limit nodes.
func spread(a *arena, low, high float64, foci []focus, widen float64, limit int) []float64 {
	largest := (high - low) / 36
	smallest := (high - low) * 1e-9
	step := func(x float64) float64 { return math.Max(stepAt(x, foci, widen, largest), smallest) }
	mark := a.mark()
	s := append(a.take(limit + 8)[:0], low)
	for x := low; x < high; {
		h := step(x)
		h = math.Min(h, step(x+h))
		if !(x+h > x) {
			h = math.Nextafter(x, math.Inf(1)) - x
		}
		x += h
		s = append(s, x)
		if len(s) > limit {
			a.back(mark)
			return nil
		}
	}
	for len(s) < 8 {
		s = append(s, s[len(s)-1]+largest)
	}
	return s
}

// stepAt is the step that foci ask for at x, at most largest.
func stepAt(x float64, foci []focus, widen, largest float64) float64 {
	h := largest
	for i := range foci {
		f := &foci[i]
		want := f.spread * meshStep
		if out := math.Abs(x-f.centre) - f.half; out > 0 {
			want += meshGrowth * out
		}
		if want *= widen; want < h {
			h = want
		}
	}
	return h
}

// from is the first node of the stencil of cell i: i−1, held inside the mesh.
func (m *mesh) from(i int) int { return max(0, min(i-1, len(m.s)-4)) }

// edgeFrom is the first node of the stencil of cell i that ends at i+1.
func (m *mesh) edgeFrom(i int) int { return max(0, i-2) }

// weights gives, per cell, the integrals over the cell of the basis cubics
// times exp(−(x−s_i)/mean)/mean, or of the cubics alone when mean is zero; edges
// only of the last cell unless all are asked for.
func (m *mesh) weights(a *arena, mean float64, edges bool) (centred, edge [][4]float64) {
	cells := len(m.s) - 1
	centred, edge = a.takeQuads(cells), a.takeQuads(cells)
	gauss := legendre6()
	for i := range cells {
		width := m.s[i+1] - m.s[i]
		if mean > 0 && width > mean {
			m.steepWeights(&centred[i], &edge[i], i, mean)
			continue
		}
		at := (*[2 * gaussNodes][4]float64)(m.basis[i*2*gaussNodes:])
		var weight [gaussNodes]float64
		for k := range weight {
			weight[k] = gauss.w[k] * width
			if mean > 0 {
				weight[k] *= math.Exp(-gauss.x[k]*width/mean) / mean
			}
		}
		var c [4]float64
		for k, w := range weight {
			p := &at[k]
			c[0], c[1], c[2], c[3] = c[0]+w*p[0], c[1]+w*p[1], c[2]+w*p[2], c[3]+w*p[3]
		}
		centred[i] = c
		if !edges && i < cells-1 {
			continue
		}
		c = [4]float64{}
		for k, w := range weight {
			p := &at[gaussNodes+k]
			c[0], c[1], c[2], c[3] = c[0]+w*p[0], c[1]+w*p[1], c[2]+w*p[2], c[3]+w*p[3]
		}
		edge[i] = c
	}
	return centred, edge
}

// steepWeights is weights for a cell wider than the mean, by the moments of the
// exponential law cut off at the cell's end.
func (m *mesh) steepWeights(centred, edge *[4]float64, i int, mean float64) {
	width := m.s[i+1] - m.s[i]
	left := math.Exp(-width / mean)
	var moments [4]float64
	moments[0] = 1 - left
	power := left
	for k := 1; k < 4; k++ {
		power *= width
		moments[k] = float64(k)*mean*moments[k-1] - power
	}
	a, b := m.from(i), m.edgeFrom(i)
	*centred = newBasis(m.s[a:a+4]).mean(m.s[i], moments)
	*edge = newBasis(m.s[b:b+4]).mean(m.s[i], moments)
}

// mean is the basis at origin + x, averaged over an x of which the first
// moments are given.
func (b basis) mean(origin float64, moments [4]float64) (out [4]float64) {
	for j := range out {
		p, n := [3]float64{}, 0
		for k, x := range b.x {
			if k != j {
				p[n] = origin - x
				n++
			}
		}
		out[j] = b.scale[j] * (moments[3] + (p[0]+p[1]+p[2])*moments[2] + (p[0]*p[1]+p[0]*p[2]+p[1]*p[2])*moments[1] + p[0]*p[1]*p[2]*moments[0])
	}
	return out
}

// decay is the exponential smoothing f ↦ E f(s + t), t ~ Exp(mean), on a mesh:
// one backward recursion, because the exponential law has no memory.
type decay struct {
	mesh          *mesh
	mean          float64
	keep          []float64 // exp(−width/mean) of each cell
	centred, edge [][4]float64
}

// edges says whether it will be applied to functions that end before the mesh
// does.
func newDecay(a *arena, m *mesh, mean float64, edges bool) *decay {
	d := &decay{mesh: m, mean: mean}
	if mean <= 0 {
		return d
	}
	d.centred, d.edge = m.weights(a, mean, edges)
	d.keep = a.take(len(m.s) - 1)
	for i := range d.keep {
		d.keep[i] = math.Exp(-(m.s[i+1] - m.s[i]) / mean)
	}
	return d
}

// apply writes into out[from..end] the smoothing of f[0..end] where f counts as
// beyond beyond node end. f is read from one node before from, and not past end.
func (d *decay) apply(out, f []float64, from, end int, beyond float64) {
	if d.mean <= 0 {
		copy(out[from:end+1], f[from:end+1])
		return
	}
	out[end] = beyond
	if end < 3 { // too few nodes for a cubic: the far left edge, where nothing lies
		for i := end - 1; i >= from; i-- {
			out[i] = d.keep[i]*out[i+1] + (1-d.keep[i])*0.5*(f[i]+f[i+1])
		}
		return
	}
	if from == end {
		return
	}
	i := end - 1
	w := &d.edge[i]
	g := f[i-2 : i+2 : i+2]
	acc := d.keep[i]*beyond + w[0]*g[0] + w[1]*g[1] + w[2]*g[2] + w[3]*g[3]
	out[i] = acc
	i--
	keep, centred := d.keep[:i+1], d.centred[:i+1]
	out, f = out[:i+1], f[:i+3]
	f1, f2, f3 := f[i], f[i+1], f[i+2]
	for ; i >= max(1, from); i-- {
		w = &centred[i]
		f0 := f[i-1]
		acc = keep[i]*acc + ((w[0]*f0 + w[1]*f1) + (w[2]*f2 + w[3]*f3))
		out[i] = acc
		f1, f2, f3 = f0, f1, f2
	}
	if from > 0 {
		return
	}
	w = &d.centred[0]
	out[0] = d.keep[0]*acc + w[0]*f[0] + w[1]*f[1] + w[2]*f[2] + w[3]*f[3]
}

// integral is ∫ f from the first node to node end.
func (m *mesh) integral(f []float64, end int) float64 {
	var sum float64
	if end < 3 {
		for i := range end {
			sum += (m.s[i+1] - m.s[i]) * 0.5 * (f[i] + f[i+1])
		}
		return sum
	}
	for i := range end {
		w, at := &m.plain[i], m.from(i)
		if i == end-1 {
			w, at = &m.edge[i], m.edgeFrom(i)
		}
		g := f[at : at+4 : at+4]
		sum += w[0]*g[0] + w[1]*g[1] + w[2]*g[2] + w[3]*g[3]
	}
	return sum
}

// cumulative is ∫ f from the first node to every node.
func (m *mesh) cumulative(a *arena, f []float64) []float64 {
	out := a.take(len(m.s))
	for i := range len(m.s) - 1 {
		w, at := &m.plain[i], m.from(i)
		g := f[at : at+4 : at+4]
		out[i+1] = out[i] + w[0]*g[0] + w[1]*g[1] + w[2]*g[2] + w[3]*g[3]
	}
	return out
}

// cellOf is the index of the cell that holds x, held inside the mesh.
func (m *mesh) cellOf(x float64) int {
	i := sort.SearchFloat64s(m.s, x)
	return max(0, min(i-1, len(m.s)-2))
}
