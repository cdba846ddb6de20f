package lending

import (
	"cmp"
	"slices"

	"github.com/google/uuid"
)

// promises are the stretches for which each tool is held.
type promises map[uuid.UUID][]Period

func (p promises) free(o option) bool {
	return !slices.ContainsFunc(p[o.tool.ID], o.held.overlaps)
}

func (p promises) with(o option) promises {
	out := make(promises, len(p)+1)
	for id, list := range p {
		out[id] = list
	}
	out[o.tool.ID] = append(slices.Clone(out[o.tool.ID]), o.held)
	return out
}

// assign chooses an option for each ask and returns its index, or -1 for asks
// that cannot be served beside the others. It is deterministic: tools are taken by
// number, lowest first. Several lines of a model get different tools where that is
// possible; otherwise one tool serves lines whose times lie apart.
func assign(asks []ask, busy promises) []int {
	chosen := make([]int, len(asks))
	models := map[uuid.UUID][]int{}
	var order []uuid.UUID
	for i, a := range asks {
		chosen[i] = -1
		switch {
		case len(a.options) == 0:
		case a.isModel:
			id := a.options[0].tool.ModelID
			if models[id] == nil {
				order = append(order, id)
			}
			models[id] = append(models[id], i)
		case busy.free(a.options[0]):
			chosen[i] = 0
			busy = busy.with(a.options[0])
		default:
			// The tool is taken, and no line of its model gets it for that time
			// either: who asks for both wants two tools.
		}
	}
	for _, id := range order {
		group := models[id]
		picked, full := match(asks, group, busy)
		if !full && !allOverlap(asks, group) {
			if shared, ok := share(asks, group, busy); ok {
				picked = shared
			}
		}
		for k, i := range group {
			chosen[i] = picked[k]
		}
	}
	return chosen
}

// match gives each ask of the group a tool of its own by augmenting paths
// (Kuhn's method), and reports whether all got one. The number served is the
// greatest possible.
func match(asks []ask, group []int, busy promises) ([]int, bool) {
	picked := make([]int, len(group))
	for k := range picked {
		picked[k] = -1
	}
	holder := map[uuid.UUID]int{}
	var place func(k int, tried map[uuid.UUID]bool) bool
	place = func(k int, tried map[uuid.UUID]bool) bool {
		for i, o := range asks[group[k]].options {
			if _, taken := holder[o.tool.ID]; !taken && !tried[o.tool.ID] && busy.free(o) {
				holder[o.tool.ID], picked[k] = k, i
				return true
			}
		}
		for i, o := range asks[group[k]].options {
			if tried[o.tool.ID] || !busy.free(o) {
				continue
			}
			tried[o.tool.ID] = true
			if place(holder[o.tool.ID], tried) {
				holder[o.tool.ID], picked[k] = k, i
				return true
			}
		}
		return false
	}
	full := true
	for k := range group {
		if !place(k, map[uuid.UUID]bool{}) {
			full = false
		}
	}
	return picked, full
}

func allOverlap(asks []ask, group []int) bool {
	for i, g := range group {
		for _, h := range group[:i] {
			if !asks[g].options[0].held.overlaps(asks[h].options[0].held) {
				return false
			}
		}
	}
	return true
}

// shareSteps bounds the search of share. Twenty lines with few tools end far
// below it; where it ends first, the lines that match left over count as taken.
const shareSteps = 2_000

// share searches for a choice in which one tool may serve several asks whose
// times lie apart, in the order of time.
func share(asks []ask, group []int, busy promises) ([]int, bool) {
	order := make([]int, len(group))
	for k := range order {
		order[k] = k
	}
	slices.SortStableFunc(order, func(a, b int) int {
		return cmp.Or(asks[group[a]].options[0].held.From.Compare(asks[group[b]].options[0].held.From), cmp.Compare(a, b))
	})
	picked := make([]int, len(group))
	steps := 0
	var try func(n int, busy promises) bool
	try = func(n int, busy promises) bool {
		if n == len(order) {
			return true
		}
		for i, o := range asks[group[order[n]]].options {
			if steps++; steps > shareSteps {
				return false
			}
			if !busy.free(o) {
				continue
			}
			picked[order[n]] = i
			if try(n+1, busy.with(o)) {
				return true
			}
		}
		return false
	}
	return picked, try(0, busy)
}
