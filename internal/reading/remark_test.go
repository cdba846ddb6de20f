package reading

import (
	"errors"
	"fmt"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"pinwright/internal/calc/length"
)

// entered is a reading of a feature as far as its size goes.
func entered(q length.Quantity, nominal length.Length) Reading {
	return Reading{Size: q.Length(), Entered: q.Value(), EnteredUnit: string(q.Unit()), Nominal: &nominal, Doubtful: doubt(q.Length(), &nominal)}
}

// TestASlipOfUnitIsDoubtedAndMended: an inch is 25.4 mm (ISO 31-1), so digits
// read in one unit and entered in another are off by a factor of 25.4 or more.
func TestASlipOfUnitIsDoubtedAndMended(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		nominal := length.Length(rapid.Int64Range(1_000_000, 60_000_000).Draw(t, "nominal"))
		wear := rapid.Float64Range(-0.2, 0.2).Draw(t, "wear")
		read := rapid.SampledFrom(length.Units()).Draw(t, "unit read")
		wrote := rapid.SampledFrom(length.Units()).Draw(t, "unit entered")
		size := length.Length(float64(nominal) * (1 + wear))
		q, err := length.New(size.Decimal(read), wrote)
		if errors.Is(err, length.ErrRange) {
			return // more than doubted: beyond ten metres it is refused
		}
		if err != nil {
			t.Fatal(err)
		}
		r := entered(q, nominal)
		switch {
		case read == wrote && r.Doubtful != nil:
			t.Fatalf("a sound size is doubted: %s", r.Question().Text)
		case read != wrote && r.Doubtful == nil:
			t.Fatalf("%s %s for a nominal of %s is not doubted", r.Entered, wrote, nominal.Text(wrote))
		case read != wrote:
			if want := size.Decimal(read) + " " + string(read); r.Question().Params["perhaps"] != want {
				t.Fatalf("asks %q, want was it %s", r.Question().Text, want)
			}
		}
	})
}

func TestProportionIsTold(t *testing.T) {
	t.Parallel()
	for _, row := range []struct {
		size, nominal length.Length
		want          string
	}{
		{12_000_000, 8_000_000, "50 % above"},
		{4_800_000, 8_000_000, "40 % below"},
		{203_200_000, 8_000_000, "25.4 times"},
		{318_000, 8_077_200, "1/25.4 of"},
		{16_000_000, 8_000_000, "2 times"},
	} {
		if diff := cmp.Diff(row.want, proportion(row.size, row.nominal)); diff != "" {
			t.Errorf("%v of %v: -want +got\n%s", row.size, row.nominal, diff)
		}
	}
}

func TestEveryAssumptionHasItsSentence(t *testing.T) {
	t.Parallel()
	codes := []string{AssumedFeature, AssumedPinGauge, AssumedBothEnds, AssumedWholeLength, AssumedAnyStation, AssumedAnyDirection, AssumedDeburred, AssumedStage, AssumedSurface, AssumedTemperature, AssumedTakenNow}
	seen := map[string]bool{}
	for i, r := range (Reading{FeatureCode: "bore", Assumed: codes}).Remarks() {
		if r.Code != codes[i] || r.Text == "" || seen[r.Text] {
			t.Errorf("%s says %q", codes[i], fmt.Sprint(r))
		}
		seen[r.Text] = true
	}
}
