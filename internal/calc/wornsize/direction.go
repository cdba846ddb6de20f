package wornsize

import (
	"math"
	"slices"
)

// turns is a rule over the section's angle φ for several stated directions:
// c[r][k] is the share reading r sees at node k.
type turns struct {
	c [][]float64
	w []float64
}

// directedNodes averages over φ: equal steps over half a turn for an ellipse
// (the integrand is periodic and smooth), Gauss–Legendre between the corners
// of |cos| otherwise.
func directedNodes(n int, readings []observation, lobing float64) turns {
	var angles, weights []float64
	if lobing == 2 {
		for k := range n {
			angles = append(angles, (float64(k)+0.5)*math.Pi/float64(n))
			weights = append(weights, 1/float64(n))
		}
	} else {
		var corners []float64
		for _, o := range readings {
			corners = append(corners, math.Mod(o.direction+90, 180)*math.Pi/180)
		}
		slices.Sort(corners)
		corners = slices.Compact(corners)
		corners = append(corners, corners[0]+math.Pi)
		for p := range len(corners) - 1 {
			width := corners[p+1] - corners[p]
			r := legendre(max(6, int(math.Ceil(float64(n)*width/math.Pi))))
			for k, x := range r.x {
				angles = append(angles, corners[p]+x*width)
				weights = append(weights, r.w[k]*width/math.Pi)
			}
		}
	}
	t := turns{w: weights}
	for _, o := range readings {
		c := make([]float64, len(angles))
		for k, a := range angles {
			cos := math.Abs(math.Cos(o.direction*math.Pi/180 - a))
			c[k] = math.Pow(cos, lobing)
		}
		t.c = append(t.c, c)
	}
	return t
}

// addDirected adds to t the log likelihood of readings in stated directions of
// one section, their common angle φ integrated out.
func addDirected(t triangle, s []float64, readings []observation, lobing float64, cells window) {
	plain := true
	var info float64
	for _, o := range readings {
		info += 1 / (o.u * o.u)
		plain = plain && o.low == o.high && o.lip == 0
	}
	blur := 1 / math.Sqrt(info)
	at := directedLog(readings, lobing)
	if plain && lobing == 2 {
		at = ellipseLog(readings)
	}
	for i := range s {
		row := t[i]
		for jj := range row {
			j := i - 1 + jj
			if j < 0 {
				continue
			}
			w := s[j] - s[i]
			if cells.shut(i, j, w) {
				row[jj] = math.Inf(-1)
				continue
			}
			n := 8
			for float64(n) < 6+2.2*math.Abs(w)/blur && n < 1000 {
				n += n / 2
			}
			row[jj] += at(s[i], w, n)
		}
	}
}

// directedLog is the log likelihood at smallest size s and ovality w by n
// angles, one reading and angle at a time.
func directedLog(readings []observation, lobing float64) func(s, w float64, n int) float64 {
	const most = 96 // angles: beyond, a biased method is itself as wide as the steps
	made := map[int]turns{}
	tables := make([]densityTable, len(readings))
	for r, o := range readings {
		tables[r] = newDensityTable(o)
	}
	var logs []float64
	return func(s, w float64, n int) float64 {
		n = min(n, most)
		nodes, ok := made[n]
		if !ok {
			nodes = directedNodes(n, readings, lobing)
			made[n] = nodes
		}
		logs = append(logs[:0], nodes.w...)
		clear(logs)
		for r := range tables {
			for k, c := range nodes.c[r] {
				logs[k] += tables[r].at(s + w*c)
			}
		}
		return logOfMean(logs, nodes.w)
	}
}

// ellipseLog is directedLog for normal readings on an ellipse. With
// c = (1 + cos 2(θ−φ))/2 the exponent is a constant and waves of 2φ and 4φ, so
// that the number of readings no longer counts.
func ellipseLog(readings []observation) func(s, w float64, n int) float64 {
	type waves struct{ cos2, sin2, cos4, sin4 []float64 }
	made := map[int]waves{}
	origin := readings[0].value - readings[0].low
	var weight, vv, v, logNorm float64
	var c2, s2, vc2, vs2, c4, s4 float64
	for _, o := range readings {
		g, x := 1/(o.u*o.u), o.value-o.low-origin
		sin, cos := math.Sincos(2 * o.direction * math.Pi / 180)
		weight, v, vv = weight+g, v+g*x, vv+g*x*x
		c2, s2, vc2, vs2 = c2+g*cos, s2+g*sin, vc2+g*x*cos, vs2+g*x*sin
		c4, s4 = c4+g*(cos*cos-sin*sin), s4+2*g*sin*cos
		logNorm -= logSqrtTwoPi + math.Log(o.u)
	}
	var logs []float64
	return func(s, w float64, n int) float64 {
		table, ok := made[n]
		if !ok {
			for k := range n {
				sin, cos := math.Sincos(2 * math.Pi * (float64(k) + 0.5) / float64(n))
				table.cos2, table.sin2 = append(table.cos2, cos), append(table.sin2, sin)
				table.cos4, table.sin4 = append(table.cos4, cos*cos-sin*sin), append(table.sin4, 2*sin*cos)
			}
			made[n] = table
		}
		m := s - origin + w/2
		a, b := w/2*(vc2-m*c2), w/2*(vs2-m*s2)
		c, d := -w*w/16*c4, -w*w/16*s4
		logs = append(logs[:0], table.cos2...)
		most := math.Inf(-1)
		for k := range logs {
			l := a*table.cos2[k] + b*table.sin2[k] + c*table.cos4[k] + d*table.sin4[k]
			logs[k] = l
			if l > most {
				most = l
			}
		}
		var sum float64
		for _, l := range logs {
			if l > most-20 {
				sum += math.Exp(l - most)
			}
		}
		square := vv - 2*m*v + m*m*weight + w*w/8*weight
		return logNorm - 0.5*square + most + math.Log(sum/float64(n))
	}
}

// logOfMean is the log of the weighted mean of exp(logs).
func logOfMean(logs, weights []float64) float64 {
	most := slices.Max(logs)
	if math.IsInf(most, -1) {
		return most
	}
	var sum float64
	for k, l := range logs {
		if l > most-34 {
			sum += weights[k] * math.Exp(l-most)
		}
	}
	return most + math.Log(sum)
}
