package lending

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/calc/length"
	"pinwright/internal/cutting"
	"pinwright/internal/opening"
	"pinwright/internal/problem"
)

// ask is one tool that is asked for, with all that may serve.
type ask struct {
	part
	isModel bool
	options []option // best first; none when nothing may be lent
	idle    []idleTool
	garage  *counterRow // where it is collected; nil: where the tool lives
}

// idleTool is a tool of the name asked for that may not be lent.
type idleTool struct {
	*tool
	why string
}

// option is one tool in one period.
type option struct {
	tool   *tool
	period Period
	held   Period
	place  *opening.Place // where it is collected
}

// lastDay is the last day of o's period where it is brought back, as a date at
// midnight UTC.
func (o option) lastDay() time.Time {
	at := o.period.Until.Add(-time.Nanosecond)
	if o.place != nil {
		at = at.In(o.place.Zone)
	}
	return time.Date(at.Year(), at.Month(), at.Day(), 0, 0, 0, 0, time.UTC)
}

// resolver resolves everything that is asked for, moved by shift days. Faults
// are what the member must mend.
type resolver func(shift int, now time.Time) ([]ask, []problem.Fault)

// asks resolves the wish. It is a resolver.
func (o *Order) asks(shift int, now time.Time) ([]ask, []problem.Fault) {
	var asks []ask
	var faults []problem.Fault
	for _, p := range o.parts {
		a := ask{part: p, isModel: p.tool == ""}
		tools := o.serving(p)
		if tools == nil {
			list := "tools"
			if a.isModel {
				list = "tool-models"
			}
			faults = append(faults, problem.Fault{Pointer: p.at, Detail: fmt.Sprintf("there is no “%s” in this club; check the spelling, or GET %s", a.name, list)})
			continue
		}
		if garage, _ := o.wish.collected(p.line); garage != "" {
			if a.garage = o.garageNamed(garage); a.garage == nil {
				continue // told by unknownGarages
			}
		}
		when, at := o.wish.in(p.line)
		if !when.isGiven() {
			continue // told by formFaults
		}
		a, refused := o.offer(a, tools, when, at, shift, now, nil)
		if len(a.options) == 0 && len(a.idle) == 0 {
			faults = append(faults, refused...)
		}
		asks = append(asks, a)
	}
	return asks, faults
}

// unknownGarages reports garages that there are not.
func (o *Order) unknownGarages() []problem.Fault {
	var faults []problem.Fault
	for i := range o.wish.Lines {
		if garage, at := o.wish.collected(i); garage != "" && o.garageNamed(garage) == nil {
			faults = append(faults, noGarage(at, garage))
		}
	}
	return faults
}

func noGarage(pointer, name string) problem.Fault {
	return problem.Fault{Pointer: pointer, Detail: fmt.Sprintf("there is no garage “%s” in this club; check the spelling, or GET garages", name)}
}

// offer fills a's options from tools, best first. The faults, which stand at the
// pointer at, are those of the first tool whose period has any. Ends that are those of
// old may lie where it is closed: they were agreed on before.
func (o *basis) offer(a ask, tools []*tool, when When, at string, shift int, now time.Time, old *Period) (ask, []problem.Fault) {
	var refused []problem.Fault
	for _, t := range tools {
		where := t.place
		if a.garage != nil {
			where = a.garage.place
		}
		period, closed := when.resolve(where, shift, now)
		one := option{tool: t, period: period, held: o.holds(t, a.garage, period), place: where}
		wrong := when.faults(at, period, now)
		if closed != nil {
			wrong = []problem.Fault{when.shut(at, where, *closed)}
		}
		if len(wrong) == 0 {
			wrong = when.closedFaults(at, where, period, ends{
				from:  o.clerk && !period.From.After(now) || old != nil && period.From.Equal(old.From),
				until: old != nil && period.Until.Equal(old.Until)})
		}
		switch {
		case len(wrong) > 0 && refused == nil:
			refused = wrong
		case len(wrong) > 0:
		case t.State != inService:
			a.idle = append(a.idle, idleTool{t, stateInWords[t.State]})
		case t.DueOn != nil && t.DueOn.Before(one.lastDay()) && !o.clerk:
			a.idle = append(a.idle, idleTool{t, "is due for calibration on " + t.DueOn.Format(time.DateOnly)})
		default:
			a.options = append(a.options, one)
		}
	}
	o.rank(a)
	return a, refused
}

// rank sorts a's options: whose size serves the need best, of a reamer the one that its next hole is expected to get, then
// which was lent least, then which is nearest to where it is collected, then the lowest number.
func (o *basis) rank(a ask) {
	cuts := map[uuid.UUID]int64{}
	if a.bore != nil {
		for _, r := range o.cutting.Reamers(cutting.Ask{}) {
			if life := r.Now(); life.Seen() > 0 || life.Holes > 0 {
				cuts[r.ToolID] = int64(length.FromMicrometres(life.Next().Mean()))
			}
		}
	}
	off := func(t *tool) int64 {
		if a.bore == nil || t.SizeNm == nil {
			return 0
		}
		size := *t.SizeNm + cuts[t.ID]
		return max(size-*a.bore, *a.bore-size)
	}
	way := func(t *tool) time.Duration {
		if a.garage != nil {
			return o.places.Travel(t.PresentID, a.garage.ID)
		}
		return o.places.Travel(t.PresentID, t.HomeID)
	}
	slices.SortStableFunc(a.options, func(x, y option) int {
		return cmp.Or(cmp.Compare(off(x.tool), off(y.tool)), cmp.Compare(x.tool.Loans, y.tool.Loans), cmp.Compare(way(x.tool), way(y.tool)), cmp.Compare(x.tool.Number, y.tool.Number))
	})
}

// repeated reports parts that ask for one tool twice at the same time.
func repeated(asks []ask) []problem.Fault {
	var faults []problem.Fault
	for i, a := range asks {
		for _, b := range asks[:i] {
			if !a.isModel && !b.isModel && len(a.options) == 1 && len(b.options) == 1 &&
				a.options[0].tool == b.options[0].tool && a.options[0].held.overlaps(b.options[0].held) {
				held := b.options[0]
				faults = append(faults, problem.Fault{Pointer: a.at,
					Detail: fmt.Sprintf("line %d has this tool for that time already (it is held for %s after each period); make one line of the two", b.line, inHours(held.held.Until.Sub(held.period.Until)))})
				break
			}
		}
	}
	return faults
}

// unlendable reports parts of which nothing is in service.
func unlendable(asks []ask) []UnlendableLine {
	var out []UnlendableLine
	for _, a := range asks {
		if len(a.options) > 0 {
			continue
		}
		u := UnlendableLine{Line: a.line, Detail: fmt.Sprintf("The club has no %s to lend; ask a tool keeper.", a.name)}
		var states []string
		for _, t := range a.idle {
			u.Tools = append(u.Tools, t.Number)
			states = append(states, t.Number+" "+t.why)
		}
		if len(states) > 0 {
			u.Detail = sentence(strings.Join(states, ", "), "and may not be lent; choose another, or ask a tool keeper")
		}
		out = append(out, u)
	}
	return out
}

// undecidable reports choices that leave no time to decide. asks are resolved.
func (o *Order) undecidable(asks []ask, now time.Time) []problem.Fault {
	var faults []problem.Fault
	for _, a := range asks {
		if a.choice == nil || len(a.options) == 0 {
			continue
		}
		begins := a.options[0].period.From
		by, at := begins, fmt.Sprintf("/lines/%d/one_of", a.line)
		if given := o.wish.Lines[a.line].DecideBy; given != nil {
			by, at = *given, fmt.Sprintf("/lines/%d/decide_by", a.line)
		}
		switch {
		case by.After(begins):
			faults = append(faults, problem.Fault{Pointer: at, Detail: fmt.Sprintf("must not be later than the beginning (%s)", begins.Format(time.RFC3339))})
		case !by.After(now):
			faults = append(faults, problem.Fault{Pointer: at, Detail: "leaves no time to decide: it must be later than now; name one thing instead, or begin later"})
		}
	}
	return faults
}

// decideBy is until when a must be decided for; nil: it is no choice.
func (o *Order) decideBy(a ask, begins time.Time) *time.Time {
	if a.choice == nil {
		return nil
	}
	by := begins
	if given := o.wish.Lines[a.line].DecideBy; given != nil {
		by = kept(*given)
	}
	return &by
}
