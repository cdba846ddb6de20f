package fund

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
)

// Bounds of a question, so that its work is bounded too.
const (
	MostMonths = 60
	MostTools  = 500     // and as many sources
	MostPaths  = 100_000 // and as many as keep Paths x Months x (tools + sources) below mostWork
	Batches    = 50
	mostWork   = 200_000_000
	mostJobs   = 1000 // expected in a month
	mostUses   = 10_000
	mostMoney  = 1e13
	// renewalsAMonth bounds how often one tool is renewed in one month: once a
	// day. Where a life is shorter than a day's work the cost is told too low, and nothing about that tool is worth
	// knowing but that.
	renewalsAMonth = 31
)

// ErrCase is what the errors of a question that cannot be answered wrap.
var ErrCase = errors.New("not a question about a fund")

// Case is a question.
type Case struct {
	Balance  float64   // today, in minor units
	Payments []float64 // in each month, beside what jobs bring; short: nothing in the months after
	Pools    []Pool
	Months   int     // how far to look
	Risk     float64 // of failing within Months that is still taken, such as 0.05
	Paths    int     // futures, a multiple of Batches
	Seed     uint64
}

// Pool is tools that stand in for one another, and what asks for them.
type Pool struct {
	Sources []Source
	Tools   []Tool
}

// Source is where jobs come from.
type Source struct {
	Key    string // its own
	Jobs   float64
	Doubt  float64 // standard deviation of the rate, as a part of Jobs; 0: known
	Booked []int   // jobs already booked in each month; short: none in the months after
	Sizes  []int   // uses of jobs seen before, each as likely; none: 1
	PerJob float64 // what a job brings
	PerUse float64 // and each use of it
}

// Tool is what wears.
type Tool struct {
	Key             string // its own
	Left            Life   // uses until the first work on it
	Life            Life   // uses from each work on it until the next
	Replace         float64
	Sharpen         float64
	Sharpenings     int // how often a new one is sharpened before it is replaced
	SharpeningsLeft int
}

// Learned is a source's rate after so many jobs in so many months: the gamma posterior of a weak
// prior worth half a job in one month (half a job is Jeffreys' prior of a Poisson rate, e.g. A. Gelman et al., Bayesian
// Data Analysis, 2.8; the month keeps a tool that came yesterday from being thought busy).
func Learned(jobs int, months float64) (mean, doubt float64) {
	shape := float64(jobs) + 0.5
	return shape / (math.Max(0, months) + 1), 1 / math.Sqrt(shape)
}

// PathsFor is how many futures a case may have so that it is answered while somebody
// waits: more tools, fewer futures.
func PathsFor(tools, months int) int {
	n := 2_400_000 / max(1, tools*months)
	return min(20_000, max(1000, n/Batches*Batches))
}

func (c Case) check() error {
	refuse := func(format string, args ...any) error {
		return fmt.Errorf("%w: %s", ErrCase, fmt.Sprintf(format, args...))
	}
	amount := func(v float64) bool { return math.Abs(v) <= mostMoney } // false for NaN
	switch {
	case c.Months < 1 || c.Months > MostMonths:
		return refuse("it looks %d months ahead; 1 to %d can be", c.Months, MostMonths)
	case c.Paths < Batches || c.Paths > MostPaths || c.Paths%Batches != 0:
		return refuse("it has %d futures; a multiple of %d up to %d can be", c.Paths, Batches, MostPaths)
	case !(c.Risk >= 0 && c.Risk < 1):
		return refuse("the risk is %g; 0 to below 1 can be", c.Risk)
	case !amount(c.Balance):
		return refuse("the balance is %g", c.Balance)
	}
	for _, p := range c.Payments {
		if !amount(p) {
			return refuse("a payment is %g", p)
		}
	}
	keys, tools, sources := map[string]bool{}, 0, 0
	for _, p := range c.Pools {
		tools, sources = tools+len(p.Tools), sources+len(p.Sources)
		for _, s := range p.Sources {
			switch {
			case keys["s"+s.Key]:
				return refuse("there are two sources %q", s.Key)
			case !(s.Jobs >= 0 && s.Jobs <= mostJobs) || !(s.Doubt >= 0 && s.Doubt <= 10):
				return refuse("source %q has %g jobs a month with a doubt of %g", s.Key, s.Jobs, s.Doubt)
			case !amount(s.PerJob) || !amount(s.PerUse):
				return refuse("source %q brings %g a job and %g a use", s.Key, s.PerJob, s.PerUse)
			case slices.ContainsFunc(s.Sizes, func(n int) bool { return n < 1 || n > mostUses }):
				return refuse("source %q has jobs that take less than 1 use or more than %d", s.Key, mostUses)
			case slices.ContainsFunc(s.Booked, func(n int) bool { return n < 0 || n > mostJobs }):
				return refuse("source %q has less than 0 jobs booked in a month or more than %d", s.Key, mostJobs)
			}
			keys["s"+s.Key] = true
		}
		for _, t := range p.Tools {
			switch {
			case keys["t"+t.Key]:
				return refuse("there are two tools %q", t.Key)
			case t.Left == nil || t.Life == nil:
				return refuse("tool %q has no life", t.Key)
			case !amount(t.Replace) || !amount(t.Sharpen) || t.Replace < 0 || t.Sharpen < 0:
				return refuse("tool %q costs %g to replace and %g to sharpen", t.Key, t.Replace, t.Sharpen)
			case t.Sharpenings < 0 || t.SharpeningsLeft < 0 || t.Sharpenings > 1000 || t.SharpeningsLeft > 1000:
				return refuse("tool %q is sharpened %d times, %d of them still to come", t.Key, t.Sharpenings, t.SharpeningsLeft)
			}
			keys["t"+t.Key] = true
		}
	}
	if tools > MostTools || sources > MostTools {
		return refuse("it has %d tools and %d sources; up to %d of each can be", tools, sources, MostTools)
	}
	if c.Paths*c.Months*(tools+sources) > mostWork {
		return refuse("%d futures of %d months of %d tools are too much work; take fewer", c.Paths, c.Months, tools)
	}
	return nil
}

// inOrder are the pools, and all within them, by key.
func (c Case) inOrder() []Pool {
	out := make([]Pool, len(c.Pools))
	for i, p := range c.Pools {
		out[i] = Pool{slices.Clone(p.Sources), slices.Clone(p.Tools)}
		slices.SortFunc(out[i].Sources, func(a, b Source) int { return strings.Compare(a.Key, b.Key) })
		slices.SortFunc(out[i].Tools, func(a, b Tool) int { return strings.Compare(a.Key, b.Key) })
	}
	slices.SortFunc(out, func(a, b Pool) int { return strings.Compare(a.key(), b.key()) })
	return out
}

// key is the least key within it, that of a tool before that of a source.
func (p Pool) key() string {
	switch {
	case len(p.Tools) > 0:
		return "t" + p.Tools[0].Key
	case len(p.Sources) > 0:
		return "s" + p.Sources[0].Key
	}
	return ""
}
