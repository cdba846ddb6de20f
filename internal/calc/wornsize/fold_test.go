package wornsize

import (
	"math"
	"testing"
)

// mixed is a set of bores read n times each by some instruments, turn about.
func mixedReadings(n, instruments int, placed bool) Set {
	set := Set{}
	for i := range instruments {
		set.Commons = append(set.Commons, Common{U: 3 + float64(i)})
	}
	form := Form{BellMouth: 12, MiddleShare: 0.5, Ovality: 15, Surface: 6, Feel: 2}
	for f := range 2 {
		feature := Feature{Form: form, Prior: Prior{Low: -30, High: 500, Shoulder: 20}}
		for i := range n {
			r := Reading{Value: 50 + float64(5*f+3*(i%7)), U: 5, Common: i % instruments, Direction: math.NaN()}
			if placed {
				r.Station = Station(1 + i%3)
			}
			feature.Readings = append(feature.Readings, r)
		}
		set.Features = append(set.Features, feature)
	}
	return set
}

func TestFoldingKeepsTheUncertaintyOfTheMean(t *testing.T) {
	t.Parallel()
	// Without form error the mean of n readings with own u and shared s has variance
	// u²/n + s² (JCGM 100, 5.2.2 and H.2), folded or not.
	const n, u, s = 5, 5.0, 4.0
	set := mixedReadings(n, 3, true)
	set.Commons = []Common{{U: s}, {U: 9}, {U: 9}}
	for i := range set.Features[0].Readings {
		set.Features[0].Readings[i].Common = 0 // only feature 0 knows it; the others reach two features each
	}
	set.Features[0].Readings = append(set.Features[0].Readings, Reading{Kind: Go, Value: -1e5, U: 1, Common: 1, Direction: math.NaN()}, Reading{Kind: Go, Value: -1e5, U: 1, Common: 2, Direction: math.NaN()})
	for i := range set.Features {
		set.Features[i].Form = Form{}
		set.Features[i].Prior = Prior{Low: -1000, High: 1000, Shoulder: 20}
	}
	folded, changed := FoldShared(set)
	if !changed || folded.Features[0].Readings[0].Common != -1 || set.Features[0].Readings[0].Common != 0 {
		t.Fatalf("the error of one feature was not the one folded, or the set given was changed: %+v", folded.Features[0].Readings[0])
	}
	p, err := Estimate(folded)
	if err != nil {
		t.Fatal(err)
	}
	want := math.Sqrt(u*u/n + s*s)
	if got := p.Features[0].Passing.SD(); math.Abs(got-want) > 0.01*want {
		t.Errorf("standard deviation %.4f, want %.4f", got, want)
	}
}

func TestFoldingLeavesWhatIsCheap(t *testing.T) {
	t.Parallel()
	if _, changed := FoldShared(mixedReadings(6, 2, true)); changed {
		t.Error("two shared errors of readings with stations were folded")
	}
	if _, changed := FoldShared(mixedReadings(4, 2, false)); changed {
		t.Error("two shared errors of four readings without station were folded")
	}
	for name, set := range map[string]Set{"four instruments": mixedReadings(8, 4, true), "many loose readings by two": mixedReadings(6, 2, false)} {
		if _, changed := FoldShared(set); !changed {
			t.Errorf("%s: nothing was folded", name)
		}
	}
}

// BenchmarkMixedReadings is what FoldShared bounds: forty readings by four
// instruments, without and with their stations.
func BenchmarkMixedReadings(b *testing.B) {
	for name, placed := range map[string]bool{"loose": false, "placed": true} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				set, _ := FoldShared(mixedReadings(40, 4, placed))
				if _, err := Estimate(set); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func TestFoldingANarrowBiasHardlyMovesTheAnswer(t *testing.T) {
	t.Parallel()
	f := Feature{Form: Form{BellMouth: 12, MiddleShare: 0.5, Ovality: 15, Surface: 6}, Prior: Prior{Low: -30, High: 500, Shoulder: 20}}
	for i, value := range []float64{60, 66, 63} {
		f.Readings = append(f.Readings, Reading{Value: value, U: 3, BiasLow: -5, Common: -1, Station: Station(1 + i), Direction: math.NaN()})
	}
	wide := f
	wide.Readings = []Reading{{Value: 1, U: 3, BiasLow: -7, Common: -1}}
	both := FoldBiases(Set{Features: []Feature{f, wide}})
	g := both.Features[0]
	if g.Readings[0].BiasLow != 0 || g.Readings[0].Value != 62.5 || f.Readings[0].BiasLow != -5 {
		t.Fatalf("not folded, or the set given was changed: %+v", g.Readings[0])
	}
	if both.Features[1].Readings[0].BiasLow != -7 {
		t.Error("a bias wider than twice the uncertainty was folded")
	}
	exact, err := Estimate(Set{Features: []Feature{f}})
	if err != nil {
		t.Fatal(err)
	}
	folded, err := Estimate(Set{Features: []Feature{g}})
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range []float64{0.05, 0.5, 0.95} {
		x := exact.Features[0].CleanUp.Quantile(p)
		if got := folded.Features[0].CleanUp.CDF(x); math.Abs(got-p) > 0.02 {
			t.Errorf("the %g quantile of the clean-up size is at %.4f when folded", p, got)
		}
	}
}
