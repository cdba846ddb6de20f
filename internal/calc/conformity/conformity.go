// Package conformity decides whether a part is inside its limits when its size
// is known only with an uncertainty.
//
// # Words
//
// The tolerance is what the drawing allows: a lower limit, an upper limit or
// both. The measured value y has standard uncertainty u. With nothing else known
// about the part, what is believed of its true size is a normal law about y of
// standard deviation u, and the probability of conformity is the share of that
// law inside the tolerance (JCGM 106:2012, clause 7).
//
// A stated risk is the greatest probability of being wrong that is accepted, 0.05
// unless the club says otherwise. There are three answers. The fit is Proved when
// the probability of nonconformity is at most the risk, Refused when the
// probability of conformity is at most the risk, and Undecided between. Undecided
// is an answer, not a failure: measure better, or in more places.
//
// # Guard bands
//
// For one limit, Proved is the same as measuring inside the limit by at least
// g = k u, with k the guard factor of the risk (1.645 at 5 %). The default rule of
// ISO 14253-1 moves each limit by a guard band in this way: inward to prove
// conformity, outward to prove nonconformity. For two limits close together
// the acceptance zone shrinks and can vanish; then no reading with that uncertainty
// can prove the fit, which AcceptanceZone reports.
//
// A guard band may also be stated as a multiple of the expanded uncertainty
// (GuardBand), which makes a binary rule: accepted inside, rejected outside, no third
// answer (JCGM 106:2012, 8.3).
//
// # Risks
//
// A binary rule errs in two ways. The consumer's risk is to accept what does
// not conform, the producer's to reject what does. Both need to know how parts
// usually turn out, the Process (JCGM 106 calls it the prior). The specific risk is
// that of one measured part, the global risk that of a part of the process before
// it is measured (9.3 to 9.5).
//
// # What it does not do
//
// Judge and AcceptanceZone use no knowledge of how parts usually turn out; package
// wornsize has more than a normal law of it, and hands its probabilities to
// DecideProbability.
package conformity

import (
	"errors"
	"fmt"
	"math"
)

// DefaultRisk is the risk that is accepted when none is stated.
const DefaultRisk = 0.05

// What can be wrong with a question; the errors returned wrap one of these.
var (
	ErrRisk      = errors.New("risk out of range")
	ErrTolerance = errors.New("no tolerance")
	ErrReading   = errors.New("not a reading")
)

// Tolerance is the limits of size, in any unit of length that y and u share. A
// missing limit is infinite; NoLower and NoUpper make one-sided tolerances.
type Tolerance struct{ Lower, Upper float64 }

// NoLower is the tolerance of an upper limit alone.
func NoLower(upper float64) Tolerance { return Tolerance{Lower: math.Inf(-1), Upper: upper} }

// NoUpper is the tolerance of a lower limit alone.
func NoUpper(lower float64) Tolerance { return Tolerance{Lower: lower, Upper: math.Inf(1)} }

func (t Tolerance) check() error {
	if math.IsNaN(t.Lower) || math.IsNaN(t.Upper) || t.Lower > t.Upper {
		return fmt.Errorf("%w: lower limit %v is above upper limit %v", ErrTolerance, t.Lower, t.Upper)
	}
	if math.IsInf(t.Lower, 1) || math.IsInf(t.Upper, -1) || math.IsInf(t.Lower, -1) && math.IsInf(t.Upper, 1) {
		return fmt.Errorf("%w: give a lower limit, an upper limit or both", ErrTolerance)
	}
	return nil
}

// Decision is one of the three answers.
type Decision string

// The three answers.
const (
	Proved    Decision = "proved"
	Refused   Decision = "refused"
	Undecided Decision = "undecided"
)

// Verdict is a decision with the probabilities it rests on. Below and Above say
// on which side the part would be outside; Conforming and Nonconforming are each
// computed without subtracting from one, so small values keep their digits.
type Verdict struct {
	Conforming, Nonconforming float64
	Below, Above              float64
	Decision                  Decision
}

// Judge decides whether a measured value y with standard uncertainty u, in the
// unit of the tolerance, conforms at the stated risk (over 0, below 0.5). With
// u = 0 the value is taken as true and a value on the limit conforms.
// Source: JCGM 106:2012, 7 and 8.
func Judge(t Tolerance, y, u, risk float64) (Verdict, error) {
	if err := t.check(); err != nil {
		return Verdict{}, err
	}
	if math.IsNaN(y) || math.IsInf(y, 0) || math.IsNaN(u) || math.IsInf(u, 0) || u < 0 {
		return Verdict{}, fmt.Errorf("%w: value %v with standard uncertainty %v; the uncertainty must be 0 or more", ErrReading, y, u)
	}
	if err := checkRisk(risk); err != nil {
		return Verdict{}, err
	}
	v := Verdict{Below: below(t.Lower, y, u), Above: below(-t.Upper, -y, u)}
	v.Nonconforming = v.Below + v.Above
	v.Conforming = inside(t, y, u)
	v.Decision = decide(v.Conforming, v.Nonconforming, risk)
	return v, nil
}

// DecideProbability decides at the stated risk from a probability of conformity
// that was got elsewhere, such as a share of a posterior law.
func DecideProbability(conforming, risk float64) (Decision, error) {
	if !(conforming >= 0 && conforming <= 1) {
		return "", fmt.Errorf("%w: a probability of %v", ErrReading, conforming)
	}
	if err := checkRisk(risk); err != nil {
		return "", err
	}
	return decide(conforming, 1-conforming, risk), nil
}

func decide(conforming, nonconforming, risk float64) Decision {
	switch {
	case nonconforming <= risk:
		return Proved
	case conforming <= risk:
		return Refused
	}
	return Undecided
}

// GuardFactor returns k such that a value inside one limit by k standard
// uncertainties is outside it with probability risk: 1.645 for 0.05. The risk
// must be over 0 and below 0.5.
func GuardFactor(risk float64) (float64, error) {
	if err := checkRisk(risk); err != nil {
		return 0, err
	}
	return math.Sqrt2 * math.Erfcinv(2*risk), nil
}

// AcceptanceZone returns the tolerance reduced by the guard band k u at each
// limit (ISO 14253-1, default rule): a value inside it proves conformity to each
// limit at the stated risk. It reports false when no value can, because the zone
// is empty. Judge adds the risks of both limits, so on a zone only a few u wide it
// is the stricter of the two.
func AcceptanceZone(t Tolerance, u, risk float64) (Tolerance, bool, error) {
	if err := t.check(); err != nil {
		return Tolerance{}, false, err
	}
	if math.IsNaN(u) || math.IsInf(u, 0) || u < 0 {
		return Tolerance{}, false, fmt.Errorf("%w: standard uncertainty %v must be 0 or more", ErrReading, u)
	}
	k, err := GuardFactor(risk)
	if err != nil {
		return Tolerance{}, false, err
	}
	zone := Tolerance{Lower: t.Lower + k*u, Upper: t.Upper - k*u}
	if zone.Lower > zone.Upper {
		return Tolerance{}, false, nil
	}
	return zone, true, nil
}

func checkRisk(risk float64) error {
	if !(risk > 0 && risk < 0.5) {
		return fmt.Errorf("%w: %v; state a risk over 0 and below 0.5, usually 0.05", ErrRisk, risk)
	}
	return nil
}

// below is the probability that the size is below the limit.
func below(limit, y, u float64) float64 {
	if u == 0 {
		if y < limit {
			return 1
		}
		return 0
	}
	return math.Erfc((y-limit)/u/math.Sqrt2) / 2
}

// inside is the probability of conformity. Far outside, it is the difference of
// two tails on the side where they are small.
func inside(t Tolerance, y, u float64) float64 {
	if u == 0 {
		if y < t.Lower || y > t.Upper {
			return 0
		}
		return 1
	}
	if y > t.Upper {
		return math.Max(0, below(t.Upper, y, u)-below(t.Lower, y, u))
	}
	if y < t.Lower {
		return math.Max(0, below(-t.Lower, -y, u)-below(-t.Upper, -y, u))
	}
	return 1 - below(t.Lower, y, u) - below(-t.Upper, -y, u)
}
