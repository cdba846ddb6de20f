package choice

import (
	"fmt"
	"math"
	"math/bits"

	"pinwright/internal/calc/wornsize"
)

// maxSteps is the longest series; maxFees the most reamers that cost something
// once a job, because their subsets are enumerated.
const (
	maxSteps = 32
	maxFees  = 12
)

func (p Problem) check() error {
	if len(p.Joints) == 0 {
		return fmt.Errorf("give at least one joint")
	}
	if len(p.Series) == 0 || len(p.Series) > maxSteps {
		return fmt.Errorf("give a pin series of 1 to %d steps", maxSteps)
	}
	fees := uint64(0)
	for s, step := range p.Series {
		if err := step.check(); err != nil {
			return fmt.Errorf("series[%d] (%s): %w", s, step.Code, err)
		}
		if s > 0 && step.Pin.Low <= p.Series[s-1].Pin.Low {
			return fmt.Errorf("series[%d] (%s): list the steps with ascending pins", s, step.Code)
		}
		if step.Reamer != nil && step.Reamer.BorrowMinor > 0 {
			fees |= 1 << s
		}
		if step.HeldReamer != nil && step.HeldReamer.BorrowMinor > 0 {
			fees |= 1 << (32 + s)
		}
	}
	if n := bits.OnesCount64(fees); n > maxFees {
		return fmt.Errorf("%d reamers of the series cost something per job; give at most %d, or leave out those that cannot be had", n, maxFees)
	}
	if err := checkPosterior(p.Posterior); err != nil {
		return err
	}
	for i, j := range p.Joints {
		if err := j.check(len(p.Posterior.Features), len(p.Series)); err != nil {
			return fmt.Errorf("joints[%d] (%s): %w", i, j.Code, err)
		}
	}
	l := p.Losses
	for _, x := range []float64{l.WaitingDay, l.FailedCut, l.FailedTry, l.LostWall, l.StepSpent, l.Hole, l.ExtraPass, l.Look, l.Clean, l.Assemble, l.NoWayOut, l.Unproved} {
		if !(x >= 0) || math.IsInf(x, 0) {
			return fmt.Errorf("a loss of %v: give losses of at least 0", x)
		}
	}
	for _, r := range []float64{p.Risk.Joint, p.Risk.Set} {
		if !(r > 0 && r < 0.5) {
			return fmt.Errorf("a risk of %v: give risks over 0 and below 0.5, for example 0.05", r)
		}
	}
	switch p.Preference {
	case "", Uniform, LeastMetal, Cheapest:
		return nil
	default:
		return fmt.Errorf("preference %q is unknown: use uniform, least_metal or cheapest", p.Preference)
	}
}

func (s Step) check() error {
	if s.PriceMinor < 0 || s.LeadDays < 0 {
		return fmt.Errorf("give a price and a lead time of at least 0")
	}
	if err := s.Pin.check("pin"); err != nil {
		return err
	}
	if s.HeldPart != nil {
		if err := s.HeldPart.check("held part"); err != nil {
			return err
		}
	}
	for _, r := range []*Reamer{s.Reamer, s.HeldReamer} {
		if r == nil {
			continue
		}
		if !finite(r.Diameter, r.Overcut, r.OvercutU, r.Scatter) || r.OvercutU < 0 || r.Scatter < 0 {
			return fmt.Errorf("reamer %s: give finite sizes and uncertainties of at least 0", r.Code)
		}
		if r.WearMinor < 0 || r.BorrowMinor < 0 || r.WaitDays < 0 {
			return fmt.Errorf("reamer %s: give charges and waiting of at least 0", r.Code)
		}
		if r.MaxCut > 0 && r.MaxCut < r.MinCut {
			return fmt.Errorf("reamer %s: the greatest cut is below the least", r.Code)
		}
	}
	return nil
}

func (i Interval) check(what string) error {
	if !finite(i.Low, i.High) || i.Low > i.High {
		return fmt.Errorf("%s: give finite limits, low not above high", what)
	}
	return nil
}

func finite(xs ...float64) bool {
	for _, x := range xs {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return false
		}
	}
	return true
}

func checkPosterior(p wornsize.Posterior) error {
	if len(p.Weights) == 0 {
		return fmt.Errorf("the posterior has no nodes: estimate the set first")
	}
	for f, feature := range p.Features {
		if len(feature.CleanUpAt) != len(p.Weights) || len(feature.PassingAt) != len(p.Weights) {
			return fmt.Errorf("feature %d: give one law for each of the %d nodes of the posterior", f, len(p.Weights))
		}
		laws := append([]wornsize.Law{feature.Passing, feature.CleanUp}, feature.PassingAt...)
		for _, l := range append(laws, feature.CleanUpAt...) {
			if len(l.X) < 2 || len(l.X) != len(l.P) {
				return fmt.Errorf("feature %d: a law needs at least two sizes, each with its probability", f)
			}
		}
	}
	return nil
}

func (j Joint) check(features, steps int) error {
	if len(j.Running) == 0 {
		return fmt.Errorf("name at least one running bore")
	}
	for _, f := range append(append([]int{}, j.Running...), j.Held...) {
		if f < 0 || f >= features {
			return fmt.Errorf("feature %d does not exist: the set has %d", f, features)
		}
	}
	if j.Pin < -1 || j.Pin >= features {
		return fmt.Errorf("pin %d does not exist: the set has %d features, -1 means not read", j.Pin, features)
	}
	if j.Fitted < 0 || j.Fitted >= steps {
		return fmt.Errorf("fitted step %d does not exist: the series has %d", j.Fitted, steps)
	}
	if err := j.Target.check("target clearance"); err != nil {
		return err
	}
	if j.HeldTarget != nil {
		if err := j.HeldTarget.check("target interference"); err != nil {
			return err
		}
	}
	if j.MinimumWall > 0 && !finite(j.BossDiameter) {
		return fmt.Errorf("give the boss diameter, or no minimum wall")
	}
	for _, f := range j.Facts {
		if _, ok := factRules[f]; !ok {
			return fmt.Errorf("fact %q is unknown", f)
		}
	}
	if j.Bush != nil {
		if err := j.Bush.Finished.check("finished bush"); err != nil {
			return err
		}
		if j.Bush.PriceMinor < 0 || j.Bush.LabourMinor < 0 || j.Bush.LeadDays < 0 {
			return fmt.Errorf("bush: give price, labour and lead time of at least 0")
		}
	}
	if r := j.Replacement; r != nil && (r.PriceMinor < 0 || r.LabourMinor < 0 || r.LeadDays < 0) {
		return fmt.Errorf("replacement: give price, labour and lead time of at least 0")
	}
	if j.Replacement != nil && !(j.Replacement.Meets >= 0 && j.Replacement.Meets <= 1) {
		return fmt.Errorf("replacement: give the probability that it meets the target, from 0 to 1")
	}
	return nil
}
