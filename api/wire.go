package api

import (
	"encoding/json"
	"strings"

	"pinwright/internal/calc/length"
	"pinwright/internal/calc/money"
)

// Lengths and money leave in the club's unit and currency; this is the one
// place where they are converted.

func lengthOut(l length.Length, unit string) Length {
	u := length.Unit(unit)
	return Length{Value: json.Number(l.Decimal(u)), Unit: Unit(unit), Text: l.Text(u)}
}

// computedPlaces is how many decimals a computed size shows in each unit: about
// a tenth of a micrometre, since more would claim what no garage can know.
var computedPlaces = map[length.Unit]int{length.Millimetre: 4, length.Micrometre: 1, length.Inch: 5, length.Thou: 2}

// micrometresOut is a computed length, rounded to about a tenth of a
// micrometre.
func micrometresOut(um float64, unit string) Length {
	u := length.Unit(unit)
	text := length.FromMicrometres(um).Rounded(u, computedPlaces[u])
	value, _, _ := strings.Cut(text, " ")
	return Length{Value: json.Number(value), Unit: Unit(unit), Text: text}
}

func optionalLength(nm *int64, unit string) *Length {
	if nm == nil {
		return nil
	}
	out := lengthOut(length.Length(*nm), unit)
	return &out
}

func nanometres(q *LengthIn) *int64 {
	if q == nil {
		return nil
	}
	nm := int64(q.Length())
	return &nm
}

func moneyOut(minor int64, currency string) Money {
	return Money{Minor: minor, Currency: currency, Text: money.Amount{Minor: minor, Currency: money.Currency(currency)}.Text()}
}

func pointerTo[T any](v T) *T { return &v }

// present returns a pointer to v, or nil for its zero value: optional fields of
// the contract are left out, never sent empty.
func present[T comparable](v T) *T {
	var zero T
	if v == zero {
		return nil
	}
	return &v
}

// or returns what p points to, or the default.
func or[T any](p *T, def T) T {
	if p == nil {
		return def
	}
	return *p
}
