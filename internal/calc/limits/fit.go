package limits

import (
	"errors"
	"fmt"
	"strings"

	"pinwright/internal/calc/length"
)

// Kind says what a fit does to every pair of parts within limits.
type Kind string

// The kinds of fit of ISO 286-1.
const (
	Clearance    Kind = "clearance"
	Transition   Kind = "transition"
	Interference Kind = "interference"
)

// Fit is a metric fit symbol: a hole class and a shaft class.
type Fit struct{ Hole, Shaft string }

// String returns the symbol, "H7/g6".
func (f Fit) String() string { return f.Hole + "/" + f.Shaft }

// ParseFit reads a symbol such as "H7/g6". Whether both classes have limits at a
// size is answered by At; here they must be classes that are known at all.
func ParseFit(symbol string) (Fit, error) {
	hole, shaft, found := strings.Cut(symbol, "/")
	hole, shaft = strings.TrimSpace(hole), strings.TrimSpace(shaft)
	if !found || hole == "" || shaft == "" {
		return Fit{}, fmt.Errorf("%w: %s; write hole and shaft with a stroke between, as in H7/g6", ErrSymbol, quote(symbol))
	}
	// Any served size will do to have a class refused in its own words; that it has
	// none just there is no fault of the symbol.
	if _, err := holeStep(hole, Largest); err != nil && !errors.Is(err, ErrSize) {
		return Fit{}, err
	}
	if _, err := shaftStep(shaft, Largest); err != nil && !errors.Is(err, ErrSize) {
		return Fit{}, err
	}
	return Fit{Hole: hole, Shaft: shaft}, nil
}

// Pair is a fit at one nominal size: the deviations of both parts and what they
// do to each other.
type Pair struct {
	Fit               Fit    // empty for an inch fit
	Inch              string // class of an inch fit, such as "RC4"
	Size              length.Length
	Hole, Shaft       Limits
	LeastClearance    length.Length // negative: greatest interference
	GreatestClearance length.Length
	Kind              Kind
}

// At returns the fit at a nominal size from 1 to 50 mm. Errors are those of Hole
// and Shaft.
func (f Fit) At(size length.Length) (Pair, error) {
	hole, err := Hole(f.Hole, size)
	if err != nil {
		return Pair{}, err
	}
	shaft, err := Shaft(f.Shaft, size)
	if err != nil {
		return Pair{}, err
	}
	return PairOf(f, size, hole, shaft), nil
}

// PairOf is At for limits that are at hand.
func PairOf(f Fit, size length.Length, hole, shaft Limits) Pair {
	p := pair(size, hole, shaft)
	p.Fit = f
	return p
}

// Symbol returns "H7/g6" or "RC4".
func (p Pair) Symbol() string {
	if p.Inch != "" {
		return p.Inch
	}
	return p.Fit.String()
}

// InchFit returns an inch fit such as "RC4" at a nominal size. Source: ANSI/ASME
// B4.1-1967. ErrClass lists the classes served, ErrSize the sizes a class has.
func InchFit(class string, size length.Length) (Pair, error) {
	t := load()
	l, known := t.inch[class]
	if !known {
		return Pair{}, fmt.Errorf("%w: no inch fit %s; known are %s", ErrClass, quote(class), t.inchListed)
	}
	s, found := l.at(size)
	if !found {
		return Pair{}, fmt.Errorf("%w: %s; %s has values over %s up to %s", ErrSize,
			size.Text(length.Inch), class, l[0].over.Text(length.Inch), l[len(l)-1].upTo.Text(length.Inch))
	}
	p := pair(size, s.hole, s.shaft)
	p.Inch = class
	return p, nil
}

// pair works out the clearances. A limit of exactly zero belongs to the fit it
// closes: H7/h6 is a clearance fit, P7/h6 an interference fit (ISO 286-1, definitions
// of clearance fit and interference fit).
func pair(size length.Length, hole, shaft Limits) Pair {
	p := Pair{
		Size: size, Hole: hole, Shaft: shaft,
		LeastClearance:    hole.Lower - shaft.Upper,
		GreatestClearance: hole.Upper - shaft.Lower,
		Kind:              Transition,
	}
	switch {
	case p.LeastClearance >= 0:
		p.Kind = Clearance
	case p.GreatestClearance <= 0:
		p.Kind = Interference
	}
	return p
}
