package choice

import "math"

// cells is the number of pieces in which a clean-up law is taken as linear
// across the range of a cut.
const cells = 40

// cutLaw is the hole a reamer makes: mean, the standard uncertainty it shares
// between holes, and the scatter from hole to hole.
type cutLaw struct{ mean, shared, scatter float64 }

func (r Reamer) cut() cutLaw { return cutLaw{r.Diameter + r.Overcut, r.OvercutU, r.Scatter} }

func (c cutLaw) sd() float64 { return math.Hypot(c.shared, c.scatter) }

// at is the mean given node e of the shared error.
func (c cutLaw) at(e int) float64 { return c.mean + c.shared*sharedZ[e] }

// grid spans every hole the cut can make at the nodes of its shared error.
func (c cutLaw) grid() []float64 {
	half := math.Max(0.5, c.shared*math.Abs(sharedZ[0])+6*c.scatter)
	x := make([]float64, cells+1)
	for i := range x {
		x[i] = c.mean - half + 2*half*float64(i)/cells
	}
	return x
}

// span is a run of weights on a grid: the mean of a function linear between
// the grid's points, over the part of a normal law that lies in a window.
type span struct {
	from int
	w    []float64
}

// window integrates a normal law of mean mu and standard deviation s over
// [a, b] against functions linear between the points of x: exact for those.
func window(x []float64, mu, s, a, b float64) span {
	n := len(x) - 1
	step := (x[n] - x[0]) / float64(n)
	cell := func(y float64) int {
		i := int(math.Floor((y - x[0]) / step))
		return min(max(i, 0), n-1)
	}
	if s == 0 {
		if mu < a || mu > b {
			return span{}
		}
		i := cell(mu)
		t := (mu - x[i]) / step
		return span{i, []float64{1 - t, t}}
	}
	a, b = math.Max(a, mu-6*s), math.Min(b, mu+6*s)
	if a >= b {
		return span{}
	}
	i0, i1 := cell(a), cell(b)
	out := span{i0, make([]float64, i1-i0+2)}
	za := (a - mu) / s
	pa, da := phi(za), density(za)
	for i := i0; i <= i1; i++ {
		end := b
		if i < i1 {
			end = x[i+1]
		}
		zb := (end - mu) / s
		pb, db := phi(zb), density(zb)
		mass := pb - pa
		first := mu*mass - s*(db-da) // integral of y over the piece
		right := (first - x[i]*mass) / step
		out.w[i-i0] += mass - right
		out.w[i-i0+1] += right
		pa, da = pb, db
	}
	return out
}

func (s span) mass() float64 {
	sum := 0.0
	for _, w := range s.w {
		sum += w
	}
	return sum
}

func (s span) dot(f []float64) float64 {
	sum := 0.0
	for i, w := range s.w {
		sum += w * f[s.from+i]
	}
	return sum
}
