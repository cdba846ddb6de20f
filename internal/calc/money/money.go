// Package money counts money in whole minor units and shares it without losing
// one.
//
// An Amount is an integer number of the currency's smallest unit (cents, fils)
// with its ISO 4217 code. There is no division: what must be divided is shared,
// by the method of largest remainders, so that the shares add up to the whole to
// the last unit. Amounts of different currencies never mix, and sums that do not
// fit in 64 bits are refused rather than wrapped.
//
// It knows no exchange rates, no symbols and no languages; Text is plain
// ("12.50 EUR") and the same everywhere.
package money

import (
	"errors"
	"fmt"
	"math"
	"math/bits"
	"slices"
	"strconv"
	"strings"
)

// What can be wrong; the errors returned wrap one of these.
var (
	ErrCurrency = errors.New("currencies do not fit")
	ErrTooLarge = errors.New("amount too large")
	ErrWeights  = errors.New("nothing to share by")
)

// Amount is money: Minor smallest units of Currency. It may be negative.
type Amount struct {
	Minor    int64
	Currency Currency
}

// Text writes the amount with the currency's decimals: "12.50 EUR", "1250 JPY",
// "-1.250 KWD". A currency that is not known is written with its minor units
// whole, so that nothing is invented.
func (a Amount) Text() string {
	decimals := a.Currency.Decimals()
	magnitude := uint64(a.Minor)
	sign := ""
	if a.Minor < 0 {
		magnitude, sign = -magnitude, "-"
	}
	digits := strconv.FormatUint(magnitude, 10)
	if decimals > 0 {
		if short := decimals + 1 - len(digits); short > 0 {
			digits = strings.Repeat("0", short) + digits
		}
		digits = digits[:len(digits)-decimals] + "." + digits[len(digits)-decimals:]
	}
	return sign + digits + " " + string(a.Currency)
}

// String is Text.
func (a Amount) String() string { return a.Text() }

// Add returns the sum of two amounts of one currency, ErrCurrency for two
// currencies, ErrTooLarge when the sum does not fit.
func (a Amount) Add(b Amount) (Amount, error) {
	if a.Currency != b.Currency {
		return Amount{}, fmt.Errorf("%w: %s and %s; convert one of them first", ErrCurrency, a.Text(), b.Text())
	}
	sum := a.Minor + b.Minor
	if (sum > a.Minor) != (b.Minor > 0) {
		return Amount{}, fmt.Errorf("%w: %s and %s together", ErrTooLarge, a.Text(), b.Text())
	}
	return Amount{Minor: sum, Currency: a.Currency}, nil
}

// Negated returns the amount with the other sign. The one amount that has no
// opposite in 64 bits is ErrTooLarge.
func (a Amount) Negated() (Amount, error) {
	if a.Minor == math.MinInt64 {
		return Amount{}, fmt.Errorf("%w: %s has no opposite", ErrTooLarge, a.Text())
	}
	return Amount{Minor: -a.Minor, Currency: a.Currency}, nil
}

// Share divides the amount in proportion to the weights (none negative, not all
// zero; otherwise ErrWeights) by largest remainders: each share is first rounded towards
// zero, then the units left over go one each to the largest remainders, of equal
// ones to the earlier. The shares add up to the amount exactly, and each is less
// than one unit from its exact proportion.
func (a Amount) Share(weights []int64) ([]Amount, error) {
	var whole uint64
	for i, w := range weights {
		if w < 0 {
			return nil, fmt.Errorf("%w: weight %d is %d; weights are 0 or more", ErrWeights, i, w)
		}
		sum, carry := bits.Add64(whole, uint64(w), 0)
		if carry != 0 {
			return nil, fmt.Errorf("%w: the weights together do not fit; use smaller ones", ErrTooLarge)
		}
		whole = sum
	}
	if whole == 0 {
		return nil, fmt.Errorf("%w: all weights are zero", ErrWeights)
	}
	magnitude := uint64(a.Minor)
	if a.Minor < 0 {
		magnitude = -magnitude
	}
	parts := make([]uint64, len(weights))
	remainders := make([]uint64, len(weights))
	order := make([]int, len(weights))
	left := magnitude
	for i, w := range weights {
		high, low := bits.Mul64(magnitude, uint64(w))
		// w <= whole, so the quotient fits and Div64 cannot overflow unless w == whole.
		if uint64(w) == whole {
			parts[i], remainders[i] = magnitude, 0
		} else {
			parts[i], remainders[i] = bits.Div64(high, low, whole)
		}
		left -= parts[i]
		order[i] = i
	}
	slices.SortStableFunc(order, func(i, j int) int {
		switch {
		case remainders[i] > remainders[j]:
			return -1
		case remainders[i] < remainders[j]:
			return 1
		}
		return 0
	})
	for _, i := range order[:left] {
		parts[i]++
	}
	shares := make([]Amount, len(weights))
	for i, part := range parts {
		minor := int64(part)
		if a.Minor < 0 {
			minor = -minor
		}
		shares[i] = Amount{Minor: minor, Currency: a.Currency}
	}
	return shares, nil
}
