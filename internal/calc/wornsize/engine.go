package wornsize

import "math"

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
	ovalW   [3][2][][4]float64
	columns []column
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
func newEngine(c cylinder, foci []focus, low, high float64) *engine {
	e := &engine{c: c}
	e.placed, e.unplaced = unitsOf(c)
	for _, o := range c.observations {
		if o.kind != Measured {
			e.gauges = append(e.gauges, o)
		}
	}
	roundBore := c.bell == [3]float64{} && c.oval == [3]float64{}
	for _, u := range append(append([]*unit{}, e.placed...), e.unplaced...) {
		if roundBore { // one size only: say so, and logarithms never underflow
			u.section = int(Middle) - 1
		}
	}
	if roundBore {
		e.placed, e.unplaced = append(e.placed, e.unplaced...), nil
	}
	e.mesh = newMesh(low, high, foci)
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
				e.ovalW[z] = e.ovalW[0]
			} else {
				centred, edge := m.weights(c.oval[z])
				e.ovalW[z] = [2][][4]float64{centred, edge}
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
	row, sum := make([]float64, n+1), make([]float64, n)
	centred := e.ovalW[z][0]
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
		sum[i] = 0
		for j := i; j < n-1; j++ {
			w := &centred[j]
			at := m.from(j) - i + 1
			g := row[at : at+4 : at+4]
			part := w[0]*g[0] + w[1]*g[1] + w[2]*g[2] + w[3]*g[3]
			sum[j+1] = sum[j] + part*math.Exp(-(m.s[j]-m.s[i])/mean)
		}
		out.total[i] = sum[n-1] + row[n-i]*math.Exp(-(m.s[n-1]-m.s[i])/mean)
		if !wantCut {
			continue
		}
		if e.c.reach == 1 {
			for j := i; j < n; j++ {
				out.cut[j][i] = sum[j]
			}
			continue
		}
		e.cutRow(out, i, row, sum, mean)
	}
	return out
}

// cutRow fills the columns of row i when the cut must reach S + reach·w.
func (e *engine) cutRow(out slab, i int, row, sum []float64, mean float64) {
	s := e.mesh.s
	n := len(s)
	j := i
	for k := i; k < len(e.columns); k++ {
		l := s[i] + (e.columns[k].x-s[i])/e.c.reach
		for j < n-2 && s[j+1] < l {
			j++
		}
		h := s[j+1] - s[j]
		slope := func(at int) float64 {
			return row[at-i+1] * math.Exp(-(s[at]-s[i])/mean) / mean
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
	slabs, logScale := e.slabs(shifts, wantLaws)
	outcomes := make([]outcome, 0, len(e.gauges))
	for _, o := range e.gauges {
		shift := 0.0
		if o.common >= 0 {
			shift = o.sign * shifts[o.common]
		}
		outcomes = append(outcomes, o.gaugeOutcome(e.mesh.s, e.c.feel, shift))
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
	if len(terms) > 1 && !(total > 1e-11*combiner.size) {
		// The expansion cancels: the outcomes contradict one another.
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
			most[i] = math.Max(most[i], highest(u.log(e.mesh, e.c.lobing, e.flat[z], shifts)))
		}
		logScale += most[i]
	}
	for z := range 3 {
		own := newTriangle(n, e.flat[z])
		for _, u := range e.placed {
			if u.section == z {
				own.add(u.log(e.mesh, e.c.lobing, e.flat[z], shifts))
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
						logs.add(u.log(e.mesh, e.c.lobing, e.flat[z], shifts))
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
