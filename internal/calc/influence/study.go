package influence

import (
	"cmp"
	"math"
	"slices"

	"pinwright/internal/calc/apart"
	"pinwright/internal/calc/wornsize"
)

// What counts as an outlier, and what looking may cost.
const (
	// FamilyWise is the probability that a feature whose readings are all sound
	// shows an outlier: half of it is spent on single readings, half on pairs.
	FamilyWise  = 0.01
	MostLeftOut = 12 // readings left out, one after the other
	fewestPairs = 5  // readings of which two may be wrong together
	least       = 1e-9
	values      = 25 // at which a predictive density is worked out
)

// Shift is an answer with a reading less the answer without it, µm.
type Shift struct{ Mean, Median, Upper float64 } // Upper: the 95 % quantile

// Finding is what leaving one reading out shows.
type Finding struct {
	Reading          int // its place in Feature.Readings
	Passing, CleanUp Shift
	// Surprise is the predictive probability of a gauged outcome, the two-sided
	// predictive p-value of a measured value; NaN for a measured value that lies so well among
	// the others that it was not worked out. At least 1e-9.
	Surprise float64
	Outlier  bool
	// Partner is the reading that hides it, -1 for none: then Surprise and the shifts are
	// those of leaving out both.
	Partner int
}

// Study is what was found of one feature.
type Study struct {
	Findings      []Finding // by reading
	Threshold     float64   // below which Surprise makes an outlier; of a pair see PairThreshold
	PairThreshold float64
	NotLooked     int // readings that were not left out, since they lie near the middle of many
}

// Look leaves each reading of a feature out in turn. commons are what its
// readings share, which are taken apart (package apart). At most most readings
// are left out, MostLeftOut where it is more or below one. Fewer than two readings give an empty study: there is nothing
// to hold one against. Errors are those of wornsize.Estimate.
func Look(f wornsize.Feature, commons []wornsize.Common, most int) (Study, error) {
	n := len(f.Readings)
	if n < 2 {
		return Study{}, nil
	}
	l := looker{f: apart.Feature(f, commons)}
	var err error
	if l.whole, err = l.without(); err != nil {
		return Study{}, err
	}
	s := Study{Threshold: FamilyWise / 2 / float64(n), PairThreshold: FamilyWise / float64(n*(n-1))}
	if most < 1 || most > MostLeftOut {
		most = MostLeftOut
	}
	chosen := l.furthest(most)
	s.NotLooked = n - len(chosen)
	found := false
	for _, i := range chosen {
		rest, err := l.without(i)
		if err != nil {
			return Study{}, err
		}
		one := Finding{Reading: i, Partner: -1}
		one.Passing, one.CleanUp = shifts(l.whole, rest)
		if one.Surprise, err = l.surprise(i, rest, i); err != nil {
			return Study{}, err
		}
		one.Outlier = one.Surprise < s.Threshold
		found = found || one.Outlier
		s.Findings = append(s.Findings, one)
	}
	test := l.pairs
	if found {
		test = l.swamped
	}
	if err := test(&s); err != nil {
		return Study{}, err
	}
	slices.SortFunc(s.Findings, func(a, b Finding) int { return cmp.Compare(a.Reading, b.Reading) })
	return s, nil
}

// looker is one feature being looked at.
type looker struct {
	f     wornsize.Feature
	whole wornsize.Posterior
}

// with is the feature with readings instead of its own.
func (l looker) with(readings []wornsize.Reading) wornsize.Set {
	f := l.f
	f.Readings = readings
	return wornsize.Set{Features: []wornsize.Feature{f}}
}

func (l looker) rest(out ...int) []wornsize.Reading {
	var rest []wornsize.Reading
	for i, r := range l.f.Readings {
		if !slices.Contains(out, i) {
			rest = append(rest, r)
		}
	}
	return rest
}

func (l looker) without(out ...int) (wornsize.Posterior, error) {
	return wornsize.Estimate(l.with(l.rest(out...)))
}

func shifts(with, without wornsize.Posterior) (passing, cleanUp Shift) {
	of := func(a, b wornsize.Law) Shift {
		return Shift{a.Mean() - b.Mean(), a.Quantile(0.5) - b.Quantile(0.5), a.Quantile(0.95) - b.Quantile(0.95)}
	}
	a, b := with.Features[0], without.Features[0]
	return of(a.Passing, b.Passing), of(a.CleanUp, b.CleanUp)
}

// furthest are the readings to leave out: all, or of many those that lie
// furthest from the median of all in their own uncertainties.
func (l looker) furthest(most int) []int {
	order := make([]int, len(l.f.Readings))
	off := make([]float64, len(order))
	all := make([]float64, len(order))
	for i, r := range l.f.Readings {
		order[i], all[i] = i, r.Value
	}
	slices.Sort(all)
	for i, r := range l.f.Readings {
		d := r.Value - all[len(all)/2]
		if sign := l.sign(); r.Kind == wornsize.Go && sign*d < 0 || r.Kind == wornsize.NoGo && sign*d > 0 {
			d = 0 // a gauge that did as it must says little, however small or large it is
		}
		off[i] = math.Abs(d) / r.U
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(off[b], off[a]) })
	return order[:min(len(order), most)]
}

// sign turns a pin's sizes into a bore's.
func (l looker) sign() float64 {
	if l.f.Shape == wornsize.Pin {
		return -1
	}
	return 1
}

// swamped takes back outliers that only looked odd because of a worse one: each
// is held against the rest without the most surprising of them.
func (l looker) swamped(s *Study) error {
	worst := -1
	for i, f := range s.Findings {
		if f.Outlier && (worst < 0 || f.Surprise < s.Findings[worst].Surprise || f.Surprise == s.Findings[worst].Surprise && f.moved() > s.Findings[worst].moved()) {
			worst = i
		}
	}
	if worst < 0 || len(l.f.Readings) < 3 { // of two nobody can tell which is the worse
		return nil
	}
	for i := range s.Findings {
		f := &s.Findings[i]
		if !f.Outlier || i == worst {
			continue
		}
		out := []int{f.Reading, s.Findings[worst].Reading}
		rest, err := l.without(out...)
		if err != nil {
			return err
		}
		if f.Surprise, err = l.surprise(f.Reading, rest, out...); err != nil {
			return err
		}
		f.Outlier = f.Surprise < s.Threshold
	}
	return nil
}

// moved is how far a reading moves the answer.
func (f Finding) moved() float64 {
	return math.Max(math.Abs(f.Passing.Median), math.Abs(f.CleanUp.Median))
}

// surprise is how improbable reading i is, given the answer without the
// readings out.
func (l looker) surprise(i int, rest wornsize.Posterior, out ...int) (float64, error) {
	r := l.f.Readings[i]
	readings := l.rest(out...)
	evidence := func(value float64) (float64, error) {
		if len(out) == 1 && value == l.f.Readings[i].Value { // the feature as it is
			return l.whole.LogEvidence - rest.LogEvidence, nil
		}
		r.Value = value
		p, err := wornsize.Estimate(l.with(append(slices.Clip(readings), r)))
		return p.LogEvidence - rest.LogEvidence, err
	}
	at := r.Value
	if r.Kind != wornsize.Measured {
		log, err := evidence(at)
		return math.Min(math.Max(math.Exp(log), least), 1), err
	}
	low, high, spread := l.reach(r, rest)
	if at > low && at < high {
		log, err := evidence(at)
		if err != nil {
			return 0, err
		}
		// A normal law has exp(−½) of its peak at one deviation.
		if log+math.Log(spread*math.Sqrt(2*math.Pi)) > -0.5 {
			return math.NaN(), nil
		}
	}
	return twoSided(at, low, high, evidence)
}

// reach is where a measured reading may lie given the others, and a spread no
// smaller than its law's: from the smallest size to the largest of the feature,
// each as doubtful as it is, with the reading's own doubt.
func (l looker) reach(r wornsize.Reading, rest wornsize.Posterior) (low, high, spread float64) {
	p := rest.Features[0]
	small, large := p.Passing, p.CleanUp
	if l.f.Shape == wornsize.Pin {
		small, large = large, small
	}
	u := r.U
	low = small.Quantile(1e-4) - 5*u
	high = large.Quantile(1-1e-4) + 5*u
	return low, high, math.Hypot(u, (large.Quantile(0.84)-small.Quantile(0.16))/2)
}

// twoSided integrates a predictive density worked out at some values: its log
// is a parabola through each three neighbours. What lies beyond is taken as nothing.
func twoSided(at, low, high float64, logDensity func(float64) (float64, error)) (float64, error) {
	if at <= low || at >= high {
		return least, nil
	}
	h := (high - low) / (values - 1)
	logs := make([]float64, values)
	for k := range logs {
		var err error
		if logs[k], err = logDensity(low + h*float64(k)); err != nil {
			return 0, err
		}
	}
	most := slices.Max(logs)
	const parts = 40
	var below, total float64
	for k := range values - 1 {
		j := min(max(k, 1), values-2)
		a, b, c := logs[j-1], logs[j], logs[j+1]
		for q := range parts {
			t := (float64(q)+0.5)/parts + float64(k-j)
			mass := math.Exp(b + t*(c-a)/2 + t*t*(c-2*b+a)/2 - most)
			total += mass
			if low+h*(float64(j)+t) < at {
				below += mass
			}
		}
	}
	tail := math.Min(below, total-below) / total
	return math.Min(math.Max(2*tail, least), 1), nil
}

// pairs tests the two greatest measured readings against the rest, and the two
// least.
func (l looker) pairs(s *Study) error {
	if len(l.f.Readings) < fewestPairs {
		return nil
	}
	var measured []int
	for i, r := range l.f.Readings {
		if r.Kind == wornsize.Measured {
			measured = append(measured, i)
		}
	}
	if len(measured) < 3 {
		return nil
	}
	slices.SortStableFunc(measured, func(a, b int) int { return cmp.Compare(l.f.Readings[a].Value, l.f.Readings[b].Value) })
	n := len(measured)
	for _, pair := range [2][2]int{{measured[n-1], measured[n-2]}, {measured[0], measured[1]}} {
		rest, err := l.without(pair[:]...)
		if err != nil {
			return err
		}
		var p [2]float64
		odd := true
		for k, i := range pair {
			if p[k], err = l.surprise(i, rest, pair[:]...); err != nil {
				return err
			}
			if odd = odd && p[k] < s.PairThreshold; !odd {
				break
			}
		}
		if !odd {
			continue
		}
		for k, i := range pair {
			one := Finding{Reading: i, Partner: pair[1-k], Surprise: p[k], Outlier: true}
			one.Passing, one.CleanUp = shifts(l.whole, rest)
			s.Findings = append(slices.DeleteFunc(s.Findings, func(f Finding) bool { return f.Reading == i }), one)
		}
	}
	return nil
}
