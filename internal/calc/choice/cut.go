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

// allWithin is the probability that so many holes of the cut lie within limits.
func (c cutLaw) allWithin(low, high float64, holes int) float64 {
	sum := 0.0
	for e, w := range sharedW {
		one := 0.0
		switch mu := c.at(e); {
		case c.scatter > 0:
			one = phi((high-mu)/c.scatter) - phi((low-mu)/c.scatter)
		case mu >= low && mu <= high:
			one = 1
		}
		sum += w * math.Pow(clampProbability(one), float64(holes))
	}
	return clampProbability(sum)
}

// span is a run of weights on a grid: the mean of a function linear between
// the grid's points, over the part of a normal law that lies in a window.
type span struct {
	from int
	w    []float64
}

// slab is how many weights are made room for at once.
const slab = 512

// window integrates a normal law of mean mu and standard deviation s over
// [a, b] against functions linear between the points of x: exact for those. The
// weights are taken from room, of which the rest is returned.
func window(x []float64, mu, s, a, b float64, room []float64) (span, []float64) {
	take := func(n int) []float64 {
		if len(room) < n {
			room = make([]float64, max(n, slab))
		}
		w := room[:n:n]
		room = room[n:]
		return w
	}
	n := len(x) - 1
	step := (x[n] - x[0]) / float64(n)
	cell := func(y float64) int {
		i := int(math.Floor((y - x[0]) / step))
		return min(max(i, 0), n-1)
	}
	if s == 0 {
		if mu < a || mu > b {
			return span{}, room
		}
		i := cell(mu)
		t := (mu - x[i]) / step
		out := span{i, take(2)}
		out.w[0], out.w[1] = 1-t, t
		return out, room
	}
	a, b = math.Max(a, mu-6*s), math.Min(b, mu+6*s)
	if a >= b {
		return span{}, room
	}
	i0, i1 := cell(a), cell(b)
	out := span{i0, take(i1 - i0 + 2)}
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
	return out, room
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
