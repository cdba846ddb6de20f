package wornsize

import (
	"math"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// scaled is a set with every length k times as long.
func scaled(set Set, k float64) Set {
	out := Set{}
	for _, c := range set.Commons {
		out.Commons = append(out.Commons, Common{U: k * c.U, HalfWidth: k * c.HalfWidth})
	}
	for _, f := range set.Features {
		f.Prior = Prior{k * f.Prior.Low, k * f.Prior.High, k * f.Prior.Shoulder}
		f.Form.BellMouth, f.Form.Ovality, f.Form.Surface = k*f.Form.BellMouth, k*f.Form.Ovality, k*f.Form.Surface
		f.Form.Feel, f.Form.Burr, f.Misalignment = k*f.Form.Feel, k*f.Form.Burr, k*f.Misalignment
		f.Readings = slices.Clone(f.Readings)
		for i := range f.Readings {
			r := &f.Readings[i]
			r.Value, r.U, r.BiasLow, r.BiasHigh = k*r.Value, k*r.U, k*r.BiasLow, k*r.BiasHigh
		}
		out.Features = append(out.Features, f)
	}
	return out
}

// Logarithms of lengths round, and so do factors that are no power of two:
// hence 1e-9 of a mean form error. Where rounding tips a threshold that chooses
// the mesh, which shows in the number of nodes, the answers are as far apart as
// two meshes' may be.
func TestUnitsChangeNothingButUnits(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		set := Set{Commons: []Common{{U: 3}}, Features: []Feature{drawFeature(t, 1, 4)}}
		measured := 0
		for _, r := range set.Features[0].Readings {
			if r.Kind == Measured {
				measured++
			}
		}
		a := mustEstimate(t, set)
		for _, k := range []float64{1.0 / 64, 1024, 1000, 25.4} {
			b := mustEstimate(t, scaled(set, k))
			const exact, otherMesh = 1e-9, 1e-3
			mesh := exact
			for name, laws := range map[string][2]Law{
				"passing":  {a.Features[0].Passing, b.Features[0].Passing},
				"clean-up": {a.Features[0].CleanUp, b.Features[0].CleanUp},
				"original": {a.Features[0].Original, b.Features[0].Original},
			} {
				tolerance := exact
				if len(laws[0].X) != len(laws[1].X) {
					tolerance, mesh = otherMesh, otherMesh
				}
				for _, p := range []float64{0.01, 0.05, 0.5, 0.95, 0.99} {
					want := k * laws[0].Quantile(p)
					if got := laws[1].Quantile(p); math.Abs(got-want) > tolerance*k*20 {
						t.Fatalf("times %g: %s at %g is %.17g, want %.17g", k, name, p, got, want)
					}
				}
			}
			want := a.LogEvidence - float64(measured)*math.Log(k)
			if math.Abs(b.LogEvidence-want) > mesh {
				t.Fatalf("times %g: log evidence %.12g, want %.12g", k, b.LogEvidence, want)
			}
		}
	})
}

func TestAReadingOfAnotherFeatureChangesNothing(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		set := Set{Features: []Feature{drawFeature(t, 0, 4), drawFeature(t, 0, 3)}}
		before := mustEstimate(t, set)
		set.Features[1].Readings = append(slices.Clip(set.Features[1].Readings), drawReading(t, 0))
		if diff := cmp.Diff(before.Features[0], mustEstimate(t, set).Features[0]); diff != "" {
			t.Fatalf("a reading of the other feature shows (-without +with):\n%s", diff)
		}
	})
}

// A pin whose ends wear as its middle does is a bore that bears no metal to be
// reached, turned inside out.
func TestAPinMirrorsABore(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		bore := drawFeature(t, 1, 4)
		bore.Shape, bore.Guidance = Bore, Floating
		bore.Form.MiddleShare, bore.Form.Surface = 1, 0
		pin := bore
		pin.Shape = Pin
		pin.Prior.Low, pin.Prior.High = -bore.Prior.High, -bore.Prior.Low
		pin.Readings = slices.Clone(bore.Readings)
		for i := range pin.Readings {
			r := &pin.Readings[i]
			r.Value, r.BiasLow, r.BiasHigh = -r.Value, -r.BiasHigh, -r.BiasLow
		}
		commons := []Common{{U: 3}}
		a := mustEstimate(t, Set{Features: []Feature{bore}, Commons: commons})
		b := mustEstimate(t, Set{Features: []Feature{pin}, Commons: commons})
		if a.LogEvidence != b.LogEvidence && len(pin.Readings) < 2 {
			t.Fatalf("log evidence %.17g and %.17g", a.LogEvidence, b.LogEvidence)
		}
		for _, p := range []float64{0.05, 0.5, 0.95} {
			for name, laws := range map[string][2]Law{
				"passing":  {a.Features[0].Passing, b.Features[0].Passing},
				"clean-up": {a.Features[0].CleanUp, b.Features[0].CleanUp},
				"original": {a.Features[0].Original, b.Features[0].Original},
			} {
				if x, y := laws[0].Quantile(p), laws[1].Quantile(1-p); math.Abs(x+y) > 1e-6*(1+math.Abs(x)) {
					t.Fatalf("%s at %g: bore %.12g, pin %.12g", name, p, x, y)
				}
			}
		}
	})
}
