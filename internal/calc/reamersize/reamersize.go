// Package reamersize says how large a reamer must be made, or may be bought, to
// cut holes within given limits.
//
// # The rule
//
// A reamer cuts a little larger than it is, and wears smaller. So its greatest
// size stays below the hole's greatest by 15 % of the hole's tolerance, and the
// maker has 35 % of it for its own (DIN 1420 and GB 4246-84; ISO 522 the same, from
// memory):
//
//	greatest reamer = greatest hole - 0.15 IT
//	least reamer    = greatest reamer - 0.35 IT
//
// Each of the two parts is rounded up to a whole micrometre. One maker's catalogue
// describes rounding to the next whole or half micrometre instead; whole ones give
// the printed tables for IT7 and IT8 up to 50 mm and the printed example 10 D8.
// The lower half of the tolerance is left to wear.
//
// # Vocabulary
//
// The hole's limits are its least and greatest size, the tolerance IT their
// difference. Sizes are exact lengths at 20 °C.
//
// # What it does not do
//
// It does not know how much a reamer really overcuts in this material, machine and
// guidance: ream a test hole first. For soft, thin or resilient parts, which close
// in behind the reamer, the rule gives too small ones. It says nothing of
// adjustable reamers, which are set by their test hole.
package reamersize

import (
	"errors"
	"fmt"

	"pinwright/internal/calc/derivation"
	"pinwright/internal/calc/length"
)

// ErrHole tells of limits for which no reamer can be made by the rule; the error
// says why.
var ErrHole = errors.New("no reamer for this hole")

// Source is where the rule is printed.
const Source = "DIN 1420 (GB 4246-84 the same)"

const micrometre length.Length = 1000

// Reamer is the limits of size of a reamer, and the parts they came from.
type Reamer struct {
	Least, Greatest         length.Length
	HoleLeast, HoleGreatest length.Length
	Overcut                 length.Length // 0.15 IT, rounded up
	Tolerance               length.Length // 0.35 IT, rounded up
	Wear                    length.Length // from the least reamer down to the least hole
}

// ForHole returns the limits of a reamer for holes from least to greatest. ErrHole
// tells of limits that are no hole, and of tolerances so small that the rounded
// parts leave nothing of them (below 2 µm). Source: DIN 1420.
func ForHole(least, greatest length.Length) (Reamer, error) {
	if least <= 0 || greatest > length.Limit {
		return Reamer{}, fmt.Errorf("%w: it must be larger than nothing and no larger than %s", ErrHole, length.Limit.Text(length.Millimetre))
	}
	it := greatest - least
	if it <= 0 {
		return Reamer{}, fmt.Errorf("%w: its greatest size must be over its least; exchange them, or give the tolerance", ErrHole)
	}
	r := Reamer{HoleLeast: least, HoleGreatest: greatest, Overcut: partUp(it, 15), Tolerance: partUp(it, 35)}
	r.Greatest = greatest - r.Overcut
	r.Least = r.Greatest - r.Tolerance
	r.Wear = r.Least - least
	if r.Wear < 0 {
		return Reamer{}, fmt.Errorf("%w: a tolerance of %s leaves a reamer none; hone or lap to size, or take a coarser grade", ErrHole, it.Text(length.Micrometre))
	}
	return r, nil
}

// partUp is so many hundredths of a length, rounded up to a whole micrometre.
func partUp(of length.Length, hundredths length.Length) length.Length {
	const step = 100 * micrometre
	return (of*hundredths + step - 1) / step * micrometre
}

// Derivation tells how the limits came about.
func (r Reamer) Derivation() []derivation.Step {
	mm := func(symbol, name string, l length.Length) derivation.Value {
		return derivation.Number(symbol, name, l.Millimetres(), "mm")
	}
	um := func(symbol, name string, l length.Length) derivation.Value {
		return derivation.Number(symbol, name, l.Micrometres(), "um")
	}
	low, high := mm("D_min", "least hole", r.HoleLeast), mm("D_max", "greatest hole", r.HoleGreatest)
	it := um("IT", "tolerance of the hole", r.HoleGreatest-r.HoleLeast)
	overcut, tolerance := um("a", "kept free for overcut", r.Overcut), um("b", "the reamer's own tolerance", r.Tolerance)
	greatest, least := mm("d_max", "greatest reamer", r.Greatest), mm("d_min", "least reamer", r.Least)
	return []derivation.Step{
		{Name: "tolerance of the hole", Formula: "IT = D_max - D_min", Inputs: []derivation.Value{high, low}, Result: it, Source: "ISO 286-1, definitions"},
		{Name: "kept free for overcut", Formula: "a = 0.15 IT, rounded up to 1 um", Inputs: []derivation.Value{it}, Result: overcut, Source: Source},
		{Name: "the reamer's own tolerance", Formula: "b = 0.35 IT, rounded up to 1 um", Inputs: []derivation.Value{it}, Result: tolerance, Source: Source},
		{Name: "greatest reamer", Formula: "d_max = D_max - a / 1000", Inputs: []derivation.Value{high, overcut}, Result: greatest, Source: Source},
		{Name: "least reamer", Formula: "d_min = d_max - b / 1000", Inputs: []derivation.Value{greatest, tolerance}, Result: least, Source: Source},
		{Name: "left to wear", Formula: "w = 1000 (d_min - D_min)", Inputs: []derivation.Value{least, low}, Result: um("w", "wear until holes come out small, were there no overcut", r.Wear), Source: "follows from the rule"},
	}
}
