// Package lifttest tells what the lift of a door at its lock edge says of its
// hinges: how much of it the clearances of the bores explain, and what is left for
// something else, such as a bent leaf, loose screws or a weak pillar.
//
// # Vocabulary
//
// The door hangs on hinges above one another on a vertical line, the hinge line.
// Each pin runs in a bore; the bore has two mouths, and a mouth's clearance is bore
// minus pin in diameter there. The lift is how far the lock edge (or the handle), at
// the distance reach from the hinge line, goes up when it is lifted by hand, from
// hanging to not going further, without raising the door along its pins.
//
// # Geometry
//
// Seen along the car's side the door is a rigid body in its plane that can shift
// sideways by x and turn by a small angle θ. At height z the pin then stands off the
// middle of the bore by x + θ z, and a mouth with clearance c allows half of it to
// each side:
//
//	|x + θ z_i| ≤ c_i / 2   for each mouth i
//
// Hanging, the upper hinge is pulled out and the lower pushed in; lifted, the other
// way round. Some x fits all mouths exactly when no two of them forbid it, so
//
//	θ_max = min over pairs of mouths of (c_i + c_k) / (2 |z_i − z_k|)
//	lift  = 2 θ_max × reach
//
// With two hinges it is the outermost mouths that limit the angle, so the distance
// that counts is that between them, not between the middles; a long bore can limit it
// alone, by its own two mouths. Angles are hundredths of a radian, so sines are taken
// as angles. This is plain statics, published in any book; the formula was
// derived for this package and is tested against moving the bodies step by step.
//
// A pin that is loose in both leaves has the clearances of both in series: give
// their sum. A pin that can slide along its axis lifts the door by its end float
// as well: give it as EndFloat when the door was lifted that far.
//
// # What is left
//
// Measured lift minus explained lift, with the uncertainties of all combined by JCGM
// 100, is held against two stories: nothing else (the rest is zero) or something else
// with an exponential law of the rest. Bayes' rule with those gives the probability of
// the second; its prior and mean are assumptions and said so.
//
// # Loads
//
// Weight W at the distance b from the hinge line pulls the upper hinge out and
// pushes the lower in with W b / s each (s between the outer hinges' middles); which
// hinge carries the weight itself is not known, so each may carry all of it.
//
// # What it does not do
//
// It computes no elasticity: pillars, hinges and doors give a little under load, so a
// door with tight hinges still lifts by some tenths of a millimetre. That is Give, to be
// known from a sound door of the kind. Lengths in mm.
package lifttest
