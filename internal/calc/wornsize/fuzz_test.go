package wornsize

import (
	"errors"
	"math"
	"sync"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// sizes that a byte can name: plain ones mostly, and all that numbers may do.
var fuzzSizes = [...]float64{0, 1, 5, 12, 20, 33, 60, -8, -40, 150, 1000, -1e6, 1e6, 1e7, 1e-3, 1e-9, 1e-300, 1e300, math.MaxFloat64, math.Inf(1), math.Inf(-1), math.NaN()}

// fuzzBytes are read one after the other; past their end there are noughts.
type fuzzBytes struct{ rest []byte }

func (b *fuzzBytes) next() int {
	if len(b.rest) == 0 {
		return 0
	}
	v := b.rest[0]
	b.rest = b.rest[1:]
	return int(v)
}

// size is mostly plain: hostile ones come one time in sixteen.
func (b *fuzzBytes) size() float64 {
	v := b.next()
	if v%16 == 15 {
		return fuzzSizes[b.next()%len(fuzzSizes)]
	}
	return float64(v-60) / 2
}

func (b *fuzzBytes) positive() float64 { // or, as seldom, anything
	v := b.next()
	if v%32 == 31 {
		return fuzzSizes[b.next()%len(fuzzSizes)]
	}
	return float64(v%64)/4 + 0.25
}

func (b *fuzzBytes) reading(commons int) Reading {
	bits := b.next()
	r := Reading{Kind: Kind(bits & 3), Station: Station(bits >> 2 & 3), PartLength: bits>>4&7 == 7, Burred: bits>>5&3 == 3,
		Value: b.size(), U: b.positive(), Common: b.next()%(commons+1) - 1, Direction: math.NaN()}
	if r.Kind != Measured && r.Station == Middle {
		r.Station = AnyStation
	}
	switch more := b.next(); {
	case more&3 == 1:
		r.Direction = float64(more>>2) * 11.25
	case more&7 == 2:
		r.BiasLow = -b.positive()
	case more&7 == 6:
		r.BiasHigh = b.positive()
	case more == 255:
		r.Direction, r.BiasLow = b.size(), b.size()
	}
	return r
}

func (b *fuzzBytes) feature(commons int) Feature {
	f := Feature{Shape: Shape(b.next() & 1), Guidance: Guidance(b.next() & 1), Prior: Prior{Low: -40, High: 80, Shoulder: 12}}
	shape := b.next()
	for i, mean := range []*float64{&f.Form.BellMouth, &f.Form.Ovality, &f.Form.Surface, &f.Form.Feel} {
		if shape>>i&1 == 1 {
			*mean = b.positive()
		}
	}
	f.Form.MiddleShare = float64(b.next()&3) / 3
	if shape>>4&7 == 7 {
		f.Prior = Prior{b.size(), b.size(), b.positive()}
		f.Form.Lobing, f.Form.Burr, f.Misalignment = b.positive(), b.size(), b.size()
	}
	for range b.next() % 7 {
		f.Readings = append(f.Readings, b.reading(commons))
	}
	return f
}

// FuzzReadings makes whole sets of its bytes: any set is answered with laws, the
// same every time, or with an error that says what to mend; so are what is asked of it
// afterwards.
func FuzzReadings(f *testing.F) {
	f.Add([]byte("one bore, read and gauged"))
	f.Add([]byte{0, 0, 0, 15, 1, 5, 0, 80, 12, 0, 0, 1, 90, 12, 0, 0, 2, 20, 12, 0, 0, 3, 200, 12, 0, 0})
	f.Add([]byte{2, 0, 0, 15, 20, 20, 20, 4, 1, 4, 1, 60, 3, 1, 1, 2, 200, 3, 2, 0, 4, 60, 3, 1, 1, 3, 10, 3, 0, 0, 1, 1})
	f.Add([]byte{1, 0, 0, 255, 20, 20, 20, 4, 1, 15, 21, 15, 20, 31, 19, 6, 15, 19, 31, 21, 15, 16})
	f.Fuzz(func(t *testing.T, bytes []byte) {
		b := &fuzzBytes{bytes}
		commons := b.next() % 3
		set := Set{}
		for range commons {
			set.Commons = append(set.Commons, Common{U: float64(b.next()%8) / 2, HalfWidth: b.positive()})
		}
		for range 1 + b.next()%2 {
			set.Features = append(set.Features, b.feature(commons))
		}
		p, err := Estimate(set)
		if err != nil {
			return
		}
		if fault := faultOf(p); fault != "" {
			t.Fatal(fault)
		}
		again, err := Estimate(set)
		if err != nil || !cmp.Equal(p, again) {
			t.Fatalf("a second run differs: %v", err)
		}
		e, err := Begin(set)
		if err != nil {
			t.Fatal(err)
		}
		if p, err := e.With(0, b.reading(0)); err == nil {
			if fault := faultOf(p); fault != "" {
				t.Fatal(fault)
			}
		}
		if slips, err := Slips(set, 0, 0.01); err == nil {
			for i, s := range slips {
				if !(s >= 0 && s <= 1) {
					t.Fatalf("reading %d is a slip with probability %v", i, s)
				}
			}
		}
		if l, err := LogLikelihood(set.Features[0], b.size()); err == nil && math.IsNaN(l) {
			t.Fatal("a likelihood is not a number")
		}
		if _, err := Contradictions(set.Features[0], set.Commons); err != nil && !errors.Is(err, ErrUnchecked) {
			t.Fatal(err)
		}
	})
}

// Memory is handed from estimate to estimate: none of what was in it may show,
// whatever ran before or runs beside.
func TestWhatWasEstimatedBeforeDoesNotShow(t *testing.T) {
	t.Parallel()
	sets := monteCarloCases()
	for _, name := range []string{"with directions", "gauges", "gauges at odds"} {
		sets[name] = one(thousands()[name])
	}
	first := map[string]Posterior{}
	for name, set := range sets {
		first[name] = estimateOrFail(t, set)
	}
	var group sync.WaitGroup
	for range 2 {
		group.Go(func() {
			for name, set := range sets { // in another order each time
				if again, err := Estimate(set); err != nil || !cmp.Equal(first[name], again) {
					t.Errorf("%s: the answer is another one the second time: %v", name, err)
				}
			}
		})
	}
	group.Wait()
}
