package cutting

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/google/uuid"
	"pgregory.net/rapid"

	"pinwright/internal/calc/reamerwear"
	"pinwright/internal/postgres"
	"pinwright/internal/tool"
)

const marked = 8_000_000

// history makes rows of one reamer; each event is a kind, µm over the marked size and the depth in metres.
type happened struct {
	kind      Kind
	over      float64
	u         float64
	depth     float64
	lubricant string
	guidance  string
}

func known(build tool.Build, events ...happened) *Known {
	id := uuid.UUID{15: 1}
	of := row{ToolID: id, Number: "R1", MarkedNm: marked, Build: build, State: "in_service"}
	rows := &postgres.Rows[row]{Items: []row{of}}
	for i, h := range events {
		one := of
		at := time.Date(2026, 1, 1+i, 0, 0, 0, 0, time.UTC)
		size, u, depth, holes := int64(marked+1000*h.over), int64(1000*h.u), int64(h.depth*1e9), int64(1)
		one.Kind, one.At, one.SizeNm, one.UNm, one.DepthNm, one.Holes = &h.kind, &at, &size, &u, &depth, &holes
		if h.lubricant != "" {
			one.Lubricant = &h.lubricant
		}
		if h.guidance != "" {
			one.Guidance = &h.guidance
		}
		rows.Items = append(rows.Items, one)
	}
	if len(events) > 0 {
		rows.Items = rows.Items[1:]
	}
	return &Known{rows}
}

func only(t testing.TB, k *Known, a Ask) Reamer {
	t.Helper()
	all := k.Reamers(a)
	if len(all) != 1 {
		t.Fatalf("%d reamers", len(all))
	}
	return all[0]
}

// What this package adds to the law is when each hole was cut: the same by hand.
func TestTheLawIsThatOfItsEvents(t *testing.T) {
	t.Parallel()
	r := only(t, known(tool.Build{}, happened{kind: Cut, over: 3, u: 1.5, depth: 0.02}, happened{kind: Used, depth: 1.98}, happened{kind: CheckCut, over: 1, u: 1, depth: 0.03},
		happened{kind: CutterReading, over: 0.5, u: 1.5}), Ask{})
	law, err := reamerwear.New(reamerwear.Prior{Size: 0, SizeU: 3, Rate: 0.5, RateU: 0.5, Scatter: []reamerwear.Scatter{{Sigma: 1, Weight: 1}, {Sigma: 2, Weight: 2}, {Sigma: 4, Weight: 1}}})
	if err != nil {
		t.Fatal(err)
	}
	for _, o := range []reamerwear.Observation{{Travel: 0, Size: 3, U: 1.5}, {Travel: 2, Size: 1, U: 1}, {Travel: 2.03, Size: 0.5, U: 2.5}} {
		if law, _, err = law.Observe(o); err != nil {
			t.Fatal(err)
		}
	}
	if got, want := r.Now().Next(), law.CutSize(2.03); math.Abs(got.Mean()-want.Mean()) > 1e-9 || math.Abs(got.Quantile(0.05)-want.Quantile(0.05)) > 1e-6 {
		t.Errorf("%g, by hand %g", got.Mean(), want.Mean())
	}
	if r.Now().Holes != 3 || r.Now().Seen() != 3 {
		t.Errorf("%+v", r.Now())
	}
}

// Sharpening begins where the last life ended, an adjustment and a new reamer at the marked size.
func TestARenewalBeginsALife(t *testing.T) {
	t.Parallel()
	worn := []happened{{kind: Cut, over: -4, u: 1, depth: 0.02}, {kind: Cut, over: -5, u: 1, depth: 0.02}, {kind: Cut, over: -4.5, u: 1, depth: 0.02}}
	last := only(t, known(tool.Build{}, worn...), Ask{}).Now().Next().Mean()
	for kind, want := range map[Kind]float64{Sharpened: last, Adjusted: 0, Replaced: 0} {
		r := only(t, known(tool.Build{}, append(worn[:3:3], happened{kind: kind})...), Ask{})
		l := r.Now()
		if len(r.Lives) != 2 || l.By != kind || l.Travel != 0 || l.Seen() != 0 || math.Abs(l.Next().Mean()-want) > 1e-9 {
			t.Errorf("%s: %d lives, cuts %g, want %g", kind, len(r.Lives), l.Next().Mean(), want)
		}
		if shared, _ := l.Next().Shares(); shared < OvercutU-1e-9 {
			t.Errorf("%s: known to %g µm, though nothing was seen since", kind, shared)
		}
	}
}

func TestAnotherGuidanceTellsLess(t *testing.T) {
	t.Parallel()
	k := known(tool.Build{}, happened{kind: Cut, over: -6, u: 1, depth: 0.02, guidance: "pilot"})
	same, other, usual := only(t, k, Ask{Guidance: "pilot"}), only(t, k, Ask{Guidance: "floating"}), only(t, k, Ask{})
	if a, b := same.Now().Next().Mean(), other.Now().Next().Mean(); !(a < b-0.1) || usual.Now().Next().Mean() != a {
		t.Errorf("by its own guidance %g, by another %g, as usual %g", a, b, usual.Now().Next().Mean())
	}
}

func told(s string) *string {
	if s == "" {
		return nil
	}
	return &s
}

// A harder metal of the reamer wears less before anything was seen, a harder cutting more.
func TestRatesGoByWhatItIsMadeOfAndHowItCuts(t *testing.T) {
	t.Parallel()
	carbide, carbon := "carbide", "carbon_steel"
	left := func(b tool.Build, lubricant string) float64 {
		return only(t, known(b, happened{kind: Used, depth: 3, lubricant: lubricant}), Ask{}).Remaining(0.02, -10).Uses(0.5)
	}
	if a, b, c := left(tool.Build{Material: &carbide}, "dry"), left(tool.Build{}, "dry"), left(tool.Build{Material: &carbon}, "dry"); !(a > b && b > c && c > 0) {
		t.Errorf("carbide %g, high-speed steel %g, carbon steel %g holes left", a, b, c)
	}
	if usual, hard := left(tool.Build{}, "cutting_oil"), left(tool.Build{}, "dry"); hard >= usual {
		t.Errorf("%g holes left, after cutting as far dry %g", usual, hard)
	}
	for _, c := range []struct {
		material, lubricant string
		want                float64
	}{{"", "", 1}, {"low_carbon_steel", "cutting_oil", 1}, {"", "dry", 2}, {"low_carbon_steel", "dry", 2}, {"brass", "dry", 0.4}, {"austenitic_stainless_steel", "paraffin", 3}, {"bronze", "other", 0.6}} {
		if got := hardship(told(c.material), told(c.lubricant)); math.Abs(got-c.want) > 1e-12 {
			t.Errorf("%s with %s counts %g, want %g", c.material, c.lubricant, got, c.want)
		}
	}
}

func TestRemainingUses(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		var events []happened
		for range rapid.IntRange(0, 6).Draw(t, "holes") {
			events = append(events, happened{kind: Cut, over: rapid.Float64Range(-12, 8).Draw(t, "over"), u: 1.5, depth: rapid.Float64Range(0.01, 3).Draw(t, "depth")})
		}
		r := known(tool.Build{}, events...).Reamers(Ask{})[0].Remaining(0.02, -10)
		before := 0.0
		for p := 0.005; p < 1; p += 0.01 {
			n := r.Uses(p)
			if n < before || n > MostUses {
				t.Fatalf("%g uses at %g after %g", n, p, before)
			}
			before = n
		}
		for i, p := range Levels {
			if math.Abs(r.Uses(p)-r.Quantiles[i]) > 1e-9 {
				t.Fatalf("%g uses at %g, not %g", r.Uses(p), p, r.Quantiles[i])
			}
		}
	})
}

// A reamer of soft stock that wears ten times as fast as usual, and dry twice as fast as that: the ratio is found all the
// same, and is not what the usual rate leaves over.
func TestRatioDoesNotHangOnTheUsualRate(t *testing.T) {
	t.Parallel()
	for seed := range uint64(8) {
		r := rand.New(rand.NewPCG(seed, 5))
		size := 6.0
		var events []happened
		for i := range 40 {
			lubricant, rate := "cutting_oil", 5.0
			if i/5%2 == 1 {
				lubricant, rate = "dry", 10
			}
			size -= 0.06 * rate
			events = append(events, happened{kind: CheckCut, over: size + 0.4*r.NormFloat64(), u: 1, depth: 0.06, lubricant: lubricant})
		}
		got, err := known(tool.Build{}, events...).WearByCutting()
		if err != nil {
			t.Fatal(err)
		}
		if len(got.Lubricants) != 1 || got.Lubricants[0].Low > 2 || got.Lubricants[0].High < 2 {
			t.Errorf("seed %d: %+v, though dry took twice as much", seed, got.Lubricants)
		}
	}
}
