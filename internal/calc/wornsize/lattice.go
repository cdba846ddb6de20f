package wornsize

import (
	"math"

	"gonum.org/v1/gonum/mathext"
)

// lattice is a Korobov rank-1 lattice, its generator the one with the least
// worst-case error of smooth periodic functions (the P2 figure of merit) in as
// many dimensions as there are shared errors. Its normal coordinates are
// straightened so that their means and covariances are exact: what a law takes
// from shared errors is linear in them to first order.
func (g *grid) lattice(shared []Common, axes []axis) {
	generator := korobov(latticeNodes, min(len(axes), 12))
	nodes := make([][]float64, latticeNodes)
	var normal []int
	for c, a := range axes {
		if !a.rect {
			normal = append(normal, c)
		}
	}
	for i := range nodes {
		nodes[i] = make([]float64, len(axes))
		at := i
		for c, a := range axes {
			u := (float64(at) + 0.5) / latticeNodes
			at = at * generator % latticeNodes
			if a.rect {
				nodes[i][c] = u
			} else {
				nodes[i][c] = mathext.NormalQuantile(u)
			}
		}
	}
	straighten(nodes, normal)
	for _, z := range nodes {
		g.add(shared, axes, z, -math.Log(latticeNodes))
	}
}

// straighten gives the coordinates over of the nodes mean zero, deviation one
// and no correlation, by Gram and Schmidt.
func straighten(nodes [][]float64, over []int) {
	n := float64(len(nodes))
	for i, c := range over {
		var mean float64
		for _, z := range nodes {
			mean += z[c] / n
		}
		for _, z := range nodes {
			z[c] -= mean
		}
		for _, earlier := range over[:i] {
			var along float64
			for _, z := range nodes {
				along += z[c] * z[earlier] / n
			}
			for _, z := range nodes {
				z[c] -= along * z[earlier]
			}
		}
		var square float64
		for _, z := range nodes {
			square += z[c] * z[c] / n
		}
		if square > 0.01 { // beyond as many errors as nodes nothing is left to straighten
			for _, z := range nodes {
				z[c] /= math.Sqrt(square)
			}
		}
	}
}

func korobov(n, dims int) int {
	best, least := 1, math.Inf(1)
	bernoulli := make([]float64, n)
	for i := range bernoulli {
		x := float64(i) / float64(n)
		bernoulli[i] = 1 + 2*math.Pi*math.Pi*(x*x-x+1.0/6)
	}
	for a := 2; a < n/2; a++ {
		var sum float64
		for i := range n {
			product, at := 1.0, i
			for range dims {
				product *= bernoulli[at]
				at = at * a % n
			}
			sum += product
		}
		if sum < least {
			best, least = a, sum
		}
	}
	return best
}
