package fund

import (
	"hash/fnv"
	"math"
	"slices"
)

// Life is a distribution of uses by its quantile function, which grows with p in (0, 1)
// and may be infinite: no end in sight. It need not be whole; a life ends with the use that completes it.
type Life func(p float64) float64

// Fixed is a life of just n uses.
func Fixed(n float64) Life { return func(float64) float64 { return n } }

// Samples is the distribution in which each of the values is as likely; none: no end in
// sight.
func Samples(values []float64) Life {
	sorted := slices.Clone(values)
	slices.Sort(sorted)
	return func(p float64) float64 {
		if len(sorted) == 0 {
			return math.Inf(1)
		}
		return sorted[min(len(sorted)-1, max(0, int(p*float64(len(sorted)))))]
	}
}

// Weibull is the Weibull law S(t) = exp(-(t/scale)^shape).
func Weibull(shape, scale float64) Life {
	return func(p float64) float64 { return scale * math.Pow(-math.Log1p(-p), 1/shape) }
}

// WeibullAfter is what is left of a life by the Weibull law that has lasted for used uses: the
// quantiles of T - used given T > used.
func WeibullAfter(shape, scale, used float64) Life {
	begun := math.Pow(used/scale, shape)
	return func(p float64) float64 { return math.Max(0, scale*math.Pow(begun-math.Log1p(-p), 1/shape)-used) }
}

// Geometric is the life without memory: each use is its last with the probability
// q.
func Geometric(q float64) Life {
	return func(p float64) float64 { return math.Max(1, math.Ceil(math.Log1p(-p)/math.Log1p(-q))) }
}

// whole is the use that completes a life of v, at least least; far where no end is in
// sight.
func whole(v float64, least int) int {
	const far = 1 << 40
	switch {
	case !(v < far): // NaN, too: what is not known has no end in sight
		return far
	case v < float64(least):
		return least
	}
	return int(math.Ceil(v))
}

// stream is a sequence of numbers that only seed, key, use and future decide: SplitMix64 (G. L. Steele,
// D. Lea, C. H. Flood, Proc. OOPSLA 2014), begun for each future where a hash says. The streams are parts of one long
// cycle; that any two of a question overlap at all is unlikely, and would do no harm.
type stream struct{ seed, state uint64 }

func newStream(seed uint64, use, key string) *stream {
	h := fnv.New64a()
	_, _ = h.Write([]byte(use + "\x00" + key)) // a hash never fails to be written to
	return &stream{seed: mixed(seed ^ mixed(h.Sum64()+golden))}
}

const golden = 0x9e3779b97f4a7c15

func mixed(x uint64) uint64 {
	x = (x ^ x>>30) * 0xbf58476d1ce4e5b9
	x = (x ^ x>>27) * 0x94d049bb133111eb
	return x ^ x>>31
}

// begin takes the stream to the beginning of a future's numbers.
func (s *stream) begin(path int) { s.state = mixed(s.seed ^ mixed(uint64(path+1)*golden)) }

func (s *stream) next() uint64 {
	s.state += golden
	return mixed(s.state)
}

// uniform is within (0, 1), without its ends.
func (s *stream) uniform() float64 { return (float64(s.next()>>11) + 0.5) / (1 << 53) }

// normal is standard normal, by the polar method (G. Marsaglia, T. A. Bray, SIAM Review 6 (1964) 260).
func (s *stream) normal() float64 {
	for {
		u, v := 2*s.uniform()-1, 2*s.uniform()-1
		if q := u*u + v*v; q > 0 && q < 1 {
			return u * math.Sqrt(-2*math.Log(q)/q)
		}
	}
}

// gamma is gamma distributed with a mean of 1 (G. Marsaglia, W. W. Tsang, ACM Trans.
// Math. Softw. 26 (2000) 363).
func (s *stream) gamma(shape float64) float64 {
	boost, k := 1.0, shape
	if k < 1 {
		boost, k = math.Pow(s.uniform(), 1/k), k+1
	}
	d := k - 1.0/3
	c := 1 / math.Sqrt(9*d)
	for {
		x := s.normal()
		v := 1 + c*x
		if v <= 0 {
			continue
		}
		v *= v * v
		if math.Log(s.uniform()) < 0.5*x*x+d-d*v+d*math.Log(v) {
			return boost * d * v / shape
		}
	}
}

// poisson are the cumulated probabilities of a Poisson distribution, in parts of
// their sum, from low on.
type poisson struct {
	low int
	up  []float64
	sum float64
}

// set makes p the distribution with that mean. What is less than 1e-17 of the
// mode's probability is left out.
func (p *poisson) set(mean float64) {
	p.up, p.low, p.sum = p.up[:0], 0, 0
	if !(mean > 0) {
		return
	}
	mode := int(mean)
	weight := 1.0
	low := mode
	for low > 0 && weight > 1e-17 {
		weight *= float64(low) / mean
		low--
	}
	p.low = low
	// From low on upwards; the weight at low is relative to the mode's.
	for k := low; ; k++ {
		if k == mode {
			weight = 1
		}
		p.sum += weight
		p.up = append(p.up, p.sum)
		if weight *= mean / float64(k+1); k >= mode && weight < 1e-17 {
			return
		}
	}
}

// at is the least number whose cumulated probability is u or more.
func (p *poisson) at(u float64) int {
	if len(p.up) == 0 {
		return 0
	}
	i, _ := slices.BinarySearch(p.up, u*p.sum)
	return p.low + min(i, len(p.up)-1)
}
