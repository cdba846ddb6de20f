package length

import (
	"fmt"
	"math"
	"math/big"
	"strconv"
	"strings"
)

// Length is a length in whole nanometres. It may be negative: a clearance
// below zero is an interference.
type Length int64

// Limit is the greatest magnitude a Quantity may have: ten metres.
const Limit Length = 10_000_000_000

// FromMicrometres rounds a computed value in micrometres to the nearest
// nanometre, halves to even. It panics when um is not a number or beyond Limit,
// which for a computed length is a fault of the program, never of its input.
func FromMicrometres(um float64) Length {
	nm := math.RoundToEven(um * 1000)
	if !(math.Abs(nm) <= float64(Limit)) {
		panic(fmt.Sprintf("length: %v micrometres is no length", um))
	}
	return Length(nm)
}

// Micrometres returns the length in micrometres, for calculations in floating
// point. Every Length within Limit is represented to better than a picometre.
func (l Length) Micrometres() float64 { return float64(l) / 1000 }

// Millimetres returns the length in millimetres.
func (l Length) Millimetres() float64 { return float64(l) / 1_000_000 }

// Abs returns the magnitude of l.
func (l Length) Abs() Length {
	if l < 0 {
		return -l
	}
	return l
}

// Decimal returns the length as decimal digits of the unit, without the unit:
// exact in mm and um; in in and thou, where most nanometres have no finite
// decimal, rounded to 8 and 5 places, halves to even. Trailing zeros are left
// off. Different lengths always give different digits, and New reads them back
// to the same Length. It panics for an invalid unit.
func (l Length) Decimal(u Unit) string {
	places := u.decimals()
	return trimZeros(fixed(roundedRatio(int64(l), int64(u.Length()), places), places))
}

// Text returns the length as Decimal does, with its unit: "8.0772 mm", "0.318 in".
func (l Length) Text(u Unit) string { return l.Decimal(u) + " " + string(u) }

// Rounded returns the length with a fixed number of decimal places (0 to 8) and
// its unit, halves to even: Rounded(Inch, 3) gives "0.318 in". It panics for an
// invalid unit or number of places.
func (l Length) Rounded(u Unit, places int) string {
	if places < 0 || places > 8 {
		panic(fmt.Sprintf("length: %d decimal places", places))
	}
	return fixed(roundedRatio(int64(l), int64(u.Length()), places), places) + " " + string(u)
}

// Quantity returns the length as a Quantity in the given unit, with the digits
// of Decimal. It fails only beyond Limit.
func (l Length) Quantity(u Unit) (Quantity, error) { return New(l.Decimal(u), u) }

// TextWithUncertainty returns the length with its expanded uncertainty, such as
// "9.121 ± 0.006 mm". The rule is that of JCGM 100, 7.2.6:
//
//   - the uncertainty has two significant digits, rounded up unless the excess
//     is at most a twentieth of the last digit (the guide's own examples: 10.47
//     becomes 11, but 28.05 becomes 28);
//   - a second digit that is zero is left off when the first is 3 or more, since
//     the value's rounding then stays below a sixth of the uncertainty;
//   - the value is rounded to the same place, halves to even.
//
// An expanded uncertainty of zero or less gives Text alone.
func (l Length) TextWithUncertainty(u Unit, expanded Length) string {
	if expanded <= 0 {
		return l.Text(u)
	}
	digits, places := twoDigitsUp(int64(expanded), int64(u.Length()))
	if digits%10 == 0 && digits >= 30 {
		digits, places = digits/10, places-1
	}
	value := roundedRatio(int64(l), int64(u.Length()), places)
	return fixed(value, places) + " ± " + fixed(big.NewInt(digits), places) + " " + string(u)
}

// twoDigitsUp finds the two-digit number and decimal place for num/den > 0.
func twoDigitsUp(num, den int64) (digits int64, places int) {
	hundred := big.NewInt(100)
	// Start one place too coarse; the loop then runs once or twice.
	for places = int(math.Floor(-math.Log10(float64(num) / float64(den)))); ; places++ {
		// twentieths of the last digit, so that the common-sense excess is an integer.
		n, d := scaled(num, den, places)
		n.Mul(n, big.NewInt(20))
		q, r := new(big.Int).QuoRem(n, d, new(big.Int))
		if q.Cmp(big.NewInt(200)) < 0 {
			continue
		}
		if r.Sign() > 0 {
			q.Add(q, big.NewInt(1))
		}
		// q is rounded up to twentieths: an excess of one twentieth is dropped.
		whole, rest := new(big.Int).QuoRem(q, big.NewInt(20), new(big.Int))
		if rest.Cmp(big.NewInt(1)) > 0 {
			whole.Add(whole, big.NewInt(1))
		}
		if whole.Cmp(hundred) == 0 {
			return 10, places - 1
		}
		return whole.Int64(), places
	}
}

// scaled returns the fraction num/den * 10^places.
func scaled(num, den int64, places int) (n, d *big.Int) {
	n, d = big.NewInt(num), big.NewInt(den)
	ten := big.NewInt(10)
	if places >= 0 {
		n.Mul(n, ten.Exp(ten, big.NewInt(int64(places)), nil))
	} else {
		d.Mul(d, ten.Exp(ten, big.NewInt(int64(-places)), nil))
	}
	return n, d
}

// roundedRatio returns num/den * 10^places as a whole number, halves to even.
func roundedRatio(num, den int64, places int) *big.Int {
	n, d := scaled(num, den, places)
	q, r := new(big.Int).QuoRem(n, d, new(big.Int))
	twice := new(big.Int).Abs(r)
	twice.Lsh(twice, 1)
	if c := twice.Cmp(d); c > 0 || c == 0 && q.Bit(0) == 1 {
		q.Add(q, big.NewInt(int64(n.Sign())))
	}
	return q
}

// fixed writes n * 10^-places in plain notation.
func fixed(n *big.Int, places int) string {
	digits := new(big.Int).Abs(n).String()
	sign := ""
	if n.Sign() < 0 {
		sign = "-"
	}
	switch {
	case places < 0 && digits != "0":
		digits += strings.Repeat("0", -places)
	case places > 0:
		if short := places + 1 - len(digits); short > 0 {
			digits = strings.Repeat("0", short) + digits
		}
		digits = digits[:len(digits)-places] + "." + digits[len(digits)-places:]
	}
	return sign + digits
}

func trimZeros(digits string) string {
	if !strings.Contains(digits, ".") {
		return digits
	}
	return strings.TrimSuffix(strings.TrimRight(digits, "0"), ".")
}

// String returns the length in nanometres, for logs and test failures. People
// are shown Text.
func (l Length) String() string { return strconv.FormatInt(int64(l), 10) + " nm" }
