// Package chassis reads the number stamped on a vehicle.
//
// # Two kinds of number
//
// Before 1981 every maker numbered in its own way; such a chassis number is free
// text and is kept as written. Since then a vehicle identification number (VIN, ISO
// 3779) has 17 characters, digits and capital letters without I, O and Q, which
// are too easily taken for 1 and 0.
//
// # The check digit
//
// Vehicles for North America carry a check digit in position 9 (49 CFR 565.15):
// every character has a value, every position a weight, and the remainder of the
// weighted sum by 11 must stand there, X for 10. ISO 3779 itself asks for none, and
// makers elsewhere put anything there. So:
//
//   - a number of 17 characters whose first is 1 to 5 (a maker in North America)
//     with a wrong check digit is refused, because it was almost certainly misread;
//   - one from elsewhere with a digit there that does not agree is taken with a
//     warning, since some of those do carry a check digit;
//   - one from elsewhere with another letter there is taken as it is.
//
// A number of 17 letters and digits with an I, O or Q is refused. Someone whose old
// chassis number happens to look like that can write it with the space, hyphen or
// stroke it is stamped with, and it is free text again.
//
// # What it does not do
//
// It does not tell maker, year or plant, and agreement of the check digit does not
// make a number genuine.
package chassis

import (
	"errors"
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"
)

// MostCharacters is the longest chassis number that is taken.
const MostCharacters = 40

// What can be wrong; the errors returned wrap one of these and say how to mend it.
var (
	ErrText       = errors.New("not a chassis number")
	ErrLetter     = errors.New("letter not used in a VIN")
	ErrCheckDigit = errors.New("check digit of the VIN is wrong")
)

// CheckDigit says what position 9 tells.
type CheckDigit string

// NotApplicable is the answer for free text and for VINs that carry no check digit.
const (
	Agrees        CheckDigit = "agrees"
	Disagrees     CheckDigit = "disagrees"
	NotApplicable CheckDigit = "not_applicable"
)

// Codes of warnings.
const (
	CheckDigitDisagrees = "vin_check_digit_disagrees"
	LengthNearVIN       = "vin_length_doubtful"
)

// Warning is something to look at again; Text says what, in a sentence.
type Warning struct{ Code, Text string }

// Number is a chassis number as kept. A VIN is in capital letters; free text is
// as written, without spaces at its ends.
type Number struct {
	Text       string
	IsVIN      bool
	CheckDigit CheckDigit
	// Expected is the character that position 9 would have by 49 CFR 565.15; empty
	// for free text.
	Expected string
	Warnings []Warning
}

// Check reads a chassis number of any age, of 1 to 40 printable characters.
// ErrText, ErrLetter and ErrCheckDigit are described in the package comment.
func Check(text string) (Number, error) {
	trimmed := strings.TrimSpace(text)
	switch {
	case trimmed == "":
		return Number{}, fmt.Errorf("%w: nothing given; write the number as stamped", ErrText)
	case !utf8.ValidString(trimmed):
		return Number{}, fmt.Errorf("%w: the text is not valid UTF-8", ErrText)
	case utf8.RuneCountInString(trimmed) > MostCharacters:
		return Number{}, fmt.Errorf("%w: at most %d characters are taken", ErrText, MostCharacters)
	}
	for _, r := range trimmed {
		if !unicode.IsPrint(r) {
			return Number{}, fmt.Errorf("%w: it holds a character that cannot be printed (U+%04X)", ErrText, r)
		}
	}
	upper := strings.ToUpper(trimmed)
	if !lettersAndDigits(upper) || len(upper) != 17 {
		return freeText(trimmed, upper), nil
	}
	return readVIN(upper)
}

func freeText(trimmed, upper string) Number {
	n := Number{Text: trimmed, CheckDigit: NotApplicable}
	if (len(upper) == 16 || len(upper) == 18) && lettersAndDigits(upper) {
		n.Warnings = []Warning{{LengthNearVIN, fmt.Sprintf(
			"This has %d characters; a number since 1981 has 17. Count them again, unless the vehicle is older.", len(upper))}}
	}
	return n
}

func readVIN(vin string) (Number, error) {
	if i := strings.IndexAny(vin, "IOQ"); i >= 0 {
		return Number{}, fmt.Errorf("%w: %q in position %d of %s; I, O and Q are not used: an I is read as 1, an O or Q as 0. "+
			"An older number of 17 characters is taken when it is written with a space or stroke as stamped", ErrLetter, vin[i:i+1], i+1, vin)
	}
	found := vin[checkPosition : checkPosition+1]
	n := Number{Text: vin, IsVIN: true, CheckDigit: Disagrees, Expected: expected(vin)}
	northAmerica := vin[0] >= '1' && vin[0] <= '5'
	switch {
	case found == n.Expected:
		n.CheckDigit = Agrees
	case northAmerica:
		return Number{}, fmt.Errorf("%w: position 9 of %s is %s, by 49 CFR 565.15 it must be %s; read all 17 characters again", ErrCheckDigit, vin, found, n.Expected)
	case !strings.Contains("0123456789X", found):
		n.CheckDigit = NotApplicable
	default:
		n.Warnings = []Warning{{CheckDigitDisagrees, fmt.Sprintf(
			"Position 9 is %s; if this vehicle was made for North America it must be %s, so read the number again. Elsewhere it need not agree.", found, n.Expected)}}
	}
	return n, nil
}

const checkPosition = 8

// weights are those of 49 CFR 565.15, table IV; position 9 itself has none.
var weights = [17]int{8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2}

// value is the number assigned to a character by 49 CFR 565.15, table III.
func value(c byte) int {
	switch {
	case c >= '0' && c <= '9':
		return int(c - '0')
	case c >= 'A' && c <= 'H':
		return int(c-'A') + 1
	case c >= 'J' && c <= 'R': // J to N are 1 to 5, P is 7, R is 9
		return int(c-'J') + 1
	}
	return int(c-'S') + 2 // S to Z
}

// weightedSum is the sum of value times weight over all 17 characters.
func weightedSum(vin string) int {
	sum := 0
	for i, weight := range weights {
		sum += value(vin[i]) * weight
	}
	return sum
}

func expected(vin string) string {
	return "0123456789X"[weightedSum(vin)%11:][:1]
}

func lettersAndDigits(text string) bool {
	for i := range len(text) {
		c := text[i]
		if (c < '0' || c > '9') && (c < 'A' || c > 'Z') {
			return false
		}
	}
	return true
}
