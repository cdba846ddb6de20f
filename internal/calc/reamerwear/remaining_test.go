package reamerwear_test

import (
	"math"
	"math/rand/v2"
	"os"
	"testing"

	"pinwright/internal/calc/reamerwear"
)

// drawnReamer is a reamer drawn from the usual prior, with what its line is.
type drawnReamer struct{ c0, rate, sigma float64 }

func drawReamer(r *rand.Rand) drawnReamer {
	d := drawnReamer{c0: usual.Size + usual.SizeU*r.NormFloat64(), rate: -1, sigma: pick(r, usual.Scatter)}
	for d.rate < 0 {
		d.rate = usual.Rate + usual.RateU*r.NormFloat64()
	}
	return d
}

func (d drawnReamer) line(travel float64) float64 { return d.c0 - d.rate*travel }

// worn is what is known of d after some holes, and how far it has travelled then.
func (d drawnReamer) worn(t *testing.T, r *rand.Rand) (reamerwear.State, float64) {
	s, travel := begin(t, usual), 0.0
	for range 1 + r.IntN(10) {
		u := []float64{0.5, 1.5, 4}[r.IntN(3)]
		s = observe(t, s, reamerwear.Observation{Travel: travel, Size: d.line(travel) + math.Hypot(d.sigma, u)*r.NormFloat64(), U: u})
		travel += 2 * r.Float64()
	}
	return s, travel
}

func drawings(short, long int) int {
	if os.Getenv("PINWRIGHT_LONG") != "" {
		return long
	}
	return short
}

// The last of the holes left becomes too small as often as the risk says and no more, as does
// each before it; the one after it more often. The model being told exactly, only chance may part them.
func TestHolesLeftOfDrawnReamersHoldTheirRisk(t *testing.T) {
	t.Parallel()
	const needed, each, risk = -4.0, 0.25, 0.05
	reamers := drawings(2000, 20000)
	r := rand.New(rand.NewPCG(29, 3))
	counted, last, next := 0, 0, 0
	for range reamers {
		d := drawReamer(r)
		s, travel := d.worn(t, r)
		n := s.HolesLeft(travel, each, needed, risk)
		if n < 1 {
			continue
		}
		counted++
		small := func(hole int) bool { // counted from 1
			return d.line(travel+float64(hole-1)*each)+d.sigma*r.NormFloat64() < needed
		}
		if small(n) {
			last++
		}
		if small(n + 1) {
			next++
		}
	}
	share := func(n int) float64 { return float64(n) / float64(counted) }
	t.Logf("%d reamers of which %d had holes left: the last of them became too small with %.4f, the one after it with %.4f", reamers, counted, share(last), share(next))
	within := 0.005 * math.Sqrt(20000/float64(counted)) // three standard deviations of a share of 0.05
	if counted < reamers/2 || share(last) > risk+within || share(next) < risk-within {
		t.Errorf("the last of the holes left became too small with %.4f, the one after it with %.4f, at a risk of %g", share(last), share(next), risk)
	}
	if share(last) < risk-0.02-within {
		t.Errorf("holes are given away: the last of those left becomes too small with %.4f only", share(last))
	}
}

// What is left of drawn reamers ends before its quantiles as often as they say.
func TestTravelLeftOfDrawnReamersIsForetold(t *testing.T) {
	t.Parallel()
	const needed = -2.0
	reamers := drawings(1500, 20000)
	r := rand.New(rand.NewPCG(31, 8))
	levels := []float64{0.05, 0.25, 0.5, 0.75, 0.95}
	asked, ended := make([]int, len(levels)), make([]int, len(levels))
	for range reamers {
		d := drawReamer(r)
		s, travel := d.worn(t, r)
		left := s.Left(travel, needed)
		for i, p := range levels {
			end := left.Quantile(p)
			if end == 0 { // it may have ended already: the quantile says no more
				continue
			}
			if math.Abs(left.Within(end)-p) > 1e-6 {
				t.Fatalf("ended within its quantile with probability %g, not %g", left.Within(end), p)
			}
			asked[i]++
			if d.line(travel+end) < needed {
				ended[i]++
			}
		}
	}
	for i, p := range levels {
		share := float64(ended[i]) / float64(asked[i])
		t.Logf("%.0f %%: of %d, %.4f had ended", 100*p, asked[i], share)
		if asked[i] < reamers/3 || math.Abs(share-p) > 4*math.Sqrt(p*(1-p)/float64(asked[i])) {
			t.Errorf("of %d reamers %.4f had ended at the quantile %g", asked[i], share, p)
		}
	}
	never, _, err := begin(t, reamerwear.Prior{Size: 8, SizeU: 1, Rate: 1e-9, RateU: 1e-9, Scatter: usual.Scatter}).Observe(reamerwear.Observation{Size: 8, U: 1})
	if err != nil || !math.IsInf(never.Left(0, 2).Quantile(0.5), 1) {
		t.Error("a reamer that does not wear has an end")
	}
}

// The evidence is the product of what each state gave to the next observation.
func TestEvidenceIsTheProductOfWhatWasForetold(t *testing.T) {
	t.Parallel()
	one := reamerwear.Prior{Size: 8, SizeU: 4, Rate: 3, RateU: 0.3, Scatter: []reamerwear.Scatter{{Sigma: 2, Weight: 1}}} // hardly cut off: each law is one normal
	s, sum := begin(t, one), 0.0
	for i, size := range []float64{9, 7.5, 3, 1, -4} {
		o := reamerwear.Observation{Travel: float64(i), Size: size, U: 1.5}
		law := s.CutSize(o.Travel)
		shared, scatter := law.Shares()
		v := shared*shared + scatter*scatter + o.U*o.U
		sum += -math.Log(2*math.Pi*v)/2 - square(size-law.Mean())/v/2
		s = observe(t, s, o)
	}
	if got := s.Evidence() - 5*math.Log(2*math.Pi)/2; math.Abs(got-sum) > 1e-8 {
		t.Errorf("evidence %.10f, by one after the other %.10f", got, sum)
	}
}
