package fund_test

import (
	"context"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"pgregory.net/rapid"

	"pinwright/internal/calc/fund"
)

// twoTools is the exact probability of failing by each month of two tools of fixed
// lives, each with jobs of its own of a known rate, by convolving the uses of both month by month.
func twoTools(months int, balance float64, rate, perUse, cost [2]float64, left, life [2]int) []float64 {
	const most = 60
	law := func(mean float64) []float64 {
		out := make([]float64, most+1)
		for k := range out {
			l, _ := math.Lgamma(float64(k + 1))
			out[k] = math.Exp(float64(k)*math.Log(mean) - mean - l)
		}
		return out
	}
	laws := [2][]float64{law(rate[0]), law(rate[1])}
	ended := func(i, uses int) float64 {
		if uses < left[i] {
			return 0
		}
		return float64(1 + (uses-left[i])/life[i])
	}
	alive := map[[2]int]float64{{0, 0}: 1}
	failed := make([]float64, months+1)
	for m := 1; m <= months; m++ {
		next := map[[2]int]float64{}
		for at, p := range alive {
			for a := 0; at[0]+a <= most; a++ {
				for b := 0; at[1]+b <= most; b++ {
					if q := p * laws[0][a] * laws[1][b]; q > 1e-14 {
						next[[2]int{at[0] + a, at[1] + b}] += q
					}
				}
			}
		}
		failed[m] = failed[m-1]
		for at, p := range next {
			now := balance
			for i := range 2 {
				now += perUse[i]*float64(at[i]) - cost[i]*ended(i, at[i])
			}
			if now < 0 {
				failed[m] += p
				delete(next, at)
			}
		}
		alive = next
	}
	return failed
}

func TestTwoToolsAgainstConvolution(t *testing.T) {
	t.Parallel()
	for seed := range uint64(8) {
		r := rand.New(rand.NewPCG(seed, 7))
		var rate, perUse, cost [2]float64
		var left, life [2]int
		for i := range 2 {
			rate[i], perUse[i], cost[i] = 0.3+2*r.Float64(), float64(r.IntN(40)), float64(100+r.IntN(400))
			left[i], life[i] = 1+r.IntN(8), 4+r.IntN(8)
		}
		balance := float64(r.IntN(600))
		want := twoTools(6, balance, rate, perUse, cost, left, life)
		c := fund.Case{Balance: balance, Months: 6, Risk: 0.05, Seed: seed}
		for i := range 2 {
			c.Pools = append(c.Pools, one(string(rune('a'+i)), fund.Source{Jobs: rate[i], PerUse: perUse[i]},
				fund.Tool{Left: fund.Fixed(float64(left[i])), Life: fund.Fixed(float64(life[i])), Replace: cost[i]}))
		}
		got := foretell(t, c)
		for m := 1; m <= 6; m++ {
			near(t, "convolution", got.Months[m].Failed, want[m])
		}
		likeliest, most := -1, 0.0
		for m := 1; m <= 6; m++ {
			if want[m]-want[m-1] > most+0.02 {
				likeliest, most = m, want[m]-want[m-1]
			}
		}
		if e := got.Months; most > 0 && e[got.Likeliest].First.Value < want[likeliest]-want[likeliest-1]-0.02 {
			t.Errorf("likeliest in month %d (%v), exact %d (%v)", got.Likeliest, e[got.Likeliest].First, likeliest, most)
		}
	}
}

// drawnCase is any small question.
func drawnCase(r *rapid.T) fund.Case {
	c := fund.Case{Balance: float64(rapid.IntRange(-50, 3000).Draw(r, "balance")), Months: rapid.IntRange(1, 30).Draw(r, "months"), Risk: rapid.SampledFrom([]float64{0, 0.05, 0.2, 0.5}).Draw(r, "risk"),
		Paths: 200, Seed: rapid.Uint64().Draw(r, "seed")}
	for range rapid.IntRange(0, 2).Draw(r, "payments") {
		c.Payments = append(c.Payments, float64(rapid.IntRange(-300, 300).Draw(r, "payment")))
	}
	keys := []string{"a", "b", "c", "d", "e", "f"}
	for range rapid.IntRange(0, 3).Draw(r, "pools") {
		key := keys[0]
		p := fund.Pool{Sources: []fund.Source{{Key: key, Jobs: rapid.Float64Range(0, 6).Draw(r, "jobs"), Doubt: rapid.SampledFrom([]float64{0, 0.3, 1.4}).Draw(r, "doubt"),
			Booked: rapid.SliceOfN(rapid.IntRange(0, 4), 0, 3).Draw(r, "booked"), Sizes: rapid.SliceOfN(rapid.IntRange(1, 9), 0, 4).Draw(r, "sizes"),
			PerJob: float64(rapid.IntRange(0, 50).Draw(r, "a job")), PerUse: float64(rapid.IntRange(0, 30).Draw(r, "a use"))}}}
		for range rapid.IntRange(0, 2).Draw(r, "tools") {
			p.Tools = append(p.Tools, fund.Tool{Key: keys[0], Left: fund.Samples([]float64{0, 3, 20}), Life: fund.Weibull(2, float64(rapid.IntRange(1, 60).Draw(r, "life"))),
				Replace: float64(rapid.IntRange(0, 2000).Draw(r, "replace")), Sharpen: float64(rapid.IntRange(0, 200).Draw(r, "sharpen")),
				Sharpenings: rapid.IntRange(0, 3).Draw(r, "sharpenings"), SharpeningsLeft: rapid.IntRange(0, 3).Draw(r, "left")})
			keys = keys[1:]
		}
		if len(p.Tools) == 0 {
			keys = keys[1:]
		}
		c.Pools = append(c.Pools, p)
	}
	return c
}

func TestMoreNeverFailsMore(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(r *rapid.T) {
		c := drawnCase(r)
		before := foretell(t, c)
		notMore := func(what string, changed fund.Case) {
			after := foretell(t, changed)
			for m := range before.Months {
				if after.Months[m].Failed.Value > before.Months[m].Failed.Value+1e-12 {
					r.Fatalf("%s: by month %d failing went from %v to %v", what, m, before.Months[m].Failed, after.Months[m].Failed)
				}
			}
		}
		richer := c
		richer.Balance += float64(rapid.IntRange(0, 1000).Draw(r, "more"))
		notMore("more balance", richer)
		dearer := c
		dearer.Pools = nil
		by := rapid.Float64Range(1, 4).Draw(r, "by")
		for _, p := range c.Pools {
			s := p.Sources[0]
			s.PerJob, s.PerUse = s.PerJob*by, s.PerUse*by
			dearer.Pools = append(dearer.Pools, fund.Pool{Sources: []fund.Source{s}, Tools: p.Tools})
		}
		notMore("more charge", dearer)
		last := before.Failed.Value
		for _, m := range before.Months {
			last = math.Min(last, m.Failed.Value)
			for q := 1; q < len(m.Balance); q++ {
				if !(m.Balance[q-1].Value <= m.Balance[q].Value) {
					r.Fatalf("quantiles out of order: %v", m.Balance)
				}
			}
		}
	})
}

// The level that is told keeps the risk, and hardly less does not.
func TestTheChargeKeepsTheRiskAndNoLessDoes(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(r *rapid.T) {
		c := drawnCase(r)
		base := foretell(t, c)
		at := func(change func(s *fund.Source, c *fund.Case)) float64 {
			d := c
			d.Pools = nil
			for _, p := range c.Pools {
				s := p.Sources[0]
				change(&s, &d)
				d.Pools = append(d.Pools, fund.Pool{Sources: []fund.Source{s}, Tools: p.Tools})
			}
			change(&fund.Source{}, &d)
			return foretell(t, d).Failed.Value
		}
		if v := base.Multiplier.Value; v < 1e6 {
			times := func(by float64) func(*fund.Source, *fund.Case) {
				return func(s *fund.Source, _ *fund.Case) { s.PerJob, s.PerUse = s.PerJob*by, s.PerUse*by }
			}
			if got := at(times(v + 1e-9)); got > c.Risk+1e-9 {
				r.Fatalf("charging %g times as much fails in %g", v, got)
			}
			if got := at(times(v*0.98 - 1e-3)); v > 0.01 && got <= c.Risk+1e-9 {
				r.Fatalf("charging less than %g times as much fails in %g only", v, got)
			}
		}
		if v := base.PerUse.Value; math.Abs(v) < 1e6 {
			if got := at(func(s *fund.Source, _ *fund.Case) { s.PerUse += v + 1e-6 }); got > c.Risk+1e-9 {
				r.Fatalf("charging %g more a use fails in %g", v, got)
			}
		}
		spent := func(more float64) func(*fund.Source, *fund.Case) {
			return func(_ *fund.Source, d *fund.Case) { d.Balance = c.Balance - base.Spare.Value + more }
		}
		if got := at(spent(1e-6)); got > c.Risk+1e-9 {
			r.Fatalf("with %g less it fails in %g", base.Spare.Value, got)
		}
		if got := at(spent(-1)); got <= c.Risk+1e-9 {
			r.Fatalf("with 1 less still it fails in %g only", got)
		}
	})
}

func TestOrderAndRepetitionChangeNothing(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(r *rapid.T) {
		c := drawnCase(r)
		want := foretell(t, c)
		turned := c
		turned.Pools = nil
		for _, i := range rapid.Permutation(indexes(len(c.Pools))).Draw(r, "order") {
			p := fund.Pool{Sources: c.Pools[i].Sources}
			for j := len(c.Pools[i].Tools) - 1; j >= 0; j-- {
				p.Tools = append(p.Tools, c.Pools[i].Tools[j])
			}
			turned.Pools = append(turned.Pools, p)
		}
		got := foretell(t, turned)
		if len(got.Tools) != len(want.Tools) || got.Failed != want.Failed || got.Multiplier != want.Multiplier || got.Cost != want.Cost {
			r.Fatalf("in another order: %+v, want %+v", got, want)
		}
		for m := range want.Months {
			if got.Months[m] != want.Months[m] {
				r.Fatalf("month %d in another order: %+v, want %+v", m, got.Months[m], want.Months[m])
			}
		}
	})
}

func indexes(n int) []int {
	out := make([]int, n)
	for i := range out {
		out[i] = i
	}
	return out
}

// Another tool in the pool takes its share of the same jobs: neither makes more uses, both together make all.
func TestASecondToolSharesTheWear(t *testing.T) {
	t.Parallel()
	source := fund.Source{Key: "a", Jobs: 4, Doubt: 0.3, Sizes: []int{1, 2, 6}}
	tool := fund.Tool{Key: "a", Left: fund.Fixed(120), Life: never(), Replace: 100}
	second := tool
	second.Key = "b"
	alone := foretell(t, fund.Case{Risk: 0.05, Pools: []fund.Pool{{Sources: []fund.Source{source}, Tools: []fund.Tool{tool}}}})
	both := foretell(t, fund.Case{Risk: 0.05, Pools: []fund.Pool{{Sources: []fund.Source{source}, Tools: []fund.Tool{tool, second}}}})
	if math.Abs(both.Uses-alone.Uses) > 1e-6 || math.Abs(both.Tools[0].Uses+both.Tools[1].Uses-alone.Uses) > 1e-6 || math.Abs(both.Tools[0].Uses-both.Tools[1].Uses) > 6 {
		t.Errorf("uses: alone %v, both %v and %v", alone.Uses, both.Tools[0].Uses, both.Tools[1].Uses)
	}
	if alone.Tools[0].Replaced.Within.Value < both.Tools[0].Replaced.Within.Value+0.2 {
		t.Errorf("replaced within: alone %v, both %v", alone.Tools[0].Replaced.Within, both.Tools[0].Replaced.Within)
	}
	if want := 24 * 4 * 3.0; math.Abs(alone.Uses-want) > want*4.5*0.35/math.Sqrt(20_000) {
		t.Errorf("uses %v, want %v", alone.Uses, want)
	}
}

func TestWhatIsNoQuestionIsRefused(t *testing.T) {
	t.Parallel()
	good := func() fund.Case {
		return fund.Case{Months: 24, Paths: 50, Risk: 0.05, Pools: []fund.Pool{one("a", fund.Source{Jobs: 1}, fund.Tool{Left: fund.Fixed(5), Life: fund.Fixed(5)})}}
	}
	if _, err := fund.Foretell(t.Context(), good()); err != nil {
		t.Fatal(err)
	}
	for name, spoil := range map[string]func(c *fund.Case){
		"no months":          func(c *fund.Case) { c.Months = 0 },
		"too many months":    func(c *fund.Case) { c.Months = 61 },
		"futures":            func(c *fund.Case) { c.Paths = 51 },
		"too many futures":   func(c *fund.Case) { c.Paths = 100_050 },
		"risk":               func(c *fund.Case) { c.Risk = 1 },
		"risk that is none":  func(c *fund.Case) { c.Risk = math.NaN() },
		"balance":            func(c *fund.Case) { c.Balance = math.Inf(1) },
		"payment":            func(c *fund.Case) { c.Payments = []float64{math.NaN()} },
		"jobs":               func(c *fund.Case) { c.Pools[0].Sources[0].Jobs = -1 },
		"doubt":              func(c *fund.Case) { c.Pools[0].Sources[0].Doubt = math.NaN() },
		"a job":              func(c *fund.Case) { c.Pools[0].Sources[0].PerJob = 1e14 },
		"size":               func(c *fund.Case) { c.Pools[0].Sources[0].Sizes = []int{0} },
		"booked":             func(c *fund.Case) { c.Pools[0].Sources[0].Booked = []int{-1} },
		"no life":            func(c *fund.Case) { c.Pools[0].Tools[0].Life = nil },
		"cost":               func(c *fund.Case) { c.Pools[0].Tools[0].Replace = -1 },
		"sharpenings":        func(c *fund.Case) { c.Pools[0].Tools[0].SharpeningsLeft = -1 },
		"two of one key":     func(c *fund.Case) { c.Pools = append(c.Pools, c.Pools[0]) },
		"too much at a time": func(c *fund.Case) { c.Paths, c.Months = 100_000, 60; c.Pools = many(20) },
		"too many tools":     func(c *fund.Case) { c.Pools = many(501) },
	} {
		c := good()
		spoil(&c)
		if _, err := fund.Foretell(t.Context(), c); err == nil {
			t.Errorf("%s: it was answered", name)
		}
	}
	ended, end := context.WithCancel(t.Context())
	end()
	if _, err := fund.Foretell(ended, good()); err != context.Canceled { //nolint:errorlint // it is passed on as it is
		t.Errorf("after its end: %v", err)
	}
}

func many(n int) []fund.Pool {
	var out []fund.Pool
	for i := range n {
		out = append(out, one(string(rune(0x4000+i)), fund.Source{Jobs: 1}, fund.Tool{Left: fund.Fixed(5), Life: fund.Fixed(5)}))
	}
	return out
}

// A club without anything, and lives that take no use, are answered with numbers.
func TestNothingIsNeverNotANumber(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]fund.Case{
		"nothing":       {Risk: 0.05},
		"below nothing": {Balance: -5, Risk: 0.05},
		"no demand":     {Balance: 100, Risk: 0.05, Pools: []fund.Pool{one("a", fund.Source{}, fund.Tool{Left: fund.Fixed(0), Life: fund.Fixed(0), Replace: 30})}},
		"no life":       {Balance: 100, Risk: 0.05, Pools: []fund.Pool{one("a", fund.Source{Jobs: 1000, Doubt: 10, Sizes: []int{10_000}}, fund.Tool{Left: fund.Fixed(math.NaN()), Life: fund.Fixed(0), Replace: 30})}},
		"no source":     {Balance: 100, Risk: 0.05, Pools: []fund.Pool{{Tools: []fund.Tool{{Key: "a", Left: fund.Samples(nil), Life: fund.Samples(nil), Replace: 1}}}}},
	} {
		c.Paths = 100
		got := foretell(t, c)
		for _, m := range got.Months {
			for _, e := range append(m.Balance[:], m.Failed, m.First) {
				if math.IsNaN(e.Value) || math.IsNaN(e.SE) || math.IsInf(e.Value, 0) {
					t.Fatalf("%s: %+v", name, m)
				}
			}
		}
		for _, v := range []float64{got.Multiplier.Value, got.PerUse.Value, got.Spare.Value, got.Cost, got.Income, got.Multiplier.SE, got.PerUse.SE, got.Spare.SE} {
			if math.IsNaN(v) {
				t.Errorf("%s: %+v", name, got)
			}
		}
		if fails := got.Failed.Value; (name == "below nothing") != (fails == 1) || (name == "below nothing") != (got.Likeliest == 0) {
			t.Errorf("%s: fails with %v, likeliest %d", name, fails, got.Likeliest)
		}
	}
	due := foretell(t, fund.Case{Balance: 100, Risk: 0.05, Paths: 50, Pools: []fund.Pool{one("a", fund.Source{}, fund.Tool{Left: fund.Fixed(0), Life: fund.Fixed(9), Replace: 30})}})
	if due.Months[1].Balance[2].Value != 70 || due.Months[24].Balance[2].Value != 70 || due.Tools[0].Replaced.Quantiles[0] != 1 {
		t.Errorf("what is used up already: %+v", due.Months[1])
	}
}

// Standard errors are those of drawing: over many seeds the spread of the answers is
// what they say.
func TestStandardErrorsAreHonest(t *testing.T) {
	t.Parallel()
	c := fund.Case{Balance: 300, Risk: 0.05, Paths: 1000, Months: 12, Pools: []fund.Pool{one("a", fund.Source{Jobs: 3, Doubt: 0.4, PerUse: 10}, fund.Tool{Left: fund.Weibull(2, 20), Life: fund.Weibull(2, 20), Replace: 300})}}
	const runs = 200
	var said, sum, squares [3]float64
	for seed := range uint64(runs) {
		c.Seed = seed
		f := foretell(t, c)
		for i, e := range []fund.Estimate{f.Failed, f.Months[12].Balance[2], f.Multiplier} {
			said[i] += e.SE / runs
			sum[i] += e.Value / runs
			squares[i] += e.Value * e.Value / runs
		}
	}
	for i, name := range []string{"failing", "the median balance", "the multiplier"} {
		spread := math.Sqrt(squares[i] - sum[i]*sum[i])
		if ratio := said[i] / spread; ratio < 0.75 || ratio > 1.45 {
			t.Errorf("%s: the errors told are %.3g, the spread is %.3g", name, said[i], spread)
		}
	}
}

// club is a question of the size of a club.
func club() fund.Case {
	c := fund.Case{Balance: 20_000, Months: 24, Risk: 0.05, Paths: 5000}
	for i := range 20 {
		c.Pools = append(c.Pools, one(string(rune('a'+i)), fund.Source{Jobs: 1.5, Doubt: 0.3, Sizes: []int{2, 4, 4, 8}, PerUse: 40},
			fund.Tool{Left: fund.Weibull(3, 60), Life: fund.Weibull(3, 120), Replace: 6000, Sharpen: 900, Sharpenings: 2, SharpeningsLeft: 1}))
	}
	return c
}

// byHand is the same simulation use by use, without what is known of it: a product of
// uniforms for each Poisson number, and a charge found by halving with all futures played anew.
func byHand(c fund.Case) (failed, charge float64) {
	play := func(by float64) float64 {
		r := rand.New(rand.NewPCG(1, 2))
		fails := 0
		for range c.Paths {
			rates, left, sharp := make([]float64, len(c.Pools)), make([]float64, len(c.Pools)), make([]int, len(c.Pools))
			for i, p := range c.Pools {
				shape := int(math.Round(1 / (p.Sources[0].Doubt * p.Sources[0].Doubt)))
				for range shape {
					rates[i] += r.ExpFloat64() * p.Sources[0].Jobs / float64(shape)
				}
				left[i], sharp[i] = math.Ceil(p.Tools[0].Left(r.Float64())), p.Tools[0].SharpeningsLeft
			}
			balance, ok := c.Balance, true
			for m := 0; m < c.Months && ok; m++ {
				for i, p := range c.Pools {
					for product := r.Float64(); product > math.Exp(-rates[i]); product *= r.Float64() {
						for range p.Sources[0].Sizes[r.IntN(4)] {
							balance += by * p.Sources[0].PerUse
							if left[i]--; left[i] > 0 {
								continue
							}
							left[i] = math.Max(1, math.Ceil(p.Tools[0].Life(r.Float64())))
							if sharp[i] > 0 {
								sharp[i]--
								balance -= p.Tools[0].Sharpen
							} else {
								sharp[i] = p.Tools[0].Sharpenings
								balance -= p.Tools[0].Replace
							}
						}
					}
				}
				ok = balance >= 0
			}
			if !ok {
				fails++
			}
		}
		return float64(fails) / float64(c.Paths)
	}
	failed = play(1)
	low, high := 0.0, 8.0
	for high-low > 0.01 {
		if middle := (low + high) / 2; play(middle) <= c.Risk {
			high = middle
		} else {
			low = middle
		}
	}
	return failed, high
}

func TestAClubAgainstBruteForce(t *testing.T) {
	t.Parallel()
	c := club()
	c.Balance, c.Paths = 12_000, 2000
	got := foretell(t, c)
	failed, charge := byHand(c)
	se := math.Hypot(got.Failed.SE, math.Sqrt(failed*(1-failed)/2000))
	if math.Abs(got.Failed.Value-failed) > 4.5*se+1e-9 {
		t.Errorf("fails with %v, by hand %v", got.Failed, failed)
	}
	if math.Abs(got.Multiplier.Value-charge) > 0.01+4.5*1.5*got.Multiplier.SE {
		t.Errorf("multiplier %v, by hand %v", got.Multiplier, charge)
	}
}

// BenchmarkClub tells how many times longer brute force takes for the same number of
// futures, the charge to a hundredth.
func BenchmarkClub(b *testing.B) {
	c := club()
	for b.Loop() {
		if _, err := fund.Foretell(b.Context(), c); err != nil {
			b.Fatal(err)
		}
	}
	b.StopTimer()
	per := b.Elapsed().Seconds() / float64(b.N)
	c.Paths /= 10
	began := time.Now()
	byHand(c)
	b.ReportMetric(10*time.Since(began).Seconds()/per, "brute-force/op")
}
