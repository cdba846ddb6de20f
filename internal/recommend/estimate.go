package recommend

import (
	"fmt"
	"math"
	"slices"

	"github.com/google/uuid"

	"pinwright/internal/calc/influence"
	"pinwright/internal/calc/length"
	"pinwright/internal/calc/wornsize"
	"pinwright/internal/problem"
	"pinwright/internal/reading"
)

// Size is a size with its doubt, in micrometres: of a whole diameter, or of a
// clearance or allowance.
type Size struct {
	Median, Low, High float64 // the central Coverage
	Quantiles         []Quantile
}

// Quantile is a size that is not exceeded with probability P.
type Quantile struct{ P, Size float64 }

// Coverage is the probability that a size lies between Low and High.
const Coverage = 0.95

// SizeOf is the law of a size counted from nominal as people are shown it.
func SizeOf(l wornsize.Law, nominal length.Length) Size {
	at := func(p float64) float64 { return nominal.Micrometres() + l.Quantile(p) }
	s := Size{Median: at(0.5), Low: at(0.025), High: at(0.975)}
	for _, p := range []float64{0.025, 0.1, 0.25, 0.5, 0.75, 0.9, 0.975} {
		s.Quantiles = append(s.Quantiles, Quantile{p, at(p)})
	}
	return s
}

// half is half the width of the central interval: the U of value ± U.
func (s Size) half() float64 { return (s.High - s.Low) / 2 }

// PinStep is which step of its series a pin is.
type PinStep struct {
	Code        string
	Probability float64
}

// FeatureEstimate is what the readings say of one feature.
type FeatureEstimate struct {
	Feature  FeatureRow
	Readings []uuid.UUID
	Passing  Size
	CleanUp  Size
	Original *Size    // of a pin: the size it was made to
	PinStep  *PinStep // of a pin with a series
	Budgets  []Budget
	Prior    PriorUsed
	Outliers []Outlier // nil when nobody looked
	Disputes []Dispute
	Assumed  []Remark
	Warnings []Remark
	DoNext   []Remark
	Summary  string

	// Posterior are the laws behind the sizes, in micrometres from Nominal; Steps the
	// joint's ladder.
	Posterior wornsize.FeaturePosterior
	Nominal   length.Length
	Steps     []StepRow
}

// EstimateFeature estimates one feature of the snapshot. Sentences give lengths
// in unit.
func EstimateFeature(s *Snapshot, feature uuid.UUID, unit length.Unit) (FeatureEstimate, error) {
	for _, f := range s.Features.Items {
		if f.ID != feature {
			continue
		}
		all, err := estimateJoint(s, f.JointID, unit, FormMeans{}, func(x FeatureRow) bool { return x.ID == feature })
		if err != nil {
			return FeatureEstimate{}, err
		}
		return all[slices.IndexFunc(all, func(e FeatureEstimate) bool { return e.Feature.ID == feature })], nil
	}
	return FeatureEstimate{}, problem.Absent()
}

// EstimateJoint estimates the features of one joint of the snapshot, in their
// order: those that share instruments inform each other, so the whole joint is
// estimated together. Odd readings are looked for unless the snapshot is of many joints.
func EstimateJoint(s *Snapshot, joint uuid.UUID, unit length.Unit) ([]FeatureEstimate, error) {
	return estimateJoint(s, joint, unit, FormMeans{}, func(FeatureRow) bool { return len(s.Joints.Items) <= fewJoints })
}

func estimateJoint(s *Snapshot, joint uuid.UUID, unit length.Unit, means FormMeans, look func(FeatureRow) bool) ([]FeatureEstimate, error) {
	at := slices.IndexFunc(s.Joints.Items, func(j JointRow) bool { return j.ID == joint })
	if at < 0 {
		return nil, problem.Absent()
	}
	s = s.of(s.Joints.Items[at])
	nominal := nominalOf(s.Features.Items, s.Steps.Items, s.Readings.Items)
	o, err := observe(s.Joints.Items, s.Features.Items, s.Readings.Items, nominal, tallest(s.Steps.Items, nominal), means, s.priors())
	if err != nil {
		return nil, err
	}
	o.set.Stop = s.Stop
	post, err := wornsize.Estimate(o.set)
	if err != nil {
		return nil, fmt.Errorf("estimate: %w", err)
	}
	out := make([]FeatureEstimate, len(o.features))
	for i, f := range o.features {
		if out[i], err = o.estimate(s, i, f, post.Features[i], unit, look(f)); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// estimate tells of feature f, the i-th of o, what was worked out.
func (o *observation) estimate(s *Snapshot, i int, f FeatureRow, p wornsize.FeaturePosterior, unit length.Unit, look bool) (FeatureEstimate, error) {
	e := FeatureEstimate{Feature: f, Passing: SizeOf(p.Passing, o.nominal), CleanUp: SizeOf(p.CleanUp, o.nominal),
		Posterior: p, Nominal: o.nominal, Steps: s.Steps.Items}
	own := map[uuid.UUID]bool{}
	for _, r := range s.Readings.Items {
		own[r.ID] = r.FeatureID == f.ID
	}
	for _, id := range o.used {
		if own[id] {
			e.Readings = append(e.Readings, id)
		}
	}
	for _, b := range o.budgets {
		if own[b.ReadingID] {
			e.Budgets = append(e.Budgets, b)
		}
	}
	told := *o // what is odd in one feature is told of that one only
	told.warnings.list, told.assumed.list = slices.Clone(o.warnings.list), slices.Clone(o.assumed.list)
	var err error
	if e.Disputes, err = told.disputes(i); err != nil {
		return FeatureEstimate{}, err
	}
	if look {
		if e.Outliers, err = told.outliers(i, influence.MostLeftOut); err != nil {
			return FeatureEstimate{}, err
		}
	}
	e.Prior = o.priors[i]
	e.Assumed, e.Warnings = told.assumed.list, append(told.warnings.list, doubtsIn(e.Outliers, e.Disputes, unit)...)
	words := speak{unit}
	if f.Shape == "pin" {
		original := SizeOf(p.Original, o.nominal)
		e.Original = &original
		e.PinStep = stepOf(p.Original, s.Steps.Items, o.nominal)
		e.Summary = words.pin(e)
	} else {
		e.Summary = words.bore(e)
	}
	e.DoNext = words.measureNext(f, len(e.Readings), e.Passing)
	return e, nil
}

// nominalOf is the size that lengths are counted from: the standard pin, else
// the first nominal, else a reading; any fixed size serves.
func nominalOf(features []FeatureRow, steps []StepRow, readings []reading.Observation) length.Length {
	if len(steps) > 0 {
		return length.Length(steps[0].PinNm)
	}
	for _, f := range features {
		if f.NominalNm != nil {
			return length.Length(*f.NominalNm)
		}
	}
	for _, r := range readings {
		if r.Doubtful == nil {
			return r.Size
		}
	}
	return 8 * 1_000_000 // nothing is known at all: the answer is as wide as the prior
}

func tallest(steps []StepRow, nominal length.Length) length.Length {
	if len(steps) == 0 {
		return nominal
	}
	return length.Length(steps[len(steps)-1].PinNm)
}

// stepOf judges which step of the series a pin is by its unworn ends: each
// step's pins lie within its tolerance, widened by pinSlack.
func stepOf(original wornsize.Law, steps []StepRow, nominal length.Length) *PinStep {
	if len(steps) == 0 {
		return nil
	}
	const pinSlack = 3 // µm that a supplier's pin may lie outside its tolerance (common practice, no published source)
	best, sum := -1, 0.0
	weights := make([]float64, len(steps))
	for i, s := range steps {
		low := (length.Length(s.PinNm+s.ToleranceLowerNm) - nominal).Micrometres() - pinSlack
		high := (length.Length(s.PinNm+s.ToleranceUpperNm) - nominal).Micrometres() + pinSlack
		weights[i] = (original.CDF(high) - original.CDF(low)) / (high - low)
		sum += weights[i]
		if best < 0 || weights[i] > weights[best] {
			best = i
		}
	}
	if !(sum > 0) {
		// Between all steps: the nearest, and not sure of it.
		middle := original.Quantile(0.5)
		for i, s := range steps {
			if math.Abs((length.Length(s.PinNm)-nominal).Micrometres()-middle) < math.Abs((length.Length(steps[best].PinNm)-nominal).Micrometres()-middle) {
				best = i
			}
		}
		return &PinStep{Code: steps[best].Code}
	}
	return &PinStep{Code: steps[best].Code, Probability: weights[best] / sum}
}
