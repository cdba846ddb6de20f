package wornsize

import (
	"math"
	"slices"
	"sync"
)

// turns is a rule over the section's angle φ for several stated directions:
// c[r][k] is the share reading r sees at node k.
type turns struct {
	c [][]float64
	w []float64
}

// directedNodes averages over φ: equal steps over half a turn for an ellipse
// (the integrand is periodic and smooth), Gauss–Legendre between the corners
// of |cos| otherwise.
func directedNodes(n int, readings []observation, lobing float64) turns {
	var angles, weights []float64
	if lobing == 2 {
		for k := range n {
			angles = append(angles, (float64(k)+0.5)*math.Pi/float64(n))
			weights = append(weights, 1/float64(n))
		}
	} else {
		var corners []float64
		for _, o := range readings {
			corners = append(corners, math.Mod(o.direction+90, 180)*math.Pi/180)
		}
		slices.Sort(corners)
		corners = slices.Compact(corners)
		corners = append(corners, corners[0]+math.Pi)
		for p := range len(corners) - 1 {
			width := corners[p+1] - corners[p]
			r := legendre(max(6, int(math.Ceil(float64(n)*width/math.Pi))))
			for k, x := range r.x {
				angles = append(angles, corners[p]+x*width)
				weights = append(weights, r.w[k]*width/math.Pi)
			}
		}
	}
	t := turns{w: weights}
	for _, o := range readings {
		c := make([]float64, len(angles))
		for k, a := range angles {
			cos := math.Abs(math.Cos(o.direction*math.Pi/180 - a))
			c[k] = math.Pow(cos, lobing)
		}
		t.c = append(t.c, c)
	}
	return t
}

// addDirected adds to t the log likelihood of readings in stated directions of
// one section, their common angle φ integrated out.
func (e *engine) addDirected(t triangle, readings []observation, cells window) {
	plain := e.c.lobing == 2
	var info, slips, peaks float64
	for _, o := range readings {
		info += 1 / (o.u * o.u)
		plain = plain && o.plain()
		slips += o.slip
		peaks -= o.logPeak()
	}
	mark := e.arena.mark()
	defer e.arena.back(mark)
	blur := 1 / math.Sqrt(info)
	if !plain {
		e.addAngles(t, readings, cells, blur)
		return
	}
	whole := newTriangle(e.arena, t.n, false)
	e.ellipse(whole, readings, cells)
	agreed := peaks - disagreed - float64(len(readings))
	if whole.highest() < agreed {
		// Nowhere do they agree: one of them must have slipped, or several.
		one := newTriangle(e.arena, t.n, false)
		best := math.Inf(-1)
		rest := make([]observation, len(readings)-1)
		for r, o := range readings {
			copy(rest, readings[:r])
			copy(rest[r:], readings[r+1:])
			e.ellipse(one, rest, cells)
			for i, v := range one.v {
				whole.v[i] = logSum(whole.v[i], v+o.slip)
			}
			best = math.Max(best, one.highest()-agreed-o.logPeak())
		}
		if best < 0 {
			e.addAngles(t, readings, cells, blur)
			return
		}
	}
	for i, v := range whole.v {
		if v < slips+40 {
			v = logSum(v, slips) // all of them slipped
		}
		t.v[i] += v
	}
}

// disagreed is how far below its peak, as a logarithm, the likelihood of directed
// readings must lie everywhere before slips of some of them count.
const disagreed = 14

// addAngles is addDirected one reading and angle at a time.
func (e *engine) addAngles(t triangle, readings []observation, cells window, blur float64) {
	most := 96 // beyond, a biased method is itself as wide as the steps
	if !slices.ContainsFunc(readings, func(o observation) bool { return !o.plain() }) {
		most = 400
	}
	made := map[int]turns{}
	tables := make([]densityTable, len(readings))
	for r, o := range readings {
		tables[r] = newDensityTable(e.arena, o)
	}
	logs := make([]float64, 0, 1024)
	s := e.mesh.s
	for i := range s {
		row := t.row(i)
		for jj := range row {
			j := i - 1 + jj
			if j < 0 {
				continue
			}
			if cells.shut(i, j) {
				row[jj] = math.Inf(-1)
				continue
			}
			w := s[j] - s[i]
			n := 8
			for float64(n) < 6+2.2*math.Abs(w)/blur && n < most {
				n += n / 2
			}
			n = min(n, most)
			nodes, ok := made[n]
			if !ok {
				nodes = directedNodes(n, readings, e.c.lobing)
				made[n] = nodes
			}
			logs = append(logs[:0], nodes.w...)
			clear(logs)
			for r := range tables {
				for k, c := range nodes.c[r] {
					logs[k] += tables[r].at(s[i] + w*c)
				}
			}
			row[jj] += logOfMean(logs, nodes.w)
		}
	}
}

// waves are the sums over readings, at each angle φ, that the exponent of
// normal readings on an ellipse is made of: with c the share of the ovality w a
// reading sees, g its 1/u² and x its value,
// −½ Σ g (x − s − w c)² = −½ Σ g (x − s)² + w (Σ g x c − s Σ g c) − w² ½ Σ g c².
type waves struct{ c, xc, cc []float64 }

// mostTiers is how many numbers of angles there are, each half as many again.
const mostTiers = 16

// tierNodes is how many angles a tier has.
var tierNodes = func() (n [mostTiers]int) {
	n[0] = 8
	for i := 1; i < mostTiers; i++ {
		n[i] = n[i-1] + n[i-1]/2
	}
	return n
}()

// turnsOf is the cosine and sine of 2φ at the angles of a tier: over half a turn
// or, where both sides of an axis are the same, over a quarter.
func turnsOf(tier int, aligned bool) [][2]float64 {
	which := 0
	if aligned {
		which = 1
	}
	return madeTurns[which][tier]()
}

var madeTurns = func() (made [2][mostTiers]func() [][2]float64) {
	for which := range made {
		for tier := range made[which] {
			made[which][tier] = sync.OnceValue(func() [][2]float64 {
				n, span := tierNodes[tier], 2*math.Pi
				if which == 1 {
					n, span = (n+1)/2, math.Pi
				}
				t := make([][2]float64, n)
				for k := range t {
					sin, cos := math.Sincos((float64(k) + 0.5) * span / float64(n))
					t[k] = [2]float64{cos, sin}
				}
				return t
			})
		}
	}
	return made
}()

// ellipse writes into t the log likelihood of normal readings on an ellipse, so
// that the number of readings does not count in the work per angle. Cells that
// no angle can explain are left at minus infinity: freed of the circle on which
// they lie, the waves of 2φ bound the exponent by a parabola in (S + L)/2.
func (e *engine) ellipse(t triangle, readings []observation, cells window) {
	mark := e.arena.mark()
	defer e.arena.back(mark)
	a, s := e.arena, e.mesh.s
	var made [mostTiers]waves
	origin := readings[0].value - readings[0].low
	var weight, vv, v, logNorm float64
	var c1, s1, cc, cs, ss, vc, vs float64
	axis := math.Mod(readings[0].direction, 90)
	aligned := true
	for _, o := range readings {
		g, x := 1/(o.u*o.u), o.value-o.low-origin
		sin, cos := math.Sincos(2 * (o.direction - axis) * math.Pi / 180)
		weight, v, vv = weight+g, v+g*x, vv+g*x*x
		c1, s1, vc, vs = c1+g*cos, s1+g*sin, vc+g*x*cos, vs+g*x*sin
		cc, cs, ss = cc+g*cos*cos, cs+g*cos*sin, ss+g*sin*sin
		logNorm -= o.logPeak()
		aligned = aligned && math.Abs(math.Mod(o.direction, 90)-axis) < 1e-9
	}
	blur := 1 / math.Sqrt(weight)
	ridge := 1e-9 * weight
	rc, rs := cc+ridge, ss+ridge
	det := rc*rs - cs*cs
	bend := weight - (c1*(rs*c1-cs*s1)+s1*(rc*s1-cs*c1))/det
	middle, room := 0.0, math.Inf(1)
	if bend > 1e-6*weight {
		middle = origin + (v-(c1*(rs*vc-cs*vs)+s1*(rc*vs-cs*vc))/det)/bend
		room = math.Sqrt(2 * (24 + 1.5*float64(len(readings))) / bend)
	}
	angles := func(tier, n int) waves {
		w := waves{a.take(n), a.take(n), a.take(n)}
		for k, turn := range turnsOf(tier, aligned) {
			cos, sin := turn[0], turn[1]
			along := c1*cos + s1*sin
			w.c[k] = 0.5 * (weight + along)
			w.xc[k] = 0.5 * (v + vc*cos + vs*sin)
			w.cc[k] = 0.125 * (weight + 2*along + cc*cos*cos + 2*cs*cos*sin + ss*sin*sin)
		}
		return w
	}
	exps := expTable()
	logs, line := a.take(2048), a.take(2048)
	for i := range s {
		row := t.row(i)
		tier, n, lined := 0, tierNodes[0], -1
		from := s[i] - origin
		square := logNorm - 0.5*(vv-2*from*v+from*from*weight)
		for jj := range row {
			j := i - 1 + jj
			if j < 0 {
				continue
			}
			if cells.shut(i, j) || math.Abs((s[i]+s[j])/2-middle) > room {
				row[jj] = math.Inf(-1)
				continue
			}
			w := s[j] - s[i]
			for float64(n) < 6+2.2*math.Abs(w)/blur && n < 1000 {
				tier++
				n = tierNodes[tier]
			}
			count := n
			if aligned {
				count = (n + 1) / 2
			}
			if made[tier].c == nil {
				made[tier] = angles(tier, count)
			}
			at := &made[tier]
			if lined != tier {
				lined = tier
				for k, c := range at.c {
					line[k] = at.xc[k] - from*c
				}
			}
			out, slope := logs[:count:count], line[:count:count]
			most := math.Inf(-1)
			for k, square := range at.cc[:count] {
				l := w * (slope[k] - w*square)
				out[k] = l
				if l > most {
					most = l
				}
			}
			var sum float64
			for _, l := range out {
				if l -= most; l > -expReach {
					sum += expAt(exps, l)
				}
			}
			row[jj] = square + most + math.Log(sum/float64(count))
		}
	}
}

// logOfMean is the log of the weighted mean of exp(logs).
func logOfMean(logs, weights []float64) float64 {
	most := slices.Max(logs)
	if math.IsInf(most, -1) {
		return most
	}
	var sum float64
	for k, l := range logs {
		if l > most-34 {
			sum += weights[k] * math.Exp(l-most)
		}
	}
	return most + math.Log(sum)
}
