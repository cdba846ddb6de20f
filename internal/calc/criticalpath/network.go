package criticalpath

import (
	"errors"
	"fmt"
	"strings"
)

// What can be wrong; the errors returned wrap one of these and say how to mend it.
var (
	ErrRange = errors.New("outside what can be planned")
	ErrLink  = errors.New("a predecessor is not as it must be")
	ErrCycle = errors.New("steps wait for each other in a circle")
	ErrFit   = errors.New("does not fit")
)

// Most is the greatest number of activities or steps, and Farthest the greatest
// time or duration; with both, sums stay within 64 bits.
const (
	Most     = 5000
	Farthest = int64(1) << 40
)

// Span is a stretch of time, without its end.
type Span struct{ From, Until int64 }

func (s Span) length() int64 { return s.Until - s.From }

// Link is a predecessor, by its place in the list, and the time between its finish and
// the start of what follows; 0 or more.
type Link struct {
	Of  int
	Lag int64
}

// Activity takes its duration, 0 or more, once all its predecessors are finished.
type Activity struct {
	Name     string
	Duration int64
	After    []Link
}

// Node is what the passes say of an activity.
type Node struct {
	Early, Late Span
	Total, Free int64 // slack
}

// Critical says whether any delay of it delays everything.
func (n Node) Critical() bool { return n.Total == 0 }

// Network is an analysed list of activities, in its order.
type Network struct {
	Nodes  []Node
	Length int64 // from the first start to the last finish
	// Path is one critical path, from its first activity to its last; of several the
	// one that comes first in the list at each fork, seen from its end.
	Path []int
}

// Analyse makes the forward and the backward pass. Errors wrap ErrRange, ErrLink or
// ErrCycle, which names the activities of a circle.
func Analyse(list []Activity) (Network, error) {
	links := make([][]Link, len(list))
	name := func(i int) string { return list[i].Name }
	for i, a := range list {
		if a.Duration < 0 || a.Duration > Farthest {
			return Network{}, fmt.Errorf("%w: the duration of %q must be from 0 to %d", ErrRange, a.Name, Farthest)
		}
		links[i] = a.After
	}
	order, err := sorted(links, name)
	if err != nil {
		return Network{}, err
	}
	n := Network{Nodes: make([]Node, len(list))}
	for _, i := range order {
		start := int64(0)
		for _, l := range list[i].After {
			start = max(start, n.Nodes[l.Of].Early.Until+l.Lag)
		}
		n.Nodes[i].Early = Span{start, start + list[i].Duration}
		n.Length = max(n.Length, n.Nodes[i].Early.Until)
	}
	for i := range n.Nodes {
		n.Nodes[i].Late.Until = n.Length
		n.Nodes[i].Free = n.Length - n.Nodes[i].Early.Until
	}
	for k := len(order) - 1; k >= 0; k-- {
		i := order[k]
		node := &n.Nodes[i]
		node.Late.From = node.Late.Until - list[i].Duration
		node.Total = node.Late.From - node.Early.From
		for _, l := range list[i].After {
			before := &n.Nodes[l.Of]
			before.Late.Until = min(before.Late.Until, node.Late.From-l.Lag)
			before.Free = min(before.Free, node.Early.From-l.Lag-before.Early.Until)
		}
	}
	n.Path = n.path(list)
	return n, nil
}

// path follows what makes each start from the last finish back.
func (n Network) path(list []Activity) []int {
	at := -1
	for i, node := range n.Nodes {
		if node.Early.Until == n.Length {
			at = i
			break
		}
	}
	var back []int
	for at >= 0 {
		back = append(back, at)
		next := -1
		for _, l := range list[at].After {
			if n.Nodes[l.Of].Early.Until+l.Lag == n.Nodes[at].Early.From && (next < 0 || l.Of < next) {
				next = l.Of
			}
		}
		at = next
	}
	for i, j := 0, len(back)-1; i < j; i, j = i+1, j-1 {
		back[i], back[j] = back[j], back[i]
	}
	return back
}

// sorted returns an order in which everything comes after its predecessors, of those
// that may come next always the first in the list.
func sorted(after [][]Link, name func(int) string) ([]int, error) {
	if len(after) > Most {
		return nil, fmt.Errorf("%w: %d steps are more than %d; plan them in parts", ErrRange, len(after), Most)
	}
	waits, next := make([]int, len(after)), make([][]int, len(after))
	for i, list := range after {
		for _, l := range list {
			switch {
			case l.Of < 0 || l.Of >= len(after):
				return nil, fmt.Errorf("%w: %q comes after a step that there is not", ErrLink, name(i))
			case l.Lag < 0 || l.Lag > Farthest:
				return nil, fmt.Errorf("%w: the lag from %q to %q must be from 0 to %d", ErrRange, name(l.Of), name(i), Farthest)
			}
			waits[i]++
			next[l.Of] = append(next[l.Of], i)
		}
	}
	var ready heap
	for i, n := range waits {
		if n == 0 {
			ready.push(i)
		}
	}
	order := make([]int, 0, len(after))
	for len(ready) > 0 {
		i := ready.pop()
		order = append(order, i)
		for _, j := range next[i] {
			if waits[j]--; waits[j] == 0 {
				ready.push(j)
			}
		}
	}
	if len(order) < len(after) {
		return nil, cycle(after, waits, name)
	}
	return order, nil
}

// CycleError names the steps that wait for each other, each for the next and the
// last for the first.
type CycleError struct {
	Steps []int
	text  string
}

func (e *CycleError) Error() string { return e.text }

// Unwrap tells that it is an ErrCycle.
func (e *CycleError) Unwrap() error { return ErrCycle }

// cycle walks predecessors that never became ready until it meets a step again.
func cycle(after [][]Link, waits []int, name func(int) string) error {
	at := 0
	for waits[at] == 0 {
		at++
	}
	seen := map[int]int{}
	var walk []int
	for {
		if k, met := seen[at]; met {
			walk = walk[k:]
			break
		}
		seen[at] = len(walk)
		walk = append(walk, at)
		for _, l := range after[at] {
			if waits[l.Of] > 0 {
				at = l.Of
				break
			}
		}
	}
	names := make([]string, 0, len(walk)+1)
	for _, i := range append(walk, walk[0]) {
		names = append(names, fmt.Sprintf("%q", name(i)))
	}
	return &CycleError{Steps: walk, text: fmt.Sprintf("%v: %s; take one of these links out", ErrCycle, strings.Join(names, " waits for "))}
}

// heap is a binary heap of the least number.
type heap []int

func (h *heap) push(v int) {
	*h = append(*h, v)
	a := *h
	for i := len(a) - 1; i > 0 && a[i] < a[(i-1)/2]; i = (i - 1) / 2 {
		a[i], a[(i-1)/2] = a[(i-1)/2], a[i]
	}
}

func (h *heap) pop() int {
	a := *h
	least, last := a[0], len(a)-1
	a[0] = a[last]
	a = a[:last]
	for i := 0; ; {
		k := 2*i + 1
		if k >= last {
			break
		}
		if k+1 < last && a[k+1] < a[k] {
			k++
		}
		if a[i] <= a[k] {
			break
		}
		a[i], a[k] = a[k], a[i]
		i = k
	}
	*h = a
	return least
}
