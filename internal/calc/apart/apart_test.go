package apart_test

import (
	"math"
	"testing"

	"pinwright/internal/calc/apart"
	"pinwright/internal/calc/wornsize"
)

func TestReadingsAreTakenApart(t *testing.T) {
	t.Parallel()
	commons := []wornsize.Common{{U: 4}, {HalfWidth: 3 * math.Sqrt(3)}}
	f := wornsize.Feature{Readings: []wornsize.Reading{
		{Value: 100, U: 3, Common: 0, Station: wornsize.Middle, Direction: 90},
		{Value: 102, U: 3, Common: 0, Station: wornsize.MouthA},
		{Value: 99, Kind: wornsize.Go, U: 0, Common: 1},
		{Value: 98, U: 3, Common: -1, BiasLow: -12, BiasHigh: 0},
	}}
	got := apart.Feature(f, commons).Readings
	for i, want := range []float64{3, 3, 5, math.Sqrt(9 + 16 + 12)} {
		if math.Abs(got[i].U-want) > 1e-12 || got[i].Common != -1 || !math.IsNaN(got[i].Direction) {
			t.Errorf("reading %d: %+v, want u %g", i, got[i], want)
		}
	}
	if got[3].Value != 104 || got[3].BiasLow != 0 || got[0].Station != wornsize.Middle || f.Readings[0].Common != 0 {
		t.Errorf("%+v", got)
	}
}

// Without form error, differences keep their doubt: against generalised least
// squares of the readings with their shared error, the mean less the shared error is as well known.
func TestDifferencesKeepTheirDoubt(t *testing.T) {
	t.Parallel()
	var f wornsize.Feature
	for i := range 4 {
		f.Readings = append(f.Readings, wornsize.Reading{Value: float64(100 + i), U: 2, Common: 0, Station: wornsize.Middle, Direction: math.NaN()})
	}
	f.Prior = wornsize.Prior{Low: 0, High: 200, Shoulder: 5}
	p, err := wornsize.Estimate(wornsize.Set{Features: []wornsize.Feature{apart.Feature(f, []wornsize.Common{{U: 9}})}})
	if err != nil {
		t.Fatal(err)
	}
	law := p.Features[0].Passing
	if math.Abs(law.Mean()-101.5) > 0.01 || math.Abs(law.SD()-1) > 0.01 { // u/√n
		t.Errorf("mean %g, deviation %g; want 101.5 and 1", law.Mean(), law.SD())
	}
}
