package fund

import (
	"bytes"
	"cmp"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/calc/fund"
	"pinwright/internal/cutting"
	"pinwright/internal/tariff"
)

// What something rests on.
const (
	Recorded = "recorded" // uses as they were told
	OfModel  = "model"    // of other tools of the model, or as the model has it
	Usual    = "usual"    // nothing of the club: a usual value
	Charged  = "charged"  // what was booked for its uses
	Flat     = "flat"     // what its model costs for a loan
	Club     = "club"     // costs as the club stated them
	Asked    = "asked"    // what a change asks about
	OfTool   = "tool"     // what the club says the tool is worth
	Nothing  = "none"
)

// NoEnd is a number of uses from which on no end is in sight.
const NoEnd = cutting.MostUses

// usualUses of one loan, where none were recorded: orders of magnitude (common practice, no published source).
var usualUses = map[string]int{"reamer": 4, "puller": 2, "press": 4, "drift": 2, "pin_gauge": 4, "plug_gauge": 4, "micrometer": 10, "inside_micrometer": 10, "caliper": 10, "bore_gauge": 10, "telescoping_gauge": 10}

// usualShape of a life by the Weibull law: a standard deviation of about a third of the mean
// (common practice, no published source).
const usualShape = 3.0

// Tool is what a forecast takes a tool for.
type Tool struct {
	ID              uuid.UUID
	Number          string
	ModelID         uuid.UUID
	Model           string
	Kind            string
	Jobs            int     // in the past that was learned from
	Over            float64 // months of it
	Booked          int
	PerMonth        float64 // jobs expected
	UsesPerJob      float64
	UsesFrom        string // Recorded, OfModel or Usual
	LifeFrom        string // CutSize, Lives, Club or Usual
	Left            [3]float64
	Cost            *int64 // none: not known, and counted as nothing
	CostFrom        string // Club, OfTool, OfModel, Asked, Nothing
	SharpeningCost  int64
	SharpeningFrom  string // Club or Usual
	Sharpenings     int
	SharpeningsLeft int
	PerJob, PerUse  float64 // what it brings
	PriceFrom       string  // Charged, Club, Flat, Asked, Nothing
	TurnedAway      float64
	Added           bool // by a change
	source          fund.Source
	wears           fund.Tool
}

// Basis is what both forecasts of a question rest on.
type Basis struct {
	Today    time.Time
	PutBy    int64
	Bought   int64
	FromFund bool // the balance is less by what was bought
	Balance  int64
	Tools    []Tool
	Idle     int // tools that nobody borrowed
	All      int
}

// Basis reckons with what is known. Where fromFund, what the books say that tools were bought for is
// taken as spent from the fund.
func (k *Known) Basis(fromFund bool) Basis {
	out := Basis{Today: k.today, All: len(k.tools.Items)}
	if len(k.put.Items) > 0 {
		out.PutBy, out.Bought = k.put.Items[0].PutBy, k.put.Items[0].Bought
	}
	out.Balance = out.PutBy
	if out.FromFund = fromFund; fromFund {
		out.Balance -= out.Bought
	}
	k.newestFirst()
	jobs, ofModel := map[uuid.UUID][]job{}, map[uuid.UUID][]int{}
	for _, j := range k.jobs.Items {
		jobs[j.ToolID] = append(jobs[j.ToolID], j)
	}
	booked := map[uuid.UUID][]int{}
	for _, b := range k.booked.Items {
		m := min(Months-1, max(0, int(float64(b.At.Sub(k.today))/month)))
		if booked[b.ToolID] == nil {
			booked[b.ToolID] = make([]int, Months)
		}
		booked[b.ToolID][m]++
	}
	charged := map[uuid.UUID][]brought{}
	for _, c := range k.charged.Items {
		charged[c.ToolID] = append(charged[c.ToolID], c)
	}
	costs, lasting := map[uuid.UUID]tariff.Costs{}, map[uuid.UUID]cutting.Remaining{}
	for _, c := range k.costs.Items {
		costs[c.ModelID] = c
	}
	for _, r := range k.lasting.Remaining() {
		lasting[r.ToolID] = r
	}
	for _, t := range k.tools.Items {
		ofModel[t.ModelID] = append(ofModel[t.ModelID], sizesOf(jobs[t.ID])...)
	}
	for _, t := range k.tools.Items {
		if len(jobs[t.ID]) == 0 && booked[t.ID] == nil {
			out.Idle++
			continue
		}
		asked := k.asked(t, jobs[t.ID], booked[t.ID], ofModel[t.ModelID])
		asked.cost(t, costs[t.ModelID])
		asked.price(t, costs[t.ModelID], jobs[t.ID], charged[t.ID])
		asked.lasts(t, costs[t.ModelID], lasting[t.ID])
		out.Tools = append(out.Tools, asked)
	}
	// Where there are more than can be reckoned with, those that are asked for most count.
	if len(out.Tools) > fund.MostTools-mostAdded {
		slices.SortStableFunc(out.Tools, func(a, b Tool) int { return b.Jobs + b.Booked - a.Jobs - a.Booked })
		out.Tools = out.Tools[:fund.MostTools-mostAdded]
		slices.SortFunc(out.Tools, func(a, b Tool) int { return strings.Compare(a.Number, b.Number) })
	}
	return out
}

// newestFirst puts the jobs into an order that only they decide.
func (k *Known) newestFirst() {
	slices.SortFunc(k.jobs.Items, func(a, b job) int {
		return cmp.Or(b.At.Compare(a.At), bytes.Compare(a.ToolID[:], b.ToolID[:]), bytes.Compare(a.MemberID[:], b.MemberID[:]))
	})
}

// sizesOf are the uses of jobs of which some were recorded, of the newest as many as say enough.
func sizesOf(jobs []job) []int {
	var out []int
	for _, j := range jobs {
		if j.Uses != nil && *j.Uses > 0 && len(out) < 200 {
			out = append(out, int(min(*j.Uses, 10_000)))
		}
	}
	return out
}

// asked is t with what it is asked for.
func (k *Known) asked(t toolRow, jobs []job, booked, ofModel []int) Tool {
	out := Tool{ID: t.ID, Number: t.Number, ModelID: t.ModelID, Model: t.ModelCode, Kind: t.Kind, Jobs: len(jobs)}
	if n := len(jobs); n > 0 {
		out.Over = math.Max(0, math.Min(Past, float64(k.today.Sub(jobs[n-1].At))/month))
	} else {
		out.Over = Past
	}
	for _, n := range booked {
		out.Booked += n
	}
	sizes := sizesOf(jobs)
	switch {
	case len(sizes) > 0:
		out.UsesFrom = Recorded
	case len(ofModel) > 0:
		sizes, out.UsesFrom = ofModel[:min(200, len(ofModel))], OfModel
	default:
		sizes, out.UsesFrom = []int{max(1, usualUses[t.Kind])}, Usual
	}
	for _, n := range sizes {
		out.UsesPerJob += float64(n) / float64(len(sizes))
	}
	mean, doubt := fund.Learned(len(jobs), out.Over)
	out.PerMonth = math.Min(mean, 1000)
	out.source = fund.Source{Key: t.ID.String(), Jobs: out.PerMonth, Doubt: doubt, Booked: booked, Sizes: sizes}
	return out
}

// says reports whether the club said that value of c itself.
func says(c tariff.Costs, value string) bool {
	return c.Number > 0 && !slices.Contains(c.Defaults, value)
}

// cost is what replacing and sharpening takes out of the fund. What an old tool is worth in the end comes in when a new one
// is bought.
func (t *Tool) cost(of toolRow, c tariff.Costs) {
	usual := tariff.Usual(of.Kind, of.ValueMinor)
	t.Sharpenings, t.SharpeningCost, t.SharpeningFrom = usual.Sharpenings, usual.SharpeningMinor, Usual
	if c.Number > 0 {
		t.Sharpenings, t.SharpeningCost = c.Sharpenings, c.SharpeningMinor
	}
	if says(c, "sharpening_cost") {
		t.SharpeningFrom = Club
	}
	t.SharpeningsLeft = max(0, t.Sharpenings-of.Sharpened)
	switch {
	case says(c, "cost"):
		t.Cost, t.CostFrom = pointerTo(max(0, c.CostMinor-c.ResidualMinor)), Club
	case of.ValueMinor == nil:
		t.CostFrom = Nothing
	case of.OfModel:
		t.Cost, t.CostFrom = of.ValueMinor, OfModel
	default:
		t.Cost, t.CostFrom = of.ValueMinor, OfTool
	}
	if t.Cost == nil { // half of what it takes would tell nothing
		t.SharpeningCost = 0
	}
}

func pointerTo[T any](v T) *T { return &v }

// fewCharged is how many loans since the club last said what a model costs are needed to go by what was charged.
const fewCharged = 3

// price is what uses bring: what was booked for them since the model's costs are what they are, where
// there is enough of it; else what the club charges by, wear by units of production and the flat charge.
func (t *Tool) price(of toolRow, c tariff.Costs, jobs []job, charged []brought) {
	n, sum := 0, int64(0)
	for _, j := range jobs {
		if c.Number == 0 || !j.At.Before(c.ValidFrom) {
			n++
		}
	}
	for _, b := range charged {
		if c.Number == 0 || !b.BookedOn.Before(c.ValidFrom) {
			sum += b.Minor
		}
	}
	if sum > 0 && n >= fewCharged {
		t.PerJob, t.PriceFrom = float64(sum)/float64(n), Charged
		return
	}
	t.PriceFrom = Nothing
	if of.FlatMinor != nil {
		t.PerJob, t.PriceFrom = float64(*of.FlatMinor), Flat
	}
	if c.Number > 0 {
		if value, err := c.Basis().Value(); err == nil { // the table holds no other
			t.PerUse, t.PriceFrom = float64(value)/float64(c.Life), Club
		}
	}
}

// lasts is how long it lasts: as its cut size or the lives of its like tell, else as planned.
func (t *Tool) lasts(of toolRow, c tariff.Costs, left cutting.Remaining) {
	plan := tariff.Usual(of.Kind, nil)
	t.LifeFrom = Usual
	if c.Number > 0 {
		plan = c
	}
	if says(c, "life") {
		t.LifeFrom = Club
	}
	each := math.Max(1, float64(plan.Life)/float64(plan.Sharpenings+1)) // from one work to the next
	used := float64(of.Used) + float64(of.LoansUntold)*t.UsesPerJob
	scale := each / math.Gamma(1+1/usualShape)
	t.wears = fund.Tool{Key: t.ID.String(), Left: fund.WeibullAfter(usualShape, scale, used), Life: fund.Weibull(usualShape, scale)}
	if left.Seen > 0 {
		t.wears.Left, t.LifeFrom = left.Uses, string(left.Basis)
	}
	t.left()
}

// left tells the quantiles of what remains.
func (t *Tool) left() {
	for i, p := range []float64{0.05, 0.5, 0.95} {
		t.Left[i] = math.Ceil(t.wears.Left(p))
	}
}

// priced is the source with what its jobs bring.
func (t Tool) priced() fund.Source {
	s := t.source
	s.PerJob, s.PerUse = t.PerJob, t.PerUse
	return s
}

// worn is the tool with what work on it costs.
func (t Tool) worn() fund.Tool {
	w := t.wears
	if t.Cost != nil {
		w.Replace = float64(*t.Cost)
	}
	w.Sharpen, w.Sharpenings, w.SharpeningsLeft = float64(t.SharpeningCost), t.Sharpenings, t.SharpeningsLeft
	return w
}
