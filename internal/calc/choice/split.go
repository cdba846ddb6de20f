package choice

import (
	"fmt"

	"pinwright/internal/calc/wornsize"
)

// splitter estimates a set with one reading added, and only the part of it
// that the reading can move: features that share no error with the one read
// keep their laws, and the two parts are independent.
type splitter struct {
	set      wornsize.Set
	now      wornsize.Posterior
	part     []int // of each feature, the number of its part
	estimate Estimator
	rest     map[int]wornsize.Posterior // of a part, all that lies outside
}

// mostNodes bounds the product of the two parts' nodes; beyond it the whole
// set is estimated at once.
const mostNodes = 128

func newSplitter(set wornsize.Set, now wornsize.Posterior, estimate Estimator) *splitter {
	s := &splitter{set: set, now: now, part: make([]int, len(set.Features)), estimate: estimate, rest: map[int]wornsize.Posterior{}}
	owner := make([]int, len(set.Commons))
	for c := range owner {
		owner[c] = -1
	}
	for f := range s.part {
		s.part[f] = f
	}
	for f, feature := range set.Features {
		for _, r := range feature.Readings {
			if r.Common < 0 || r.Common >= len(owner) {
				continue
			}
			if owner[r.Common] < 0 {
				owner[r.Common] = f
				continue
			}
			s.join(s.part[owner[r.Common]], s.part[f])
		}
	}
	return s
}

func (s *splitter) join(a, b int) {
	for f := range s.part {
		if s.part[f] == b {
			s.part[f] = a
		}
	}
}

// separate says whether a feature shares no error with any other.
func (s *splitter) separate(feature int) bool {
	inside, _ := s.sides(s.part[feature])
	return len(inside) == 1
}

// alone estimates one feature with a reading added and leaves the others as
// they are: exact for a separate feature, else without what the others tell of
// the errors it shares.
func (s *splitter) alone(feature int, r wornsize.Reading) (wornsize.Posterior, error) {
	one, err := s.whole(subset(with(s.set, feature, r), []int{feature}))
	if err != nil {
		return one, err
	}
	out := wornsize.Posterior{Weights: s.now.Weights, LogEvidence: one.LogEvidence,
		Features: append([]wornsize.FeaturePosterior(nil), s.now.Features...)}
	f := one.Features[0]
	f.PassingAt, f.CleanUpAt = nil, nil
	for range out.Weights {
		f.PassingAt, f.CleanUpAt = append(f.PassingAt, f.Passing), append(f.CleanUpAt, f.CleanUp)
	}
	out.Features[feature] = f
	return out, nil
}

// with estimates the set with a reading of a feature added.
func (s *splitter) with(feature int, r wornsize.Reading) (wornsize.Posterior, error) {
	full := with(s.set, feature, r)
	inside, outside := s.sides(s.part[feature])
	if len(outside) == 0 {
		return s.whole(full)
	}
	rest, ok := s.rest[s.part[feature]]
	if !ok {
		var err error
		if rest, err = s.whole(subset(s.set, outside)); err != nil {
			return wornsize.Posterior{}, err
		}
		s.rest[s.part[feature]] = rest
	}
	part, err := s.whole(subset(full, inside))
	if err != nil {
		return wornsize.Posterior{}, err
	}
	if len(part.Weights)*len(rest.Weights) > mostNodes {
		return s.whole(full)
	}
	return merge(part, inside, rest, outside), nil
}

func (s *splitter) whole(set wornsize.Set) (wornsize.Posterior, error) {
	post, err := s.estimate(set)
	if err != nil {
		return post, fmt.Errorf("estimate the set with one reading more: %w", err)
	}
	return post, nil
}

func (s *splitter) sides(part int) (inside, outside []int) {
	for f, p := range s.part {
		if p == part {
			inside = append(inside, f)
		} else {
			outside = append(outside, f)
		}
	}
	return inside, outside
}

func subset(set wornsize.Set, features []int) wornsize.Set {
	out := wornsize.Set{Commons: set.Commons, Stop: set.Stop}
	for _, f := range features {
		out.Features = append(out.Features, set.Features[f])
	}
	return out
}

// merge joins two independent posteriors: nodes are pairs of nodes, the first
// part's slowest.
func merge(a wornsize.Posterior, inA []int, b wornsize.Posterior, inB []int) wornsize.Posterior {
	out := wornsize.Posterior{
		Features:    make([]wornsize.FeaturePosterior, len(inA)+len(inB)),
		LogEvidence: a.LogEvidence + b.LogEvidence,
	}
	for _, x := range a.Weights {
		for _, y := range b.Weights {
			out.Weights = append(out.Weights, x*y)
		}
	}
	place := func(post wornsize.Posterior, features []int, at func(i, k int) int) {
		for n, f := range features {
			p := post.Features[n]
			passing, cleanUp := p.PassingAt, p.CleanUpAt
			p.PassingAt, p.CleanUpAt = nil, nil
			for i := range a.Weights {
				for k := range b.Weights {
					p.PassingAt = append(p.PassingAt, passing[at(i, k)])
					p.CleanUpAt = append(p.CleanUpAt, cleanUp[at(i, k)])
				}
			}
			out.Features[f] = p
		}
	}
	place(a, inA, func(i, _ int) int { return i })
	place(b, inB, func(_, k int) int { return k })
	return out
}
