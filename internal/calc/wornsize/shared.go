package wornsize

import (
	"math"
	"slices"
	"sort"

	"gonum.org/v1/gonum/mat"
)

const (
	mostProductNodes = 400
	mostRoundNodes   = 4000 // where no feature has form error, a node costs next to nothing
	latticeNodes     = 251  // prime, for the rank-1 lattice
	widestSpread     = 5.0  // standard deviations of the surrogate that a truncated rectangle keeps
)

// grid is the nodes of the shared errors, with the log of prior × quadrature
// weight of each.
type grid struct {
	shifts  [][]float64
	logs    []float64
	centre  []float64
	spreads []float64
}

// surrogate is a normal approximation of the posterior of the shared errors:
// the generalised least squares answer with form errors taken as normal
// effects of each section. Without form error and gauges it is exact.
func surrogate(cylinders []cylinder, shared []Common) (mean []float64, cov *mat.SymDense) {
	k := len(shared)
	info := mat.NewSymDense(k, nil)
	right := mat.NewVecDense(k, nil)
	for c, s := range shared {
		info.SetSym(c, c, 1/variance(s))
	}
	for _, c := range cylinders {
		addSurrogate(c, shared, info, right)
	}
	var chol mat.Cholesky
	cov = mat.NewSymDense(k, nil)
	solved := mat.NewVecDense(k, nil)
	if !chol.Factorize(info) || chol.InverseTo(cov) != nil || chol.SolveVecTo(solved, right) != nil {
		cov = mat.NewSymDense(k, nil) // hopelessly uneven readings: start from the prior
		for c, s := range shared {
			cov.SetSym(c, c, variance(s))
		}
		return make([]float64, k), cov
	}
	return append([]float64(nil), solved.RawVector().Data...), cov
}

func variance(c Common) float64 {
	if c.U > 0 {
		return c.U * c.U
	}
	return c.HalfWidth * c.HalfWidth / 3
}

// outlying is how many standard deviations from its fellows a reading may lie
// before the surrogate takes it for a slip.
const outlying = 8

func commonVariance(shared []Common, c int) float64 {
	if c < 0 {
		return 0
	}
	return variance(shared[c])
}

// typicalReading is the median of the measured readings.
func (c cylinder) typicalReading() float64 {
	var all []float64
	for _, o := range c.observations {
		if o.kind == Measured {
			all = append(all, o.centre())
		}
	}
	if len(all) == 0 {
		return 0
	}
	slices.Sort(all)
	n := len(all)
	return (all[(n-1)/2] + all[n/2]) / 2
}

// addSurrogate adds one feature's measured readings, its base size and the
// effects of its sections eliminated.
func addSurrogate(c cylinder, shared []Common, info *mat.SymDense, right *mat.VecDense) {
	k := len(shared)
	local := mat.NewSymDense(4, nil)
	cross := mat.NewDense(4, k, nil)
	rhs := mat.NewVecDense(4, nil)
	width := c.prior.High - c.prior.Low
	// The flat middle says nothing; its width only keeps the system regular.
	local.SetSym(0, 0, 1e-12/(width*width+c.prior.Shoulder*c.prior.Shoulder))
	if width <= 2e-3*c.prior.Shoulder {
		local.SetSym(0, 0, 1/(c.prior.Shoulder*c.prior.Shoulder))
	}
	origin := (c.prior.Low + c.prior.High) / 2
	for z := range 3 {
		v := c.bell[z]*c.bell[z] + c.oval[z]*c.oval[z]/2
		if v > 0 {
			local.SetSym(1+z, 1+z, 1/v)
		} else {
			local.SetSym(1+z, 1+z, 1)
		}
	}
	any := false
	middle := c.typicalReading()
	for _, o := range c.observations {
		if o.kind != Measured {
			continue
		}
		v := o.u*o.u + (o.high-o.low)*(o.high-o.low)/12 + o.lip*o.lip
		z := int(o.station) - 1
		typical := max(z, 0)
		expected := c.bell[typical] + c.oval[typical]/2 - o.lip
		form := c.oval[typical] * c.oval[typical] / 4
		x := [4]float64{1, 0, 0, 0}
		if z >= 0 && c.bell[z]+c.oval[z] > 0 {
			x[1+z] = 1
		} else if z < 0 {
			form += c.bell[0]*c.bell[0] + c.oval[0]*c.oval[0]/2
		}
		v += form
		if far := c.bell[typical]*c.bell[typical] + c.oval[typical]*c.oval[typical] + commonVariance(shared, o.common); math.Abs(o.centre()-middle) > outlying*math.Sqrt(v+far) {
			continue // a slip would drag all nodes to where nothing is
		}
		any = true
		y := o.centre() - origin - expected
		for i := range 4 {
			for j := i; j < 4; j++ {
				local.SetSym(i, j, local.At(i, j)+x[i]*x[j]/v)
			}
			rhs.SetVec(i, rhs.AtVec(i)+x[i]*y/v)
			if o.common >= 0 {
				cross.Set(i, o.common, cross.At(i, o.common)+x[i]*o.sign/v)
			}
		}
		if o.common >= 0 {
			info.SetSym(o.common, o.common, info.At(o.common, o.common)+1/v)
			right.SetVec(o.common, right.AtVec(o.common)+o.sign*y/v)
		}
	}
	if !any {
		return
	}
	var chol mat.Cholesky
	if !chol.Factorize(local) {
		return
	}
	var solved mat.Dense
	solvedRight := mat.NewVecDense(4, nil)
	if chol.SolveTo(&solved, cross) != nil || chol.SolveVecTo(solvedRight, rhs) != nil {
		return
	}
	for a := range k {
		for b := a; b < k; b++ {
			var sum float64
			for i := range 4 {
				sum += cross.At(i, a) * solved.At(i, b)
			}
			info.SetSym(a, b, info.At(a, b)-sum)
		}
		var sum float64
		for i := range 4 {
			sum += cross.At(i, a) * solvedRight.AtVec(i)
		}
		right.SetVec(a, right.AtVec(a)-sum)
	}
}

// newGrid chooses the nodes of the shared errors: a product of rules on
// the surrogate (see rulesFor) while that takes at most mostProductNodes, a rank-1 lattice through the inverse
// distribution functions beyond.
func newGrid(cylinders []cylinder, shared []Common) grid {
	k := len(shared)
	if k == 0 {
		return grid{shifts: [][]float64{nil}, logs: []float64{0}}
	}
	mean, cov := surrogate(cylinders, shared)
	axes := newAxes(shared, mean, cov)
	g := grid{centre: mean, spreads: make([]float64, k)}
	for c := range k {
		g.spreads[c] = math.Sqrt(cov.At(c, c))
		if a := axes[c]; a.rect {
			g.centre[c] = math.Max(a.low, math.Min(a.high, g.centre[c]))
			g.spreads[c] = (a.high - a.low) / 10
		}
	}
	limit := mostProductNodes
	if !slices.ContainsFunc(cylinders, func(c cylinder) bool { return !c.round() }) {
		limit = mostRoundNodes
	}
	rules, nodes := rulesFor(axes, g.spreads, widths(cylinders, shared))
	if nodes > limit {
		g.lattice(shared, axes)
		return g
	}
	g.product(shared, axes, rules)
	return g
}

// widths is, for each shared error, how sharply the feature that sees it best
// would be known if the error were: nodes further apart than that would leave
// their marks in the laws.
func widths(cylinders []cylinder, shared []Common) []float64 {
	out := make([]float64, len(shared))
	for c := range out {
		out[c] = math.Inf(1)
	}
	for _, f := range cylinders {
		var info float64
		for _, o := range f.observations {
			if o.kind == Measured {
				info += 1 / (o.u*o.u + (o.high-o.low)*(o.high-o.low)/12)
			}
		}
		form := 0.3 * (max(f.bell[0], f.bell[1]) + max(f.oval[0], f.oval[1]))
		for _, o := range f.observations {
			if o.common < 0 {
				continue
			}
			width := math.Hypot(o.u, form)
			if o.kind == Measured {
				width = math.Hypot(1/math.Sqrt(info), form)
			}
			out[o.common] = math.Min(out[o.common], width)
		}
	}
	return out
}

// rulesFor chooses a rule for each axis, fine enough for the sharpest feature:
// Gauss–Hermite with seven nodes where features are wider than the shared
// error, equal steps (which converge as fast for a normal law and leave no
// gaps) where they are not; Gauss–Legendre for rectangular errors.
func rulesFor(axes []axis, spreads, widths []float64) (rules []rule, nodes int) {
	const most = 301
	nodes = 1
	for c, a := range axes {
		ratio := spreads[c] / widths[c]
		var r rule
		switch {
		case a.rect:
			r = legendre(fewest((a.high-a.low)/(2*widths[c]), int(math.Min(most, 7+1.5*(a.high-a.low)/widths[c]))))
		case ratio <= 1:
			r = hermite(fewest(ratio, 7))
		default:
			r = equalSteps(int(math.Min(most, 2*math.Ceil(5*ratio/1.1)+1)))
		}
		rules = append(rules, r)
		nodes *= len(r.x)
		if nodes > 1e6 {
			return nil, nodes
		}
	}
	return rules, nodes
}

// fewest is how many Gauss nodes an error needs that is ratio times as wide as
// what it blurs: n nodes are exact to degree 2n−1, so that what is left out is of
// order ratio^2n. Wider ones take full.
func fewest(ratio float64, full int) int {
	switch {
	case ratio < 0.1:
		return 2
	case ratio < 0.25:
		return 3
	case ratio < 0.45:
		return 5
	}
	return full
}

// equalSteps is the trapezoidal rule for the standard normal density on ±5.
func equalSteps(n int) rule {
	r := rule{make([]float64, n), make([]float64, n)}
	step := 10 / float64(n-1)
	for i := range n {
		r.x[i] = -5 + step*float64(i)
		r.w[i] = step * math.Exp(-0.5*r.x[i]*r.x[i]-logSqrtTwoPi)
	}
	return r
}

// axis maps a standard coordinate to one shared error.
type axis struct {
	rect      bool
	low, high float64   // rectangular
	centre    float64   // normal
	row       []float64 // row of the lower triangular root, over the normal axes before and itself
	over      []int
}

func newAxes(shared []Common, mean []float64, cov *mat.SymDense) []axis {
	axes := make([]axis, len(shared))
	var normal []int
	for c, s := range shared {
		if s.U > 0 {
			normal = append(normal, c)
			continue
		}
		sd := math.Sqrt(cov.At(c, c))
		a := axis{rect: true, low: -s.HalfWidth, high: s.HalfWidth}
		if low := mean[c] - widestSpread*sd; low > a.low && low < a.high {
			a.low = low
		}
		if high := mean[c] + widestSpread*sd; high < a.high && high > a.low {
			a.high = high
		}
		axes[c] = a
	}
	// Cholesky by hand over the normal ones, in order.
	rows := make([][]float64, len(normal))
	for i, c := range normal {
		rows[i] = make([]float64, i+1)
		for j := 0; j <= i; j++ {
			v := cov.At(c, normal[j])
			for l := range j {
				v -= rows[i][l] * rows[j][l]
			}
			if i == j {
				rows[i][i] = math.Sqrt(math.Max(v, 1e-12*cov.At(c, c)))
			} else {
				rows[i][j] = v / rows[j][j]
			}
		}
		axes[c] = axis{centre: mean[c], row: rows[i], over: normal[:i+1]}
	}
	return axes
}

// add places a node at standard coordinates z (normal) or in [0, 1] (rectangular).
func (g *grid) add(shared []Common, axes []axis, z []float64, logWeight float64) {
	shift := make([]float64, len(axes))
	for c, a := range axes {
		if a.rect {
			shift[c] = a.low + z[c]*(a.high-a.low)
			logWeight += math.Log((a.high - a.low) / (2 * shared[c].HalfWidth))
			continue
		}
		v := a.centre
		for i, over := range a.over {
			v += a.row[i] * z[over]
		}
		shift[c] = v
		root := a.row[len(a.row)-1]
		d := v / shared[c].U
		logWeight += -0.5*d*d - math.Log(shared[c].U) + math.Log(root) + 0.5*z[c]*z[c]
	}
	g.shifts = append(g.shifts, shift)
	g.logs = append(g.logs, logWeight)
}

func (g *grid) product(shared []Common, axes []axis, rules []rule) {
	index := make([]int, len(axes))
	z := make([]float64, len(axes))
	for {
		weight := 0.0
		for c, r := range rules {
			z[c] = r.x[index[c]]
			weight += math.Log(r.w[index[c]])
		}
		g.add(shared, axes, z, weight)
		c := len(index) - 1
		for ; c >= 0; c-- {
			index[c]++
			if index[c] < len(rules[c].x) {
				break
			}
			index[c] = 0
		}
		if c < 0 {
			return
		}
	}
}

// largest lists the nodes whose posterior weight is at least share of the
// heaviest one, in their own order, with weights that sum to one.
func largest(logs []float64, share float64) (kept []int, weights []float64, logSum float64) {
	most := math.Inf(-1)
	for _, l := range logs {
		if l > most {
			most = l
		}
	}
	var sum, all float64
	for i, l := range logs {
		w := math.Exp(l - most)
		if math.IsNaN(w) {
			continue
		}
		all += w
		if w >= share {
			kept = append(kept, i)
			weights = append(weights, w)
			sum += w
		}
	}
	for i := range weights {
		weights[i] /= sum
	}
	sort.Ints(kept)
	return kept, weights, most + math.Log(all)
}
