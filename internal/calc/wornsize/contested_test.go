package wornsize

import (
	"errors"
	"math"
	"sync/atomic"
	"testing"

	"pgregory.net/rapid"
)

// Gauges that can hardly be true together must still be weighed by what can
// happen: whatever they said, a further gauge passes, starts or is refused.
func TestOutcomesSumToOneAfterAnyContradiction(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		f := bore(usualForm)
		f.Form.BellMouth = rapid.SampledFrom([]float64{0, 4, 15}).Draw(t, "bell mouth")
		far := rapid.Float64Range(20, 90).Draw(t, "apart")
		station := rapid.SampledFrom([]Station{AnyStation, MouthA, MouthB})
		f.Readings = []Reading{
			tried(NoGo, 5, 1, station.Draw(t, "refused at")), tried(Go, 5+far, 0.8, AnyStation),
			tried(Starts, 5+far/3, 1, station.Draw(t, "starts at")), tried(Starts, 10+far, 1.2, station.Draw(t, "starts at")),
		}[:rapid.IntRange(2, 4).Draw(t, "gauges")]
		if rapid.Bool().Draw(t, "measured") {
			f.Readings = append(f.Readings, measured(0, 2, Middle, unknown))
		}
		base := mustEstimate(t, one(f)).LogEvidence
		size, end := rapid.Float64Range(-10, 120).Draw(t, "gauge"), station.Draw(t, "end")
		var sum float64
		for _, kind := range []Kind{Go, NoGo, Starts} {
			with := f
			with.Readings = append(f.Readings[:len(f.Readings):len(f.Readings)], tried(kind, size, 1, end))
			sum += math.Exp(mustEstimate(t, one(with)).LogEvidence - base)
		}
		if math.Abs(sum-1) > 2e-3 {
			t.Fatalf("the outcomes of a gauge of %.2f sum to %.5f", size, sum)
		}
	})
}

// Four gauges and a reading that cannot all be true, against sampling of the
// same model: it has lapses of gauges too, and here they explain more than a slip.
func TestContradictionsAgreeWithBruteForce(t *testing.T) {
	t.Parallel()
	f := bore(changed(usualForm, func(f *Form) { f.BellMouth = 4 }),
		tried(NoGo, 5, 1, AnyStation), tried(Go, 25, 0.8, AnyStation), tried(Starts, 11.7, 1, MouthB), tried(Starts, 30, 1.2, MouthA), measured(0, 2, Middle, unknown))
	p := estimateOrFail(t, one(f))
	s := newBruteForce(one(f), 1).run(150_000)
	if s.effective() < 1e4 {
		t.Fatalf("effective sample %.0f is too small to judge", s.effective())
	}
	if d := p.LogEvidence - s.logEvidence; math.Abs(d) > 4*s.evidenceSE+1e-3 {
		t.Errorf("log evidence %.5f, brute force %.5f ± %.5f", p.LogEvidence, s.logEvidence, s.evidenceSE)
	}
	for name, c := range map[string]struct {
		law    Law
		values []float64
	}{"passing": {p.Features[0].Passing, s.passing[0]}, "clean-up": {p.Features[0].CleanUp, s.clean[0]}} {
		for _, q := range []float64{0.05, 0.25, 0.5, 0.75, 0.95} {
			if share, se := s.below(c.values, c.law.Quantile(q)); math.Abs(share-q) > 4*se+1e-3 {
				t.Errorf("%s: quantile %g is exceeded by %.5f, standard error %.5f", name, q, share, se)
			}
		}
	}
}

// Two readings a millimetre apart: either is as likely the slip, so the law has
// both, and little between. Nothing is fitted: halves by symmetry, since both
// have one U and lie alike in the prior.
func TestAnswersBetweenContradictionsAreHonestlyWide(t *testing.T) {
	t.Parallel()
	for name, stations := range map[string][2]Station{"one section": {Middle, Middle}, "two sections": {MouthA, MouthB}} {
		for _, directions := range [][2]float64{{unknown, unknown}, {0, 0}} {
			f := Feature{Form: Form{BellMouth: 5, MiddleShare: 1, Ovality: 5}, Prior: Prior{Low: -2000, High: 3000, Shoulder: 20},
				Readings: []Reading{measured(0, 2, stations[0], directions[0]), measured(1000, 2, stations[1], directions[1])}}
			law := estimateOrFail(t, one(f)).Features[0].Passing
			if low, high := law.CDF(100), 1-law.CDF(900); math.Abs(low-0.5) > 0.1 || math.Abs(high-0.5) > 0.1 {
				t.Errorf("%s, directions %v: P(near 0) %.4f, P(near 1000) %.4f, want about a half each", name, directions, low, high)
			}
		}
	}
	// A third reading decides it.
	f := bore(usualForm, measured(0, 2, Middle, unknown), measured(1000, 2, Middle, unknown), measured(5, 2, MouthA, unknown))
	if law := estimateOrFail(t, one(f)).Features[0].Passing; law.CDF(40) < 0.999 {
		t.Errorf("two against one: P(size below 40) is %.5f", law.CDF(40))
	}
}

// An error that readings share must not be dragged along by a slip: the
// estimate with a slip is the one without it.
func TestASlipDoesNotDragASharedError(t *testing.T) {
	t.Parallel()
	feature := func(values ...float64) Feature {
		f := bore(usualForm)
		for i, v := range values {
			f.Readings = append(f.Readings, measured(v, 2, Station(1+i%3), unknown).with(shared(0)))
		}
		f.Readings = append(f.Readings, measured(22, 2, Middle, unknown))
		return f
	}
	commons := []Common{{U: 3}}
	with := estimateOrFail(t, Set{Features: []Feature{feature(20, 15, 21, 700)}, Commons: commons}).Features[0].Passing
	without := estimateOrFail(t, Set{Features: []Feature{feature(20, 15, 21)}, Commons: commons}).Features[0].Passing
	for _, p := range []float64{0.05, 0.5, 0.95} {
		if got := with.CDF(without.Quantile(p)); math.Abs(got-p) > 5e-3 {
			t.Errorf("the %g quantile without the slip is at %.4f with it", p, got)
		}
	}
}

func TestSlipsAreFlagged(t *testing.T) {
	t.Parallel()
	f := bore(usualForm, measured(20, 2, MouthA, unknown), measured(12, 2, Middle, unknown), measured(400, 2, MouthB, unknown), tried(Go, 5, 1, AnyStation), tried(NoGo, -400, 1, MouthA))
	other := bore(usualForm, measured(500, 2, Middle, unknown))
	slips, err := Slips(Set{Features: []Feature{other, f}}, 1, 0.01)
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []bool{false, false, true, false, true} {
		if p := slips[i]; p > 0.5 != want || p < 0 || p > 1 || !want && p > 0.1 {
			t.Errorf("reading %d is a slip with probability %.4f, want it flagged: %v", i, p, want)
		}
	}
	// By hand: one reading of a round bore is a slip with prior·g/(prior·g +
	// (1−prior)·Z), Z the prior's density of the reading, which is what g is but for its width.
	lone, err := Slips(one(Feature{Prior: Prior{Low: -1000, High: 1000, Shoulder: 10}, Readings: []Reading{measured(0, 2, Middle, unknown)}}), 0, 0.01)
	if err != nil {
		t.Fatal(err)
	}
	g, z := 1/(2000+12*math.Sqrt(2*math.Pi)), 1/(2000+10*math.Sqrt(2*math.Pi))
	if want := 0.01 * g / (0.01*g + 0.99*z); math.Abs(lone[0]-want) > 1e-6 {
		t.Errorf("a lone reading is a slip with probability %.8f, want %.8f", lone[0], want)
	}
	for _, prior := range []float64{0, 1, math.NaN()} {
		if _, err := Slips(one(f), 0, prior); err == nil {
			t.Errorf("a prior of %g was taken", prior)
		}
	}
	if _, err := Slips(one(f), 3, 0.01); err == nil {
		t.Error("a feature that is not there was taken")
	}
}

// Whenever it is told to stop, it stops, and the answer is an error.
func TestAnEstimateStopsWhenNobodyWaits(t *testing.T) {
	t.Parallel()
	set := fourFeatures()
	var asked atomic.Int64
	set.Stop = func() bool { asked.Add(1); return false }
	if _, err := Estimate(set); err != nil {
		t.Fatal(err)
	}
	all := asked.Load()
	if all < 50 {
		t.Fatalf("asked %d times only: an estimate would run on long after it was abandoned", all)
	}
	for _, after := range []int64{0, 1, all / 2, all - 1} {
		asked.Store(0)
		set.Stop = func() bool { return asked.Add(1) > after }
		if _, err := Estimate(set); !errors.Is(err, ErrStopped) {
			t.Errorf("stopped after being asked %d times: error %v", after, err)
		}
		if over := asked.Load() - after; over > 12 {
			t.Errorf("went on asking %d times after it was stopped", over)
		}
	}
	set.Stop = nil
	e, err := Begin(set)
	if err != nil {
		t.Fatal(err)
	}
	e.set.Stop = func() bool { return true }
	if _, err := e.With(0, measured(30, 3, Middle, unknown)); !errors.Is(err, ErrStopped) {
		t.Errorf("a further reading, stopped: %v", err)
	}
}
