package endfloat

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"

	"pinwright/internal/calc/length"
)

// What can be wrong; the errors returned wrap one of these and say how to mend it.
var (
	ErrFloat = errors.New("end float or target is not as it must be")
	ErrStack = errors.New("stack of shims is not as it must be")
)

// Bounds of the search.
const (
	MostShims = 6  // in one set
	MostSizes = 25 // different thicknesses, which have 736,281 sets of six and fewer
)

// Size is one thickness of the stack.
type Size struct {
	Thickness length.Length // 1 µm to 20 mm
	Count     int           // how many there are, at least 1; more than MostShims are as many
}

// Question is what to choose for.
type Question struct {
	Float       length.Length // measured without shims, -20 to 100 mm; below 0: the parts bind
	U           float64       // its standard uncertainty, µm, over 0
	ShimU       float64       // of each shim, µm, at least 0
	Low, High   length.Length // target
	Stack       []Size        // up to MostSizes different thicknesses; may be empty
	Probability float64       // at least, of being inside the target; between 0 and 1
}

// Choice is a set of shims and what it leaves.
type Choice struct {
	Shims       []length.Length // thickest first; none where the float is in its target already
	Left        length.Length   // float with them
	U           float64         // standard uncertainty of Left, µm
	Probability float64         // that the float left is in the target
	Sure        bool            // it is at least what was asked for
}

func (q Question) check() error {
	const mm = 1_000_000
	switch {
	case q.Float < -20*mm || q.Float > 100*mm:
		return fmt.Errorf("%w: the measured float must be from -20 to 100 mm", ErrFloat)
	case q.Low < 0 || q.Low >= q.High || q.High > 100*mm:
		return fmt.Errorf("%w: the target must run from at least 0 up to at most 100 mm, low before high", ErrFloat)
	case !(q.U > 0 && q.U <= 1e5) || !(q.ShimU >= 0 && q.ShimU <= 1e4):
		return fmt.Errorf("%w: the uncertainty of the float must be over 0 and at most 100 mm, that of a shim from 0 to 10 mm", ErrFloat)
	case !(q.Probability > 0 && q.Probability < 1):
		return fmt.Errorf("%w: the probability must be between 0 and 1", ErrFloat)
	case len(q.Stack) > MostSizes:
		return fmt.Errorf("%w: at most %d thicknesses", ErrStack, MostSizes)
	}
	for i, s := range q.Stack {
		if s.Thickness < 1000 || s.Thickness > 20*mm || s.Count < 1 {
			return fmt.Errorf("%w: thickness %d must be from 0.001 to 20 mm and there at least once", ErrStack, i+1)
		}
		for k, other := range q.Stack[:i] {
			if other.Thickness == s.Thickness {
				return fmt.Errorf("%w: thicknesses %d and %d are the same; add up how many there are", ErrStack, k+1, i+1)
			}
		}
	}
	return nil
}

// Choose finds the shims; ErrFloat and ErrStack tell what to mend. The order
// of the stack does not matter.
func Choose(q Question) (Choice, error) {
	if err := q.check(); err != nil {
		return Choice{}, err
	}
	stack := slices.Clone(q.Stack)
	slices.SortFunc(stack, func(a, b Size) int { return int(b.Thickness - a.Thickness) })
	s := search{stack: stack, aim: 2*q.Float - q.Low - q.High}
	s.from(0, 0)
	var surest Choice
	for n := range s.best {
		if !s.found[n] {
			continue
		}
		c := q.with(s.best[n][:n])
		if c.Sure {
			return c, nil
		}
		if n == 0 || c.Probability > surest.Probability || c.Probability == surest.Probability && s.off[n] < s.off[len(surest.Shims)] {
			surest = c
		}
	}
	return surest, nil
}

// search keeps for each number of shims the set whose sum is nearest to the aim.
type search struct {
	stack []Size
	aim   length.Length // twice the sum that leaves the middle of the target
	taken [MostShims]length.Length
	sum   length.Length
	best  [MostShims + 1][MostShims]length.Length
	off   [MostShims + 1]length.Length
	found [MostShims + 1]bool
}

// from takes n shims as they stand and goes on with those from size i. Thicker shims
// come first, so of equally near sets the first found is kept.
func (s *search) from(i, n int) {
	if off := (2*s.sum - s.aim).Abs(); !s.found[n] || off < s.off[n] {
		s.found[n], s.off[n], s.best[n] = true, off, s.taken
	}
	if n == MostShims {
		return
	}
	for ; i < len(s.stack); i++ {
		size := s.stack[i]
		if size.Count == 0 {
			continue
		}
		s.stack[i].Count--
		s.taken[n] = size.Thickness
		s.sum += size.Thickness
		s.from(i, n+1)
		s.sum -= size.Thickness
		s.stack[i].Count++
	}
}

// with is the question answered by a set.
func (q Question) with(shims []length.Length) Choice {
	c := Choice{Shims: slices.Clone(shims), Left: q.Float}
	for _, t := range shims {
		c.Left -= t
	}
	c.U = math.Sqrt(q.U*q.U + float64(len(shims))*q.ShimU*q.ShimU)
	law := distuv.Normal{Mu: c.Left.Micrometres(), Sigma: c.U}
	c.Probability = law.CDF(q.High.Micrometres()) - law.CDF(q.Low.Micrometres())
	c.Sure = c.Probability >= q.Probability
	return c
}
