package recommend

import (
	"fmt"
	"math"
	"strings"

	"pinwright/internal/calc/choice"
	"pinwright/internal/calc/length"
	"pinwright/internal/calc/wornsize"
)

// speak writes sentences with lengths in one unit.
type speak struct{ unit length.Unit }

// size spells a diameter in micrometres to about a micrometre.
func (w speak) size(um float64) string {
	places := map[length.Unit]int{length.Millimetre: 3, length.Micrometre: 0, length.Inch: 4, length.Thou: 1}[w.unit]
	return length.FromMicrometres(um).Rounded(w.unit, places)
}

// doubt spells a size with its doubt. A lopsided law is told by its limits:
// value ± U would claim that both sides are alike.
func (w speak) doubt(s Size) string {
	up, down := s.High-s.Median, s.Median-s.Low
	if math.Max(up, down) > 1.25*math.Min(up, down)+1 {
		return fmt.Sprintf("%s (%s to %s)", w.size(s.Median), w.size(s.Low), w.size(s.High))
	}
	return length.FromMicrometres(s.Median).TextWithUncertainty(w.unit, length.FromMicrometres(math.Max(s.half(), 0.1)))
}

// Text spells a size with its doubt in unit.
func (s Size) Text(unit length.Unit) string { return speak{unit}.doubt(s) }

// percent spells a probability without claiming certainty.
func percent(p float64) string {
	switch {
	case p > 0.999:
		return "over 99.9 %"
	case p < 0.001:
		return "under 0.1 %"
	case p > 0.99 || p < 0.01:
		return fmt.Sprintf("%.1f %%", 100*p)
	}
	return fmt.Sprintf("%.0f %%", 100*p)
}

func (w speak) bore(e FeatureEstimate) string {
	if len(e.Readings) == 0 {
		return "Nothing has been read of this bore yet, so its size could be anything that its kind allows."
	}
	return fmt.Sprintf("The largest cylinder that passes is %s; a reamer must reach %s to cut everywhere (each with 95 %%).", w.doubt(e.Passing), w.doubt(e.CleanUp))
}

func (w speak) pin(e FeatureEstimate) string {
	if len(e.Readings) == 0 {
		return "Nothing has been read of this pin yet. Read it at its unworn ends: they tell which size was fitted."
	}
	text := fmt.Sprintf("By its unworn ends the pin was made to %s; its thinnest place is %s.", w.doubt(*e.Original), w.doubt(e.CleanUp))
	if e.PinStep != nil && e.PinStep.Probability > 0 {
		text += fmt.Sprintf(" It is the %s pin of its series with %s.", words(e.PinStep.Code), percent(e.PinStep.Probability))
	}
	return text
}

func words(code string) string { return strings.ReplaceAll(code, "_", " ") }

func (w speak) measureNext(f FeatureRow, count int, passing Size) []Remark {
	switch {
	case count == 0 && f.Shape == "pin":
		return []Remark{{Code: "read_pin_ends", Text: "Read the pin's unworn ends with a micrometer, stations mouth_a and mouth_b."}}
	case count == 0:
		return []Remark{{Code: "read_bore", Text: "Try a gauge of the standard size at both ends, then the next sizes up, and post go, starts or no_go for each."}}
	case passing.half() > 10:
		return []Remark{{Code: "narrow_down", Params: map[string]any{"low_um": passing.Low, "high_um": passing.High},
			Text: fmt.Sprintf("Try a gauge near %s: the passing size is not known better than from %s to %s.", w.size(passing.Median), w.size(passing.Low), w.size(passing.High))}}
	}
	return []Remark{{Code: "ask", Text: "Ask for a recommendation for the whole set."}}
}

// option spells what is done with a joint: "ream to oversize 2".
func option(o choice.Option, steps []choice.Step) string {
	switch o.Kind {
	case choice.ReamTo:
		return "ream for the " + words(steps[o.Step].Code) + " pin"
	case choice.HoneTo:
		return "hone to the " + words(steps[o.Step].Code) + " pin"
	case choice.CutSmallerAndLook:
		return "cut for the " + words(steps[o.Step].Code) + " pin and look"
	}
	return words(string(o.Kind))
}

// Option returns what the plan takes for joint j, nil when nothing is open.
func (a *Answer) Option(p choice.Plan, j int) *choice.Option {
	if i := p.Joints[j].Option; i >= 0 {
		return &a.Choice.Options[j][i]
	}
	return nil
}

// Summary is the answer in one sentence, with its odds; before it, for joints on
// which a life hangs, whose word comes first.
func (a *Answer) Summary() string {
	if a.SafetyCritical() {
		return SafetyNote + " " + a.odds()
	}
	return a.odds()
}

func (a *Answer) odds() string {
	w := speak{a.Question.Unit}
	plan := a.Choice.Chosen
	var groups []string
	members := map[string][]string{}
	for j := range plan.Joints {
		text := "nothing that is open"
		if o := a.Option(plan, j); o != nil {
			text = a.phrase(w, *o)
		}
		if members[text] == nil {
			groups = append(groups, text)
		}
		members[text] = append(members[text], a.Joints[j].Position)
	}
	parts := make([]string, len(groups))
	for i, g := range groups {
		parts[i] = fmt.Sprintf("%s: %s", a.who(members[g]), g)
	}
	text := strings.Join(parts, "; ")
	text = strings.ToUpper(text[:1]) + text[1:]
	odds := fmt.Sprintf(" The odds that all comes out right are %s", percent(plan.Success))
	switch plan.Status {
	case choice.Decided:
		return text + "." + odds + ", which keeps the risk you accept."
	case choice.NoOption:
		return text + ". For some joint nothing is open; see its options for why."
	}
	text += "." + odds + fmt.Sprintf(", short of the %s asked for, so this is provisional", percent(1-a.Question.Risk))
	if a.Next != nil {
		return text + "; " + lower(a.NextText())
	}
	return text + "; more readings of the bores would make it surer."
}

func lower(s string) string { return strings.ToLower(s[:1]) + s[1:] }

func (a *Answer) who(positions []string) string {
	switch {
	case len(positions) == len(a.Joints) && len(positions) > 1:
		return fmt.Sprintf("all %d joints", len(positions))
	case len(positions) == 1:
		return positions[0]
	}
	return strings.Join(positions[:len(positions)-1], ", ") + " and " + positions[len(positions)-1]
}

func (a *Answer) phrase(w speak, o choice.Option) string {
	text := option(o, a.Steps)
	if (o.Kind == choice.ReamTo || o.Kind == choice.CutSmallerAndLook) && a.StepRows[o.Step].ReamerNm != nil {
		row := a.StepRows[o.Step]
		text += fmt.Sprintf(" (reamer %s, pin %s)", w.size(length.Length(*row.ReamerNm).Micrometres()), w.size(length.Length(row.PinNm).Micrometres()))
	}
	if o.Clearance != nil {
		text += fmt.Sprintf(", clearance about %s", w.size(o.Clearance.Mean))
	}
	return text
}

// NextText says which reading to take and what it may bring.
func (a *Answer) NextText() string {
	n := a.Next
	w := speak{a.Question.Unit}
	where := a.PositionOf(n.Feature)
	if f := a.Features[n.Feature]; f.Duty == "held" {
		where += ", " + words(f.Code)
	}
	if len(n.SameFor) > 0 {
		where += " (or any of the joints that read the same)"
	}
	what := fmt.Sprintf("Try a gauge of %s", w.size(a.Nominal.Micrometres()+n.Size))
	if n.Turned {
		what = fmt.Sprintf("Turn a gauge of %s, measure it, and try it", w.size(a.Nominal.Micrometres()+n.Size))
	}
	if n.Instrument != "" {
		what = "Read the bore with " + n.Instrument
	}
	return fmt.Sprintf("%s in %s: it changes the choice with %s and settles it with %s.", what, where, percent(n.ChangesChoice), percent(n.Settles))
}

// PositionOf is the position of the joint that the feature belongs to.
func (a *Answer) PositionOf(feature int) string {
	for _, j := range a.Joints {
		if j.ID == a.Features[feature].JointID {
			return j.Position
		}
	}
	return ""
}

// OutcomeText says what the answer becomes when the next reading turns out so.
func (a *Answer) OutcomeText(o choice.Outcome) (name, text string) {
	name = map[wornsize.Kind]string{wornsize.Go: "go", wornsize.NoGo: "no_go", wornsize.Starts: "starts"}[o.Kind]
	if o.Kind == wornsize.Measured {
		w := speak{a.Question.Unit}
		name = fmt.Sprintf("reads %s to %s", w.size(a.Nominal.Micrometres()+o.Values.Low), w.size(a.Nominal.Micrometres()+o.Values.High))
	}
	changed := []string{}
	for i, j := range o.Joints {
		now := a.Option(a.Choice.Chosen, i)
		if now != nil && now.Kind == j.Kind && now.Step == j.Step {
			continue
		}
		text := words(string(j.Kind))
		if j.Step >= 0 && (j.Kind == choice.ReamTo || j.Kind == choice.CutSmallerAndLook || j.Kind == choice.HoneTo) {
			text = option(choice.Option{Kind: j.Kind, Step: j.Step}, a.Steps)
		}
		changed = append(changed, a.Joints[i].Position+": "+text)
	}
	what := "the choice stays"
	if len(changed) > 0 {
		what = strings.Join(changed, "; ")
		if len(changed) < len(o.Joints) {
			what += "; the rest stays"
		}
	}
	said := map[string]string{"go": "If it goes", "no_go": "If it does not go in", "starts": "If it starts but does not pass"}[name]
	if said == "" {
		said = "If it " + name
	}
	return name, fmt.Sprintf("%s (%s): %s; then %s, all right with %s.", said, percent(o.Probability), what, o.Status, percent(o.Success))
}

// OptionText names an option for people.
func (a *Answer) OptionText(o choice.Option) string { return a.phrase(speak{a.Question.Unit}, o) }

// PlanText is a plan in one sentence.
func (a *Answer) PlanText(p choice.Plan) string {
	counts, order := map[string]int{}, []string{}
	for j := range p.Joints {
		text := "nothing open"
		if o := a.Option(p, j); o != nil {
			text = option(*o, a.Steps)
		}
		if counts[text] == 0 {
			order = append(order, text)
		}
		counts[text]++
	}
	for i, text := range order {
		order[i] = fmt.Sprintf("%d × %s", counts[text], text)
	}
	return fmt.Sprintf("%s; all right with %s, in %d days.", strings.Join(order, ", "), percent(p.Success), p.Days)
}

// WayOutText is what is left when the option fails, nil where nothing can fail.
func (a *Answer) WayOutText(o choice.Option) *Remark {
	if o.WayOut.Kind == "" {
		return nil
	}
	way := words(string(o.WayOut.Kind))
	if o.WayOut.Step >= 0 && (o.WayOut.Kind == choice.ReamTo || o.WayOut.Kind == choice.HoneTo) {
		way = option(choice.Option{Kind: o.WayOut.Kind, Step: o.WayOut.Step}, a.Steps)
	}
	return &Remark{Code: "way_out", Params: map[string]any{"option": string(o.WayOut.Kind)}, Text: "If it does not come out right: " + way + "."}
}

// DoNext is what to do now, in order.
func (a *Answer) DoNext() []Remark {
	var out []Remark
	if a.Next != nil {
		out = append(out, Remark{Code: "measure_next", Text: a.NextText()})
	}
	if a.Choice.Chosen.Status == choice.NoOption {
		return append(out, Remark{Code: "nothing_open", Text: "Look at each joint's options for what stands against them, and at the parts with somebody who has done it before."})
	}
	cuts := false
	for j := range a.Joints {
		if o := a.Option(a.Choice.Chosen, j); o != nil && (o.Kind == choice.ReamTo || o.Kind == choice.CutSmallerAndLook) {
			cuts = true
		}
	}
	if cuts {
		out = append(out, Remark{Code: "see_offers", Text: "GET this recommendation's offers: the reamer's free days, the pins' price and a reservation that is ready to post."},
			Remark{Code: "read_after_cut", Text: "After the cut, post a reading of each bore with stage reamed, before the pin goes in."})
	}
	return out
}

// SizesOf are the sizes of joint j's running bore that needs the most cut.
func (a *Answer) SizesOf(j int) (passing, cleanUp Size) {
	worst := a.Running[j][0]
	for _, i := range a.Running[j] {
		if a.Posterior.Features[i].CleanUp.Quantile(0.5) > a.Posterior.Features[worst].CleanUp.Quantile(0.5) {
			worst = i
		}
	}
	p := a.Posterior.Features[worst]
	return SizeOf(p.Passing, a.Nominal), SizeOf(p.CleanUp, a.Nominal)
}
