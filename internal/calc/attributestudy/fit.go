package attributestudy

import (
	"math"
)

// fit is decisions at sizes brought to within one of their mean.
type fit struct{ list []tried }

// sharpest is a blur of a ten-millionth of the parts' range: sharper than anything
// can be told from.
const sharpest = 1e7

// separated says that the parts at the edge alone were in doubt.
func (f fit) separated(edge, origin, scale float64) bool {
	at := (edge - origin) / scale
	for _, t := range f.list {
		if t.at < at && t.yes > 0 || t.at > at && t.no > 0 {
			return false
		}
	}
	return true
}

// atEdge is the log likelihood of an endlessly sharp gauge that decides at a size
// with the shares seen there.
func (f fit) atEdge(at float64) float64 {
	var yes, no float64
	for _, t := range f.list {
		if t.at == at {
			yes, no = yes+t.yes, no+t.no
		}
	}
	return plog(yes, yes/(yes+no)) + plog(no, no/(yes+no))
}

func plog(n, p float64) float64 {
	if n == 0 {
		return 0
	}
	return n * math.Log(p)
}

// at is the log likelihood at a slope and offset, with its first and second
// derivative by the offset and its first by the slope.
func (f fit) at(b, a float64) (value, byA, byAA, byB float64) {
	for _, t := range f.list {
		z := b*t.at - a
		if t.yes > 0 {
			l, m := logNormal(z)
			value += t.yes * l
			byA -= t.yes * m
			byAA -= t.yes * m * (z + m)
			byB += t.yes * m * t.at
		}
		if t.no > 0 {
			l, m := logNormal(-z)
			value += t.no * l
			byA += t.no * m
			byAA -= t.no * m * (m - z)
			byB -= t.no * m * t.at
		}
	}
	return value, byA, byAA, byB
}

// logNormal is ln Φ(z) and its derivative φ/Φ, without loss far below.
func logNormal(z float64) (log, ratio float64) {
	if z > -30 {
		p := math.Erfc(-z/math.Sqrt2) / 2
		return math.Log(p), math.Exp(-z*z/2) / math.Sqrt(2*math.Pi) / p
	}
	// Mills' ratio as a continued fraction: Φ(z) = φ(z)/(x + 1/(x + 2/(x + …))), x = -z.
	x := -z
	c := x
	for k := 8.0; k >= 1; k-- {
		c = x + k/c
	}
	return -z*z/2 - math.Log(math.Sqrt(2*math.Pi)) - math.Log(c), c
}

// profile is the greatest log likelihood at a slope, and the offset there. The
// derivative falls steadily, so that halving always finds it and Newton's step, where
// it stays within, finds it sooner.
func (f fit) profile(b float64) (value, offset float64) {
	low, high := -b-40, b+40
	a := 0.0
	for range 200 {
		_, byA, byAA, _ := f.at(b, a)
		if byA > 0 {
			low = a
		} else {
			high = a
		}
		next := a - byA/byAA
		if !(next > low && next < high) {
			next = (low + high) / 2
		}
		if math.Abs(next-a) <= 1e-13*(1+math.Abs(a)) {
			a = next
			break
		}
		a = next
	}
	value, _, _, _ = f.at(b, a)
	return value, a
}

// steepest is the slope of the greatest likelihood, which is between 0 and sharpest: the
// derivative of the profile by the slope falls steadily.
func (f fit) steepest() float64 {
	rising := func(b float64) bool {
		_, a := f.profile(b)
		_, _, _, byB := f.at(b, a)
		return byB > 0
	}
	low, high := 0.0, 1.0
	for rising(high) && high < sharpest {
		low, high = high, 2*high
	}
	for range 200 {
		middle := (low + high) / 2
		if high-low <= 1e-11*high {
			break
		}
		if rising(middle) {
			low = middle
		} else {
			high = middle
		}
	}
	return (low + high) / 2
}

// crossing is the slope beyond top (steeper, or flatter) at which the profile has
// fallen to level.
func (f fit) crossing(top, level float64, steeper bool) float64 {
	inside, outside := top, 0.0
	if steeper {
		outside = 2 * top
		for range 60 {
			if value, _ := f.profile(outside); value < level || outside > sharpest {
				break
			}
			inside, outside = outside, 2*outside
		}
	}
	for range 200 {
		middle := (inside + outside) / 2
		if !steeper && inside > 4*outside && outside > 0 {
			middle = math.Sqrt(inside * outside) // the slope may be off by many orders
		}
		if !steeper && outside == 0 {
			middle = inside / 2
		}
		if middle == inside || middle == outside || math.Abs(inside-outside) <= 1e-9*inside {
			break
		}
		if value, _ := f.profile(middle); value >= level {
			inside = middle
		} else {
			outside = middle
		}
	}
	return (inside + outside) / 2
}
