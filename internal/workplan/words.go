package workplan

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"pinwright/internal/calc/criticalpath"
	"pinwright/internal/repair"
)

// holds tells what step i waits for, one after another.
func (d *drawing) holds(n *network, i int, r criticalpath.Reason) []Held {
	var out []Held
	if r.ReadyBy >= 0 {
		ref := n.steps[r.ReadyBy].Ref
		h := Held{Code: "after", Ref: ref, Until: n.at(r.Ready), Text: fmt.Sprintf("comes after %s, which is done %s", ref, d.clock(n.at(r.Ready)))}
		if ref == delivery {
			h.Code, h.Text = delivery, "waits for parts, expected "+d.clock(n.at(r.Ready))
		}
		out = append(out, h)
	} else if r.Ready > n.problem.From {
		out = append(out, Held{Code: delivery, Until: n.at(r.Ready), Text: "is expected " + d.clock(n.at(r.Ready))})
	} else if d.ask.Start != nil && len(r.Holds) == 0 {
		out = append(out, Held{Code: "start", Until: n.at(r.Ready), Text: "nothing is begun before " + d.clock(n.at(r.Ready))})
	}
	for k, h := range r.Holds {
		if h.Kind == criticalpath.Hands && k+1 < len(r.Holds) && r.Holds[k+1].Kind == criticalpath.Hands {
			continue // the last of those that hands are on says it
		}
		one := Held{Code: string(h.Kind), Until: n.at(h.Until)}
		at := d.clock(one.Until)
		switch h.Kind {
		case criticalpath.FreeHours:
			one.Text = "no free hours before " + at
		case criticalpath.Hands:
			one.Ref = n.steps[h.Step].Ref
			one.Text = "hands are on " + one.Ref + " until " + at
		case criticalpath.Tools:
			one.Text = "its tools (" + strings.Join(n.steps[i].Tools, ", ") + ") cannot be had before " + at
		default:
			one.Text = "is not begun before " + at + ", as the plan has room"
		}
		out = append(out, one)
	}
	return out
}

// shares tells on what the time up to the finish goes, along the chain.
func (d *drawing) shares(n *network, plan criticalpath.Plan, reasons []criticalpath.Reason, chain []int) []Share {
	sum := map[string]int64{}
	at := n.problem.From
	spend := func(code string, until int64) {
		if until > at {
			sum[code] += until - at
			at = until
		}
	}
	for k, i := range chain {
		if k == 0 {
			spend("start", reasons[i].Ready)
			if n.steps[i].Ref == delivery {
				sum[delivery], sum["start"] = sum["start"], 0
			}
		}
		for _, h := range reasons[i].Holds {
			if h.Kind == criticalpath.Hands && k == 0 {
				continue
			}
			spend(string(h.Kind), h.Until)
		}
		spend("later", plan.Steps[i].Start)
		released := plan.Steps[i].Finish
		if k+1 < len(chain) {
			if h := reasons[chain[k+1]]; h.Holder == i && h.ReadyBy != i {
				released = plan.Steps[i].Worked // only the hands were waited for
			}
		}
		spend("work", min(released, plan.Steps[i].Worked))
		if n.steps[i].Ref == delivery {
			spend(delivery, released)
		}
		spend("wait", released)
	}
	words := map[string]string{"start": "before the beginning", "free_hours": "until there are free hours again", "hands": "until hands are free", "tools": "until tools can be had", "things": "until something is free",
		"later": "in reserve", "work": "of work", "wait": "of creep, dwell, drying and curing", delivery: "until parts are here"}
	out := []Share{}
	for code, minutes := range sum {
		if minutes > 0 {
			out = append(out, Share{Code: code, Minutes: int(minutes), Text: inDays(minutes) + " " + words[code]})
		}
	}
	slices.SortFunc(out, func(a, b Share) int { return cmp.Or(cmp.Compare(b.Minutes, a.Minutes), cmp.Compare(a.Code, b.Code)) })
	return out
}

// compare plans the same with parts ordered otherwise.
func (d *drawing) compare(n *network, c Content) []Compare {
	if !slices.ContainsFunc(n.problem.Steps, func(s criticalpath.Step) bool { return s.Name == delivery && s.Wait > 0 }) && d.ask.Ordering != AtHand {
		return []Compare{}
	}
	names := map[string]string{Before: "ordering everything that may be needed before measuring", After: "ordering after measuring", AtHand: "with everything at hand"}
	list := []string{Before, After}
	if d.ask.Ordering == AtHand {
		list = append([]string{AtHand}, list...)
	}
	var out []Compare
	for _, ordering := range list {
		one := Compare{Ordering: ordering}
		plan, err := criticalpath.Forward(d.network(ordering).problem)
		if err != nil {
			one.Text = names[ordering] + " it finds no room in the free hours"
		} else {
			at := n.at(plan.Finish)
			one.EndsAt = &at
			one.Text = names[ordering] + " it can be done by " + d.clock(at)
			if ordering == Before {
				one.Text += "; what is ordered may then turn out not to be what is needed"
			}
		}
		one.Text = strings.ToUpper(one.Text[:1]) + one.Text[1:] + "."
		out = append(out, one)
	}
	return out
}

// changes tells which steps moved since the plan before, and why.
func (d *drawing) changes(was map[string]Step, steps []Step) []Change {
	out := []Change{}
	for _, s := range steps {
		if s.State != repair.StepOpen {
			continue
		}
		before, known := was[s.Ref]
		if known && before.BeginsAt.Equal(s.BeginsAt) {
			continue
		}
		change := Change{Ref: s.Ref, Now: &s.BeginsAt, Code: "new", Text: s.Ref + " is new in the plan, " + d.clock(s.BeginsAt) + "."}
		if known {
			change.Was = &before.BeginsAt
			change.Code = "later"
			why := "what it waited for is over"
			if len(s.WaitsFor) > 0 {
				last := s.WaitsFor[len(s.WaitsFor)-1]
				change.Code, why = last.Code, last.Text
				if last.Code == string(criticalpath.FreeHours) && len(s.WaitsFor) > 1 {
					first := s.WaitsFor[len(s.WaitsFor)-2]
					change.Code, why = first.Code, first.Text+", and there are "+last.Text
				}
			} else if !before.BeginsAt.After(d.now) {
				change.Code, why = "time_passed", "its time passed without its being begun"
			}
			change.Text = fmt.Sprintf("%s moves from %s to %s: %s.", s.Ref, d.clock(before.BeginsAt), d.clock(s.BeginsAt), why)
		}
		out = append(out, change)
	}
	return out
}

// summarize tells the plan in a few sentences.
func (d *drawing) summarize(c *Content) {
	c.Summary = fmt.Sprintf("%s: %d steps from %s to %s, with %s of work.", d.w.Label(), len(c.Steps), d.clock(c.BeginsAt), d.clock(c.EndsAt), inDays(int64(c.HandsMinutes)))
	if len(c.HeldUp) > 0 {
		texts := []string{}
		for _, s := range c.HeldUp[:min(3, len(c.HeldUp))] {
			texts = append(texts, s.Text)
		}
		c.Summary += " The finish hangs on " + strings.Join(texts, ", ") + "."
	}
	if len(c.Changes) > 0 {
		c.Summary += fmt.Sprintf(" %d steps moved since the plan before.", len(c.Changes))
	}
}

func (d *drawing) clock(t time.Time) string { return t.In(d.zone).Format("Mon 2 Jan 15:04") }
