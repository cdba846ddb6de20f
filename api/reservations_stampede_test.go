package api_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"sync"
	"testing"
	"time"
)

// want is what one member of a stampede asks for: tools of the kit by number, for
// hours. All of them is asked for as the kit.
type want struct {
	tools       []string
	from, until int
}

// stampede lets every member ask at once, each for some of the kit's three tools at
// some time within three days, and returns what they asked for, how they were
// answered, and after how long.
func (w *world) stampede(members []string, kit string, tools []string, seed uint64) (asked []want, answers []*response, took []time.Duration) {
	asked, answers, took = make([]want, len(members)), make([]*response, len(members)), make([]time.Duration, len(members))
	gate := make(chan struct{})
	var all sync.WaitGroup
	for i, token := range members {
		random := rand.New(rand.NewPCG(seed, uint64(i)))
		from := random.IntN(60)
		a := want{from: from, until: from + 2 + random.IntN(11)}
		subset := 1 + random.IntN(7) // each but the empty one
		for k, number := range tools {
			if subset&(1<<k) != 0 {
				a.tools = append(a.tools, number)
			}
		}
		asked[i] = a
		var body []map[string]any
		for _, number := range a.tools {
			body = append(body, toolLine(number))
		}
		random.Shuffle(len(body), func(x, y int) { body[x], body[y] = body[y], body[x] })
		if len(a.tools) == len(tools) {
			body = lines(map[string]any{"kit": kit})
		}
		all.Go(func() {
			<-gate
			began := time.Now()
			answers[i] = w.reserve(token, a.from, a.until, body...)
			took[i] = time.Since(began)
		})
	}
	close(gate)
	all.Wait()
	return asked, answers, took
}

// crowd adds members, each with a token.
func (w *world) crowd(n int) []string {
	w.t.Helper()
	w.rules(map[string]any{"at_once": 100_000})
	var tokens []string
	for i := range n {
		token, _ := w.member(fmt.Sprint("S-", i))
		tokens = append(tokens, token)
	}
	return tokens
}

// In a stampede for the tools of a kit nobody is refused unless an accepted
// reservation stands in the way: none is given up in it, so whatever stood in the
// way then still does at the end.
func TestStampedeForAKitRefusesOnlyWhatIsTaken(t *testing.T) {
	t.Parallel()
	w := newWorld(t).patient()
	members := w.crowd(64)
	accepted, refusedInAll := 0, 0
	for round := range 4 {
		var tools []string
		for k := range 3 {
			number := fmt.Sprintf("K-%d-%d", round, k)
			w.stock([3]string{fmt.Sprint("part-", k), number})
			tools = append(tools, number)
		}
		kit := fmt.Sprint("kit-", round)
		w.kit(kit, tools...)
		asked, answers, _ := w.stampede(members, kit, tools, uint64(round))
		for i, a := range answers {
			switch a.status {
			case 201:
				accepted++
				if list, _ := a.get("lines").([]any); len(list) != len(asked[i].tools) {
					t.Errorf("%v got %d lines", asked[i], len(list))
				}
			case 409:
				a.wantProblem("tool-taken")
				refusedInAll++
				stands := false
				for j, b := range answers {
					if b.status == 201 && asked[i].from < asked[j].until+turnaround && asked[j].from < asked[i].until+turnaround &&
						slices.ContainsFunc(asked[i].tools, func(n string) bool { return slices.Contains(asked[j].tools, n) }) {
						stands = true
					}
				}
				if !stands {
					t.Errorf("%v was refused, and nothing that was accepted stands in its way\n%s", asked[i], a.body)
				}
			default:
				t.Errorf("%v: %d\n%s", asked[i], a.status, a.body)
			}
		}
	}
	if accepted < 4*8 || refusedInAll < 4*8 {
		t.Errorf("%d accepted, %d refused: that was no stampede", accepted, refusedInAll)
	}
	t.Logf("%d accepted, %d refused", accepted, refusedInAll)
	w.wantNoOverlap()
}

// BenchmarkStampede is 48 members at once who want a kit of three tools or some of
// them, over the four connections of the pool.
func BenchmarkStampede(b *testing.B) {
	w := newWorld(b).patient()
	members := w.crowd(48)
	var took []time.Duration
	for round := 0; b.Loop(); round++ {
		b.StopTimer()
		var tools []string
		for k := range 3 {
			number := fmt.Sprintf("K-%d-%d", round, k)
			w.stock([3]string{fmt.Sprint("part-", k), number})
			tools = append(tools, number)
		}
		kit := fmt.Sprint("kit-", round)
		w.kit(kit, tools...)
		b.StartTimer()
		_, answers, times := w.stampede(members, kit, tools, uint64(round))
		for _, a := range answers {
			if a.status != 201 && a.status != 409 {
				b.Fatalf("%d %s", a.status, a.body)
			}
		}
		took = append(took, times...)
	}
	slices.Sort(took)
	at := func(p int) float64 { return took[min(len(took)*p/100, len(took)-1)].Seconds() * 1000 }
	b.ReportMetric(at(50), "p50-ms")
	b.ReportMetric(at(99), "p99-ms")
	b.ReportMetric(float64(len(took))/float64(b.Elapsed().Seconds()), "requests/s")
}
