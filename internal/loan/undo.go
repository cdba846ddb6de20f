package loan

import (
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// UndoOrder is an act that is to be undone, locked behind its tools.
type UndoOrder struct {
	kind  string
	acts  *postgres.Rows[Act]
	items *postgres.Rows[item]
	loans Loans
	shelf shelf
}

// LockUndo queues the lookups for undoing the act of that kind, handout or return.
func LockUndo(b *postgres.Batch, kind string, id uuid.UUID) *UndoOrder {
	o := &UndoOrder{kind: kind, shelf: shelf{roads: findRoads(b)}}
	by := map[string]string{"handout": "handout_id", "return": "return_id"}[kind] // loan_of_handout, loan_of_return
	o.items = postgres.Query[item](b, selectItem+` and t.id = any(array(select l.tool_id from loan l where l.club_id = $1 and l.`+by+` = $2)) order by t.id for no key update of t`, b.Club, id)
	o.acts = postgres.Query[Act](b, `
		select a.id, a.kind, a.member_id, coalesce((select p.number from member p where p.club_id = a.club_id and p.id = a.member_id), '') as member_number, a.by_member,
			a.garage_id, a.occurred_at, a.recorded_at, a.undone_at, a.version
		from counter_act a where a.club_id = $1 and a.id = $2 and a.kind = $3 for no key update of a`, b.Club, id, kind)
	o.loans = Loans{postgres.Query[loanRow](b, fmt.Sprintf(shown, "loan")+` where l.club_id = $1 and l.`+by+` = $2 order by l.id`, b.Club, id)}
	return o
}

// Undo takes the act back within a quarter of an hour, or says why that cannot be.
func (o *UndoOrder) Undo(ctx context.Context, tx *postgres.Tx, actor uuid.UUID) (Act, error) {
	a, err := o.acts.One()
	if err != nil {
		return a, err
	}
	switch {
	case a.UndoneAt != nil:
		return a, problem.New(problem.NotAllowedNow, "It was undone on %s already.", a.UndoneAt.UTC().Format(time.RFC3339))
	case tx.Now.Sub(a.RecordedAt) > UndoWithin:
		return a, problem.New(problem.NotAllowedNow, "It was recorded more than %d minutes ago and stays. Record what happened since: a return, or a handout.", int(UndoWithin.Minutes()))
	}
	a.Loans = o.loans.Items()
	o.shelf.items = o.items.Items
	from := tx.Now
	for _, l := range a.Loans {
		from = earlier(from, l.Period.From)
	}
	if err := o.shelf.stock(ctx, tx, from, nil); err != nil {
		return a, err
	}
	undo := o.takeBack
	if o.kind == "return" {
		undo = o.open
	}
	if refused := o.refusals(a); len(refused) > 0 {
		return a, &Refusal{What: "Nothing was undone.", Tools: refused}
	}
	for i := range a.Loans {
		undo(tx, actor, &a.Loans[i])
	}
	a.UndoneAt = pointerTo(kept(tx.Now))
	a.Version++
	tx.Queue(`update counter_act set undone_at = $3, undone_by = $4, version = version + 1 where club_id = $1 and id = $2`, tx.Club, a.ID, a.UndoneAt, actor)
	touchedNow := postgres.Column(a.Loans, func(l Loan) uuid.UUID { return l.ToolID })
	if o.kind == "handout" {
		touched(tx, touchedNow)
		o.cancelWalkIns(tx, actor, a.Loans)
	}
	return a, nil
}

func (o *UndoOrder) refusals(a Act) []RefusedTool {
	var refused []RefusedTool
	for _, l := range a.Loans {
		t := itemByID(o.shelf.items, l.ToolID)
		no := func(code, format string, args ...any) {
			refused = append(refused, RefusedTool{Tool: l.ToolNumber, Code: code, Detail: l.ToolNumber + " " + fmt.Sprintf(format, args...)})
		}
		switch {
		case o.kind == "handout" && l.Ended != "":
			no("ended", "%s. Undo that first, if it was wrong too.", map[string]string{"returned": "came back already", "handed_over": "was passed on to somebody else", "lost": "was recorded as lost", "undone": "is in the house again"}[l.Ended])
		case o.kind == "handout":
		case l.Ended != "returned":
			no("ended", "is out again already.")
		case o.shelf.loanOf(l.ToolID) != nil:
			no("out_again", "went out again. Undo that handout first, if it was wrong too.")
		case l.displaced > 0:
			no("displaced", "went into quarantine, and %d later reservations were moved or told of it. Record how it is now instead: hand it out again after an inspection.", l.displaced)
		case t != nil && t.State != l.stateLeft:
			no("changed", "%s since. Look at the tool first.", map[string]string{"in_service": "was put back into service", "quarantine": "was put into quarantine", "lost": "was recorded as lost", "retired": "was retired"}[t.State])
		default:
			for _, b := range o.shelf.held {
				if b.ToolID == l.ToolID && !b.is(l.ReservationID, l.Line) && l.heldOut != nil && overlaps(b.held(), *l.heldOut) {
					no("promised", "was promised to somebody from %s meanwhile, which the loan would run into.", t.clock(b.BookedFrom))
					break
				}
			}
		}
	}
	return refused
}

// takeBack undoes that a tool went out: its booking is reserved again.
func (o *UndoOrder) takeBack(tx *postgres.Tx, actor uuid.UUID, l *Loan) {
	l.EndedAt, l.Ended = pointerTo(later(kept(tx.Now), l.CollectedAt)), "undone"
	l.PassingTo, l.PassingSince = nil, nil
	l.own++
	l.Version += 2
	withdrawPassing(tx, l.ID)
	state := "reserved"
	if l.WalkIn {
		state = "cancelled"
	}
	tx.Queue(`update booking set state = $4, period = tstzrange($5, $6), held = tstzrange($7, $8) where club_id = $1 and reservation_id = $2 and line = $3`,
		tx.Club, l.ReservationID, l.Line, state, l.periodBefore.From, l.periodBefore.Until, l.heldBefore.From, l.heldBefore.Until).RunAgainOn("no_double_booking")
	l.Period, l.Held = l.periodBefore, l.heldBefore
	tx.Queue(`update loan set ended = 'undone', ended_at = $3, late_at = null, version = version + 1 where club_id = $1 and id = $2`, tx.Club, l.ID, l.EndedAt).
		Refuse("loan_undone_unused", problem.New(problem.NotAllowedNow, "What %s did on this loan is on record, so it was out. Void those uses first where they are wrong: GET tools/%s/uses?loan=%s.", l.ToolNumber, l.ToolNumber, l.ID))
	l.LateAt = nil
	tell(tx, actor, "loan.undone", *l)
	t := itemByID(o.shelf.items, l.ToolID)
	o.shelf.safe(tx, actor, t, "late")
	if !l.WalkIn {
		b := promise{ReservationID: l.ReservationID, Line: l.Line, ToolID: l.ToolID}
		if i := slices.IndexFunc(o.shelf.held, func(p promise) bool { return p.is(l.ReservationID, l.Line) }); i >= 0 {
			b.Version = o.shelf.held[i].Version
		}
		if t.State != inService { // while it was out
			b.endanger(tx, actor, t.State)
		} else {
			changed(tx, l.ReservationID)
		}
	}
}

// cancelWalkIns cancels the reservations that were made as the tools went out.
func (o *UndoOrder) cancelWalkIns(tx *postgres.Tx, actor uuid.UUID, loans []Loan) {
	seen := map[uuid.UUID]bool{}
	for _, l := range loans {
		if !l.WalkIn || seen[l.ReservationID] {
			continue
		}
		seen[l.ReservationID] = true
		at := kept(tx.Now)
		tx.Queue(`update reservation set cancelled_at = $3, changed_at = $3, version = version + 1 where club_id = $1 and id = $2`, tx.Club, l.ReservationID, at)
		journal.Append(tx, journal.Event{Type: "reservation.cancelled", Subject: l.ReservationID, Version: 2, Audience: journal.ForClub, Actor: actor}, at)
	}
}

// open undoes that a tool came back: the loan goes on as it was.
func (o *UndoOrder) open(tx *postgres.Tx, actor uuid.UUID, l *Loan) {
	period, held := l.Period, l.Held
	if l.periodOut != nil && l.heldOut != nil {
		period, held = *l.periodOut, *l.heldOut
	}
	tx.Queue(`update booking set state = 'out', period = tstzrange($4, $5), held = tstzrange($6, $7) where club_id = $1 and reservation_id = $2 and line = $3`,
		tx.Club, l.ReservationID, l.Line, period.From, period.Until, held.From, held.Until).RunAgainOn("no_double_booking")
	changed(tx, l.ReservationID)
	tx.Queue(`update loan set return_id = null, ended = null, ended_at = null, condition_in = null, parts_in = null, note_in = '', period_out = null, held_out = null, version = version + 1
		where club_id = $1 and id = $2`, tx.Club, l.ID).RunAgainOn("loan_open")
	tx.Queue(`update tool set state = $3, condition = $4, place_garage_id = $5, version = version + 1 where club_id = $1 and id = $2`, tx.Club, l.ToolID, l.stateBefore, l.conditBefore, l.placeBefore)
	l.Period, l.Held = period, held
	l.ReturnID, l.EndedAt, l.Ended, l.ConditionIn, l.PartsIn, l.NoteIn = nil, nil, "", "", nil, ""
	l.own++
	l.Version += 2
	tell(tx, actor, "loan.undone", *l)
}

// withdrawPassing ends an offer to pass the loan on that nobody answered.
func withdrawPassing(tx *postgres.Tx, loan uuid.UUID) {
	tx.Queue(`update hand_over set answer = 'withdrawn', answered_at = $3 where club_id = $1 and loan_id = $2 and answer is null`, tx.Club, loan, kept(tx.Now))
}
