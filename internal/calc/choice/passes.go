package choice

import "math"

// Pass is one cut of a bore. Code names the reamer or hone, and is empty for a
// drill or boring bar, which need only come near; Reamer says that it is a reamer
// that can be had.
type Pass struct {
	Code      string
	Reamer    bool
	Diameter  float64 // µm from nominal
	Allowance float64 // what it takes at the tightest place of the tightest bore, on average, µm on diameter
}

// drillStep is the step of common metric drills, µm (ISO 235 lists each tenth of
// a millimetre below 14 mm; from memory).
const drillStep = 100

// passes plans the cuts that end with reamer r: one, or two where some bore is
// likelier than notable to leave more than it may take. Then the intermediate size
// is that of the ladder's largest smaller reamer that leaves r enough and takes
// no more than it may itself; without one a drill or boring bar comes before,
// to the middle of what r may take, at a drill's size where there is one.
func (b *bench) passes(s int, r Reamer, allowance Quantity, tooMuch float64) []Pass {
	end := r.cut().mean
	bore := end - allowance.Mean
	last := Pass{r.Code, r.Available, end, allowance.Mean}
	if tooMuch <= notable || r.MaxCut <= 0 {
		return []Pass{last}
	}
	for t := s - 1; t >= 0; t-- {
		q := b.series[t].Reamer
		if q == nil || !q.Available {
			continue
		}
		first, rest := q.cut().mean-bore, end-q.cut().mean
		if rest < r.MinCut || rest > r.MaxCut || first < q.MinCut || q.MaxCut > 0 && first > q.MaxCut {
			continue
		}
		last.Allowance = rest
		return []Pass{{q.Code, true, q.cut().mean, first}, last}
	}
	size := end - (r.MinCut+r.MaxCut)/2
	if b.nominal > 0 {
		if drill := math.Floor((b.nominal+end-r.MinCut)/drillStep)*drillStep - b.nominal; end-drill <= r.MaxCut && drill > bore {
			size = drill
		}
	}
	last.Allowance = end - size
	return []Pass{{"", false, size, size - bore}, last}
}

// repairsAbove counts how many larger steps can be cut one after the other once
// step s is in: each must leave its reamer enough to cut after the one before,
// and the boss its wall.
func (b *bench) repairsAbove(s int) int {
	n := 0
	hole := math.Inf(-1)
	if s >= 0 && b.series[s].Reamer != nil {
		hole = b.series[s].Reamer.cut().mean
	}
	for t := s + 1; t < len(b.series); t++ {
		r := b.series[t].Reamer
		if r == nil || r.cut().mean-hole < r.MinCut {
			continue
		}
		if j := b.joint; j.MinimumWall > 0 && (j.BossDiameter-r.cut().mean)/2 < j.MinimumWall {
			break
		}
		hole = r.cut().mean
		n++
	}
	return n
}
