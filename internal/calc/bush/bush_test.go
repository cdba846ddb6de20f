package bush_test

import (
	"encoding/json"
	"errors"
	"math"
	"os"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"pinwright/internal/calc/bush"
	"pinwright/internal/calc/pressfit"
)

func round(low, high float64) func(float64) (bush.Range, error) {
	return func(size float64) (bush.Range, error) { return bush.Range{Low: size + low, High: size + high}, nil }
}

func ask(t interface{ Fatal(...any) }) bush.Ask {
	bronze, err := pressfit.ByName("bronze")
	if err != nil {
		t.Fatal(err)
	}
	mild, err := pressfit.ByName("steel_mild")
	if err != nil {
		t.Fatal(err)
	}
	// 8 mm pin h7 (0 to -15 µm), hole H7 of 10 mm (0 to 15 µm): ISO 286-2; the bush made 18 to 25 µm over.
	return bush.Ask{Pin: bush.Range{Low: 7.985, High: 8}, Clearance: bush.Range{Low: 0.013, High: 0.05}, Kind: bush.Solid, Bush: bronze, Boss: mild, Outside: 20, Length: 15,
		Sizes: []float64{9, 10, 11, 12}, Hole: round(0, 0.015), Body: round(0.018, 0.025), Friction: pressfit.Oiled, Safety: 1.2, Loss: 0.002,
		BushWall: 0.9, Allowance: 0.1, BoreWidth: 0.05}
}

// The closing in of a bush is that of the differential equation (lame.json, case
// bronze_bush_in_iron, solved numerically): its bore's hoop stress over its modulus.
func TestClosingInIsThatOfTheDifferentialEquation(t *testing.T) {
	t.Parallel()
	text, err := os.ReadFile("../pressfit/testdata/lame.json")
	if err != nil {
		t.Fatal(err)
	}
	var file struct {
		Case struct {
			D, Do, Di float64
			Delta     float64 `json:"diametral_interference"`
			Hoop      float64 `json:"shaft_bore_hoop"`
		} `json:"bronze_bush_in_iron"`
	}
	if err := json.Unmarshal(text, &file); err != nil {
		t.Fatal(err)
	}
	c := file.Case
	a := ask(t)
	a.Bush, a.Boss = pressfit.Material{Elastic: 105_000, Poisson: 0.34}, pressfit.Material{Elastic: 110_000, Poisson: 0.26}
	a.Pin, a.Clearance = bush.Range{Low: c.Di - 0.05, High: c.Di - 0.05}, bush.Range{Low: 0.04, High: 0.06}
	a.Outside, a.Length, a.Sizes, a.Loss = c.Do, 30, []float64{c.D}, 0
	a.Hole, a.Body = round(0, 0), round(c.Delta, c.Delta)
	p, err := bush.Choose(a)
	if err != nil {
		t.Fatal(err)
	}
	if want := -c.Hoop / 105_000 * c.Di; math.Abs(p.ClosesIn.Low-want) > 1e-7*want || math.Abs(p.ClosesIn.High-want) > 1e-7*want {
		t.Errorf("closes in %+v, want %v", p.ClosesIn, want)
	}
}

func TestABushByHand(t *testing.T) {
	t.Parallel()
	p, err := bush.Choose(ask(t))
	if err != nil {
		t.Fatal(err)
	}
	if p.Size != 10 || len(p.Refused) != 1 || !strings.Contains(p.Refused[0].Why, "wall") {
		t.Errorf("%+v", p)
	}
	for name, pair := range map[string][2]float64{
		"interference least": {p.Interference.Low, 0.003}, "interference most": {p.Interference.High, 0.025},
		"finished least": {p.Finished.Low, 8.013}, "finished most": {p.Finished.High, 8.035},
		"bush wall": {p.BushWall, (10.018 - 8.035) / 2}, "boss wall": {p.BossWall, (20 - 10.015) / 2}, "boss needs": {p.BossWallNeed, 0.2 * 10.015},
		"play least": {p.PlayMin, 0.013}, "play most": {p.PlayMax, 0.05},
		"least to ream": {p.Out.Low, 0.1},
	} {
		if math.Abs(pair[0]-pair[1]) > 1e-9 {
			t.Errorf("%s is %v, want %v", name, pair[0], pair[1])
		}
	}
	steps := ask(t).Derivation(p)
	if last := steps[len(steps)-1].Result.Value; last != p.Before.High {
		t.Errorf("derived %v, planned %v", last, p.Before.High)
	}
}

// Any hole, bush and pin within their ranges: pressed in, the reamer always has at
// least the allowance and at most what is told, and the pin its clearance.
func TestEveryBushWithinItsRangesComesRight(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		a := ask(t)
		a.Kind = rapid.SampledFrom([]bush.Kind{bush.Solid, bush.Sintered, bush.Lined}).Draw(t, "kind")
		a.Clearance.High = a.Clearance.Low + rapid.Float64Range(0.016, 0.1).Draw(t, "wide")
		a.Allowance = rapid.Float64Range(0, 0.3).Draw(t, "allowance")
		if rapid.Bool().Draw(t, "turned to suit") {
			a.Suits = func(size float64) bush.Range { return bush.Range{Low: 0.001 * size, High: 0.002 * size} }
		}
		p, err := bush.Choose(a)
		if err != nil {
			t.Fatal(err)
		}
		within := func(name string, r bush.Range) float64 {
			return r.Low + (r.High-r.Low)*rapid.Float64Range(0, 1).Draw(t, name)
		}
		hole, body, before, pin := within("hole", p.Hole), within("body", p.Body), within("before", p.Before), within("pin", a.Pin)
		if a.Suits != nil {
			body = hole + within("interference", p.Interference)
		}
		// The law is that of the middle sizes; this bush is worked out by itself.
		law, err := pressfit.PerMicrometre(pressfit.Part{Inner: p.Finished.Middle(), Material: a.Bush}, pressfit.Part{Outer: a.Outside, Material: a.Boss}, hole, a.Length, a.Friction, 1)
		if err != nil {
			t.Fatal(err)
		}
		pressed := before + law.PerUM.PinBoreGrows*1000*(body-hole-a.Loss)
		const eps = 2e-4 // of the middle sizes instead of these: some tenths of a micrometre at most
		switch {
		case a.Kind == bush.Solid:
			if out := p.Finished.Low - pressed; out < a.Allowance-eps || out > p.Out.High+eps {
				t.Fatalf("the reamer finds %v to take, told %+v", out, p.Out)
			}
			finished := within("finished", p.Finished)
			if play := finished - pin; play < a.Clearance.Low-1e-12 || play > a.Clearance.High+1e-12 {
				t.Fatalf("the pin has %v of play", play)
			}
		case p.NeedsSizing:
			if p.Before.Low != p.Before.High {
				t.Fatalf("%+v", p)
			}
		default:
			if play := pressed - pin; play < a.Clearance.Low-eps || play > a.Clearance.High+eps {
				t.Fatalf("the pin has %v of play, wanted %+v (%+v)", play, a.Clearance, p)
			}
		}
	})
}

func TestWhatCannotBeBushed(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		change func(a *bush.Ask)
		want   error
	}{
		"a thin boss":               {func(a *bush.Ask) { a.Outside = 13 }, bush.ErrNoSize},
		"a hole that is too far":    {func(a *bush.Ask) { a.CleanUp = 13 }, bush.ErrNoSize},
		"pins of all sizes":         {func(a *bush.Ask) { a.Pin.Low = 7.9 }, bush.ErrClearance},
		"no interference":           {func(a *bush.Ask) { a.Body = round(0, 0.009) }, bush.ErrFit},
		"interference that yields":  {func(a *bush.Ask) { a.Body = round(0.07, 0.09) }, pressfit.ErrPlastic},
		"interference in yields":    {func(a *bush.Ask) { a.Body = round(0.07, 0.09) }, bush.ErrNoSize},
		"no pin":                    {func(a *bush.Ask) { a.Pin = bush.Range{} }, bush.ErrRange},
		"no number":                 {func(a *bush.Ask) { a.Length = math.NaN() }, bush.ErrRange},
		"clearance below nothing":   {func(a *bush.Ask) { a.Clearance.Low = -1 }, bush.ErrRange},
		"a bush of wood":            {func(a *bush.Ask) { a.Kind = "wooden" }, bush.ErrRange},
		"no sizes":                  {func(a *bush.Ask) { a.Sizes = nil }, bush.ErrRange},
		"a size of nothing":         {func(a *bush.Ask) { a.Sizes = []float64{0} }, bush.ErrRange},
		"a size that has no limits": {func(a *bush.Ask) { a.Hole = func(float64) (bush.Range, error) { return bush.Range{}, os.ErrNotExist } }, os.ErrNotExist},
	} {
		a := ask(t)
		c.change(&a)
		if _, err := bush.Choose(a); !errors.Is(err, c.want) {
			t.Errorf("%s: %v", name, err)
		}
	}
	// What a smaller bush cannot, a larger can.
	a := ask(t)
	a.CleanUp = 10.5
	if p, err := bush.Choose(a); err != nil || p.Size != 11 || len(p.Refused) != 2 {
		t.Errorf("%+v %v", p, err)
	}
	a = ask(t)
	a.Kind, a.Clearance.High = bush.Sintered, a.Clearance.Low+0.0151
	if p, err := bush.Choose(a); err != nil || !p.NeedsSizing || p.SizingPin != p.Finished.Middle()+bush.UsualSpringBack {
		t.Errorf("%+v %v", p, err)
	}
}

func FuzzChooseNeverPanics(f *testing.F) {
	f.Add(7.985, 8.0, 0.013, 0.05, 20.0, 15.0, 10.0, 0.02, 0.1)
	f.Fuzz(func(t *testing.T, low, high, least, most, outside, length, size, tight, allowance float64) {
		a := ask(t)
		a.Pin, a.Clearance, a.Outside, a.Length, a.Sizes, a.Allowance = bush.Range{Low: low, High: high}, bush.Range{Low: least, High: most}, outside, length, []float64{size}, allowance
		a.Body = round(tight, tight)
		p, err := bush.Choose(a)
		if err == nil && !(p.ClosesIn.Low > 0 && p.Finished.High > p.Finished.Low && p.Length > 0) {
			t.Fatalf("%+v", p)
		}
	})
}

func BenchmarkChoose(b *testing.B) {
	a := ask(b)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := bush.Choose(a); err != nil {
			b.Fatal(err)
		}
	}
}
