package wornsize

import (
	"math"
	"testing"
	"time"
)

// thousands are the same thing read or tried a thousand times: what an estimate
// costs then must stay bounded, since anybody may send it.
func thousands() map[string]Feature {
	many := func(n int, reading func(i int) Reading) Feature {
		f := bore(usualForm)
		for i := range n {
			f.Readings = append(f.Readings, reading(i))
		}
		return f
	}
	noise := func(i int) float64 { return 3 * math.Sin(float64(i)*12.9898) }
	return map[string]Feature{
		"without direction": many(1000, func(i int) Reading { return measured(20+noise(i), 3, Station(1+i%3), unknown) }),
		"with directions":   many(1000, func(i int) Reading { return measured(20+noise(i), 3, Station(1+i%3), float64(i%4)*45) }),
		"without station":   many(1000, func(i int) Reading { return measured(20+noise(i), 3, AnyStation, unknown) }),
		"gauges": many(1000, func(i int) Reading {
			return tried([]Kind{Go, Starts, NoGo}[i%3], 10+12*float64(i%3)+noise(i), 1, []Station{MouthA, MouthB}[i%2])
		}),
		"gauges at odds": many(1000, func(i int) Reading {
			return tried([]Kind{NoGo, Go, Starts}[i%3], 10+12*float64(i%3)+noise(i), 1, AnyStation)
		}),
		"all from below": many(1000, func(i int) Reading { return tried(Go, 40+noise(i), 1, AnyStation) }),
		"all from above": many(1000, func(i int) Reading { return tried(NoGo, -10+noise(i), 1, MouthA) }),
	}
}

func TestAThousandReadingsAreAnsweredInBoundedTime(t *testing.T) {
	t.Parallel()
	for name, f := range thousands() {
		began := time.Now()
		p, err := Estimate(one(f))
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if fault := faultOf(p); fault != "" {
			t.Errorf("%s: %s", name, fault)
		}
		t.Logf("%s: %v, passing %.2f ± %.2f", name, time.Since(began), p.Features[0].Passing.Mean(), p.Features[0].Passing.SD())
	}
}
