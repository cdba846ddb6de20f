// Package derivation tells how a number came about, so that whoever doubts it can
// work it out again with a pencil.
//
// # Vocabulary
//
// A step is one application of one formula: its inputs, the intermediate values,
// the result and where the formula is printed. A chain of steps, each using
// results of earlier ones, derives an answer.
//
// Packages that compute build the steps from the numbers that they really used,
// in the order in which they used them; what serves them only renders. A symbol
// stands for the same thing throughout a chain. Units are UCUM codes ("um", "mm",
// "Cel", "1/K", "N", "MPa", "1" for a bare number), or "minor" for minor units of
// a currency.
//
// It computes nothing and checks nothing.
package derivation

// Value is a number of a step.
type Value struct {
	Symbol string // as it stands in the formula: "u_c"
	Name   string // in words: "combined standard uncertainty"
	Value  float64
	Unit   string // UCUM code
	// Text replaces the number for what is none: a class, a decision, "infinite".
	Text string
}

// Step is one application of one formula.
type Step struct {
	Name    string // what is worked out, in words
	Formula string // with the symbols of Inputs, Values and Result
	Inputs  []Value
	Values  []Value // intermediate
	Result  Value
	Source  string // "JCGM 100:2008, 5.1.2", or "common practice, no published source"
}

// Number is a value with a number.
func Number(symbol, name string, value float64, unit string) Value {
	return Value{Symbol: symbol, Name: name, Value: value, Unit: unit}
}

// Word is a value that is no number.
func Word(symbol, name, text string) Value {
	return Value{Symbol: symbol, Name: name, Text: text, Unit: "1"}
}
