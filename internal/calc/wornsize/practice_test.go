package wornsize

import (
	"math"
	"testing"
)

const thouPerInch, micrometresPerThou = 1000, 25.4

// inches gives µm from a nominal of 0.314 in.
func inches(in float64) float64 { return (in - 0.314) * thouPerInch * micrometresPerThou }

func gauged(kind Kind, in float64) Reading {
	return Reading{Kind: kind, Value: inches(in), U: 1, Common: -1, Direction: math.NaN()}
}

// Common practice, no published source: pin 0.314 in when new, oversizes 0.317
// and 0.321 in, reamers 0.318 and 0.322 in. A gauge the size of the first
// reamer that starts to go into a rusty running bore means the second oversize.
func TestFourRustyRunningBoresWantTheSecondReamer(t *testing.T) {
	t.Parallel()
	var set Set
	for range 4 {
		set.Features = append(set.Features, Feature{
			Form:     Form{BellMouth: 20, MiddleShare: 0.5, Ovality: 20, Surface: 10, Feel: 2},
			Prior:    Prior{Low: inches(0.313), High: inches(0.335), Shoulder: 20},
			Readings: []Reading{gauged(Starts, 0.318)},
		})
	}
	posterior, err := Estimate(set)
	if err != nil {
		t.Fatal(err)
	}
	for i, f := range posterior.Features {
		if p := f.CleanUp.CDF(inches(0.318)); p >= 0.01 {
			t.Errorf("bore %d: the first reamer cleans up with probability %.4f, want under 0.01", i, p)
		}
		if p := f.CleanUp.CDF(inches(0.322)); p < 0.90 || p > 0.94 {
			t.Errorf("bore %d: the second reamer cleans up with probability %.4f, want 0.90 to 0.94", i, p)
		}
	}
}

// Common practice, no published source: bores read in two directions at both
// mouths and the middle, which a gauge of 0.316 in does not enter, clean up
// with the first reamer.
func TestBoresReadUnderTheFirstReamerCleanUpWithIt(t *testing.T) {
	t.Parallel()
	set := Set{Commons: []Common{{U: 2}}}
	for range 2 {
		f := Feature{
			Form:  Form{BellMouth: 10, MiddleShare: 0.5, Ovality: 10, Surface: 5, Feel: 2},
			Prior: Prior{Low: inches(0.313), High: inches(0.335), Shoulder: 20},
		}
		for station := MouthA; station <= MouthB; station++ {
			for direction, in := range []float64{0.3155, 0.3160} {
				f.Readings = append(f.Readings, Reading{
					Value: inches(in), U: 3.5, Station: station, Direction: 90 * float64(direction),
				})
			}
		}
		f.Readings = append(f.Readings, gauged(NoGo, 0.316))
		set.Features = append(set.Features, f)
	}
	for i, f := range estimateOrFail(t, set).Features {
		if p := f.CleanUp.CDF(inches(0.318)); p < 0.98 {
			t.Errorf("bore %d: the first reamer cleans up with probability %.4f, want near certainty", i, p)
		}
	}
}

// Common practice, no published source: the pressed-in ends of a plain pin are
// not worn and show which size was fitted, whatever the middle has lost.
func TestUnwornEndsShowWhichPinWasFitted(t *testing.T) {
	t.Parallel()
	for _, middle := range []float64{0.3142, 0.3120, 0.3080} {
		f := Feature{
			Shape: Pin,
			Form:  Form{BellMouth: 30, MiddleShare: 0.1, Ovality: 15},
			Prior: Prior{Low: inches(0.310), High: inches(0.325), Shoulder: 20},
			Readings: []Reading{
				measured(inches(0.3142), 4, MouthA, unknown), measured(inches(0.3142), 4, MouthB, unknown),
				measured(inches(middle), 4, Middle, unknown),
			},
		}
		law := estimateOrFail(t, one(f)).Features[0].Original
		nearest := inches(0.3155) // half way to the first oversize, 0.317 in
		if p := law.CDF(nearest); p < 0.999 {
			t.Errorf("middle %.4f in: the pin is a standard one with probability %.4f, want 0.999", middle, p)
		}
		if got := law.Quantile(0.5); math.Abs(got-inches(0.3142)) > 10 {
			t.Errorf("middle %.4f in: original size %.1f µm from standard, want within 10 of the ends' 5", middle, got)
		}
	}
}
