package trend

import (
	"errors"
	"fmt"
	"math"
)

// What can be wrong with a question; the errors returned wrap one of these.
var (
	ErrPoint    = errors.New("not a point")
	ErrTooMany  = errors.New("too many")
	ErrScale    = errors.New("uncertainties do not fit the question")
	ErrCoverage = errors.New("coverage out of range")
	ErrBreak    = errors.New("not a change")
	ErrLimit    = errors.New("not a limit")
)

// What a question may hold at most, and how large its numbers may be.
const (
	MostPoints = 1000
	MostBreaks = 30
	most       = 1e15
	least      = 1e-15 // of a standard uncertainty
)

// Point is one observation: y at x, with standard uncertainty U in the unit of
// y. U is 0 where it is not known, for all points or for none.
type Point struct{ X, Y, U float64 }

// Scale says what the uncertainties of the points are taken for; see the
// package comment.
type Scale string

// The scales. Empty is Widened where the points have uncertainties, else
// Estimated.
const (
	Known     Scale = "known"
	Estimated Scale = "estimated"
	Widened   Scale = "widened"
)

// Contradiction is the probability of a chi-square as large as was seen below
// which Widened takes the uncertainties for too small.
const Contradiction = 0.05

// Change is what happened between two segments.
type Change string

// The changes.
const (
	Repair        Change = "repair"          // a new level, the same rate
	RepairNewRate Change = "repair_new_rate" // a new level and a new rate
	Lubrication   Change = "lubrication"     // a new rate, no jump
)

// Break is a change at x.
type Break struct {
	X      float64
	Change Change
}

// DefaultCoverage is the probability of intervals when none is stated.
const DefaultCoverage = 0.95

// Question is what Solve answers.
type Question struct {
	Points   []Point // in any order, at most MostPoints
	Breaks   []Break // in any order, at most MostBreaks
	Scale    Scale
	Coverage float64  // 0.5 to 0.999; 0 is DefaultCoverage
	SharedU  float64  // standard uncertainty of an error that all points share
	NewU     float64  // of one further reading; 0: the points' median (estimated: their scatter)
	Limit    *float64 // of y, whose crossing is asked for
	Now      *float64 // from where on "ahead" counts; nil: the last point
	Until    *float64 // how far the band is drawn; nil: past the last point, to the crossing where it is near
}

func finite(v float64) bool { return math.Abs(v) <= most } // false for NaN

func (q Question) check() error {
	if len(q.Points) > MostPoints {
		return fmt.Errorf("%w: %d points, at most %d", ErrTooMany, len(q.Points), MostPoints)
	}
	if len(q.Breaks) > MostBreaks {
		return fmt.Errorf("%w: %d changes, at most %d", ErrTooMany, len(q.Breaks), MostBreaks)
	}
	if q.Coverage != 0 && !(q.Coverage >= 0.5 && q.Coverage <= 0.999) {
		return fmt.Errorf("%w: %v, must be from 0.5 to 0.999", ErrCoverage, q.Coverage)
	}
	with := 0
	for i, p := range q.Points {
		switch {
		case !finite(p.X) || !finite(p.Y):
			return fmt.Errorf("%w: point %d: x and y must be numbers within ±%g", ErrPoint, i, most)
		case p.U != 0 && !(p.U >= least && p.U <= most):
			return fmt.Errorf("%w: point %d: its standard uncertainty %v must be over 0; no reading is exact", ErrPoint, i, p.U)
		case p.U != 0:
			with++
		}
	}
	if with != 0 && with != len(q.Points) {
		return fmt.Errorf("%w: %d of %d points have one; give it for all or for none", ErrScale, with, len(q.Points))
	}
	switch q.Scale {
	case "", Estimated:
	case Known, Widened:
		if with == 0 && len(q.Points) > 0 {
			return fmt.Errorf("%w: %s wants the standard uncertainty of every point", ErrScale, q.Scale)
		}
	default:
		return fmt.Errorf("%w: scale %q is none of known, estimated, widened", ErrScale, q.Scale)
	}
	for _, u := range []float64{q.SharedU, q.NewU} {
		if !(u >= 0 && u <= most) {
			return fmt.Errorf("%w: a standard uncertainty must be a number from 0 on, not %v", ErrScale, u)
		}
	}
	for i, b := range q.Breaks {
		if !finite(b.X) {
			return fmt.Errorf("%w: change %d: x must be a number within ±%g", ErrBreak, i, most)
		}
		if b.Change != Repair && b.Change != RepairNewRate && b.Change != Lubrication {
			return fmt.Errorf("%w: change %d: %q is none of repair, repair_new_rate, lubrication", ErrBreak, i, b.Change)
		}
	}
	for _, v := range []*float64{q.Limit, q.Now, q.Until} {
		if v != nil && !finite(*v) {
			return fmt.Errorf("%w: %v, must be a number within ±%g", ErrLimit, *v, most)
		}
	}
	return nil
}
