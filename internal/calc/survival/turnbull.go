package survival

import (
	"fmt"
	"math"
	"slices"
)

// Stretch is a stretch (From, Until] of lives with the share of all that ended
// within it; where within, nothing tells. From = Until is a moment; Until infinite: beyond
// the last look.
type Stretch struct {
	From, Until float64
	Share       float64
}

// Turnbull is the self-consistent estimate from lives some of which are known between
// inspections only, watched from their beginning (ErrLife otherwise: with left truncation
// the estimate need not be unique). The stretches are those in which the likelihood can put anything:
// from the last beginning of some life's interval before an end of one to that end. Shares are found by
// expectation and maximization until none moves by 1e-10, then below that are none.
func Turnbull(lives []Life) ([]Stretch, error) {
	if err := check(lives); err != nil {
		return nil, err
	}
	if len(lives) == 0 {
		return nil, fmt.Errorf("%w: there is none", ErrLife)
	}
	for i, l := range lives {
		if l.Entered > 0 {
			return nil, fmt.Errorf("%w: life %d was watched from %g on only", ErrLife, i+1, l.Entered)
		}
	}
	out := stretches(lives)
	inside := make([][]int, len(lives)) // the stretches in which each life may have ended
	for i, l := range lives {
		for j, s := range out {
			if within(l, s) {
				inside[i] = append(inside[i], j)
			}
		}
	}
	share := make([]float64, len(out))
	for j := range share {
		share[j] = 1 / float64(len(share))
	}
	for moved := 1.0; moved > 1e-10; {
		next := make([]float64, len(share))
		for _, in := range inside {
			total := 0.0
			for _, j := range in {
				total += share[j]
			}
			for _, j := range in {
				next[j] += share[j] / total / float64(len(lives))
			}
		}
		moved = 0
		for j := range next {
			moved = max(moved, math.Abs(next[j]-share[j]))
		}
		share = next
	}
	kept := out[:0]
	for j, s := range out {
		if s.Share = share[j]; s.Share > 1e-9 {
			kept = append(kept, s)
		}
	}
	return kept, nil
}

// within tells whether a life that ended within s agrees with what is known as l. Of a moment
// both ends count, of a stretch the first does not.
func within(l Life, s Stretch) bool {
	if s.From == s.Until {
		return l.exact() && l.From == s.From || !l.exact() && l.From < s.From && s.Until <= l.Until
	}
	return !l.exact() && l.From <= s.From && s.Until <= l.Until
}

// stretches are the innermost intervals: a beginning that is followed by an end with
// neither between them.
func stretches(lives []Life) []Stretch {
	type edge struct {
		at   float64
		kind int // at one moment in this order: what is seen there begins (1) and ends (2), what ended by then ends (2), what ends later begins (3)
	}
	var edges []edge
	for _, l := range lives {
		if l.exact() {
			edges = append(edges, edge{l.From, 1}, edge{l.From, 2})
		} else {
			edges = append(edges, edge{l.From, 3}, edge{l.Until, 2})
		}
	}
	slices.SortFunc(edges, func(a, b edge) int {
		if a.at != b.at {
			if a.at < b.at {
				return -1
			}
			return 1
		}
		return a.kind - b.kind
	})
	var out []Stretch
	for i := 1; i < len(edges); i++ {
		if a, b := edges[i-1], edges[i]; (a.kind == 1 || a.kind == 3) && b.kind == 2 {
			out = append(out, Stretch{From: a.at, Until: b.at})
		}
	}
	return out
}
