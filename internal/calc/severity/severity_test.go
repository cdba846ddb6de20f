package severity_test

import (
	"errors"
	"math"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"

	"pinwright/internal/calc/reamerwear"
	"pinwright/internal/calc/severity"
)

var usual = reamerwear.Prior{Size: 0, SizeU: 3, Rate: 0.5, RateU: 0.5, Scatter: []reamerwear.Scatter{{Sigma: 1, Weight: 1}, {Sigma: 2, Weight: 2}, {Sigma: 4, Weight: 1}}}

// draw is a club of reamers, each cut with oil and dry in turns, where a dry metre counts so often; bronze among it counts
// as given too.
func draw(r *rand.Rand, reamers, holes int, dry, bronze float64) []severity.Life {
	var out []severity.Life
	for range reamers {
		c0, rate := 3*r.NormFloat64(), -1.0
		for rate < 0 {
			rate = 0.5 + 0.5*r.NormFloat64()
		}
		sigma := []float64{1, 2, 2, 4}[r.IntN(4)]
		life, cut, travel := severity.Life{Prior: usual}, map[severity.Way]float64{}, 0.0
		for range holes {
			before := map[severity.Way]float64{}
			for w, m := range cut {
				before[w] = m
			}
			life.Holes = append(life.Holes, severity.Hole{Cut: before, Size: c0 - rate*travel + math.Hypot(sigma, 1.5)*r.NormFloat64(), U: 1.5})
			w, counts := severity.Way{Lubricant: "oil", Material: "steel"}, 1.0
			if r.IntN(3) == 0 {
				w.Lubricant, counts = "dry", counts*dry
			}
			if r.IntN(4) == 0 {
				w.Material, counts = "bronze", counts*bronze
			}
			metres := 3 * r.Float64()
			cut[w] += metres
			travel += metres * counts
		}
		out = append(out, life)
	}
	return out
}

func learn(t *testing.T, lives []severity.Life) severity.Ratios {
	t.Helper()
	out, err := severity.Learn(lives, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// Clubs drawn from the prior: the intervals hold what was drawn about as often as they say.
func TestIntervalsHoldDrawnRatios(t *testing.T) {
	t.Parallel()
	clubs := 150
	if os.Getenv("PINWRIGHT_LONG") != "" {
		clubs = 1500
	}
	r := rand.New(rand.NewPCG(7, 11))
	held, asked := 0, 0
	for range clubs {
		dry, bronze := math.Exp(severity.Doubt*r.NormFloat64()), math.Exp(severity.Doubt*r.NormFloat64())
		out := learn(t, draw(r, 5, 14, dry, bronze))
		if out.LubricantReference != "oil" || out.MaterialReference != "steel" {
			continue // another way cut more, so the ratio is the other way round
		}
		for i, list := range [][]severity.Ratio{out.Lubricants, out.Materials} {
			if want := []float64{dry, bronze}[i]; list[0].Low <= want && want <= list[0].High {
				held++
			}
			asked++
		}
	}
	share := float64(held) / float64(asked)
	t.Logf("%.4f of %d intervals hold the ratio drawn", share, asked)
	if math.Abs(share-0.95) > 4*math.Sqrt(0.95*0.05/float64(asked)) || asked < clubs {
		t.Errorf("%.4f of %d intervals hold the ratio drawn", share, asked)
	}
}

// With one level the posterior is summed over a plain grid.
func TestTheRatioIsThatOfAPlainGrid(t *testing.T) {
	t.Parallel()
	lives := draw(rand.New(rand.NewPCG(3, 3)), 6, 30, 3, 1)
	for i := range lives {
		for j, h := range lives[i].Holes {
			merged := map[severity.Way]float64{}
			for w, m := range h.Cut {
				merged[severity.Way{Lubricant: w.Lubricant}] += m
			}
			lives[i].Holes[j].Cut = merged
		}
	}
	out := learn(t, lives)
	var total, mean, square float64
	weights, top := map[float64]float64{}, math.Inf(-1)
	for b := -2.5; b <= 3.5; b += 0.005 {
		log := -b * b / (2 * severity.Doubt * severity.Doubt)
		for _, l := range lives {
			s, err := reamerwear.New(l.Prior)
			if err != nil {
				t.Fatal(err)
			}
			for _, h := range l.Holes {
				if s, err = s.With(reamerwear.Observation{Travel: h.Cut[severity.Way{Lubricant: "oil"}] + math.Exp(b)*h.Cut[severity.Way{Lubricant: "dry"}], Size: h.Size, U: h.U}); err != nil {
					t.Fatal(err)
				}
			}
			log += s.Evidence()
		}
		weights[b], top = log, math.Max(top, log)
	}
	for b, log := range weights {
		w := math.Exp(log - top)
		total, mean, square = total+w, mean+w*b, square+w*b*b
	}
	mean /= total
	sd := math.Sqrt(square/total - mean*mean)
	got := out.Lubricants[0]
	gotSD := math.Log(got.High/got.Low) / 2 / 1.959963984540054
	if math.Abs(math.Log(got.Ratio)-mean) > 0.15*sd || math.Abs(gotSD-sd) > 0.1*sd {
		t.Errorf("ln ratio %.4f ± %.4f, by the grid %.4f ± %.4f", math.Log(got.Ratio), gotSD, mean, sd)
	}
	if !got.Told || got.Low > 3 || got.High < 3 {
		t.Errorf("%+v, though dry cutting took three times as much", got)
	}
}

// Nothing is told of what never was apart, and what nobody noted is no level.
func TestWhatIsNotTold(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(1, 2))
	few := learn(t, draw(r, 1, 3, 3, 1))
	for _, x := range append(few.Lubricants, few.Materials...) {
		if x.Told {
			t.Errorf("from three holes %+v is told", x)
		}
	}
	apart := learn(t, []severity.Life{
		{Prior: usual, Holes: []severity.Hole{{Size: 0, U: 1}, {Cut: map[severity.Way]float64{{Lubricant: "oil"}: 5}, Size: -2, U: 1}}},
		{Prior: usual, Holes: []severity.Hole{{Size: 0, U: 1}, {Cut: map[severity.Way]float64{{Lubricant: "dry"}: 4}, Size: -6, U: 1}}},
	})
	if apart.Lives != 0 || apart.Lubricants[0].Told {
		t.Errorf("%+v", apart)
	}
	if none := learn(t, []severity.Life{{Prior: usual, Holes: []severity.Hole{{Cut: map[severity.Way]float64{{}: 3}, Size: -1, U: 1}}}}); none.LubricantReference != "" || len(none.Lubricants) != 0 {
		t.Errorf("%+v", none)
	}
	many := map[severity.Way]float64{}
	for i := range severity.MostLevels + 2 {
		many[severity.Way{Lubricant: strconv.Itoa(i)}] = 1
	}
	if _, err := severity.Learn([]severity.Life{{Prior: usual, Holes: []severity.Hole{{Cut: many}}}}, 0.95); !errors.Is(err, severity.ErrLevels) {
		t.Errorf("%v", err)
	}
}
