package repair

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/procedure"
	"pinwright/internal/recommend"
)

// update writes the repair's row as its next version, with an event of that type.
func (w *Work) update(tx *postgres.Tx, actor uuid.UUID, event string) {
	w.Version++
	tx.Queue(`update repair set garage_id = $3, lead_id = $4, state = $5, recommendation_id = $6, note = $7, signed_at = $8, signed_by = $9, seconded_at = $10, seconded_by = $11,
		abandoned_at = $12, abandoned_by = $13, abandon_reason = $14, version = $15 where club_id = $1 and id = $2`,
		tx.Club, w.ID, w.GarageID, w.LeadID, w.State, w.RecommendationID, w.Note, w.SignedAt, w.SignedBy, w.SecondedAt, w.SecondedBy, w.AbandonedAt, w.AbandonedBy, w.AbandonReason, w.Version)
	journal.Append(tx, journal.Event{Type: event, Subject: w.ID, Version: w.Version, Audience: journal.ForClub, Actor: actor}, w.Repair)
}

// Change is what is changed of a repair; nil leaves it.
type Change struct {
	Place          *Place
	LeadID         *uuid.UUID
	Note           *string
	Recommendation **recommend.Kept // *nil: none any more
}

// Change changes the repair. A recommendation decides which steps are left out: one
// that it does not ask for is, one that it asks for again is opened, with what comes
// after it. What was begun or done stays.
func (w *Work) Change(tx *postgres.Tx, d Doer, c Change) ([]recommend.Remark, error) {
	if err := w.isOpen(); err != nil {
		return nil, err
	}
	if !w.leads(d) {
		return nil, problem.New(problem.MissingRole, "Only who leads the repair, or an officer, changes it.")
	}
	if c.Place != nil {
		w.GarageID, w.GarageCode, w.TimeZone = c.Place.GarageID, c.Place.Code, c.Place.TimeZone
	}
	if c.LeadID != nil {
		w.LeadID = *c.LeadID
	}
	if c.Note != nil {
		w.Note = *c.Note
	}
	var told []recommend.Remark
	if c.Recommendation != nil {
		var err error
		if told, err = w.decide(tx, d, *c.Recommendation); err != nil {
			return nil, err
		}
	}
	w.update(tx, d.MemberID, "repair.changed")
	return told, nil
}

// decide takes what a recommendation chose; nil takes the choice back.
func (w *Work) decide(tx *postgres.Tx, d Doer, kept *recommend.Kept) ([]recommend.Remark, error) {
	fault := func(format string, args ...any) error {
		return problem.Invalid(problem.Fault{Pointer: "/recommendation", Detail: fmt.Sprintf(format, args...)})
	}
	w.RecommendationID, w.advised, w.advisedAt = nil, nil, time.Time{}
	if kept != nil {
		if kept.VehicleID != w.VehicleID {
			return nil, fault("is about another vehicle; ask for one for this repair's joints")
		}
		advised, err := adviceOf(kept.Body)
		if err != nil {
			return nil, err
		}
		if !slices.ContainsFunc(w.Joints, func(j Joint) bool { return advised[j.JointID].chosen.Option != "" }) {
			return nil, fault("chooses nothing for a joint of this repair; ask for one for its joints")
		}
		w.RecommendationID, w.advised, w.advisedAt = &kept.ID, advised, kept.CreatedAt
	}
	w.choose()
	var told []recommend.Remark
	byRecommendation := ByRecommendation
	for _, s := range slices.Clone(w.Steps) {
		s = w.now(s)
		if len(w.Of(s).OnlyIf) == 0 || s.JointID == nil {
			continue
		}
		wanted := w.Wants(s)
		switch {
		case s.State == StepOpen && !wanted:
			s.State, s.DoneAt, s.DoneBy, s.LeftOut = LeftOut, &d.At, &d.MemberID, &byRecommendation
			w.write(tx, d, s, "repair.step_left_out")
		case s.LeftOut != nil && *s.LeftOut == ByRecommendation && wanted:
			after := w.following(s)
			s = w.reopen(tx, d, s, "")
			told = append(told, w.reopenAll(tx, d, s, after)...)
		}
	}
	return told, nil
}

// Signing is how a repair is signed off.
type Signing struct {
	InspectionFirst bool // whoever signs knows that a licensed inspection comes first
}

// SignOff signs the repair off: who leads it signs, and of a safety joint another
// member after them. The steps of the phase sign_off close with it.
func (w *Work) SignOff(tx *postgres.Tx, d Doer, s Signing) ([]recommend.Remark, error) {
	if w.State == Signed {
		return already("%s was signed off on %s already; nothing was changed.", w.Label(), w.clock(*lastOf(w.SignedAt, w.SecondedAt))), nil
	}
	if err := w.isOpen(); err != nil {
		return nil, err
	}
	if w.Safety && !s.InspectionFirst {
		return nil, problem.Invalid(problem.Fault{Pointer: "/inspection_first", Detail: "must be true for a safety joint: whoever signs says that they know this. " + recommend.SafetyNote})
	}
	var open []string
	for _, step := range w.Steps {
		if !step.IsClosed() && w.Of(step).Phase != procedure.SignOff {
			open = append(open, w.Ref(step))
		}
	}
	if len(open) > 0 {
		if len(open) > mostTold {
			open = append(open[:mostTold:mostTold], fmt.Sprintf("and %d more", len(open)-mostTold))
		}
		return nil, problem.New(problem.NotAllowedNow, "%s is not done: %s. Finish these, or leave them out with a reason.", w.Label(), strings.Join(open, ", "))
	}
	if wrong := w.nonconforming(); len(wrong) > 0 {
		return nil, problem.New(problem.NotAllowedNow, "%s is not as it should be: %s. Decide what is done about it (GET nonconformities of the repair), and where the fit was refused, prove what was made.", w.Label(), strings.Join(wrong, ", "))
	}
	if at := w.newest(); d.At.Before(at.Add(-skew)) {
		return nil, problem.Invalid(problem.Fault{Pointer: "/occurred_at", Detail: "is before the last step was closed, on " + w.clock(at)})
	}
	switch {
	case w.SignedBy == nil:
		if !w.leads(d) {
			return nil, problem.New(problem.MissingRole, "Who leads the repair, or an officer, signs first.")
		}
		for _, step := range slices.Clone(w.Steps) {
			if !step.IsClosed() {
				w.stopTimer(tx, d, step)
				if step.BeganAt == nil {
					step.BeganAt, step.BeganBy, step.RoundsDone = &d.At, &d.MemberID, 1
				}
				at := d.At
				if at.Before(*step.BeganAt) {
					at = *step.BeganAt
				}
				step.State, step.DoneAt, step.DoneBy = Done, &at, &d.MemberID
				record(tx, d, w.write(tx, d, step, "repair.step_done"), "finish", nil, "")
			}
		}
		w.SignedAt, w.SignedBy = &d.At, &d.MemberID
		if w.Safety {
			w.update(tx, d.MemberID, "repair.signed_once")
			return nil, nil
		}
	case *w.SignedBy == d.MemberID:
		return already("You signed %s on %s already. It waits for another member's signature; nothing was changed.", w.Label(), w.clock(*w.SignedAt)), nil
	default:
		w.SecondedAt, w.SecondedBy = &d.At, &d.MemberID
	}
	w.State = Signed
	w.update(tx, d.MemberID, "repair.signed")
	return nil, nil
}

// newest is when the last of its steps was closed.
func (w *Work) newest() time.Time {
	at := w.BeganAt
	for _, s := range w.Steps {
		if s.DoneAt != nil && s.DoneAt.After(at) {
			at = *s.DoneAt
		}
	}
	return at
}

// Abandon gives the repair up: its timers stop, and its joints are free for another.
func (w *Work) Abandon(tx *postgres.Tx, d Doer, reason string) ([]recommend.Remark, error) {
	if w.State == Abandoned {
		return already("%s was abandoned on %s already; nothing was changed.", w.Label(), w.clock(*w.AbandonedAt)), nil
	}
	if err := w.isOpen(); err != nil {
		return nil, err
	}
	if !w.leads(d) && !d.has("tool_keeper") {
		return nil, problem.New(problem.MissingRole, "Only who leads the repair, a tool keeper or an officer gives it up.")
	}
	if d.At.Before(w.BeganAt) {
		return nil, problem.Invalid(problem.Fault{Pointer: "/occurred_at", Detail: "is before the repair began, on " + w.clock(w.BeganAt)})
	}
	for _, s := range w.Steps {
		w.stopTimer(tx, d, s)
	}
	w.State, w.AbandonedAt, w.AbandonedBy, w.AbandonReason = Abandoned, &d.At, &d.MemberID, reason
	w.update(tx, d.MemberID, "repair.abandoned")
	return nil, nil
}
