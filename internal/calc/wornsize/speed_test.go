package wornsize

import (
	"math"
	"testing"
)

// twelveReadings is a feature read in three sections, two directions each.
func twelveReadings(directed bool) Feature {
	f := Feature{
		Form:  Form{BellMouth: 20, MiddleShare: 0.5, Ovality: 20, Surface: 10, Feel: 2},
		Prior: Prior{Low: -50, High: 400, Shoulder: 20},
	}
	for i := range 12 {
		direction := math.NaN()
		if directed {
			direction = 90 * float64(i%2)
		}
		f.Readings = append(f.Readings, Reading{
			Value: 30 + 5*float64(i*7%11), U: 3, Common: -1, Station: Station(1 + i%3), Direction: direction,
		})
	}
	return f
}

// garageReadings is a bore that is oval by some 20 µm and wider at one mouth,
// read twice in each of two directions at three stations, u 3 µm, the errors of
// repeating drawn once and written down. shared is the place of the one error
// that all share, or −1; without directions if not directed.
func garageReadings(directed bool, shared int) Feature {
	f := twelveReadings(directed)
	size := [3][2]float64{{62, 45}, {50, 33}, {55, 40}} // by station and direction
	noise := [12]float64{1.2, -2.7, 0.4, 3.1, -1.9, 0.3, 2.2, -0.6, -3.4, 1.5, -0.8, 2.9}
	for i := range f.Readings {
		station, direction := i%3, i/3%2
		f.Readings[i].Value = size[station][direction] + noise[i]
		f.Readings[i].Station = Station(1 + station)
		f.Readings[i].Common = shared
		if directed {
			f.Readings[i].Direction = 90 * float64(direction)
		}
	}
	return f
}

// BenchmarkOneFeature is twelve readings of one instrument in three sections.
func BenchmarkOneFeature(b *testing.B) {
	for name, set := range map[string]Set{
		"plain":           {Features: []Feature{garageReadings(false, -1)}},
		"directed":        {Features: []Feature{garageReadings(true, -1)}},
		"shared":          {Features: []Feature{garageReadings(false, 0)}, Commons: []Common{{U: 2}}},
		"directed shared": {Features: []Feature{garageReadings(true, 0)}, Commons: []Common{{U: 2}}},
	} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				estimateOrFail(b, set)
			}
		})
	}
}

func estimateOrFail(tb testing.TB, set Set) Posterior {
	tb.Helper()
	p, err := Estimate(set)
	if err != nil {
		tb.Fatal(err)
	}
	return p
}

func BenchmarkTwelveReadings(b *testing.B) {
	set := Set{Features: []Feature{twelveReadings(false)}}
	b.ReportAllocs()
	for b.Loop() {
		estimateOrFail(b, set)
	}
}

func BenchmarkTwelveReadingsInTwoDirections(b *testing.B) {
	set := Set{Features: []Feature{twelveReadings(true)}}
	b.ReportAllocs()
	for b.Loop() {
		estimateOrFail(b, set)
	}
}

// fourFeatures share a micrometer and a set of gauges.
func fourFeatures() Set {
	set := Set{Commons: []Common{{U: 2}, {HalfWidth: 2}}}
	for k := range 4 {
		f := Feature{
			Form:  Form{BellMouth: 20, MiddleShare: 0.5, Ovality: 20, Surface: 10, Feel: 2},
			Prior: Prior{Low: -50, High: 400, Shoulder: 20},
		}
		for i := range 4 {
			f.Readings = append(f.Readings, Reading{
				Value: 30 + 6*float64((i*7+k)%5), U: 3, Station: Station(1 + i%3), Direction: math.NaN(),
			})
		}
		f.Readings = append(f.Readings,
			Reading{Kind: Go, Value: 20, U: 1, Common: 1, Direction: math.NaN()},
			Reading{Kind: NoGo, Value: 60, U: 1, Common: 1, Station: MouthA, Direction: math.NaN()})
		set.Features = append(set.Features, f)
	}
	return set
}

func BenchmarkFourFeaturesWithTwoSharedErrors(b *testing.B) {
	set := fourFeatures()
	b.ReportAllocs()
	for b.Loop() {
		estimateOrFail(b, set)
	}
}

func BenchmarkOvalityFarAboveBlur(b *testing.B) {
	f := twelveReadings(false)
	f.Form.Ovality = 60
	for i := range f.Readings {
		f.Readings[i].U = 2
	}
	set := Set{Features: []Feature{f}}
	b.ReportAllocs()
	for b.Loop() {
		estimateOrFail(b, set)
	}
}
