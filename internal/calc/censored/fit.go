package censored

import (
	"errors"
	"fmt"
	"math"
)

// Reading is one observation: a value in (Low, High], exact when they are equal.
// All lengths are in one unit of the caller's choice.
type Reading struct {
	Low, High float64 // Low −∞: left-censored; High +∞: right-censored
	Blur      float64 // standard uncertainty of the reading itself, 0 for none
}

// Interval is a range; an end that the readings do not bound is infinite.
type Interval struct{ Low, High float64 }

// Fit is the normal law that fits readings best.
type Fit struct {
	Mu, Sigma     float64
	LogLikelihood float64 // natural log; densities, per unit of length, for exact readings
	// Standard errors of Mu and of ln Sigma and their covariance, from the observed
	// information. SELogSigma and Covariance are NaN where Sigma was given or is zero.
	SEMu, SELogSigma, Covariance float64
	// Profile likelihood intervals of 95 %. SigmaInterval is Sigma itself where it was given.
	MuInterval, SigmaInterval Interval
	Known                     bool // Sigma was given
}

// What makes a fit impossible.
var (
	ErrNone      = errors.New("there is no reading")
	ErrOneSided  = errors.New("all readings are open towards the same side, so every mean further out fits better: add a reading that bounds the other side")
	ErrNoSpread  = errors.New("one size explains all readings, so the smaller the spread the better it fits: give the spread if it is known, or readings that differ beyond their intervals")
	ErrTooSpread = errors.New("the readings lie on the wrong sides of each other, so every wider spread fits better: look for a slip, or give the spread if it is known")
	ErrSigma     = errors.New("a spread of zero needs readings that are blurred: give each its standard uncertainty")
)

// largest is where a float64's square is still far from overflow.
const largest = 1e100

func check(readings []Reading, sigma *float64) error {
	if len(readings) == 0 {
		return ErrNone
	}
	if sigma != nil && !(*sigma >= 0 && *sigma <= largest) {
		return fmt.Errorf("the known spread is %g: give a finite number of at least 0", *sigma)
	}
	for i, r := range readings {
		switch {
		case math.IsNaN(r.Low) || math.IsNaN(r.High) || r.Low > r.High || math.IsInf(r.Low, 1) || math.IsInf(r.High, -1):
			return fmt.Errorf("reading %d lies from %g to %g: give two ends in ascending order", i, r.Low, r.High)
		case math.IsInf(r.Low, -1) && math.IsInf(r.High, 1):
			return fmt.Errorf("reading %d has no end: it says nothing, leave it out", i)
		case !(r.Blur >= 0 && r.Blur <= largest):
			return fmt.Errorf("reading %d has a blur of %g: give a standard uncertainty of at least 0", i, r.Blur)
		case !math.IsInf(r.Low, 0) && math.Abs(r.Low) > largest || !math.IsInf(r.High, 0) && math.Abs(r.High) > largest:
			return fmt.Errorf("reading %d lies from %g to %g: give ends within ±%g", i, r.Low, r.High, float64(largest))
		case sigma != nil && *sigma == 0 && r.Blur == 0:
			return fmt.Errorf("reading %d: %w", i, ErrSigma)
		}
	}
	return nil
}

// bounded says on which sides the readings have ends, what part all unblurred
// ones share, and whether any is blurred or exact.
type shape struct {
	first, last  float64 // least and greatest finite end
	below, above bool    // some reading has an upper, a lower end
	common       Interval
	blurred      bool // some reading is
	sharp        bool // some reading is not
	greatestBlur float64
}

func shapeOf(readings []Reading) shape {
	s := shape{first: math.Inf(1), last: math.Inf(-1), common: Interval{math.Inf(-1), math.Inf(1)}}
	for _, r := range readings {
		for _, end := range [2]float64{r.Low, r.High} {
			if !math.IsInf(end, 0) {
				s.first, s.last = math.Min(s.first, end), math.Max(s.last, end)
			}
		}
		s.above = s.above || !math.IsInf(r.Low, 0)
		s.below = s.below || !math.IsInf(r.High, 0)
		s.common.Low, s.common.High = math.Max(s.common.Low, r.Low), math.Min(s.common.High, r.High)
		s.blurred, s.sharp = s.blurred || r.Blur > 0, s.sharp || r.Blur == 0
		s.greatestBlur = math.Max(s.greatestBlur, r.Blur)
	}
	return s
}

// Normal fits a normal law to readings by maximum likelihood; see the package
// comment for the model. sigma, where it is not nil, is the spread, known: 0
// for readings of one size that differ by their blur only. Estimates are right
// to about 1e-9 of the spread, ends of intervals to 1e-7. Errors are ErrNone, ErrOneSided, ErrNoSpread,
// ErrTooSpread, ErrSigma, or name the reading to mend. Cost: some thousands of
// evaluations of each reading's probability.
func Normal(readings []Reading, sigma *float64) (Fit, error) {
	if err := check(readings, sigma); err != nil {
		return Fit{}, err
	}
	s := shapeOf(readings)
	switch {
	case !s.above || !s.below:
		return Fit{}, ErrOneSided
	case sigma == nil && !s.blurred && s.common.Low <= s.common.High:
		return Fit{}, ErrNoSpread
	}
	p, unit, origin := scaled(readings, s, sigma)
	if sigma != nil {
		known := *sigma / unit
		return p.known(known).back(readings, unit, origin), nil
	}
	fit, err := p.fit()
	if err != nil {
		return Fit{}, err
	}
	return fit.back(readings, unit, origin), nil
}

// scaled counts readings from the middle of their ends in units of their
// range, so that every threshold is a share of it.
func scaled(readings []Reading, s shape, sigma *float64) (p problem, unit, origin float64) {
	unit = math.Max(s.last-s.first, s.greatestBlur)
	if sigma != nil {
		unit = math.Max(unit, *sigma)
	}
	if unit == 0 {
		unit = 1
	}
	origin = s.first + (s.last-s.first)/2
	p.sharp = s.sharp
	p.blurred = s.blurred
	for _, r := range readings {
		p.readings = append(p.readings, Reading{(r.Low - origin) / unit, (r.High - origin) / unit, r.Blur / unit})
	}
	sortReadings(p.readings)
	return p, unit, origin
}

// back returns a fit of scaled readings to the caller's unit.
func (f Fit) back(readings []Reading, unit, origin float64) Fit {
	for _, r := range readings {
		if r.Low == r.High {
			f.LogLikelihood -= math.Log(unit)
		}
	}
	f.Mu = origin + unit*f.Mu
	f.Sigma *= unit
	f.SEMu *= unit
	f.Covariance *= unit
	f.MuInterval = Interval{origin + unit*f.MuInterval.Low, origin + unit*f.MuInterval.High}
	f.SigmaInterval = Interval{unit * f.SigmaInterval.Low, unit * f.SigmaInterval.High}
	return f
}
