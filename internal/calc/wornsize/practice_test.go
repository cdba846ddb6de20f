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
