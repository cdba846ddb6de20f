package wornsize

import (
	"math"
	"sync"
)

// The law of a reading of unknown direction on an ellipse depends on two
// numbers only, where the reading lies (d) and how wide the section is (step),
// both counted in blurs. It is tabulated once: from nine blurs outside an edge
// to nine inside, widths to four hundred blurs; the far tail and the far
// inside have series, the rest is summed directly.
const (
	edgeReach   = 9
	edgeStep    = 0.25
	edgeNodes   = 2*edgeReach*4 + 4 // one more on the left, two on the right
	widthStep   = 0.125             // in √(1+step) − 1
	widthNodes  = 150
	widestTable = 330
	arcsineEdge = -0.22579135264472744 // ln √(2/π)
)

var arcsineTable = sync.OnceValue(func() []float64 {
	table := make([]float64, edgeNodes*widthNodes)
	rules := newTiers(2)
	for row := range widthNodes {
		root := 1 + widthStep*float64(row-1)
		step := root*root - 1
		for k := range edgeNodes {
			d := -edgeReach + edgeStep*float64(k-1)
			table[row*edgeNodes+k] = directArcsine(d, step, rules)
		}
	}
	return table
})

// logArcsine is the log of the mean over an unknown angle of
// exp(−(d − step·c)²/2), c the share of the ovality seen at that angle; right
// to 1e-3 where it matters.
func logArcsine(d, step float64, lobing float64, rules *tiers) float64 {
	if lobing != 2 {
		return directArcsine(d, step, rules)
	}
	if step < 0 { // the edges change places
		d, step = d-step, -step
	}
	if d > step/2 {
		d = step - d // an ellipse is the same from either edge
	}
	switch {
	case d < -edgeReach && -d*step > 30:
		return -0.5*d*d - 0.5*math.Log(-math.Pi*d*step)
	case d < -edgeReach:
		return directArcsine(d, step, rules)
	case d >= edgeReach:
		// Normal blur of 1/(π√(d(step−d))): its second and fourth derivatives, as a
		// logarithm.
		x := 1 / (d * d)
		return arcsineEdge + 0.375*x*(1+2*x) - 0.5*math.Log(d*(step-d))
	case step > widestTable:
		return directArcsine(d, step, rules)
	}
	table := arcsineTable()
	x, y := (d+edgeReach)/edgeStep, (math.Sqrt(1+step)-1)/widthStep
	i, j := int(x), int(y)
	a := cubicWeights(x - float64(i))
	b := cubicWeights(y - float64(j))
	var sum float64
	for r := range 4 {
		g := table[(j+r)*edgeNodes+i:]
		g = g[:4:4]
		sum += b[r] * (a[0]*g[0] + a[1]*g[1] + a[2]*g[2] + a[3]*g[3])
	}
	return sum
}

// cubicWeights are the Lagrange weights of nodes −1, 0, 1, 2 at t.
func cubicWeights(t float64) [4]float64 {
	p, m, q := t+1, t-1, t-2
	return [4]float64{-t * m * q / 6, p * m * q / 2, -p * t * q / 2, p * t * m / 6}
}

// directArcsine is logArcsine by as many nodes as the width asks for.
func directArcsine(d, step float64, rules *tiers) float64 {
	nodes := rules.at(math.Abs(step), 9, 1.6)
	from, to := near(nodes.c, d, step)
	table := gaussTable()
	var sum float64
	for k := from; k < to; k++ {
		sum += nodes.w[k] * gaussAt(table, d-step*nodes.c[k])
	}
	if sum > 1e-280 {
		return math.Log(sum)
	}
	return averageLog(nodes, func(c float64) float64 {
		z := d - step*c
		return -0.5 * z * z
	})
}
