// Package fitproof judges whether a bore that was cut fits its pin, from what was
// read of it since, and says which go and no-go pins would tell when the readings do
// not.
//
// # The judgement
//
// The clearance is the passing size of the bore (the largest cylinder that passes, which is
// what a pin and a gauge pin feel: Taylor's principle, ISO 286-1) less the pin. At the stated risk
// package conformity makes one of three answers of the probability that it lies within
// the limits: proved, refused or undecided (JCGM 106:2012, 7; ISO 14253-1). A bell mouth or
// an oval place, where there is more play, is not judged here: no pin tells of it.
//
// The pin's size is known to lie within limits, each size as likely as another, or was
// measured with a standard uncertainty, or both. It is independent of the bore: an
// instrument that read both shares an error that this does not take off, which makes
// the proof rather harder.
//
// # Go and no-go pins
//
// The difference of two sizes carries the doubt of both, and a target of ten micrometres
// often cannot be proved by it. A gauge pin compares with the limit itself: one of the greatest
// pin plus the least clearance must go, one of the least pin plus the greatest
// clearance must not. Where the pin is so little known that the one is not smaller than the other, no
// pair of gauges proves the fit with that pin: measure the pin, or choose one.
//
// # Units
//
// Micrometres throughout; sizes from any one origin.
package fitproof
