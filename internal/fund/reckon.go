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
const NoEnd = 1_000_000

// usual is how long tools of a kind last where nothing else is known: uses from one work on them to the
// next, how often they are sharpened before they are replaced, and uses of one loan. Orders of magnitude (common
// practice, no published source).
var usual = map[string]struct {
	life, sharpenings, uses int
}{
	"reamer": {50, 2, 4}, "puller": {400, 0, 2}, "press": {2000, 0, 4}, "drift": {300, 0, 2}, "pin_gauge": {1000, 0, 4}, "plug_gauge": {1000, 0, 4},
	"micrometer": {5000, 0, 10}, "inside_micrometer": {5000, 0, 10}, "caliper": {5000, 0, 10}, "bore_gauge": {3000, 0, 10}, "telescoping_gauge": {3000, 0, 10}, "other": {500, 0, 1},
}

// usualShape of a life by the Weibull law: a standard deviation of about a third of the mean
// (common practice, no published source).
const usualShape = 3.0

// sharpeningShare is what a sharpening costs, as a part of a new tool, where nobody said (common practice, no
// published source).
const sharpeningShare = 0.25

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
	LifeFrom        string // Usual
	Left            [3]float64
	Cost            *int64 // none: not known, and counted as nothing
	CostFrom        string // OfTool, OfModel, Asked, Nothing
	SharpeningCost  int64
	Sharpenings     int
	SharpeningsLeft int
	PerJob, PerUse  float64 // what it brings
	PriceFrom       string  // Charged, Flat, Asked, Nothing
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
	charged := map[uuid.UUID]int64{}
	for _, c := range k.charged.Items {
		charged[c.ToolID] = c.Minor
	}
	for _, t := range k.tools.Items {
		ofModel[t.ModelID] = append(ofModel[t.ModelID], sizesOf(jobs[t.ID])...)
	}
	for _, t := range k.tools.Items {
		if len(jobs[t.ID]) == 0 && booked[t.ID] == nil {
			out.Idle++
			continue
		}
		out.Tools = append(out.Tools, k.tool(t, jobs[t.ID], booked[t.ID], ofModel[t.ModelID], charged[t.ID]))
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

func (k *Known) tool(t toolRow, jobs []job, booked, ofModel []int, charged int64) Tool {
	lasts, known := usual[t.Kind]
	if !known {
		lasts = usual["other"]
	}
	out := Tool{ID: t.ID, Number: t.Number, ModelID: t.ModelID, Model: t.ModelCode, Kind: t.Kind, Jobs: len(jobs), Over: Past, LifeFrom: Usual, Sharpenings: lasts.sharpenings,
		SharpeningsLeft: max(0, lasts.sharpenings-t.Sharpened)}
	if n := len(jobs); n > 0 {
		out.Over = math.Min(Past, float64(k.today.Sub(jobs[n-1].At))/month)
	}
	out.Over = math.Max(0, out.Over)
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
		sizes, out.UsesFrom = []int{lasts.uses}, Usual
	}
	for _, n := range sizes {
		out.UsesPerJob += float64(n) / float64(len(sizes))
	}
	out.Cost, out.CostFrom = t.ValueMinor, OfTool
	switch {
	case t.ValueMinor == nil:
		out.CostFrom = Nothing
	case t.OfModel:
		out.CostFrom = OfModel
	}
	if out.Cost != nil && lasts.sharpenings > 0 {
		out.SharpeningCost = int64(math.Round(sharpeningShare * float64(*out.Cost)))
	}
	switch {
	case charged > 0 && len(jobs) > 0:
		out.PerJob, out.PriceFrom = float64(charged)/float64(len(jobs)), Charged
	case t.FlatMinor != nil:
		out.PerJob, out.PriceFrom = float64(*t.FlatMinor), Flat
	default:
		out.PriceFrom = Nothing
	}
	mean, doubt := fund.Learned(len(jobs), out.Over)
	out.PerMonth = mean
	out.source = fund.Source{Key: t.ID.String(), Jobs: math.Min(mean, 1000), Doubt: doubt, Booked: booked, Sizes: sizes}
	used := float64(t.Used) + float64(t.LoansUntold)*out.UsesPerJob
	scale := float64(lasts.life) / math.Gamma(1+1/usualShape)
	out.wears = fund.Tool{Key: t.ID.String(), Left: fund.WeibullAfter(usualShape, scale, used), Life: fund.Weibull(usualShape, scale)}
	out.left()
	return out
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
