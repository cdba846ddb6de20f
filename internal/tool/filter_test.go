package tool_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"

	"pinwright/internal/calc/length"
	"pinwright/internal/postgres"
	"pinwright/internal/tool"
)

func nm(text string) *length.Length {
	q, err := length.Parse(text)
	if err != nil {
		panic(err)
	}
	l := q.Length()
	return &l
}

// put makes models and one tool of each with its model's code as its number.
func (s shop) put(models ...tool.Model) {
	s.t.Helper()
	s.write(func(tx *postgres.Tx) {
		for _, m := range models {
			m.ID, m.Name, m.Parts, m.Entered, m.Version = newID(), m.Code, 1, tool.Entered{}, 1
			tool.AddModel(tx, s.actor, m)
			tool.Add(tx, s.actor, tool.Tool{ID: newID(), Number: m.Code, GarageID: s.garage, State: tool.InService}, m)
		}
	})
}

func (s shop) numbers(f tool.Filter) []string {
	s.t.Helper()
	out := []string{}
	for _, t := range read(s, func(b *postgres.Batch) *postgres.Rows[tool.Tool] { return tool.List(b, f, "", 500) }) {
		out = append(out, t.Number)
	}
	return out
}

// A reamer of 9 mm for H7 cuts 9.008 to 9.012 mm: 35 % of the tolerance of 15 um
// wide, 15 % of it below the hole's largest size (the rule of ISO 522:1975 for the
// cutting diameter of reamers; the tolerance from ISO 286-1:2010, table 1; the rule from
// memory).
func TestWhatServesABore(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	s.put(
		tool.Model{Code: "R9-H7", Kind: tool.Reamer, Size: nm("9 mm"), ToleranceLower: nm("0.008 mm"), ToleranceUpper: nm("0.012 mm")},
		tool.Model{Code: "R9.12", Kind: tool.Reamer, Size: nm("9.12 mm")},
		tool.Model{Code: "RX", Kind: tool.Reamer, Size: nm("9.5 mm"), RangeFrom: nm("8.75 mm"), RangeTo: nm("9.75 mm")},
		tool.Model{Code: "PIN-9", Kind: tool.PinGauge, Size: nm("9.01 mm")},
		tool.Model{Code: "PLUG-10", Kind: tool.PlugGauge, Size: nm("10 mm")},
		tool.Model{Code: "IN-MIC", Kind: tool.InsideMicrometer, Resolution: nm("0.01 mm"), RangeFrom: nm("5 mm"), RangeTo: nm("30 mm")},
		tool.Model{Code: "BG", Kind: tool.BoreGauge, Resolution: nm("0.001 mm"), RangeFrom: nm("10 mm"), RangeTo: nm("18 mm")},
		tool.Model{Code: "CAL", Kind: tool.Caliper, Resolution: nm("0.01 mm"), RangeTo: nm("150 mm")},
		tool.Model{Code: "CAL-UNKNOWN", Kind: tool.Caliper, Resolution: nm("0.01 mm")},
		tool.Model{Code: "MIC", Kind: tool.Micrometer, Resolution: nm("0.01 mm"), RangeTo: nm("25 mm")}, // measures pins, enters no bore
		tool.Model{Code: "DRIFT", Kind: tool.Drift, Size: nm("9 mm")},
		tool.Model{Code: "PULL", Kind: tool.Puller},
	)
	for _, row := range []struct {
		bore, within string
		want         []string
	}{
		{"9.010 mm", "0 mm", []string{"CAL", "IN-MIC", "PIN-9", "R9-H7", "RX"}},
		{"9.008 mm", "0 mm", []string{"CAL", "IN-MIC", "R9-H7", "RX"}},
		{"9.0079 mm", "0 mm", []string{"CAL", "IN-MIC", "RX"}},
		{"9.013 mm", "0.001 mm", []string{"CAL", "IN-MIC", "R9-H7", "RX"}},
		{"9.12 mm", "0.01 mm", []string{"CAL", "IN-MIC", "R9.12", "RX"}},
		{"9.131 mm", "0.01 mm", []string{"CAL", "IN-MIC", "RX"}},
		{"9.755 mm", "0.01 mm", []string{"CAL", "IN-MIC", "RX"}},
		{"9.995 mm", "0.01 mm", []string{"CAL", "IN-MIC", "PLUG-10"}}, // an instrument's range is not stretched
		{"10 mm", "0.01 mm", []string{"BG", "CAL", "IN-MIC", "PLUG-10"}},
		{"30.005 mm", "0.01 mm", []string{"CAL"}},
		{"151 mm", "0.01 mm", []string{}},
	} {
		if diff := cmp.Diff(row.want, s.numbers(tool.Filter{Bore: &tool.Bore{Size: *nm(row.bore), Within: *nm(row.within)}})); diff != "" {
			t.Errorf("a bore of %s within %s (-want +got):\n%s", row.bore, row.within, diff)
		}
	}
	if diff := cmp.Diff([]string{"R9-H7", "R9.12", "RX"}, s.numbers(tool.Filter{Kind: tool.Reamer, SizeFrom: nm("9 mm"), SizeUntil: nm("9.5 mm")})); diff != "" {
		t.Errorf("reamers from 9 to 9.5 mm (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff([]string{"PLUG-10"}, s.numbers(tool.Filter{SizeFrom: nm("9.6 mm")})); diff != "" {
		t.Errorf("what has a size from 9.6 mm (-want +got):\n%s", diff)
	}
}

// What is free is held against a plain look at every promise, for random ones.
func TestWhatIsFreeInAStretch(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	type promise struct {
		from, until, heldUntil int // hours
		state                  string
	}
	random := rand.New(rand.NewPCG(7, 11))
	hour := func(n int) time.Time { return at.Add(time.Duration(n) * time.Hour) }
	const now = 30
	turnaround := map[string]int{}
	promises, out, states := map[string][]promise{}, map[string]int{}, map[string]string{}
	for i := range 40 {
		code := fmt.Sprintf("T%02d", i)
		m := tool.Model{Code: code, Kind: tool.Other}
		turnaround[code] = 24 // the club's
		if i%2 == 1 {
			hours := random.IntN(6)
			m.TurnaroundHours, turnaround[code] = &hours, hours
		}
		s.put(m)
		states[code] = "in_service"
		if i%8 == 7 {
			states[code] = "quarantine"
		}
		for h := random.IntN(10); h < 90; {
			p := promise{from: h, until: h + 1 + random.IntN(12), state: []string{"reserved", "returned", "cancelled", "lost"}[random.IntN(4)]}
			p.heldUntil = p.until + random.IntN(5)
			if i%5 == 0 && p.from < now {
				p.state = "out"
			}
			promises[code] = append(promises[code], p)
			if p.state == "out" {
				out[code] = p.until
				h = max(p.heldUntil, now) // one is out at a time
			}
			h = max(h, p.heldUntil) + random.IntN(30)
		}
	}
	s.write(func(tx *postgres.Tx) {
		tx.Queue(`update club set turnaround_hours = 24 where club_id = $1`, tx.Club)
		act := newID()
		tx.Queue(`insert into counter_act (club_id, id, kind, by_member, occurred_at, recorded_at) values ($1, $2, 'handout', $3, $4, $4)`, tx.Club, act, s.actor, hour(0))
		for code, list := range promises {
			tx.Queue(`update tool set state = $3 where club_id = $1 and number = $2`, tx.Club, code, states[code])
			reservation := newID()
			tx.Queue(`insert into reservation (club_id, id, member_id, created_at) values ($1, $2, $3, $4)`, tx.Club, reservation, s.actor, hour(0))
			for line, p := range list {
				tx.Queue(`insert into booking (club_id, reservation_id, line, tool_id, period, held, state)
					select $1, $2, $3, id, tstzrange($4, $5), tstzrange($4, $6), $7 from tool where club_id = $1 and number = $8`,
					tx.Club, reservation, line, hour(p.from), hour(p.until), hour(p.heldUntil), p.state, code)
				if p.state == "out" && line == slices.IndexFunc(list, func(q promise) bool { return q.state == "out" && q.until == out[code] }) {
					tx.Queue(`insert into loan (club_id, id, reservation_id, line, tool_id, member_id, handout_id, collected_at, held_before, recorded_at)
						select $1, $2, $3, $4, id, $5, $6, $7, tstzrange($7, $8), $7 from tool where club_id = $1 and number = $9`,
						tx.Club, uuid.Must(uuid.NewV7()), reservation, line, s.actor, act, hour(p.from), hour(p.heldUntil), code)
				}
			}
		}
	})
	lates, frees := 0, 0
	for range 60 {
		from := now + random.IntN(60)
		until := from + 1 + random.IntN(15)
		want := []string{}
		for code, list := range promises {
			free := states[code] == "in_service"
			if due, isOut := out[code]; isOut && due <= now {
				free = false
				lates++
			}
			for _, p := range list {
				if p.state != "cancelled" && p.state != "lost" && p.from < until+turnaround[code] && p.heldUntil > from {
					free = false
				}
			}
			if free {
				want = append(want, code)
			}
		}
		slices.Sort(want)
		frees += len(want)
		got := s.numbers(tool.Filter{Free: &tool.Stretch{From: hour(from), Until: hour(until), Now: hour(now)}})
		if diff := cmp.Diff(want, got); diff != "" {
			t.Fatalf("free from hour %d until %d (-want +got):\n%s", from, until, diff)
		}
	}
	if lates == 0 || frees == 0 {
		t.Errorf("of these random promises %d are late and %d tools are free; make them tell more", lates, frees)
	}
}
