// Package pluggauge sizes plain go and no-go plug gauges that a member can turn
// for a hole.
//
// # Vocabulary
//
// A hole is good from its least to its greatest size. The go gauge must enter
// every good hole over its full length (Taylor's principle: it is the pin that
// will go in), so it is as long as the bore. The no-go gauge must not enter, so it
// is short and is tried across different diameters and from both ends.
//
// # The sizes
//
// Gauges have tolerances of their own, T, and these must not let a bad hole
// pass. So the go gauge lies on the plus side of the hole's least size and the
// no-go gauge on the minus side of its greatest (ASME B89.1.5); between them some
// good holes are refused, never the reverse:
//
//	go:    least + w      to  least + w + T
//	no-go: greatest - T   to  greatest
//
// T is a share of the hole's tolerance. The ten percent rule of the trade gives a
// tenth to both gauges together, so a twentieth to each (ASME B89.7.3.1 tells of the
// rule; worked examples of two gauge makers). w is what the go gauge may wear
// before it measures the hole's least size and is retired; a twentieth of the
// tolerance is common practice, no published source. The no-go gauge hardly wears, as it
// rarely enters.
//
// # The class reached
//
// ASME B89.1.5 sorts gauges by T and size into the classes XXX to ZZ. A gauge
// turned within T reaches the finest class whose tolerance is at least T, or none
// where T is wider than ZZ: then it is a gauge for this hole, not one to lend as a pin
// of a class.
//
// # What it does not do
//
// It does not know what a lathe holds. T is often a few micrometres: turn a little
// over, then lap, and measure at 20 °C with something that is surer than T. It
// makes no allowance for the uncertainty of that measurement.
package pluggauge
