package choice

import (
	"math"

	"pinwright/internal/calc/wornsize"
)

// heldOdds is the probability that every held bore of a joint grips within
// its target, at node n of the common errors and node p of the pin.
type heldOdds struct {
	pins int
	p    []float64 // empty: nothing held, or not judged
}

func (h heldOdds) at(n, p int) float64 {
	if len(h.p) == 0 {
		return 1
	}
	return h.p[n*h.pins+p]
}

// holding judges interference = pin's held part minus held bore. A held bore
// with a reamer of its own is cut to that reamer's law (its shared error
// averaged within the joint); without one it stays as worn, and its passing
// size is what the pin feels.
func holding(post wornsize.Posterior, j Joint, step Step) heldOdds {
	if len(j.Held) == 0 || j.HeldTarget == nil {
		return heldOdds{}
	}
	pins := rectangular(step.Pin)
	out := heldOdds{pins: len(pins), p: make([]float64, len(post.Weights)*len(pins))}
	for n := range post.Weights {
		if step.HeldPart != nil {
			all := 0.0
			for _, q := range rectangular(*step.HeldPart) {
				all += q.w * grips(post, j, step, n, q.x)
			}
			for p := range pins {
				out.p[n*len(pins)+p] = all
			}
			continue
		}
		for p, q := range pins {
			out.p[n*len(pins)+p] = grips(post, j, step, n, q.x)
		}
	}
	return out
}

// grips is the probability for one size of the pin.
func grips(post wornsize.Posterior, j Joint, step Step, n int, pin float64) float64 {
	low, high := pin-j.HeldTarget.High, pin-j.HeldTarget.Low // limits of the bore
	all := 1.0
	if step.HeldReamer == nil {
		for _, f := range j.Held {
			law := post.Features[f].PassingAt[n]
			all *= clampProbability(law.CDF(high) - law.CDF(low))
		}
		return all
	}
	c := step.HeldReamer.cut()
	sum := 0.0
	for e := range sharedZ {
		given := 1.0
		for _, f := range j.Held {
			given *= cutWithin(c, e, post.Features[f].CleanUpAt[n], low, high)
		}
		sum += sharedW[e] * given
	}
	return sum
}

// cutWithin is P(cut in [low, high] and the bore cleans up): a held bore must
// be cut everywhere.
func cutWithin(c cutLaw, e int, cleanUp wornsize.Law, low, high float64) float64 {
	grid := c.grid()
	f := make([]float64, len(grid))
	for i, x := range grid {
		f[i] = cleanUp.CDF(x)
	}
	w, _ := window(grid, c.at(e), c.scatter, low, high, nil)
	return clampProbability(w.dot(f))
}

// interference summarises the grip in the widest held bore.
func interference(post wornsize.Posterior, j Joint, step Step) *Quantity {
	if len(j.Held) == 0 {
		return nil
	}
	part := step.heldPart()
	if step.HeldReamer != nil {
		c := step.HeldReamer.cut()
		q := mixture{offset: -c.mean, sign: 1, r: part, u: c.sd()}.quantity()
		return &q
	}
	most, widest := math.Inf(-1), wornsize.Law{}
	for _, f := range j.Held {
		if m := post.Features[f].Passing.Mean(); m > most {
			most, widest = m, mirrored(post.Features[f].Passing)
		}
	}
	q := mixture{law: &widest, sign: 1, r: part}.quantity()
	return &q
}
