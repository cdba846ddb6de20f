package wornsize

import "math"

const (
	finestCell = 0.004 // share of a law between two nodes of the answer
	mostPieces = 12    // nodes of the answer per cell of the mesh
	mostMoved  = 100   // the same where laws lie beside the mesh, moved by a shared error
)

// laws turns what was found at each node into laws. share[k] is the posterior
// weight of finds[k]; which maps the nodes kept to finds.
func (e *engine) laws(finds []found, share []float64, which []int) FeaturePosterior {
	mark := e.arena.mark()
	defer e.arena.back(mark)
	passing, allPassing := e.densityLaws(finds, share, func(f found) []float64 { return f.whole })
	_, base := e.densityLaws(finds, share, func(f found) []float64 { return f.base })
	clean, allClean := e.cleanLaws(finds, share)
	out := FeaturePosterior{Passing: allPassing, Original: base, CleanUp: allClean}
	if e.c.mirror {
		out.Passing, out.Original, out.CleanUp = out.Passing.mirrored(), out.Original.mirrored(), out.CleanUp.mirrored()
		mirrorAll(passing)
		mirrorAll(clean)
	}
	out.PassingAt, out.CleanUpAt = make([]Law, len(which)), make([]Law, len(which))
	for i, k := range which {
		out.PassingAt[i], out.CleanUpAt[i] = passing[k], clean[k]
	}
	return out
}

// mirrorAll mirrors laws that share their sizes, and lets them share the result's.
func mirrorAll(laws []Law) {
	for i, l := range laws {
		laws[i] = l.mirrored()
		if i > 0 {
			laws[i].X = laws[0].X
		}
	}
}

// densityLaws integrates a density given on the mesh at each node.
func (e *engine) densityLaws(finds []found, share []float64, of func(found) []float64) ([]Law, Law) {
	s := e.mesh.s
	n := len(s)
	curves := make([]curve, len(finds))
	for k, f := range finds {
		density := of(f)
		c := e.mesh.cumulative(e.arena, density)
		if last := c[n-1]; last > 0 {
			for i := range c {
				c[i] /= last
			}
		}
		Law{P: c}.tidy()
		curves[k] = curve{s, c, density, f.shift}
	}
	return e.lawsOf(curves, share, 0)
}

// curve is a cumulative function by its values and slopes at ascending sizes x,
// which are counted from shift.
type curve struct {
	x, p, slope []float64
	shift       float64
}

// at reads the curve at ascending sizes less its shift.
func (c curve) at(out, sizes []float64) {
	j, last := 0, len(c.x)-2
	for i, x := range sizes {
		x += c.shift
		for j < last && c.x[j+1] <= x {
			j++
		}
		h := c.x[j+1] - c.x[j]
		t := (x - c.x[j]) / h
		switch {
		case t <= 0:
			out[i] = c.p[j]
		default:
			out[i] = hermiteCubic(t, c.p[j], c.p[j+1], c.slope[j]*h, c.slope[j+1]*h)
		}
	}
}

// lawsOf states curves as laws on nodes that they share, and their mixture by
// shares. offset is added to all sizes.
func (e *engine) lawsOf(curves []curve, share []float64, offset float64) ([]Law, Law) {
	s := curves[0].x
	n := len(s)
	a := e.arena
	var shift, all float64
	for k, c := range curves {
		shift += share[k] * c.shift
		all += share[k]
	}
	shift /= all
	sizes, mean, one := a.take(n), a.take(n), a.take(n)
	for i, x := range s {
		sizes[i] = x - shift
	}
	moves := false
	for k, c := range curves {
		p := c.p
		if c.shift != shift {
			moves = true
			p = one
			c.at(p, sizes)
		}
		for i, v := range p {
			mean[i] += share[k] * v
		}
	}
	most, widest := mostPieces, math.Inf(1)
	if moves {
		most = mostMoved
		if e.c.round() { // as fine everywhere as the mesh is at the readings
			for i := range n - 1 {
				widest = math.Min(widest, s[i+1]-s[i])
			}
		}
	}
	x := answerNodes(sizes, mean, most, widest)
	laws := make([]Law, len(curves))
	values := make([]float64, (len(curves)+1)*len(x))
	mixed := Law{X: x, P: values[len(curves)*len(x):]}
	for k, c := range curves {
		p := values[k*len(x) : (k+1)*len(x) : (k+1)*len(x)]
		c.at(p, x)
		laws[k] = Law{X: x, P: p}
		laws[k].tidy()
		p[0], p[len(p)-1] = 0, 1
		for i, v := range p {
			mixed.P[i] += share[k] / all * v
		}
	}
	mixed.tidy()
	for i := range x {
		x[i] += offset
	}
	return laws, mixed
}

// answerNodes chooses the sizes of a law from its mean cumulative on a mesh:
// all nodes that matter, with cells that hold much, or are wider than widest,
// cut into at most most pieces.
func answerNodes(s, mean []float64, most int, widest float64) []float64 {
	n := len(s)
	first, last := 0, n-1
	for first < n-2 && mean[first+1] < 1e-9 {
		first++
	}
	for last > first+1 && mean[last-1] > 1-1e-9 {
		last--
	}
	pieces := func(j int) int {
		count := math.Max((mean[j+1]-mean[j])/finestCell, (s[j+1]-s[j])/widest)
		return max(1, int(math.Ceil(math.Min(count, float64(most)))))
	}
	count := 1
	for j := first; j < last; j++ {
		count += pieces(j)
	}
	x := make([]float64, 0, count)
	for j := first; j < last; j++ {
		m := pieces(j)
		for q := range m {
			x = append(x, s[j]+float64(q)/float64(m)*(s[j+1]-s[j]))
		}
	}
	return append(x, s[last])
}

// cleanLaws adds the surface and the offset of the cut to the clean-up size.
func (e *engine) cleanLaws(finds []found, share []float64) ([]Law, Law) {
	a := e.arena
	n := len(e.columns)
	alpha := e.c.surface
	const beyond, step = 32, 0.5 // more nodes where metal may lie beyond the mesh, in surfaces apart
	if alpha > 0 {
		n += beyond
	}
	s := a.take(n)
	for k := range s {
		if k < len(e.columns) {
			s[k] = e.columns[k].x
		} else {
			s[k] = s[k-1] + step*alpha
		}
	}
	var smooth *decay
	if alpha > 0 {
		rows := &mesh{s: a.take(n)}
		for i, x := range s {
			rows.s[n-1-i] = -x
		}
		rows.tabulateBasis(a)
		smooth = newDecay(a, rows, alpha, false)
	}
	curves := make([]curve, len(finds))
	in, out := a.take(n), a.take(n)
	for k, f := range finds {
		c := a.take(n)
		copy(c, f.clean)
		Law{P: c}.tidy()
		for i := len(f.clean) - 1; i < n; i++ {
			c[i] = 1
		}
		c[0] = 0
		if smooth != nil {
			for i, p := range c {
				in[n-1-i] = p
			}
			smooth.apply(out, in, 0, n-1, 0)
			for i := range c {
				c[n-1-i] = out[i]
			}
			Law{P: c}.tidy()
		}
		curves[k] = curve{s, c, monotoneSlopes(a, s, c), f.shift}
	}
	return e.lawsOf(curves, share, e.c.offset)
}

// monotoneSlopes are the slopes of a rising cubic interpolant (F. N. Fritsch
// and J. Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300–304).
func monotoneSlopes(a *arena, x, y []float64) []float64 {
	n := len(x)
	slopes := a.take(n)
	for i := 1; i < n-1; i++ {
		h0, h1 := x[i]-x[i-1], x[i+1]-x[i]
		d0, d1 := (y[i]-y[i-1])/h0, (y[i+1]-y[i])/h1
		if d0 > 0 && d1 > 0 {
			part := (h0 + 2*h1) / (3 * (h0 + h1))
			slopes[i] = d0 * d1 / (part*d1 + (1-part)*d0)
		}
	}
	return slopes
}
