package pressfit

import (
	"fmt"
	"math"
)

// Material is what elasticity asks of a part.
type Material struct {
	Name      string
	Elastic   float64 // Young's modulus, MPa
	Poisson   float64 // Poisson's ratio
	Yield     float64 // yield or 0.2 % proof stress, MPa; of a brittle material its tensile strength; 0 when not known, and then not checked
	Expansion float64 // of length, 1/K
	Brittle   bool    // breaks before it yields: the greatest tensile stress decides
	Source    string
}

// Materials are typical values, not those of the part at hand; strengths are the
// least of a common grade. In order of their names' use: steels, irons, copper
// alloys, light metal.
//
// The grades' strengths are from memory of the standards named; moduli and ratios
// are round handbook values, common practice; expansion of steel and aluminium is
// from Swyt, J. Res. NIST 99 (1994) 31, that of the others from memory as in package
// uncertainty.
var Materials = []Material{
	{"steel_mild", 210_000, 0.3, 235, 11.5e-6, false, "EN 10025-2, S235, from memory"},
	{"steel_hardened", 210_000, 0.3, 600, 11.5e-6, false, "common practice, no published source: 600 MPa is a quenched and tempered steel; a hardened case stands more"},
	{"cast_iron_grey", 100_000, 0.26, 200, 10.5e-6, true, "EN 1561, EN-GJL-200 (tensile strength), from memory"},
	{"cast_iron_malleable", 170_000, 0.26, 200, 11e-6, false, "EN 1562, EN-GJMB-350-10, from memory"},
	{"bronze", 105_000, 0.34, 280, 18e-6, false, "EN 12163, CuSn8 as drawn rod, from memory"},
	{"bronze_cast", 105_000, 0.34, 140, 18e-6, false, "EN 1982, CuSn12 as sand casting, from memory"},
	{"bronze_sintered", 60_000, 0.3, 80, 18e-6, false, "common practice, no published source; depends on the pores"},
	{"brass", 97_000, 0.35, 200, 19e-6, false, "EN 12164, CuZn39Pb3, from memory"},
	{"aluminium", 70_000, 0.33, 240, 23.1e-6, false, "EN 755-2, EN AW-6082 T6, from memory"},
}

// ByName finds one of Materials; ErrMaterial tells the names there are.
func ByName(name string) (Material, error) {
	names := make([]string, len(Materials))
	for i, m := range Materials {
		if m.Name == name {
			return m, nil
		}
		names[i] = m.Name
	}
	return Material{}, fmt.Errorf("%w: %q is none of %v; take the nearest or give modulus, ratio and yield stress", ErrMaterial, name, names)
}

func (m Material) check(part string) error {
	switch {
	case !(m.Elastic >= 100 && m.Elastic <= 1e6):
		return fmt.Errorf("%w: the %s's modulus must be from 100 to 1000000 MPa, steel has 210000", ErrMaterial, part)
	case !(m.Poisson >= 0 && m.Poisson < 0.5):
		return fmt.Errorf("%w: the %s's Poisson's ratio must be from 0 to less than 0.5, steel has 0.3", ErrMaterial, part)
	case !(m.Yield >= 0 && m.Yield <= 1e4):
		return fmt.Errorf("%w: the %s's yield stress must be at most 10000 MPa, 0 where it is not known", ErrMaterial, part)
	}
	return nil
}

// Friction is the range of the coefficient between pin and hub. High is what a
// press must overcome, Low what holds; a coefficient that is known has both equal.
type Friction struct{ Low, High float64 }

// Frictions of metal on metal as it meets in a garage: common practice, no
// published source; the ranges take in the values that DIN 7190 lists for steel on
// steel and on grey iron (from memory).
var (
	Dry   = Friction{0.10, 0.20}
	Oiled = Friction{0.06, 0.12}
)

func (f Friction) check() error {
	if !(f.Low > 0 && f.Low <= f.High && f.High <= 2) {
		return fmt.Errorf("%w: friction must be over 0 and at most 2, low before high, such as 0.06 to 0.12 oiled", ErrRange)
	}
	return nil
}

// Factors of Loss, by the edition of the standard.
const (
	LossDIN7190of2001 = 0.8
	LossDIN7190of2017 = 0.4
)

// Loss is the interference in mm that pressing takes away by flattening peaks:
// factor × (rzHub + rzPin), with Rz in mm of each face and a factor of LossDIN7190of2001
// or LossDIN7190of2017. ErrRange for a roughness below 0 or above 0.1 mm, or a factor
// outside 0 to 1.
func Loss(rzHub, rzPin, factor float64) (float64, error) {
	ok := func(rz float64) bool { return rz >= 0 && rz <= 0.1 }
	if !ok(rzHub) || !ok(rzPin) || !(factor >= 0 && factor <= 1) {
		return 0, fmt.Errorf("%w: roughness Rz must be from 0 to 0.1 mm (a reamed hole has about 0.006) and its factor from 0 to 1", ErrRange)
	}
	return factor * (rzHub + rzPin), nil
}

func finite(xs ...float64) bool {
	for _, x := range xs {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return false
		}
	}
	return true
}
