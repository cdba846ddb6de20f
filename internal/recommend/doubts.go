package recommend

import (
	"fmt"
	"math"
	"slices"

	"github.com/google/uuid"

	"pinwright/internal/calc/influence"
	"pinwright/internal/calc/length"
	"pinwright/internal/calc/wornsize"
)

// What looking for outliers may cost: each reading is left out once.
const (
	fewJoints    = 4  // estimated together, beyond which nobody looks
	fewReadings  = 60 // of a set that is decided on, likewise
	furthest     = 3  // readings of each of its features that are left out
	mostDisputes = 8  // of one feature for which a settling reading is searched
)

// Outlier is a reading that does not go with the others of its feature. It still
// counts. Sizes in micrometres: with the reading less without it.
type Outlier struct {
	Feature                       FeatureRow
	Reading                       uuid.UUID
	Partner                       *uuid.UUID // agrees with it and hid it
	Probability, Threshold        float64
	Passing, CleanUp, CleanUpHigh float64
	Gauged, OfTwo                 bool
}

// Text tells it to people.
func (x Outlier) Text(unit length.Unit) string {
	w := speak{unit}
	odd := "a value so far out has a probability of " + percent(x.Probability)
	if x.Gauged {
		odd = "what this gauge did has a probability of " + percent(x.Probability)
	}
	who := "A reading of " + x.Feature.Code
	if x.Partner != nil {
		who = "One of two readings of " + x.Feature.Code + " that agree with each other only"
	}
	text := fmt.Sprintf("%s does not go with the others: given them, %s. It moves the passing size by %s and the clean-up size by %s.", who, odd, w.small(x.Passing), w.small(x.CleanUp))
	if x.OfTwo {
		return text + " With two readings nobody can tell which is wrong: take a third."
	}
	return text + " It still counts. Take it again, and void the one that was wrong."
}

// Remark is the outlier as a warning.
func (x Outlier) Remark(unit length.Unit) Remark {
	params := map[string]any{"reading": x.Reading.String(), "feature": x.Feature.ID.String(), "probability": x.Probability,
		"moves_passing_um": x.Passing, "moves_clean_up_um": x.CleanUp}
	if x.Partner != nil {
		params["partner"] = x.Partner.String()
	}
	return Remark{Code: "outlier_reading", Params: params, Text: x.Text(unit)}
}

// Dispute is two readings that can hardly both be true, with the reading that
// would best tell which is wrong. Sizes in micrometres, from nothing.
type Dispute struct {
	Feature       FeatureRow
	First, Second uuid.UUID
	// Medians of the passing size without either.
	WithoutFirst, WithoutSecond float64
	Settle                      Settle
}

// Settle is a further reading: a gauge to try, or one of the two once more.
type Settle struct {
	Again     *uuid.UUID // the one to take once more
	Gauge     float64    // else the gauge's size
	With      string     // what it was read with, when it is to be taken once more
	End       string     // a, b or both, for a gauge
	Station   string     // where to measure; empty when nobody noted it
	Direction *float64
	Power     float64
}

// Text tells people what to take again.
func (d Settle) Text(unit length.Unit) string {
	w := speak{unit}
	sure := "it settles the question with " + percent(d.Power)
	if d.Power < 0.5 {
		sure = "it tells a little only (" + percent(d.Power) + "), so take several"
	}
	if d.Again == nil {
		end := "the mouth at end " + d.End
		if d.End == "both" {
			end = "both ends"
		}
		return fmt.Sprintf("Try a gauge of %s, full length, at %s: %s.", w.size(d.Gauge), end, sure)
	}
	where := "in the same place"
	if d.Station != "" {
		where = "at the " + words(d.Station)
	}
	if d.Direction != nil {
		where += fmt.Sprintf(", at %.0f°", *d.Direction)
	}
	with := ""
	if d.With != "" {
		with = " with the " + words(d.With)
	}
	return fmt.Sprintf("Measure again %s%s (reading %s): %s.", where, with, d.Again, sure)
}

// Text tells it to people.
func (d Dispute) Text(unit length.Unit) string {
	w := speak{unit}
	return fmt.Sprintf("Two readings of %s can hardly both be true (%s and %s): without the first the passing size is %s, without the second %s. %s Then void the one that was wrong.",
		d.Feature.Code, d.First, d.Second, w.size(d.WithoutFirst), w.size(d.WithoutSecond), d.Settle.Text(unit))
}

// Remark is the dispute as a warning.
func (d Dispute) Remark(unit length.Unit) Remark {
	return Remark{Code: "readings_contradict", Params: map[string]any{"feature": d.Feature.ID.String(), "first": d.First.String(), "second": d.Second.String()}, Text: d.Text(unit)}
}

// disputes are the readings of feature i that contradict each other.
func (o *observation) disputes(i int) ([]Dispute, error) {
	f := o.set.Features[i]
	list, err := wornsize.Contradictions(f, o.set.Commons)
	if err != nil {
		return nil, err
	}
	var out []Dispute
	for n, c := range list {
		if n == mostDisputes {
			o.warnings.add("more_contradictions", map[string]any{"feature": o.features[i].ID.String(), "pairs": len(list)},
				"%d pairs of readings of %s contradict each other; the first %d are told. Void what is wrong, and ask again.", len(list), o.features[i].Code, mostDisputes)
			break
		}
		d := Dispute{Feature: o.features[i], First: o.readings[i][c.First], Second: o.readings[i][c.Second]}
		s, err := influence.Settle(f, o.set.Commons, c.First, c.Second)
		if err != nil {
			return nil, fmt.Errorf("settle: %w", err)
		}
		nominal := o.nominal.Micrometres()
		d.WithoutFirst, d.WithoutSecond = nominal+s.WithoutFirst, nominal+s.WithoutSecond
		d.Settle = o.settle(i, s)
		out = append(out, d)
	}
	return out, nil
}

func (o *observation) settle(i int, s influence.Settling) Settle {
	out := Settle{Power: math.Min(s.Power, 1)}
	if s.Again < 0 {
		out.Gauge = o.nominal.Micrometres() + s.Size
		out.End = map[wornsize.Station]string{wornsize.MouthA: "a", wornsize.MouthB: "b"}[s.Station]
		if out.End == "" {
			out.End = "both"
		}
		return out
	}
	id := o.readings[i][s.Again]
	out.Again = &id
	out.With = o.with[id]
	for name, station := range stations {
		if station == s.Station {
			out.Station = name
		}
	}
	if !math.IsNaN(s.Direction) {
		out.Direction = &s.Direction
	}
	return out
}

// outliers are the readings of feature i that do not go with the others, of the
// most that lie furthest out.
func (o *observation) outliers(i, most int) ([]Outlier, error) {
	f := o.set.Features[i]
	study, err := influence.Look(f, o.set.Commons, most)
	if err != nil {
		return nil, fmt.Errorf("outliers: %w", err)
	}
	out := []Outlier{}
	for _, x := range study.Findings {
		if !x.Outlier {
			continue
		}
		one := Outlier{Feature: o.features[i], Reading: o.readings[i][x.Reading], Probability: x.Surprise, Threshold: study.Threshold,
			Passing: x.Passing.Median, CleanUp: x.CleanUp.Median, CleanUpHigh: x.CleanUp.Upper,
			Gauged: f.Readings[x.Reading].Kind != wornsize.Measured, OfTwo: len(f.Readings) == 2}
		if x.Partner >= 0 {
			one.Partner, one.Threshold = &o.readings[i][x.Partner], study.PairThreshold
		}
		out = append(out, one)
	}
	if study.NotLooked > 0 && most == influence.MostLeftOut {
		o.assumed.add("readings_not_looked_at", map[string]any{"feature": o.features[i].ID.String(), "readings": study.NotLooked},
			"%d readings of %s were not held against the others, since they lie near the middle of them.", study.NotLooked, o.features[i].Code)
	}
	return out, nil
}

// doubts finds the outliers and disputes of a set that is decided on.
func (a *Answer) doubts(o *observation) error {
	look := len(o.used) <= fewReadings
	if look {
		a.Outliers = []Outlier{}
	} else {
		o.assumed.add("outliers_not_looked_for", map[string]any{"readings": len(o.used)},
			"With more than %d readings nobody looked for odd ones among them; GET the features' estimates, which do.", fewReadings)
	}
	for i := range o.features {
		disputes, err := o.disputes(i)
		if err != nil {
			return err
		}
		a.Disputes = append(a.Disputes, disputes...)
		if !look {
			continue
		}
		outliers, err := o.outliers(i, furthest)
		if err != nil {
			return err
		}
		a.Outliers = append(a.Outliers, outliers...)
	}
	a.Priors = o.priors
	return nil
}

// Doubts are the warnings whose sentences name lengths, in the answer's unit.
func (a *Answer) Doubts() []Remark { return doubtsIn(a.Outliers, a.Disputes, a.Question.Unit) }

func doubtsIn(outliers []Outlier, disputes []Dispute, unit length.Unit) []Remark {
	var out []Remark
	for _, d := range disputes {
		out = append(out, d.Remark(unit))
	}
	for _, x := range outliers {
		out = append(out, x.Remark(unit))
	}
	return slices.Clip(out)
}
