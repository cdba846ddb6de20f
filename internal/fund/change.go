package fund

import (
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/calc/fund"
	"pinwright/internal/problem"
)

// mostAdded is how many tools a change may add.
const mostAdded = 20

// Price is what tools of a model, or all where there is none, bring.
type Price struct {
	Model   string // id or code; "": all tools
	PerUse  *int64
	PerLoan *int64
	Times   *float64 // as much as now
}

// Second is a tool that is bought today beside those of its model.
type Second struct {
	Model string
	Cost  *int64 // none: as the others of its model
}

// Change is what is asked about.
type Change struct {
	Prices     []Price
	TurnedAway float64 // a part of what is asked for
	MostLoans  int     // that a member may have at once; 0: any number
	Second     []Second
	Payment    int64 // into the fund today; below 0: out of it
}

// Forecast is a basis with what is foreseen.
type Forecast struct {
	Basis
	Risk     float64
	Foreseen fund.Forecast
}

// seed is the same for all: equal clubs get equal answers.
const seed = 20

// Futures is how many a question about b has, with and without a change.
func (b Basis) Futures() int { return fund.PathsFor(len(b.Tools)+4, Months) }

// Foretell plays the months to come. Tools of a model to which a change added one stand in for one another; others have
// what was asked of themselves.
func (b Basis) Foretell(ctx context.Context, risk float64, futures int) (Forecast, error) {
	joined := map[uuid.UUID]bool{}
	for _, t := range b.Tools {
		if t.Added {
			joined[t.ModelID] = true
		}
	}
	c := fund.Case{Balance: float64(b.Balance), Months: Months, Risk: risk, Paths: futures, Seed: seed}
	pools := map[uuid.UUID]int{}
	for _, t := range b.Tools {
		at, there := pools[t.ModelID]
		if !there || !joined[t.ModelID] {
			at = len(c.Pools)
			pools[t.ModelID] = at
			c.Pools = append(c.Pools, fund.Pool{})
		}
		if !t.Added {
			c.Pools[at].Sources = append(c.Pools[at].Sources, t.priced())
		}
		c.Pools[at].Tools = append(c.Pools[at].Tools, t.worn())
	}
	f, err := fund.Foretell(ctx, c)
	return Forecast{Basis: b, Risk: risk, Foreseen: f}, err
}

// With is b after the change, with all that is wrong with the change at once.
func (k *Known) With(b Basis, c Change) (Basis, error) {
	out := b
	out.Tools = slices.Clone(b.Tools)
	var faults []problem.Fault
	fault := func(at, format string, args ...any) {
		faults = append(faults, problem.Fault{Pointer: at, Detail: fmt.Sprintf(format, args...)})
	}
	priced := map[uuid.UUID]bool{}
	for i, p := range c.Prices {
		at, n := fmt.Sprintf("/prices/%d", i), 0
		if p.PerUse == nil && p.PerLoan == nil && p.Times == nil {
			fault(at, "needs per_use, per_loan or times")
		}
		if p.Times != nil && (p.PerUse != nil || p.PerLoan != nil) {
			fault(at+"/times", "goes without per_use and per_loan; send one or the other")
		}
		for j := range out.Tools {
			t := &out.Tools[j]
			if p.Model != "" && p.Model != t.Model && p.Model != t.ModelID.String() {
				continue
			}
			n++
			if priced[t.ID] {
				fault(at, "prices %s a second time; give each model one price", t.Number)
				break
			}
			priced[t.ID] = true
			t.reprice(p)
		}
		if n == 0 && p.Model != "" {
			fault(at+"/tool_model", "%s", k.absent(p.Model))
		}
	}
	if c.MostLoans > 0 {
		for id, share := range k.turnedAway(c.MostLoans) {
			for j := range out.Tools {
				if out.Tools[j].ID == id {
					out.Tools[j].turnAway(share)
				}
			}
		}
	}
	if c.TurnedAway > 0 {
		for j := range out.Tools {
			out.Tools[j].turnAway(c.TurnedAway)
		}
	}
	for i, s := range c.Second {
		at := fmt.Sprintf("/second_tools/%d", i)
		j := slices.IndexFunc(out.Tools, func(t Tool) bool { return s.Model == t.Model || s.Model == t.ModelID.String() })
		if j < 0 {
			fault(at+"/tool_model", "%s", k.absent(s.Model))
			continue
		}
		t := out.Tools[j]
		if s.Cost != nil {
			t.Cost, t.CostFrom = s.Cost, Asked
		}
		if t.Cost == nil {
			fault(at+"/cost", "is needed: the club has not said what a tool of this model is worth")
			continue
		}
		t.ID, t.Number, t.Added = uuid.NewSHA1(t.ModelID, fmt.Appendf(nil, "second %d", i)), fmt.Sprintf("another %s", t.Model), true
		t.SharpeningsLeft, t.PerMonth, t.Jobs, t.Booked, t.Over, t.LifeFrom = t.Sharpenings, 0, 0, 0, 0, OfModel
		t.wears.Key, t.wears.Left = t.ID.String(), t.wears.Life
		t.left()
		out.Tools = append(out.Tools, t)
		out.Balance -= *t.Cost
	}
	out.Balance += c.Payment
	if len(faults) > 0 {
		return b, problem.Invalid(faults...)
	}
	return out, nil
}

// absent says why a model that was named is none to reckon with.
func (k *Known) absent(model string) string {
	for _, t := range k.tools.Items {
		if model == t.ModelCode || model == t.ModelID.String() {
			return "nobody borrowed a tool of this model in two years, so there is nothing to reckon with; name another"
		}
	}
	return "the club has no tool of this model in service; check the code, or GET tool-models"
}

func (t *Tool) reprice(p Price) {
	t.PriceFrom = Asked
	switch {
	case p.Times != nil:
		t.PerJob, t.PerUse = t.PerJob**p.Times, t.PerUse**p.Times
	default:
		t.PerJob, t.PerUse = 0, 0
		if p.PerUse != nil {
			t.PerUse = float64(*p.PerUse)
		}
		if p.PerLoan != nil {
			t.PerJob = float64(*p.PerLoan)
		}
	}
}

// turnAway takes a part of what is asked for away; what is booked stays booked.
func (t *Tool) turnAway(share float64) {
	t.source.Jobs *= 1 - share
	t.PerMonth *= 1 - share
	t.TurnedAway = 1 - (1-t.TurnedAway)*(1-share)
}

// turnedAway is which part of each tool's loans of the past would not have been, had nobody been allowed more than
// most at once: they are gone through in their order, and one that would have been refused is not out later.
func (k *Known) turnedAway(most int) map[uuid.UUID]float64 {
	type count struct{ all, refused float64 }
	counts := map[uuid.UUID]count{}
	out := map[uuid.UUID][]time.Time{} // by member: until when each that they have is out
	for i := len(k.jobs.Items) - 1; i >= 0; i-- {
		j := k.jobs.Items[i]
		c := counts[j.ToolID]
		c.all++
		if j.Loan {
			still := slices.DeleteFunc(out[j.MemberID], func(until time.Time) bool { return !until.After(j.At) })
			if len(still) >= most {
				c.refused++
			} else {
				until := k.today.AddDate(100, 0, 0)
				if j.Until != nil {
					until = *j.Until
				}
				still = append(still, until)
			}
			out[j.MemberID] = still
		}
		counts[j.ToolID] = c
	}
	shares := map[uuid.UUID]float64{}
	for id, c := range counts {
		if c.refused > 0 {
			shares[id] = c.refused / c.all
		}
	}
	return shares
}
