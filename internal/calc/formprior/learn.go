package formprior

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"sync"

	"pinwright/internal/calc/apart"
	"pinwright/internal/calc/wornsize"
)

// How much the defaults weigh, and what learning may cost.
const (
	DefaultSections = 6  // K: two features seen in all their sections
	DefaultFeatures = 2  // K_B
	MostFeatures    = 24 // features learned from; further ones are refused
	MostReadings    = 12 // readings of one of them
	gridSide        = 6  // factors tried each way
	widest          = 6  // the greatest factor; its inverse is the least
)

// Feature is an earlier feature of the kind, all of whose readings belong to
// one size (before it was reamed, or after).
type Feature struct {
	Readings []wornsize.Reading
	Commons  []wornsize.Common // that Readings refer to
	Form     wornsize.Form     // its defaults
	// Gain is by how much cleaning enlarged a bore (or thinned a pin): mean difference of
	// what was read after and before, with its standard uncertainty. Nil where it
	// was not read both times.
	Gain *Gain
}

// Gain is a difference with its standard uncertainty, µm.
type Gain struct{ Size, U float64 }

// History is what is known of a kind.
type History struct {
	Shape    wornsize.Shape
	Features []Feature
	Base     wornsize.Prior // of the base size when no history is known
}

// Factor is by how much a mean of the kind differs from its default.
type Factor struct {
	Value     float64
	Low, High float64 // interval of 95 %
	Sections  float64 // how many known sections the readings are worth
	Weight    float64 // of the data in Value, 0 to 1
}

// Learned is what a history says of its kind.
type Learned struct {
	BellMouth, Ovality, Surface Factor
	Base                        wornsize.Prior // exactly the default without any feature
	Centre, Spread              float64        // of base sizes over nominal; the default's without any feature
	Features, Readings, Gains   int            // that it rests on
}

// Of applies what was learned to a default.
func (l Learned) Of(form wornsize.Form) wornsize.Form {
	form.BellMouth *= l.BellMouth.Value
	form.Ovality *= l.Ovality.Value
	form.Surface *= l.Surface.Value
	return form
}

// Learn learns from a history. Features without readings count for nothing.
// Errors name the feature to mend, or say that there are too many: choose at
// most MostFeatures with at most MostReadings each.
func Learn(h History) (Learned, error) {
	h.Features = slices.DeleteFunc(slices.Clone(h.Features), func(f Feature) bool { return len(f.Readings) == 0 && f.Gain == nil })
	if len(h.Features) > MostFeatures {
		return Learned{}, fmt.Errorf("%d features are more than the %d that can be learned from: choose among them", len(h.Features), MostFeatures)
	}
	out := Learned{Base: h.Base}
	out.Centre, out.Spread = moments(h.Base)
	var read []Feature
	var gains []known
	for i, f := range h.Features {
		if len(f.Readings) > MostReadings {
			return Learned{}, fmt.Errorf("feature %d: %d readings are more than the %d that can be learned from: choose among them", i, len(f.Readings), MostReadings)
		}
		if f.Gain != nil {
			if !(f.Gain.U > 0) || math.IsInf(f.Gain.U, 0) || math.IsNaN(f.Gain.Size) || math.IsInf(f.Gain.Size, 0) {
				return Learned{}, fmt.Errorf("feature %d: a gain of %g with u %g: give a finite size and an uncertainty above 0", i, f.Gain.Size, f.Gain.U)
			}
			if f.Form.Surface > 0 {
				gains = append(gains, known{*f.Gain, f.Form.Surface})
			}
		}
		if len(f.Readings) > 0 {
			read = append(read, f)
			out.Readings += len(f.Readings)
		}
	}
	out.Features, out.Gains = len(read), len(gains)
	out.Surface = learnSurface(gains)
	out.BellMouth, out.Ovality = untouched(), untouched()
	if len(read) == 0 {
		return out, nil
	}
	t, err := tabulate(h, read)
	if err != nil {
		return Learned{}, err
	}
	t.learn(&out)
	return out, nil
}

// untouched is a factor that nothing was read about; its interval is the
// default's own.
func untouched() Factor {
	low, high := interval(0, func(x float64) float64 { return -penalty(x) })
	return Factor{Value: 1, Low: low, High: high}
}

// penalty is minus the log of what is believed of a factor whose log is x.
func penalty(x float64) float64 { return DefaultSections * (x + math.Exp(-x)) }

// moments are mean and standard deviation of a flat law with normal shoulders.
func moments(p wornsize.Prior) (mean, sd float64) {
	half, q := (p.High-p.Low)/2, p.Shoulder
	flat, tail := 2*half, q*math.Sqrt(2*math.Pi)
	// Each shoulder is half a normal law beyond the edge: E (h + qz)² over z > 0.
	second := (flat*half*half/3 + tail*(half*half+2*half*q*math.Sqrt(2/math.Pi)+q*q)) / (flat + tail)
	return (p.Low + p.High) / 2, math.Sqrt(second)
}

// table is the log evidence of each feature at each pair of factors, under a
// flat law of the base, with the base's own law there.
type table struct {
	logs  []float64     // of the factors on either axis
	rows  [][][]float64 // feature, bell mouth, ovality
	base  [][][]bins    // likewise
	width []float64     // of each feature's flat law
	c0    float64
	s0    float64
}

func axis() []float64 {
	logs := make([]float64, gridSide)
	for i := range logs {
		logs[i] = math.Log(widest) * (2*float64(i)/(gridSide-1) - 1)
	}
	return logs
}

// tabulate asks the engine, side by side; each task writes only its own place.
func tabulate(h History, read []Feature) (*table, error) {
	t := &table{
		logs: axis(),
		rows: make([][][]float64, len(read)), base: make([][][]bins, len(read)), width: make([]float64, len(read)),
	}
	t.c0, t.s0 = moments(h.Base)
	faults := make([]error, len(read))
	var group sync.WaitGroup
	slots := make(chan struct{}, 4)
	for i, f := range read {
		t.rows[i], t.base[i] = grid[float64](), grid[bins]()
		flat := flatFor(h.Base, f.Readings)
		t.width[i] = flat.High - flat.Low + flat.Shoulder*math.Sqrt(2*math.Pi)
		slots <- struct{}{}
		group.Go(func() {
			defer func() { <-slots }()
			faults[i] = t.fill(i, h.Shape, f, flat)
		})
	}
	group.Wait()
	for i, err := range faults {
		if err != nil {
			return nil, fmt.Errorf("feature %d: %w", i, err)
		}
	}
	return t, nil
}

func grid[T any]() [][]T {
	g := make([][]T, gridSide)
	for i := range g {
		g[i] = make([]T, gridSide)
	}
	return g
}

// flatFor is a law of the base so wide and flat that the readings alone speak.
func flatFor(base wornsize.Prior, readings []wornsize.Reading) wornsize.Prior {
	const room = 400
	p := wornsize.Prior{Low: base.Low - room, High: base.High + room, Shoulder: 20}
	for _, r := range readings {
		p.Low, p.High = math.Min(p.Low, r.Value-room), math.Max(p.High, r.Value+room)
	}
	return p
}

func (t *table) fill(i int, shape wornsize.Shape, f Feature, flat wornsize.Prior) error {
	readings := few(apart.Feature(wornsize.Feature{Readings: f.Readings}, f.Commons).Readings)
	possible := false
	for a, x := range t.logs {
		for b, y := range t.logs {
			form := f.Form
			form.BellMouth *= math.Exp(x)
			form.Ovality *= math.Exp(y)
			p, err := wornsize.Estimate(wornsize.Set{Features: []wornsize.Feature{{Shape: shape, Readings: readings, Form: form, Prior: flat}}})
			if errors.Is(err, wornsize.ErrImpossible) { // with so little form error; another pair of factors explains them
				t.rows[i][a][b] = faintest
				continue
			}
			if err != nil {
				return err
			}
			possible = true
			t.rows[i][a][b] = p.LogEvidence
			t.base[i][a][b] = binsOf(p.Features[0].Original)
		}
	}
	if !possible {
		return wornsize.ErrImpossible
	}
	return nil
}

// faintest is the logarithm of the least number above 0 that a float holds: what is less
// likely still counts as that, so that the surface over the factors stays finite.
const faintest = -744.4

// mostLoose is how many measured readings of unknown station a feature keeps:
// they are shared out among the sections, which costs more with each.
const mostLoose = 2

// few keeps the last mostLoose of the measured readings without a station.
func few(all []wornsize.Reading) []wornsize.Reading {
	var out []wornsize.Reading
	loose := 0
	for _, r := range slices.Backward(all) {
		if r.Kind == wornsize.Measured && r.Station == wornsize.AnyStation {
			if loose++; loose > mostLoose {
				continue
			}
		}
		out = append(out, r)
	}
	return out
}
