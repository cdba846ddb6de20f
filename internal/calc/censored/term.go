package censored

import "math"

const logSqrtTwoPi = 0.918938533204672741780329736406 // ½ ln 2π

// term is the log likelihood of one reading at (μ, s) with its derivatives.
type term struct{ l, m, s, mm, ms, ss float64 }

// narrow is the width, in standard deviations, below which an interval is as
// good as exact: the density at its middle times its width is right to
// narrow²/24, and the differences of the closed form cancel.
const narrow = 1e-5

// at works out a reading's term when what was read has the law N(mu, s²).
func (r Reading) at(mu, s float64) term {
	if r.Low == r.High {
		return exact((r.Low-mu)/s, s)
	}
	a, b := (r.Low-mu)/s, (r.High-mu)/s
	if b-a < narrow {
		t := exact((a+b)/2, s)
		t.l += math.Log(r.High - r.Low)
		return t
	}
	logP := logInterval(a, b)
	// Ratios of densities at the ends to the probability between them.
	ratio := func(z float64) float64 {
		if math.IsInf(z, 0) {
			return 0
		}
		return math.Exp(-z*z/2 - logSqrtTwoPi - logP)
	}
	power := func(z, phi float64, n int) float64 {
		if phi == 0 {
			return 0
		}
		for range n {
			phi *= z
		}
		return phi
	}
	pa, pb := ratio(a), ratio(b)
	d := func(n int) float64 { return power(b, pb, n) - power(a, pa, n) }
	d0, d1, d2, d3 := d(0), d(1), d(2), d(3)
	return term{
		l: logP, m: -d0 / s, s: -d1 / s,
		mm: -(d1 + d0*d0) / (s * s),
		ms: (d0 - d2 - d0*d1) / (s * s),
		ss: (2*d1 - d3 - d1*d1) / (s * s),
	}
}

func exact(z, s float64) term {
	return term{
		l: -z*z/2 - math.Log(s) - logSqrtTwoPi, m: z / s, s: (z*z - 1) / s,
		mm: -1 / (s * s), ms: -2 * z / (s * s), ss: (1 - 3*z*z) / (s * s),
	}
}

// logInterval is ln[Φ(b) − Φ(a)] for a < b, without loss in either tail.
func logInterval(a, b float64) float64 {
	if a > 0 {
		a, b = -b, -a
	}
	if a <= 0 && b >= 0 { // the two tails outside are what is small
		return math.Log1p(-math.Exp(logBelow(a)) - math.Exp(logBelow(-b)))
	}
	upper, lower := logBelow(b), logBelow(a)
	return upper + math.Log1p(-math.Exp(lower-upper))
}

// logBelow is ln Φ(z).
func logBelow(z float64) float64 {
	if z > -30 {
		return math.Log(math.Erfc(-z/math.Sqrt2) / 2)
	}
	// Asymptotic series (M. Abramowitz and I. Stegun, Handbook of Mathematical
	// Functions, 1964, 26.2.12); the next term is below 1e-10 here.
	w := 1 / (z * z)
	return -z*z/2 - logSqrtTwoPi - math.Log(-z) + math.Log1p(-w*(1-3*w*(1-5*w*(1-7*w))))
}
