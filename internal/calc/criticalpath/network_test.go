package criticalpath_test

import (
	"errors"
	"fmt"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"pinwright/internal/calc/criticalpath"
)

// row is an activity of a worked example: its name, its duration, the names that it
// comes after, and what the example prints.
type row struct {
	name       string
	duration   int64
	after      string
	es, ls, tf int64
}

func listed(rows []row) []criticalpath.Activity {
	at := map[string]int{}
	for i, r := range rows {
		at[r.name] = i
	}
	var out []criticalpath.Activity
	for _, r := range rows {
		a := criticalpath.Activity{Name: r.name, Duration: r.duration}
		for _, name := range strings.Fields(r.after) {
			a.After = append(a.After, criticalpath.Link{Of: at[name]})
		}
		out = append(out, a)
	}
	return out
}

func TestPublishedExamples(t *testing.T) {
	for _, c := range []struct {
		source string
		length int64
		path   string
		rows   []row
	}{
		{
			// C. Guéret, C. Prins, M. Sevaux, "Applications of Optimization with Xpress-MP",
			// Dash Optimization 2000, example 7.1.1, with the printed solution of GLPK's in J. C.
			// Kantor's course CBE 40455 (notebook 04.01, "Critical Path Method"). Weeks.
			"construction of a stadium", 64, "T01 T02 T03 T05 T06 T09 T12 T17 T18",
			[]row{
				{"T01", 2, "", 0, 0, 0}, {"T02", 16, "T01", 2, 2, 0}, {"T03", 9, "T02", 18, 18, 0}, {"T04", 8, "T02", 18, 29, 11},
				{"T05", 10, "T03", 27, 27, 0}, {"T06", 6, "T04 T05", 37, 37, 0}, {"T07", 2, "T04", 26, 61, 35}, {"T08", 2, "T06", 43, 59, 16},
				{"T09", 9, "T04 T06", 43, 43, 0}, {"T10", 5, "T04", 26, 59, 33}, {"T11", 3, "T06", 43, 58, 15}, {"T12", 2, "T09", 52, 52, 0},
				{"T13", 1, "T07", 28, 63, 35}, {"T14", 7, "T02", 18, 53, 35}, {"T15", 4, "T04 T14", 26, 60, 34}, {"T16", 3, "T08 T11 T14", 46, 61, 15},
				{"T17", 9, "T12", 54, 54, 0}, {"T18", 1, "T17", 63, 63, 0},
			},
		},
		{
			// F. S. Hillier, G. J. Lieberman, "Introduction to Operations Research", chapter on
			// project management, the construction company's project; from memory. Weeks.
			"construction of a plant", 44, "A B C E F J L N",
			[]row{
				{"A", 2, "", 0, 0, 0}, {"B", 4, "A", 2, 2, 0}, {"C", 10, "B", 6, 6, 0}, {"D", 6, "C", 16, 20, 4}, {"E", 4, "C", 16, 16, 0},
				{"F", 5, "E", 20, 20, 0}, {"G", 7, "D", 22, 26, 4}, {"H", 9, "E G", 29, 33, 4}, {"I", 7, "C", 16, 18, 2}, {"J", 8, "F I", 25, 25, 0},
				{"K", 4, "J", 33, 34, 1}, {"L", 5, "J", 33, 33, 0}, {"M", 2, "H", 38, 42, 4}, {"N", 6, "K L", 38, 38, 0},
			},
		},
		{
			// A teaching note on project networks (studylib.net, document 8378728, "Example 1"):
			// a prototype that is designed, made and assembled. Hours.
			"a prototype", 16, "A B D E G",
			[]row{
				{"A", 6, "", 0, 0, 0}, {"B", 2, "A", 6, 6, 0}, {"C", 2, "A", 6, 7, 1}, {"D", 3, "B", 8, 8, 0}, {"F", 2, "C", 8, 9, 1},
				{"E", 4, "D F", 11, 11, 0}, {"G", 1, "E", 15, 15, 0},
			},
		},
	} {
		t.Run(c.source, func(t *testing.T) {
			got, err := criticalpath.Analyse(listed(c.rows))
			if err != nil {
				t.Fatal(err)
			}
			var path []string
			for _, i := range got.Path {
				path = append(path, c.rows[i].name)
			}
			if got.Length != c.length || strings.Join(path, " ") != c.path {
				t.Errorf("length %d, path %v; published are %d, %s", got.Length, path, c.length, c.path)
			}
			for i, r := range c.rows {
				n := got.Nodes[i]
				if diff := cmp.Diff([]int64{r.es, r.es + r.duration, r.ls, r.ls + r.duration, r.tf}, []int64{n.Early.From, n.Early.Until, n.Late.From, n.Late.Until, n.Total}); diff != "" {
					t.Errorf("%s: ES, EF, LS, LF, TF (-published +got):\n%s", r.name, diff)
				}
			}
		})
	}
}

// drawNetwork draws a network without circles, in an order that tells nothing of it.
func drawNetwork(t *rapid.T, most int) []criticalpath.Activity {
	n := rapid.IntRange(1, most).Draw(t, "n")
	place := rapid.Permutation(indices(n)).Draw(t, "place")
	list := make([]criticalpath.Activity, n)
	for k := range n {
		a := criticalpath.Activity{Name: fmt.Sprintf("a%d", place[k]), Duration: rapid.Int64Range(0, 9).Draw(t, "duration")}
		for j := range k {
			if rapid.IntRange(0, 2).Draw(t, "link") == 0 {
				a.After = append(a.After, criticalpath.Link{Of: place[j], Lag: rapid.Int64Range(0, 3).Draw(t, "lag")})
			}
		}
		list[place[k]] = a
	}
	return list
}

func indices(n int) []int {
	out := make([]int, n)
	for i := range out {
		out[i] = i
	}
	return out
}

// paths are the lengths of all ways through the network, each with what it visits.
func paths(list []criticalpath.Activity) (longest int64, before, behind []int64) {
	before, behind = make([]int64, len(list)), make([]int64, len(list))
	next := make([][]criticalpath.Link, len(list))
	for i, a := range list {
		for _, l := range a.After {
			next[l.Of] = append(next[l.Of], criticalpath.Link{Of: i, Lag: l.Lag})
		}
	}
	var walk func(i int, sofar int64, way []int, at []int64)
	walk = func(i int, sofar int64, way []int, at []int64) {
		before[i] = max(before[i], sofar)
		way, at = append(way, i), append(at, sofar)
		end := sofar + list[i].Duration
		for k, j := range way {
			behind[j] = max(behind[j], end-at[k]-list[j].Duration)
		}
		longest = max(longest, end)
		for _, l := range next[i] {
			walk(l.Of, end+l.Lag, way, at)
		}
	}
	for i := range list {
		walk(i, 0, nil, nil)
	}
	return longest, before, behind
}

// Every way through a small network is walked: the longest is the length, the
// longest up to an activity its early start, and what is longest behind it its late finish.
// A free slack is what a delay may be before any other early start moves, which is tried.
func TestAgainstEveryWay(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		list := drawNetwork(t, 8)
		got, err := criticalpath.Analyse(list)
		if err != nil {
			t.Fatal(err)
		}
		longest, before, behind := paths(list)
		if got.Length != longest {
			t.Fatalf("length %d, the longest way is %d", got.Length, longest)
		}
		for i, n := range got.Nodes {
			if n.Early.From != before[i] || n.Late.Until != longest-behind[i] || n.Total != longest-behind[i]-list[i].Duration-before[i] {
				t.Fatalf("%s: %+v, by the ways early start %d, late finish %d", list[i].Name, n, before[i], longest-behind[i])
			}
			if n.Free > n.Total || n.Free < 0 {
				t.Fatalf("%s: free slack %d of %d", list[i].Name, n.Free, n.Total)
			}
			for _, delay := range []int64{n.Free, n.Free + 1} {
				late := append([]criticalpath.Activity{}, list...)
				late[i].Duration += delay
				then, err := criticalpath.Analyse(late)
				if err != nil {
					t.Fatal(err)
				}
				moved := then.Length > got.Length
				for j := range list {
					moved = moved || then.Nodes[j].Early.From > got.Nodes[j].Early.From
				}
				if moved != (delay > n.Free) {
					t.Fatalf("%s: a delay of %d moves others: %v; free slack is %d", list[i].Name, delay, moved, n.Free)
				}
			}
		}
		var sum int64
		for k, i := range got.Path {
			if !got.Nodes[i].Critical() {
				t.Fatalf("%s lies on the path and is not critical", list[i].Name)
			}
			sum += list[i].Duration
			if k > 0 {
				for _, l := range list[i].After {
					if l.Of == got.Path[k-1] {
						sum += l.Lag
						break
					}
				}
			}
		}
		if sum != longest {
			t.Fatalf("the path is %d long, the network %d", sum, longest)
		}
	})
}

// The passes commute with another order of the list and with other units.
func TestUnitsAndOrderChangeNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		list := drawNetwork(t, 12)
		first, err := criticalpath.Analyse(list)
		if err != nil {
			t.Fatal(err)
		}
		turn := rapid.Permutation(indices(len(list))).Draw(t, "turn")
		scaled := make([]criticalpath.Activity, len(list))
		for i, a := range list {
			b := criticalpath.Activity{Name: a.Name, Duration: 60 * a.Duration}
			for _, l := range a.After {
				b.After = append(b.After, criticalpath.Link{Of: turn[l.Of], Lag: 60 * l.Lag})
			}
			scaled[turn[i]] = b
		}
		again, err := criticalpath.Analyse(scaled)
		if err != nil {
			t.Fatal(err)
		}
		for i, n := range first.Nodes {
			m := again.Nodes[turn[i]]
			if m.Early.From != 60*n.Early.From || m.Late.Until != 60*n.Late.Until || m.Total != 60*n.Total || m.Free != 60*n.Free {
				t.Fatalf("%+v became %+v", n, m)
			}
		}
	})
}

func TestCircleIsNamed(t *testing.T) {
	link := func(of int) []criticalpath.Link { return []criticalpath.Link{{Of: of}} }
	list := []criticalpath.Activity{{Name: "clean"}, {Name: "ream", After: link(3)}, {Name: "measure", After: link(1)}, {Name: "decide", After: link(2)}, {Name: "press", After: link(3)}}
	_, err := criticalpath.Analyse(list)
	var circle *criticalpath.CycleError
	if !errors.As(err, &circle) || !errors.Is(err, criticalpath.ErrCycle) {
		t.Fatalf("got %v", err)
	}
	if diff := cmp.Diff([]int{1, 3, 2}, circle.Steps); diff != "" {
		t.Errorf("circle (-want +got):\n%s", diff)
	}
	if want := `"ream" waits for "decide" waits for "measure" waits for "ream"`; !strings.Contains(err.Error(), want) {
		t.Errorf("%q does not say %q", err, want)
	}
	if _, err := criticalpath.Analyse([]criticalpath.Activity{{Name: "clean", After: link(0)}}); !errors.Is(err, criticalpath.ErrCycle) {
		t.Errorf("an activity that waits for itself: %v", err)
	}
}

func TestWhatCannotBeAnalysed(t *testing.T) {
	for name, list := range map[string][]criticalpath.Activity{
		"time that runs back":      {{Name: "a", Duration: -1}},
		"too long":                 {{Name: "a", Duration: criticalpath.Farthest + 1}},
		"a lag that runs back":     {{Name: "a"}, {Name: "b", After: []criticalpath.Link{{Of: 0, Lag: -1}}}},
		"a predecessor of nowhere": {{Name: "a", After: []criticalpath.Link{{Of: 7}}}},
		"too many":                 make([]criticalpath.Activity, criticalpath.Most+1),
	} {
		if _, err := criticalpath.Analyse(list); !errors.Is(err, criticalpath.ErrRange) && !errors.Is(err, criticalpath.ErrLink) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if n, err := criticalpath.Analyse(nil); err != nil || n.Length != 0 || n.Path != nil {
		t.Errorf("nothing at all: %+v, %v", n, err)
	}
}
