package wornsize

import (
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// drawReading makes a plausible reading; commons is how many shared errors there are.
func drawReading(t *rapid.T, commons int) Reading {
	r := Reading{
		Kind:    Kind(rapid.IntRange(0, 3).Draw(t, "kind")),
		Value:   rapid.Float64Range(-20, 60).Draw(t, "value"),
		U:       rapid.Float64Range(0.8, 6).Draw(t, "u"),
		Common:  rapid.IntRange(-1, commons-1).Draw(t, "common"),
		Station: Station(rapid.IntRange(0, 3).Draw(t, "station")),
	}
	if r.Kind != Measured && r.Station == Middle {
		r.Station = AnyStation
	}
	r.Direction = rapid.SampledFrom([]float64{math.NaN(), 0, 45, 90, 135}).Draw(t, "direction")
	r.PartLength = rapid.Bool().Draw(t, "part length")
	r.Burred = rapid.IntRange(0, 4).Draw(t, "burred") == 0
	if rapid.IntRange(0, 4).Draw(t, "biased") == 0 {
		r.BiasLow = -rapid.Float64Range(0, 12).Draw(t, "bias")
	}
	return r
}

func drawFeature(t *rapid.T, commons, most int) Feature {
	f := Feature{
		Shape:    Shape(rapid.IntRange(0, 1).Draw(t, "shape")),
		Guidance: Guidance(rapid.IntRange(0, 1).Draw(t, "guidance")),
		Prior:    Prior{Low: -40, High: 80, Shoulder: 12},
		Form: Form{
			BellMouth:   rapid.SampledFrom([]float64{0, 5, 15, 25}).Draw(t, "bell mouth"),
			MiddleShare: rapid.SampledFrom([]float64{0, 0.3, 1}).Draw(t, "share"),
			Ovality:     rapid.SampledFrom([]float64{0, 6, 15, 30}).Draw(t, "ovality"),
			Surface:     rapid.SampledFrom([]float64{0, 5}).Draw(t, "surface"),
			Feel:        rapid.SampledFrom([]float64{0, 2}).Draw(t, "feel"),
		},
	}
	for range rapid.IntRange(0, most).Draw(t, "readings") {
		f.Readings = append(f.Readings, drawReading(t, commons))
	}
	return f
}

func mustEstimate(t *rapid.T, set Set) Posterior {
	p, err := Estimate(set)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func TestOrderOfReadingsChangesNothing(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		set := Set{Commons: []Common{{U: 3}}, Features: []Feature{drawFeature(t, 1, 5)}}
		before := mustEstimate(t, set)
		set.Features[0].Readings = rapid.Permutation(set.Features[0].Readings).Draw(t, "order")
		if diff := cmp.Diff(before, mustEstimate(t, set)); diff != "" {
			t.Fatalf("the order of readings shows (-sent first +permuted):\n%s", diff)
		}
	})
}

func TestLawsAreLawsAndTheSameEveryTime(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		set := Set{Commons: []Common{{U: 3}, {HalfWidth: 2}}, Features: []Feature{drawFeature(t, 2, 4), drawFeature(t, 2, 3)}}
		p := mustEstimate(t, set)
		if diff := cmp.Diff(p, mustEstimate(t, set)); diff != "" {
			t.Fatalf("two runs differ:\n%s", diff)
		}
		if fault := faultOf(p); fault != "" {
			t.Fatal(fault)
		}
	})
}

// faultOf says what is wrong with a posterior as such, or is empty.
func faultOf(p Posterior) string {
	var sum float64
	for _, w := range p.Weights {
		sum += w
	}
	if math.Abs(sum-1) > 1e-9 {
		return "the weights do not sum to one"
	}
	if math.IsNaN(p.LogEvidence) || math.IsInf(p.LogEvidence, 0) {
		return "the evidence is not finite"
	}
	for _, f := range p.Features {
		if len(f.PassingAt) != len(p.Weights) || len(f.CleanUpAt) != len(p.Weights) {
			return "not one law per node"
		}
		for _, law := range append([]Law{f.Passing, f.CleanUp, f.Original, f.PassingAt[0], f.CleanUpAt[0]}, f.PassingAt...) {
			if len(law.X) < 2 || len(law.X) != len(law.P) || law.P[0] < 0 || law.P[len(law.P)-1] > 1 {
				return "a law has no nodes or leaves [0, 1]"
			}
			for i := range law.X {
				if math.IsNaN(law.X[i]+law.P[i]) || math.IsInf(law.X[i], 0) {
					return "a law is not finite"
				}
				if i > 0 && (law.X[i] < law.X[i-1] || law.P[i] < law.P[i-1]) {
					return "a law falls"
				}
			}
		}
	}
	return ""
}

// A full-length gauge that passes weighs the passing size by a rising
// function, so that the law moves up as a whole. The tolerance is what two
// meshes may differ by, which is what the laws claim (see the package comment).
func TestAGaugeThatPassesNeverLowersThePassingSize(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		f := drawFeature(t, 0, 4)
		f.Shape = Bore
		before := mustEstimate(t, one(f)).Features[0].Passing
		size := rapid.Float64Range(-20, 60).Draw(t, "gauge")
		f.Readings = append(f.Readings[:len(f.Readings):len(f.Readings)], tried(Go, size, 1.5, AnyStation))
		after := mustEstimate(t, one(f)).Features[0].Passing
		const slack = 1e-3
		for _, p := range []float64{0.05, 0.25, 0.5, 0.75, 0.95} {
			x := before.Quantile(p)
			if got := after.CDF(x); got > p+slack {
				t.Fatalf("a gauge of %.2f passes, and P(size below %.2f) rises from %.4f to %.4f", size, x, p, got)
			}
		}
	})
}

// A gauge that passes, and a far smaller one that does not: one of the two was
// noted wrongly, so nothing is known but the prior above the larger gauge. What is
// left of the likelihood is of the order of Lapse, and must not drown in what
// quadrature leaves of terms that cancel.
func TestContradictoryGaugesLeaveThePrior(t *testing.T) {
	t.Parallel()
	f := Feature{Form: Form{BellMouth: 5, MiddleShare: 1, Ovality: 6, Surface: 5, Feel: 2}, Prior: Prior{Low: -40, High: 80, Shoulder: 12},
		Readings: []Reading{tried(Go, -9.39, 0.86, MouthA), tried(Starts, -8.63, 0.88, AnyStation), tried(Go, 10.27, 0.81, AnyStation)}}
	p, err := Estimate(one(f))
	if err != nil {
		t.Fatal(err)
	}
	// Flat from 12.3 µm (gauge and feel) to 80 µm: a share of (x − 12.3)/67.7 below x, but for form error and shoulders.
	for x, want := range map[float64]float64{12.3: 0, 30: 0.21, 50: 0.45, 70: 0.69, 100: 1} {
		if got := p.Features[0].Passing.CDF(x); math.Abs(got-want) > 0.03 {
			t.Errorf("P(size below %g) is %.4f, want about %.2f", x, got, want)
		}
	}
}

// The larger mouth has no law of its own in the answer, but what a gauge would
// do there has: a refusal makes every further refusal at least as likely.
func TestAGaugeThatIsRefusedNeverRaisesTheLargestMouth(t *testing.T) {
	t.Parallel()
	refused := func(t *rapid.T, f Feature, size float64) float64 {
		before := mustEstimate(t, one(f)).LogEvidence
		f.Readings = append(f.Readings[:len(f.Readings):len(f.Readings)], tried(NoGo, size, 1.5, AnyStation))
		return math.Exp(mustEstimate(t, one(f)).LogEvidence - before)
	}
	rapid.Check(t, func(t *rapid.T) {
		f := drawFeature(t, 0, 3)
		f.Shape = Bore
		size := rapid.Float64Range(0, 60).Draw(t, "gauge")
		with := f
		with.Readings = append(f.Readings[:len(f.Readings):len(f.Readings)], tried(NoGo, size, 1.5, AnyStation))
		for _, other := range []float64{10, 25, 45} {
			before, after := refused(t, f, other), refused(t, with, other)
			if after < before-1e-3 {
				t.Fatalf("a gauge of %.2f is refused, and P(%.0f is refused) falls from %.4f to %.4f", size, other, before, after)
			}
		}
	})
}

// The outcomes of one gauge exhaust what can happen: at a stated mouth, or at
// an unknown one, a full-length gauge passes, starts or is refused; a short one
// passes its mouth or is refused.
func TestOutcomesOfAGaugeSumToOne(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		f := drawFeature(t, 0, 3)
		r := drawReading(t, 0)
		r.Kind = Go
		if r.Station == Middle {
			r.Station = MouthB
		}
		base := mustEstimate(t, one(f)).LogEvidence
		var sum float64
		for _, kind := range []Kind{Go, NoGo, Starts} {
			if r.PartLength && kind == Starts {
				continue
			}
			r.Kind = kind
			with := f
			with.Readings = append(f.Readings[:len(f.Readings):len(f.Readings)], r)
			sum += math.Exp(mustEstimate(t, one(with)).LogEvidence - base)
		}
		if math.Abs(sum-1) > 1e-3 {
			t.Fatalf("the outcomes of a gauge sum to %.5f", sum)
		}
	})
}
