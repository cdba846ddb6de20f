package plot_test

import (
	"bytes"
	"flag"
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"

	"pinwright/internal/plot"
)

var update = flag.Bool("update", false, "write the pictures of testdata anew")

func normal(mean, sd float64) func(float64) float64 {
	return func(x float64) float64 { return 0.5 * math.Erfc((mean-x)/(sd*math.Sqrt2)) }
}

func bore() plot.Feature {
	return plot.Feature{Title: "Main bore, front left lower, hill-climber", Unit: "mm", Summary: "The largest cylinder that passes is 9.121 mm.",
		Sizes: []plot.Size{{Name: "Passing size", Note: "largest pin that passes", Text: "9.121 ± 0.006 mm", Median: 9.121, Low: 9.115, High: 9.127, CDF: normal(9.121, .003)},
			{Name: "Clean-up size", Note: "what a reamer must reach", Text: "9.150 (9.130 to 9.180) mm", Median: 9.15, Low: 9.13, High: 9.18, CDF: normal(9.15, .012)}},
		Readings: []plot.Reading{{plot.AtLeast, "go 9.110 mm, end a", 9.110, 0}, {plot.AtMost, "no go 9.130 mm, end a", 9.13, 0}, {plot.Starts, "starts 9.125 mm, end b", 9.125, 0},
			{plot.Measured, "9.128 ± 0.010 mm, middle, inside micrometer", 9.128, .01}},
		Steps: []plot.Step{{"standard", 9.0, math.NaN()}, {"oversize 1", 9.1, 9.11}, {"oversize 2", 9.16, 9.17}, {"oversize 3", 9.4, 9.41}}}
}

// specimens are pictures that somebody has looked at, light and dark.
func specimens() map[string][]byte {
	return map[string][]byte{"bore": bore().SVG(plot.Auto), "set": set().SVG(plot.Auto), "wear": wear().SVG(plot.Auto), "control": control().SVG(plot.Auto),
		"timeline": timeline().SVG(plot.Auto), "wall-chart": wallChart().SVG(plot.Auto), "schedule": schedule().SVG(plot.Auto), "fan": fan().SVG(plot.Auto)}
}

// TestPicturesStayAsTheyWereLookedAt compares bytes; after -update look at the
// difference in a browser, light and dark, 360 wide.
func TestPicturesStayAsTheyWereLookedAt(t *testing.T) {
	t.Parallel()
	for name, svg := range specimens() {
		at := filepath.Join("testdata", name+".svg")
		if *update {
			if err := os.WriteFile(at, svg, 0o600); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(at)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(svg, want) {
			t.Errorf("%s is drawn differently; run with -update and look at it", at)
		}
		parsed(t, svg)
	}
}

func set() plot.Choice {
	nan := math.NaN()
	return plot.Choice{Title: "What to do with 4 joints", Verdict: plot.Provisional, Odds: 0.872, Asked: 0.95,
		Options: []string{"leave", "new standard pin", "ream to oversize 1", "ream to oversize 2", "cut oversize 1 and look", "bush back to standard"},
		Joints: []plot.ChoiceJoint{
			{"front-left-lower", plot.Decided, 2, 3, []float64{nan, 0, 0.993, 0.994, 0.99, 0.9}, "Ream for the oversize 1 pin (reamer 9.125 mm, pin 9.100 mm), clearance about 0.028 mm: 99 %.", "Not oversize 2: takes more metal."},
			{"front-left-upper", plot.Provisional, 3, 5, []float64{nan, 0, 0.001, 0.88, nan, 0.9}, "Ream for the oversize 2 pin (reamer 9.250 mm, pin 9.225 mm), clearance about 0.028 mm: 88 %.", "Not bush back to standard: it costs more."},
			{"front-right-lower", plot.Decided, 2, -1, []float64{nan, 0, 1, 0.994, 0.99, 0.9}, "Ream for the oversize 1 pin (reamer 9.125 mm, pin 9.100 mm): 99 %.", ""},
			{"front-right-upper", plot.NothingOpen, -1, -1, []float64{nan, nan, nan, nan, nan, nan}, "Nothing is open.", ""},
		}, Next: "Try a gauge of 9.200 mm in front-left-upper: it changes the choice with 10 % and settles it with 10 %.",
		First: "This joint steers, brakes, carries the suspension or a seat: this answer is advice, not approval.", Care: "Take care: acid, door weight, heat. The answer says how.", Notes: []string{"32.40 EUR and 9 days."}}
}

func wear() plot.History {
	h := plot.History{Title: "Clearance of front-left-upper", Summary: "It wears by 10.5 um a year and reaches 80 um about 2027-12-10 (2027-05-02 to 2028-08-20).", Unit: "um", Dated: true,
		Zero: time.Date(2022, 5, 1, 0, 0, 0, 0, time.UTC), Limit: 80, LimitText: "80 um", Crossing: 2049, Between: []plot.Stretch{{1830, 2300}},
		CrossingText: "limit reached 2027-12-10 (2027-05-05 to 2028-08-17)", Coverage: 0.95, Starts: []plot.Start{{550, "lubrication, 2023-11-02"}},
		Points: []plot.Spot{{0, 20, 4, 0}, {365, 31, 4, 0}, {731, 40, 4, 1}, {1096, 52, 4, 1}}}
	var lines [2]plot.Line
	for i := 0; i <= 40; i++ {
		x := float64(i) * 2300 / 40
		k := 0
		if x >= 550 {
			k = 1
		}
		half := 3 + math.Abs(x-548)/200
		lines[k].X, lines[k].Mean = append(lines[k].X, x), append(lines[k].Mean, 20+x*60/2049)
		lines[k].Low, lines[k].High = append(lines[k].Low, 20+x*60/2049-half), append(lines[k].High, 20+x*60/2049+half)
	}
	h.Lines = lines[:]
	return h
}

// control is the worked example of flow rates of the NIST/SEMATECH e-Handbook of
// Statistical Methods, 6.3.2.2, with a value put in that lies outside.
func control() plot.ControlChart {
	nan := math.NaN()
	cc := plot.ControlChart{Title: "Reamer 9.125, cut sizes", Summary: "Something changed at value 9.", Unit: "um", Values: []float64{49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 63.6, 52.1, 44, 45, 44.5},
		Ranges: []float64{nan, 2, 2.3, 1.4, 3.5, 3.4, 1.4, 0.2, 11.2, 11.5, nan, 1, 0.5}, Segments: []plot.Limits{{0, 9, 50.81, 1.66, 1.88, 6.13}, {10, 12, 44.5, 0.66, 0.75, 2.4}},
		Signals: []plot.Signal{{6, "5", "Two of three values in a row lie beyond two sigma on the same side: the level has probably shifted.", false},
			{8, "1", "One value lies beyond three sigma: something happened to this one, or a slip of the pen.", false}, {8, "R", "The step from the value before is wider than its limit.", true}, {9, "R", "The step from the value before is wider than its limit.", true}}}
	return cc
}
