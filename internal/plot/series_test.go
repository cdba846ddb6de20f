package plot_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"pinwright/internal/plot"
)

// upwards reads the scale on the left of the n-th panel back: which value stands
// at a height.
func upwards(t *testing.T, all []element, n int) func(y float64) float64 {
	t.Helper()
	var at, value []float64
	for i, e := range all {
		if e.name == "line" && e.attrs["class"] == "grid" && i+1 < len(all) && all[i+1].name == "text" && all[i+1].attrs["text-anchor"] == "end" {
			y := e.number(t, "y1")
			if len(at) > 0 && y > at[len(at)-1] { // the next panel begins below
				if n--; n < 0 {
					break
				}
				at, value = nil, nil
			}
			at, value = append(at, y), append(value, all[i+1].value(t))
		}
	}
	if len(at) < 2 {
		t.Fatalf("found %d ticks", len(at))
	}
	last := len(at) - 1
	return func(y float64) float64 { return value[0] + (y-at[0])/(at[last]-at[0])*(value[last]-value[0]) }
}

func (e element) value(t *testing.T) float64 {
	t.Helper()
	e.attrs = map[string]string{"text": e.text}
	return e.number(t, "text")
}

func TestHistoryIsReadOffAsItIs(t *testing.T) {
	t.Parallel()
	h := wear()
	h.Dated, h.UnitX = false, "d"
	all := parsed(t, h.SVG(plot.Auto))
	x, y := across(t, all), upwards(t, all, 0)
	pixelX, pixelY := math.Abs(x(1)-x(0)), math.Abs(y(1)-y(0))
	dots := marks(all, "circle", "mark-ink")
	squares := marks(all, "rect", "mark-ink")
	if len(dots) != 3 || len(squares) != 2 { // two of a segment each, and one in the legend
		t.Fatalf("%d discs and %d squares", len(dots), len(squares))
	}
	for i, want := range h.Points[:2] {
		if gotX, gotY := x(dots[i].number(t, "cx")), y(dots[i].number(t, "cy")); math.Abs(gotX-want.X) > 0.1*pixelX || math.Abs(gotY-want.Y) > 0.1*pixelY {
			t.Errorf("point %d is read off as %v, %v, want %v", i, gotX, gotY, want)
		}
	}
	limit := marks(all, "line", "bad")[0]
	if got := y(limit.number(t, "y1")); math.Abs(got-80) > 0.1*pixelY {
		t.Errorf("the limit is read off as %v", got)
	}
	interval := marks(all, "line", "thick")[0]
	if from, to := x(interval.number(t, "x1")), x(interval.number(t, "x2")); math.Abs(from-1830) > 0.1*pixelX || math.Abs(to-2300) > 0.1*pixelX {
		t.Errorf("the crossing is read off as from %v to %v", from, to)
	}
	for _, want := range []string{"10.5 um a year", "4 measurements", "the first 20 um at 0 d", "Limit: 80 um.", "limit reached 2027-12-10", "1: lubrication"} {
		if !strings.Contains(described(all), want) {
			t.Errorf("%q is not told in %q", want, described(all))
		}
	}
}

func TestControlChartIsReadOffAsItIs(t *testing.T) {
	t.Parallel()
	cc := control()
	all := parsed(t, cc.SVG(plot.Auto))
	y := upwards(t, all, 0)
	pixel := math.Abs(y(1) - y(0))
	near := func(what string, got, want float64) {
		t.Helper()
		if math.Abs(got-want) > 0.1*pixel {
			t.Errorf("%s is read off as %v, want %v", what, got, want)
		}
	}
	limits := marks(all, "line", "bad")
	near("the lower limit", y(limits[0].number(t, "y1")), 50.81-3*1.66)
	near("the upper limit", y(limits[1].number(t, "y1")), 50.81+3*1.66)
	near("the centre", y(marks(all, "line", "c")[0].number(t, "y1")), 50.81)
	dots := marks(all, "circle", "mark-a")
	near("the first value", y(dots[0].number(t, "cy")), 49.6)
	if values, steps := 11, 9; len(dots) != values+steps { // of 13 and 11 two each are signals
		t.Errorf("%d values and steps without a signal, want %d", len(dots), values+steps)
	}
	for _, want := range []string{"13 values", "Values 1 to 10: centre 50.81 um, limits 45.83 and 55.79 um", "Signal 5. At 7:", "Signal 1. At 9:", "Signal R. At 9, 10:"} {
		if !strings.Contains(described(all), want) {
			t.Errorf("%q is not told in %q", want, described(all))
		}
	}
}

// Whatever comes stays within the frame, is well-formed and tells itself in words.
func TestAnySeriesIsDrawnWithinTheFrame(t *testing.T) {
	t.Parallel()
	nan, inf := math.NaN(), math.Inf(1)
	number := rapid.OneOf(rapid.Float64Range(-100, 100), rapid.Float64Range(-1e13, 1e13), rapid.SampledFrom([]float64{0, nan, inf, -inf, 1e300, -1e-300, 5}))
	rapid.Check(t, func(rt *rapid.T) {
		n := rapid.SampledFrom([]int{0, 1, 2, 3, 10, 61, 121, 300}).Draw(rt, "n")
		draw := func(name string) float64 { return number.Draw(rt, name) }
		h := plot.History{Title: "x", Summary: "y", Unit: "um", Dated: rapid.Bool().Draw(rt, "dated"), Zero: time.Date(2024, 2, 29, 0, 0, 0, 0, time.UTC),
			Limit: draw("limit"), Crossing: draw("crossing"), Between: []plot.Stretch{{draw("from"), draw("to")}, {-inf, inf}}, Starts: []plot.Start{{draw("start"), "s"}}, Coverage: 0.95}
		cc := plot.ControlChart{Title: "x", Segments: []plot.Limits{{0, n - 1, draw("centre"), draw("sigma"), draw("mean"), draw("top")}}}
		line := plot.Line{}
		for i := range n {
			v := draw("v")
			h.Points = append(h.Points, plot.Spot{X: draw("x"), Y: v, U: math.Abs(draw("u")), Segment: i % 4})
			line.X, line.Mean, line.Low, line.High = append(line.X, float64(i)), append(line.Mean, v), append(line.Low, draw("low")), append(line.High, draw("high"))
			cc.Values, cc.Ranges = append(cc.Values, v), append(cc.Ranges, draw("range"))
			cc.Signals = append(cc.Signals, plot.Signal{At: i, Mark: "1", Meaning: "m", Range: i%2 == 0})
		}
		h.Lines = []plot.Line{line}
		parsed(t, h.SVG(plot.Auto))
		parsed(t, cc.SVG(plot.Auto))
		if t.Failed() {
			rt.Fatalf("see above")
		}
	})
}

func TestAnyChoiceIsDrawnWithinTheFrame(t *testing.T) {
	t.Parallel()
	for name, ch := range map[string]plot.Choice{
		"nothing":     {Title: "x", Verdict: plot.NothingOpen, Odds: math.NaN()},
		"forty":       many(40, 64),
		"one":         many(1, 1),
		"no options":  many(7, 0),
		"a long name": {Title: strings.Repeat("long ", 50), Verdict: plot.Decided, Odds: 1, Asked: 0.95, Options: []string{strings.Repeat("option", 20)}, Joints: []plot.ChoiceJoint{{Name: strings.Repeat("front", 30), Verdict: plot.Decided, Odds: []float64{1}, Text: "t"}}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			all := parsed(t, ch.SVG(plot.Auto))
			if chosen := len(marks(all, "rect", "chosen")); len(ch.Options) > 0 && chosen != len(ch.Joints)+1 {
				t.Errorf("%d frames for %d joints and the key", chosen, len(ch.Joints))
			}
		})
	}
}

func many(joints, options int) plot.Choice {
	ch := plot.Choice{Title: "x", Verdict: plot.Provisional, Odds: 0.5, Asked: 0.95}
	for o := range options {
		ch.Options = append(ch.Options, "ream to oversize "+strings.Repeat("i", o+1))
	}
	for j := range joints {
		joint := plot.ChoiceJoint{Name: "joint", Verdict: plot.Decided, Chosen: -1, RunnerUp: -1, Text: "t"}
		for o := range options {
			joint.Odds = append(joint.Odds, float64((j*7+o*3)%101)/100)
		}
		if options > 0 {
			joint.Chosen, joint.RunnerUp = j%min(options, 10), (j+1)%min(options, 10)
		}
		ch.Joints = append(ch.Joints, joint)
	}
	return ch
}

// A calendar is not even: ticks stand on first days of months and of years.
func TestTicksOfDays(t *testing.T) {
	t.Parallel()
	for _, row := range []struct {
		name string
		days float64
		want []string
	}{
		{"years", 2300, []string{"2023", "2024", "2025", "2026", "2027", "2028"}},
		{"months", 150, []string{"2022-05", "2022-07", "2022-09"}},
		{"days", 3, []string{"2022-05-01", "2022-05-02", "2022-05-03"}},
	} {
		t.Run(row.name, func(t *testing.T) {
			t.Parallel()
			h := plot.History{Title: "x", Summary: "y", Dated: true, Zero: time.Date(2022, 5, 1, 0, 0, 0, 0, time.UTC), Points: []plot.Spot{{X: 0, Y: 1}, {X: row.days, Y: 2}}, Limit: math.NaN(), Crossing: math.NaN()}
			var got []string
			for _, e := range parsed(t, h.SVG(plot.Auto)) {
				if e.name == "text" && e.attrs["text-anchor"] == "middle" {
					got = append(got, e.text)
				}
			}
			if strings.Join(got, " ") != strings.Join(row.want, " ") {
				t.Errorf("%v, want %v", got, row.want)
			}
		})
	}
}

// Whatever is drawn of ratios stays within the frame, and its words tell the same.
func TestRatiosAreReadOffAsTheyAre(t *testing.T) {
	t.Parallel()
	for name, r := range map[string]plot.Ratios{
		"none": {Title: "Wear", Coverage: 0.95},
		"some": {Title: "Wear", Summary: "One differs.", Coverage: 0.95, Groups: []plot.RatioGroup{{Name: "Lubricants, against cutting oil", Rows: []plot.RatioRow{{Name: "dry", Ratio: 3, Low: 2, High: 4.5, Told: true}, {Name: "soluble oil", Ratio: 0.9, Low: 0.5, High: 1.6}}}}},
		"far":  {Title: "Wear", Coverage: 0.95, Groups: []plot.RatioGroup{{Name: "Materials", Rows: []plot.RatioRow{{Name: strings.Repeat("of a long name ", 9), Ratio: 1, Low: 1e-9, High: 1e9}}}}},
	} {
		all := parsed(t, r.SVG(plot.Light))
		inside(t, all)
		if name == "some" {
			if d := described(all); !strings.Contains(d, "dry 3 times, from 2 to 4.5") {
				t.Errorf("%q", d)
			}
			if n := len(marks(all, "circle", "open")); n < 1 {
				t.Errorf("%d open circles", n)
			}
		}
	}
}
