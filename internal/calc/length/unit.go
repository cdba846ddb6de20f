package length

import (
	"fmt"
	"strings"
)

// Unit is a unit of length as written in the contract. The zero Unit is not
// valid; ParseUnit and Unit.Valid tell.
type Unit string

// The units people enter and read.
const (
	Millimetre Unit = "mm"
	Micrometre Unit = "um"
	Inch       Unit = "in"
	Thou       Unit = "thou"
)

// Units lists the valid units in the order in which they are offered.
func Units() []Unit { return []Unit{Millimetre, Micrometre, Inch, Thou} }

// ParseUnit reads a unit by its text (mm, um, in, thou), by its UCUM code
// ([in_i], [mil_i]) or by the sign µm. Anything else is ErrUnit: "MM" and "M"
// are refused rather than guessed at.
func ParseUnit(text string) (Unit, error) {
	switch text {
	case "mm":
		return Millimetre, nil
	case "um", "\u00b5m", "\u03bcm": // micro sign, Greek mu
		return Micrometre, nil
	case "in", "[in_i]":
		return Inch, nil
	case "thou", "[mil_i]":
		return Thou, nil
	case "":
		return "", fmt.Errorf("%w: no unit given; use one of mm, um, in, thou", ErrUnit)
	}
	return "", fmt.Errorf("%w: %s is none of mm, um, in, thou", ErrUnit, shorten(text))
}

// Valid reports whether u is one of the units of this package.
func (u Unit) Valid() bool { return u.nanometres() != 0 }

// UCUM returns the unit's code in the Unified Code for Units of Measure,
// case-sensitive form: mm, um, [in_i], [mil_i]. It is empty for an invalid unit.
func (u Unit) UCUM() string {
	switch u {
	case Millimetre, Micrometre:
		return string(u)
	case Inch:
		return "[in_i]"
	case Thou:
		return "[mil_i]"
	}
	return ""
}

// Length returns one of the unit. It panics for an invalid unit.
func (u Unit) Length() Length {
	n := u.nanometres()
	if n == 0 {
		panic(fmt.Sprintf("length: unit %q is not valid", string(u)))
	}
	return Length(n)
}

func (u Unit) nanometres() int64 {
	switch u {
	case Millimetre:
		return 1_000_000
	case Micrometre:
		return 1_000
	case Inch:
		return 25_400_000
	case Thou:
		return 25_400
	}
	return 0
}

// decimals is the number of decimal places at which the unit's last digit is
// no coarser than a nanometre, so that every Length has its own text.
func (u Unit) decimals() int {
	switch u {
	case Millimetre:
		return 6
	case Micrometre:
		return 3
	case Inch:
		return 8
	case Thou:
		return 5
	}
	return 0
}

// shorten quotes text for an error message without repeating a long attack.
func shorten(text string) string {
	const most = 40
	if len(text) > most {
		text = strings.ToValidUTF8(text[:most], "") + "…"
	}
	return fmt.Sprintf("%q", text)
}
