package choice

import (
	"fmt"
	"math"
	"sort"

	"pinwright/internal/calc/conformity"
	"pinwright/internal/calc/wornsize"
)

// Preference is what a set is decided for.
type Preference string

// See the package comment for what each minimises.
const (
	Uniform    Preference = "uniform"
	LeastMetal Preference = "least_metal"
	Cheapest   Preference = "cheapest"
)

// Status says whether the stated risk is kept.
type Status string

// NoOption: nothing at all is open. Of a plan: nothing is open for some joint.
const (
	Decided     Status = "decided"
	Provisional Status = "provisional"
	NoOption    Status = "no_option"
)

// Problem is a set of joints to be decided together.
type Problem struct {
	Posterior  wornsize.Posterior
	Series     []Step // ascending, the standard first
	Joints     []Joint
	Losses     Losses
	Risk       Risk
	Preference Preference // empty: Cheapest
	// Nominal is the size that all others are counted from, µm. It only chooses
	// drills for a first cut; zero: their sizes are not rounded to a drill's.
	Nominal float64

	kept *windowCache // of what does not depend on the bores
}

// Answer is the decision: every option of every joint, the three plans in the
// order Uniform, LeastMetal, Cheapest, and the one chosen.
type Answer struct {
	Options [][]Option // by joint, then in the order of kinds and steps
	Plans   []Plan
	Chosen  Plan
}

// Plan takes one option for each joint.
type Plan struct {
	Preference Preference
	Joints     []JointChoice
	Status     Status
	Success    float64 // probability that every joint meets its target
	Loss       Loss    // of the set: tools once each, waiting of the slowest
	Days       int
	PriceMinor int64 // pins, bushes and parts to buy
	Reamers    []string
	UniformPin bool // every joint ends with the same step
}

// JointChoice is one joint's part of a plan; Option and RunnerUp index
// Answer.Options, -1 when there is none.
type JointChoice struct {
	Option   int
	Status   Status
	RunnerUp int
	WhyNot   Reason // why the runner-up was not taken
}

// Plan returns the plan of a preference.
func (a Answer) Plan(p Preference) Plan {
	for _, plan := range a.Plans {
		if plan.Preference == p {
			return plan
		}
	}
	return a.Chosen
}

// Decide lays out the options of every joint and takes one for each. Joints
// whose readings say the same are still decided each for itself. It returns an
// error that says how to mend the problem when features, laws or limits do not
// fit together. The same problem gives the same answer.
func Decide(p Problem) (Answer, error) {
	if err := p.check(); err != nil {
		return Answer{}, err
	}
	p.kept = &windowCache{}
	d := lay(p)
	a := Answer{Options: d.options}
	for _, pref := range []Preference{Uniform, LeastMetal, Cheapest} {
		a.Plans = append(a.Plans, d.plan(pref))
	}
	want := p.Preference
	if want == "" {
		want = Cheapest
	}
	a.Chosen = a.Plan(want)
	return a, nil
}

// desk is a problem with its options laid out and the choices admitted.
type desk struct {
	Problem
	options [][]Option
	pools   [][]int // admitted options of each joint, ascending
}

func lay(p Problem) desk {
	d := desk{Problem: p}
	for _, j := range p.Joints {
		d.options = append(d.options, options(p, j))
	}
	for j := range d.options {
		d.pools = append(d.pools, d.admit(j))
	}
	return d
}

// rescue options stay open after a failed cut.
func rescue(k Kind) bool { return k == BushBack || k == ReplacePart }

// admit picks what a plan may take for a joint: the open options that keep the
// risk. When there are none, those whose success comes within the risk of the
// greatest, and the one of least loss unless it is refused. A rescue is
// admitted only when alone it loses no more than every other open option.
func (d desk) admit(j int) []int {
	least := math.Inf(1)
	for _, o := range d.options[j] {
		if o.Open && !rescue(o.Kind) {
			least = math.Min(least, o.Loss.Total())
		}
	}
	var all, keep []int
	greatest, cheapest := 0.0, -1
	for i, o := range d.options[j] {
		if !o.Open || rescue(o.Kind) && o.Loss.Total() > least {
			continue
		}
		all = append(all, i)
		if meets(o.Success, d.Risk.Joint) {
			keep = append(keep, i)
		}
		greatest = math.Max(greatest, o.Success)
		if cheapest < 0 || o.Loss.Total() < d.options[j][cheapest].Loss.Total() {
			cheapest = i
		}
	}
	if len(keep) > 0 || cheapest < 0 {
		return keep
	}
	if greatest <= d.Risk.Joint {
		return []int{cheapest}
	}
	for _, i := range all {
		o := d.options[j][i]
		if o.Success >= greatest-d.Risk.Joint || i == cheapest && o.Verdict != conformity.Refused {
			keep = append(keep, i)
		}
	}
	return keep
}

// plan decides the set for one preference.
func (d desk) plan(pref Preference) Plan {
	var choice []int
	switch pref {
	case Uniform:
		choice = d.uniform()
	case LeastMetal:
		choice = d.leastMetal()
	default:
		choice = d.solve(d.pools, false)
	}
	return d.describe(pref, choice)
}

// solve minimises under the risk of the set, or without it when it cannot be
// kept.
func (d desk) solve(pools [][]int, metalFirst bool) []int {
	s := d.solver(pools, metalFirst)
	if best := s.best(d.Risk.Set); best != nil {
		return best
	}
	return s.best(noRisk)
}

// uniform tries every rank that all joints admit, then every rank that is open
// to all; nil when no size serves all joints.
func (d desk) uniform() []int {
	open := make([][]int, len(d.options))
	for j, list := range d.options {
		for i, o := range list {
			if o.Open {
				open[j] = append(open[j], i)
			}
		}
	}
	for _, pools := range [][][]int{d.pools, open} {
		var best []int
		var bestKey key
		bestMeets := false
		for _, rank := range d.ranks() {
			same := d.filter(pools, func(o Option) bool { return o.Rank == rank && o.Kind != CutSmallerAndLook })
			if !d.covers(same) {
				continue
			}
			choice := d.solve(same, false)
			s := d.solver(same, false)
			k, ok := s.key(choice), meets(s.success(choice), d.Risk.Set)
			if best == nil || ok && !bestMeets || ok == bestMeets && k.less(bestKey) {
				best, bestKey, bestMeets = choice, k, ok
			}
		}
		if best != nil {
			return best
		}
	}
	return nil
}

// leastMetal keeps the greatest step as small as it can, then the sum.
func (d desk) leastMetal() []int {
	for _, risk := range []float64{d.Risk.Set, noRisk} {
		for _, rank := range d.ranks() {
			small := d.filter(d.pools, func(o Option) bool { return o.Rank <= rank })
			if !d.covers(small) {
				continue
			}
			if best := d.solver(small, true).best(risk); best != nil {
				return best
			}
		}
	}
	return nil
}

// ranks lists the ranks in use, ascending.
func (d desk) ranks() []int {
	seen := map[int]bool{}
	var out []int
	for _, list := range d.options {
		for _, o := range list {
			if !seen[o.Rank] {
				seen[o.Rank] = true
				out = append(out, o.Rank)
			}
		}
	}
	sort.Ints(out)
	return out
}

func (d desk) filter(pools [][]int, want func(Option) bool) [][]int {
	out := make([][]int, len(pools))
	for j, pool := range pools {
		for _, i := range pool {
			if want(d.options[j][i]) {
				out[j] = append(out[j], i)
			}
		}
	}
	return out
}

// covers says whether every joint that has anything open keeps an option.
func (d desk) covers(pools [][]int) bool {
	for j := range pools {
		if len(pools[j]) == 0 && len(d.pools[j]) > 0 {
			return false
		}
	}
	return true
}

// describe turns a choice into a plan; nil means that none was possible.
func (d desk) describe(pref Preference, choice []int) Plan {
	p := Plan{Preference: pref, Status: NoOption, Joints: make([]JointChoice, len(d.Joints))}
	if choice == nil {
		for j := range p.Joints {
			p.Joints[j] = JointChoice{Option: -1, Status: NoOption, RunnerUp: -1}
		}
		return p
	}
	s := d.solver(nil, false)
	p.Success = s.success(choice)
	p.Status = Provisional
	if meets(p.Success, d.Risk.Set) {
		p.Status = Decided
	}
	uses := uint64(0)
	steps := map[int]bool{}
	for j, i := range choice {
		if i < 0 {
			p.Joints[j] = JointChoice{Option: -1, Status: NoOption, RunnerUp: -1}
			p.Status, p.Success = NoOption, 0
			continue
		}
		o := d.options[j][i]
		c := JointChoice{Option: i, Status: Decided}
		if !meets(o.Success, d.Risk.Joint) {
			c.Status = Provisional
			if p.Status == Decided {
				p.Status = Provisional
			}
		}
		c.RunnerUp, c.WhyNot = d.runnerUp(j, i)
		p.Joints[j] = c
		p.Loss = p.Loss.plus(o.own)
		p.Days = max(p.Days, o.Days)
		p.PriceMinor += o.PriceMinor
		uses |= o.uses
		if o.Kind == CutSmallerAndLook {
			steps[-2] = true
		}
		steps[o.Step] = true
	}
	p.UniformPin = len(steps) == 1
	p.Loss.Tools = toolCost(d.Series, uses)
	p.Loss.Waiting = d.Losses.WaitingDay * float64(p.Days)
	for s, step := range d.Series {
		if uses&(1<<s) != 0 {
			p.Reamers = append(p.Reamers, step.Reamer.Code)
		}
		if uses&(1<<(32+s)) != 0 {
			p.Reamers = append(p.Reamers, step.HeldReamer.Code)
		}
	}
	return p
}

// runnerUp is the best other open option of a joint standing alone: those that
// keep the risk first, then by loss.
func (d desk) runnerUp(j, chosen int) (int, Reason) {
	best := -1
	better := func(a, b Option) bool {
		if x, y := meets(a.Success, d.Risk.Joint), meets(b.Success, d.Risk.Joint); x != y {
			return x
		}
		return a.Loss.Total() < b.Loss.Total()
	}
	for i, o := range d.options[j] {
		if i != chosen && o.Open && (best < 0 || better(o, d.options[j][best])) {
			best = i
		}
	}
	if best < 0 {
		return -1, Reason{}
	}
	o, c := d.options[j][best], d.options[j][chosen]
	more := o.Loss.Total() - c.Loss.Total()
	switch {
	case !meets(o.Success, d.Risk.Joint):
		return best, Reason{"success_too_unlikely", []Param{{"success", o.Success, "1"}, {"needed", 1 - d.Risk.Joint, "1"}},
			fmt.Sprintf("It succeeds with probability %.2f; %.2f is asked for.", o.Success, 1-d.Risk.Joint)}
	case more > 0:
		return best, Reason{"greater_loss", []Param{{"more", more, "minor"}},
			fmt.Sprintf("Its expected loss is greater by %.0f minor units.", more)}
	default:
		return best, Reason{"set_decides_otherwise", []Param{{"more", more, "minor"}},
			"Alone it would do as well; the set with its shared reamers, waiting and risk decides otherwise."}
	}
}
