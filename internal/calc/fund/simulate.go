package fund

import (
	"context"
	"math"
)

// futures is what happened in each future, all by path and month: [path * months + month].
type futures struct {
	months, paths int
	came          []float64 // by jobs, up to the end of the month
	spent         []float64 // on tools
	uses          []float64
}

// work is what happened to one tool: in how many futures it was first sharpened and
// first replaced in each month, how often at all.
type work struct {
	sharpened, replaced     []int // first, by month
	sharpenings, renewals   float64
	cost                    float64
	uses                    float64
	sharpenedAt, replacedAt []int32 // by path, -1: not within the months
}

// wearing is a tool in one future.
type wearing struct {
	Tool
	lives       *stream
	left, taken int
	sharpenings int
	sharpened   bool
	replaced    bool
	renewals    int // of this month
	work        *work
}

// simulate plays all futures, a pool after another. It gives up when ctx ends.
func simulate(ctx context.Context, c Case, pools []Pool) (futures, [][]work, error) {
	f := futures{months: c.Months, paths: c.Paths}
	n := c.Paths * c.Months
	f.came, f.spent, f.uses = make([]float64, n), make([]float64, n), make([]float64, n)
	all := make([][]work, len(pools))
	for i, p := range pools {
		all[i] = make([]work, len(p.Tools))
		for j := range all[i] {
			w := &all[i][j]
			w.sharpened, w.replaced = make([]int, c.Months+1), make([]int, c.Months+1)
			w.sharpenedAt, w.replacedAt = make([]int32, c.Paths), make([]int32, c.Paths)
		}
		if err := f.play(ctx, c, p, all[i]); err != nil {
			return f, nil, err
		}
	}
	// What happened in each month is summed up only now, so that adding is the same in any order of pools.
	for path := range c.Paths {
		for m := 1; m < c.Months; m++ {
			at := path*c.Months + m
			f.came[at] += f.came[at-1]
			f.spent[at] += f.spent[at-1]
			f.uses[at] += f.uses[at-1]
		}
	}
	return f, all, nil
}

// asking is a source in one future.
type asking struct {
	Source
	rate, jobs, sizes *stream
	law               poisson
}

func (f *futures) play(ctx context.Context, c Case, p Pool, works []work) error {
	sources := make([]asking, len(p.Sources))
	for i, s := range p.Sources {
		sources[i] = asking{Source: s, rate: newStream(c.Seed, "rate", s.Key), jobs: newStream(c.Seed, "jobs", s.Key), sizes: newStream(c.Seed, "sizes", s.Key)}
		sources[i].law.set(s.Jobs)
	}
	tools := make([]wearing, len(p.Tools))
	for i, t := range p.Tools {
		tools[i] = wearing{Tool: t, lives: newStream(c.Seed, "lives", t.Key), work: &works[i]}
	}
	for path := range f.paths {
		if path%64 == 0 && ctx.Err() != nil {
			return ctx.Err()
		}
		for i := range sources {
			sources[i].begin(path)
		}
		for i := range tools {
			tools[i].begin(path)
		}
		for m := range f.months {
			at := path*f.months + m
			for i := range tools {
				t := &tools[i]
				t.renewals = 0
				if t.left == 0 { // used up before today
					f.spent[at] += t.renew(path, m)
				}
			}
			for i := range sources {
				s := &sources[i]
				for range s.asks(m) {
					size := s.size()
					f.came[at] += s.PerJob + s.PerUse*float64(size)
					f.uses[at] += float64(size)
					if t := least(tools); t != nil {
						f.spent[at] += t.use(size, path, m)
					}
				}
			}
		}
	}
	return nil
}

func (s *asking) begin(path int) {
	s.rate.begin(path)
	s.jobs.begin(path)
	s.sizes.begin(path)
	if s.Doubt > 0 && s.Jobs > 0 {
		s.law.set(math.Min(s.Jobs*s.rate.gamma(1/(s.Doubt*s.Doubt)), 100*mostJobs))
	}
}

// asks is how many jobs there are in a month: those that are booked, or more.
func (s *asking) asks(month int) int {
	n := s.law.at(s.jobs.uniform())
	if month < len(s.Booked) {
		n = max(n, s.Booked[month])
	}
	return n
}

func (s *asking) size() int {
	if len(s.Sizes) == 0 {
		return 1
	}
	return s.Sizes[min(len(s.Sizes)-1, int(s.sizes.uniform()*float64(len(s.Sizes))))]
}

// least is the tool that has taken the fewest uses, of equal ones the first.
func least(tools []wearing) *wearing {
	var out *wearing
	for i := range tools {
		if t := &tools[i]; out == nil || t.taken < out.taken {
			out = t
		}
	}
	return out
}

func (t *wearing) begin(path int) {
	t.lives.begin(path)
	t.left, t.taken = whole(t.Left(t.lives.uniform()), 0), 0
	t.sharpenings, t.sharpened, t.replaced = t.SharpeningsLeft, false, false
	t.work.sharpenedAt[path], t.work.replacedAt[path] = -1, -1
}

// use wears the tool by n uses and returns what that cost.
func (t *wearing) use(n, path, month int) (cost float64) {
	t.taken += n
	t.work.uses += float64(n)
	for n >= t.left {
		if t.renewals == renewalsAMonth {
			return cost
		}
		n -= t.left
		cost += t.renew(path, month)
	}
	t.left -= n
	return cost
}

// renew sharpens the tool or replaces it.
func (t *wearing) renew(path, month int) (cost float64) {
	t.renewals++
	t.left = whole(t.Life(t.lives.uniform()), 1)
	if t.sharpenings > 0 {
		t.sharpenings--
		t.work.sharpenings++
		cost = t.Sharpen
		if !t.sharpened {
			t.sharpened, t.work.sharpenedAt[path] = true, int32(month+1)
			t.work.sharpened[month+1]++
		}
	} else {
		t.sharpenings = t.Sharpenings
		t.work.renewals++
		cost = t.Replace
		if !t.replaced {
			t.replaced, t.work.replacedAt[path] = true, int32(month+1)
			t.work.replaced[month+1]++
		}
	}
	t.work.cost += cost
	return cost
}
