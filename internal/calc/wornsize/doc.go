// Package wornsize estimates what is left of worn cylinders: the passing size
// of a bore (the largest cylinder that goes through it) and its clean-up size
// (what a reamer must reach to cut everywhere), each as a probability law,
// from measured and gauged readings with shared instrument errors.
//
// All lengths are micrometres of diameter, counted from a nominal size that
// the caller chooses (so that 8 mm bores keep their nanometres in a float64).
package wornsize
