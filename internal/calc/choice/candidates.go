package choice

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"sort"

	"pinwright/internal/calc/wornsize"
)

// candidate is one reading with all it may say.
type candidate struct {
	reading  NextReading // what it is, without its worth
	feature  int
	joint    int
	readings []wornsize.Reading
	bands    []Interval // of measured outcomes
	off      float64    // how far it lies from where the bore is thought to be
}

// SeriesGauges are the pins of a series taken as gauges: a pin that will be
// fitted is the gauge that asks the right question. blur is the uncertainty of
// feel, to which the pin's tolerance is added.
func SeriesGauges(series []Step, blur float64) []Gauge {
	var out []Gauge
	for _, s := range series {
		if s.Available {
			out = append(out, Gauge{"pin " + s.Code, s.Pin.Mid(), math.Hypot(blur, s.Pin.Width()/math.Sqrt(12))})
		}
	}
	return out
}

// candidates lists readings worth trying, the nearest to the bore's likely size
// first, joint by joint in turn, so that a bound on the search cuts the least
// promising.
func candidates(p Problem, set wornsize.Set, search Search, plan Plan) []candidate {
	type alike struct{ first, joint int }
	seen := map[string]int{}
	var bores []alike
	same := map[int][]int{}
	for j, joint := range p.Joints {
		if !asks(p, plan, j) {
			continue
		}
		sign := signature(set, joint)
		asked := joint.Running
		if joint.HeldTarget != nil {
			asked = append(slices.Clone(asked), joint.Held...)
		}
		for _, f := range asked {
			k := fmt.Sprintf("%s|%+v", sign, set.Features[f])
			if first, ok := seen[k]; ok {
				same[first] = append(same[first], f)
				continue
			}
			seen[k] = f
			bores = append(bores, alike{f, j})
		}
	}
	var lists [][]candidate
	for _, b := range bores {
		list := candidatesFor(p, p.Posterior.Features[b.first], set.Features[b.first], search)
		for i := range list {
			list[i].feature, list[i].joint = b.first, b.joint
			list[i].reading.Feature, list[i].reading.SameFor = b.first, same[b.first]
		}
		lists = append(lists, list)
	}
	var out []candidate
	for round := 0; ; round++ {
		any := false
		for _, list := range lists {
			if round < len(list) {
				out = append(out, list[round])
				any = true
			}
		}
		if !any {
			return out
		}
	}
}

// asks says whether a reading of a joint could help: it is not decided or, when
// only the set is not, it may fail.
func asks(p Problem, plan Plan, j int) bool {
	onlySet := true
	for _, c := range plan.Joints {
		onlySet = onlySet && c.Status == Decided
	}
	return onlySet || plan.Joints[j].Status != Decided
}

func candidatesFor(p Problem, post wornsize.FeaturePosterior, feature wornsize.Feature, search Search) []candidate {
	low, high := post.Passing.Quantile(0.005), post.CleanUp.Quantile(0.995)
	middle := (post.Passing.Quantile(0.5) + post.CleanUp.Quantile(0.5)) / 2
	nan := math.NaN()
	var out []candidate
	gauge := func(n NextReading, g Gauge) {
		c := candidate{reading: n, off: math.Abs(g.Size - middle)}
		for _, k := range []wornsize.Kind{wornsize.Go, wornsize.Starts, wornsize.NoGo} {
			if likelihoodBound(post, g, feature.Form.Feel, k) >= rareOutcome {
				c.readings = append(c.readings, wornsize.Reading{Kind: k, Value: g.Size, U: g.Blur, Common: -1, Direction: nan})
			}
		}
		if len(c.readings) > 1 {
			out = append(out, c)
		}
	}
	for _, g := range search.Gauges {
		gauge(NextReading{Gauge: g.Code, Size: g.Size}, g)
	}
	sort.SliceStable(out, func(a, b int) bool { return out[a].off < out[b].off })
	for _, ins := range search.Instruments {
		for _, st := range ins.Stations {
			c := candidate{reading: NextReading{Instrument: ins.Code, Station: st}}
			from, to := low-2*ins.U, high+2*ins.U
			width := (to - from) / measuredOutcomes
			for i := 0; i < measuredOutcomes; i++ {
				band := Interval{from + width*float64(i), from + width*float64(i+1)}
				c.bands = append(c.bands, band)
				c.readings = append(c.readings, wornsize.Reading{Kind: wornsize.Measured, Value: band.Mid(), U: ins.U, Common: -1, Station: st, Direction: nan})
			}
			out = append(out, c)
		}
	}
	if t := search.Turning; t != nil {
		for _, size := range t.sizes(p.Series, post, search.Gauges) {
			gauge(NextReading{Gauge: "turned", Size: size, Turned: true, CostMinor: t.CostMinor}, Gauge{"turned", size, t.blur()})
		}
	}
	return out
}

// likelihoodBound is at least the probability of an outcome, from the laws the
// bore has now; beyond four times its blur a gauge is taken not to err. Going
// needs a passing size as large as the gauge, starting a mouth as large, which
// no clean-up size is below; not going needs a passing size as small.
func likelihoodBound(post wornsize.FeaturePosterior, g Gauge, feel float64, k wornsize.Kind) float64 {
	margin := 4 * g.Blur
	small := post.Passing.CDF(g.Size + feel + margin)
	switch k {
	case wornsize.Go:
		return 1 - post.Passing.CDF(g.Size+feel-margin)
	case wornsize.NoGo:
		return small
	default:
		return math.Min(small, 1-post.CleanUp.CDF(g.Size+feel-margin))
	}
}

// signature tells joints apart for which the same reading could be worth
// something else.
func signature(set wornsize.Set, j Joint) string {
	features := append(append([]int(nil), j.Running...), j.Held...)
	if j.Pin >= 0 {
		features = append(features, j.Pin)
	}
	hub := ""
	if j.Hub != nil {
		hub = fmt.Sprintf("%+v", *j.Hub) // infinite where no strength is known, which JSON does not take
	}
	j.Code, j.Running, j.Held, j.Pin, j.Hub = "", nil, nil, 0, nil
	own, err := json.Marshal(j)
	if err != nil {
		return fmt.Sprintf("%v|%p", err, set.Features) // never alike
	}
	s := string(own) + hub
	for _, f := range features {
		s += fmt.Sprintf("|%+v", set.Features[f])
	}
	return s
}
