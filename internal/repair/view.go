package repair

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/procedure"
	"pinwright/internal/recommend"
)

// ResultState is a result that a step asks for, of one feature, and how often it was
// measured.
type ResultState struct {
	Position string
	Measured // of which Stage, Method and Count are not set
	procedure.Result
	Counted int
}

// Results are what s asks to be measured, feature by feature: of its joint, or of all
// joints where it is the job's.
func (w *Work) Results(s Step) []ResultState {
	var out []ResultState
	for _, asked := range w.Of(s).Results {
		at := map[string]int{} // of a feature in out
		for _, m := range w.Measured {
			if s.JointID != nil && *s.JointID != m.JointID || m.Shape != asked.Shape || asked.Duty != "" && asked.Duty != m.Duty {
				continue
			}
			key := m.JointID.String() + m.Code
			i, known := at[key]
			if !known {
				i = len(out)
				at[key] = i
				out = append(out, ResultState{Position: w.Position(m.JointID), Measured: Measured{JointID: m.JointID, Code: m.Code, Shape: m.Shape, Duty: m.Duty}, Result: asked})
			}
			if m.Stage == asked.Stage && (len(asked.Methods) == 0 || slices.Contains(asked.Methods, m.Method)) {
				out[i].Counted += m.Count
			}
		}
	}
	return out
}

// text says what is still to be measured; empty when nothing is.
func (r ResultState) text() string {
	if r.Counted >= r.Least {
		return ""
	}
	text := fmt.Sprintf("%d more readings of %s %s, %s", r.Least-r.Counted, r.Position, r.Code, strings.ReplaceAll(r.Result.Stage, "_", " "))
	if r.Least-r.Counted == 1 {
		text = strings.Replace(text, "readings", "reading", 1)
	}
	if len(r.Methods) > 0 {
		text += " with " + strings.ReplaceAll(strings.Join(r.Methods, " or "), "_", " ")
	}
	return text
}

// Before are the steps that s comes after: of a joint's step the same joint's and
// those of the job, of the job's those of all joints.
func (w *Work) Before(s Step) []Step {
	after := w.Of(s).After
	var out []Step
	for _, other := range w.Steps {
		if slices.Contains(after, other.Key) && (s.JointID == nil || other.JointID == nil || *s.JointID == *other.JointID) {
			out = append(out, other)
		}
	}
	return out
}

// HoldUps are what keeps s from being begun, in words; none when nothing does.
func (w *Work) HoldUps(s Step) []string {
	var out []string
	for _, other := range w.Before(s) {
		if !other.IsClosed() {
			out = append(out, w.Ref(other))
		}
	}
	if of := w.Of(s); len(of.OnlyIf) > 0 && s.JointID != nil && w.Chosen[*s.JointID].Option == "" {
		out = append(out, "a recommendation for "+w.Position(*s.JointID))
	}
	if w.Of(s).Parts {
		out = append(out, w.Missing...)
	}
	return out
}

// Unfinished are what keeps s, which was begun, from being finished at at, in words.
func (w *Work) Unfinished(s Step, at time.Time) []string { return w.unfinished(s, at, false) }

// unfinished is Unfinished; with early, rounds and waits do not count.
func (w *Work) unfinished(s Step, at time.Time, early bool) []string {
	var out []string
	if rounds := w.Of(s).Rounds(); s.RoundsDone > 0 && s.RoundsDone < rounds && !early {
		out = append(out, fmt.Sprintf("%d more rounds", rounds-s.RoundsDone))
	}
	if t := w.TimerOf(s); t != nil && t.Kind != Repeat && t.DueAt.After(at) && !early {
		out = append(out, fmt.Sprintf("%s until %s", t.Kind, w.clock(t.DueAt)))
	}
	for _, r := range w.Results(s) {
		if text := r.text(); text != "" {
			out = append(out, text)
		}
	}
	return append(out, w.toProve(s)...)
}

// clock tells a time as the garage's clock shows it.
func (w *Work) clock(t time.Time) string {
	zone, err := time.LoadLocation(w.TimeZone)
	if err != nil {
		zone = time.UTC
	}
	return t.In(zone).Format("Mon 2 Jan 15:04")
}

// StepView is a step with what follows from the rest of its repair.
type StepView struct {
	Step
	Of       procedure.Step
	Ref      string
	Position string
	Ready    bool
	WaitsFor []string
	Cautions []recommend.Remark
	Results  []ResultState
	Timers   []Timer
	Summary  string
	DoNext   []recommend.Remark
	Warnings []recommend.Remark
}

// View is s as it stands at now.
func (w *Work) View(s Step, now time.Time) StepView {
	v := StepView{Step: s, Of: w.Of(s), Ref: w.Ref(s), Results: w.Results(s), Cautions: w.cautions(s)}
	if s.JointID != nil {
		v.Position = w.Position(*s.JointID)
	}
	for _, t := range w.Timers {
		if t.StepID == s.ID {
			v.Timers = append(v.Timers, t)
		}
	}
	open := w.State == Open
	switch s.State {
	case StepOpen:
		v.WaitsFor = w.HoldUps(s)
		v.Ready = open && len(v.WaitsFor) == 0
		v.Summary = v.Of.Name + ": may be begun."
		if len(v.WaitsFor) > 0 {
			v.Summary = v.Of.Name + ": waits for " + strings.Join(v.WaitsFor, ", ") + "."
		}
	case Running, Waiting:
		v.WaitsFor = w.Unfinished(s, now)
		v.Ready = open && len(v.WaitsFor) == 0
		v.Summary = fmt.Sprintf("%s: begun on %s; may be finished.", v.Of.Name, w.clock(*s.BeganAt))
		if len(v.WaitsFor) > 0 {
			v.Summary = fmt.Sprintf("%s: begun on %s; before it is finished: %s.", v.Of.Name, w.clock(*s.BeganAt), strings.Join(v.WaitsFor, ", "))
		}
	case Done:
		v.Summary = fmt.Sprintf("%s: finished on %s.", v.Of.Name, w.clock(*s.DoneAt))
	default:
		v.Summary = fmt.Sprintf("%s: left out on %s.", v.Of.Name, w.clock(*s.DoneAt))
		if s.LeftOut != nil && *s.LeftOut == ByRecommendation {
			v.Summary = v.Of.Name + ": left out, since what was chosen for the joint does not ask for it."
		}
	}
	if open {
		v.DoNext = w.next(v, now)
		v.Warnings = w.overstays(v, now)
	}
	return v
}

// cautions are those of the step, and of its phase's joints where safety asks first.
func (w *Work) cautions(s Step) []recommend.Remark {
	var out []recommend.Remark
	for _, j := range w.Joints {
		if j.SafetyCritical && (s.JointID == nil || *s.JointID == j.JointID) {
			out = append(out, recommend.Remark{Code: "advice_not_approval", Text: recommend.SafetyNote})
			break
		}
	}
	return append(out, recommend.CautionsOf(w.Of(s).Cautions...)...)
}

// next says what to do with a step now.
func (w *Work) next(v StepView, now time.Time) []recommend.Remark {
	say := func(code, format string, args ...any) []recommend.Remark {
		return []recommend.Remark{{Code: code, Params: map[string]any{"step": v.Ref}, Text: fmt.Sprintf(format, args...)}}
	}
	switch t := w.TimerOf(v.Step); {
	case v.State == StepOpen && v.Ready:
		return say("begin_step", "Begin %s: %s.", v.Ref, v.Of.Name)
	case t != nil && t.Kind == Repeat && !t.DueAt.After(now):
		return say("begin_round", "Round %d of %s is due since %s: do it and begin it.", t.Round+1, v.Ref, w.clock(t.DueAt))
	case t != nil && t.Kind == Repeat:
		return say("wait", "%s: round %d is due on %s.", v.Ref, t.Round+1, w.clock(t.DueAt))
	case t != nil && t.DueAt.After(now):
		return say("wait", "%s: %s until %s.", v.Ref, t.Kind, w.clock(t.DueAt))
	case v.State != StepOpen && v.Ready:
		return say("finish_step", "Finish %s: %s.", v.Ref, v.Of.Name)
	case v.State == Running || v.State == Waiting:
		return say("complete_step", "%s: still to do: %s.", v.Ref, strings.Join(v.WaitsFor, ", "))
	}
	return nil
}

// overstays warns of a timer of the step that runs past its most.
func (w *Work) overstays(v StepView, now time.Time) []recommend.Remark {
	t := w.TimerOf(v.Step)
	if t == nil || t.State(now) != "overstaying" {
		return nil
	}
	text := fmt.Sprintf("%s overstays since %s.", v.Ref, w.clock(*t.MostAt))
	if wait := v.Of.Wait; wait != nil && wait.Warning != "" {
		text += " " + wait.Warning
	}
	return []recommend.Remark{{Code: "overstays", Params: map[string]any{"step": v.Ref}, Text: text}}
}

// Views are all steps of w as they stand at now.
func (w *Work) Views(now time.Time) []StepView {
	out := make([]StepView, len(w.Steps))
	for i, s := range w.Steps {
		out[i] = w.View(s, now)
	}
	return out
}

// mostTold is how many steps an answer about the whole repair tells.
const mostTold = 12

// Told is a repair in words: how far it is, what to do next and what to heed.
type Told struct {
	Summary  string
	DoNext   []recommend.Remark
	Warnings []recommend.Remark
	Total    int
	Closed   int
	Running  []Timer
}

// Tell puts w as it stands at now into words.
func (w *Work) Tell(now time.Time) Told {
	out := Told{Total: len(w.Steps)}
	var waits []recommend.Remark
	for _, v := range w.Views(now) {
		if v.IsClosed() {
			out.Closed++
		}
		for _, r := range v.DoNext {
			if r.Code == "wait" {
				waits = append(waits, r)
			} else {
				out.DoNext = append(out.DoNext, r)
			}
		}
		out.Warnings = append(out.Warnings, v.Warnings...)
	}
	out.DoNext = append(out.DoNext, waits...)
	if len(out.DoNext) > mostTold {
		out.DoNext = out.DoNext[:mostTold]
	}
	for _, t := range w.Timers {
		if t.StoppedAt == nil {
			out.Running = append(out.Running, t)
		}
	}
	if w.Safety {
		out.Warnings = append([]recommend.Remark{{Code: "advice_not_approval", Text: recommend.SafetyNote}}, out.Warnings...)
	}
	out.Summary = fmt.Sprintf("%s of %s: %d of %d steps are closed.", w.Label(), w.VehicleCode, out.Closed, out.Total)
	switch {
	case w.State == Signed:
		out.Summary = fmt.Sprintf("%s of %s was signed off on %s.", w.Label(), w.VehicleCode, w.clock(*lastOf(w.SignedAt, w.SecondedAt)))
	case w.State == Abandoned:
		out.Summary = fmt.Sprintf("%s of %s was abandoned on %s.", w.Label(), w.VehicleCode, w.clock(*w.AbandonedAt))
	case out.Closed == out.Total && w.SignedBy != nil:
		out.Summary += " It was signed once; a second member signs too."
		out.DoNext = append(out.DoNext, recommend.Remark{Code: "second", Text: "Another member looks it through and signs it off, too. " + recommend.SafetyNote})
	case out.Closed == out.Total:
		out.DoNext = append(out.DoNext, recommend.Remark{Code: "sign_off", Text: "Look it through and sign it off."})
	}
	return out
}

func lastOf(a, b *time.Time) *time.Time {
	if b != nil {
		return b
	}
	return a
}

// TimerText says how a timer stands at now.
func (w *Work) TimerText(t Timer, now time.Time) string {
	ref := w.RefOf(t.StepID)
	what := t.Kind
	if t.Kind == Repeat {
		what = fmt.Sprintf("round %d", t.Round+1)
	}
	switch t.State(now) {
	case "stopped":
		return fmt.Sprintf("%s: %s was stopped on %s.", ref, t.Kind, w.clock(*t.StoppedAt))
	case "overstaying":
		return fmt.Sprintf("%s: %s overstays since %s.", ref, t.Kind, w.clock(*t.MostAt))
	case "due":
		return fmt.Sprintf("%s: %s is due since %s.", ref, what, w.clock(t.DueAt))
	}
	if t.Kind == Repeat {
		return fmt.Sprintf("%s: %s is due on %s.", ref, what, w.clock(t.DueAt))
	}
	return fmt.Sprintf("%s: %s until %s.", ref, t.Kind, w.clock(t.DueAt))
}

// RefOf is the name of the step of that id.
func (w *Work) RefOf(step uuid.UUID) string {
	i := slices.IndexFunc(w.Steps, func(s Step) bool { return s.ID == step })
	if i < 0 {
		return ""
	}
	return w.Ref(w.Steps[i])
}
