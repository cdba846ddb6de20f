package api_test

import (
	"fmt"
	"math/rand/v2"
	"sync"
	"testing"
	"time"
)

func TestManyDesksHandOneToolOutOnce(t *testing.T) {
	t.Parallel()
	d := newDesk(t, [3]string{"reamer-9", "R-1"})
	d.patient()
	count, _ := race(40, func(int) *response { return d.out(nil, "R-1") })
	if count[201] != 1 || count[409] != 39 {
		t.Errorf("handed out: %v", count)
	}
	count, _ = race(40, func(int) *response { return d.back(nil, row{"tool": "R-1"}) })
	if count[201] != 1 || count[409] != 39 {
		t.Errorf("taken back: %v", count)
	}
	if n := d.tally(`select count(*) from loan`); n != 1 {
		t.Errorf("%d loans", n)
	}
	d.sound()
}

// Everything that can be done to a few tools is done at once by many, by chance.
// Whatever the order: no tool is in two places, nothing is out that is not booked,
// promises never overlap, and nobody waits in a circle.
func TestEverythingAtOnceLeavesEveryToolInOnePlace(t *testing.T) {
	t.Parallel()
	d := newDesk(t, [3]string{"gauge", "G-1"}, [3]string{"gauge", "G-2"}, [3]string{"gauge", "G-3"}, [3]string{"puller", "P-1"})
	d.patient()
	other := d.as("member,auditor")
	numbers := []string{"G-1", "G-2", "G-3", "P-1"}
	var mu sync.Mutex
	made := map[string][]string{} // ids by what they are of
	keep := func(kind, id string) {
		mu.Lock()
		defer mu.Unlock()
		made[kind] = append(made[kind], id)
	}
	some := func(random *rand.Rand, kind string) string {
		mu.Lock()
		defer mu.Unlock()
		if len(made[kind]) == 0 {
			return newID()
		}
		newest := len(made[kind]) - 1 // mostly still open
		return made[kind][newest-random.IntN(min(3, newest+1))]
	}
	step := func(i int, random *rand.Rand) *response {
		one, two := numbers[random.IntN(4)], numbers[random.IntN(4)]
		if i%20 == 0 {
			d.clock.advance(time.Minute)
		}
		switch i % 12 {
		case 0, 1, 2:
			tools := []row{{"tool": one}}
			if two != one {
				tools = append(tools, row{"tool": two})
			}
			r := d.do("POST", d.at("handouts"), d.keeper, row{"member": d.number, "tools": tools, "until": d.hour(6 + random.IntN(20))})
			if r.status == 201 {
				keep("handout", r.str("id"))
				for k := range r.get("loans").([]any) {
					keep("loan", r.str("loans", k, "id"))
				}
			}
			return r
		case 3, 4:
			back := row{"tool": one}
			if random.IntN(4) == 0 {
				back["condition"] = "damaged"
			}
			r := d.back(nil, back)
			if r.status == 201 {
				keep("return", r.str("id"))
			}
			return r
		case 5:
			return d.do("POST", d.at("handouts/"+some(random, "handout")+"/undo"), d.keeper, nil)
		case 6:
			return d.do("POST", d.at("returns/"+some(random, "return")+"/undo"), d.keeper, nil)
		case 7:
			return d.do("POST", d.at("loans/"+some(random, "loan")+"/extend"), d.keeper, row{"until": d.hour(20 + random.IntN(40))})
		case 8:
			at := d.at("loans/" + some(random, "loan") + "/hand-over")
			d.do("POST", at, d.member, row{"to": "T-member-auditor"})
			return d.do("POST", at+"/confirm", other, nil)
		case 9:
			return d.do("POST", d.at("tools/"+one+"/inspections"), d.keeper, row{"verdict": []string{"good", "bad", "usable"}[random.IntN(3)]})
		default:
			from := random.IntN(60)
			return d.reserve(d.member, from, from+5, toolLine(one))
		}
	}
	count := map[int]int{}
	race(16, func(worker int) *response {
		random := rand.New(rand.NewPCG(uint64(worker), 11))
		var last *response
		for n := range 24 {
			last = step(worker*24+random.IntN(12)+n, random)
			mu.Lock()
			count[last.status]++
			mu.Unlock()
			if last.status >= 500 {
				t.Errorf("%s: %d %s", last.what, last.status, last.body)
			}
		}
		return last
	})
	if count[201] < 40 || count[409] < 20 || count[200] < 3 {
		t.Errorf("answers by status: %v; this exercised too little", count)
	}
	t.Log(fmt.Sprint("answers by status: ", count))
	d.sound()
}

func TestTwoSweepsAtOnceTellEverythingOnce(t *testing.T) {
	t.Parallel()
	var tools [][3]string
	for n := range 12 {
		tools = append(tools, [3]string{fmt.Sprint("model-", n), fmt.Sprint("Z-", n)})
	}
	d := newDesk(t, tools...)
	for n := range 12 {
		d.reserve(d.officer, 60, 70, toolLine(fmt.Sprint("Z-", n))).want(201)
		d.out(row{"until": d.hour(4)}, fmt.Sprint("Z-", n)).want(201)
	}
	d.clock.advance(8 * time.Hour)
	var all sync.WaitGroup
	for range 6 {
		all.Add(1)
		go func() {
			defer all.Done()
			d.sweep()
		}()
	}
	all.Wait()
	d.sweep()
	d.events(map[string]int{"loan.late": 12, "reservation.endangered": 12})
	d.sound()
}
