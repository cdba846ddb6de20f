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
	full  bool         // meshLimit was met: finer is not to be had
}

func newMesh(low, high float64, foci []focus, limit int) *mesh {
	for widen := 1.0; ; widen *= 1.5 {
		s := spread(low, high, foci, widen, limit)
		if s != nil {
			m := &mesh{s: s, full: widen > 1}
			m.plain, m.edge = m.weights(0)
			return m
		}
	}
}

// spread walks from low to high with the step the nearest focus asks for; nil
// when that takes more than limit nodes.
func spread(low, high float64, foci []focus, widen float64, limit int) []float64 {
	largest := (high - low) / 36
	smallest := (high - low) * 1e-9
	step := func(x float64) float64 {
		h := largest
		for _, f := range foci {
			want := widen * (f.spread*meshStep + meshGrowth*math.Max(0, math.Abs(x-f.centre)-f.half))
			h = math.Min(h, want)
		}
		return math.Max(h, smallest)
	}
	s := make([]float64, 1, 256)
	s[0] = low
	for x := low; x < high; {
		h := step(x)
		h = math.Min(h, step(x+h))
		if !(x+h > x) {
			h = math.Nextafter(x, math.Inf(1)) - x
		}
		x += h
		s = append(s, x)
		if len(s) > limit {
			return nil
		}
	}
	for len(s) < 8 {
		s = append(s, s[len(s)-1]+largest)
	}
	return s
}

// from is the first node of the stencil of cell i: i−1, held inside the mesh.
func (m *mesh) from(i int) int { return max(0, min(i-1, len(m.s)-4)) }

// edgeFrom is the first node of the stencil of cell i that ends at i+1.
func (m *mesh) edgeFrom(i int) int { return max(0, i-2) }

// weights gives, per cell, the integrals over the cell of the basis cubics
// times exp(−(x−s_i)/mean)/mean, or of the cubics alone when mean is zero.
func (m *mesh) weights(mean float64) (centred, edge [][4]float64) {
	cells := len(m.s) - 1
	centred, edge = make([][4]float64, cells), make([][4]float64, cells)
	gauss := legendre6()
	for i := range cells {
		width := m.s[i+1] - m.s[i]
		pieces, reach := 1, width
		if mean > 0 && width > mean {
			reach = math.Min(width, 36*mean)
			pieces = int(math.Ceil(reach / (3 * mean)))
		}
		a, b := m.from(i), m.edgeFrom(i)
		for p := range pieces {
			left, part := reach*float64(p)/float64(pieces), reach/float64(pieces)
			for k, node := range gauss.x {
				x := left + node*part
				w := gauss.w[k] * part
				if mean > 0 {
					w *= math.Exp(-x/mean) / mean
				}
				addBasis(&centred[i], m.s[a:a+4], m.s[i]+x, w)
				addBasis(&edge[i], m.s[b:b+4], m.s[i]+x, w)
			}
		}
	}
	return centred, edge
}

// addBasis adds w times the four Lagrange polynomials on nodes at x.
func addBasis(out *[4]float64, nodes []float64, x, w float64) {
	for j := range 4 {
		v := w
		for k := range 4 {
			if k != j {
				v *= (x - nodes[k]) / (nodes[j] - nodes[k])
			}
		}
		out[j] += v
	}
}

// decay is the exponential smoothing f ↦ E f(s + t), t ~ Exp(mean), on a mesh:
// one backward recursion, because the exponential law has no memory.
type decay struct {
	mesh          *mesh
	mean          float64
	keep          []float64 // exp(−width/mean) of each cell
	centred, edge [][4]float64
}

func newDecay(m *mesh, mean float64) *decay {
	d := &decay{mesh: m, mean: mean}
	if mean <= 0 {
		return d
	}
	d.centred, d.edge = m.weights(mean)
	d.keep = make([]float64, len(m.s)-1)
	for i := range d.keep {
		d.keep[i] = math.Exp(-(m.s[i+1] - m.s[i]) / mean)
	}
	return d
}

// apply writes into out[0..end] the smoothing of f[0..end] where f counts as
// beyond beyond node end. f is not read past end.
func (d *decay) apply(out, f []float64, end int, beyond float64) {
	if d.mean <= 0 {
		copy(out[:end+1], f[:end+1])
		return
	}
	out[end] = beyond
	if end < 3 { // too few nodes for a cubic: the far left edge, where nothing lies
		for i := end - 1; i >= 0; i-- {
			out[i] = d.keep[i]*out[i+1] + (1-d.keep[i])*0.5*(f[i]+f[i+1])
		}
		return
	}
	acc := beyond
	i := end - 1
	w := &d.edge[i]
	g := f[i-2 : i+2 : i+2]
	acc = d.keep[i]*acc + w[0]*g[0] + w[1]*g[1] + w[2]*g[2] + w[3]*g[3]
	out[i] = acc
	for i--; i >= 1; i-- {
		w = &d.centred[i]
		g = f[i-1 : i+3 : i+3]
		acc = d.keep[i]*acc + w[0]*g[0] + w[1]*g[1] + w[2]*g[2] + w[3]*g[3]
		out[i] = acc
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
func (m *mesh) cumulative(f []float64) []float64 {
	out := make([]float64, len(m.s))
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
