package plot_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"pinwright/internal/plot"
)

func timeline() plot.Timeline {
	return plot.Timeline{Title: "IM-3, inside-mic", Summary: "With Odile Farrow (M1) since Mon 2 Mar 10:00, late since Fri 6 Mar 18:00. Next for Piers Halloway (M7), Thu 12 Mar 08:00 to Sat 14 Mar 20:00.",
		Zero: time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC), Days: 100, Now: 68.5, NeedsChecks: true,
		Loans: []plot.Span{{From: 10.4, Until: 17, Use: plot.Out, Text: "M4", Words: "with M4, 11 Jan to 18 Jan"}, {From: 30, Until: 34, Use: plot.Out, Words: "with M9, 31 Jan to 6 Feb, late since 4 Feb"},
			{From: 34, Until: 36.5, Use: plot.Late}, {From: 60.4, Until: 64.7, Use: plot.Out, Text: "M1", Words: "with M1 since 2 Mar, late since 6 Mar"}, {From: 64.7, Until: 68.5, Use: plot.Late}},
		Promises: []plot.Span{{From: 70.3, Until: 72.8, Use: plot.Promised, Endangered: true, Words: "for M7, 12 Mar to 14 Mar, may not be there"}, {From: 80, Until: 90, Use: plot.Promised, Text: "M4", Words: "for M4, 22 Mar to 1 Apr"}},
		Barred:   []plot.Span{{From: 40, Until: 50, Use: plot.Barred, Words: "quarantine, 10 Feb to 20 Feb"}},
		Checks:   []plot.Check{{At: 20.5, Words: "calibrated 21 Jan 2026"}, {At: 95.5, Due: true, Words: "due again 6 Apr 2026"}}}
}

func wallChart() plot.WallChart {
	w := plot.WallChart{Title: "Tools of Hollow Lane", Summary: "3 out, 1 late, 4 promised.", Zero: time.Date(2026, 3, 9, 0, 0, 0, 0, time.UTC), Days: 28, Now: 0.5, More: true}
	for d := range w.Days {
		w.Closed = append(w.Closed, d%7 == 6 || d == 19 || d == 18)
	}
	span := func(from, until float64, use plot.Use, who, words string) plot.Span {
		return plot.Span{From: from, Until: until, Use: use, Text: who, Words: words}
	}
	w.Rows = []plot.WallRow{
		{"IM-3", "Inside micrometer 5 to 30 mm", "late", []plot.Span{span(-7, -2.7, plot.Out, "M1", "with M1 since 2 Mar, late since 6 Mar"), span(-2.7, 0.5, plot.Late, "", ""), {From: 3.3, Until: 5.8, Use: plot.Promised, Endangered: true, Words: "for M7, may not be there"}}},
		{"P-1", "Puller", "", nil},
		{"P-2", "Puller with a name that is far longer than the width of a telephone lets it be", "", []plot.Span{span(-1, 0.5, plot.Out, "M4", "with M4 since 8 Mar, due 13 Mar"), span(0.5, 4.8, plot.Expected, "M4", ""), span(8.3, 12.8, plot.Promised, "M9", "for M9")}},
		{"R-9125", "Reamer 9.125 mm", "", []plot.Span{span(0.2, 0.5, plot.Out, "M4", "with M4 since 9 Mar, due 9 Mar"), span(0.5, 0.8, plot.Expected, "", ""), span(1.3, 1.5, plot.Promised, "M2", "for M2")}},
		{"X-2", "Press", "quarantine", []plot.Span{{From: 0.5, Until: 28, Use: plot.Barred, Words: "in quarantine until it is inspected"}, span(20, 40, plot.Promised, "M2", "for M2, 29 Mar on")}},
	}
	for _, n := range []string{"B-1", "B-2", "B-3", "B-4", "B-5"} {
		w.Rows = append(w.Rows, plot.WallRow{Number: n, Name: "Bore gauge"})
	}
	return w
}

// What is read off a wall chart by its Mondays is what was drawn.
func TestWallChartIsReadOffAsItIs(t *testing.T) {
	t.Parallel()
	w := wallChart()
	all := parsed(t, w.SVG(plot.Light))
	// The first and the last Monday with a name.
	var at []float64
	for _, e := range marks(all, "line", "axis") {
		if e.attrs["x1"] == e.attrs["x2"] {
			at = append(at, e.number(t, "x1"))
		}
	}
	if len(at) < 5 || math.Abs(at[1]-at[0]-(at[4]-at[0])/4) > 0.11 {
		t.Fatalf("weeks are not equally wide: %v", at)
	}
	day := func(x float64) float64 { return (x - at[0]) / (at[1] - at[0]) * 7 }
	near := func(what string, got, want float64) {
		t.Helper()
		if math.Abs(got-want) > 0.02 {
			t.Errorf("%s is read off as day %.2f, want %.2f", what, got, want)
		}
	}
	var out []element
	for _, e := range marks(all, "rect", "pale-a") {
		if e.number(t, "width") > 34.5 { // beside the legend's
			out = append(out, e)
		}
	}
	if len(out) != 1 {
		t.Fatalf("%d long expected loans, want 1", len(out))
	}
	near("its start", day(out[0].number(t, "x")), 0.5)
	near("its end", day(out[0].number(t, "x")+out[0].number(t, "width")), 4.8)
	var promised []element
	for _, e := range marks(all, "rect", "pale-b") {
		if e.number(t, "x") > 14.5 {
			promised = append(promised, e)
		}
	}
	if len(promised) != 4 {
		t.Fatalf("%d promises, want 4", len(promised))
	}
	near("the second promise", day(promised[1].number(t, "x")), 8.3)
	near("what goes on beyond the edge", day(promised[3].number(t, "x")+promised[3].number(t, "width")), 28)
	// One legend, and a line for now in each row.
	if now := len(marks(all, "line", "ink")) - len(w.Rows); now < 1 || now > 4 { // the legend's, and the edges of what is barred
		t.Errorf("%d lines for now beside the rows'", now)
	}
	closed := 0
	for _, e := range marks(all, "line", "step") {
		if e.number(t, "x2") > 48.5 || e.number(t, "x1") > 14.5 {
			closed++
		}
	}
	if closed != 4*len(w.Rows) { // four Sundays, one of them with the two days before it
		t.Errorf("%d closed stretches are drawn, want 4 in each of %d rows", closed, len(w.Rows))
	}
	for _, want := range []string{"Closed: 15 Mar, 22 Mar, 27 Mar to 29 Mar, 5 Apr.", "IM-3 Inside micrometer 5 to 30 mm: with M1 since 2 Mar, late since 6 Mar; for M7, may not be there.", "6 tools free all the time.", "There are more tools"} {
		if !strings.Contains(described(all), want) {
			t.Errorf("%q is not told in %q", want, described(all))
		}
	}
}

// Each use has elements that no other has, so that none is told by its colour
// alone (WCAG 2.2, 1.4.1).
func TestUsesDifferByShape(t *testing.T) {
	t.Parallel()
	seen := map[string]plot.Use{}
	for _, u := range []plot.Use{plot.Promised, plot.Out, plot.Expected, plot.Late, plot.Barred} {
		w := plot.WallChart{Title: "T", Zero: time.Date(2026, 3, 9, 0, 0, 0, 0, time.UTC), Days: 7, Now: math.NaN(), Rows: []plot.WallRow{{"A", "B", "", []plot.Span{{From: 1, Until: 6, Use: u, Words: "x"}}}}}
		shape := ""
		for _, e := range parsed(t, w.SVG(plot.Light)) {
			if e.name == "rect" || e.name == "path" || e.name == "line" {
				class := strings.NewReplacer("-bad", "", "-a", "", "-b", "").Replace(e.attrs["class"]) // without colours
				for _, colour := range []string{"a", "b", "bad"} {
					if class == colour || strings.HasPrefix(class, colour+" ") {
						class = "frame" + strings.TrimPrefix(class, colour)
						if colour == "b" {
							class = "dashed frame"
						}
					}
				}
				shape += e.name + " " + class + ";"
			}
		}
		if other, taken := seen[shape]; taken {
			t.Errorf("%s and %s differ by colour only: %s", u, other, shape)
		}
		seen[shape] = u
		if !strings.Contains(shape, "rect") {
			t.Errorf("%s is not drawn", u)
		}
	}
}

func TestTimelineIsReadOffAsItIs(t *testing.T) {
	t.Parallel()
	l := timeline()
	all := parsed(t, l.SVG(plot.Dark))
	// Ticks are dates here: the axis runs from the first day to the last.
	day := func(x float64) float64 { return (x - 14) / 332 * l.Days }
	var bars []float64
	for _, e := range marks(all, "rect", "bar-a") {
		if e.attrs["x"] != "14" {
			bars = append(bars, day(e.number(t, "x")), day(e.number(t, "x")+e.number(t, "width")))
		}
	}
	want := []float64{10.4, 17, 30, 34, 60.4, 64.7}
	if len(bars) != len(want) {
		t.Fatalf("ends of loans are at %v", bars)
	}
	for i := range want {
		if math.Abs(bars[i]-want[i]) > 0.05 {
			t.Errorf("an end of a loan is read off as %.2f, want %.2f", bars[i], want[i])
		}
	}
	for _, e := range marks(all, "line", "axis") {
		if e.attrs["x1"] == e.attrs["x2"] {
			if d := day(e.number(t, "x1")); math.Abs(d-math.Round(d)) > 0.05 {
				t.Errorf("a date stands at %.2f, no beginning of a day", d)
			}
		}
	}
	for _, want := range []string{"Shown are 1 Jan 2026 to 10 Apr 2026", "Loans: with M4, 11 Jan to 18 Jan; with M9", "Promised: for M7", "Not to be lent: quarantine", "Calibrations: calibrated 21 Jan 2026; due again 6 Apr 2026."} {
		if !strings.Contains(described(all), want) {
			t.Errorf("%q is not told in %q", want, described(all))
		}
	}
}

// Any spans at all stay within the frame and make a picture.
func FuzzSpans(f *testing.F) {
	f.Add(0.0, 10.0, 3.5, 28, true, "M1")
	f.Add(math.Inf(-1), math.Inf(1), math.NaN(), 0, false, "<&\x00")
	f.Add(1e300, -1e300, -4.0, 100000, false, strings.Repeat("m", 300))
	f.Add(27.99, 28.0, 27.999, 28, true, "")
	f.Fuzz(func(t *testing.T, from, until, now float64, days int, endangered bool, text string) {
		var spans []plot.Span
		for _, u := range []plot.Use{plot.Promised, plot.Out, plot.Expected, plot.Late, plot.Barred} {
			spans = append(spans, plot.Span{From: from, Until: until, Use: u, Endangered: endangered, Text: text, Words: text})
		}
		zero := time.Date(2026, 3, 9, 0, 0, 0, 0, time.UTC)
		parsed(t, plot.WallChart{Title: "T " + text, Zero: zero, Days: days, Now: now, Closed: []bool{endangered, true}, Rows: []plot.WallRow{{text, text, text, spans}, {}}}.SVG(plot.Auto))
		parsed(t, plot.Timeline{Title: "T " + text, Zero: zero, Days: float64(days), Now: now, Loans: spans, Promises: spans, Barred: spans, NeedsChecks: true,
			Checks: []plot.Check{{At: from, Words: text}, {At: until, Due: true}}}.SVG(plot.Auto))
	})
}
