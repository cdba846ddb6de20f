package wornsize

import "math"

// slab is one section's likelihood times the law of its ovality: total over
// all L for each S, and, column after column, over what a cut to x has cleaned.
type slab struct{ total, cut []float64 }

func (s slab) column(c column) []float64 { return s.cut[c.at : c.at+c.end+1 : c.at+c.end+1] }

// section integrates the ovality out of a table of log likelihoods.
func (e *engine) section(z int, logs triangle, offset float64, wantCut bool) slab {
	m := e.mesh
	n := len(m.s)
	a := e.arena
	out := slab{total: a.take(n)}
	if wantCut {
		out.cut = a.take(e.cutSize)
	}
	if e.flat[z] {
		for i := range n {
			out.total[i] = math.Exp(logs.v[i] - offset)
		}
		if wantCut {
			for _, c := range e.columns {
				copy(out.column(c), out.total)
			}
		}
		return out
	}
	mark := a.mark()
	defer a.back(mark)
	mean := e.c.oval[z]
	row, sum, fade := a.take(n+1), a.take(n), a.take(n)
	centred, keep := e.oval[z].centred, e.oval[z].keep
	first := 0 // first column that reaches row i
	exps := expTable()
	for i := range n - 4 {
		any := false
		for jj, l := range logs.row(i) {
			d := l - offset
			if d < -700 {
				row[jj] = 0
				continue
			}
			any = true
			if d > -expReach && d <= 0 {
				row[jj] = expAt(exps, d)
			} else {
				row[jj] = math.Exp(d)
			}
		}
		for first < len(e.columns) && e.columns[first].end < i {
			first++
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
			for k := first; k < len(e.columns); k++ {
				c := &e.columns[k]
				out.cut[c.at+i] = sum[c.end]
			}
			continue
		}
		e.cutRow(out, i, first, row, sum, fade, mean)
	}
	return out
}

// cutRow fills the columns of row i, from first on, when the cut must reach
// S + reach·w.
func (e *engine) cutRow(out slab, i, first int, row, sum, fade []float64, mean float64) {
	s := e.mesh.s
	n := len(s)
	j := i
	for _, c := range e.columns[first:] {
		l := s[i] + (c.x-s[i])/e.c.reach
		for j < n-2 && s[j+1] < l {
			j++
		}
		h := s[j+1] - s[j]
		slope := func(at int) float64 {
			return row[at-i+1] * fade[at] / mean
		}
		v := hermiteCubic((l-s[j])/h, sum[j], sum[j+1], slope(j)*h, slope(j+1)*h)
		out.cut[c.at+i] = math.Max(0, math.Min(v, out.total[i]))
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
			most[i] = math.Max(most[i], e.table(u, z, shifts).highest())
		}
		logScale += most[i]
	}
	for z := range 3 {
		slabs[z] = make([]slab, 1<<loose)
		own := e.ownTable(z, shifts)
		offset := own.highest()
		logScale += offset
		for set := range slabs[z] {
			if z == 2 && set == 0 && e.sameAsFirst() {
				slabs[2][0] = slabs[0][0]
				continue
			}
			logs, level := own, offset
			if set > 0 {
				logs = newTriangle(e.arena, n, e.flat[z])
				logs.add(own)
				for i, u := range e.unplaced {
					if set>>i&1 == 1 {
						logs.add(e.table(u, z, shifts))
						level += most[i]
					}
				}
			}
			slabs[z][set] = e.section(z, logs, level, wantCut)
		}
	}
	return slabs, logScale
}

// ownTable is the log likelihood of the readings that are known to be of
// section z.
func (e *engine) ownTable(z int, shifts []float64) triangle {
	var own triangle
	units := 0
	for _, u := range e.placed {
		if u.section != z {
			continue
		}
		t := e.table(u, z, shifts)
		switch units++; units {
		case 1:
			own = t
		case 2:
			sum := newTriangle(e.arena, t.n, t.flat)
			sum.add(own)
			own = sum
			fallthrough
		default:
			own.add(t)
		}
	}
	if units == 0 {
		own = newTriangle(e.arena, len(e.mesh.s), e.flat[z])
	}
	return own
}

// findOpen bounds, per section, the (S, L) worth computing: where no reading
// lies so far outside [S, L], and the ovality is not so improbable, that the
// likelihood is next to nothing of the best. A reading that may be a slip is
// never further out than that; other sections' gauges and readings whose
// station is not known may pull a section from its own best, each by no more
// than a slip of theirs costs.
func (e *engine) findOpen(spreads []float64) {
	const own, each, others = 36, 1.5, 22
	s := e.mesh.s
	n := len(s)
	pulled := float64(len(e.gauges))
	for _, u := range e.unplaced {
		pulled += float64(len(u.readings))
	}
	low, high := e.arena.take(n), e.arena.take(n) // bounds by S, by L
	bounds := make([]int, 6*n)
	for z := range 3 {
		if e.flat[z] {
			continue
		}
		clear(low)
		clear(high)
		count := 0.0
		for _, u := range e.placed {
			if u.section != z {
				continue
			}
			for _, o := range u.readings {
				count++
				slack := 0.0
				if o.common >= 0 {
					slack = 7 * spreads[o.common]
				}
				floor := o.slip + o.logPeak()
				for i, x := range s {
					if d := x - (o.value - o.low + slack); d > 0 && o.lip == 0 {
						low[i] += math.Max(floor, -0.5*d*d/(o.u*o.u))
					}
					if d := o.value - o.high - slack - x; d > 0 {
						high[i] += math.Max(floor, -0.5*d*d/(o.u*o.u))
					}
				}
			}
		}
		rate := 1 / e.c.oval[z]
		best := math.Inf(-1)
		for i := range s {
			for j := i; j < n; j++ {
				if v := low[i] + high[j] - (s[j]-s[i])*rate; v > best {
					best = v
				}
			}
		}
		least := best - own - each*count - others*pulled
		if pulled > 0 {
			least -= own
		}
		w := window{bounds[2*z*n : (2*z+1)*n], bounds[(2*z+1)*n : (2*z+2)*n]}
		for i := range s {
			from, to := max(0, i-1), n-1
			for from <= to && low[i]+high[from]-(s[from]-s[i])*rate < least {
				from++
			}
			for to >= from && low[i]+high[to]-(s[to]-s[i])*rate < least {
				to--
			}
			w.from[i], w.to[i] = from, to
		}
		e.open[z] = w
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
