package wornsize

import "math"

const (
	locatingRounds = 5
	coarsestMass   = 0.17 // share of a law that one cell may hold
)

// locate builds the engine of a feature on a mesh that is fine where the
// readings are sharp: a rough look first to see where the laws lie, then as
// many finer ones as it takes until no cell holds more than coarsestMass.
// spreads is how far shared errors may move, one standard deviation each. Where
// readings of another cylinder are still to come, the mesh is fine at those
// too. The second result is what was found at the centre, all columns kept.
func locate(a *arena, c cylinder, coming *cylinder, centre, spreads []float64, nodes int) (*engine, found) {
	limit := meshLimit
	switch {
	case c.round():
		limit = roundLimit
	case nodes > 100 && c.frameOf() < 0:
		limit = manyLimit
	}
	at := c
	if coming != nil {
		at = *coming
	}
	low, high, foci := firstFoci(at, centre, spreads)
	rough := make([]focus, len(foci), 4*len(foci))
	for i, f := range foci {
		rough[i] = focus{f.centre, f.half, 3 * f.spread}
	}
	moved := c.moved(spreads)
	mark := a.mark()
	e := newEngine(a, c, rough, low, high, spreads, limit, nodes, true)
	f := e.at(centre, true)
	if f.whole != nil {
		if !c.atOdds(f.logEvidence) { // else a rough look may lead astray
			low, high = e.span(f, low, high, moved)
		}
		foci = e.edgeFoci(f, foci, moved)
		foci = e.foreseen(f, foci, low, high)
	}
	for range locatingRounds {
		a.back(mark)
		e = newEngine(a, c, foci, low, high, spreads, limit, nodes, false)
		f = e.at(centre, true)
		if f.whole == nil || e.mesh.full {
			break
		}
		more := e.crowded(f, foci)
		if len(more) == len(foci) {
			break
		}
		foci = more
	}
	return e, f
}

// atOdds reports that an evidence is far less than if every reading were of
// another cylinder, so that slips count.
func (c cylinder) atOdds(logEvidence float64) bool {
	apart := -12.0
	for _, o := range c.observations {
		if o.kind == Measured {
			apart += o.slip - math.Log(Slip)
		}
	}
	return logEvidence < apart
}

// moved is the largest spread of the shared errors that touch a cylinder.
func (c cylinder) moved(spreads []float64) float64 {
	var most float64
	for _, o := range c.observations {
		if o.common >= 0 {
			most = math.Max(most, spreads[o.common])
		}
	}
	return most
}

// span is the part of the mesh outside of which nothing worth counting lies,
// with two cells to spare: the mesh it is judged on is rough.
func (e *engine) span(f found, low, high, moved float64) (float64, float64) {
	const nothing, spare = 1e-8, 2
	s := e.mesh.s
	first, last := 0, len(s)-1
	var mass float64
	for i := range len(s) - 1 {
		mass += (s[i+1] - s[i]) * math.Max(f.base[i]+f.base[i+1], f.whole[i]+f.whole[i+1])
		if mass > nothing {
			first = i
			break
		}
	}
	for k := len(f.clean) - 2; k >= 0 && f.clean[k] > 1-nothing; k-- {
		last = max(first+1, min(last, e.columns[k].end))
	}
	first, last = max(0, first-spare), min(len(s)-1, last+spare)
	return math.Max(low, s[first]-6*moved), math.Min(high, s[last]+6*moved)
}

// edgeFoci makes the mesh fine at the shoulders of the prior that matter.
func (e *engine) edgeFoci(f found, foci []focus, moved float64) []focus {
	p := e.c.prior
	s, base := e.mesh.s, e.mesh.cumulative(e.arena, f.base)
	wander := 0.0 // of the edge, where sizes are counted from a shared error
	if e.frame >= 0 {
		wander = 5 * moved
	}
	for _, edge := range [2]float64{p.Low + f.shift, p.High + f.shift} {
		a, b := e.mesh.cellOf(edge-4*p.Shoulder-6*moved), e.mesh.cellOf(edge+p.Shoulder+6*moved)
		a, b = max(0, a-1), min(len(s)-1, b+2)
		if base[b]-base[a] > 1e-4 {
			foci = append(foci, focus{edge, 3*p.Shoulder + wander, p.Shoulder})
		}
	}
	return foci
}

// foreseen adds a focus wherever the mesh that foci ask for would leave a cell
// with too much of a law, as far as the rough look can tell.
func (e *engine) foreseen(f found, foci []focus, low, high float64) []focus {
	s := e.mesh.s
	asked, largest := foci, (high-low)/36
	add := func(at, width, density float64) {
		if h := stepAt(at, asked, 1, largest); density*h > 0.8*coarsestMass { // the rough look is blurred
			foci = append(foci, focus{at, width / 2, 0.7 * coarsestMass / density / meshStep})
		}
	}
	for i := range len(s) - 1 {
		at, width := 0.5*(s[i]+s[i+1]), s[i+1]-s[i]
		add(at, width, math.Max(math.Max(f.whole[i], f.whole[i+1]), math.Max(f.base[i], f.base[i+1])))
	}
	for k := range len(f.clean) - 1 {
		a, b := e.columns[k].x, e.columns[k+1].x
		if b <= s[len(s)-1] {
			add(0.5*(a+b), b-a, (f.clean[k+1]-f.clean[k])/(b-a))
		}
	}
	return foci
}

// crowded adds a focus for every cell that holds too much of a law.
func (e *engine) crowded(f found, foci []focus) []focus {
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
	return foci
}

// firstFoci places the ends of the mesh and a focus on every reading, the
// weighted mean of the measured ones, and the prior's shoulders.
func firstFoci(c cylinder, centre, spreads []float64) (low, high float64, foci []focus) {
	p := c.prior
	frame := c.frameOf()
	from, wander := c.shiftOf(frame, centre), 0.0
	if frame >= 0 {
		wander = 5 * spreads[frame]
	}
	low, high = p.Low-8*p.Shoulder+from, p.High+8*p.Shoulder+from
	var bell, oval float64
	for z := range 3 {
		bell, oval = math.Max(bell, c.bell[z]), math.Max(oval, c.oval[z])
	}
	tail := 15 * (bell + oval)
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
		shift, moved := -from, wander
		switch {
		case frame >= 0 && o.common == frame:
			shift, moved = 0, 0
		case o.common >= 0:
			shift, moved = shift+o.sign*centre[o.common], moved+5*spreads[o.common]
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
		if oval == 0 && !c.round() {
			spread /= 2 // sections are lines: cheap, and sharper together than apart
		}
		half := 4*o.u + (o.high-o.low)/2 + moved
		if o.lip > 0 { // the metal may lie that far beyond the reading
			half += 2 * o.lip
		}
		if o.kind != Measured { // a step, smoothed by all that varies beside it
			spread, half = 1.5*spread, half-o.u
		}
		foci = append(foci, focus{at, half, math.Min(spread, math.Max(0.3*spread, smallForm(c)))})
		leftmost = math.Min(leftmost, at-half-8*o.u)
		rightmost = math.Max(rightmost, at+half+8*o.u+20*o.lip)
	}
	if weight > 0 && bell+oval < 1/math.Sqrt(weight) {
		sd := 1 / math.Sqrt(weight)
		half := 6 * sd
		if frame < 0 {
			half += 5 * c.moved(spreads)
		}
		if c.round() {
			sd /= 6 // one dimension only: precision costs little
		}
		foci = append(foci, focus{mean / weight, half, sd})
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
