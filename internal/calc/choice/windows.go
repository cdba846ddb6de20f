package choice

import (
	"math"
	"sync"
)

// windows are the weights with which a cut's holes are integrated: they know no
// bore, so joints and outcomes of readings share them.
type windows struct {
	grid []float64
	pins []node
	// whole and part are of all holes and of those whose clearance is within the
	// target, by node of the shared error and by pin; mass is the probability of such
	// a hole.
	whole []span
	part  [][]span
	mass  [][]float64
}

type windowKey struct {
	cut         cutLaw
	pin, target Interval
	coating     float64
}

// windowCache keeps windows; a nil one keeps none.
type windowCache struct {
	mu   sync.Mutex
	kept map[windowKey]*windows
}

func (c *windowCache) of(k windowKey) *windows {
	if c == nil {
		return newWindows(k)
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	w, ok := c.kept[k]
	if !ok {
		if c.kept == nil {
			c.kept = map[windowKey]*windows{}
		}
		w = newWindows(k)
		c.kept[k] = w
	}
	return w
}

func newWindows(k windowKey) *windows {
	c := k.cut
	w := &windows{grid: c.grid(), pins: rectangular(k.pin), whole: make([]span, cutNodes), part: make([][]span, cutNodes), mass: make([][]float64, cutNodes)}
	spans := make([]span, cutNodes*len(w.pins))
	masses := make([]float64, len(spans))
	var room []float64
	for e := range w.whole {
		w.whole[e], room = window(w.grid, c.at(e), c.scatter, math.Inf(-1), math.Inf(1), room)
		at := e * len(w.pins)
		w.part[e], w.mass[e] = spans[at:at+len(w.pins)], masses[at:at+len(w.pins)]
		for p, pin := range w.pins {
			base := pin.x + k.coating
			w.part[e][p], room = window(w.grid, c.at(e), c.scatter, base+k.target.Low, base+k.target.High, room)
			w.mass[e][p] = clampProbability(w.part[e][p].mass())
		}
	}
	return w
}
