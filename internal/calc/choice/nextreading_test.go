package choice

import (
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"pinwright/internal/calc/wornsize"
)

// simpleEstimate is a model for these tests alone: a bore of passing size S,
// mouths larger by Form.BellMouth, clean-up size larger by Form.Ovality, S flat
// on its prior. It is exact Bayes on a grid, so the identities that a value of
// information obeys hold for it.
func simpleEstimate(set wornsize.Set) (wornsize.Posterior, error) {
	post := wornsize.Posterior{Weights: []float64{1}}
	for _, f := range set.Features {
		const n = 800
		x, w := make([]float64, n+1), make([]float64, n+1)
		total := 0.0
		for i := range x {
			x[i] = f.Prior.Low + (f.Prior.High-f.Prior.Low)*float64(i)/n
			w[i] = 1.0 / n
			for _, r := range f.Readings {
				passes, enters := phi((x[i]-r.Value)/r.U), phi((x[i]+f.Form.BellMouth-r.Value)/r.U)
				switch r.Kind {
				case wornsize.Go:
					w[i] *= passes
				case wornsize.NoGo:
					w[i] *= 1 - enters
				case wornsize.Starts:
					w[i] *= enters - passes
				default:
					w[i] *= density((x[i]+f.Form.Ovality/2-r.Value)/r.U) / r.U
				}
			}
			total += w[i]
		}
		if !(total > 1e-300) {
			total, w[n] = 1e-300, 1e-300 // contradictory readings: next to impossible
		}
		post.LogEvidence += math.Log(total)
		s := wornsize.Law{X: x, P: make([]float64, n+1)}
		sum := 0.0
		for i := range x {
			sum += w[i] / total
			s.P[i] = math.Min(1, sum)
		}
		s.P[n] = 1
		l := wornsize.Law{X: make([]float64, n+1), P: s.P}
		for i := range x {
			l.X[i] = x[i] + f.Form.Ovality
		}
		post.Features = append(post.Features, wornsize.FeaturePosterior{Passing: s, CleanUp: l, Original: s,
			PassingAt: []wornsize.Law{s}, CleanUpAt: []wornsize.Law{l}})
	}
	return post, nil
}

func wornBore(low, high float64) wornsize.Feature {
	return wornsize.Feature{Form: wornsize.Form{BellMouth: 15, Ovality: 20}, Prior: wornsize.Prior{Low: low, High: high}}
}

// ask decides a set by a model and searches the next reading by it.
func ask(t interface{ Fatal(...any) }, p Problem, set wornsize.Set, search Search, estimate Estimator) (Answer, []NextReading, SearchCost) {
	post, err := estimate(set)
	if err != nil {
		t.Fatal(err)
	}
	p.Posterior = post
	a, err := Decide(p)
	if err != nil {
		t.Fatal(err)
	}
	next, cost, err := NextReadings(p, set, search, estimate)
	if err != nil {
		t.Fatal(err)
	}
	return a, next, cost
}

func TestTheNextReadingIsNeverWorthLessThanNothing(t *testing.T) {
	t.Parallel()
	worth := 0
	rapid.Check(t, func(t *rapid.T) {
		p := problem(wornsize.Posterior{}, hinge("a", 0), hinge("b", 1))
		p.Losses.FailedCut = rapid.Float64Range(0, 20000).Draw(t, "failedCut")
		p.Losses.Unproved = 0
		low := rapid.Float64Range(0, 150).Draw(t, "low")
		set := wornsize.Set{Features: []wornsize.Feature{
			wornBore(low, low+rapid.Float64Range(5, 120).Draw(t, "width")),
			wornBore(80, 190),
		}}
		g := Gauge{"g", rapid.Float64Range(0, 250).Draw(t, "gauge"), rapid.Float64Range(0.5, 8).Draw(t, "blur")}
		ins := Instrument{"bore gauge", rapid.Float64Range(1, 8).Draw(t, "u"), []wornsize.Station{wornsize.Middle}}
		_, next, _ := ask(t, p, set, Search{Gauges: []Gauge{g}, Instruments: []Instrument{ins}}, simpleEstimate)
		for _, n := range next {
			sum := 0.0
			for _, o := range n.Outcomes {
				sum += o.Probability
			}
			if !(n.GainMinor >= 0) || n.ProofMinor != 0 || math.Abs(sum-1) > 1e-5 {
				t.Fatalf("%+v: gain %v, outcomes add to %v", n, n.GainMinor, sum)
			}
			if n.GainMinor > 0 {
				worth++
			}
		}
	})
	if worth == 0 {
		t.Error("no reading drawn was worth anything: the property was not tried")
	}
}

// With exact Bayes the value by its definition, least loss now minus the mean
// of the least losses afterwards, equals the value served, which averages
// today's plan over the same outcomes.
func TestTheValueOfAGaugeIsThePreposteriorFallOfTheLeastLoss(t *testing.T) {
	t.Parallel()
	p := problem(wornsize.Posterior{}, hinge("a", 0))
	set := wornsize.Set{Features: []wornsize.Feature{wornBore(150, 195)}}
	g := Gauge{"g", 180, 2}
	_, next, _ := ask(t, p, set, Search{Gauges: []Gauge{g}}, simpleEstimate)
	if len(next) != 1 || next[0].GainMinor < 50 {
		t.Fatalf("no gain to compare: %+v", next)
	}
	least := func(s wornsize.Set) (float64, float64) {
		post, err := simpleEstimate(s)
		if err != nil {
			t.Fatal(err)
		}
		q := p
		q.Posterior = post
		j := judge(q)
		return j.lossOf(j.free), math.Exp(post.LogEvidence)
	}
	now, evidence := least(set)
	then := 0.0
	for _, k := range []wornsize.Kind{wornsize.Go, wornsize.Starts, wornsize.NoGo} {
		loss, e := least(with(set, 0, wornsize.Reading{Kind: k, Value: g.Size, U: g.Blur, Common: -1}))
		then += loss * e / evidence
	}
	// Extra passes and the way out are re-priced with the posterior, so the
	// two agree closely but not to the last digit.
	if diff := math.Abs(now - then - next[0].GainMinor); diff > 0.03*next[0].GainMinor {
		t.Errorf("served %v, by definition %v", next[0].GainMinor, now-then)
	}
}

func TestAReadingThatTellsNothingIsWorthNothing(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		p := problem(wornsize.Posterior{}, hinge("a", 0))
		low := rapid.Float64Range(20, 100).Draw(t, "low")
		set := wornsize.Set{Features: []wornsize.Feature{wornBore(low, low+90), wornBore(60, 160)}}
		post, err := simpleEstimate(set)
		if err != nil {
			t.Fatal(err)
		}
		p.Posterior = post
		now := judge(p)
		for _, c := range []struct {
			name    string
			feature int
			blur    float64
		}{{"a bore of no joint", 1, 2}, {"a gauge that feels nothing", 0, 1e7}} {
			var readings []wornsize.Reading
			for _, k := range []wornsize.Kind{wornsize.Go, wornsize.Starts, wornsize.NoGo} {
				readings = append(readings, wornsize.Reading{Kind: k, Value: 100, U: c.blur, Common: -1})
			}
			n, err := now.try(candidate{feature: c.feature, readings: readings}, newSplitter(set, post, simpleEstimate).with)
			if err != nil || n.GainMinor != 0 || n.ChangesChoice != 0 || n.ProofMinor > 1e-6 {
				t.Fatalf("%s: error %v, gain %v, proof %v, changes %v", c.name, err, n.GainMinor, n.ProofMinor, n.ChangesChoice)
			}
		}
	})
}

func TestOnlyBoresOfUndecidedJointsAreAskedAbout(t *testing.T) {
	t.Parallel()
	p := problem(wornsize.Posterior{}, hinge("sure", 0), hinge("open", 1), hinge("open alike", 2))
	set := wornsize.Set{Features: []wornsize.Feature{wornBore(40, 60), wornBore(155, 195), wornBore(155, 195)}}
	search := Search{Gauges: []Gauge{{"far below", -300, 2}, {"fits", 180, 2}, {"far above", 400, 2}}}
	a, next, cost := ask(t, p, set, search, simpleEstimate)
	if a.Chosen.Joints[0].Status != Decided || a.Chosen.Joints[1].Status != Provisional {
		t.Fatalf("the case is not as meant: %+v", a.Chosen.Joints)
	}
	if cost != (SearchCost{Candidates: 1, Screening: 3}) {
		t.Errorf("cost %+v: one plausible gauge on one of two like bores is 3 estimates", cost)
	}
	if len(next) != 1 || next[0].Feature != 1 || !cmp.Equal(next[0].SameFor, []int{2}) || next[0].Gauge != "fits" {
		t.Errorf("next %+v", next)
	}
	if next[0].ValueMinor <= 0 || next[0].Settles <= 0 {
		t.Errorf("a gauge in the middle of what is unknown settles something: %+v", next[0])
	}
}

func TestADecidedSetAsksForNothing(t *testing.T) {
	t.Parallel()
	p := problem(wornsize.Posterior{}, hinge("a", 0))
	a, next, cost := ask(t, p, wornsize.Set{Features: []wornsize.Feature{wornBore(40, 60)}},
		Search{Gauges: []Gauge{{"g", 50, 2}}}, simpleEstimate)
	if a.Chosen.Status != Decided || len(next) != 0 || cost.Screening != 0 {
		t.Errorf("%s, next %+v, cost %+v", a.Chosen.Status, next, cost)
	}
}

func TestTheSearchKeepsItsBoundAndSaysWhatItLeftOut(t *testing.T) {
	t.Parallel()
	p := problem(wornsize.Posterior{}, hinge("a", 0))
	set := wornsize.Set{Features: []wornsize.Feature{wornBore(155, 195)}}
	var search Search
	for g := 130.0; g <= 210; g += 5 {
		search.Gauges = append(search.Gauges, Gauge{"g", g, 2})
	}
	search.MaxEstimates, search.Keep = 10, 2
	_, next, cost := ask(t, p, set, search, simpleEstimate)
	if cost.Screening != 9 || cost.Estimates != 0 || cost.Candidates != 3 || cost.LeftOut != 10 || len(next) != 2 {
		t.Errorf("cost %+v, %d readings served", cost, len(next))
	}
	_, again, _ := ask(t, p, set, search, simpleEstimate)
	if diff := cmp.Diff(next, again); diff != "" {
		t.Errorf("the same question, another answer:\n%s", diff)
	}
}

func TestTheSetMustBeTheOneThatWasEstimated(t *testing.T) {
	t.Parallel()
	p := problem(single(bore(60, 80, 4)), hinge("a", 0))
	if _, _, err := NextReadings(p, wornsize.Set{}, Search{}, simpleEstimate); err == nil {
		t.Error("a set of other features was taken")
	}
}

func TestPinsOfTheSeriesServeAsGauges(t *testing.T) {
	t.Parallel()
	s := hingeSeries()
	s[1].Available = false
	g := SeriesGauges(s, 2)
	if len(g) != 2 || g[1].Code != "pin oversize_2" || math.Abs(g[1].Size-(inch(0.321)-2.5)) > 1e-9 || math.Abs(g[1].Blur-math.Sqrt(4+25.0/12)) > 1e-9 {
		t.Errorf("%+v", g)
	}
}
