package api_test

import (
	"sync"
	"testing"
	"time"

	"pinwright/internal/lending"
	"pinwright/internal/postgres"
)

func TestChoiceThatNobodyDecidesKeepsItsFirstLine(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.stock([3]string{"puller", "P-1"}, [3]string{"press", "B-1"}, [3]string{"drift", "D-1"}, [3]string{"lamp", "L-1"}, [3]string{"vice", "V-1"})
	two := func(a, b string) []map[string]any { return []map[string]any{{"tool": a}, {"tool": b}} }
	made := w.reserve(w.as("member"), 10, 20, map[string]any{"one_of": two("P-1", "B-1"), "decide_by": w.hour(4)}, map[string]any{"one_of": two("D-1", "L-1"), "decide_by": w.hour(6)}, toolLine("V-1")).want(201)
	db := &postgres.DB{Pool: w.db.App}
	sweep := func() int {
		n, err := lending.Sweep(t.Context(), db, w.club.ClubID, w.clock.now())
		if err != nil {
			t.Fatal(err)
		}
		return n
	}
	states := func(want ...string) {
		t.Helper()
		r := w.do("GET", made.header.Get("Location"), w.officer, nil).want(200)
		for i, s := range want {
			if r.str("lines", i, "state") != s {
				t.Errorf("line %d is %s, want %s\n%s", i, r.str("lines", i, "state"), s, r.body)
			}
		}
	}
	if n := sweep(); n != 0 {
		t.Errorf("%d settled before their time", n)
	}
	w.clock.advance(5 * time.Hour)
	var all sync.WaitGroup
	settled := make([]int, 4)
	for i := range settled {
		all.Go(func() { settled[i] = sweep() })
	}
	all.Wait()
	if sum := settled[0] + settled[1] + settled[2] + settled[3]; sum != 1 {
		t.Errorf("four sweeps at once settled %v", settled)
	}
	states("reserved", "cancelled", "reserved", "reserved", "reserved")
	w.clock.advance(2 * time.Hour)
	// What was collected is what was decided for.
	w.exec(`update booking set state = 'out' where club_id = $1 and line = 3`)
	if n := sweep(); n != 1 {
		t.Errorf("%d settled", n)
	}
	states("reserved", "cancelled", "cancelled", "out", "reserved")
	if n := sweep(); n != 0 {
		t.Errorf("%d settled again", n)
	}
	if n := w.of(`select count(*)::text from event where club_id = $1 and type = 'reservation.decided' and actor = '00000000-0000-0000-0000-000000000000'`); n != "2" {
		t.Errorf("%s events", n)
	}
	w.reserve(w.officer, 5, 8, toolLine("B-1"), toolLine("D-1")).want(201)
}
