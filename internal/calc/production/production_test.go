package production_test

import (
	"errors"
	"math/big"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"pinwright/internal/calc/money"
	"pinwright/internal/calc/production"
)

// charge charges units after one another and returns what each was charged.
func charge(t interface{ Fatal(...any) }, s *production.Span, units ...int64) []int64 {
	var out []int64
	for _, u := range units {
		c := s.Next(u)
		s.Done.Units, s.Done.Charged = s.Done.Units+u, s.Done.Charged+c
		out = append(out, c)
	}
	return out
}

// Published examples, in cents.
func TestUnitsOfProductionAsInTheTextbooks(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		basis production.Basis
		units []int64
		want  []int64
	}{
		// IRS Publication 946 (2020), glossary, unit-of-production method: 100 of 1,000 units are 10 %
		// of the cost less its salvage value.
		"a tenth of the units is a tenth of the value": {production.Basis{Cost: 100_000, Residual: 20_000, Life: 1000}, []int64{100}, []int64{8_000}},
		// Exercise on a machine of $60,000 with a salvage value of $5,000 and 220,000 units, in Wild, Shaw,
		// Financial and Managerial Accounting (the figures as quoted by others): the last year makes
		// 32,000 units, of which only 28,000 are charged, since no more than the value is.
		"a machine that makes more than was expected": {production.Basis{Cost: 6_000_000, Residual: 500_000, Life: 220_000},
			[]int64{36_000, 44_000, 52_000, 60_000, 32_000}, []int64{900_000, 1_100_000, 1_300_000, 1_500_000, 700_000}},
		// Crane of a mine, $500,000 with a salvage value of $50,000 and 30,000 hours: 4,000 hours are
		// $60,000. Kieso, Weygandt, Warfield, Intermediate Accounting, activity method (from memory).
		"a crane by its hours": {production.Basis{Cost: 50_000_000, Residual: 5_000_000, Life: 30_000}, []int64{4_000}, []int64{6_000_000}},
		// Delivery truck, $13,000 with a salvage value of $1,000 and 100,000 miles. Weygandt, Kimmel, Kieso,
		// Accounting Principles, units-of-activity (from memory).
		"a truck by its miles": {production.Basis{Cost: 1_300_000, Residual: 100_000, Life: 100_000},
			[]int64{15_000, 30_000, 20_000, 25_000, 10_000}, []int64{180_000, 360_000, 240_000, 300_000, 120_000}},
		// The house's own: 84.00 bought, two sharpenings of 12.00, worth 6.00 in the end, 240 holes: 0.425 a hole.
		"sharpenings are part of the life": {production.Basis{Cost: 8_400, Sharpenings: 2, SharpeningFee: 1_200, Residual: 600, Life: 240},
			[]int64{1, 1, 2, 236}, []int64{43, 42, 85, 10_030}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			span, err := c.basis.Estimate(production.Progress{})
			if err != nil {
				t.Fatal(err)
			}
			if got := charge(t, &span, c.units...); !slices.Equal(got, c.want) {
				t.Errorf("got %v, want %v", got, c.want)
			}
		})
	}
}

// A change of estimate is prospective (IAS 8, paragraphs 36 to 38): what remains over what
// remains. The numbers are those of the truck above: after 45,000 miles $5,400 were charged, and
// the truck is now expected to do 155,000 in all, so $6,600 over 110,000 miles, 6 cents a mile.
func TestANewEstimateSpreadsWhatRemains(t *testing.T) {
	t.Parallel()
	truck := production.Basis{Cost: 1_300_000, Residual: 100_000, Life: 100_000}
	span, err := truck.Estimate(production.Progress{})
	if err != nil {
		t.Fatal(err)
	}
	charge(t, &span, 15_000, 30_000)
	truck.Life = 155_000
	again, err := truck.Estimate(span.Done)
	if err != nil || again.Value != 660_000 || again.Life != 110_000 {
		t.Fatalf("what remains is %+v, %v", again, err)
	}
	if got := charge(t, &again, 10_000, 100_000, 1); !slices.Equal(got, []int64{60_000, 600_000, 0}) {
		t.Errorf("charged %v", got)
	}
	for name, c := range map[string]struct {
		life, cost  int64
		value, left int64
	}{"a life that is over by the new estimate": {40_000, 1_300_000, 660_000, 0}, "less than was charged": {155_000, 500_000, 0, 110_000}} {
		b := production.Basis{Cost: c.cost, Residual: 100_000, Life: c.life}
		s, err := b.Estimate(production.Progress{Units: 45_000, Charged: 540_000})
		if err != nil || s.Value != c.value || s.Left() != c.left || s.Next(1000) != 0 {
			t.Errorf("%s: %+v, %v, next %d", name, s, err, s.Next(1000))
		}
	}
}

// Hamilton's method on the census of 1790 with 120 seats, the bill that was vetoed: COMAP, For
// All Practical Purposes, 10th edition, chapter 14, example 6, table 14.5.
func TestSharesByLargestRemaindersAsHamiltonWrote(t *testing.T) {
	t.Parallel()
	states := []struct {
		name          string
		people, seats int64
	}{
		{"Connecticut", 236_841, 8}, {"Delaware", 55_540, 2}, {"Georgia", 70_835, 2}, {"Kentucky", 68_705, 2}, {"Maryland", 278_514, 9}, {"Massachusetts", 475_327, 16},
		{"New Hampshire", 141_822, 5}, {"New Jersey", 179_570, 6}, {"New York", 331_589, 11}, {"North Carolina", 353_523, 12}, {"Pennsylvania", 432_879, 14}, {"Rhode Island", 68_446, 2},
		{"South Carolina", 206_236, 7}, {"Vermont", 85_533, 3}, {"Virginia", 630_560, 21},
	}
	var people []int64
	total := int64(0)
	for _, s := range states {
		people, total = append(people, s.people), total+s.people
	}
	if total != 3_615_920 {
		t.Fatalf("the census adds up to %d", total)
	}
	shares, err := money.Amount{Minor: 120}.Share(people)
	if err != nil {
		t.Fatal(err)
	}
	// The same by way of uses: a span whose value is the seats and whose life is the people.
	uses, err := production.Span{Value: 120, Life: total}.Uses(people)
	if err != nil {
		t.Fatal(err)
	}
	for i, s := range states {
		if shares[i].Minor != s.seats || uses[i] != s.seats {
			t.Errorf("%s has %d and %d seats, want %d", s.name, shares[i].Minor, uses[i], s.seats)
		}
	}
}

// A use that is charged late, by the estimate of its day, bears that estimate's part, but
// never of what newer estimates have charged already.
func TestWhatIsChargedLateIsNotChargedTwice(t *testing.T) {
	t.Parallel()
	s := production.Span{Value: 1000, Life: 100, Done: production.Progress{Units: 50, Charged: 500}, Later: 480}
	for units, want := range map[int64]int64{1: 10, 2: 20, 3: 20, 50: 20} {
		if got := s.Next(units); got != want {
			t.Errorf("%d units are charged %d, want %d", units, got, want)
		}
	}
}

func TestWhatIsNoBasis(t *testing.T) {
	t.Parallel()
	for name, b := range map[string]production.Basis{
		"no life": {Cost: 100}, "a cost below nothing": {Cost: -1, Life: 5}, "a life below nothing": {Cost: 1, Life: -5}, "worth more in the end": {Cost: 100, Residual: 101, Life: 5},
		"endless": {Cost: production.Most + 1, Life: 5}, "sharpened for ever": {Cost: 1, Sharpenings: 1001, Life: 5},
	} {
		if v, err := b.Estimate(production.Progress{}); !errors.Is(err, production.ErrBasis) {
			t.Errorf("%s: %v, %v", name, v, err)
		}
	}
	if got, err := (production.Span{Value: 5, Life: 5}).Uses([]int64{1, -1}); !errors.Is(err, production.ErrBasis) {
		t.Errorf("a use below nothing: %v, %v", got, err)
	}
}

func drawBasis(t *rapid.T) production.Basis {
	b := production.Basis{Cost: rapid.Int64Range(0, 1_000_000).Draw(t, "cost"), Sharpenings: rapid.Int64Range(0, 6).Draw(t, "sharpenings"),
		SharpeningFee: rapid.Int64Range(0, 5_000).Draw(t, "fee"), Life: rapid.Int64Range(1, 5_000).Draw(t, "life")}
	b.Residual = rapid.Int64Range(0, b.Cost+b.Sharpenings*b.SharpeningFee).Draw(t, "residual")
	return b
}

// However a life is cut into loans and uses, however often it is estimated anew, and whatever
// is reversed on the way: no unit of money is made or lost, nothing that was charged changes,
// and the charges of a span are never a whole unit from their exact part.
func TestRoundingNeverMakesOrLosesACent(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		b := drawBasis(t)
		span, err := b.Estimate(production.Progress{})
		if err != nil {
			t.Fatal(err)
		}
		var before production.Progress // by earlier estimates
		type posted struct{ units, minor int64 }
		var all []posted
		for steps := 0; steps < 60 && span.Left() > 0; steps++ {
			switch rapid.IntRange(0, 9).Draw(t, "what") {
			case 0: // estimated anew, longer than what was used
				was := slices.Clone(all)
				before.Units, before.Charged = before.Units+span.Done.Units, before.Charged+span.Done.Charged
				b.Life = before.Units + rapid.Int64Range(1, 5_000).Draw(t, "life left")
				if span, err = b.Estimate(before); err != nil {
					t.Fatal(err)
				}
				if !slices.Equal(was, all) {
					t.Fatal("an estimate changed what was charged")
				}
			case 1: // the newest charge is reversed, if it is of this span
				if n := len(all); n > 0 && span.Done.Units >= all[n-1].units && span.Done.Charged >= all[n-1].minor {
					last := all[n-1]
					all = all[:n-1]
					span.Done.Units, span.Done.Charged = span.Done.Units-last.units, span.Done.Charged-last.minor
				}
			default:
				units := rapid.SliceOfN(rapid.Int64Range(0, 60), 1, 6).Draw(t, "uses")
				parts, err := span.Uses(units)
				if err != nil {
					t.Fatal(err)
				}
				sum, n := int64(0), int64(0)
				for i, part := range parts {
					if part < 0 || units[i] == 0 && part != 0 {
						t.Fatalf("uses %v are charged %v", units, parts)
					}
					sum, n = sum+part, n+units[i]
				}
				if sum != span.Next(n) {
					t.Fatalf("uses %v are charged %v, together %d", units, parts, span.Next(n))
				}
				span.Done.Units, span.Done.Charged = span.Done.Units+n, span.Done.Charged+sum
				all = append(all, posted{n, sum})
				exact := new(big.Rat).SetFrac(new(big.Int).Mul(big.NewInt(span.Value), big.NewInt(min(span.Done.Units, span.Life))), big.NewInt(span.Life))
				if off := exact.Sub(exact, new(big.Rat).SetInt64(span.Done.Charged)); off.Abs(off).Cmp(big.NewRat(1, 1)) >= 0 {
					t.Fatalf("after %+v it is %v off", span, off)
				}
			}
		}
		rest := span.Next(span.Left())
		sum := rest
		for _, p := range all {
			sum += p.minor
		}
		if value, err := b.Value(); err != nil || span.Left() > 0 && sum != value && before.Charged <= value {
			t.Fatalf("a life of %d was charged %d, %v", value, sum, err)
		}
	})
}
