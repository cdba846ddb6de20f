package gaugestudy

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Interval bounds a standard deviation, in micrometres, at the study's confidence.
type Interval struct{ Low, High float64 }

// term is a mean square times a number, which may be negative.
type term struct {
	times float64
	row   Row
}

// combination is a sum of mean squares whose expectation is a variance.
type combination []term

func (c combination) value() float64 {
	var sum float64
	for _, t := range c {
		sum += t.times * t.row.MeanSquare
	}
	return sum
}

// dof are the effective degrees of freedom of the combination (F. E.
// Satterthwaite, Biometrics Bull. 2 (1946) 110), at least 1; 0 when it is not above zero.
func (c combination) dof() float64 {
	v := c.value()
	if v <= 0 {
		return 0
	}
	var sum float64
	for _, t := range c {
		sum += square(t.times*t.row.MeanSquare/v) / t.row.DoF
	}
	return math.Max(1, 1/sum)
}

// interval is the two-sided modified large-sample interval of the root of the
// combination. Alone, a mean square gives the exact chi-square interval. All
// entries have degrees of freedom.
func (c combination) interval(confidence float64) Interval {
	tail := (1 - confidence) / 2
	var down, up float64
	for _, t := range c {
		n, at := t.row.DoF, square(t.times*t.row.MeanSquare)
		g, h := shrink(n, tail), grow(n, tail)
		if t.times > 0 {
			down, up = down+g*g*at, up+h*h*at
		} else {
			down, up = down+h*h*at, up+g*g*at
		}
	}
	for _, plus := range c {
		for _, minus := range c {
			if plus.times <= 0 || minus.times >= 0 {
				continue
			}
			n, m := plus.row.DoF, minus.row.DoF
			cross := plus.times * -minus.times * plus.row.MeanSquare * minus.row.MeanSquare
			f := distuv.F{D1: n, D2: m}
			high, low := f.Quantile(1-tail), f.Quantile(tail)
			down += cross * (square(high-1) - square(shrink(n, tail)*high) - square(grow(m, tail))) / high
			up += cross * (square(1-low) - square(grow(n, tail)*low) - square(shrink(m, tail))) / low
		}
	}
	v := c.value()
	return Interval{Low: root(v - root(down)), High: root(v + root(up))}
}

// shrink and grow are 1 - 1/F(1-tail; n, ∞) and 1/F(tail; n, ∞) - 1.
func shrink(n, tail float64) float64 { return 1 - n/distuv.ChiSquared{K: n}.Quantile(1-tail) }

func grow(n, tail float64) float64 { return n/distuv.ChiSquared{K: n}.Quantile(tail) - 1 }

// root is the square root, of nothing where there is less than nothing.
func root(x float64) float64 { return math.Sqrt(math.Max(0, x)) }
