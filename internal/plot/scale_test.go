package plot

import (
	"math"
	"strconv"
	"testing"

	"pgregory.net/rapid"
)

func TestTicks(t *testing.T) {
	t.Parallel()
	for _, row := range []struct {
		name      string
		low, high float64
		most      int
		want      []string
	}{
		{"hundredths of a millimetre", 9.097, 9.182, 6, []string{"9.10", "9.12", "9.14", "9.16", "9.18"}},
		{"thousandths of an inch", 0.3539, 0.3587, 6, []string{"0.354", "0.355", "0.356", "0.357", "0.358"}},
		{"across zero", -0.03, 0.11, 4, []string{"0.00", "0.05", "0.10"}},
		{"steps of five", 0, 22, 5, []string{"0", "5", "10", "15", "20"}},
		{"thousands", 61000, 118000, 5, []string{"70000", "80000", "90000", "100000", "110000"}},
	} {
		t.Run(row.name, func(t *testing.T) {
			t.Parallel()
			got := scale{row.low, row.high, 0, 300}.ticks(row.most)
			if len(got) != len(row.want) {
				t.Fatalf("%v, want %v", got, row.want)
			}
			for i := range got {
				if got[i].text != row.want[i] {
					t.Errorf("%v, want %v", got, row.want)
				}
			}
		})
	}
}

func TestTicksHoldForAnyScale(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		low := rapid.Float64Range(-1e6, 1e6).Draw(t, "low")
		span := math.Pow(10, rapid.Float64Range(-4, 7).Draw(t, "span"))
		most := rapid.IntRange(1, 12).Draw(t, "most")
		s := newScale([]float64{low, low + span}, 0, 0, 300)
		list := s.ticks(most)
		if len(list) > most {
			t.Fatalf("%d ticks, at most %d", len(list), most)
		}
		if most >= 5 && len(list) < 2 {
			t.Fatalf("only %d ticks of %d", len(list), most)
		}
		for i, tick := range list {
			if !s.holds(tick.value) && math.Abs(s.at(tick.value)-s.within(tick.value)) > 0.01 {
				t.Fatalf("%v lies outside %v", tick, s)
			}
			if v, err := strconv.ParseFloat(tick.text, 64); err != nil || math.Abs(v-tick.value) > 1e-3*span+1e-9*math.Abs(low) {
				t.Fatalf("%v is told as %s", tick.value, tick.text)
			}
			if i > 1 && math.Abs((tick.value-list[i-1].value)-(list[i-1].value-list[i-2].value)) > 1e-6*span+1e-9*math.Abs(low) {
				t.Fatalf("uneven: %v", list)
			}
		}
		if len(list) > 1 {
			step := list[1].value - list[0].value
			lead := step / math.Pow(10, math.Floor(math.Log10(step)+1e-4))
			if math.Abs(lead-1) > 1e-3 && math.Abs(lead-2) > 2e-3 && math.Abs(lead-5) > 5e-3 {
				t.Fatalf("a step of %v", step)
			}
		}
	})
}

func TestNamesDoNotOverlap(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		wants := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) want {
			return want{at: rapid.Float64Range(14, 346).Draw(t, "at"), wide: rapid.Float64Range(20, 150).Draw(t, "wide")}
		}), 0, 40).Draw(t, "wants")
		rows, places := pack(wants, 14, 346)
		for i, p := range places {
			if p.row < 0 || p.row >= rows {
				t.Fatalf("row %d of %d", p.row, rows)
			}
			low, high := extent(wants[i], p)
			if low < 14-1e-9-9 || high > 346+1e-9+9 {
				t.Fatalf("%v at %v leaves the picture", wants[i], p)
			}
			for k := range i {
				if otherLow, otherHigh := extent(wants[k], places[k]); places[k].row == p.row && low < otherHigh && otherLow < high {
					t.Fatalf("%v overlaps %v", wants[i], wants[k])
				}
			}
		}
	})
}

func extent(w want, p place) (low, high float64) {
	if p.right {
		return w.at, w.at + w.wide
	}
	return w.at - w.wide, w.at
}

func TestWrap(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.StringMatching(`([a-zA-Z0-9.,]{0,40} ){0,8}`).Draw(t, "text")
		most := rapid.Float64Range(20, 300).Draw(t, "most")
		joined := ""
		for _, line := range wrap(text, 14, false, most) {
			if line == "" || textWidth(line, 14, false) > most {
				t.Fatalf("a line of %q", line)
			}
			joined += line
		}
		if bare(joined) != bare(text) {
			t.Fatalf("%q became %q", text, joined)
		}
	})
}

func bare(text string) string {
	out := ""
	for _, r := range text {
		if r != ' ' {
			out += string(r)
		}
	}
	return out
}

func TestTightestBoundsAreKept(t *testing.T) {
	t.Parallel()
	var list []Reading
	for i := range 30 {
		list = append(list, Reading{Kind: AtLeast, Value: float64(i)})
	}
	for i := range 30 {
		list = append(list, Reading{Kind: []Kind{AtMost, Starts}[i%2], Value: float64(40 + i)})
	}
	for name, row := range map[string]struct {
		list     []Reading
		from, to float64
	}{"both": {list, 23, 46}, "from below": {list[:30], 16, 29}, "from above": {list[30:], 40, 53}, "few": {list[:3], 0, 2}} {
		got := tightest(row.list)
		if got[0].Value != row.from || got[len(got)-1].Value != row.to {
			t.Errorf("%s: from %v to %v, want %v", name, got[0].Value, got[len(got)-1].Value, row)
		}
	}
}
