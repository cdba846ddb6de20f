package fund_test

import (
	"context"
	"math"
	"testing"

	"pinwright/internal/calc/fund"
)

func foretell(t testing.TB, c fund.Case) fund.Forecast {
	t.Helper()
	if c.Months == 0 {
		c.Months = 24
	}
	if c.Paths == 0 {
		c.Paths = 20_000
	}
	out, err := fund.Foretell(context.Background(), c)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func never() fund.Life { return fund.Fixed(math.Inf(1)) }

// one is a pool of a source and a tool of the same key.
func one(key string, s fund.Source, tool fund.Tool) fund.Pool {
	s.Key, tool.Key = key, key
	return fund.Pool{Sources: []fund.Source{s}, Tools: []fund.Tool{tool}}
}

// near holds an estimate of a probability to within four and a half of its standard errors, which one
// in 150,000 exceeds, and five futures for what is so rare that it is not normal.
func near(t *testing.T, what string, got fund.Estimate, want float64) {
	t.Helper()
	if room := 4.5*got.SE + 5.0/20_000; math.Abs(got.Value-want) > room {
		t.Errorf("%s: %.6f, want %.6f within %.6f", what, got.Value, want, room)
	}
}

func poissonAtLeast(n int, mean float64) float64 {
	below := 0.0
	for k := range n {
		l, _ := math.Lgamma(float64(k + 1))
		below += math.Exp(float64(k)*math.Log(mean) - mean - l)
	}
	return 1 - below
}

// Everything known: three jobs of two uses a month, 15 uses left, then 20, sharpened once in between.
func TestWhatIsKnownIsToldToTheUnit(t *testing.T) {
	t.Parallel()
	booked := make([]int, 24)
	for i := range booked {
		booked[i] = 3
	}
	c := fund.Case{Balance: 1000, Risk: 0.05, Paths: 50, Payments: []float64{0, 0, 0, 250}, Pools: []fund.Pool{one("a", fund.Source{Booked: booked, Sizes: []int{2}, PerJob: 10, PerUse: 15},
		fund.Tool{Left: fund.Fixed(15), Life: fund.Fixed(20), Replace: 4000, Sharpen: 500, Sharpenings: 1, SharpeningsLeft: 1})}}
	got := foretell(t, c)
	// 6 uses a month: 15 are used up in month 3, 35 in 6, 55 in 10, 75 in 13, 95 in 16, 115 in 20, 135 in 23; the first,
	// third and so on is a sharpening.
	balance := 1000.0
	cost := map[int]float64{3: 500, 6: 4000, 10: 500, 13: 4000, 16: 500, 20: 4000, 23: 500}
	for m := 1; m <= 24; m++ {
		balance += 3*10 + 6*15 - cost[m]
		if m == 4 {
			balance += 250
		}
		for _, q := range got.Months[m].Balance {
			if q.Value != balance || q.SE != 0 {
				t.Fatalf("month %d: balance %v, want %v", m, q, balance)
			}
		}
	}
	if got.Likeliest != 6 || got.Months[5].Failed.Value != 0 || got.Months[6].First.Value != 1 || got.Failed.Value != 1 {
		t.Errorf("it fails in month %d: %v", got.Likeliest, got.Months[6])
	}
	w := got.Tools[0]
	if w.Uses != 144 || w.Sharpenings != 4 || w.Replacements != 3 || w.Cost != 14000 || w.Sharpened.Quantiles != [5]int{3, 3, 3, 3, 3} || w.Replaced.Quantiles != [5]int{6, 6, 6, 6, 6} || w.Replaced.ByMonth[6] != 1 {
		t.Errorf("the tool: %+v", w)
	}
	// What is needed is what the worst month needs: by month 20, after 1250, 13,500 were spent.
	want := (13_500.0 - 1250) / (20 * 120)
	if got.Multiplier.Value != want {
		t.Errorf("multiplier %v, want %v", got.Multiplier.Value, want)
	}
	if want := (13_500.0 - 1250 - 20*120) / (20 * 6); math.Abs(got.PerUse.Value-want) > 1e-9 {
		t.Errorf("per use %v, want %v", got.PerUse.Value, want)
	}
	if want := -(14_000.0 - 1250 - 23*120); got.Spare.Value != want {
		t.Errorf("spare %v, want %v", got.Spare.Value, want)
	}
}

// A life of just n uses is over by month m when a Poisson number with m times the rate is n
// or more; with a gamma rate that number is negative binomial.
func TestOneReplacementIsTheTailOfThePoissonLaw(t *testing.T) {
	t.Parallel()
	tool := fund.Tool{Left: fund.Fixed(30), Life: never(), Replace: 100}
	got := foretell(t, fund.Case{Balance: 50, Risk: 0.05, Seed: 1, Pools: []fund.Pool{one("a", fund.Source{Jobs: 1.7}, tool)}})
	for m := 1; m <= 24; m++ {
		near(t, "Poisson", got.Months[m].Failed, poissonAtLeast(30, 1.7*float64(m)))
	}
	near(t, "Poisson, the tool", got.Tools[0].Replaced.Within, poissonAtLeast(30, 1.7*24))
	shape := 4.0
	got = foretell(t, fund.Case{Balance: 50, Risk: 0.05, Seed: 2, Pools: []fund.Pool{one("a", fund.Source{Jobs: 1.7, Doubt: 1 / math.Sqrt(shape)}, tool)}})
	for m := 1; m <= 24; m++ {
		p := shape / (shape + 1.7*float64(m)) // number of failures before the shape-th success of odds p
		below := 0.0
		for k := range 30 {
			a, _ := math.Lgamma(float64(k) + shape)
			b, _ := math.Lgamma(shape)
			c, _ := math.Lgamma(float64(k) + 1)
			below += math.Exp(a - b - c + shape*math.Log(p) + float64(k)*math.Log1p(-p))
		}
		near(t, "negative binomial", got.Months[m].Failed, 1-below)
	}
}

// Cumulative Poisson probabilities as printed in tables of statistics to four places (such as table 2 of D. V. Lindley, W. F. Scott, New
// Cambridge Statistical Tables; written down from memory): P(X <= 3; 5) = 0.2650, P(X <= 5; 10) = 0.0671,
// P(X <= 2; 2) = 0.6767, P(X <= 10; 10) = 0.5830, P(X <= 20; 15) = 0.9170.
func TestReplacementsFollowPrintedPoissonTables(t *testing.T) {
	t.Parallel()
	for _, row := range []struct {
		most int
		mean float64
		want float64
	}{{3, 5, 0.2650}, {5, 10, 0.0671}, {2, 2, 0.6767}, {10, 10, 0.5830}, {20, 15, 0.9170}} {
		got := foretell(t, fund.Case{Months: 1, Risk: 0.05, Paths: 100_000, Seed: 3,
			Pools: []fund.Pool{one("a", fund.Source{Jobs: row.mean}, fund.Tool{Left: fund.Fixed(float64(row.most + 1)), Life: never(), Replace: 1})}})
		lasts := fund.Estimate{Value: 1 - got.Failed.Value, SE: got.Failed.SE}
		lasts.SE += 0.00005 / 4.5 // as printed
		near(t, "the table", lasts, row.want)
	}
}

// Who has nothing, gets 1 a month from the second on, and pays 1 for each of a Poisson number of events has
// enough until month t with the probability E max(0, 1 - S/t), S the number of events until then
// (L. Takács, A generalization of the ballot problem, J. Amer. Statist. Assoc. 57 (1962) 327; from
// memory). A life without memory makes the events of one tool such a number.
func TestRuinFollowsTheBallotTheorem(t *testing.T) {
	t.Parallel()
	for _, rate := range []float64{0.3, 0.8, 1.1} {
		q := 0.05
		life := fund.Geometric(q)
		payments := make([]float64, 24)
		for m := 1; m < 24; m++ {
			payments[m] = 1
		}
		got := foretell(t, fund.Case{Payments: payments, Risk: 0.05, Seed: 4, Pools: []fund.Pool{one("a", fund.Source{Jobs: rate / q}, fund.Tool{Left: life, Life: life, Replace: 1})}})
		for _, month := range []int{1, 2, 5, 12, 24} {
			n, lasts := float64(month), 0.0
			for k := range month {
				l, _ := math.Lgamma(float64(k + 1))
				lasts += (1 - float64(k)/n) * math.Exp(float64(k)*math.Log(rate*n)-rate*n-l)
			}
			near(t, "the ballot theorem", got.Months[month].Failed, 1-lasts)
		}
	}
}

// The posterior of a gamma prior of shape 1/2 worth one month.
func TestLearnedRate(t *testing.T) {
	t.Parallel()
	if mean, doubt := fund.Learned(7, 23); mean != 7.5/24 || math.Abs(doubt-1/math.Sqrt(7.5)) > 1e-15 {
		t.Errorf("7 in 23 months: %v with a doubt of %v", mean, doubt)
	}
	if mean, doubt := fund.Learned(0, 0); mean != 0.5 || math.Abs(doubt-math.Sqrt2) > 1e-15 {
		t.Errorf("nothing in no time: %v with a doubt of %v", mean, doubt)
	}
}

// What is left of a life ends at the same use as the life that is known to have come so far:
// S(used + left) = (1 - p) S(used).
func TestWhatIsLeftOfALife(t *testing.T) {
	t.Parallel()
	survives := func(x float64) float64 { return math.Exp(-math.Pow(x/80, 2.5)) }
	for _, used := range []float64{0, 1, 50, 300} {
		left := fund.WeibullAfter(2.5, 80, used)
		for _, p := range []float64{0.01, 0.3, 0.5, 0.99} {
			if got, want := survives(used+left(p)), (1-p)*survives(used); math.Abs(got/want-1) > 1e-9 {
				t.Errorf("after %g, %g: survival %g, want %g", used, p, got, want)
			}
		}
	}
}
