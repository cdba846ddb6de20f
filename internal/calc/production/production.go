// Package production shares what a tool costs over its life among its uses, by
// units of production.
//
// What is to be charged over a life is the cost, and what the planned sharpenings
// cost, less the residual value; a unit of use (a hole, a pull) bears one part of
// it in as many as units are expected. The method is that of IAS 16, paragraph 62,
// and of IRS Publication 946 (glossary, unit-of-production method). A new estimate
// changes only what is still to come: the value that remains is spread over the
// life that remains (IAS 8, paragraphs 36 to 38).
//
// All amounts are whole minor units of one currency. After any number of units the
// charges so far are the exact part of the value, rounded once to the nearest unit
// (halves up), so that errors never pile up and a whole life is charged to the last
// unit. What is charged at once is shared among its uses by largest remainders
// (money.Amount.Share).
//
// It knows no currencies, no tools and no days.
package production

import (
	"errors"
	"fmt"
	"math/bits"

	"pinwright/internal/calc/money"
)

// Most is the largest amount and the largest number of units that is reckoned with.
const Most = 1_000_000_000_000

// ErrBasis is wrapped by what is wrong with a basis.
var ErrBasis = errors.New("no basis for charges")

// Basis is what a tool is expected to cost and to do in one life, until it is
// replaced. Amounts are minor units, Life is units of use.
type Basis struct {
	Cost          int64 `json:"cost"`           // what it was bought for
	Sharpenings   int64 `json:"sharpenings"`    // how often it is to be sharpened
	SharpeningFee int64 `json:"sharpening_fee"` // what that costs each time
	Residual      int64 `json:"residual"`       // what it is worth in the end
	Life          int64 `json:"life"`           // how many units it is expected to do in all
}

// Value is what is to be charged over the life: cost + sharpenings × fee − residual.
// ErrBasis when anything is below 0 or above Most, the life is not above 0, or the
// residual is more than the rest.
func (b Basis) Value() (int64, error) {
	for _, x := range []int64{b.Cost, b.SharpeningFee, b.Residual, b.Life, b.Sharpenings} {
		if x < 0 || x > Most {
			return 0, fmt.Errorf("%w: amounts and units are 0 to %d", ErrBasis, int64(Most))
		}
	}
	if b.Sharpenings > 1000 {
		return 0, fmt.Errorf("%w: more than 1000 sharpenings", ErrBasis)
	}
	value := b.Cost + b.Sharpenings*b.SharpeningFee - b.Residual
	switch {
	case b.Life == 0:
		return 0, fmt.Errorf("%w: the life has no units", ErrBasis)
	case value < 0:
		return 0, fmt.Errorf("%w: the residual value is more than the cost and the sharpenings", ErrBasis)
	}
	return value, nil
}

// Progress is how far a life or a span of it has been charged.
type Progress struct {
	Units   int64 `json:"units"`
	Charged int64 `json:"charged"`
}

// Span is the part of a life to which one estimate applies: Value is spread over Life
// units, and Done of it is charged. Later is what newer estimates charged meanwhile, of
// a use that is charged late; the value is not charged twice.
type Span struct {
	Value int64    `json:"value"`
	Life  int64    `json:"life"`
	Done  Progress `json:"done"`
	Later int64    `json:"later"`
}

// Estimate is the span that begins when b is estimated of a tool of which before was
// charged in this life by earlier estimates: remaining value over remaining life,
// neither below 0.
func (b Basis) Estimate(before Progress) (Span, error) {
	value, err := b.Value()
	if err != nil {
		return Span{}, err
	}
	return Span{Value: max(0, value-before.Charged), Life: max(0, b.Life-before.Units)}, nil
}

// Left is how many units of the span are still to be charged.
func (s Span) Left() int64 { return max(0, s.Life-s.Done.Units) }

// Next is what the next units (0 to Most) are charged: what brings the charges of the
// span to their exact part, rounded. Units beyond the life are charged nothing, since
// the value has been charged by then; so are all of a span without life or value.
func (s Span) Next(units int64) int64 {
	return max(0, min(s.target(s.Done.Units+max(0, units)), s.Value-s.Later)-s.Done.Charged)
}

// target is Value × units / Life, to the nearest, halves up.
func (s Span) target(units int64) int64 {
	if s.Life <= 0 || units >= s.Life {
		if s.Life <= 0 {
			return 0
		}
		return s.Value
	}
	// Value and Life are at most about 1e15, so twice the product fits in 128 bits.
	high, low := bits.Mul64(2*uint64(s.Value), uint64(units))
	low, carry := bits.Add64(low, uint64(s.Life), 0)
	quotient, _ := bits.Div64(high+carry, low, 2*uint64(s.Life)) // units < Life, so the quotient fits
	return int64(quotient)
}

// Uses is what each of the next uses is charged, of so many units each: Next of all
// of them together, shared by largest remainders, of equal ones to the earlier.
func (s Span) Uses(units []int64) ([]int64, error) {
	total := int64(0)
	for _, u := range units {
		if u < 0 || u > Most {
			return nil, fmt.Errorf("%w: a use has %d units; 0 to %d are reckoned with", ErrBasis, u, int64(Most))
		}
		total += u
	}
	out := make([]int64, len(units))
	if total == 0 {
		return out, nil
	}
	shares, err := money.Amount{Minor: s.Next(total)}.Share(units)
	if err != nil {
		return nil, err
	}
	for i, share := range shares {
		out[i] = share.Minor
	}
	return out, nil
}
