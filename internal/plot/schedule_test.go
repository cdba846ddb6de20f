package plot_test

import (
	"math"
	"testing"
	"time"

	"pinwright/internal/plot"
)

func schedule() plot.Schedule {
	bar := func(from, worked, until, slack float64, words string) plot.Bar {
		return plot.Bar{From: from, Worked: worked, Until: until, Latest: from + slack, Words: words}
	}
	chained := func(b plot.Bar) plot.Bar {
		b.Chain = true
		return b
	}
	s := plot.Schedule{Title: "R1, plan 2", Summary: "R1: 12 steps from Sat 12 Dec 09:00 to Sat 9 Jan 10:55, with 8.8 hours of work. The finish hangs on 14.0 days until parts are here.",
		Zero: time.Date(2026, 12, 12, 0, 0, 0, 0, time.UTC), Zone: time.UTC, Days: 29}
	s.Rows = []plot.ScheduleRow{
		{Name: "Protect and support", Bars: []plot.Bar{chained(bar(0.375, 0.39, 0.39, 0.27, "protect Sat 12 Dec 09:00 to 09:20"))}},
		{Name: "Penetrant, daily", Bars: []plot.Bar{chained(bar(0.39, 0.392, 7.39, 0.27, "penetrant Sat 12 Dec 09:20 to Sat 19 Dec 09:20"))}},
		{Name: "Draw the pin", Bars: []plot.Bar{chained(bar(7.39, 7.4, 7.4, 0.27, "pull:upper")), bar(7.4, 7.41, 7.41, 3, "pull:lower")}},
		{Name: "Order pins, spares and what else a name needs that is far too long for a telephone", Bars: []plot.Bar{chained(bar(7.55, 7.56, 7.56, 1, "order"))}},
		{Name: "Delivery of parts", Bars: []plot.Bar{{From: 7.56, Worked: 7.56, Until: 21.56, Latest: 8.5, Chain: true, Delivery: true, Words: "delivery Sat 19 Dec 13:15 to Sat 2 Jan 13:15"}}},
		{Name: "Ream", Bars: []plot.Bar{chained(bar(21.56, 21.58, 21.58, 1, "ream:upper")), chained(bar(21.58, 21.6, 21.6, 1, "ream:lower"))}},
		{Name: "Prime and paint", Bars: []plot.Bar{chained(bar(21.67, 21.7, 22.7, 1, "finish"))}},
		{Name: "Sign off", Bars: []plot.Bar{chained(bar(28.45, 28.46, 28.46, 0, "sign_off"))}},
	}
	return s
}

// What is read off the days below is where the delivery was drawn.
func TestScheduleIsReadOffAsItIs(t *testing.T) {
	t.Parallel()
	s := schedule()
	all := parsed(t, s.SVG(plot.Light))
	var ticks []float64
	for _, e := range marks(all, "line", "axis") {
		if e.attrs["x1"] == e.attrs["x2"] {
			ticks = append(ticks, e.number(t, "x1"))
		}
	}
	if len(ticks) < 3 {
		t.Fatalf("ticks at %v", ticks)
	}
	day := func(x float64) float64 { return (x - ticks[0]) / (ticks[1] - ticks[0]) * 14 }
	var parcel []element
	for _, e := range marks(all, "rect", "pale-b") {
		if e.number(t, "width") > 40 { // beside the legend's
			parcel = append(parcel, e)
		}
	}
	if len(parcel) != 1 {
		t.Fatalf("%d deliveries are drawn", len(parcel))
	}
	from := day(parcel[0].number(t, "x"))
	until := day(parcel[0].number(t, "x") + parcel[0].number(t, "width"))
	if math.Abs(from-7.56) > 0.02 || math.Abs(until-21.56) > 0.02 {
		t.Errorf("the delivery is read off as day %.2f to %.2f", from, until)
	}
}

// Times are told by the clock, though a day has 23 hours where the clock is put on.
func TestScheduleGoesByTheClock(t *testing.T) {
	t.Parallel()
	zone, err := time.LoadLocation("Europe/Lisbon")
	if err != nil {
		t.Fatal(err)
	}
	s := plot.Schedule{Zero: time.Date(2026, 3, 28, 0, 0, 0, 0, time.UTC), Zone: zone}
	if at := s.At(time.Date(2026, 3, 29, 18, 0, 0, 0, zone)); at != 1.75 {
		t.Errorf("18:00 on the day after is drawn at %v days", at)
	}
}

// A schedule of any numbers stays within its frame.
func TestScheduleOfOddNumbersIsDrawn(t *testing.T) {
	t.Parallel()
	for _, odd := range []float64{math.NaN(), math.Inf(1), math.Inf(-1), -1e9, 1e9, 0} {
		s := schedule()
		s.Days = odd
		s.Rows[1].Bars[0].From, s.Rows[2].Bars[0].Until, s.Rows[3].Bars[0].Latest = odd, odd, odd
		parsed(t, s.SVG(plot.Dark))
	}
	if all := parsed(t, plot.Schedule{Title: "Empty"}.SVG(plot.Auto)); len(all) == 0 {
		t.Error("nothing is drawn")
	}
}
