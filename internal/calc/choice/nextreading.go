package choice

import (
	"fmt"
	"math"
	"slices"
	"sort"

	"pinwright/internal/calc/wornsize"
)

// Estimator turns readings into sizes; wornsize.Estimate is one.
type Estimator func(wornsize.Set) (wornsize.Posterior, error)

// Gauge is a cylinder of known size that could be tried in a bore.
type Gauge struct {
	Code string
	Size float64 // µm from nominal
	Blur float64 // standard uncertainty of its size and feel together, µm
}

// Instrument could measure a bore at some stations.
type Instrument struct {
	Code     string
	U        float64 // standard uncertainty of one reading, µm
	Stations []wornsize.Station
}

// Search bounds the search for the next reading.
type Search struct {
	Gauges      []Gauge
	Instruments []Instrument
	Turning     *Turning // nil: nobody turns gauges
	// MaxEstimates bounds the screening, in estimates of one bore: up to 3 for a
	// gauge, measuredOutcomes for an instrument at one station. Zero means
	// DefaultMaxEstimates. Candidates beyond it are not tried and counted in
	// SearchCost.LeftOut.
	MaxEstimates int
	// Keep is the most readings served, each by estimates of all bores that
	// share an error with the one read; zero means DefaultKeep.
	Keep int
}

// The defaults of a Search.
const (
	DefaultMaxEstimates = 60
	DefaultKeep         = 4
)

// measuredOutcomes is the number of values that stand for all a measured
// reading could give.
const measuredOutcomes = 7

// rareOutcome is the probability below which an outcome is neither told nor,
// where that can be seen beforehand, estimated: the worth of a reading is then
// right to about that share of a loss.
const rareOutcome = 1e-4

// NextReading is a reading that could still be taken, and what it is worth.
type NextReading struct {
	Feature    int
	SameFor    []int // other features where the same reading is worth the same
	Gauge      string
	Instrument string
	Size       float64          // of the gauge, µm from nominal
	Turned     bool             // the gauge has to be turned first
	Station    wornsize.Station // of a measured reading
	// GainMinor is the expected fall of the least expected loss, minor units,
	// never negative. ProofMinor adds Losses.Unproved for each joint that is
	// expected to become proved. CostMinor is what turning the gauge costs.
	// ValueMinor is gain and proof less that cost, and ranks readings.
	GainMinor, ProofMinor, CostMinor, ValueMinor float64
	ChangesChoice                                float64 // probability that the chosen plan changes
	Settles                                      float64 // probability that the joint of this feature is decided afterwards
	Outcomes                                     []Outcome
}

// Outcome is one thing the reading may say and the answer it leads to.
type Outcome struct {
	Kind        wornsize.Kind
	Values      Interval // of a measured reading: the values this outcome stands for
	Probability float64
	Status      Status
	Success     float64
	Joints      []JointOutcome
	Changes     bool // differs from today's choice
}

// JointOutcome is what would be done with one joint.
type JointOutcome struct {
	Kind    Kind
	Step    int
	Last    int
	Status  Status
	Success float64
}

// SearchCost says what a search took: candidates screened and left out, and
// estimates of one bore and of bores that share errors.
type SearchCost struct{ Candidates, LeftOut, Screening, Estimates int }

// NextReadings ranks the readings that could still be taken of running bores, and
// of held ones that are judged, whose joint is not decided, best first. set must be the readings that gave
// p.Posterior. A gauge is tried only where more than one outcome is plausible.
// All are screened with the bore taken by itself; the best are then worked out
// with the errors it shares, and those are served. A gauge that would have to be
// turned is served only where it is worth more than the turning.
// Ties fall to the lower feature, then the smaller gauge, then the code. A set
// already decided has none.
func NextReadings(p Problem, set wornsize.Set, search Search, estimate Estimator) ([]NextReading, SearchCost, error) {
	var cost SearchCost
	if err := p.check(); err != nil {
		return nil, cost, err
	}
	if len(set.Features) != len(p.Posterior.Features) {
		return nil, cost, fmt.Errorf("the set has %d features and its posterior %d: estimate the set that is asked about", len(set.Features), len(p.Posterior.Features))
	}
	p.kept = &windowCache{}
	now := judge(p)
	if now.chosen.Status == Decided {
		return nil, cost, nil
	}
	budget := search.MaxEstimates
	if budget <= 0 {
		budget = DefaultMaxEstimates
	}
	split := newSplitter(set, p.Posterior, estimate)
	type screened struct {
		candidate
		worth NextReading
	}
	var list []screened
	for _, c := range candidates(p, set, search, now.chosen) {
		if cost.Screening+len(c.readings) > budget {
			cost.LeftOut++
			continue
		}
		cost.Candidates++
		cost.Screening += len(c.readings)
		r, err := now.try(c, split.alone)
		if err != nil {
			return nil, cost, err
		}
		if r.Turned && r.ValueMinor <= 0 {
			continue // not worth the turning
		}
		list = append(list, screened{c, r})
	}
	sort.SliceStable(list, func(a, b int) bool { return ahead(list[a].worth, list[b].worth) })
	keep := search.Keep
	if keep <= 0 {
		keep = DefaultKeep
	}
	var out []NextReading
	for _, c := range list[:min(keep, len(list))] {
		r := c.worth
		if !split.separate(c.feature) {
			var err error
			if r, err = now.try(c.candidate, split.with); err != nil {
				return nil, cost, err
			}
			cost.Estimates += len(c.readings)
		}
		out = append(out, r)
	}
	out = slices.DeleteFunc(out, func(n NextReading) bool { return n.Turned && n.ValueMinor <= 0 })
	sort.SliceStable(out, func(a, b int) bool { return ahead(out[a], out[b]) })
	return out, cost, nil
}

func ahead(a, b NextReading) bool {
	switch {
	case a.ValueMinor != b.ValueMinor:
		return a.ValueMinor > b.ValueMinor
	case a.Settles != b.Settles:
		return a.Settles > b.Settles
	case a.Feature != b.Feature:
		return a.Feature < b.Feature
	case a.Size != b.Size:
		return a.Size < b.Size
	case a.Station != b.Station:
		return a.Station < b.Station
	}
	return a.Gauge+a.Instrument < b.Gauge+b.Instrument
}

// judgement is a decided problem together with its plan of least loss when no
// risk binds, by which readings are valued.
type judgement struct {
	desk
	chosen Plan
	free   []int
}

func judge(p Problem) judgement {
	d := lay(p)
	pref := p.Preference
	if pref == "" {
		pref = Cheapest
	}
	open := make([][]int, len(d.options))
	for j, list := range d.options {
		for i, o := range list {
			if o.Open {
				open[j] = append(open[j], i)
			}
		}
	}
	return judgement{desk: d, chosen: d.plan(pref), free: d.solver(open, false).best(noRisk)}
}

// lossOf is the expected loss of a choice of options.
func (g judgement) lossOf(choice []int) float64 { return g.solver(nil, false).key(choice).loss }

// unproved counts the joints of the chosen plan that are not decided, and one
// more for a set that is not.
func (g judgement) unproved() float64 {
	n := 0.0
	for _, j := range g.chosen.Joints {
		if j.Status != Decided {
			n++
		}
	}
	if g.chosen.Status != Decided {
		n++
	}
	return n
}

// try estimates the set with each outcome of a candidate added. Outcomes less
// likely than rareOutcome are left out, the others weighted to add to one.
func (g judgement) try(c candidate, estimate func(feature int, r wornsize.Reading) (wornsize.Posterior, error)) (NextReading, error) {
	posts := make([]wornsize.Posterior, len(c.readings))
	logs := make([]float64, len(c.readings))
	top := math.Inf(-1)
	for i, r := range c.readings {
		post, err := estimate(c.feature, r)
		if err != nil {
			return NextReading{}, err
		}
		if math.IsNaN(post.LogEvidence) || math.IsInf(post.LogEvidence, 1) {
			return NextReading{}, fmt.Errorf("feature %d with a reading of %v µm has an evidence of %v: the estimate is at fault", c.feature, r.Value, post.LogEvidence)
		}
		posts[i], logs[i] = post, post.LogEvidence
		top = math.Max(top, post.LogEvidence)
	}
	if math.IsInf(top, -1) {
		return NextReading{}, fmt.Errorf("feature %d: no outcome of a reading of %v µm is possible", c.feature, c.readings[0].Value)
	}
	total, told := 0.0, 0.0
	for i := range logs {
		logs[i] = math.Exp(logs[i] - top)
		total += logs[i]
	}
	for i := range logs {
		if logs[i] < rareOutcome*total {
			logs[i] = 0
		}
		told += logs[i]
	}
	n := c.reading
	before := g.unproved()
	after := 0.0
	for i, post := range posts {
		p := g.Problem
		p.Posterior = post
		probability := logs[i] / told
		if probability == 0 {
			continue
		}
		then := judge(p)
		o := then.outcome(c, i, probability)
		for j, choice := range then.chosen.Joints {
			if choice.Option != g.chosen.Joints[j].Option {
				o.Changes = true
			}
			if j == c.joint && choice.Status == Decided {
				n.Settles += probability
			}
		}
		if o.Changes {
			n.ChangesChoice += probability
		}
		after += probability * then.unproved()
		if d := then.lossOf(g.free) - then.lossOf(then.free); d > 0 && !sameChoice(g.free, then.free) {
			n.GainMinor += probability * d
		}
		n.Outcomes = append(n.Outcomes, o)
	}
	if fewer := before - after; fewer > 1e-9 {
		n.ProofMinor = g.Losses.Unproved * fewer
	}
	n.ValueMinor = n.GainMinor + n.ProofMinor - n.CostMinor
	return n, nil
}

func sameChoice(a, b []int) bool {
	for i := range a {
		if a[i] != b[i] {
			return false
		}
	}
	return true
}

func (g judgement) outcome(c candidate, which int, probability float64) Outcome {
	o := Outcome{
		Kind:        c.readings[which].Kind,
		Probability: probability,
		Status:      g.chosen.Status,
		Success:     g.chosen.Success,
	}
	if o.Kind == wornsize.Measured {
		o.Values = c.bands[which]
	}
	for j, choice := range g.chosen.Joints {
		if choice.Option < 0 {
			o.Joints = append(o.Joints, JointOutcome{Step: -1, Last: -1, Status: NoOption})
			continue
		}
		opt := g.options[j][choice.Option]
		o.Joints = append(o.Joints, JointOutcome{opt.Kind, opt.Step, opt.Last, choice.Status, opt.Success})
	}
	return o
}

// with is the set with one reading more of a feature; nothing is shared that
// could be written to.
func with(set wornsize.Set, feature int, r wornsize.Reading) wornsize.Set {
	out := wornsize.Set{Commons: set.Commons, Stop: set.Stop, Features: append([]wornsize.Feature(nil), set.Features...)}
	f := &out.Features[feature]
	f.Readings = append(append(make([]wornsize.Reading, 0, len(f.Readings)+1), f.Readings...), r)
	return out
}
