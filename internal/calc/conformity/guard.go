package conformity

import (
	"fmt"
	"math"
)

// Rule names a binary decision rule by where its acceptance limits stand.
type Rule string

// The rules of JCGM 106:2012, 8.2 and 8.3.
const (
	SimpleAcceptance  Rule = "simple_acceptance"  // the tolerance limits themselves
	GuardedAcceptance Rule = "guarded_acceptance" // inside them, for the consumer
	GuardedRejection  Rule = "guarded_rejection"  // outside them, for the producer
)

// RuleOf is the rule that a guard band of multiplier times U makes.
func RuleOf(multiplier float64) Rule {
	switch {
	case multiplier > 0:
		return GuardedAcceptance
	case multiplier < 0:
		return GuardedRejection
	}
	return SimpleAcceptance
}

// GuardBand moves each limit of a tolerance inward by w = r·U: the stated multiplier r,
// from -3 to 3, times the expanded uncertainty U in the unit of the tolerance. A value in
// the zone is accepted, any other rejected. It reports false when the zone is empty.
// Source: JCGM 106:2012, 8.3 (the multiplier 1 is the default of ISO 14253-1 in its
// editions before 2017).
func GuardBand(t Tolerance, expanded, multiplier float64) (zone Tolerance, possible bool, err error) {
	if err := t.check(); err != nil {
		return Tolerance{}, false, err
	}
	if !(expanded >= 0) || math.IsInf(expanded, 0) {
		return Tolerance{}, false, fmt.Errorf("%w: expanded uncertainty %v must be 0 or more", ErrReading, expanded)
	}
	if !(math.Abs(multiplier) <= 3) {
		return Tolerance{}, false, fmt.Errorf("%w: guard band multiplier %v; state one from -3 to 3: 1 guards by the whole expanded uncertainty, 0 not at all, below 0 guards the producer", ErrRisk, multiplier)
	}
	w := multiplier * expanded
	zone = Tolerance{Lower: t.Lower + w, Upper: t.Upper - w}
	return zone, zone.Lower <= zone.Upper, nil
}

// Accepts reports whether a value in the zone's unit is accepted.
func (t Tolerance) Accepts(y float64) bool { return y >= t.Lower && y <= t.Upper }
