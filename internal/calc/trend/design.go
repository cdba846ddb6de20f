package trend

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// piece is the line between two changes, in the scaled x of the layout.
type piece struct {
	from, to    float64 // from <= x < to
	level, rate int     // columns of the design
	opens       *Break  // nil: the first
	points      int
}

// layout places points and changes on the design's columns. Inside, x is
// (X - middle)/reach and y is Y - base, so that neither origin nor unit costs
// digits.
type layout struct {
	middle, reach, base float64
	pieces              []piece
	anchors             []float64 // by level: where its column counts from
	columns             int
}

func (l *layout) in(x float64) float64 { return (x - l.middle) / l.reach }

// nought is below what a span of x is none: its inverse would pass what a float64 holds.
const nought = 1e-100

func newLayout(points []Point, breaks []Break, weight []float64) *layout {
	l := &layout{reach: 1}
	if len(points) > 0 {
		low, high := points[0].X, points[0].X
		var sum float64
		for i, p := range points {
			low, high = math.Min(low, p.X), math.Max(high, p.X)
			l.base += weight[i] * p.Y
			sum += weight[i]
		}
		l.middle, l.base = low+(high-low)/2, l.base/sum
		if high-low > nought {
			l.reach = (high - low) / 2
		}
	} else if len(breaks) > 0 {
		l.middle = breaks[0].X
	}
	l.cut(breaks)
	l.anchor(points, weight)
	return l
}

// cut makes the pieces. Changes at one x are one: a repair there swallows a
// lubrication, and a new rate counts where any of them starts one.
func (l *layout) cut(breaks []Break) {
	sorted := slices.Clone(breaks)
	slices.SortStableFunc(sorted, func(a, b Break) int {
		switch {
		case a.X < b.X:
			return -1
		case a.X > b.X:
			return 1
		}
		return 0
	})
	var merged []Break
	for _, b := range sorted {
		if n := len(merged); n > 0 && merged[n-1].X == b.X {
			merged[n-1].Change = both(merged[n-1].Change, b.Change)
			continue
		}
		merged = append(merged, b)
	}
	levels, rates := 1, 1
	l.pieces = []piece{{from: math.Inf(-1), to: math.Inf(1)}}
	for i := range merged {
		b := &merged[i]
		last := &l.pieces[len(l.pieces)-1]
		next := piece{from: l.in(b.X), to: math.Inf(1), level: last.level, rate: last.rate, opens: b}
		last.to = next.from
		if b.Change != Lubrication {
			next.level = levels
			levels++
		}
		if b.Change != Repair {
			next.rate = rates
			rates++
		}
		l.pieces = append(l.pieces, next)
	}
	for i := range l.pieces { // levels first, then rates
		l.pieces[i].rate += levels
	}
	l.anchors, l.columns = make([]float64, levels), levels+rates
}

func both(a, b Change) Change {
	if a == b {
		return a
	}
	return RepairNewRate // each pair of different changes has a jump and a new rate in it
}

// anchor counts each level from the middle of its points.
func (l *layout) anchor(points []Point, weight []float64) {
	sums := make([]float64, len(l.anchors))
	for i, p := range points {
		at := l.pieceAt(p.X)
		l.pieces[at].points++
		level := l.pieces[at].level
		l.anchors[level] += weight[i] * l.in(p.X)
		sums[level] += weight[i]
	}
	for level := range l.anchors {
		if sums[level] > 0 {
			l.anchors[level] /= sums[level]
			continue
		}
		l.anchors[level] = 0
		for _, p := range l.pieces {
			if p.level == level && !math.IsInf(p.from, -1) {
				l.anchors[level] = p.from
				break
			}
		}
	}
}

// pieceAt is the piece that holds X.
func (l *layout) pieceAt(x float64) int {
	for i := len(l.pieces) - 1; i > 0; i-- {
		if x >= l.pieces[i].opens.X {
			return i
		}
	}
	return 0
}

// row is the linear function of the parameters that is the line of piece k at
// the scaled x, extended beyond the piece's ends.
func (l *layout) row(k int, x float64) []float64 {
	v := make([]float64, l.columns)
	own := l.pieces[k]
	v[own.level] = 1
	inside := clamp(x, own)
	for _, p := range l.pieces {
		if p.level == own.level {
			v[p.rate] += clamp(inside, p) - clamp(l.anchors[p.level], p)
		}
	}
	v[own.rate] += x - inside
	return v
}

func clamp(x float64, p piece) float64 { return math.Min(math.Max(x, p.from), p.to) }

// fitted is the least squares solution: estimates of the columns, the
// covariance for a scale of 1, and a basis of what the points tell.
type fitted struct {
	*layout
	estimate []float64
	known    [][]float64 // orthonormal: the functions that can be estimated
	inverse  []float64   // by known: 1/σ
	rank     int
}

// tiny is below what, relative to the greatest, a singular value is nought, and
// how much of a function may lie outside what is known.
const tiny = 1e-10

// solve fits the points, with root the square roots of their weights.
func (l *layout) solve(points []Point, root []float64) *fitted {
	f := &fitted{layout: l, estimate: make([]float64, l.columns)}
	n := len(points)
	if n == 0 {
		return f
	}
	// Rows of zeros make the matrix tall enough for a thin decomposition.
	design := mat.NewDense(max(n, l.columns), l.columns, nil)
	y := make([]float64, max(n, l.columns))
	for i, p := range points {
		row := l.row(l.pieceAt(p.X), l.in(p.X))
		for j, v := range row {
			design.Set(i, j, root[i]*v)
		}
		y[i] = root[i] * (p.Y - l.base)
	}
	var svd mat.SVD
	if !svd.Factorize(design, mat.SVDThin) {
		return f // nothing is known; no finite design was seen to come here
	}
	values := svd.Values(nil)
	var u, v mat.Dense
	svd.UTo(&u)
	svd.VTo(&v)
	for k, s := range values {
		if s <= tiny*values[0] {
			break
		}
		f.rank++
		dot := 0.0
		for i := range y {
			dot += u.At(i, k) * y[i]
		}
		direction := make([]float64, l.columns)
		for j := range direction {
			direction[j] = v.At(j, k)
			f.estimate[j] += direction[j] * dot / s
		}
		f.known = append(f.known, direction)
		f.inverse = append(f.inverse, 1/s)
	}
	return f
}

// covariance is that of two linear functions, for a scale of 1.
func (f *fitted) covariance(a, b []float64) float64 {
	sum := 0.0
	for k, d := range f.known {
		sum += dot(a, d) * dot(b, d) * f.inverse[k] * f.inverse[k]
	}
	return sum
}

// estimable reports whether the points tell the function a at all.
func (f *fitted) estimable(a []float64) bool {
	rest := slices.Clone(a)
	for _, d := range f.known {
		along := dot(a, d)
		for j := range rest {
			rest[j] -= along * d[j]
		}
	}
	return math.Sqrt(dot(rest, rest)) <= 1e-7*math.Sqrt(dot(a, a))
}

func dot(a, b []float64) float64 {
	sum := 0.0
	for i, v := range a {
		sum += v * b[i]
	}
	return sum
}
