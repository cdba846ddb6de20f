package money_test

import (
	"errors"
	"math"
	"math/big"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"pinwright/internal/calc/money"
)

// The minor units are those of ISO 4217: EUR 2, JPY 0, KWD 3.
func TestText(t *testing.T) {
	t.Parallel()
	rows := map[string]struct {
		amount money.Amount
		want   string
	}{
		"euros have two decimals":                {money.Amount{Minor: 1250, Currency: "EUR"}, "12.50 EUR"},
		"yen have none":                          {money.Amount{Minor: 1250, Currency: "JPY"}, "1250 JPY"},
		"Kuwaiti dinars have three":              {money.Amount{Minor: 1250, Currency: "KWD"}, "1.250 KWD"},
		"less than one euro":                     {money.Amount{Minor: 5, Currency: "EUR"}, "0.05 EUR"},
		"nothing":                                {money.Amount{Currency: "EUR"}, "0.00 EUR"},
		"a debt":                                 {money.Amount{Minor: -5, Currency: "KWD"}, "-0.005 KWD"},
		"the smallest number there is":           {money.Amount{Minor: math.MinInt64, Currency: "EUR"}, "-92233720368547758.08 EUR"},
		"an unknown currency keeps minor units":  {money.Amount{Minor: 1250, Currency: "ZZZ"}, "1250 ZZZ"},
		"francs of three African currency areas": {money.Amount{Minor: 7, Currency: "XOF"}, "7 XOF"},
	}
	for name, row := range rows {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			if diff := cmp.Diff(row.want, row.amount.Text()); diff != "" {
				t.Errorf("-want +got\n%s", diff)
			}
		})
	}
}

func TestParseCurrency(t *testing.T) {
	t.Parallel()
	for _, code := range []string{"AED", "EUR", "JPY", "KWD", "USD", "GBP", "CHF", "ZWG"} {
		if c, err := money.ParseCurrency(code); err != nil || string(c) != code {
			t.Errorf("%s: %v, %v", code, c, err)
		}
	}
	for name, code := range map[string]string{
		"small letters": "eur", "a symbol": "€", "nothing": "", "a metal": "XAU", "the test code": "XTS", "no currency": "XXX",
		"a withdrawn one": "DEM", "a name": strings.Repeat("Euro", 1000),
	} {
		if c, err := money.ParseCurrency(code); !errors.Is(err, money.ErrCurrency) || len(err.Error()) > 200 {
			t.Errorf("%s: %v, %v", name, c, err)
		}
	}
}

func TestSumsStayInOneCurrencyAndInRange(t *testing.T) {
	t.Parallel()
	five, err := money.Amount{Minor: 2, Currency: "EUR"}.Add(money.Amount{Minor: 3, Currency: "EUR"})
	if err != nil || five != (money.Amount{Minor: 5, Currency: "EUR"}) {
		t.Errorf("2 and 3 are %v, %v", five, err)
	}
	if sum, err := (money.Amount{Minor: 2, Currency: "EUR"}).Add(money.Amount{Minor: 3, Currency: "USD"}); !errors.Is(err, money.ErrCurrency) {
		t.Errorf("two currencies gave %v, %v", sum, err)
	}
	for _, pair := range [][2]int64{{math.MaxInt64, 1}, {math.MinInt64, -1}, {math.MinInt64, math.MinInt64}} {
		if sum, err := (money.Amount{Minor: pair[0]}).Add(money.Amount{Minor: pair[1]}); !errors.Is(err, money.ErrTooLarge) {
			t.Errorf("%v gave %v, %v", pair, sum, err)
		}
	}
	if n, err := (money.Amount{Minor: math.MinInt64}).Negated(); !errors.Is(err, money.ErrTooLarge) {
		t.Errorf("got %v, %v", n, err)
	}
	if same, err := (money.Amount{Minor: -7}).Add(money.Amount{}); err != nil || same.Minor != -7 {
		t.Errorf("adding nothing gave %v, %v", same, err)
	}
}

func minors(shares []money.Amount) []int64 {
	var out []int64
	for _, s := range shares {
		out = append(out, s.Minor)
	}
	return out
}

func TestShare(t *testing.T) {
	t.Parallel()
	rows := map[string]struct {
		minor   int64
		weights []int64
		want    []int64
	}{
		// Ten seats by largest remainders with the Hare quota, the example found in
		// texts on apportionment (from memory).
		"ten seats by six parties":               {10, []int64{47000, 16000, 15900, 12000, 6000, 3100}, []int64{5, 2, 1, 1, 1, 0}},
		"a cent over goes to the first of equal": {100, []int64{1, 1, 1}, []int64{34, 33, 33}},
		"a debt is shared alike":                 {-100, []int64{1, 1, 1}, []int64{-34, -33, -33}},
		"a weight of nothing gets nothing":       {100, []int64{0, 1, 0}, []int64{0, 100, 0}},
		"nothing to share":                       {0, []int64{1, 2}, []int64{0, 0}},
		"the largest numbers":                    {math.MaxInt64, []int64{math.MaxInt64, math.MaxInt64}, []int64{4611686018427387904, 4611686018427387903}},
		"the smallest number to one":             {math.MinInt64, []int64{5}, []int64{math.MinInt64}},
	}
	for name, row := range rows {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			got, err := money.Amount{Minor: row.minor, Currency: "EUR"}.Share(row.weights)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(row.want, minors(got)); diff != "" {
				t.Errorf("-want +got\n%s", diff)
			}
		})
	}
	for name, row := range map[string]struct {
		weights []int64
		want    error
	}{
		"nobody":            {nil, money.ErrWeights},
		"all nothing":       {[]int64{0, 0}, money.ErrWeights},
		"a negative weight": {[]int64{2, -1}, money.ErrWeights},
		"endless weights":   {[]int64{math.MaxInt64, math.MaxInt64, math.MaxInt64}, money.ErrTooLarge},
	} {
		if got, err := (money.Amount{Minor: 1}).Share(row.weights); !errors.Is(err, row.want) {
			t.Errorf("%s: %v, %v", name, got, err)
		}
	}
}

func TestSharesAddUpAndStayWithinOneUnit(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		total := money.Amount{Minor: rapid.Int64().Draw(t, "minor"), Currency: "EUR"}
		weights := rapid.SliceOfN(rapid.Int64Range(0, math.MaxInt64/16), 1, 12).Draw(t, "weights")
		weights[0]++
		before := slices.Clone(weights)
		shares, err := total.Share(weights)
		if err != nil {
			t.Fatal(err)
		}
		if !slices.Equal(before, weights) {
			t.Errorf("the weights were changed: %v", weights)
		}
		whole, sum := new(big.Int), new(big.Int)
		for _, w := range weights {
			whole.Add(whole, big.NewInt(w))
		}
		for i, share := range shares {
			sum.Add(sum, big.NewInt(share.Minor))
			exact := new(big.Rat).SetFrac(new(big.Int).Mul(big.NewInt(total.Minor), big.NewInt(weights[i])), whole)
			off := exact.Sub(exact, new(big.Rat).SetInt64(share.Minor))
			if off.Abs(off).Cmp(big.NewRat(1, 1)) >= 0 || share.Currency != "EUR" {
				t.Errorf("share %d of %v by %v is %v", i, total, weights, share)
			}
		}
		if sum.Cmp(big.NewInt(total.Minor)) != 0 {
			t.Errorf("%v shared by %v adds up to %v", total, weights, sum)
		}
	})
}
