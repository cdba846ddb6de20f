package choice

import (
	"math"
	"testing"

	"pinwright/internal/calc/wornsize"
)

// eightJoints is a vehicle's worth of readings: eight joints, every other with
// two running bores, each bore read at both mouths in two directions with one
// micrometer and tried with two gauges of one class. Sizes are invented.
func eightJoints() (wornsize.Set, []Joint) {
	set := wornsize.Set{Commons: []wornsize.Common{{U: 2}, {HalfWidth: 1.3}}}
	series := wideSeries()
	var joints []Joint
	for j := range 8 {
		var running []int
		for b := range 1 + j%2 {
			f := wornsize.Feature{
				Form:  wornsize.Form{BellMouth: 15, MiddleShare: 0.5, Ovality: 15, Surface: 6, Feel: 2},
				Prior: wornsize.Prior{Low: inch(0.313), High: inch(0.335), Shoulder: 20},
			}
			size := series[1+(j+b)%3].Pin.Mid() - 40
			for i := range 4 {
				f.Readings = append(f.Readings, wornsize.Reading{Value: size + 3*float64((5*i+j)%7), U: 3, Common: 0, Station: []wornsize.Station{wornsize.MouthA, wornsize.MouthB}[i/2], Direction: 90 * float64(i%2)})
			}
			f.Readings = append(f.Readings,
				wornsize.Reading{Kind: wornsize.Go, Value: size - 25, U: 1, Common: 1, Direction: math.NaN()},
				wornsize.Reading{Kind: wornsize.Starts, Value: size + 5, U: 1, Common: 1, Direction: math.NaN()})
			running = append(running, len(set.Features))
			set.Features = append(set.Features, f)
		}
		joints = append(joints, hinge(string(rune('a'+j)), running...))
	}
	return set, joints
}

// wideSeries has a standard pin and three oversizes: with leaving, cleaning,
// bushing and replacing there are more than six options for every joint.
func wideSeries() []Step {
	series := hingeSeries()
	third := series[2]
	reamer := *third.Reamer
	reamer.Code, reamer.Diameter = "0.326", inch(0.326)
	third.Code, third.Pin, third.Reamer = "oversize_3", Interval{inch(0.325) - 5, inch(0.325)}, &reamer
	return append(series, third)
}

func eightProblem(post wornsize.Posterior, joints []Joint) Problem {
	p := problem(post, joints...)
	p.Series = wideSeries()
	return p
}

// BenchmarkFromReadingsToDecision is what a recommendation for eight joints
// costs: the estimate of their twelve bores and the choice among all options.
func BenchmarkFromReadingsToDecision(b *testing.B) {
	set, joints := eightJoints()
	b.ReportAllocs()
	for b.Loop() {
		post, err := wornsize.Estimate(set)
		if err != nil {
			b.Fatal(err)
		}
		if _, err := Decide(eightProblem(post, joints)); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkEstimateOfEightJoints is the estimate alone.
func BenchmarkEstimateOfEightJoints(b *testing.B) {
	set, _ := eightJoints()
	for b.Loop() {
		if _, err := wornsize.Estimate(set); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkNextReadingOfEightJoints is the search for the reading of most worth,
// each outcome continued from the estimate.
func BenchmarkNextReadingOfEightJoints(b *testing.B) {
	set, joints := eightJoints()
	e, err := wornsize.Begin(set)
	if err != nil {
		b.Fatal(err)
	}
	p := eightProblem(e.Posterior, joints)
	b.ReportAllocs()
	for b.Loop() {
		_, cost, err := NextReadings(p, set, Search{Gauges: clubGauges(), MaxEstimates: 45, Keep: 1}, e.Estimate)
		if err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(float64(cost.Screening+cost.Estimates), "estimates")
	}
}
