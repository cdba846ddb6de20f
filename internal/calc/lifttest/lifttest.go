package lifttest

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// What can be wrong; the errors returned wrap one of these and say how to mend it.
var (
	ErrRange  = errors.New("outside what can be computed")
	ErrHinges = errors.New("hinges are not as they must be")
)

// Estimate is a length in mm with its standard uncertainty.
type Estimate struct{ Value, U float64 }

// Hinge is one bore in which a pin runs.
type Hinge struct {
	Height    float64  // of the bore's middle over any mark, mm
	Length    float64  // between its mouths, mm
	Clearance Estimate // bore minus pin in diameter, both mouths; of bores in series their sum
}

// Test is a lift test.
type Test struct {
	Hinges   []Hinge  // 2 to 6, in any order
	Reach    Estimate // from the hinge line to where the lift was measured, mm
	Lift     Estimate // measured, mm
	EndFloat Estimate // of the door along its pins, as far as it was lifted along; 0 where it was not
	Give     Estimate // what a sound door with tight hinges lifts by, since nothing is rigid
	// Prior is the probability before the test that something else gives way, and
	// Rest the mean of what that adds to the lift, mm.
	Prior, Rest float64
}

// Result is what the test says. Lengths in mm, the angle in radians.
type Result struct {
	Swing     float64  // from hanging to lifted
	Explained Estimate // lift that clearances, end float and give explain
	Left      Estimate // measured minus explained
	Else      float64  // probability that something else gives way
	// First and Second are the hinges (by their place in Test.Hinges) whose mouths
	// limit the swing; equal where one bore alone does.
	First, Second int
	Contradicts   bool // the clearances explain more than was measured, beyond doubt
}

// mouth is one end of a bore: its height and clearance.
type mouth struct {
	hinge     int
	height    float64
	clearance Estimate
}

func (t Test) check() error {
	ok := func(e Estimate, low, high float64) bool {
		return e.Value >= low && e.Value <= high && e.U >= 0 && e.U <= high
	}
	switch {
	case len(t.Hinges) < 2 || len(t.Hinges) > 6:
		return fmt.Errorf("%w: a door has from 2 to 6 of them", ErrHinges)
	case !ok(t.Reach, 50, 5000):
		return fmt.Errorf("%w: the reach must be from 50 to 5000 mm", ErrRange)
	case !ok(t.Lift, 0, 500) || t.Lift.U <= 0:
		return fmt.Errorf("%w: the lift must be from 0 to 500 mm with an uncertainty over 0", ErrRange)
	case !ok(t.EndFloat, 0, 100):
		return fmt.Errorf("%w: the end float must be from 0 to 100 mm", ErrRange)
	case !ok(t.Give, 0, 100):
		return fmt.Errorf("%w: what a sound door gives must be from 0 to 100 mm", ErrRange)
	case !(t.Prior > 0 && t.Prior < 1) || !(t.Rest >= 0.01 && t.Rest <= 100):
		return fmt.Errorf("%w: the prior must be between 0 and 1, the mean rest from 0.01 to 100 mm", ErrRange)
	}
	for i, h := range t.Hinges {
		if !(math.Abs(h.Height) <= 10_000 && h.Length >= 1 && h.Length <= 1000) || !ok(h.Clearance, 0, 20) {
			return fmt.Errorf("%w: hinge %d must be within 10000 mm of the mark, from 1 to 1000 mm long, with 0 to 20 mm of clearance", ErrHinges, i+1)
		}
		for k, other := range t.Hinges[:i] {
			if math.Abs(h.Height-other.Height) < (h.Length+other.Length)/2 {
				return fmt.Errorf("%w: hinges %d and %d lie in one another; heights are of the bores' middles", ErrHinges, k+1, i+1)
			}
		}
	}
	return nil
}

// Judge works out a test; ErrRange and ErrHinges tell what to mend. The result does
// not depend on the order of the hinges (but for First and Second) nor on the mark
// that heights are counted from.
func Judge(t Test) (Result, error) {
	if err := t.check(); err != nil {
		return Result{}, err
	}
	var mouths []mouth
	for i, h := range t.Hinges {
		mouths = append(mouths, mouth{i, h.Height - h.Length/2, h.Clearance}, mouth{i, h.Height + h.Length/2, h.Clearance})
	}
	r := Result{Swing: math.Inf(1)}
	var arm, uSwing float64
	for i, a := range mouths {
		for _, b := range mouths[:i] {
			apart := math.Abs(a.height - b.height)
			if swing := (a.clearance.Value + b.clearance.Value) / apart; swing < r.Swing {
				r.Swing, arm, r.First, r.Second = swing, apart, b.hinge, a.hinge
			}
		}
	}
	if r.First == r.Second {
		uSwing = 2 * t.Hinges[r.First].Clearance.U / arm
	} else {
		uSwing = math.Hypot(t.Hinges[r.First].Clearance.U, t.Hinges[r.Second].Clearance.U) / arm
	}
	r.Explained.Value = t.Reach.Value*r.Swing + t.EndFloat.Value + t.Give.Value
	r.Explained.U = math.Sqrt(sq(t.Reach.Value*uSwing) + sq(t.Reach.U*r.Swing) + sq(t.EndFloat.U) + sq(t.Give.U))
	if r.Swing > 0.2 || r.Explained.U > 1000 {
		return Result{}, fmt.Errorf("%w: with those clearances the door could swing by more than anybody needs a test for, or nothing is known of it; is the unit right?", ErrHinges)
	}
	r.Left = Estimate{t.Lift.Value - r.Explained.Value, math.Hypot(t.Lift.U, r.Explained.U)}
	r.Else = elsewhere(r.Left, t.Prior, t.Rest)
	r.Contradicts = r.Left.Value < -3*r.Left.U
	return r, nil
}

func sq(x float64) float64 { return x * x }

// elsewhere is Bayes' rule for "the rest is 0" against "the rest is exponential with
// the mean given", both seen through a normal error.
func elsewhere(left Estimate, prior, mean float64) float64 {
	// Density under the second, over that under the first: the mean of
	// exp(-x/m) N(left - x; u)/N(left; u) over x > 0, in closed form
	// sqrt(2π) (u/m) exp(w²/2) Φ(w) with w = left/u - u/m; as a logarithm, since w may be large.
	w := left.Value/left.U - left.U/mean
	odds := math.Log(prior/(1-prior)) + math.Log(math.Sqrt(2*math.Pi)*left.U/mean) + w*w/2 + logPhi(w)
	return 1 / (1 + math.Exp(-odds))
}

// logPhi is the logarithm of the normal distribution function, also far to the left
// (asymptotic series, Abramowitz and Stegun 26.2.12).
func logPhi(x float64) float64 {
	if x > -30 {
		return math.Log(distuv.UnitNormal.CDF(x))
	}
	return -x*x/2 - math.Log(-x*math.Sqrt(2*math.Pi)) + math.Log1p(-1/(x*x))
}

// Load is what a hinge carries, N.
type Load struct {
	Horizontal float64 // pulled out at the top, pushed in at the bottom
	Most       float64 // with all the weight on this hinge as well
}

// LoadOf is the load of each of the two outer hinges of a door of mass kg, whose
// centre is centre mm from the hinge line, with spacing mm between their middles.
// ErrRange where one is outside what a door can have.
func LoadOf(mass, centre, spacing float64) (Load, error) {
	if !(mass > 0 && mass <= 500) || !(centre > 0 && centre <= 5000) || !(spacing >= 20 && spacing <= 10_000) {
		return Load{}, fmt.Errorf("%w: the mass must be over 0 and at most 500 kg, its centre up to 5000 mm from the hinge line, the hinges from 20 to 10000 mm apart", ErrRange)
	}
	weight := mass * 9.80665
	h := weight * centre / spacing
	return Load{h, math.Hypot(h, weight)}, nil
}
