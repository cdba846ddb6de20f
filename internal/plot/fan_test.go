package plot_test

import (
	"bytes"
	"math"
	"strings"
	"testing"
	"time"

	"pinwright/internal/plot"
)

func fan() plot.Fan {
	f := plot.Fan{Title: "The fund for tools", Summary: "The fund stands at 210.00 EUR. The chance that it runs out within 24 months is 31 %; the likeliest month for that is March 2027 (6 %).", Unit: "EUR",
		Zero: time.Date(2026, 11, 30, 0, 0, 0, 0, time.UTC), Fall: 4, FallText: "likeliest month of running out: March 2027 (6 %)"}
	for m := range 25 {
		t := float64(m)
		f.Days = append(f.Days, t*30.4)
		for i, z := range []float64{-1.64, -0.67, 0, 0.67, 1.64} {
			f.Levels[i] = append(f.Levels[i], 210+2*t+z*22*math.Sqrt(t))
		}
		f.Fallen = append(f.Fallen, 31*(1-math.Exp(-t/9)))
	}
	return f
}

func TestFanTellsWhatItShows(t *testing.T) {
	t.Parallel()
	svg := string(fan().SVG(plot.Light))
	for _, want := range []string{"210 EUR on 2026-11-30", "to 258 EUR on 2028-11-28", "nine futures in ten from", "running out: March 2027 (6 %)", "Chance of having run out"} {
		if !strings.Contains(svg, want) {
			t.Errorf("%q is not told in %s", want, svg)
		}
	}
	none := fan()
	none.Fall = -1
	if got := string(none.SVG(plot.Light)); strings.Contains(got, "March 2027 (6 %)</text>") || bytes.Equal([]byte(got), []byte(svg)) {
		t.Error("without a month of running out it is drawn all the same")
	}
}

// Nothing that is not finite is drawn, and nothing at all still is a picture.
func TestFanOfWhatIsNotThere(t *testing.T) {
	t.Parallel()
	parsed(t, plot.Fan{Title: "Nothing", Fall: 7}.SVG(plot.Auto))
	f := fan()
	for i := range f.Levels {
		f.Levels[i][3], f.Levels[i][9] = math.NaN(), math.Inf(1)
	}
	f.Fallen[2], f.Days[5] = math.NaN(), math.Inf(-1)
	svg := f.SVG(plot.Dark)
	parsed(t, svg)
	for _, bad := range []string{"NaN", "Inf"} {
		if bytes.Contains(svg, []byte(bad)) {
			t.Errorf("it holds %s", bad)
		}
	}
}
