package repair

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/postgres"
	"pinwright/internal/procedure"
	"pinwright/internal/recommend"
)

// Wrong is something that went wrong with a joint of the repair, and what was decided about
// it.
type Wrong struct {
	ID        uuid.UUID
	JointID   uuid.UUID
	Position  string
	Kind      string
	Chosen    *string // nil: nothing yet
	Step      string  // of the pin series
	DecidedAt *time.Time
	ClosedAt  *time.Time
}

// cutAgain is the decision to do once more what was chosen before.
const cutAgain = "cut_again"

// anew are the decisions that stand in place of what a recommendation chose.
var anew = []string{"ream_to", "hone_to", "bush_back_to_standard", "replace_part"}

// NeedsProof reports whether only a proved fit settles what went wrong, once something else
// than keeping it was decided.
func NeedsProof(kind string) bool { return kind == "fit_refused" || kind == "oversize_cut" }

func (w *Work) text(x Wrong) string {
	return x.Position + " (" + strings.ReplaceAll(x.Kind, "_", " ") + ")"
}

// nonconforming are those of the repair that are not settled, in words.
func (w *Work) nonconforming() []string {
	var out []string
	for _, x := range w.Wrong {
		if x.ClosedAt == nil {
			out = append(out, w.text(x))
		}
	}
	return out
}

// choose sets what is done with each joint: as the recommendation chose, or as was decided
// since, once something went wrong.
func (w *Work) choose() {
	w.Chosen = map[uuid.UUID]Chosen{}
	for joint, a := range w.advised {
		if a.chosen.Option != "" {
			w.Chosen[joint] = a.chosen
		}
	}
	newest := map[uuid.UUID]time.Time{}
	for _, x := range w.Wrong {
		if x.Chosen == nil || !slices.Contains(anew, *x.Chosen) || x.DecidedAt.Before(w.advisedAt) || x.DecidedAt.Before(newest[x.JointID]) {
			continue
		}
		newest[x.JointID] = *x.DecidedAt
		w.Chosen[x.JointID] = w.advised[x.JointID].instead(*x.Chosen, x.Step)
	}
}

// unproved are those of a joint that wait for a proof of its fit.
func (w *Work) unproved(joint *uuid.UUID) []Wrong {
	var out []Wrong
	for _, x := range w.Wrong {
		if (joint == nil || x.JointID == *joint) && x.ClosedAt == nil && NeedsProof(x.Kind) {
			out = append(out, x)
		}
	}
	return out
}

// toProve are what keeps a step that verifies from being closed, in words: a fit that was
// refused and not decided about, or not proved since.
func (w *Work) toProve(s Step) []string {
	if w.Of(s).Phase != procedure.Verify {
		return nil
	}
	var out []string
	for _, x := range w.unproved(s.JointID) {
		text := fmt.Sprintf("a decision about %s: post one of its options to repairs/%s/nonconformities/%s/decide", w.text(x), w.Label(), x.ID)
		if x.Chosen != nil {
			text = fmt.Sprintf("the proof of what was decided about %s: %s; then read its bores anew and verify the joint", w.text(x), strings.ReplaceAll(*x.Chosen, "_", " "))
		}
		out = append(out, text)
	}
	return out
}

// Wants reports whether what was decided for the joint of s asks for s; undecided, it may. While
// a fit is to be proved, what verifies it is asked for.
func (w *Work) Wants(s Step) bool {
	of := w.Of(s)
	if len(of.OnlyIf) == 0 || s.JointID == nil || of.Phase == procedure.Verify && len(w.unproved(s.JointID)) > 0 {
		return true
	}
	option := w.Chosen[*s.JointID].Option
	return option == "" || slices.Contains(of.OnlyIf, option)
}

// Follow brings the steps of a joint in line with what was decided about x, which is kept: what
// it takes is opened, though it was left out or done, with what comes after; what it
// does not take is left out. It tells what changed.
func (w *Work) Follow(tx *postgres.Tx, d Doer, x Wrong) []recommend.Remark {
	for i := range w.Wrong {
		if w.Wrong[i].ID == x.ID {
			w.Wrong[i] = x
		}
	}
	if *x.Chosen != cutAgain && !slices.Contains(anew, *x.Chosen) {
		return nil
	}
	w.choose()
	var opened, left []string
	open := func(s Step) {
		opened = append(opened, w.Ref(w.reopen(tx, d, s, "")))
	}
	option, served := w.Chosen[x.JointID].Option, false
	for _, s := range w.ofJoint(x.JointID) {
		s = w.now(s) // as what came before may have left it
		of := w.Of(s)
		if len(of.OnlyIf) == 0 {
			continue
		}
		made := slices.Contains(of.OnlyIf, option)
		served = served || made && of.Phase == procedure.Ream
		switch {
		case s.IsClosed() && (made || option != "" && w.Wants(s)):
			after := w.following(s)
			open(s)
			for _, other := range after {
				open(other)
			}
		case !s.IsClosed() && !w.Wants(s):
			w.stopTimer(tx, d, s)
			why := ByRecommendation
			done := d.At
			if s.BeganAt != nil && done.Before(*s.BeganAt) {
				done = *s.BeganAt
			}
			s.State, s.DoneAt, s.DoneBy, s.LeftOut = LeftOut, &done, &d.MemberID, &why
			left = append(left, w.Ref(w.write(tx, d, s, "repair.step_left_out")))
		}
	}
	var told []recommend.Remark
	say := func(code, text string, steps []string) {
		if len(steps) > 0 {
			told = append(told, recommend.Remark{Code: code, Params: map[string]any{"steps": steps}, Text: text + strings.Join(steps, ", ") + "."})
		}
	}
	say("reopened", "To be done now, by what was decided: ", opened)
	say("left_out", "Left out, since what was decided does not ask for it: ", left)
	if !served && option != "" {
		told = append(told, recommend.Remark{Code: "no_step", Text: fmt.Sprintf("The procedure has no step of its own for “%s”: do it, note it at a step that is open, and read the bores after it.", strings.ReplaceAll(option, "_", " "))})
	}
	return told
}

// ofJoint are the steps of a joint, in their order.
func (w *Work) ofJoint(joint uuid.UUID) []Step {
	var out []Step
	for _, s := range w.Steps {
		if s.JointID != nil && *s.JointID == joint {
			out = append(out, s)
		}
	}
	return out
}

// now is s as it stands by now.
func (w *Work) now(s Step) Step {
	return w.Steps[slices.IndexFunc(w.Steps, func(o Step) bool { return o.ID == s.ID })]
}
