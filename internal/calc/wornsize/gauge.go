package wornsize

import "math"

// Lapse is the probability that a gauged outcome was noted wrongly, each of
// the outcomes then being as likely; Slip is the probability that a measured
// reading has nothing to do with the size (JCGM 101 has no place for such
// readings: they are blunders, not uncertainty). So small they change no answer,
// they keep contradictory readings from making everything impossible.
const (
	Lapse = 1e-9
	Slip  = 1e-10
)

// slipMatters is how far below its peak, as a logarithm, a measured reading's
// density must lie before a slip is worth adding.
const slipMatters = -12

// place says which size a gauge outcome depends on besides the passing size.
type place int

const (
	nowhere place = iota
	atA
	atB
	atLarger // the larger of the two mouths: an end was tried, which is not known
)

// product is one signed term of a gauge outcome: sign × mouth(X) × whole(m),
// X the mouth's smallest size, m that of all sections; nil stands for one.
type product struct {
	mouth, whole []float64
}

// outcome is the probability of one gauged reading as a sum of products.
type outcome struct {
	place    place
	products []product
}

// passes is P(gauge enters a mouth of size x): Φ((x − g − f)/u), averaged over
// a rectangular bias; lip > 0 takes an exponential burr from the size first.
func (o observation) passes(x, feel, shift, lip float64) float64 {
	d := x - o.value + shift - feel
	if lip > 0 {
		return o.overBias(func(b float64) float64 {
			z := (d + b) / o.u
			return math.Max(0, normalCDF(z)-lipTerm(d+b, d+b, o.u, lip))
		})
	}
	if o.low == o.high {
		return normalCDF((d + o.low) / o.u)
	}
	upper, lower := (d+o.high)/o.u, (d+o.low)/o.u
	if lower > 9 {
		return 1
	}
	mean := (integratedNormal(upper) - integratedNormal(lower)) / (upper - lower)
	return math.Max(0, math.Min(1, mean))
}

// integratedNormal is ∫ Φ up to z.
func integratedNormal(z float64) float64 {
	return z*normalCDF(z) + math.Exp(-0.5*z*z-logSqrtTwoPi)
}

// lipTerm is exp(−x/lip) ∫_{−∞}^{m} φ(G/u)/u exp(G/lip) dG, the loss by a burr
// when the mouth is x and the smallest section m above the gauge.
func lipTerm(x, m, u, lip float64) float64 {
	return math.Exp(-x/lip + 0.5*(u/lip)*(u/lip) + logNormalCDF(m/u-u/lip))
}

// overBias averages f over the rectangular bias.
func (o observation) overBias(f func(bias float64) float64) float64 {
	if o.low == o.high {
		return f(o.low)
	}
	gauss := legendre32()
	var sum float64
	for k, node := range gauss.x {
		sum += gauss.w[k] * f(o.low+node*(o.high-o.low))
	}
	return sum
}

// gaugeOutcome tabulates one gauged reading on the sizes s. shift is the
// shared error in these coordinates: the gauge is value − bias − shift.
func (o observation) gaugeOutcome(a *arena, s []float64, feel, shift float64) outcome {
	var out outcome
	switch o.station {
	case MouthA:
		out.place = atA
	case MouthB:
		out.place = atB
	default:
		out.place = atLarger
	}
	lip := o.lip
	tabulate := func(f func(x float64) float64) []float64 {
		t := a.take(len(s))
		for i, x := range s {
			t[i] = f(x)
		}
		return t
	}
	const sure = 1 - Lapse
	third := Lapse / 3
	if o.part { // a short gauge goes or does not
		third = Lapse / 2
	}
	enter := func(x float64) float64 { return o.passes(x, feel, shift, lip) }
	whole := func(x float64) float64 { return o.passes(x, feel, shift, 0) }
	// With a burr: P(the gauge passes) = whole(m) − exp(−(x−o)/lip)·lost(m).
	loss := func(x float64) float64 {
		return math.Exp(math.Max(-300, math.Min(300, -(x-o.value)/lip)))
	}
	lost := func(m float64) float64 {
		d := m - o.value + shift - feel
		return o.overBias(func(b float64) float64 {
			e := (feel-shift-b)/lip + 0.5*(o.u/lip)*(o.u/lip) + logNormalCDF((d+b)/o.u-o.u/lip)
			return math.Exp(math.Min(600, e))
		})
	}
	scaled := func(f func(float64) float64, by, plus float64) []float64 {
		return tabulate(func(x float64) float64 { return by*f(x) + plus })
	}
	switch {
	case o.kind == NoGo:
		out.products = []product{{mouth: tabulate(func(x float64) float64 { return sure*(1-enter(x)) + third })}}
	case o.kind == Go && o.part:
		out.products = []product{{mouth: scaled(enter, sure, third)}}
	case o.kind == Go && lip == 0:
		out.place = nowhere
		out.products = []product{{whole: scaled(whole, sure, third)}}
	case o.kind == Go:
		out.products = []product{{whole: scaled(whole, sure, third)}, {mouth: scaled(loss, -sure, 0), whole: tabulate(lost)}}
	default: // Starts
		out.products = []product{{mouth: scaled(enter, sure, third)}, {whole: scaled(whole, -sure, 0)}}
		if lip > 0 {
			out.products = append(out.products, product{mouth: scaled(loss, sure, 0), whole: tabulate(lost)})
		}
	}
	return out
}

// merged is the outcome when the mouths are the smallest sections: one function
// of one size, added up size by size, so that nothing cancels later.
func (o outcome) merged(a *arena) outcome {
	var sum []float64
	for _, p := range o.products {
		v := times(a, p.mouth, p.whole)
		if sum == nil {
			sum = a.take(len(v))
			copy(sum, v)
			continue
		}
		for i := range sum {
			sum[i] += v[i]
		}
	}
	for i := range sum {
		sum[i] = math.Max(sum[i], Lapse/3)
	}
	return outcome{products: []product{{whole: sum}}}
}

// gaugeTerm is one product over all gauged readings: functions of the two
// mouths, of the larger of them, and of the smallest section; nil is one.
type gaugeTerm struct{ a, b, larger, whole []float64 }

const mostGaugeTerms = 48

// gaugeTerms expands the product of the outcomes.
func gaugeTerms(a *arena, outcomes []outcome) []gaugeTerm {
	terms := []gaugeTerm{{}}
	for _, o := range outcomes {
		next := make([]gaugeTerm, 0, len(terms)*len(o.products))
		for _, t := range terms {
			for _, p := range o.products {
				n := t
				switch o.place {
				case atA:
					n.a = times(a, n.a, p.mouth)
				case atB:
					n.b = times(a, n.b, p.mouth)
				case atLarger:
					n.larger = times(a, n.larger, p.mouth)
				}
				n.whole = times(a, n.whole, p.whole)
				next = append(next, n)
			}
		}
		terms = next
	}
	return terms
}

// times is the product of two tables, nil being one; it never writes to them.
func times(a *arena, x, y []float64) []float64 {
	if x == nil {
		return y
	}
	if y == nil {
		return x
	}
	out := a.take(len(x))
	for i := range x {
		out[i] = x[i] * y[i]
	}
	return out
}
