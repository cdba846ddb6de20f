package fund

import (
	"context"
	"math"
	"slices"
)

// Levels are the probabilities of the quantiles that are told.
var Levels = [5]float64{0.05, 0.25, 0.5, 0.75, 0.95}

// Estimate is a number with the standard error that drawing gave it.
type Estimate struct{ Value, SE float64 }

// Month is the fund at the end of a month.
type Month struct {
	Balance [5]Estimate // quantiles at Levels
	Failed  Estimate    // probability that the balance was below nothing by then
	First   Estimate    // probability that it was so for the first time
}

// Timing is when something first happens to a tool.
type Timing struct {
	Within    Estimate  // probability that it does within the months
	Quantiles [5]int    // months at Levels; 0: not within the months
	ByMonth   []float64 // probability of each month, from month 0, which has none
}

// Work is what a tool is foreseen to need.
type Work struct {
	Key                 string
	Uses                float64 // expected within the months, as are these
	Sharpenings         float64
	Replacements        float64
	Cost                float64
	Sharpened, Replaced Timing
}

// Forecast is the answer.
type Forecast struct {
	Months     []Month // from month 0, today
	Failed     Estimate
	Likeliest  int // the month in which the balance most likely falls below nothing first; -1: in none in any future
	Uses       float64
	Income     float64 // expected by jobs within the months
	Cost       float64 // expected on tools
	Tools      []Work  // by key
	Paths      int
	Multiplier Estimate // of what jobs bring now that keeps failure at the risk; infinite: none does
	PerUse     Estimate // what each use must bring more for that; below 0: could bring less; infinite: nothing keeps it
	Spare      Estimate // what could be taken out today for that; below 0: must be paid in
}

// Foretell answers c. The error wraps ErrCase, or is ctx's.
func Foretell(ctx context.Context, c Case) (Forecast, error) {
	if err := c.check(); err != nil {
		return Forecast{}, err
	}
	pools := c.inOrder()
	f, works, err := simulate(ctx, c, pools)
	if err != nil {
		return Forecast{}, err
	}
	given := make([]float64, c.Months) // without jobs and tools
	sum := c.Balance
	for m := range given {
		if m < len(c.Payments) {
			sum += c.Payments[m]
		}
		given[m] = sum
	}
	out := Forecast{Paths: c.Paths, Likeliest: -1}
	out.months(c, f, given)
	out.keep(c, f, given)
	for i, p := range pools {
		for j, t := range p.Tools {
			out.Tools = append(out.Tools, works[i][j].told(t.Key, c.Paths))
		}
	}
	for path := range c.Paths {
		last := path*c.Months + c.Months - 1
		out.Uses += f.uses[last] / float64(c.Paths)
		out.Income += f.came[last] / float64(c.Paths)
		out.Cost += f.spent[last] / float64(c.Paths)
	}
	return out, nil
}

// below is what counts as below nothing: less than what adding up may lose.
const below = -1e-3

func (out *Forecast) months(c Case, f futures, given []float64) {
	out.Months = make([]Month, c.Months+1)
	first := make([][]float64, c.Months+1) // by month and batch: futures that failed first then
	for m := range first {
		first[m] = make([]float64, Batches)
	}
	size := c.Paths / Batches
	for path := range c.Paths {
		if c.Balance < below {
			first[0][path/size]++
			continue
		}
		for m := range c.Months {
			if at := path*c.Months + m; given[m]+f.came[at]-f.spent[at] < below {
				first[m+1][path/size]++
				break
			}
		}
	}
	failed := make([]float64, Batches)
	most := 0.0
	for m := range first {
		for b := range failed {
			first[m][b] /= float64(size)
			failed[b] += first[m][b]
		}
		month := &out.Months[m]
		month.First, month.Failed = mean(first[m]), mean(failed)
		if month.First.Value > most {
			most, out.Likeliest = month.First.Value, m
		}
		for q := range month.Balance {
			month.Balance[q] = Estimate{Value: c.Balance}
		}
	}
	out.Failed = out.Months[c.Months].Failed
	values := make([]float64, c.Paths)
	for m := range c.Months {
		for path := range values {
			at := path*c.Months + m
			values[path] = given[m] + f.came[at] - f.spent[at]
		}
		for q, e := range quantiles(values, Levels[:]) {
			out.Months[m+1].Balance[q] = e
		}
	}
}

// keep finds what keeps failure at the risk: for each future what would be just enough in
// it, then the most of these but for as many futures as may fail.
func (out *Forecast) keep(c Case, f futures, given []float64) {
	times, more, spare := make([]float64, c.Paths), make([]float64, c.Paths), make([]float64, c.Paths)
	for path := range c.Paths {
		factor, each, left := 0.0, math.Inf(-1), c.Balance
		for m := range c.Months {
			at := path*c.Months + m
			short := f.spent[at] - given[m] // without what jobs bring
			left = math.Min(left, f.came[at]-short)
			switch {
			case short <= -below:
			case f.came[at] > 0:
				factor = math.Max(factor, short/f.came[at])
			default:
				factor = math.Inf(1)
			}
			switch rest := short - f.came[at]; {
			case f.uses[at] > 0:
				each = math.Max(each, rest/f.uses[at])
			case rest > -below:
				each = math.Inf(1)
			}
		}
		if c.Balance < below { // failed already, whatever is charged
			factor, each = math.Inf(1), math.Inf(1)
		}
		times[path], more[path], spare[path] = factor, each, left
	}
	out.Multiplier, out.PerUse = kept(times, c.Risk), kept(more, c.Risk)
	for i := range spare {
		spare[i] = -spare[i]
	}
	out.Spare = kept(spare, c.Risk)
	out.Spare.Value = -out.Spare.Value
}

// kept is the least level that as many of the needs as 1 - risk do not exceed.
func kept(needs []float64, risk float64) Estimate {
	level := func(values []float64) float64 {
		slices.Sort(values)
		return values[len(values)-1-int(risk*float64(len(values))+1e-9)]
	}
	batches := make([]float64, Batches)
	size := len(needs) / Batches
	work := make([]float64, size)
	for b := range batches {
		copy(work, needs[b*size:])
		batches[b] = level(work)
	}
	out := mean(batches)
	out.Value = level(needs)
	if math.IsInf(out.Value, 0) || math.IsNaN(out.SE) || math.IsInf(out.SE, 0) {
		out.SE = 0
	}
	return out
}

// mean is the mean of the batches' values with its standard error.
func mean(batches []float64) Estimate {
	sum := 0.0
	for _, v := range batches {
		sum += v
	}
	n := float64(len(batches))
	m, squares := sum/n, 0.0
	for _, v := range batches {
		squares += (v - m) * (v - m)
	}
	return Estimate{m, math.Sqrt(squares / (n - 1) / n)}
}

// quantiles are those of all values, with the errors that those of the batches tell. It
// is the inverse of the empirical distribution function (type 1 of R. J. Hyndman, Y. Fan, Amer. Statist. 50 (1996) 361).
func quantiles(values []float64, levels []float64) []Estimate {
	size := len(values) / Batches
	of := func(sorted []float64, p float64) float64 {
		return sorted[max(0, int(math.Ceil(p*float64(len(sorted))-1e-9))-1)]
	}
	each := make([][]float64, len(levels))
	work := make([]float64, size)
	for b := range Batches {
		copy(work, values[b*size:])
		slices.Sort(work)
		for q, p := range levels {
			each[q] = append(each[q], of(work, p))
		}
	}
	all := slices.Clone(values)
	slices.Sort(all)
	out := make([]Estimate, len(levels))
	for q, p := range levels {
		out[q] = Estimate{of(all, p), mean(each[q]).SE}
	}
	return out
}

func (w *work) told(key string, paths int) Work {
	n := float64(paths)
	return Work{Key: key, Uses: w.uses / n, Sharpenings: w.sharpenings / n, Replacements: w.renewals / n, Cost: w.cost / n,
		Sharpened: timing(w.sharpened, w.sharpenedAt), Replaced: timing(w.replaced, w.replacedAt)}
}

func timing(first []int, at []int32) Timing {
	out := Timing{ByMonth: make([]float64, len(first))}
	batches := make([]float64, Batches)
	size := len(at) / Batches
	for path, month := range at {
		if month > 0 {
			batches[path/size] += 1 / float64(size)
		}
	}
	out.Within = mean(batches)
	sum := 0
	for m, n := range first {
		out.ByMonth[m] = float64(n) / float64(len(at))
		for q, p := range Levels {
			if before := float64(sum); out.Quantiles[q] == 0 && n > 0 && before < p*float64(len(at))-1e-9 && float64(sum+n) >= p*float64(len(at))-1e-9 {
				out.Quantiles[q] = m
			}
		}
		sum += n
	}
	return out
}
