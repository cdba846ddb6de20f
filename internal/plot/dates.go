package plot

import (
	"math"
	"time"
)

// days are the ticks of a scale that counts days from zero: years, months or days,
// at most most of them.
func (s scale) days(zero time.Time, most int) []tick {
	at := func(d float64) time.Time { return zero.Add(time.Duration(d * 24 * float64(time.Hour))) }
	if math.Abs(s.low) > 90_000 || math.Abs(s.high) > 90_000 { // beyond what a Duration holds
		return s.ticks(most)
	}
	first := at(s.low)
	collect := func(form string, next func(k int) time.Time) []tick {
		var out []tick
		for k := 0; len(out) <= most; k++ {
			t := next(k)
			d := t.Sub(zero).Hours() / 24
			if d > s.high {
				break
			}
			if d >= s.low {
				out = append(out, tick{d, t.Format(form)})
			}
		}
		return out
	}
	y, m, d := first.Date()
	for _, step := range []int{1, 2, 7, 14} {
		if (s.high-s.low)/float64(step) <= float64(most) {
			return collect(time.DateOnly, func(k int) time.Time { return time.Date(y, m, d+k*step, 0, 0, 0, 0, time.UTC) })
		}
	}
	for _, step := range []int{1, 2, 3, 6} {
		begin := (int(m) - 1) / step * step
		if list := collect("2006-01", func(k int) time.Time { return time.Date(y, time.Month(begin+1+k*step), 1, 0, 0, 0, 0, time.UTC) }); len(list) <= most {
			return list
		}
	}
	for _, step := range []int{1, 2, 5, 10, 20, 50, 100} {
		if list := collect("2006", func(k int) time.Time { return time.Date(y/step*step+k*step, 1, 1, 0, 0, 0, 0, time.UTC) }); len(list) <= most {
			return list
		}
	}
	return nil
}
