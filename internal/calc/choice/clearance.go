package choice

import (
	"math"

	"pinwright/internal/calc/wornsize"
)

// uncutOdds is the least probability, at each node of the common errors, that
// a new pin passes all running bores with the clearance asked for and that
// none has more play than asked for. Only the separate laws of passing and
// clean-up size are known, so per bore it is Frechet's lower bound
// P(S >= pin + low) - P(L > pin + high).
func uncutOdds(post wornsize.Posterior, j Joint, pin Interval, held heldOdds) []float64 {
	out := make([]float64, len(post.Weights))
	pins := rectangular(pin)
	for n := range out {
		for p, q := range pins {
			out[n] += q.w * held.at(n, p) * uncutGiven(post, j, n, q.x, q.x)
		}
	}
	return out
}

// leaveOdds is the same for the worn pin now fitted: its largest size decides
// whether it passes, its smallest the play; the two are taken at the same
// level of probability. The held bores stay as they are.
func leaveOdds(post wornsize.Posterior, j Joint) []float64 {
	out := make([]float64, len(post.Weights))
	if j.Pin < 0 {
		return out
	}
	pin := post.Features[j.Pin]
	for n := range out {
		for _, p := range levels() {
			largest, smallest := pin.PassingAt[n].Quantile(p), pin.CleanUpAt[n].Quantile(p)
			out[n] += uncutGiven(post, j, n, largest, smallest) / lawNodes
		}
	}
	return out
}

func uncutGiven(post wornsize.Posterior, j Joint, n int, largest, smallest float64) float64 {
	odds := 1.0
	for _, f := range j.Running {
		bore := post.Features[f]
		passes := 1 - bore.PassingAt[n].CDF(largest+j.Coating+j.Target.Low)
		loose := 1 - bore.CleanUpAt[n].CDF(smallest+j.Coating+j.Target.High)
		odds *= math.Max(0, passes-loose)
	}
	return odds
}

// tightestAndLoosest pick the running bores with the smallest mean passing
// size and the greatest mean clean-up size.
func tightestAndLoosest(post wornsize.Posterior, j Joint) (tight, loose wornsize.Law) {
	least, most := math.Inf(1), math.Inf(-1)
	for _, f := range j.Running {
		if m := post.Features[f].Passing.Mean(); m < least {
			least, tight = m, post.Features[f].Passing
		}
		if m := post.Features[f].CleanUp.Mean(); m > most {
			most, loose = m, post.Features[f].CleanUp
		}
	}
	return tight, loose
}

// uncutClearance summarises tightest clearance and greatest play with a pin
// that is rectangular on its limits.
func uncutClearance(post wornsize.Posterior, j Joint, pin Interval) (clearance, play Quantity) {
	tight, loose := tightestAndLoosest(post, j)
	clearance = mixture{law: &tight, offset: -j.Coating, sign: -1, r: pin}.quantity()
	play = mixture{law: &loose, offset: -j.Coating, sign: -1, r: pin}.quantity()
	return clearance, play
}

// wornClearance is the same for the worn pin, by its mean and spread: the
// pin's law enters as a normal error of equal variance.
func wornClearance(post wornsize.Posterior, j Joint) (clearance, play Quantity) {
	tight, loose := tightestAndLoosest(post, j)
	pin := post.Features[j.Pin]
	m, s := pin.Passing.Mean(), pin.Passing.SD()
	clearance = mixture{law: &tight, offset: -m - j.Coating, u: s}.quantity()
	m, s = pin.CleanUp.Mean(), pin.CleanUp.SD()
	play = mixture{law: &loose, offset: -m - j.Coating, u: s}.quantity()
	return clearance, play
}

// cutClearance is cut size minus pin.
func cutClearance(j Joint, c cutLaw, pin Interval) Quantity {
	return mixture{offset: c.mean - j.Coating, sign: -1, r: pin, u: c.sd()}.quantity()
}

// bushOdds is the probability that a finished bush and a standard pin give
// the target, one bush for each running bore. The pin is rectangular, so is the
// bush, unless it is finished in place: then its bore is that cut, whose shared
// error is averaged within the joint.
func bushOdds(post wornsize.Posterior, j Joint, pin Interval, held heldOdds) (clean, success []float64) {
	pins := rectangular(pin)
	in := make([]float64, len(pins))
	for p, q := range pins {
		low, high := q.x+j.Coating+j.Target.Low, q.x+j.Coating+j.Target.High
		if f := j.Bush.Finish; f != nil {
			in[p] = f.cut().allWithin(low, high, len(j.Running))
			continue
		}
		in[p] = math.Pow(inside(j.Bush.Finished, Interval{low, high}), float64(len(j.Running)))
	}
	clean, success = make([]float64, len(post.Weights)), make([]float64, len(post.Weights))
	for n := range clean {
		clean[n] = 1
		for _, f := range j.Running {
			clean[n] *= post.Features[f].CleanUpAt[n].CDF(j.Bush.Hole)
		}
		for p, q := range pins {
			success[n] += q.w * held.at(n, p) * in[p] * clean[n]
		}
	}
	return clean, success
}

// inside is the share of a rectangular law that lies within limits.
func inside(r, limits Interval) float64 {
	if r.Width() == 0 {
		if r.Low >= limits.Low && r.Low <= limits.High {
			return 1
		}
		return 0
	}
	return clampProbability((math.Min(r.High, limits.High) - math.Max(r.Low, limits.Low)) / r.Width())
}
