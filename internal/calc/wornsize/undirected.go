package wornsize

import (
	"math"
	"slices"
)

// angleNodes is a rule over the angle: the share c = |cos|^k of the ovality
// that a reading at that angle sees, ascending, with weights that sum to one.
type angleNodes struct{ c, w []float64 }

// undirectedNodes averages over an unknown angle: Gauss–Chebyshev nodes for an
// ellipse, Gauss–Legendre over a quarter turn otherwise.
func undirectedNodes(n int, lobing float64) angleNodes {
	a := angleNodes{make([]float64, n), make([]float64, n)}
	if lobing == 2 {
		for k := range n {
			a.c[n-1-k] = 0.5 + 0.5*math.Cos((2*float64(k)+1)*math.Pi/(2*float64(n)))
			a.w[k] = 1 / float64(n)
		}
		return a
	}
	r := legendre(n)
	for k, x := range r.x {
		a.c[n-1-k] = math.Pow(math.Cos(x*math.Pi/2), lobing)
		a.w[n-1-k] = r.w[k]
	}
	return a
}

// tiers gives, for growing w/u, rules with as many nodes as that asks for.
type tiers struct {
	make func(n int) angleNodes
	made map[int]angleNodes
	last int // the tier used last, which its neighbour usually wants too
	keep angleNodes
}

func newTiers(lobing float64) *tiers {
	return &tiers{make: func(n int) angleNodes { return undirectedNodes(n, lobing) }, made: map[int]angleNodes{}}
}

func (t *tiers) at(ratio, base, slope float64) angleNodes {
	n := 5
	for float64(n) < base+slope*ratio && n < 8192 {
		n += n / 2
	}
	if n == t.last {
		return t.keep
	}
	nodes, ok := t.made[n]
	if !ok {
		nodes = t.make(n)
		t.made[n] = nodes
	}
	t.last, t.keep = n, nodes
	return nodes
}

// sharp is one reading without bias and burr beside the mesh: for every node,
// how many blurs the reading lies inside it as the smallest size and as the
// largest, with the weights that interpolate the table there.
type sharp struct {
	u, slip         float64
	low, high       []float64
	lowW, highW     [][4]float64
	lowLog, highLog []float64 // of the distance, where the series serves
}

func (e *engine) newSharp(o observation) sharp {
	n := len(e.mesh.s)
	a := e.arena
	p := sharp{u: o.u, slip: o.slip + o.logPeak(), low: a.take(n), high: a.take(n), lowW: a.takeQuads(n), highW: a.takeQuads(n), lowLog: a.take(n), highLog: a.take(n)}
	scale, centre := 1/o.u, o.value-o.low
	for i, s := range e.mesh.s {
		d := (centre - s) * scale
		p.low[i], p.high[i] = d, -d
		switch {
		case d >= edgeReach:
			p.lowLog[i] = math.Log(d)
		case d <= -edgeReach:
			p.highLog[i] = math.Log(-d)
		default:
			x := (d + edgeReach) / edgeStep
			p.lowW[i] = cubicWeights(x - math.Floor(x))
			x = (edgeReach - d) / edgeStep
			p.highW[i] = cubicWeights(x - math.Floor(x))
		}
	}
	return p
}

// addUndirected adds to t the log of the arcsine law on [S, L] blurred, for
// each reading.
func (e *engine) addUndirected(t triangle, readings []observation, cells window) {
	mark := e.arena.mark()
	defer e.arena.back(mark)
	var quick []sharp
	var logNorm float64
	for _, o := range readings {
		if o.plain() && e.c.lobing == 2 {
			quick = append(quick, e.newSharp(o))
			logNorm -= o.logPeak()
			continue
		}
		e.addOneUndirected(t, o, cells)
	}
	if len(quick) == 0 {
		return
	}
	s := e.mesh.s
	table := arcsineTable()
	rules := newTiers(2)
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
			sum := logNorm
			if w < 0 {
				for r := range quick {
					q := &quick[r]
					sum += q.withSlip(logArcsine(q.low[i], w/q.u, 2, rules))
				}
				row[jj] += sum
				continue
			}
			var step float64
			var b [4]float64
			var across []float64
			u := 0.0
			for r := range quick {
				q := &quick[r]
				if q.u != u {
					u = q.u
					step = w / u
					if step <= widestTable {
						y := (math.Sqrt(1+step) - 1) / widthStep
						k := int(y)
						b = cubicWeights(y - float64(k))
						across = table[k*edgeNodes : (k+4)*edgeNodes]
					}
				}
				d, a := q.low[i], &q.lowW[i]
				if q.high[j] < d {
					d, a = q.high[j], &q.highW[j]
				}
				var l float64
				switch {
				case d <= -edgeReach:
					sum += q.slip // beyond nine blurs a slip is likelier
					continue
				case d >= edgeReach:
					x := 1 / (d * d)
					l = arcsineEdge + 0.375*x*(1+2*x) - 0.5*(q.lowLog[i]+q.highLog[j])
				case step > widestTable:
					l = directArcsine(d, step, rules)
				default:
					at := int((d + edgeReach) / edgeStep)
					g := across[at : 3*edgeNodes+at+4]
					l = b[0]*(a[0]*g[0]+a[1]*g[1]+a[2]*g[2]+a[3]*g[3]) +
						b[1]*(a[0]*g[edgeNodes]+a[1]*g[edgeNodes+1]+a[2]*g[edgeNodes+2]+a[3]*g[edgeNodes+3]) +
						b[2]*(a[0]*g[2*edgeNodes]+a[1]*g[2*edgeNodes+1]+a[2]*g[2*edgeNodes+2]+a[3]*g[2*edgeNodes+3]) +
						b[3]*(a[0]*g[3*edgeNodes]+a[1]*g[3*edgeNodes+1]+a[2]*g[3*edgeNodes+2]+a[3]*g[3*edgeNodes+3])
				}
				if l < slipMatters {
					l = q.withSlip(l)
				}
				sum += l
			}
			row[jj] += sum
		}
	}
}

// withSlip adds to a log density, of its peak, that of a slip.
func (q *sharp) withSlip(l float64) float64 { return logSum(l, q.slip) }

// addOneUndirected is addUndirected for a reading with a bias or a burr, or on
// a form that is no ellipse.
func (e *engine) addOneUndirected(t triangle, o observation, cells window) {
	rules := newTiers(e.c.lobing)
	blurred := newDensityTable(e.arena, o)
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
			step := math.Abs(w) / o.u
			if o.plain() {
				l := directArcsine((o.value-o.low-s[i])/o.u, w/o.u, rules) - o.logPeak()
				row[jj] += logSum(l, o.slip)
				continue
			}
			row[jj] += blurred.average(rules.at(math.Min(step, widestBlurred), 7, 1.5), s[i], w)
		}
	}
}

// near is the run of nodes that lie within nine blurs of the reading, or of
// the edge that is nearest to it.
func near(c []float64, d, step float64) (from, to int) {
	if len(c) < 28 || step <= 0 {
		return 0, len(c)
	}
	from, _ = slices.BinarySearch(c, (math.Min(d, step)-9)/step)
	to, _ = slices.BinarySearch(c, (math.Max(d, 0)+9)/step)
	if from == to {
		return 0, len(c)
	}
	return from, to
}

// averageLog is the log of the weighted mean of exp(f) over the nodes.
func averageLog(nodes angleNodes, f func(c float64) float64) float64 {
	var few [64]float64 // spares an allocation where it is called most
	logs := few[:0]
	for _, c := range nodes.c {
		logs = append(logs, f(c))
	}
	return logOfMean(logs, nodes.w)
}
