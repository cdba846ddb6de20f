package plot_test

import (
	"bytes"
	"math"
	"os"
	"path/filepath"
	"testing"

	"pinwright/internal/plot"
)

func pairs() plot.Pairs {
	return plot.Pairs{Title: "What they earned, and what was spent", Summary: "2026-01-01 to 2026-12-31: 4 tools, 31 uses, 210.00 EUR charged for them, 84.00 EUR spent.", First: "earned", Second: "spent", Unit: "in EUR",
		Rows: []plot.Pair{{"R-1, the <long> reamer of the north garage", 210, 84, "210.00 EUR", "84.00 EUR"}, {"R-2", 0, 60, "0.00 EUR", "60.00 EUR"}, {"R-3", -12.5, 0, "-12.50 EUR", "0.00 EUR"}},
		More: "2 more are not shown; the report has them all."}
}

func TestPairsStayAsTheyWereLookedAt(t *testing.T) {
	t.Parallel()
	at, svg := filepath.Join("testdata", "pairs.svg"), pairs().SVG(plot.Auto)
	if *update {
		if err := os.WriteFile(at, svg, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if want, err := os.ReadFile(at); err != nil || !bytes.Equal(svg, want) {
		t.Errorf("%s is drawn differently (%v); run with -update and look at it", at, err)
	}
}

// A bar is as long as its amount, from nothing on, to the tenth that coordinates have.
func TestPairsAreReadOffAsTheyAre(t *testing.T) {
	t.Parallel()
	p := pairs()
	all := parsed(t, p.SVG(plot.Auto))
	var first, second []element
	for _, e := range all {
		if e.name == "rect" && e.attrs["height"] == "12" {
			switch e.attrs["class"] {
			case "bar-a":
				first = append(first, e)
			case "pale-b":
				second = append(second, e)
			}
		}
	}
	if len(first) != 3 || len(second) != 3 {
		t.Fatalf("%d and %d bars", len(first), len(second))
	}
	unit := first[0].number(t, "width") / 210
	for i, r := range p.Rows {
		for j, v := range []float64{r.First, r.Second} {
			e := [][]element{first, second}[j][i]
			if math.Abs(e.number(t, "width")-math.Abs(v)*unit) > 0.11 {
				t.Errorf("%s: %v is %v wide, a unit %v", r.Name, v, e.number(t, "width"), unit)
			}
		}
	}
	nought := first[0].number(t, "x")
	if end := first[2].number(t, "x") + first[2].number(t, "width"); math.Abs(end-nought) > 0.11 {
		t.Errorf("what is below nothing ends at %v, nothing is at %v", end, nought)
	}
	parsed(t, plot.Pairs{Title: "Nothing"}.SVG(plot.Dark))
	parsed(t, plot.Pairs{Title: "Odd", Rows: []plot.Pair{{"a", math.NaN(), math.Inf(1), "?", "?"}}}.SVG(plot.Light))
}
