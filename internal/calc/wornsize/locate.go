package wornsize

import "math"

const (
	locatingRounds = 8
	coarsestMass   = 0.17 // share of a law that one cell may hold
)

// locate builds the engine of a feature on a mesh that is fine where the
// readings are sharp, then looks where the laws lie and refines there until no
// cell holds more than coarsestMass. reach is how far shared errors may move
// each reading. An error is not possible: at worst the mesh stays coarse.
func locate(c cylinder, centre []float64, spreads []float64) *engine {
	low, high, foci := firstFoci(c, centre, spreads)
	var e *engine
	for range locatingRounds {
		e = newEngine(c, foci, low, high)
		f := e.at(centre, true)
		if f.whole == nil {
			return e
		}
		before := len(foci)
		s := e.mesh.s
		for _, density := range [2][]float64{f.whole, f.base} {
			for i := range len(s) - 1 {
				width := s[i+1] - s[i]
				if 0.5*(density[i]+density[i+1])*width > coarsestMass {
					foci = append(foci, focus{0.5 * (s[i] + s[i+1]), width, width / 3 / meshStep})
				}
			}
		}
		for k := range len(f.clean) - 1 {
			a, b := e.columns[k].x, e.columns[k+1].x
			if f.clean[k+1]-f.clean[k] > coarsestMass && b <= s[len(s)-1] {
				foci = append(foci, focus{0.5 * (a + b), b - a, (b - a) / 3 / meshStep})
			}
		}
		if len(foci) == before {
			return e
		}
	}
	return e
}

// firstFoci places the ends of the mesh and a focus on every reading, the
// weighted mean of the measured ones, and the prior's shoulders.
func firstFoci(c cylinder, centre, spreads []float64) (low, high float64, foci []focus) {
	p := c.prior
	low, high = p.Low-8*p.Shoulder, p.High+8*p.Shoulder
	var bell, oval float64
	for z := range 3 {
		bell, oval = math.Max(bell, c.bell[z]), math.Max(oval, c.oval[z])
	}
	tail := 15 * (bell + oval)
	foci = append(foci,
		focus{p.Low, 3 * p.Shoulder, p.Shoulder / meshStep / 2},
		focus{p.High, 3 * p.Shoulder, p.Shoulder / meshStep / 2})
	var inSection [4]float64
	for _, o := range c.observations {
		if o.kind == Measured {
			inSection[o.station]++
		}
	}
	count := 0.0
	for _, n := range inSection {
		count += n
	}
	var weight, mean float64
	leftmost, rightmost := low, high
	for _, o := range c.observations {
		shift, moved := 0.0, 0.0
		if o.common >= 0 {
			shift, moved = o.sign*centre[o.common], 5*spreads[o.common]
		}
		at := o.centre() - shift
		spread := o.u
		if o.kind == Measured {
			together := inSection[o.station]
			if bell+oval < 0.2*o.u {
				together = count
			}
			if oval < 2*o.u {
				spread = o.u / math.Sqrt(math.Max(1, together))
			}
			weight += 1 / (o.u * o.u)
			mean += at / (o.u * o.u)
		} else {
			at += c.feel
		}
		half := 4*o.u + (o.high-o.low)/2 + moved
		if o.lip > 0 { // the metal may lie that far beyond the reading
			half += 2 * o.lip
		}
		foci = append(foci, focus{at, half, math.Min(spread, math.Max(0.3*spread, smallForm(c)))})
		leftmost = math.Min(leftmost, at-half-8*o.u)
		rightmost = math.Max(rightmost, at+half+8*o.u+20*o.lip)
	}
	if weight > 0 && bell+oval < 1/math.Sqrt(weight) {
		sd := 1 / math.Sqrt(weight)
		foci = append(foci, focus{mean / weight, 6 * sd, sd})
	}
	if leftmost < low {
		low = leftmost - tail
	}
	return low, math.Max(high, rightmost) + tail, foci
}

// smallForm is the smallest mean of the form errors that exist, µm.
func smallForm(c cylinder) float64 {
	least := math.Inf(1)
	for z := range 3 {
		for _, mean := range [2]float64{c.bell[z], c.oval[z]} {
			if mean > 0 {
				least = math.Min(least, mean)
			}
		}
	}
	return least
}
