package api_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// shelf is what the service should know, hour by hour: which reservation holds a
// tool. Turnaround is two hours, the club's default.
type shelf struct {
	held  map[string]*[96]string // by tool: the reservation that holds it in each hour
	state map[string]string
}

const turnaround = 2

func (s *shelf) free(tool string, from, until int) bool {
	for h := from; h < until+turnaround; h++ {
		if s.held[tool][h] != "" {
			return false
		}
	}
	return true
}

func (s *shelf) hold(tool, id string, from, until int) {
	for h := from; h < until+turnaround; h++ {
		s.held[tool][h] = id
	}
}

// Random reservations and cancellations are answered as an hour-by-hour record
// says, and what the service calls free is what that record shows free.
func TestReservationsFollowAnHourByHourRecord(t *testing.T) {
	t.Parallel()
	w := newWorld(t).patient()
	w.rules(map[string]any{"at_once": 100_000}) // one member makes them all
	token := w.as("member")
	serial, operations := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		serial++ // tools of its own for each sequence
		single, model := fmt.Sprint("S-", serial), fmt.Sprint("model-", serial)
		pair := []string{fmt.Sprint("M-", serial, "-1"), fmt.Sprint("M-", serial, "-2")}
		w.stock([3]string{"single", single}, [3]string{model, pair[0]}, [3]string{model, pair[1]})
		w.alwaysOpen()
		s := &shelf{held: map[string]*[96]string{single: {}, pair[0]: {}, pair[1]: {}}, state: map[string]string{}}
		var made []string
		for range rapid.IntRange(1, 4).Draw(t, "operations") {
			operations++
			if len(made) > 0 && rapid.IntRange(0, 3).Draw(t, "kind") == 0 {
				id := rapid.SampledFrom(made).Draw(t, "cancelled")
				r := w.do("POST", w.at("reservations/"+id+"/cancel"), token, nil)
				if want := map[string]int{"reserved": 200, "cancelled": 409}[s.state[id]]; r.status != want {
					t.Fatalf("cancel answers %d, want %d: %s", r.status, want, r.body)
				}
				s.state[id] = "cancelled"
				for _, hours := range s.held {
					for h := range hours {
						if hours[h] == id {
							hours[h] = ""
						}
					}
				}
				continue
			}
			from := rapid.IntRange(0, 40).Draw(t, "from")
			until := from + rapid.IntRange(1, 24).Draw(t, "hours")
			asked := rapid.SliceOfNDistinct(rapid.SampledFrom([]string{single, pair[0], pair[1]}), 0, 2, rapid.ID).Draw(t, "tools")
			models := rapid.IntRange(0, 2).Draw(t, "of the model")
			if len(asked)+models == 0 {
				models = 1
			}
			var body []map[string]any
			want := slices.Clone(asked)
			possible := true
			for _, number := range asked {
				body = append(body, toolLine(number))
				possible = possible && s.free(number, from, until)
			}
			for range models {
				body = append(body, modelLine(model))
				k := slices.IndexFunc(pair, func(n string) bool { return !slices.Contains(want, n) && s.free(n, from, until) })
				if k < 0 {
					possible = false
					break
				}
				want = append(want, pair[k])
			}
			for len(body) < len(asked)+models {
				body = append(body, modelLine(model))
			}
			r := w.reserve(token, from, until, body...)
			if !possible {
				if r.status != 409 || r.str("type") != "/problems/tool-taken" {
					t.Fatalf("%v from %d until %d is taken but answered %d %s", body, from, until, r.status, r.body)
				}
				continue
			}
			if r.status != 201 {
				t.Fatalf("%v from %d until %d is free but answered %d %s", body, from, until, r.status, r.body)
			}
			id := r.str("id")
			for i, number := range want {
				if got := r.str("lines", i, "tool_number"); got != number {
					t.Fatalf("line %d got %s, want %s", i, got, number)
				}
				s.hold(number, id, from, until)
			}
			made = append(made, id)
			s.state[id] = "reserved"
		}
		s.compareFree(t, w, token, single, model, pair)
	})
	w.wantNoOverlap()
	t.Logf("%d reservations and cancellations", operations)
}

// compareFree holds the answered common periods of a tool and the model against
// those found by trying every pair of hours.
func (s *shelf) compareFree(t *rapid.T, w *world, token, single, model string, pair []string) {
	const end = 70
	duration := rapid.IntRange(1, 30).Draw(t, "needed for")
	two := rapid.Bool().Draw(t, "both of the model")
	query := fmt.Sprintf("availability?tool=%s&tool_model=%s&duration_hours=%d&first=50&from=%s&until=%s", single, model, duration,
		w.hour(0).Format(time.RFC3339), w.hour(end).Format(time.RFC3339))
	if two {
		query += "&tool_model=" + model
	}
	usable := func(number string, from, until int) bool { return s.free(number, from, until) }
	tools := func(from, until int) []string {
		var of []string
		for _, n := range pair {
			if usable(n, from, until) {
				of = append(of, n)
			}
		}
		if !usable(single, from, until) || len(of) == 0 || two && len(of) < 2 {
			return nil
		}
		return append(of, single)
	}
	var want []string
	for from := 0; from < end; from++ {
		for until := from + duration; until <= end; until++ {
			if tools(from, until) == nil || from > 0 && tools(from-1, until) != nil || until < end && tools(from, until+1) != nil {
				continue
			}
			want = append(want, fmt.Sprint(w.hour(from).UTC().Format(time.RFC3339), " ", w.hour(until).UTC().Format(time.RFC3339), " ", strings.Join(tools(from, until), ",")))
		}
	}
	r := w.do("GET", w.at(query), token, nil)
	if r.status != 200 {
		t.Fatalf("%d %s", r.status, r.body)
	}
	var got []string
	for i := range r.get("periods").([]any) {
		var numbers []string
		for _, n := range r.get("periods", i, "tools").([]any) {
			numbers = append(numbers, n.(string))
		}
		got = append(got, fmt.Sprint(r.str("periods", i, "from"), " ", r.str("periods", i, "until"), " ", strings.Join(numbers, ",")))
	}
	if !slices.Equal(want, got) {
		t.Fatalf("free by the record:\n%s\nanswered:\n%s", strings.Join(want, "\n"), strings.Join(got, "\n"))
	}
}
