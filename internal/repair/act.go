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

// Doer is who does something to a repair, and when it happened.
type Doer struct {
	MemberID uuid.UUID
	Roles    []string
	At       time.Time
}

func (d Doer) has(roles ...string) bool {
	return slices.ContainsFunc(roles, func(r string) bool { return slices.Contains(d.Roles, r) })
}

// leads reports whether d may decide for the repair as a whole.
func (w *Work) leads(d Doer) bool { return d.MemberID == w.LeadID || d.has("officer") }

// isOpen refuses what a repair that is over does not take.
func (w *Work) isOpen() error {
	switch w.State {
	case Signed:
		return problem.New(problem.NotAllowedNow, "%s was signed off. Begin another repair of the joints where something is left to do.", w.Label())
	case Abandoned:
		return problem.New(problem.NotAllowedNow, "%s was abandoned. Begin another repair of its joints.", w.Label())
	}
	return nil
}

// already says that an act changed nothing, since it was done before.
func already(format string, args ...any) []recommend.Remark {
	return []recommend.Remark{{Code: "already", Text: fmt.Sprintf(format, args...)}}
}

// Begin begins s, or its next round: a wait starts its timer, reckoned from when it
// happened. What was begun already is told and changes nothing, so that two phones
// may both say it; round says which round is meant, and begins it before it is due.
func (w *Work) Begin(tx *postgres.Tx, d Doer, s Step, round *int, note string) (Step, []recommend.Remark, error) {
	if err := w.isOpen(); err != nil {
		return s, nil, err
	}
	if s.IsClosed() {
		return s, nil, problem.New(problem.NotAllowedNow, "%s is closed since %s. Reopen it to do it again.", w.Ref(s), w.clock(*s.DoneAt))
	}
	of, next := w.Of(s), s.RoundsDone+1
	switch t := w.TimerOf(s); {
	case round != nil && *round > next || round != nil && *round > of.Rounds():
		return s, nil, problem.Invalid(problem.Fault{Pointer: "/round", Detail: fmt.Sprintf("%s was begun %d times of %d; the next round is %d", w.Ref(s), s.RoundsDone, of.Rounds(), next)})
	case s.RoundsDone >= of.Rounds(), round != nil && *round < next:
		return s, already("%s was begun on %s already; nothing was changed.", w.Ref(s), w.clock(*s.BeganAt)), nil
	case round == nil && t != nil && t.DueAt.After(d.At):
		return s, already("Round %d of %s was begun on %s already, and the next is due on %s; nothing was changed. Send round %d to begin it earlier.", t.Round, w.Ref(s), w.clock(t.BeganAt), w.clock(t.DueAt), next), nil
	}
	if s.State == StepOpen {
		if held := w.HoldUps(s); len(held) > 0 {
			return s, nil, problem.New(problem.NotAllowedNow, "%s waits for %s. Finish that first, or leave it out.", w.Ref(s), strings.Join(held, ", "))
		}
	}
	if faults := w.inOrder(s, d.At); len(faults) > 0 {
		return s, nil, problem.Invalid(faults...)
	}
	w.stopTimer(tx, d, s)
	if s.RoundsDone == 0 {
		s.BeganAt, s.BeganBy = &d.At, &d.MemberID
	}
	s.RoundsDone = next
	s.State = Running
	if t, waits := startOf(of, s, d.At); waits {
		s.State = Waiting
		w.Timers = append(w.Timers, t)
		tx.Queue(`insert into repair_timer (club_id, id, repair_id, step_id, kind, round, began_at, due_at, most_at) values ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
			tx.Club, t.ID, t.RepairID, t.StepID, t.Kind, t.Round, t.BeganAt, t.DueAt, t.MostAt)
	}
	s = w.write(tx, d, s, "repair.step_begun")
	record(tx, d, s, "begin", &s.RoundsDone, note)
	return s, nil, nil
}

// inOrder reports a time before what s comes after was closed, or before it was begun
// itself.
func (w *Work) inOrder(s Step, at time.Time) []problem.Fault {
	fault := func(format string, args ...any) []problem.Fault {
		return []problem.Fault{{Pointer: "/occurred_at", Detail: fmt.Sprintf(format, args...)}}
	}
	if at.Before(w.BeganAt.Add(-skew)) {
		return fault("is before the repair began, on %s", w.clock(w.BeganAt))
	}
	if s.BeganAt != nil && at.Before(*s.BeganAt) {
		return fault("is before %s was begun, on %s", w.Ref(s), w.clock(*s.BeganAt))
	}
	for _, other := range w.Before(s) {
		if s.BeganAt == nil && other.State == Done && at.Before(other.DoneAt.Add(-skew)) {
			return fault("is before %s was finished, on %s", w.Ref(other), w.clock(*other.DoneAt))
		}
	}
	return nil
}

// startOf is the timer that s, whose newest round was begun at at, starts: until the
// next round, or the wait of the last.
func startOf(of procedure.Step, s Step, at time.Time) (Timer, bool) {
	t := Timer{ID: uuid.Must(uuid.NewV7()), RepairID: s.RepairID, StepID: s.ID, Round: s.RoundsDone, BeganAt: at}
	switch {
	case s.RoundsDone < of.Rounds():
		t.Kind, t.DueAt = Repeat, at.Add(of.Repeat.Every())
	case of.Wait != nil:
		t.Kind, t.DueAt = of.Wait.Kind, at.Add(of.Wait.Duration())
		if of.Wait.MostMinutes != nil {
			most := at.Add(time.Duration(*of.Wait.MostMinutes) * time.Minute)
			t.MostAt = &most
		}
	default:
		return t, false
	}
	return t, true
}

// stopTimer stops the timer of s that runs, if one does.
func (w *Work) stopTimer(tx *postgres.Tx, d Doer, s Step) {
	t := w.TimerOf(s)
	if t == nil {
		return
	}
	at := d.At
	if at.Before(t.BeganAt) {
		at = t.BeganAt
	}
	t.StoppedAt, t.StoppedBy = &at, &d.MemberID
	tx.Queue(`update repair_timer set stopped_at = $3, stopped_by = $4 where club_id = $1 and id = $2`, tx.Club, t.ID, t.StoppedAt, t.StoppedBy)
}

// write writes s as its next version, with an event of that type about the repair.
func (w *Work) write(tx *postgres.Tx, d Doer, s Step, event string) Step {
	s.Version++
	tx.Queue(`update repair_step set state = $3, rounds_done = $4, began_at = $5, began_by = $6, done_at = $7, done_by = $8, left_out = $9, note = $10, recorded_at = $11, version = $12 where club_id = $1 and id = $2`,
		tx.Club, s.ID, s.State, s.RoundsDone, s.BeganAt, s.BeganBy, s.DoneAt, s.DoneBy, s.LeftOut, s.Note, tx.Now, s.Version)
	for i := range w.Steps {
		if w.Steps[i].ID == s.ID {
			w.Steps[i] = s
		}
	}
	journal.Append(tx, journal.Event{Type: event, Subject: w.ID, Version: w.Version, Audience: journal.ForClub, Actor: d.MemberID}, s)
	return s
}

// record keeps what was done.
func record(tx *postgres.Tx, d Doer, s Step, kind string, round *int, note string) {
	tx.Queue(`insert into repair_act (club_id, id, repair_id, step_id, kind, round, occurred_at, recorded_at, member_id, note) values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)`,
		tx.Club, uuid.Must(uuid.NewV7()), s.RepairID, s.ID, kind, round, d.At, tx.Now, d.MemberID, note)
}

// Finishing is how a step is finished.
type Finishing struct {
	Early bool // though rounds are left or a timer runs
	Note  string
}

// Finish closes s. One that has neither rounds nor a wait need not have been begun.
// What was finished already is told and changes nothing.
func (w *Work) Finish(tx *postgres.Tx, d Doer, s Step, f Finishing) (Step, []recommend.Remark, error) {
	if err := w.isOpen(); err != nil {
		return s, nil, err
	}
	switch s.State {
	case Done:
		return s, already("%s was finished on %s already; nothing was changed.", w.Ref(s), w.clock(*s.DoneAt)), nil
	case LeftOut:
		return s, nil, problem.New(problem.NotAllowedNow, "%s was left out on %s. Reopen it to do it after all.", w.Ref(s), w.clock(*s.DoneAt))
	}
	if err := w.mayClose(d, s); err != nil {
		return s, nil, err
	}
	of := w.Of(s)
	if s.State == StepOpen {
		if held := w.HoldUps(s); len(held) > 0 {
			return s, nil, problem.New(problem.NotAllowedNow, "%s waits for %s. Finish that first, or leave it out.", w.Ref(s), strings.Join(held, ", "))
		}
		if of.Wait != nil || of.Repeat != nil {
			return s, nil, problem.New(problem.NotAllowedNow, "%s was not begun, and its timer starts when it is. Begin it, or leave it out.", w.Ref(s))
		}
	}
	if faults := w.inOrder(s, d.At); len(faults) > 0 {
		return s, nil, problem.Invalid(faults...)
	}
	if f.Early && f.Note == "" {
		return s, nil, problem.Invalid(problem.Fault{Pointer: "/note", Detail: "is needed where a step is finished early: say why, for whoever reads the record"})
	}
	if left := w.unfinished(s, d.At, f.Early); len(left) > 0 {
		return s, nil, problem.New(problem.NotAllowedNow, "%s is not finished: %s. Do that first; rounds and waits can be cut short with early and a note, readings and proofs cannot.", w.Ref(s), strings.Join(left, ", "))
	}
	w.stopTimer(tx, d, s)
	if s.State == StepOpen {
		s.BeganAt, s.BeganBy, s.RoundsDone = &d.At, &d.MemberID, 1
	}
	s.State, s.DoneAt, s.DoneBy, s.Note = Done, &d.At, &d.MemberID, f.Note
	s = w.write(tx, d, s, "repair.step_done")
	record(tx, d, s, "finish", nil, f.Note)
	return s, nil, nil
}

// mayClose refuses who may not close s.
func (w *Work) mayClose(d Doer, s Step) error {
	switch by := w.Of(s).ClosedBy; {
	case by == procedure.Lead && !w.leads(d):
		return problem.New(problem.MissingRole, "%s is closed by who leads the repair, or an officer.", w.Ref(s))
	case by == procedure.AnotherMember && s.BeganBy == nil:
		return problem.New(problem.NotAllowedNow, "%s is closed by another member than who begins it. Begin it, and let another member close it.", w.Ref(s))
	case by == procedure.AnotherMember && *s.BeganBy == d.MemberID:
		return problem.New(problem.MissingRole, "%s is closed by another member than who began it: a second pair of eyes.", w.Ref(s))
	case by == procedure.ToolKeeper && !d.has("tool_keeper", "officer"):
		return problem.New(problem.MissingRole, "%s is closed by a tool keeper.", w.Ref(s))
	case by == procedure.Officer && !d.has("officer"):
		return problem.New(problem.MissingRole, "%s is closed by an officer.", w.Ref(s))
	}
	return nil
}

// LeaveOut closes s undone. What was left out already is told and changes nothing.
func (w *Work) LeaveOut(tx *postgres.Tx, d Doer, s Step, reason string) (Step, []recommend.Remark, error) {
	if err := w.isOpen(); err != nil {
		return s, nil, err
	}
	switch s.State {
	case LeftOut:
		return s, already("%s was left out on %s already; nothing was changed.", w.Ref(s), w.clock(*s.DoneAt)), nil
	case Done:
		return s, nil, problem.New(problem.NotAllowedNow, "%s was finished on %s; it cannot be left out any more.", w.Ref(s), w.clock(*s.DoneAt))
	}
	if held := w.toProve(s); len(held) > 0 {
		return s, nil, problem.New(problem.NotAllowedNow, "%s cannot be left out: it takes %s.", w.Ref(s), strings.Join(held, ", "))
	}
	if w.Of(s).ClosedBy != procedure.AnotherMember {
		if err := w.mayClose(d, s); err != nil {
			return s, nil, err
		}
	} else if !w.leads(d) {
		return s, nil, problem.New(problem.MissingRole, "%s wants a second pair of eyes; only who leads the repair, or an officer, leaves it out.", w.Ref(s))
	}
	if faults := w.inOrder(Step{BeganAt: s.BeganAt, Ordinal: s.Ordinal, JointID: s.JointID}, d.At); s.BeganAt != nil && len(faults) > 0 {
		return s, nil, problem.Invalid(faults...)
	}
	w.stopTimer(tx, d, s)
	why := ByMember
	s.State, s.DoneAt, s.DoneBy, s.LeftOut, s.Note = LeftOut, &d.At, &d.MemberID, &why, reason
	s = w.write(tx, d, s, "repair.step_left_out")
	record(tx, d, s, "leave_out", nil, reason)
	return s, nil, nil
}

// Reopen opens s, which was closed, once more. What comes after it and was begun or
// done has then to be done again, too: following says that this is meant.
func (w *Work) Reopen(tx *postgres.Tx, d Doer, s Step, following bool, reason string) (Step, []recommend.Remark, error) {
	if err := w.isOpen(); err != nil {
		return s, nil, err
	}
	if !s.IsClosed() {
		return s, nil, problem.New(problem.NotAllowedNow, "%s is not closed. Nothing is to do.", w.Ref(s))
	}
	after := w.following(s)
	if names := w.refs(after); len(after) > 0 && !following {
		return s, nil, problem.New(problem.NotAllowedNow, "%s comes before %s, which then has to be done again, too. Send following: true if that is meant.", w.Ref(s), strings.Join(names, ", "))
	}
	s = w.reopen(tx, d, s, reason)
	return s, w.reopenAll(tx, d, s, after), nil
}

func (w *Work) reopen(tx *postgres.Tx, d Doer, s Step, reason string) Step {
	w.stopTimer(tx, d, s)
	s = Step{ID: s.ID, RepairID: s.RepairID, Ordinal: s.Ordinal, Key: s.Key, JointID: s.JointID, State: StepOpen, Note: reason, Version: s.Version}
	s = w.write(tx, d, s, "repair.step_reopened")
	record(tx, d, s, "reopen", nil, reason)
	return s
}

// reopenAll reopens what comes after s, and says so.
func (w *Work) reopenAll(tx *postgres.Tx, d Doer, s Step, after []Step) []recommend.Remark {
	if len(after) == 0 {
		return nil
	}
	for _, other := range after {
		w.reopen(tx, d, other, "")
	}
	return []recommend.Remark{{Code: "reopened", Text: fmt.Sprintf("To be done again, since %s comes before: %s.", w.Ref(s), strings.Join(w.refs(after), ", "))}}
}

// following are the steps that come after s, over any number of others, and were begun
// or done.
func (w *Work) following(s Step) []Step {
	reached := map[uuid.UUID]bool{s.ID: true}
	for grown := true; grown; {
		grown = false
		for _, other := range w.Steps {
			if !reached[other.ID] && slices.ContainsFunc(w.Before(other), func(b Step) bool { return reached[b.ID] }) {
				reached[other.ID], grown = true, true
			}
		}
	}
	var out []Step
	for _, other := range w.Steps {
		if reached[other.ID] && other.ID != s.ID && other.BeganAt != nil && other.State != LeftOut {
			out = append(out, other)
		}
	}
	return out
}

func (w *Work) refs(steps []Step) []string {
	out := make([]string, len(steps))
	for i, s := range steps {
		out[i] = w.Ref(s)
	}
	return out
}

// StopTimer stops the timer of that id: its step, which it returns, goes on as if the
// wait were over.
func (w *Work) StopTimer(tx *postgres.Tx, d Doer, id uuid.UUID, note string) (Step, []recommend.Remark, error) {
	i := slices.IndexFunc(w.Timers, func(t Timer) bool { return t.ID == id })
	if i < 0 {
		return Step{}, nil, problem.Absent()
	}
	t := w.Timers[i]
	s := w.Steps[slices.IndexFunc(w.Steps, func(s Step) bool { return s.ID == t.StepID })]
	if t.StoppedAt != nil {
		return s, already("The timer was stopped on %s already; nothing was changed.", w.clock(*t.StoppedAt)), nil
	}
	if err := w.isOpen(); err != nil {
		return s, nil, err
	}
	if d.At.Before(t.BeganAt) {
		return s, nil, problem.Invalid(problem.Fault{Pointer: "/occurred_at", Detail: "is before the timer began, on " + w.clock(t.BeganAt)})
	}
	w.stopTimer(tx, d, s)
	s.State = Running
	s = w.write(tx, d, s, "repair.timer_stopped")
	record(tx, d, s, "stop_timer", nil, note)
	return s, nil, nil
}
