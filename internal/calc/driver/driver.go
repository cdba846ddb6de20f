// Package driver tells which rods push a pin out of its bores, and how far.
//
// A starting driver covers the whole end of the pin, so that it does not spread it.
// It is as large as the pin and must not enter a bore that holds it: once the pin's
// end is level with the boss, a smaller driver follows, which passes every bore and is
// as long as the pin has to travel. A long thin rod bows before it yields, so what it may
// be pushed with falls with its free length.
//
// Lengths are millimetres, forces newtons.
package driver

import (
	"errors"
	"fmt"
	"math"
)

// What is taken of a workshop's drivers: common practice, no published source.
const (
	leastClearance = 0.2  // on diameter, between the follower and the tightest bore
	shareClearance = 0.03 // of that bore, where that is more
	margin         = 0.5  // by which the starting driver stops before the boss
	grip           = 10.0 // by which the follower is longer than its way
	startDiameters = 3.0  // length of a starting driver that surely does not bow
	rounding       = 0.1  // diameters are given to this, downwards
	safety         = 2.0
)

// A driver of quenched and tempered steel; common practice, no published source.
const (
	elastic = 210_000.0 // MPa
	yield   = 600.0     // MPa
)

// ErrInput tells what cannot be answered.
var ErrInput = errors.New("driver: input")

// Question is a pin in its bores.
type Question struct {
	Pin       float64   // diameter
	Bores     []float64 // diameters that the follower passes, one at least
	Through   float64   // lengths of all bores together; 0: not known
	PinLength float64   // 0: not known
}

// Rod is a driver.
type Rod struct{ Diameter, Length float64 } // Length 0: not known

// Answer is which rods to use. ScrewTravel is how far the starting driver may push:
// 0 where the pin does not stand out, or its length is not known; then Known is false.
type Answer struct {
	Start       Rod
	Follow      Rod
	ScrewTravel float64
	Known       bool
	Travel      float64 // until the pin is clear of all bores; 0: not known
	MostForce   float64 // that the follower bears at its full length; 0: not known
}

// Choose chooses the rods for q. A pin that is longer than its bores was taken to stand
// out alike at both ends. ErrInput says what is out of range (diameters from 1 to 100
// mm, lengths to 1000 mm).
func Choose(q Question) (Answer, error) {
	if !(q.Pin >= 1 && q.Pin <= 100) || len(q.Bores) == 0 {
		return Answer{}, fmt.Errorf("%w: a pin of %v mm in %d bores; from 1 to 100 mm in one at least", ErrInput, q.Pin, len(q.Bores))
	}
	tightest := q.Pin
	for _, b := range q.Bores {
		if !(b >= 1 && b <= 100) {
			return Answer{}, fmt.Errorf("%w: a bore of %v mm; from 1 to 100 mm", ErrInput, b)
		}
		tightest = math.Min(tightest, b)
	}
	if !(q.Through >= 0 && q.Through <= 1000 && q.PinLength >= 0 && q.PinLength <= 1000) {
		return Answer{}, fmt.Errorf("%w: bores of %v mm and a pin of %v mm in length; to 1000 mm", ErrInput, q.Through, q.PinLength)
	}
	a := Answer{Start: Rod{Diameter: down(q.Pin), Length: startDiameters * q.Pin}}
	a.Follow.Diameter = down(tightest - math.Max(leastClearance, shareClearance*tightest))
	if q.Through == 0 {
		return a, nil
	}
	standsOut := 0.0
	if q.PinLength > 0 {
		a.Known = true
		standsOut = math.Max(0, (q.PinLength-q.Through)/2)
	}
	a.ScrewTravel = math.Max(0, standsOut-margin)
	a.Travel = standsOut + q.Through
	a.Follow.Length = q.Through + grip
	a.MostForce = Bears(a.Follow)
	return a, nil
}

// down rounds a diameter down, but for the error of binary fractions.
func down(d float64) float64 { return math.Round(math.Floor(d/rounding+1e-9)*rounding*1e4) / 1e4 }

// Bears is the force that a round rod may be pushed with along its axis, half of what
// it fails at with both ends free to turn: by Euler's formula where it is slender, by J.
// B. Johnson's parabola where it is stout (Budynas and Nisbett, Shigley's Mechanical
// Engineering Design, chapter 4, columns with central loading; from memory). With a
// length of 0 it is half of what it yields at.
func Bears(r Rod) float64 {
	area := math.Pi * r.Diameter * r.Diameter / 4
	slenderness := r.Length / (r.Diameter / 4) // over the radius of gyration
	limit := math.Sqrt(2 * math.Pi * math.Pi * elastic / yield)
	stress := math.Pi * math.Pi * elastic / (slenderness * slenderness)
	if slenderness <= limit {
		bows := yield * slenderness / (2 * math.Pi)
		stress = yield - bows*bows/elastic
	}
	return stress * area / safety
}
