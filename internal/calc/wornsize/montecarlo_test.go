package wornsize

import (
	"math"
	"testing"
)

var unknown = math.NaN()

func measured(value, u float64, station Station, direction float64) Reading {
	return Reading{Value: value, U: u, Common: -1, Station: station, Direction: direction}
}

func tried(kind Kind, size, u float64, station Station) Reading {
	return Reading{Kind: kind, Value: size, U: u, Common: -1, Station: station, Direction: unknown}
}

// with changes a copy of a reading.
func (r Reading) with(change func(*Reading)) Reading {
	change(&r)
	return r
}

func shared(index int) func(*Reading) { return func(r *Reading) { r.Common = index } }

var usualForm = Form{BellMouth: 15, MiddleShare: 0.4, Ovality: 12, Surface: 6, Feel: 2}

var usualPrior = Prior{Low: -60, High: 160, Shoulder: 15}

func bore(form Form, readings ...Reading) Feature {
	return Feature{Form: form, Prior: usualPrior, Readings: readings}
}

func one(f Feature) Set { return Set{Features: []Feature{f}} }

func changed(f Form, change func(*Form)) Form {
	change(&f)
	return f
}

// monteCarloCases are varied on purpose: every branch of the model is in one.
func monteCarloCases() map[string]Set {
	held := bore(usualForm, measured(10, 4, MouthA, unknown), measured(2, 4, Middle, unknown))
	held.Guidance, held.Misalignment = HeldToAxis, 3
	pin := Feature{
		Shape: Pin, Form: Form{BellMouth: 20, MiddleShare: 0.2, Ovality: 10}, Prior: usualPrior,
		Readings: []Reading{measured(4, 3, MouthA, unknown), measured(5, 3, MouthB, unknown), measured(-25, 3, Middle, 0), measured(-18, 3, Middle, 90)},
	}
	ring := pin
	ring.Readings = []Reading{tried(Go, 12, 1, AnyStation), tried(NoGo, 3, 1, MouthA), measured(-10, 3, Middle, unknown)}
	sharpPrior := bore(usualForm, measured(22, 5, AnyStation, unknown))
	sharpPrior.Prior = Prior{Low: 0, High: 0, Shoulder: 8}
	return map[string]Set{
		"no reading at all":        one(bore(usualForm)),
		"one reading, place known": one(bore(usualForm, measured(20, 3, MouthA, unknown))),
		"a mouth and the middle":   one(bore(usualForm, measured(20, 3, MouthA, unknown), measured(8, 3, Middle, unknown))),
		"ovality far above the blur": one(bore(changed(usualForm, func(f *Form) { f.Ovality = 60 }),
			measured(5, 2, Middle, unknown), measured(55, 2, Middle, unknown), measured(30, 2, Middle, unknown))),
		"two directions at two stations": one(bore(usualForm,
			measured(20, 3, MouthA, 0), measured(32, 3, MouthA, 90), measured(10, 3, Middle, 0), measured(14, 3, Middle, 90))),
		"three directions, one-sided wear": one(bore(changed(usualForm, func(f *Form) { f.Lobing = 1; f.Ovality = 25 }),
			measured(20, 3, MouthA, 0), measured(42, 3, MouthA, 60), measured(35, 3, MouthA, 120))),
		"unknown direction, one-sided wear": one(bore(changed(usualForm, func(f *Form) { f.Lobing = 1; f.Ovality = 25 }),
			measured(20, 3, MouthA, unknown), measured(42, 3, MouthA, unknown))),
		"unknown direction, sharp lobes": one(bore(changed(usualForm, func(f *Form) { f.Lobing = 4; f.Ovality = 25 }),
			measured(20, 3, Middle, unknown), measured(42, 3, Middle, unknown))),
		"a gauge passes": one(bore(usualForm, tried(Go, 20, 1, AnyStation))),
		"one gauge passes, the next does not enter mouth A": one(bore(usualForm,
			tried(Go, 20, 1, MouthA), tried(NoGo, 45, 1, MouthA))),
		"a gauge starts, end unknown": one(bore(usualForm, tried(Starts, 30, 1, AnyStation))),
		"gauges start at both ends and one goes": one(bore(usualForm,
			tried(Starts, 30, 1, MouthA), tried(Starts, 32, 1.5, MouthB), tried(Go, 12, 1, AnyStation))),
		"no mouth lets the gauge in": one(bore(usualForm, tried(NoGo, 30, 1, AnyStation), tried(Go, 10, 2, AnyStation))),
		"a short gauge proves only its mouth": one(bore(usualForm,
			tried(Go, 30, 1, MouthB).with(func(r *Reading) { r.PartLength = true }), measured(15, 4, Middle, unknown))),
		"burred mouths": one(bore(usualForm,
			tried(NoGo, 20, 1, MouthA).with(func(r *Reading) { r.Burred = true }),
			tried(Starts, 12, 1, MouthB).with(func(r *Reading) { r.Burred = true }),
			measured(18, 3, MouthA, unknown).with(func(r *Reading) { r.Burred = true }))),
		"a burred mouth lets the gauge through": one(bore(changed(usualForm, func(f *Form) { f.Burr = 8 }),
			tried(Go, 20, 1, MouthA).with(func(r *Reading) { r.Burred = true }),
			tried(NoGo, 40, 1, AnyStation).with(func(r *Reading) { r.Burred = true }))),
		"held to the axis, leaves out of line": one(held),
		"measured and gauged": one(bore(usualForm,
			measured(25, 4, MouthA, unknown), measured(15, 4, AnyStation, unknown), tried(Go, 10, 1, AnyStation), tried(NoGo, 28, 1, MouthB))),
		"three readings of no known place": one(bore(usualForm,
			measured(25, 4, AnyStation, unknown), measured(12, 4, AnyStation, unknown), measured(18, 4, AnyStation, unknown))),
		"a method that reads small": one(bore(usualForm,
			measured(10, 2, MouthA, unknown).with(func(r *Reading) { r.BiasLow = -25 }), measured(12, 3, Middle, unknown))),
		"a gauge of plus class": one(bore(usualForm,
			tried(Go, 20, 0.5, AnyStation).with(func(r *Reading) { r.BiasLow = -5 }), tried(NoGo, 32, 0.5, MouthA).with(func(r *Reading) { r.BiasLow = -5 }))),
		"no bell mouth, oval only": one(bore(Form{Ovality: 15}, measured(12, 3, MouthA, unknown), measured(20, 3, Middle, unknown), tried(Go, 8, 1, AnyStation))),
		"bell mouth only, straight middle": one(bore(Form{BellMouth: 15, Feel: 1},
			measured(22, 3, MouthA, unknown), measured(10, 3, Middle, unknown), tried(Starts, 16, 1, MouthB))),
		"a pin worn in the middle":        one(pin),
		"a pin tried with rings":          one(ring),
		"a known history and one reading": one(sharpPrior),
		"one instrument over two bores": {
			Commons: []Common{{U: 5}},
			Features: []Feature{
				bore(usualForm, measured(20, 2, MouthA, unknown).with(shared(0)), measured(10, 2, Middle, unknown).with(shared(0))),
				bore(usualForm, measured(35, 2, MouthB, unknown).with(shared(0)), tried(NoGo, 20, 1, AnyStation)),
			},
		},
		"an instrument and a gauge over two bores": {
			Commons: []Common{{U: 4}, {HalfWidth: 4}},
			Features: []Feature{
				bore(usualForm, measured(20, 3, MouthA, unknown).with(shared(0)), tried(Go, 8, 1, AnyStation).with(shared(1))),
				bore(usualForm, measured(15, 3, Middle, unknown).with(shared(0)), tried(NoGo, 8, 1, MouthA).with(shared(1))),
			},
		},
	}
}

// TestQuantilesAgreeWithBruteForce compares every served law with importance
// sampling of the same model, written independently: at each quantile the
// sampled probability must lie within four standard errors of the served one.
// PINWRIGHT_LONG=1 draws a million states, otherwise as many as an effective
// sample of ten thousand takes, from a hundred thousand on.
func TestQuantilesAgreeWithBruteForce(t *testing.T) {
	t.Parallel()
	draws := 100_000
	if long {
		draws = 1_000_000
	}
	for name, set := range monteCarloCases() {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			posterior := estimateOrFail(t, set)
			s := newBruteForce(set, 1).run(draws)
			for more := draws; s.effective() < 1e4 && more < 2_000_000; {
				more = int(float64(more) * math.Max(1.5, 1.3e4/s.effective()))
				s = newBruteForce(set, 1).run(more)
			}
			if got := s.effective(); got < 1e4 {
				t.Fatalf("effective sample %.0f is too small to judge", got)
			}
			for f, feature := range posterior.Features {
				for _, c := range []struct {
					name   string
					law    Law
					values []float64
				}{
					{"passing", feature.Passing, s.passing[f]},
					{"clean-up", feature.CleanUp, s.clean[f]},
					{"original", feature.Original, s.original[f]},
				} {
					for _, p := range []float64{0.025, 0.05, 0.25, 0.5, 0.75, 0.95, 0.975} {
						share, se := s.below(c.values, c.law.Quantile(p))
						if math.Abs(share-p) > 4*se {
							t.Errorf("feature %d %s: quantile %g is exceeded by %.5f, want %.5f, %.1f standard errors of %.5f", f, c.name, p, share, p, (share-p)/se, se)
						}
					}
				}
			}
			if d := posterior.LogEvidence - s.logEvidence; math.Abs(d) > 4*s.evidenceSE {
				t.Errorf("log evidence %.5f, brute force %.5f ± %.5f", posterior.LogEvidence, s.logEvidence, s.evidenceSE)
			}
			t.Logf("effective sample %.0f", s.effective())
		})
	}
}
