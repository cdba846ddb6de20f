package loan

import (
	"cmp"
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/lending"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Offer says that l's borrower would pass it on to another member, who has to
// confirm that. notTheirs is why the actor may not offer it, nil when they have it.
func (o *Order) Offer(tx *postgres.Tx, actor uuid.UUID, l Loan, to string, notTheirs error) (Loan, error) {
	who, err := o.receiver(to)
	if err == nil {
		err = notTheirs
	}
	if err == nil {
		err = l.isOpen()
	}
	if err != nil {
		return l, err
	}
	switch {
	case who.ID == l.MemberID:
		return l, problem.Invalid(problem.Fault{Pointer: "/to", Detail: "has the tool already; name somebody else"})
	case l.PassingTo != nil && *l.PassingTo == who.ID:
		return l, nil // said before
	}
	withdrawPassing(tx, l.ID)
	l.PassingTo, l.PassingSince = &who.ID, pointerTo(kept(tx.Now))
	l.own++
	l.Version++
	tx.Queue(`insert into hand_over (club_id, id, loan_id, to_member, offered_at) values ($1, $2, $3, $4, $5)`, tx.Club, newID(), l.ID, who.ID, l.PassingSince).RunAgainOn("hand_over_pending")
	tx.Queue(`update loan set version = version + 1 where club_id = $1 and id = $2`, tx.Club, l.ID)
	tell(tx, actor, "loan.hand_over_offered", l)
	return l, nil
}

func (o *Order) receiver(to string) (person, error) {
	if len(o.people.Items) == 0 {
		return person{}, problem.Invalid(problem.Fault{Pointer: "/to", Detail: fmt.Sprintf("there is no member “%s” in this club; check the number, or GET members", to)})
	}
	if o.people.Items[0].DisabledAt != nil {
		return person{}, problem.Invalid(problem.Fault{Pointer: "/to", Detail: "has left the club or was disabled, and borrows nothing; name somebody else"})
	}
	return o.people.Items[0], nil
}

func notOffered() error {
	return problem.New(problem.NotAllowedNow, "Nobody offers to pass this loan on to you. Let its borrower do that first.")
}

// Decline says that the member does not take the tool.
func (o *Order) Decline(tx *postgres.Tx, actor uuid.UUID, l Loan) (Loan, error) {
	if err := l.isOpen(); err != nil {
		return l, err
	}
	if l.PassingTo == nil || *l.PassingTo != actor {
		return l, notOffered()
	}
	tx.Queue(`update hand_over set answer = 'declined', answered_at = $3 where club_id = $1 and loan_id = $2 and answer is null`, tx.Club, l.ID, kept(tx.Now))
	tx.Queue(`update loan set version = version + 1 where club_id = $1 and id = $2`, tx.Club, l.ID)
	l.PassingTo, l.PassingSince = nil, nil
	l.own++
	l.Version++
	tell(tx, actor, "loan.hand_over_declined", l)
	return l, nil
}

// Confirm passes l on to who confirms that they have it: the loan ends, and the
// next begins without a gap or an overlap. That is of the member's own next
// reservation of the tool when it follows, else as if they had come by, for what
// is left of the loan or as long as the rules say.
func (o *Order) Confirm(ctx context.Context, tx *postgres.Tx, actor uuid.UUID, l Loan, until *time.Time) (Handed, error) {
	if err := l.isOpen(); err != nil {
		return Handed{}, err
	}
	if len(o.people.Items) == 0 || l.PassingTo == nil || *l.PassingTo != actor || o.people.Items[0].ID != actor {
		return Handed{}, notOffered()
	}
	// A loan lasts, if only for the shortest time there is.
	who, now, t := o.people.Items[0], later(kept(tx.Now), l.Period.From.Add(time.Microsecond)), l.tool
	if until != nil && !until.After(now) {
		return Handed{}, problem.Invalid(problem.Fault{Pointer: "/until", Detail: "must be later than now"})
	}
	var burdens *postgres.Rows[burden]
	err := o.shelf.stock(ctx, tx, earlier(l.Held.From, now), func(b *postgres.Batch) {
		o.skills, burdens = findSkills(b, who.ID, []uuid.UUID{t.ModelID}), findBurden(b, who.ID, now)
	})
	if err != nil {
		return Handed{}, err
	}
	period, held := l.ends(now)
	h := &HandoutOrder{by: Keeper{ID: who.ID}, h: Handout{ID: newID(), Until: until, OccurredAt: now}, kit: &postgres.Rows[kitPart]{}, roads: o.shelf.roads, skills: o.skills, burdens: burdens,
		held: &postgres.Rows[promise]{}, out: Loans{&postgres.Rows[loanRow]{}}}
	for _, b := range o.shelf.held { // as it is once the first loan has ended
		if !b.is(l.ReservationID, l.Line) {
			h.held.Items = append(h.held.Items, b)
		}
	}
	if until == nil && h.match(t, who.ID, now) == nil && l.Period.Until.After(now.Add(shortest)) {
		h.h.Until, h.onward = &l.Period.Until, true
	}
	g := going{at: -1, tool: t, presented: Presented{Tool: t.Number, Condition: cmp.Or(l.ConditionOut, t.Condition), DespiteCalibration: l.DespiteCalibration}}
	if g.presented.Deposit = l.DepositMinor; g.presented.Deposit == nil && o.shelf.roads.rules().DepositAtHandout {
		g.presented.Deposit = t.DepositMinor // members settle it between themselves
	}
	var done Handed
	refused := append(h.judge(&g, who, now, &done), h.atOnce([]going{g}, who)...)
	if len(refused) > 0 {
		return done, &Refusal{What: "The tool stays with its borrower.", Tools: refused}
	}
	tx.Queue(`update booking set state = 'returned', period = tstzrange($4, $5), held = tstzrange($6, $7) where club_id = $1 and reservation_id = $2 and line = $3`,
		tx.Club, l.ReservationID, l.Line, period.From, period.Until, held.From, held.Until)
	changed(tx, l.ReservationID)
	tx.Queue(`update hand_over set answer = 'confirmed', answered_at = $3 where club_id = $1 and loan_id = $2 and answer is null`, tx.Club, l.ID, now)
	tx.Queue(`update loan set ended = 'handed_over', ended_at = $3, condition_in = condition_out, version = version + 1 where club_id = $1 and id = $2`, tx.Club, l.ID, later(now, l.CollectedAt))
	l.Period, l.Held, l.EndedAt, l.Ended, l.ConditionIn, l.PassingTo, l.PassingSince = period, held, pointerTo(later(now, l.CollectedAt)), "handed_over", l.ConditionOut, nil, nil
	l.own++
	l.Version += 2
	tell(tx, who.ID, "loan.handed_over", l)
	h.write(tx, who, now, []going{g}, &done)
	o.shelf.safe(tx, who.ID, t, "late")
	return done, nil
}

// ends is what l's booking ends as when the tool goes from hand to hand: nothing
// is held for cleaning.
func (l Loan) ends(now time.Time) (period, held lending.Period) {
	period, held = l.Period, l.Held
	if now.Before(period.Until) {
		period.Until = later(now, period.From.Add(time.Microsecond))
	}
	held.Until = later(earlier(held.Until, now), period.Until)
	return period, held
}
