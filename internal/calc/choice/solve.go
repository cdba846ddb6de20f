package choice

import (
	"math"
	"math/bits"
	"slices"
	"sort"
)

// key orders plans: metal first where asked for, then loss, then the options'
// indices so that ties fall the same way each time.
type key struct{ metal, loss float64 }

func (k key) less(o key) bool {
	if k.metal != o.metal {
		return k.metal < o.metal
	}
	return k.loss < o.loss
}

// solver finds the plan of least key among pools, exactly.
type solver struct {
	d          desk
	pools      [][]int
	metalFirst bool
	fees       uint64  // tools that cost something once
	sorted     [][]int // pools by part, then index
}

func (d desk) solver(pools [][]int, metalFirst bool) *solver {
	s := &solver{d: d, pools: pools, metalFirst: metalFirst}
	for j, pool := range pools {
		for _, i := range pool {
			s.fees |= d.options[j][i].uses
		}
	}
	for b := s.fees; b != 0; b &= b - 1 {
		if bit := b & -b; toolCost(d.Series, bit) == 0 {
			s.fees &^= bit
		}
	}
	return s
}

// metal is the step an option is expected to end with.
func (s *solver) metal(o Option) float64 {
	if !s.metalFirst {
		return 0
	}
	if o.Kind != CutSmallerAndLook {
		return float64(o.Rank)
	}
	m, left := 0.0, 1.0
	for i, p := range o.Ends {
		m += p * float64(o.Step+i)
		left -= p
	}
	return m + math.Max(0, left)*float64(o.Last)
}

// key of a choice; joints without option (-1) add nothing.
func (s *solver) key(choice []int) key {
	k, uses, days := key{}, uint64(0), 0
	for j, i := range choice {
		if i < 0 {
			continue
		}
		o := s.d.options[j][i]
		k.metal += s.metal(o)
		k.loss += o.own.own()
		uses |= o.uses
		days = max(days, o.Days)
	}
	k.loss += toolCost(s.d.Series, uses) + s.d.Losses.WaitingDay*float64(days)
	return k
}

// success is the probability that every joint of a choice succeeds: the sum
// over nodes of the product over joints, joints cut by one reamer sharing its
// error.
func (s *solver) success(choice []int) float64 {
	total := 0.0
	for n, w := range s.d.Posterior.Weights {
		p := w
		var cut [32][cutNodes]float64
		used := uint32(0)
		for j, i := range choice {
			if i < 0 {
				continue
			}
			o := s.d.options[j][i].odds
			if o.cutter < 0 {
				p *= o.at[n]
				continue
			}
			row := &cut[o.cutter]
			if used&(1<<o.cutter) == 0 {
				used |= 1 << o.cutter
				for e := range row {
					row[e] = 1
				}
			}
			for e := range row {
				row[e] *= o.at[n*cutNodes+e]
			}
		}
		for u := used; u != 0; u &= u - 1 {
			sum := 0.0
			for e, x := range cut[bits.TrailingZeros32(u)] {
				sum += sharedW[e] * x
			}
			p *= sum
		}
		total += p
	}
	return clampProbability(total)
}

// noRisk is the risk that every choice keeps.
const noRisk = 1

// best is the choice of least key that keeps the risk, nil when there is none. Subsets of the tools that cost something and limits of
// waiting are enumerated; within them the key adds over joints.
func (s *solver) best(risk float64) []int {
	s.sort()
	limits := s.dayLimits()
	fees := bitList(s.fees)
	var rooms []room
	for mask := uint64(0); mask < 1<<len(fees); mask++ {
		allowed := ^s.fees
		for b, bit := range fees {
			if mask&(1<<b) != 0 {
				allowed |= bit
			}
		}
		for _, days := range limits {
			if r, ok := s.room(allowed, allowed&s.fees, days); ok {
				rooms = append(rooms, r)
			}
		}
	}
	sort.SliceStable(rooms, func(a, b int) bool { return rooms[a].bound.less(rooms[b].bound) })
	var found []int
	var foundKey key
	for _, r := range rooms {
		if found != nil && beyond(r.bound, foundKey) {
			break
		}
		b := branch{solver: s, room: r, risk: risk, found: found, foundKey: foundKey, choice: make([]int, len(s.pools))}
		b.run()
		found, foundKey = b.found, b.foundKey
	}
	return found
}

// sort puts the options of each joint in the order in which they are tried.
func (s *solver) sort() {
	s.sorted = make([][]int, len(s.pools))
	for j, pool := range s.pools {
		s.sorted[j] = slices.Clone(pool)
		slices.SortStableFunc(s.sorted[j], func(a, b int) int {
			switch x, y := s.part(j, a), s.part(j, b); {
			case x.less(y):
				return -1
			case y.less(x):
				return 1
			}
			return 0
		})
	}
}

// dayLimits are the waiting times that options ask for, ascending.
func (s *solver) dayLimits() []int {
	seen := map[int]bool{}
	var out []int
	for j, pool := range s.pools {
		for _, i := range pool {
			if d := s.d.options[j][i].Days; !seen[d] {
				seen[d] = true
				out = append(out, d)
			}
		}
	}
	sort.Ints(out)
	return out
}

func bitList(b uint64) []uint64 {
	var out []uint64
	for ; b != 0; b &= b - 1 {
		out = append(out, b&-b)
	}
	return out
}

// room is what may be chosen with some tools and some patience.
type room struct {
	lists [][]int // by joint, ascending in (metal, own loss, index)
	rest  []key   // least key of the joints from this one on
	top   []top   // greatest odds of the joints from this one on
	fixed float64 // tools and waiting
	bound key
}

func (s *solver) room(allowed, paid uint64, days int) (room, bool) {
	n := len(s.pools)
	r := room{lists: make([][]int, n), rest: make([]key, n+1), top: make([]top, n+1),
		fixed: toolCost(s.d.Series, paid) + s.d.Losses.WaitingDay*float64(days)}
	r.top[n] = top{least: 1}
	for j := n - 1; j >= 0; j-- {
		list := s.d.options[j]
		for _, i := range s.sorted[j] {
			if o := &list[i]; o.uses&^allowed == 0 && o.Days <= days {
				if r.lists[j] == nil {
					r.lists[j] = make([]int, 0, len(s.sorted[j]))
				}
				r.lists[j] = append(r.lists[j], i)
			}
		}
		if len(r.lists[j]) == 0 {
			if len(s.pools[j]) > 0 {
				return room{}, false
			}
			r.rest[j], r.top[j] = r.rest[j+1], r.top[j+1]
			continue
		}
		least := s.part(j, r.lists[j][0])
		r.rest[j] = key{r.rest[j+1].metal + least.metal, r.rest[j+1].loss + least.loss}
		greatest := 0.0
		for _, i := range r.lists[j] {
			greatest = math.Max(greatest, list[i].Success)
		}
		r.top[j] = top{least: math.Min(r.top[j+1].least, greatest)}
	}
	r.bound = key{r.rest[0].metal, r.rest[0].loss + r.fixed}
	return r, true
}

func (s *solver) part(j, i int) key {
	o := &s.d.options[j][i]
	return key{s.metal(*o), o.own.own()}
}

// top bounds the success of joints still to be chosen: all of them succeed at
// most as often as the least likely of them.
type top struct{ least float64 }

// branch searches one room depth first.
type branch struct {
	*solver
	room
	risk     float64
	found    []int
	foundKey key
	choice   []int
}

func (b *branch) run() {
	if !meets(b.top[0].least+1e-9, b.risk) {
		return
	}
	b.down(0, key{loss: b.fixed})
}

// beyond leaves room for rounding, so that a tie is not cut off by the order
// in which a sum was taken.
func beyond(bound, found key) bool {
	slack := func(x float64) float64 { return 1e-9 * (1 + math.Abs(x)) }
	if math.Abs(bound.metal-found.metal) > slack(found.metal) {
		return bound.metal > found.metal
	}
	return bound.loss > found.loss+slack(found.loss)
}

func (b *branch) down(j int, sofar key) {
	if b.found != nil {
		bound := key{sofar.metal + b.rest[j].metal, sofar.loss + b.rest[j].loss}
		if beyond(bound, b.foundKey) {
			return
		}
	}
	if j == len(b.choice) {
		b.leaf()
		return
	}
	if len(b.lists[j]) == 0 {
		b.choice[j] = -1
		b.down(j+1, sofar)
		return
	}
	for _, i := range b.lists[j] {
		p := b.part(j, i)
		b.choice[j] = i
		if b.risk < noRisk && !meets(b.prefix(j)+1e-9, b.risk) {
			continue
		}
		b.down(j+1, key{sofar.metal + p.metal, sofar.loss + p.loss})
	}
}

// prefix is the success of the joints chosen so far, which later joints can
// only lessen.
func (b *branch) prefix(j int) float64 { return b.success(b.choice[:j+1]) }

func (b *branch) leaf() {
	if b.risk < noRisk && !meets(b.success(b.choice), b.risk) {
		return
	}
	k := b.key(b.choice)
	if b.found == nil || k.less(b.foundKey) || k == b.foundKey && before(b.choice, b.found) {
		b.found = append([]int(nil), b.choice...)
		b.foundKey = k
	}
}

func before(a, b []int) bool {
	for i := range a {
		if a[i] != b[i] {
			return a[i] < b[i]
		}
	}
	return false
}
