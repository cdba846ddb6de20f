package wornsize

import (
	"math"
	"slices"
)

// triangle holds a function of (S, L) on the mesh of n sizes: row i has S = s[i]
// and L = s[i−1], s[i], …, the first (one step beyond w = 0) only to steady the
// quadrature; row 0 starts with a blank. With no ovality a row is w = 0 alone.
type triangle struct {
	n    int
	flat bool
	v    []float64
}

func newTriangle(a *arena, n int, flat bool) triangle {
	t := triangle{n: n, flat: flat}
	if flat {
		t.v = a.take(n)
	} else {
		t.v = a.take(t.start(n))
	}
	return t
}

// start is where row i begins.
func (t triangle) start(i int) int { return i*(t.n+1) - i*(i-1)/2 }

func (t triangle) row(i int) []float64 {
	if t.flat {
		return t.v[i : i+1 : i+1]
	}
	from, to := t.start(i), t.start(i+1)
	return t.v[from:to:to]
}

func (t triangle) add(other triangle) {
	for i, v := range other.v {
		t.v[i] += v
	}
}

// highest is the largest entry that is not a blank.
func (t triangle) highest() float64 {
	most := math.Inf(-1)
	for i, v := range t.v {
		if v > most && (i > 0 || t.flat) {
			most = v
		}
	}
	return most
}

// unit is the readings of one section that are tabulated together: those of
// unknown direction that carry the same shared error, or all of stated
// direction, which share the section's angle φ.
type unit struct {
	readings []observation
	section  int // 0, 1, 2, or −1 when the station was not noted
	common   int // the one shared error of its readings, −1 none, −2 several
	directed bool
	tables   map[tableKey]triangle // nil where no error is shared
}

// window is the part of the (S, L) plane worth computing: in row i from
// from[i] to to[i]. What lies outside is as good as impossible.
type window struct{ from, to []int }

func (c window) shut(i, j int) bool { return c.from != nil && (j < c.from[i] || j > c.to[i]) }

// tableKey names a table of a unit: the shared error it was made for, and
// whether its section can be oval.
type tableKey struct {
	shift float64
	flat  bool
}

// unitsOf groups the measured readings. Beyond mostUnplaced readings without
// a station, those that read most alike are taken to be of one section.
func unitsOf(measured []observation) (placed, unplaced []*unit) {
	join := func(o observation, z int, directed bool) {
		for _, u := range placed {
			if u.section != z || u.directed != directed || !directed && u.common != o.common {
				continue
			}
			u.readings = append(u.readings, o)
			if u.common != o.common {
				u.common = -2
			}
			return
		}
		placed = append(placed, &unit{readings: []observation{o}, section: z, common: o.common, directed: directed})
	}
	var loose []observation
	for _, o := range measured {
		if o.station == AnyStation {
			loose = append(loose, o)
			continue
		}
		join(o, int(o.station)-1, !math.IsNaN(o.direction))
	}
	for _, group := range groupAlike(loose) {
		u := &unit{readings: group, section: -1, common: group[0].common}
		for _, o := range group {
			if o.common != u.common {
				u.common = -2
			}
		}
		unplaced = append(unplaced, u)
	}
	return placed, unplaced
}

const mostUnplaced = 4

// groupAlike joins neighbours in size until at most mostUnplaced groups remain.
func groupAlike(loose []observation) [][]observation {
	slices.SortStableFunc(loose, func(a, b observation) int {
		switch x, y := a.centre(), b.centre(); {
		case x < y:
			return -1
		case x > y:
			return 1
		}
		return 0
	})
	groups := make([][]observation, len(loose))
	for i, o := range loose {
		groups[i] = []observation{o}
	}
	for len(groups) > mostUnplaced {
		closest, gap := 0, math.Inf(1)
		for i := range len(groups) - 1 {
			left, right := groups[i], groups[i+1]
			d := right[len(right)-1].centre() - left[0].centre()
			if d < gap {
				closest, gap = i, d
			}
		}
		groups[closest] = append(groups[closest], groups[closest+1]...)
		groups = slices.Delete(groups, closest+1, closest+2)
	}
	return groups
}

// table tabulates the log likelihood of a unit at shared errors shifts (by
// index of the shared error) in section z. It is kept for when the same error
// comes again.
func (e *engine) table(u *unit, z int, shifts []float64) triangle {
	flat := e.flat[z]
	key := tableKey{flat: flat}
	keeps := u.common != -2 && (e.nodes > 1 || u.section < 0)
	if u.common >= 0 {
		key.shift = shifts[u.common]
	}
	if t, ok := u.tables[key]; keeps && ok {
		return t
	}
	moved := u.readings
	if u.common != -1 {
		moved = slices.Clone(moved)
		for i := range moved {
			if moved[i].common >= 0 {
				moved[i].value -= moved[i].sign * shifts[moved[i].common]
			}
		}
	}
	s := e.mesh.s
	t := newTriangle(e.arena, len(s), flat)
	var cells window
	if u.section >= 0 && !flat {
		cells = e.open[z]
	}
	switch {
	case flat:
		for i, x := range s {
			t.v[i] = sumLog(moved, x)
		}
	case u.directed && len(moved) > 1:
		e.addDirected(t, moved, cells)
	default:
		e.addUndirected(t, moved, cells)
	}
	if keeps {
		if u.tables == nil {
			u.tables = map[tableKey]triangle{}
		}
		u.tables[key] = t
	}
	return t
}

func sumLog(readings []observation, x float64) float64 {
	var sum float64
	for _, o := range readings {
		sum += o.logDensity(x)
	}
	return sum
}
