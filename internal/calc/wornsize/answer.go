package wornsize

import "math"

const (
	finestCell = 0.004 // share of a law between two nodes of the answer
	mostPieces = 12    // nodes of the answer per cell of the mesh
)

// laws turns what was found at each node into laws. share[k] is the posterior
// weight of finds[k]; which maps the nodes kept to finds.
func (e *engine) laws(finds []found, share []float64, which []int) FeaturePosterior {
	passing := e.densityLaws(finds, share, func(f found) []float64 { return f.whole })
	base := e.densityLaws(finds, share, func(f found) []float64 { return f.base })
	clean := e.cleanLaws(finds, share)
	out := FeaturePosterior{
		Passing:  MixLaws(share, passing),
		Original: MixLaws(share, base),
		CleanUp:  MixLaws(share, clean),
	}
	if e.c.mirror {
		out.Passing, out.Original, out.CleanUp = out.Passing.mirrored(), out.Original.mirrored(), out.CleanUp.mirrored()
		mirrorAll(passing)
		mirrorAll(clean)
	}
	for _, k := range which {
		out.PassingAt = append(out.PassingAt, passing[k])
		out.CleanUpAt = append(out.CleanUpAt, clean[k])
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
func (e *engine) densityLaws(finds []found, share []float64, of func(found) []float64) []Law {
	s := e.mesh.s
	n := len(s)
	sums := make([][]float64, len(finds))
	mean := make([]float64, n)
	for k, f := range finds {
		c := e.mesh.cumulative(of(f))
		if last := c[n-1]; last > 0 {
			for i := range c {
				c[i] /= last
			}
		}
		Law{P: c}.tidy()
		sums[k] = c
		for i, p := range c {
			mean[i] += share[k] * p
		}
	}
	x, cell, part := answerNodes(s, mean)
	laws := make([]Law, len(finds))
	for k, f := range finds {
		density := of(f)
		p := make([]float64, len(x))
		for i := range x {
			j := cell[i]
			h := s[j+1] - s[j]
			p[i] = hermiteCubic(part[i], sums[k][j], sums[k][j+1], density[j]*h, density[j+1]*h)
		}
		laws[k] = Law{X: x, P: p}
		laws[k].tidy()
		p[0], p[len(p)-1] = 0, 1
	}
	return laws
}

// answerNodes chooses the sizes of a law from its mean cumulative on a mesh:
// all nodes that matter, with cells that hold much cut into pieces. x[i] lies
// in cell[i] at fraction part[i].
func answerNodes(s, mean []float64) (x []float64, cell []int, part []float64) {
	n := len(s)
	first, last := 0, n-1
	for first < n-2 && mean[first+1] < 1e-9 {
		first++
	}
	for last > first+1 && mean[last-1] > 1-1e-9 {
		last--
	}
	for j := first; j < last; j++ {
		pieces := int(math.Ceil((mean[j+1] - mean[j]) / finestCell))
		pieces = max(1, min(pieces, mostPieces))
		for q := range pieces {
			t := float64(q) / float64(pieces)
			x, cell, part = append(x, s[j]+t*(s[j+1]-s[j])), append(cell, j), append(part, t)
		}
	}
	return append(x, s[last]), append(cell, last-1), append(part, 1)
}

// cleanLaws adds the surface and the offset of the cut to the clean-up size.
func (e *engine) cleanLaws(finds []found, share []float64) []Law {
	s := make([]float64, len(e.columns))
	for k, c := range e.columns {
		s[k] = c.x
	}
	if alpha := e.c.surface; alpha > 0 { // room for what lies beyond the mesh
		for step := alpha / 2; s[len(s)-1] < e.columns[len(e.columns)-1].x+16*alpha; {
			s = append(s, s[len(s)-1]+step)
		}
	}
	n := len(s)
	sums := make([][]float64, len(finds))
	mean := make([]float64, n)
	rows := &mesh{s: mirroredSizes(s)}
	for k, f := range finds {
		c := make([]float64, n)
		copy(c, f.clean)
		Law{P: c}.tidy()
		for i := len(f.clean) - 1; i < n; i++ {
			c[i] = 1
		}
		c[0] = 0
		sums[k] = c
	}
	if e.c.surface > 0 {
		smooth := newDecay(rows, e.c.surface)
		in, out := make([]float64, n), make([]float64, n)
		for _, c := range sums {
			for i, p := range c {
				in[n-1-i] = p
			}
			smooth.apply(out, in, n-1, 0)
			for i := range c {
				c[n-1-i] = out[i]
			}
			Law{P: c}.tidy()
		}
	}
	for k, c := range sums {
		for i, p := range c {
			mean[i] += share[k] * p
		}
	}
	x, cell, part := answerNodes(s, mean)
	moved := make([]float64, len(x))
	for i := range x {
		moved[i] = x[i] + e.c.offset
	}
	laws := make([]Law, len(finds))
	for k, c := range sums {
		slopes := monotoneSlopes(s, c)
		p := make([]float64, len(x))
		for i := range x {
			j := cell[i]
			h := s[j+1] - s[j]
			p[i] = hermiteCubic(part[i], c[j], c[j+1], slopes[j]*h, slopes[j+1]*h)
		}
		laws[k] = Law{X: moved, P: p}
		laws[k].tidy()
		p[0], p[len(p)-1] = 0, 1
	}
	return laws
}

func mirroredSizes(s []float64) []float64 {
	out := make([]float64, len(s))
	for i, x := range s {
		out[len(s)-1-i] = -x
	}
	return out
}

// monotoneSlopes are the slopes of a rising cubic interpolant (F. N. Fritsch
// and J. Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300–304).
func monotoneSlopes(x, y []float64) []float64 {
	n := len(x)
	slopes := make([]float64, n)
	for i := 1; i < n-1; i++ {
		h0, h1 := x[i]-x[i-1], x[i+1]-x[i]
		d0, d1 := (y[i]-y[i-1])/h0, (y[i+1]-y[i])/h1
		if d0 > 0 && d1 > 0 {
			a := (h0 + 2*h1) / (3 * (h0 + h1))
			slopes[i] = d0 * d1 / (a*d1 + (1-a)*d0)
		}
	}
	return slopes
}
