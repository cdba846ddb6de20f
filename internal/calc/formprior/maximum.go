package formprior

import (
	"math"

	"pinwright/internal/calc/wornsize"
)

// point is where the objective is looked at: logs of the factors, centre of the
// bases and the log of their spread.
type point struct{ x, y, c, s float64 }

// learn finds the maximum and what surrounds it.
func (t *table) learn(out *Learned) {
	p := t.maximum()
	out.Centre, out.Spread = p.c, math.Exp(p.s)
	wide := out.Spread * math.Sqrt(1+1/float64(out.Features))
	out.Base = wornsize.Prior{Low: out.Centre, High: out.Centre, Shoulder: wide}
	out.BellMouth = t.factor(p, func(q *point) *float64 { return &q.x }, func(q *point) *float64 { return &q.y })
	out.Ovality = t.factor(p, func(q *point) *float64 { return &q.y }, func(q *point) *float64 { return &q.x })
}

// maximum climbs coordinate by coordinate from the default: bases given the
// factors, then the factors given the bases, until neither moves.
func (t *table) maximum() point {
	p := point{c: t.c0, s: math.Log(t.s0)}
	for range 60 {
		was := p
		p.c, p.s = t.bases(p)
		at := t.weigh(p.c, p.s)
		for range 4 {
			p.x = climb(t.logs[0], t.logs[gridSide-1], func(x float64) float64 { return at.total(x, p.y) - penalty(x) })
			p.y = climb(t.logs[0], t.logs[gridSide-1], func(y float64) float64 { return at.total(p.x, y) - penalty(y) })
		}
		if math.Abs(p.x-was.x)+math.Abs(p.y-was.y)+math.Abs(p.c-was.c)/t.s0+math.Abs(p.s-was.s) < 1e-7 {
			break
		}
	}
	return p
}

// bases finds centre and spread by expectation and maximisation (A. P.
// Dempster, N. M. Laird and D. B. Rubin, J. R. Statist. Soc. B 39 (1977) 1–38): given both, each
// base has a mean and a variance; given those, the penalised maximum is in closed form.
func (t *table) bases(p point) (centre, logSpread float64) {
	corners := t.around(p.x, p.y)
	c, s := p.c, math.Exp(p.s)
	n := float64(len(t.base))
	for range 400 {
		var sum, square float64
		for _, laws := range t.base {
			for _, at := range corners {
				_, mean, variance := laws[at.a][at.b].under(c, s)
				sum += at.share * mean
				square += at.share * (variance + mean*mean)
			}
		}
		nextC := (DefaultFeatures*t.c0 + sum) / (DefaultFeatures + n)
		nextS := math.Sqrt((DefaultFeatures*(t.s0*t.s0+(nextC-t.c0)*(nextC-t.c0)) + square - 2*nextC*sum + n*nextC*nextC) / (DefaultFeatures + n))
		moved := math.Abs(nextC-c) + math.Abs(nextS-s)
		c, s = nextC, nextS
		if moved < 1e-8*t.s0 {
			break
		}
	}
	return c, math.Log(s)
}

// bins is the law of a base under a flat prior, as masses in cells.
type bins struct{ from, to, mass []float64 }

func binsOf(l wornsize.Law) bins {
	var b bins
	for i := 1; i < len(l.X); i++ {
		if m := l.P[i] - l.P[i-1]; m > 0 {
			b.from, b.to, b.mass = append(b.from, l.X[i-1]), append(b.to, l.X[i]), append(b.mass, m)
		}
	}
	return b
}

// under is what becomes of the law when the base is N(c, s²) beforehand: the mean of that density
// over the law, and the moments then. Within a cell the normal law is integrated by Simpson's rule.
func (b bins) under(c, s float64) (density, mean, variance float64) {
	most := math.Inf(-1)
	log := func(x float64) float64 { z := (x - c) / s; return -z * z / 2 }
	for k := range b.mass {
		near := math.Min(math.Max(c, b.from[k]), b.to[k])
		most = math.Max(most, log(near))
	}
	var zero, first, second float64
	add := func(x, m float64) {
		w := m * math.Exp(log(x)-most)
		d := x - c
		zero += w
		first += w * d
		second += w * d * d
	}
	for k, m := range b.mass {
		middle := (b.from[k] + b.to[k]) / 2
		if b.to[k]-b.from[k] < s/10 {
			add(middle, m)
			continue
		}
		add(b.from[k], m/6)
		add(middle, 4*m/6)
		add(b.to[k], m/6)
	}
	mean = first / zero
	return math.Log(zero) + most - math.Log(s), c + mean, second/zero - mean*mean
}

// corner is one of the grid's pairs of factors around a point, with its share.
type corner struct {
	a, b  int
	share float64
}

// around are the four pairs around x and y: the law of a base changes slowly
// with them, so its moments are taken as linear in between.
func (t *table) around(x, y float64) []corner {
	place := func(v float64) (int, float64) {
		step := t.logs[1] - t.logs[0]
		i := min(max(int((v-t.logs[0])/step), 0), gridSide-2)
		return i, (v - t.logs[i]) / step
	}
	a, p := place(x)
	b, q := place(y)
	return []corner{{a, b, (1 - p) * (1 - q)}, {a + 1, b, p * (1 - q)}, {a, b + 1, (1 - p) * q}, {a + 1, b + 1, p * q}}
}

// surface is the log evidence of all features over the factors, for one law of
// the bases, as a spline.
type surface struct {
	logs []float64
	at   [][]float64
}

func (t *table) weigh(c, logSpread float64) surface {
	s := surface{logs: t.logs, at: grid[float64]()}
	spread := math.Exp(logSpread)
	for i := range t.rows {
		for a := range t.logs {
			for b := range t.logs {
				if t.rows[i][a][b] == faintest { // there is no law of the base then
					s.at[a][b] += faintest
					continue
				}
				density, _, _ := t.base[i][a][b].under(c, spread)
				s.at[a][b] += t.rows[i][a][b] + density + math.Log(t.width[i])
			}
		}
	}
	return s
}

func (s surface) total(x, y float64) float64 {
	column := make([]float64, len(s.logs))
	for a, row := range s.at {
		column[a] = spline(s.logs, row, y)
	}
	return spline(s.logs, column, x)
}

// factor is one factor with its interval, the other following along.
func (t *table) factor(p point, own, other func(*point) *float64) Factor {
	at := t.weigh(p.c, p.s)
	profile := func(v float64) float64 {
		q := p
		*own(&q) = v
		*other(&q) = climb(t.logs[0], t.logs[gridSide-1], func(w float64) float64 {
			r := q
			*other(&r) = w
			return at.total(r.x, r.y) - penalty(w)
		})
		return at.total(q.x, q.y) - penalty(*other(&q)) - penalty(v)
	}
	best := *own(&p)
	f := Factor{Value: math.Exp(best)}
	f.Low, f.High = interval(best, profile)
	const h = 0.2
	data := func(v float64) float64 { return profile(v) + penalty(v) }
	centre := math.Min(math.Max(best, t.logs[0]+h), t.logs[gridSide-1]-h)
	f.Sections = math.Max(0, -(data(centre+h)-2*data(centre)+data(centre-h))/(h*h))
	f.Weight = f.Sections / (f.Sections + DefaultSections)
	return f
}

// interval is where a profile in the log of a factor lies within 1.92 of its
// maximum at best, between the least and the greatest factor.
func interval(best float64, profile func(float64) float64) (low, high float64) {
	floor := profile(best) - 1.9207294103470596 // half the 95 % quantile of χ² with one degree of freedom
	edge := math.Log(widest)
	search := func(to float64) float64 {
		inside, outside := best, to
		if profile(outside) > floor {
			return math.Exp(outside)
		}
		for range 50 {
			middle := (inside + outside) / 2
			if profile(middle) > floor {
				inside = middle
			} else {
				outside = middle
			}
		}
		return math.Exp(inside)
	}
	return search(-edge), search(edge)
}

// climb is where f is greatest from low to high: a scan, then golden sections.
func climb(low, high float64, f func(float64) float64) float64 {
	const n = 24
	h := (high - low) / n
	best, most := low, math.Inf(-1)
	for k := range n + 1 {
		x := low + h*float64(k)
		if v := f(x); v > most {
			best, most = x, v
		}
	}
	a, b := math.Max(low, best-h), math.Min(high, best+h)
	const golden = 0.6180339887498949
	x, y := b-golden*(b-a), a+golden*(b-a)
	fx, fy := f(x), f(y)
	for range 40 {
		if fx > fy {
			b, y, fy = y, x, fx
			x = b - golden*(b-a)
			fx = f(x)
		} else {
			a, x, fx = x, y, fy
			y = a + golden*(b-a)
			fy = f(y)
		}
	}
	return (a + b) / 2
}

// spline is the natural cubic spline through equally spaced nodes at v.
func spline(nodes, values []float64, v float64) float64 {
	n := len(nodes)
	h := nodes[1] - nodes[0]
	// Second derivatives: a tridiagonal system with 1, 4, 1.
	var upper, second [gridSide]float64
	for i := 1; i < n-1; i++ {
		right := 6 * (values[i+1] - 2*values[i] + values[i-1]) / (h * h)
		d := 4 - upper[i-1]
		upper[i] = 1 / d
		second[i] = (right - second[i-1]) / d
	}
	for i := n - 3; i > 0; i-- {
		second[i] -= upper[i] * second[i+1]
	}
	second[0], second[n-1] = 0, 0
	i := min(max(int((v-nodes[0])/h), 0), n-2)
	b := (v - nodes[i]) / h
	a := 1 - b
	return a*values[i] + b*values[i+1] + ((a*a*a-a)*second[i]+(b*b*b-b)*second[i+1])*h*h/6
}

// known is a gain with the default of its surface.
type known struct {
	Gain
	mean float64
}

// learnSurface learns how much lies beyond a surface from what cleaning took
// off.
func learnSurface(gains []known) Factor {
	if len(gains) == 0 {
		return untouched()
	}
	data := func(x float64) (sum float64) {
		for _, g := range gains {
			sum += logModified(g.Size, g.U, g.mean*math.Exp(x))
		}
		return sum
	}
	edge := math.Log(widest)
	profile := func(x float64) float64 { return data(x) - penalty(x) }
	best := climb(-edge, edge, profile)
	f := Factor{Value: math.Exp(best)}
	f.Low, f.High = interval(best, profile)
	const h = 0.1
	f.Sections = math.Max(0, -(data(best+h)-2*data(best)+data(best-h))/(h*h))
	f.Weight = f.Sections / (f.Sections + DefaultSections)
	return f
}

// logModified is the log density at d of an exponential size of the given mean
// blurred by u: the exponentially modified normal law.
func logModified(d, u, mean float64) float64 {
	k := u / mean
	z := d/u - k
	return -d/mean + k*k/2 + logBelow(z) - math.Log(mean)
}

// logBelow is ln Φ(z).
func logBelow(z float64) float64 {
	if z > -30 {
		return math.Log(math.Erfc(-z/math.Sqrt2) / 2)
	}
	w := 1 / (z * z) // Abramowitz and Stegun, 26.2.12
	return -z*z/2 - 0.5*math.Log(2*math.Pi) - math.Log(-z) + math.Log1p(-w*(1-3*w*(1-5*w)))
}
