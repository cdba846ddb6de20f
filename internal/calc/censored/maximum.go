package censored

import (
	"cmp"
	"math"
	"slices"
)

const (
	leastSigma = 1e-7 // spreads that are looked at, in ranges of the readings
	mostSigma  = 1e5
	drop       = 1.9207294103470596 // half the 95 % quantile of χ² with one degree of freedom
	farthest   = 1e6                // ranges of the readings beyond which an end counts as none
	scanned    = 97                 // spreads looked at where there may be several maxima
)

// problem is readings in units of their range.
type problem struct {
	readings       []Reading
	sharp, blurred bool
}

func sortReadings(all []Reading) {
	slices.SortFunc(all, func(a, b Reading) int {
		return cmp.Or(cmp.Compare(a.Low, b.Low), cmp.Compare(a.High, b.High), cmp.Compare(a.Blur, b.Blur))
	})
}

// sum is the log likelihood at mu and sigma with its derivatives in mu and in
// ln sigma (in the fields for s).
func (p problem) sum(mu, sigma float64) term {
	var t term
	for _, r := range p.readings {
		s := math.Hypot(sigma, r.Blur)
		one := r.at(mu, s)
		// s² = σ² + u², so ds/dlnσ = σ²/s.
		first := sigma * sigma / s
		second := 2*first - first*first/s
		t.l += one.l
		t.m += one.m
		t.mm += one.mm
		t.s += one.s * first
		t.ms += one.ms * first
		t.ss += one.ss*first*first + one.s*second
	}
	return t
}

// best is the mean that fits best at a given spread, and how well: Newton's
// iteration on a concave function, held within a bracket.
func (p problem) best(sigma, start float64) (mu float64, t term) {
	step := math.Max(sigma, 0.1)
	low, high := start-step, start+step
	for w := step; p.sum(low, sigma).m < 0 && w < 1e12; w *= 2 {
		high, low = low, low-w
	}
	for w := step; p.sum(high, sigma).m > 0 && w < 1e12; w *= 2 {
		low, high = high, high+w
	}
	mu = math.Min(math.Max(start, low), high)
	for range 200 {
		t = p.sum(mu, sigma)
		if t.m > 0 {
			low = mu
		} else {
			high = mu
		}
		next := mu - t.m/t.mm
		if !(next > low && next < high) {
			next = low + (high-low)/2
		}
		// Newton's steps square their error: a billionth of a standard error is enough.
		if math.Abs(next-mu) <= 1e-9/math.Sqrt(-t.mm) || next == low || next == high {
			return next, p.sum(next, sigma)
		}
		mu = next
	}
	return mu, t
}

// known is the fit where the spread is given.
func (p problem) known(sigma float64) Fit {
	mu, t := p.best(sigma, 0)
	f := Fit{Mu: mu, Sigma: sigma, LogLikelihood: t.l, SEMu: 1 / math.Sqrt(-t.mm), SELogSigma: math.NaN(), Covariance: math.NaN(),
		SigmaInterval: Interval{sigma, sigma}, Known: true}
	f.MuInterval = ends(mu, f.SEMu, func(at float64) float64 { return p.sum(at, sigma).l - t.l + drop })
	return f
}

// fit finds mean and spread.
func (p problem) fit() (Fit, error) {
	lambda, mu, t := p.peak(math.Log(leastSigma), math.Log(mostSigma), func(lambda, start float64) (float64, term) { return p.best(math.Exp(lambda), start) })
	switch {
	case lambda >= math.Log(mostSigma)-1:
		return Fit{}, ErrTooSpread
	case lambda <= math.Log(leastSigma)+1:
		return p.withoutSpread()
	}
	sigma := math.Exp(lambda)
	det := t.mm*t.ss - t.ms*t.ms
	f := Fit{Mu: mu, Sigma: sigma, LogLikelihood: t.l, SEMu: math.Sqrt(-t.ss / det), SELogSigma: math.Sqrt(-t.mm / det), Covariance: t.ms / det}
	p.intervals(&f)
	return f, nil
}

// withoutSpread is the fit where readings scatter no more than their blur.
func (p problem) withoutSpread() (Fit, error) {
	if p.sharp {
		return Fit{}, ErrNoSpread
	}
	f := p.known(0)
	f.Known = false
	p.intervals(&f)
	return f, nil
}

// intervals fills in the profile intervals.
func (p problem) intervals(f *Fit) {
	mu := f.Mu
	height := func(lambda float64) float64 {
		_, t := p.best(math.Exp(lambda), mu)
		return t.l - f.LogLikelihood + drop
	}
	centre := math.Log(math.Max(f.Sigma, leastSigma))
	step := f.SELogSigma
	if math.IsNaN(step) {
		step = 1
	}
	f.SigmaInterval = Interval{math.Exp(end(centre, -step, math.Log(leastSigma), height)), math.Exp(end(centre, step, math.Log(mostSigma), height))}
	if f.SigmaInterval.Low <= 1.01*leastSigma {
		f.SigmaInterval.Low = 0
	}
	if f.SigmaInterval.High >= 0.99*mostSigma {
		f.SigmaInterval.High = math.Inf(1)
	}
	near := centre // the best spread moves little from one mean to the next
	f.MuInterval = ends(mu, f.SEMu, func(at float64) float64 {
		low, high := near-0.5, near+0.5
		if p.blurred {
			low, high = math.Log(leastSigma), math.Log(mostSigma)
		}
		var t term
		near, _, t = p.peak(low, high, func(lambda, _ float64) (float64, term) { return at, p.sum(at, math.Exp(lambda)) })
		return t.l - f.LogLikelihood + drop
	})
}

// peak is where a function of ln sigma is greatest. Without blur it has one
// maximum: the range is then only where to begin. With blur all of the range is
// scanned first.
func (p problem) peak(low, high float64, at func(lambda, start float64) (mu float64, t term)) (lambda, mu float64, t term) {
	from, to := math.Log(leastSigma), math.Log(mostSigma)
	if p.blurred || high-low > 2 {
		best := math.Inf(-1)
		n := scanned
		if !p.blurred {
			n = 15
		}
		h := (high - low) / float64(n-1)
		for k := range n {
			x := low + h*float64(k)
			var one term
			mu, one = at(x, mu)
			if one.l > best {
				best, lambda = one.l, x
			}
		}
		low, high = math.Max(lambda-h, from), math.Min(lambda+h, to)
	} else {
		for w := 1.0; low > from; w *= 2 {
			if _, one := at(low, mu); one.s > 0 {
				break
			}
			high, low = low, math.Max(low-w, from)
		}
		for w := 1.0; high < to; w *= 2 {
			if _, one := at(high, mu); one.s < 0 {
				break
			}
			low, high = high, math.Min(high+w, to)
		}
	}
	// The slope falls through zero in between: bisection, quickened by secants.
	mu, a := at(low, mu)
	_, b := at(high, mu)
	if !(a.s > 0) {
		return low, mu, a
	}
	if !(b.s < 0) {
		mu, b = at(high, mu)
		return high, mu, b
	}
	side := 0
	sa, sb := a.s, b.s
	for k := range 200 {
		lambda = low + (high-low)*sa/(sa-sb) // regula falsi, with the Illinois change
		if k%3 == 2 || !(lambda > low && lambda < high) {
			lambda = low + (high-low)/2
		}
		mu, t = at(lambda, mu)
		if t.s == 0 || high-low < 1e-12 {
			break
		}
		if t.s > 0 {
			low, sa = lambda, t.s
			if side == 1 {
				sb /= 2
			}
			side = 1
		} else {
			high, sb = lambda, t.s
			if side == -1 {
				sa /= 2
			}
			side = -1
		}
	}
	return lambda, mu, t
}

// ends are where a function that is positive at centre falls to zero.
func ends(centre, step float64, height func(float64) float64) Interval {
	i := Interval{end(centre, -step, -farthest, height), end(centre, step, farthest, height)}
	if i.Low <= -farthest {
		i.Low = math.Inf(-1)
	}
	if i.High >= farthest {
		i.High = math.Inf(1)
	}
	return i
}

// end walks from centre by growing steps, until limit, and bisects.
func end(centre, step, limit float64, height func(float64) float64) float64 {
	if math.IsNaN(step) || step == 0 {
		step = 1e-3
	}
	inside, outside := centre, centre+2*step
	for {
		if step < 0 && outside <= limit || step > 0 && outside >= limit {
			if height(limit) > 0 {
				return limit
			}
			outside = limit
			break
		}
		if height(outside) <= 0 {
			break
		}
		inside = outside
		step *= 1.7
		outside += step
	}
	for range 80 {
		middle := inside + (outside-inside)/2
		if math.Abs(outside-inside) <= 1e-10*(1+math.Abs(middle)) {
			break
		}
		if height(middle) > 0 {
			inside = middle
		} else {
			outside = middle
		}
	}
	return inside + (outside-inside)/2
}
