package wornsize

import (
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// further is a set with a shared error, and readings that could still be taken.
func further() (Set, []Reading) {
	bore := func(value, u float64, common int, station Station) Reading {
		return Reading{Value: value, U: u, Common: common, Station: station, Direction: math.NaN()}
	}
	form := Form{BellMouth: 12, MiddleShare: 0.5, Ovality: 15, Surface: 6, Feel: 2}
	prior := Prior{Low: -30, High: 500, Shoulder: 20}
	set := Set{Commons: []Common{{U: 3}}, Features: []Feature{
		{Form: form, Prior: prior, Readings: []Reading{bore(60, 3, 0, Middle), bore(72, 3, 0, MouthA)}},
		{Form: form, Prior: prior, Readings: []Reading{bore(55, 3, 0, Middle), {Kind: Starts, Value: 50, U: 1.5, Common: -1, Direction: math.NaN()}}},
		{Form: form, Prior: prior, Readings: []Reading{{Kind: Starts, Value: 80, U: 1.5, Common: -1, Direction: math.NaN()}}},
	}}
	return set, []Reading{
		{Kind: NoGo, Value: 90, U: 1.5, Common: -1, Direction: math.NaN()},
		{Kind: Starts, Value: 62, U: 1.5, Common: -1, Direction: math.NaN()},
		bore(70, 4, -1, MouthB),
	}
}

func TestAFurtherReadingGivesWhatEstimatingAnewGives(t *testing.T) {
	t.Parallel()
	set, readings := further()
	e, err := Begin(set)
	if err != nil {
		t.Fatal(err)
	}
	for f := range set.Features {
		for i, r := range readings {
			got, err := e.With(f, r)
			if err != nil {
				t.Fatal(err)
			}
			anew := set
			anew.Features = append([]Feature{}, set.Features...)
			anew.Features[f].Readings = append(append([]Reading{}, set.Features[f].Readings...), r)
			want, err := Estimate(anew)
			if err != nil {
				t.Fatal(err)
			}
			if d := math.Abs(got.LogEvidence - want.LogEvidence); d > 0.02 && want.LogEvidence > -12 {
				t.Errorf("feature %d, reading %d: log evidence %.4f, anew %.4f", f, i, got.LogEvidence, want.LogEvidence)
			}
			for g := range set.Features {
				for _, p := range []float64{0.05, 0.5, 0.95} {
					for name, laws := range map[string][2]Law{"passing": {got.Features[g].Passing, want.Features[g].Passing}, "clean-up": {got.Features[g].CleanUp, want.Features[g].CleanUp}} {
						x := laws[1].Quantile(p)
						if d := math.Abs(laws[0].CDF(x) - laws[1].CDF(x)); d > 0.01 {
							t.Errorf("feature %d, reading %d: %s of feature %d at the %g quantile differs by %.4f", f, i, name, g, p, d)
						}
					}
				}
			}
		}
	}
}

func TestAFurtherReadingCannotShareAnError(t *testing.T) {
	t.Parallel()
	set, readings := further()
	e, err := Begin(set)
	if err != nil {
		t.Fatal(err)
	}
	readings[0].Common = 0
	if _, err := e.With(0, readings[0]); err != ErrShares { //nolint:errorlint // the sentinel itself
		t.Errorf("error %v, want %v", err, ErrShares)
	}
}

// Whichever outcome of a gauge is asked for first, the answers are the same, and
// what it may do adds up to one: its mesh knows of the gauge, not of what it did.
func TestOutcomesOfAFurtherGaugeDoNotDependOnTheirOrder(t *testing.T) {
	t.Parallel()
	set, _ := further()
	for f := range set.Features {
		var first []Posterior
		for _, kinds := range [][]Kind{{Go, Starts, NoGo}, {NoGo, Go, Starts}} {
			e, err := Begin(set)
			if err != nil {
				t.Fatal(err)
			}
			answers := map[Kind]Posterior{}
			var sum float64
			for _, kind := range kinds {
				p, err := e.With(f, tried(kind, 66, 1.5, MouthB))
				if err != nil {
					t.Fatal(err)
				}
				answers[kind] = p
				sum += math.Exp(p.LogEvidence - e.Posterior.LogEvidence)
			}
			if math.Abs(sum-1) > 1e-3 {
				t.Errorf("feature %d: the outcomes sum to %.6f", f, sum)
			}
			now := []Posterior{answers[Go], answers[Starts], answers[NoGo]}
			if first == nil {
				first = now
			} else if diff := cmp.Diff(first, now); diff != "" {
				t.Errorf("feature %d: the order of asking shows (-one +other):\n%s", f, diff)
			}
		}
	}
}

// Estimate of an Estimation knows what it was begun with, one feature of that,
// and what is neither.
func TestAnEstimationKnowsWhatItCanContinue(t *testing.T) {
	t.Parallel()
	set, readings := further()
	e, err := Begin(set)
	if err != nil {
		t.Fatal(err)
	}
	add := func(s Set, f int, r Reading) Set {
		s.Features = append([]Feature{}, s.Features...)
		s.Features[f].Readings = append(append([]Reading{}, s.Features[f].Readings...), r)
		return s
	}
	alone := Set{Features: set.Features[1:2], Commons: set.Commons}
	shares := readings[2]
	shares.Common = 0
	narrower := add(set, 0, readings[0])
	narrower.Features[2].Prior.High = 400
	for name, asked := range map[string]Set{
		"the set": set, "one reading more": add(set, 1, readings[0]), "one feature and a reading": add(alone, 0, readings[1]),
		"one feature": alone, "a reading that shares an error": add(set, 1, shares), "two readings more": add(add(set, 0, readings[0]), 1, readings[1]),
		"another prior": narrower, "other shared errors": {Features: set.Features, Commons: []Common{{U: 9}}},
	} {
		got, err := e.Estimate(asked)
		if err != nil {
			t.Fatal(err)
		}
		want, err := Estimate(asked)
		if err != nil {
			t.Fatal(err)
		}
		if len(got.Features) != len(want.Features) || math.Abs(got.LogEvidence-want.LogEvidence) > 0.02 {
			t.Fatalf("%s: log evidence %.4f, estimated anew %.4f", name, got.LogEvidence, want.LogEvidence)
		}
		for f := range want.Features {
			x := want.Features[f].CleanUp.Quantile(0.9)
			if p := got.Features[f].CleanUp.CDF(x); math.Abs(p-0.9) > 0.01 {
				t.Errorf("%s: feature %d, the 0.9 quantile is at %.4f", name, f, p)
			}
		}
	}
}
