package criticalpath_test

import (
	"fmt"
	"math/rand/v2"
	"testing"

	"pinwright/internal/calc/criticalpath"
)

// workshop is a made-up repair of many joints over the evenings and Saturdays of two
// years: for each joint a chain of steps with waits, a press in common, and tools
// that can be had every second week.
func workshop(steps int) criticalpath.Problem {
	const hour, day = 60, 24 * 60
	draw := rand.New(rand.NewPCG(6, 30))
	p := criticalpath.Problem{Until: 730 * day}
	for d := range int64(730) {
		switch d % 7 {
		case 1, 3:
			p.Free = append(p.Free, criticalpath.Span{From: d*day + 18*hour, Until: d*day + 21*hour})
		case 5:
			p.Free = append(p.Free, criticalpath.Span{From: d*day + 9*hour, Until: d*day + 17*hour})
		}
	}
	var tools []criticalpath.Span
	for w := range int64(52) {
		tools = append(tools, criticalpath.Span{From: w * 14 * day, Until: w*14*day + 8*day})
	}
	const chain = 10
	for i := range steps {
		s := criticalpath.Step{Name: fmt.Sprintf("s%d", i), Work: 10 + draw.Int64N(80), Split: draw.IntN(2) == 0}
		if i%chain > 0 {
			s.After = append(s.After, criticalpath.Link{Of: i - 1})
		}
		switch i % chain {
		case 1:
			s.Wait, s.Most = 30, 600
		case 3:
			s.Wait = 2 * day
		case 5:
			s.Within = tools
		case 7:
			s.Uses, s.Wait, s.Through = []int{0}, 12*hour, true
		}
		p.Steps = append(p.Steps, s)
	}
	return p
}

// One plan of 200 steps is meant to take less than 5 ms of one processor, and Network
// shows how that compares with the passes over the same network.
func BenchmarkForward(b *testing.B) {
	for _, n := range []int{20, 50, 200, 1000} {
		p := workshop(n)
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := criticalpath.Forward(p); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func BenchmarkNetwork(b *testing.B) {
	var list []criticalpath.Activity
	for _, s := range workshop(200).Steps {
		list = append(list, criticalpath.Activity{Name: s.Name, Duration: s.Work + s.Wait, After: s.After})
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := criticalpath.Analyse(list); err != nil {
			b.Fatal(err)
		}
	}
}
