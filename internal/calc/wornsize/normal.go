package wornsize

import (
	"math"
	"sync"

	"gonum.org/v1/gonum/integrate/quad"
)

const logSqrtTwoPi = 0.91893853320467274178

// normalCDF is Φ(x), to full relative precision in the lower tail.
func normalCDF(x float64) float64 { return 0.5 * math.Erfc(-x/math.Sqrt2) }

// logNormalCDF is ln Φ(x), finite for every finite x: the asymptotic series
// of Mills' ratio (Abramowitz and Stegun 26.2.12) where Φ underflows.
func logNormalCDF(x float64) float64 {
	if x > -36 {
		return math.Log(normalCDF(x))
	}
	z := 1 / (x * x)
	return -0.5*x*x - logSqrtTwoPi - math.Log(-x) + math.Log1p(-z*(1-3*z*(1-5*z)))
}

// logNormalInterval is ln(Φ(b) − Φ(a)) for a < b, without cancellation.
func logNormalInterval(a, b float64) float64 {
	if a > 0 {
		a, b = -b, -a
	}
	upper, lower := logNormalCDF(b), logNormalCDF(a)
	return upper + math.Log1p(-math.Exp(lower-upper))
}

// gaussTable holds exp(−x²/2) at steps of 1/gaussSteps up to gaussReach.
const (
	gaussSteps = 64
	gaussReach = 38
)

var gaussTable = sync.OnceValue(func() []float64 {
	table := make([]float64, gaussReach*gaussSteps+4)
	for i := range table {
		x := float64(i-1) / gaussSteps
		table[i] = math.Exp(-0.5 * x * x)
	}
	return table
})

// gaussAt interpolates exp(−x²/2) in the table by a cubic: absolute error
// below 1e-8, relative below 1e-3 even thirty deviations out; zero beyond 38.
func gaussAt(table []float64, x float64) float64 {
	x = math.Abs(x) * gaussSteps
	if !(x < gaussReach*gaussSteps) {
		return 0
	}
	i := int(x)
	t := x - float64(i)
	p := table[i : i+4 : i+4]
	a, b, c, d := p[0], p[1], p[2], p[3]
	third := (d - a + 3*(b-c)) / 6 // Lagrange through −1, 0, 1, 2
	second := (a - 2*b + c) / 2
	return b + t*((c-a)/2-third+t*(second+t*third))
}

// expTable holds exp(−x) at steps of 1/expSteps up to expReach.
const (
	expSteps = 64
	expReach = 20
)

var expTable = sync.OnceValue(func() *[expReach*expSteps + 2]float64 {
	var table [expReach*expSteps + 2]float64
	for i := range table {
		table[i] = math.Exp(-float64(i) / expSteps)
	}
	return &table
})

// expAt is exp(x) for −expReach < x ≤ 0, right to 3e-9 of itself: what is left
// beyond a node of the table is a power series to the third order.
func expAt(table *[expReach*expSteps + 2]float64, x float64) float64 {
	i := int(-x * expSteps)
	t := x + float64(i)/expSteps
	return table[i] * (1 + t*(1+t*(0.5+t/6)))
}

// logSum is ln(eᵃ + eᵇ).
func logSum(a, b float64) float64 {
	if a < b {
		a, b = b, a
	}
	if b < a-37 || math.IsInf(a, -1) {
		return a
	}
	return a + math.Log1p(math.Exp(b-a))
}

// rule is a set of nodes with weights that sum to what the rule integrates.
type rule struct{ x, w []float64 }

// legendre is the n-point Gauss–Legendre rule on [0, 1].
func legendre(n int) rule {
	r := rule{make([]float64, n), make([]float64, n)}
	quad.Legendre{}.FixedLocations(r.x, r.w, 0, 1)
	return r
}

// hermite is the n-point Gauss–Hermite rule for the standard normal density.
func hermite(n int) rule {
	r := rule{make([]float64, n), make([]float64, n)}
	quad.Hermite{}.FixedLocations(r.x, r.w, math.Inf(-1), math.Inf(1))
	for i := range r.x {
		r.w[i] /= math.Sqrt(math.Pi) // gonum's weight function is exp(−x²)
		r.x[i] *= math.Sqrt2
	}
	return r
}

var legendre32 = sync.OnceValue(func() rule { return legendre(32) })

var legendre6 = sync.OnceValue(func() rule { return legendre(6) })
