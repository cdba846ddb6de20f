package wornsize

import (
	"math"
	"testing"
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
