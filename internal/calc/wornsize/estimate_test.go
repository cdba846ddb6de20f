package wornsize

import (
	"errors"
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
)

func TestFaultyInputIsRefusedWithWhatToMend(t *testing.T) {
	t.Parallel()
	good := bore(usualForm, measured(10, 3, MouthA, unknown))
	for name, c := range map[string]struct {
		change func(*Set)
		want   string
	}{
		"no blur":                {func(s *Set) { s.Features[0].Readings[0].U = 0 }, "repeating the reading"},
		"a negative blur":        {func(s *Set) { s.Features[0].Readings[0].U = -1 }, "standard uncertainty"},
		"a value that is NaN":    {func(s *Set) { s.Features[0].Readings[0].Value = math.NaN() }, "finite"},
		"an infinite value":      {func(s *Set) { s.Features[0].Readings[0].Value = math.Inf(1) }, "finite"},
		"an infinite direction":  {func(s *Set) { s.Features[0].Readings[0].Direction = math.Inf(1) }, "degrees"},
		"a backward bias":        {func(s *Set) { s.Features[0].Readings[0].BiasLow = 1 }, "BiasLow"},
		"an unknown kind":        {func(s *Set) { s.Features[0].Readings[0].Kind = 9 }, "Measured, Go, NoGo, Starts"},
		"a gauge in the middle":  {func(s *Set) { s.Features[0].Readings[0] = tried(Go, 1, 1, Middle) }, "MouthA, MouthB or AnyStation"},
		"a missing shared error": {func(s *Set) { s.Features[0].Readings[0].Common = 0 }, "does not exist"},
		"a backward prior":       {func(s *Set) { s.Features[0].Prior.High = -100 }, "Low not above High"},
		"a prior of no width":    {func(s *Set) { s.Features[0].Prior = Prior{} }, "a width or a shoulder"},
		"a negative form error":  {func(s *Set) { s.Features[0].Form.Ovality = -1 }, "Ovality"},
		"lobing below one":       {func(s *Set) { s.Features[0].Form.Lobing = 0.2 }, "Lobing"},
		"a shared error of NaN":  {func(s *Set) { s.Commons = []Common{{U: math.NaN()}} }, "shared error 0"},
		"no feature":             {func(s *Set) { s.Features = nil }, "no feature"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			f := good
			f.Readings = append([]Reading(nil), good.Readings...)
			set := one(f)
			c.change(&set)
			if _, err := Estimate(set); err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("error %v, want it to speak of %q", err, c.want)
			}
		})
	}
}

// An error that only one reading carries is part of its blur: the same answer
// comes from a larger U. No blur of its own is then needed.
func TestASharedErrorOfOneReadingIsItsBlur(t *testing.T) {
	t.Parallel()
	shares := bore(usualForm, measured(10, 3, MouthA, unknown).with(shared(0)))
	folded := bore(usualForm, measured(10, 5, MouthA, unknown))
	got := estimateOrFail(t, Set{Features: []Feature{shares}, Commons: []Common{{U: 4}}})
	if diff := cmp.Diff(estimateOrFail(t, one(folded)), got); diff != "" {
		t.Errorf("(-folded by hand +shared):\n%s", diff)
	}
	shares.Readings[0].U = 0
	estimateOrFail(t, Set{Features: []Feature{shares}, Commons: []Common{{U: 4}}})
}

// Four shared errors go beyond product rules; without form error the lattice
// must still meet generalised least squares.
func TestManySharedErrorsByLattice(t *testing.T) {
	t.Parallel()
	set := Set{}
	var information, weighted float64
	f := Feature{Form: Form{BellMouth: 0.01}, Prior: Prior{Low: -100, High: 100, Shoulder: 10}}
	for k := range 5 {
		set.Commons = append(set.Commons, Common{U: 3})
		value := 4 * float64(k*2%5)
		for range 2 { // the same reading twice: only the blur averages out
			f.Readings = append(f.Readings, measured(value, 2, Middle, unknown).with(shared(k)))
		}
		variance := 3.0*3 + 2*2/2.0
		information += 1 / variance
		weighted += value / variance
	}
	set.Features = []Feature{f}
	p := estimateOrFail(t, set)
	law := p.Features[0].Passing
	mean, sd := weighted/information, 1/math.Sqrt(information)
	if math.Abs(law.Mean()-mean) > 0.03*sd || math.Abs(law.SD()/sd-1) > 0.03 {
		t.Errorf("%.4f ± %.4f on %d nodes, want %.4f ± %.4f", law.Mean(), law.SD(), len(p.Weights), mean, sd)
	}
}

func TestContradictingReadingsAreAnsweredAndNamed(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		feature Feature
		want    [][2]int
	}{
		"a larger gauge goes than one that is refused": {bore(usualForm, tried(NoGo, 5, 1, MouthA), tried(Go, 30, 1, AnyStation)), [][2]int{{0, 1}}},
		"a gauge goes and a smaller one only starts":   {bore(usualForm, tried(Go, 30, 1, AnyStation), tried(Starts, 5, 1, MouthB)), [][2]int{{0, 1}}},
		"measured far below a gauge that goes":         {bore(usualForm, tried(Go, 60, 1, AnyStation), measured(0, 2, Middle, unknown)), [][2]int{{0, 1}}},
		"measured a millimetre apart":                  {bore(usualForm, measured(0, 2, Middle, unknown), measured(1000, 2, Middle, unknown), measured(5, 2, MouthA, unknown)), [][2]int{{0, 1}, {1, 2}}},
		"one mouth is large, the other small":          {bore(usualForm, tried(NoGo, 5, 1, MouthA), tried(Starts, 30, 1, MouthB)), nil},
		"a refusal at a burred mouth":                  {bore(usualForm, tried(NoGo, 5, 1, MouthA).with(func(r *Reading) { r.Burred = true }), tried(Go, 30, 1, AnyStation)), nil},
		"readings that agree":                          {bore(usualForm, tried(Go, 5, 1, AnyStation), tried(NoGo, 30, 1, MouthA), measured(20, 3, MouthB, unknown)), nil},
		"a round bore measured twice, far apart":       {bore(Form{}, measured(0, 2, Middle, unknown), measured(300, 2, Middle, unknown)), [][2]int{{0, 1}}},
		"a ring goes on below one that is refused": {Feature{Shape: Pin, Form: usualForm, Prior: usualPrior,
			Readings: []Reading{tried(Go, 5, 1, AnyStation), tried(NoGo, 30, 1, MouthA)}}, [][2]int{{0, 1}}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			if fault := faultOf(estimateOrFail(t, one(c.feature))); fault != "" {
				t.Error(fault)
			}
			found, err := Contradictions(c.feature, nil)
			if err != nil {
				t.Fatal(err)
			}
			var got [][2]int
			for _, f := range found {
				got = append(got, [2]int{f.First, f.Second})
			}
			if diff := cmp.Diff(c.want, got, cmpopts.EquateEmpty()); diff != "" {
				t.Errorf("contradictions (-want +got):\n%s", diff)
			}
		})
	}
	if _, err := Contradictions(Feature{}, nil); !errors.Is(err, ErrUnchecked) {
		t.Errorf("an invalid feature gives %v, want ErrUnchecked", err)
	}
}

// With form error the likelihood at a size is the evidence given that size, so
// that integrated over the prior it is the evidence.
func TestLikelihoodIntegratesToTheEvidence(t *testing.T) {
	t.Parallel()
	f := bore(usualForm, measured(20, 3, MouthA, unknown), tried(NoGo, 25, 1, AnyStation))
	var sum float64
	const step = 2.0
	for size := usualPrior.Low - 60; size < 120; size += step {
		l, err := LogLikelihood(f, size)
		if err != nil {
			t.Fatal(err)
		}
		sum += step * math.Exp(l) * usualPrior.density(size)
	}
	if got := estimateOrFail(t, one(f)).LogEvidence; math.Abs(got-math.Log(sum)) > 5e-4 {
		t.Errorf("log evidence %.5f, likelihood integrates to %.5f", got, math.Log(sum))
	}
	f.Readings[0].Common = 0
	if _, err := LogLikelihood(f, 0); err == nil {
		t.Error("a reading with a shared error has a likelihood of its own")
	}
}

// FuzzEstimate feeds hostile numbers: the answer is an error or a set of laws,
// never a panic, whatever the floats.
func FuzzEstimate(f *testing.F) {
	f.Add(10.0, 3.0, -5.0, 0.0, 15.0, 0.5, 12.0, -50.0, 100.0, 10.0, 3.0, uint16(0), uint16(0x137))
	f.Add(math.NaN(), math.Inf(1), 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 1.0, 0.0, uint16(1), uint16(2))
	f.Add(1e7, 1e-4, -1e7, 1e7, 1e5, 1.0, 1e5, -1e7, 1e7, 0.0, 1e-4, uint16(0xffff), uint16(0xffff))
	f.Add(1e-300, 1e-3, 0.0, 1e-300, 1e-300, 1.0, 1e-300, 0.0, 0.0, 1e-3, 1e7, uint16(0x55), uint16(0xaa))
	f.Add(-900.0, 0.5, 0.0, 0.0, 0.001, 1.0, 0.001, 0.0, 10.0, 0.1, 2.0, uint16(0x10), uint16(0x203))
	f.Fuzz(func(t *testing.T, value, u, low, high, bell, share, oval, from, to, shoulder, common float64, a, b uint16) {
		reading := func(bits uint16, value float64) Reading {
			r := Reading{
				Kind: Kind(bits & 3), Value: value, U: u, BiasLow: low, BiasHigh: high, Common: int(bits>>2&1) - 1,
				Station: Station(bits >> 3 & 3), Direction: float64(bits >> 5 & 7 * 45), PartLength: bits>>8&1 == 1, Burred: bits>>9&1 == 1,
			}
			if bits>>10&1 == 1 {
				r.Direction = math.NaN()
			}
			return r
		}
		set := Set{Commons: []Common{{U: common}}, Features: []Feature{{
			Shape: Shape(a >> 11 & 1), Guidance: Guidance(b >> 11 & 1), Prior: Prior{from, to, shoulder},
			Form:     Form{BellMouth: bell, MiddleShare: share, Ovality: oval, Surface: oval, Feel: share},
			Readings: []Reading{reading(a, value), reading(b, value+bell), reading(a^b, -value)},
		}}}
		p, err := Estimate(set)
		if err == nil {
			if fault := faultOf(p); fault != "" {
				t.Error(fault)
			}
		}
		if _, err := Contradictions(set.Features[0], set.Commons); err != nil && !errors.Is(err, ErrUnchecked) {
			t.Error(err)
		}
	})
}
