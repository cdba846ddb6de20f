package plot

import (
	"math"
	"strconv"
)

// scale maps values onto units of the canvas.
type scale struct {
	low, high float64 // values
	from, to  float64 // where they lie; from > to for an axis that points up
}

// newScale covers all finite values, with a part of room at both ends. One value,
// or none, gets room around it, so that nothing is divided by zero.
func newScale(values []float64, room, from, to float64) scale {
	low, high := math.Inf(1), math.Inf(-1)
	for _, v := range values {
		if finite(v) {
			low, high = math.Min(low, v), math.Max(high, v)
		}
	}
	if low > high {
		low, high = 0, 1
	}
	if least := math.Max(1, math.Max(math.Abs(low), math.Abs(high))) * 1e-9; high-low <= least {
		half := math.Abs(low) * 1e-4
		if half < 1e-6 {
			half = 1
		}
		low, high = low-half, high+half
	}
	more := room * (high - low)
	return scale{low - more, high + more, from, to}
}

// finite takes what can be drawn: anything larger is no size, day or distance.
func finite(v float64) bool { return math.Abs(v) <= 1e15 } // false for NaN

func (s scale) at(v float64) float64 {
	return s.from + (v-s.low)/(s.high-s.low)*(s.to-s.from)
}

// within keeps a place between the ends.
func (s scale) within(v float64) float64 {
	return s.at(math.Min(math.Max(v, s.low), s.high))
}

func (s scale) holds(v float64) bool { return v >= s.low && v <= s.high }

// tick is a value of an axis with its text.
type tick struct {
	value float64
	text  string
}

// ticks are the multiples of 1, 2 or 5 times a power of ten within the scale: as
// many as there can be with at most most of them.
func (s scale) ticks(most int) []tick {
	span := s.high - s.low
	power := math.Floor(math.Log10(span / float64(max(most, 1))))
	for ; ; power++ {
		for _, lead := range []float64{1, 2, 5} {
			step := lead * math.Pow(10, power)
			first, last := math.Ceil(s.low/step-1e-9), math.Floor(s.high/step+1e-9)
			if last-first+1 > float64(most) {
				continue
			}
			places := max(0, -int(power))
			var out []tick
			for k := first; k <= last; k++ {
				v := k * step
				text := strconv.FormatFloat(v, 'f', places, 64)
				if math.Abs(v) >= 1e8 {
					text = strconv.FormatFloat(v, 'g', 1+int(math.Log10(math.Abs(v)/step)+0.01), 64)
				}
				if v == 0 {
					text = strconv.FormatFloat(0, 'f', places, 64)
				}
				out = append(out, tick{v, text})
			}
			return out
		}
	}
}

// fitting are as many ticks as can be told beside each other along the scale.
func (s scale) fitting() []tick {
	length := math.Abs(s.to - s.from)
	for most := 9; most > 1; most-- {
		list, wide := s.ticks(most), 0.0
		for _, t := range list {
			wide = math.Max(wide, textWidth(t.text, 14, false))
		}
		if len(list) < 2 || float64(len(list))*(wide+12) <= length {
			return list
		}
	}
	return s.ticks(1)
}
