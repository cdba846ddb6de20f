package choice

import (
	"math"

	"pinwright/internal/calc/wornsize"
)

// cutOdds is what one reamer does for the running bores of one joint, at the
// nodes of the common errors (n) and of its own shared error (e).
type cutOdds struct {
	success []float64 // clean-up and target, n-major, n*cutNodes
	clean   []float64 // clean-up, at n, averaged over e
	target  []float64 // target alone, at n, averaged over e
	joint   []float64 // success at n, averaged over e
}

// cutJoint integrates clean-up and clearance together: a hole just large
// enough to clean up is also the one that leaves the least clearance.
func cutJoint(post wornsize.Posterior, j Joint, step Step, held heldOdds, kept *windowCache) cutOdds {
	nodes := len(post.Weights)
	ws := kept.of(windowKey{step.Reamer.cut(), step.Pin, j.Target, j.Coating})
	grid, pins, whole, part := ws.grid, ws.pins, ws.whole, ws.part
	room := make([]float64, nodes*(cutNodes+3)+cutNodes*len(pins)+len(j.Running)*len(grid))
	take := func(n int) []float64 {
		out := room[:n:n]
		room = room[n:]
		return out
	}
	inside := make([][]float64, cutNodes) // clearance of all bores within target
	for e := range inside {
		inside[e] = take(len(pins))
		for p, one := range ws.mass[e] {
			inside[e][p] = math.Pow(one, float64(len(j.Running)))
		}
	}
	out := cutOdds{success: take(nodes * cutNodes), clean: take(nodes), target: take(nodes), joint: take(nodes)}
	table := make([][]float64, len(j.Running))
	for b := range table {
		table[b] = take(len(grid))
	}
	for n := 0; n < nodes; n++ {
		for b, f := range j.Running {
			law := post.Features[f].CleanUpAt[n]
			for i, x := range grid {
				table[b][i] = law.CDF(x)
			}
		}
		for e := 0; e < cutNodes; e++ {
			clean := 1.0
			for b := range table {
				clean *= clampProbability(whole[e].dot(table[b]))
			}
			success, target := 0.0, 0.0
			for p, pin := range pins {
				h := held.at(n, p)
				both := 1.0
				for b := range table {
					both *= clampProbability(part[e][p].dot(table[b]))
				}
				success += pin.w * h * both
				target += pin.w * h * inside[e][p]
			}
			out.success[n*cutNodes+e] = success
			out.clean[n] += sharedW[e] * clean
			out.target[n] += sharedW[e] * target
			out.joint[n] += sharedW[e] * success
		}
	}
	return out
}

// allowance is what is left to cut at the tightest place of each bore: its
// law at the bore that has most, and the odds that some bore has less than the
// reamer needs or more than it may take.
func allowance(post wornsize.Posterior, j Joint, r Reamer) (q Quantity, tooLittle, tooMuch float64) {
	c := r.cut()
	smallest := j.Running[0]
	least := math.Inf(1)
	for _, f := range j.Running {
		if m := post.Features[f].Passing.Mean(); m < least {
			least, smallest = m, f
		}
	}
	law := mirrored(post.Features[smallest].Passing)
	q = mixture{law: &law, offset: c.mean, sign: 1, u: c.sd()}.quantity()
	for n, w := range post.Weights {
		enough, bearable := 1.0, 1.0
		for _, f := range j.Running {
			s := post.Features[f].PassingAt[n]
			if r.MinCut > 0 {
				enough *= s.CDF(c.mean - r.MinCut)
			}
			if r.MaxCut > 0 {
				bearable *= 1 - s.CDF(c.mean-r.MaxCut)
			}
		}
		tooLittle += w * (1 - enough)
		tooMuch += w * (1 - bearable)
	}
	return q, clampProbability(tooLittle), clampProbability(tooMuch)
}

// mirrored is the law of -X.
func mirrored(l wornsize.Law) wornsize.Law {
	n := len(l.X)
	out := wornsize.Law{X: make([]float64, n), P: make([]float64, n)}
	for i := range l.X {
		out.X[n-1-i] = -l.X[i]
		out.P[n-1-i] = 1 - l.P[i]
	}
	return out
}

func clampProbability(p float64) float64 { return min(1, max(0, p)) }

// average is the weighted mean over the nodes of the common errors.
func average(weights, at []float64) float64 {
	sum := 0.0
	for n, w := range weights {
		sum += w * at[n]
	}
	return clampProbability(sum)
}
