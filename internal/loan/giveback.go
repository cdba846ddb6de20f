package loan

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/lending"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Return is what a keeper records as tools come back, whoever brings them.
type Return struct {
	ID         uuid.UUID
	Garage     string // where
	Member     string // who brings them; empty when that is not known
	Tools      []Back
	OccurredAt time.Time
}

// Back is a tool as it comes back.
type Back struct {
	Tool       string
	Condition  string // empty: nobody looked, so as it went out
	Parts      *int   // counted
	Note       string
	Quarantine bool // to be looked at before it goes out again
	Checks     []Check
}

// says reports whether somebody looked at the tool.
func (b Back) says() bool {
	return b.Condition != "" || b.Parts != nil || b.Quarantine || len(b.Checks) > 0
}

type garage struct {
	ID   uuid.UUID
	Code string
}

// ReturnOrder is a return with what was looked up and locked for it.
type ReturnOrder struct {
	r       Return
	by      uuid.UUID
	garages *postgres.Rows[garage]
	members *postgres.Rows[person]
	items   *postgres.Rows[item]
	shelf   shelf
}

// LockReturn queues the lookups of r.
func LockReturn(b *postgres.Batch, r Return) *ReturnOrder {
	o := &ReturnOrder{r: r}
	at := postgres.ParseRef(r.Garage)
	o.garages = postgres.Query[garage](b, `select id, code from garage where club_id = $1 and (id = $2 or code = $3)`, b.Club, at.ID, at.Name)
	if r.Member != "" {
		who := postgres.ParseRef(r.Member)
		o.members = postgres.Query[person](b, `select `+personColumns+` from member where club_id = $1 and (id = $2 or number = $3)`, b.Club, who.ID, who.Name)
	}
	o.items = lockItems(b, postgres.Column(r.Tools, func(t Back) asked {
		return asked{Name: t.Tool, Leaving: t.Quarantine || isBad(t.Condition), Parts: t.Parts}
	}))
	o.shelf.roads = findRoads(b)
	return o
}

func isBad(condition string) bool { return condition == "damaged" || condition == "incomplete" }

// Returned is what a return did.
type Returned struct {
	Act
	Quarantined []string // numbers
	Displaced   Displaced
	Withdrawn   []string // numbers of tools that were marked late and were not
}

// coming is one tool as it comes back.
type coming struct {
	back Back
	tool *item
	loan *Loan
}

// Make takes the tools back, all or none.
func (o *ReturnOrder) Make(ctx context.Context, tx *postgres.Tx, by uuid.UUID) (Returned, error) {
	o.by = by
	at, faults := occurred(o.r.OccurredAt, tx.Now)
	if len(o.garages.Items) == 0 {
		faults = append(faults, problem.Fault{Pointer: "/garage", Detail: fmt.Sprintf("there is no garage “%s” in this club; check its code, or GET garages", o.r.Garage)})
	}
	if o.members != nil && len(o.members.Items) == 0 {
		faults = append(faults, problem.Fault{Pointer: "/member", Detail: fmt.Sprintf("there is no member “%s” in this club; check the number, or leave it out", o.r.Member)})
	}
	var all []coming
	for i, b := range o.r.Tools {
		t := itemOf(o.items.Items, b.Tool)
		switch {
		case t == nil:
			faults = append(faults, problem.Fault{Pointer: fmt.Sprintf("/tools/%d/tool", i), Detail: fmt.Sprintf("there is no tool “%s” in this club; check the number on it, or GET tools", b.Tool)})
		case slices.ContainsFunc(all, func(c coming) bool { return c.tool == t }):
			faults = append(faults, problem.Fault{Pointer: fmt.Sprintf("/tools/%d/tool", i), Detail: "stands in this request already"})
		default:
			all = append(all, coming{back: b, tool: t})
		}
	}
	if len(faults) > 0 {
		return Returned{}, problem.Invalid(faults...)
	}
	o.shelf.items = o.items.Items
	if err := o.shelf.stock(ctx, tx, earlier(at, tx.Now), nil); err != nil {
		return Returned{}, err
	}
	var refused []RefusedTool
	for i := range all {
		c := &all[i]
		if out := o.shelf.loanOf(c.tool.ID); out != nil {
			c.loan = pointerTo(*out) // of its own: the shelf forgets each loan as it ends
		}
		switch {
		case c.loan == nil:
			refused = append(refused, RefusedTool{Tool: c.tool.Number, Code: "not_out", Detail: c.tool.Number + " is not out to anybody, so there is nothing to take back. Check the number; what was found POST to the tool's `found`."})
		case at.Before(c.loan.CollectedAt):
			refused = append(refused, RefusedTool{Tool: c.tool.Number, Code: "before_handout", Detail: fmt.Sprintf("%s went out on %s only; check `occurred_at`.", c.tool.Number, c.tool.clock(c.loan.CollectedAt))})
		}
	}
	if len(refused) > 0 {
		return Returned{}, &Refusal{What: "Nothing was taken back.", Tools: refused}
	}
	return o.write(tx, at, all), nil
}

func (o *ReturnOrder) write(tx *postgres.Tx, at time.Time, all []coming) Returned {
	where := o.garages.Items[0]
	done := Returned{Act: Act{ID: o.r.ID, Kind: "return", ByMember: o.by, GarageID: &where.ID, OccurredAt: at, RecordedAt: kept(tx.Now), Version: 1}}
	if o.members != nil {
		done.MemberID, done.MemberNumber = &o.members.Items[0].ID, o.members.Items[0].Number
	}
	addAct(tx, done.Act)
	bad := map[uuid.UUID]bool{} // none of them stands in for another
	for _, c := range all {
		if c.bad() && c.tool.State == inService {
			bad[c.tool.ID], c.tool.State = true, "quarantine"
		}
	}
	for _, c := range all {
		l := *c.loan
		was := *c.tool
		if bad[c.tool.ID] {
			was.State = inService
		}
		period, held := o.trimmed(l, c.tool, where.ID, at)
		condition := c.condition(l)
		tx.Queue(`update booking set state = 'returned', period = tstzrange($4, $5), held = tstzrange($6, $7) where club_id = $1 and reservation_id = $2 and line = $3`,
			tx.Club, l.ReservationID, l.Line, period.From, period.Until, held.From, held.Until).RunAgainOn("no_double_booking")
		o.shelf.replace(l, period, held)
		changed(tx, l.ReservationID)
		withdrawn := l.LateAt != nil && !at.After(l.Period.Until)
		l.periodOut, l.heldOut = pointerTo(l.Period), pointerTo(l.Held)
		l.stateBefore, l.stateLeft, l.conditBefore, l.placeBefore = was.State, c.tool.State, was.Condition, was.PlaceGarageID
		var moved Displaced
		if bad[c.tool.ID] {
			moved = o.shelf.leave(tx, o.by, c.tool, "quarantine")
			done.Quarantined = append(done.Quarantined, c.tool.Number)
			quarantined(tx, o.by, c.tool, condition)
		} else if c.tool.State == inService {
			moved = o.shelf.safe(tx, o.by, c.tool, "late")
		}
		done.Displaced.add(moved)
		l.displaced = moved.Moved + moved.Endangered
		l.Period, l.Held = period, held
		l.ReturnID, l.EndedAt, l.Ended, l.ConditionIn, l.PartsIn, l.NoteIn = &o.r.ID, &at, "returned", condition, c.back.Parts, c.back.Note
		l.PassingTo, l.PassingSince = nil, nil
		l.own++
		l.Version += 2 // the tool's too
		withdrawPassing(tx, l.ID)
		if withdrawn {
			l.LateAt = nil
			done.Withdrawn = append(done.Withdrawn, l.ToolNumber)
			tell(tx, o.by, "loan.late_withdrawn", l)
		}
		tx.Queue(`update loan set return_id = $3, ended_at = $4, ended = 'returned', condition_in = $5, parts_in = $6, note_in = $7, late_at = $8, period_out = tstzrange($9, $10),
				held_out = tstzrange($11, $12), state_before = $13, condition_before = $14, place_before = $15, displaced = $16, state_left = $17, version = version + 1 where club_id = $1 and id = $2`,
			tx.Club, l.ID, o.r.ID, at, condition, c.back.Parts, c.back.Note, l.LateAt, l.periodOut.From, l.periodOut.Until, l.heldOut.From, l.heldOut.Until,
			was.State, was.Condition, was.PlaceGarageID, l.displaced, c.tool.State)
		tell(tx, o.by, "loan.returned", l)
		o.putAway(tx, c, where.ID, condition, at)
		done.Loans = append(done.Loans, l)
	}
	return done
}

// quarantined tells that t does not go out before an inspection.
func quarantined(tx *postgres.Tx, actor uuid.UUID, t *item, condition string) {
	journal.Append(tx, journal.Event{Type: "tool.quarantined", Subject: t.ID, Version: t.changes() + 2, Audience: journal.ForClub, Actor: actor},
		struct{ State, Condition string }{"quarantine", condition})
}

// putAway writes where the tool is now and how it is, and what was found.
func (o *ReturnOrder) putAway(tx *postgres.Tx, c coming, where uuid.UUID, condition string, at time.Time) {
	tx.Queue(`update tool set place_garage_id = $3, condition = $4, state = $5, version = version + 1 where club_id = $1 and id = $2`, tx.Club, c.tool.ID, where, condition, c.tool.State)
	if !c.back.says() {
		return
	}
	verdict := "good"
	switch {
	case c.bad():
		verdict = "bad"
	case condition == "worn":
		verdict = "usable"
	}
	addInspection(tx, Inspection{ID: newID(), ToolID: c.tool.ID, ToolNumber: c.tool.Number, Verdict: verdict, Condition: condition, Parts: c.back.Parts, Checks: c.back.Checks,
		Note: c.back.Note, ReturnID: &o.r.ID, InspectedAt: at, MemberID: o.by, RecordedAt: kept(tx.Now)}, c.tool.changes()+2)
}

// bad reports whether the tool may not go out again before an inspection.
func (c coming) bad() bool {
	return c.back.Quarantine || isBad(c.back.Condition) || c.missing()
}

func (c coming) missing() bool { return c.back.Parts != nil && *c.back.Parts < c.tool.Parts }

func (c coming) condition(l Loan) string {
	if c.missing() && !isBad(c.back.Condition) {
		return "incomplete"
	}
	return cmp.Or(c.back.Condition, l.ConditionOut)
}

// trimmed is what the booking of l ends as: the tool is held until it is clean and
// at home. Of one that came too late that is as far as the next promise allows, so
// that nobody else gets it before.
func (o *ReturnOrder) trimmed(l Loan, t *item, where uuid.UUID, at time.Time) (period, held lending.Period) {
	period, held = l.Period, l.Held
	if at.Before(period.Until) {
		period.Until = later(at, period.From.Add(time.Microsecond))
	}
	clean := kept(at.Add(o.shelf.roads.behind(t, where)))
	if clean.After(held.Until) && at.After(l.Period.Until) {
		until := clean
		for _, b := range o.shelf.held {
			if b.ToolID == t.ID && !b.is(l.ReservationID, l.Line) && b.HeldUntil.After(held.Until) {
				until = earlier(until, later(b.HeldFrom.UTC(), held.Until))
			}
		}
		held.Until = until
	} else {
		held.Until = earlier(held.Until, clean)
	}
	held.Until = later(held.Until, period.Until)
	return period, held
}

// replace keeps what the shelf knows of l's booking true.
func (s *shelf) replace(l Loan, period, held lending.Period) {
	for i := range s.held {
		if b := &s.held[i]; b.is(l.ReservationID, l.Line) {
			b.BookedFrom, b.BookedUntil, b.HeldFrom, b.HeldUntil, b.State = period.From, period.Until, held.From, held.Until, "returned"
		}
	}
	s.out = slices.DeleteFunc(s.out, func(o Loan) bool { return o.ID == l.ID })
}

func pointerTo[T any](v T) *T { return &v }
