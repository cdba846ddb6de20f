package length

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"

	"github.com/cockroachdb/apd/v3"
)

// What can be wrong with an entered length. The errors returned wrap one of
// these and say how to mend the entry.
var (
	ErrSyntax = errors.New("not a length")
	ErrUnit   = errors.New("unknown unit")
	ErrDigits = errors.New("too many digits")
	ErrRange  = errors.New("length out of range")
)

const (
	mostText        = 64 // bytes of a number before it is looked at
	mostSignificant = 18
	mostPlaces      = 18
	mostExponent    = 18
)

// Quantity is a length as it was entered. Two quantities are == when digits and
// unit are the same; 9.12 mm and 9.120 mm are different entries of one Length.
// The zero Quantity is no entry at all: IsZero tells it from 0 mm.
type Quantity struct {
	value  string
	unit   Unit
	length Length
	exact  bool
}

// New makes a Quantity from decimal digits and a unit, as read from two fields
// or two database columns. The unit may be any text that ParseUnit knows. The digits may have a sign and an exponent (JSON
// numbers do); they are kept in plain notation with their trailing zeros.
func New(value string, unit Unit) (Quantity, error) {
	unit, err := ParseUnit(string(unit))
	if err != nil {
		return Quantity{}, err
	}
	dec, err := parseDecimal(value)
	if err != nil {
		return Quantity{}, err
	}
	length, exact, err := toNanometres(dec, unit)
	if err != nil {
		return Quantity{}, err
	}
	return Quantity{value: plain(dec), unit: unit, length: length, exact: exact}, nil
}

// Parse reads a length from text such as "9.12 mm", "0.318in" or "-12 um". The
// unit is required: a bare number is refused, because a caliper may show inches.
func Parse(text string) (Quantity, error) {
	trimmed := strings.TrimSpace(text)
	if trimmed == "" {
		return Quantity{}, fmt.Errorf(`%w: nothing given; write a number and a unit such as "9.12 mm"`, ErrSyntax)
	}
	if len(trimmed) > mostText+16 {
		return Quantity{}, fmt.Errorf(`%w: %s is too long; write a number and a unit such as "9.12 mm"`, ErrSyntax, shorten(trimmed))
	}
	number, unitText := split(trimmed)
	if number == "" {
		return Quantity{}, fmt.Errorf(`%w: %s does not start with a number; write a number and a unit such as "9.12 mm"`, ErrSyntax, shorten(trimmed))
	}
	if unitText == "" {
		// Name the fault in the number first, if there is one.
		if _, err := parseDecimal(number); err != nil {
			return Quantity{}, err
		}
		return Quantity{}, fmt.Errorf(`%w: %s has no unit; write for example "%s mm" or "%s in"`, ErrUnit, shorten(trimmed), number, number)
	}
	unit, err := ParseUnit(unitText)
	if err != nil {
		return Quantity{}, err
	}
	return New(number, unit)
}

// split cuts text where the number ends: at the first letter or sign that
// belongs to no number. An exponent's e counts as the number's only when digits follow.
func split(text string) (number, unit string) {
	end := 0
	for end < len(text) {
		c := text[end]
		isNumber := c >= '0' && c <= '9' || c == '.' || c == ',' || c == '+' || c == '-'
		if (c == 'e' || c == 'E') && end+1 < len(text) {
			next := text[end+1]
			isNumber = next >= '0' && next <= '9' || next == '+' || next == '-'
		}
		if !isNumber {
			break
		}
		end++
	}
	return text[:end], strings.TrimSpace(text[end:])
}

// parseDecimal checks the grammar and the bounds before the decimal is built.
func parseDecimal(text string) (*apd.Decimal, error) {
	if len(text) > mostText {
		return nil, fmt.Errorf("%w: %s is too long; at most %d significant digits are taken", ErrDigits, shorten(text), mostSignificant)
	}
	if strings.Contains(text, ",") {
		return nil, fmt.Errorf("%w: %s has a comma; write decimals with a point, as in 9.12", ErrSyntax, shorten(text))
	}
	mantissa, exponent, hasExponent := strings.Cut(strings.ToLower(text), "e")
	unsigned := strings.TrimPrefix(mantissa, "-")
	if unsigned == mantissa {
		unsigned = strings.TrimPrefix(mantissa, "+")
	}
	whole, fraction, hasPoint := strings.Cut(unsigned, ".")
	if !allDigits(whole) || !allDigits(fraction) || whole+fraction == "" || hasPoint && fraction == "" {
		return nil, fmt.Errorf("%w: %s is not a decimal number such as 9.12", ErrSyntax, shorten(text))
	}
	if n := len(strings.TrimLeft(whole+fraction, "0")); n > mostSignificant {
		return nil, fmt.Errorf("%w: %s has %d significant digits; at most %d are taken", ErrDigits, shorten(text), n, mostSignificant)
	}
	if hasExponent {
		digits := strings.TrimLeft(strings.TrimLeft(exponent, "+-"), "0")
		if !allDigits(digits) || len(strings.TrimLeft(exponent, "+-")) == 0 || len(exponent)-len(strings.TrimLeft(exponent, "+-")) > 1 {
			return nil, fmt.Errorf("%w: %s is not a decimal number such as 9.12", ErrSyntax, shorten(text))
		}
		if len(digits) > 2 || len(digits) == 2 && digits > fmt.Sprint(mostExponent) {
			return nil, fmt.Errorf("%w: the exponent of %s is beyond %d; write the number out, as in 0.00912", ErrRange, shorten(text), mostExponent)
		}
	}
	dec, _, err := apd.NewFromString(text)
	if err != nil {
		return nil, fmt.Errorf("%w: %s is not a decimal number such as 9.12", ErrSyntax, shorten(text))
	}
	if dec.Exponent < -mostPlaces {
		return nil, fmt.Errorf("%w: %s has %d decimal places; at most %d are taken", ErrDigits, shorten(text), -dec.Exponent, mostPlaces)
	}
	if dec.IsZero() {
		dec.Negative = false
		dec.Exponent = min(dec.Exponent, 0)
	}
	return dec, nil
}

func allDigits(text string) bool {
	for i := range len(text) {
		if text[i] < '0' || text[i] > '9' {
			return false
		}
	}
	return true
}

// plain writes the decimal without an exponent; 9e2 becomes 900.
func plain(dec *apd.Decimal) string { return dec.Text('f') }

// conversion holds every product of 18 digits and a unit without loss; rounding
// happens only where Quantize is told to.
var conversion = apd.Context{Precision: 60, MaxExponent: 1000, MinExponent: -1000, Rounding: apd.RoundHalfEven}

func toNanometres(dec *apd.Decimal, unit Unit) (l Length, exact bool, err error) {
	var nm, whole apd.Decimal
	if _, err := conversion.Mul(&nm, dec, apd.New(unit.nanometres(), 0)); err != nil {
		return 0, false, fmt.Errorf("%w: %w", ErrRange, err)
	}
	var magnitude apd.Decimal
	magnitude.Abs(&nm)
	if magnitude.Cmp(apd.New(int64(Limit), 0)) > 0 {
		return 0, false, fmt.Errorf("%w: %s %s is beyond 10 m; is the unit right?", ErrRange, plain(dec), unit)
	}
	condition, err := conversion.Quantize(&whole, &nm, 0)
	if err != nil {
		return 0, false, fmt.Errorf("%w: %w", ErrRange, err)
	}
	n, err := whole.Int64()
	if err != nil {
		return 0, false, fmt.Errorf("%w: %w", ErrRange, err)
	}
	return Length(n), !condition.Inexact(), nil
}

// Value returns the entered decimal in plain notation, trailing zeros included.
func (q Quantity) Value() string { return q.value }

// Unit returns the entered unit.
func (q Quantity) Unit() Unit { return q.unit }

// Length returns the length in nanometres; see the package comment on rounding.
func (q Quantity) Length() Length { return q.length }

// Exact reports whether Length is the entered value without rounding.
func (q Quantity) Exact() bool { return q.exact }

// IsZero reports whether q holds no entry. An entered 0 mm is an entry.
func (q Quantity) IsZero() bool { return q == Quantity{} }

// Equal reports whether both are the same entry: same digits, same unit.
func (q Quantity) Equal(other Quantity) bool { return q == other }

// String returns the entry as text that Parse reads back to an equal Quantity:
// "0.318 in". It is empty for the zero Quantity.
func (q Quantity) String() string {
	if q.IsZero() {
		return ""
	}
	return q.value + " " + string(q.unit)
}

// MarshalJSON writes {"value":0.318,"unit":"in"} with the digits as entered. It
// fails for the zero Quantity, which is no length.
func (q Quantity) MarshalJSON() ([]byte, error) {
	if q.IsZero() {
		return nil, fmt.Errorf("%w: an empty quantity cannot be written", ErrSyntax)
	}
	return []byte(`{"value":` + q.value + `,"unit":"` + string(q.unit) + `"}`), nil
}

// UnmarshalJSON reads {"value":0.318,"unit":"in"} or "0.318 in". Both fields are
// required; other and repeated fields, null and a value in quotes are refused.
func (q *Quantity) UnmarshalJSON(raw []byte) error {
	decoder := json.NewDecoder(bytes.NewReader(raw))
	decoder.UseNumber()
	token, err := decoder.Token()
	if err != nil {
		return fmt.Errorf("%w: %w", ErrSyntax, err)
	}
	switch token := token.(type) {
	case string:
		parsed, err := Parse(token)
		if err != nil {
			return err
		}
		if err := nothingFollows(decoder); err != nil {
			return err
		}
		*q = parsed
		return nil
	case json.Delim:
		if token == '{' {
			return q.readObject(decoder)
		}
	case json.Number:
		return fmt.Errorf(`%w: a number without a unit; write {"value":%s,"unit":"mm"}`, ErrUnit, token)
	}
	return fmt.Errorf(`%w: write {"value":9.12,"unit":"mm"} or "9.12 mm"`, ErrSyntax)
}

func (q *Quantity) readObject(decoder *json.Decoder) error {
	var value, unitText *string
	for decoder.More() {
		key, err := decoder.Token()
		if err != nil {
			return fmt.Errorf("%w: %w", ErrSyntax, err)
		}
		content, err := decoder.Token()
		if err != nil {
			return fmt.Errorf("%w: %w", ErrSyntax, err)
		}
		switch key {
		case "value":
			number, ok := content.(json.Number)
			if !ok {
				return fmt.Errorf(`%w: "value" must be a number without quotes`, ErrSyntax)
			}
			if value != nil {
				return fmt.Errorf(`%w: "value" is given twice`, ErrSyntax)
			}
			digits := number.String()
			value = &digits
		case "unit":
			text, ok := content.(string)
			if !ok {
				return fmt.Errorf(`%w: "unit" must be one of "mm", "um", "in", "thou"`, ErrUnit)
			}
			if unitText != nil {
				return fmt.Errorf(`%w: "unit" is given twice`, ErrSyntax)
			}
			unitText = &text
		default:
			return fmt.Errorf(`%w: field %s is not known; a length has "value" and "unit"`, ErrSyntax, shorten(fmt.Sprint(key)))
		}
	}
	if _, err := decoder.Token(); err != nil {
		return fmt.Errorf("%w: %w", ErrSyntax, err)
	}
	if err := nothingFollows(decoder); err != nil {
		return err
	}
	if value == nil {
		return fmt.Errorf(`%w: "value" is missing`, ErrSyntax)
	}
	if unitText == nil {
		return fmt.Errorf(`%w: "unit" is missing; use one of mm, um, in, thou`, ErrUnit)
	}
	unit, err := ParseUnit(*unitText)
	if err != nil {
		return err
	}
	parsed, err := New(*value, unit)
	if err != nil {
		return err
	}
	*q = parsed
	return nil
}

func nothingFollows(decoder *json.Decoder) error {
	if _, err := decoder.Token(); !errors.Is(err, io.EOF) {
		return fmt.Errorf("%w: something follows the length", ErrSyntax)
	}
	return nil
}
