package loan

import (
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/lending"
	"pinwright/internal/opening"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Order is a loan with its tool, locked, and what it may run into.
type Order struct {
	items  *postgres.Rows[item]
	loans  Loans
	people *postgres.Rows[person]
	shelf  shelf
	skills *postgres.Rows[skill]
}

// LockLoan queues the lookups for a change of a loan. Where its tool may leave
// service, the equals are locked with it.
func LockLoan(b *postgres.Batch, now time.Time, id uuid.UUID, leaving bool) *Order {
	return lockLoan(b, now, id, leaving, &postgres.Rows[person]{})
}

// LockLonger is LockLoan with the member who has it, who is locked first, as in
// every write that is measured against what one member may have.
func LockLonger(b *postgres.Batch, now time.Time, id uuid.UUID) *Order {
	return lockLoan(b, now, id, false, postgres.Query[person](b, `select `+personColumns+` from member
		where club_id = $1 and id = (select member_id from loan where club_id = $1 and id = $2) for no key update`, b.Club, id))
}

// LockOffer is LockLoan, for offering it to a member.
func LockOffer(b *postgres.Batch, now time.Time, id uuid.UUID, to string) *Order {
	ref := postgres.ParseRef(to)
	return lockLoan(b, now, id, false, postgres.Query[person](b, `select `+personColumns+` from member where club_id = $1 and (id = $2 or number = $3)`, b.Club, ref.ID, ref.Name))
}

// LockPassing is LockLoan with the member to whom it is offered, who is locked
// first, as in every write that lends to a member.
func LockPassing(b *postgres.Batch, now time.Time, id uuid.UUID) *Order {
	return lockLoan(b, now, id, false, postgres.Query[person](b, `select `+personColumns+` from member
		where club_id = $1 and id = (select to_member from hand_over where club_id = $1 and loan_id = $2 and answer is null) for no key update`, b.Club, id))
}

func lockLoan(b *postgres.Batch, now time.Time, id uuid.UUID, leaving bool, people *postgres.Rows[person]) *Order {
	o := &Order{shelf: shelf{roads: findHours(b, now)}, people: people}
	o.items = postgres.Query[item](b, selectItem+` and t.id = any(array(
			select l.tool_id from loan l where l.club_id = $1 and l.id = $2
			union select e.id from loan l join tool t on t.club_id = l.club_id and t.id = l.tool_id join tool e on e.club_id = t.club_id and e.model_id = t.model_id
			where l.club_id = $1 and l.id = $2 and $3 and e.state = 'in_service'
		)) order by t.id for no key update of t`, b.Club, id, leaving)
	postgres.Values[uuid.UUID](b, `select id from loan where club_id = $1 and id = $2 for no key update`, b.Club, id)
	o.loans = Find(b, id)
	return o
}

// Loan is the loan; without one it is problem.Absent.
func (o *Order) Loan() (Loan, error) {
	l, err := o.loans.One()
	if err == nil {
		o.shelf.items = o.items.Items
		if err = settle(o.shelf.items); err == nil {
			err = o.shelf.roads.table.Settle()
		}
		l.tool = itemByID(o.shelf.items, l.ToolID)
	}
	return l, err
}

// isOpen refuses what ended already.
func (l Loan) isOpen() error {
	if l.Ended == "" {
		return nil
	}
	return problem.New(problem.NotAllowedNow, "This loan ended on %s (%s).", l.EndedAt.Format(time.DateOnly), map[string]string{
		"returned": "the tool came back", "handed_over": "it was passed on", "lost": "the tool was lost", "undone": "it was undone"}[l.Ended])
}

// Extend lets l last until a later time, if that hurts nobody.
func (o *Order) Extend(ctx context.Context, tx *postgres.Tx, actor uuid.UUID, l Loan, until time.Time) (Loan, error) {
	if err := l.isOpen(); err != nil {
		return l, err
	}
	until = kept(until)
	t := l.tool
	from := earlier(l.Held.From, tx.Now)
	var share *lending.Share
	err := o.shelf.stock(ctx, tx, from, func(b *postgres.Batch) {
		o.skills, share = findSkills(b, l.MemberID, []uuid.UUID{t.ModelID}), lending.FindShare(b, l.MemberID, t.ModelID, tx.Now)
	})
	if err != nil {
		return l, err
	}
	rules := o.shelf.roads.rules()
	longest := l.Period.From.Add(time.Duration(rules.LongestLoanDays) * day)
	switch {
	case !until.After(l.Period.Until):
		return l, problem.Invalid(problem.Fault{Pointer: "/until", Detail: fmt.Sprintf("must be later than it lasts now, until %s; to end it earlier bring the tool back", t.clock(l.Period.Until))})
	case !until.After(tx.Now):
		return l, problem.Invalid(problem.Fault{Pointer: "/until", Detail: "lies in the past; say until when it lasts from now on"})
	case until.After(longest):
		return l, problem.Invalid(problem.Fault{Pointer: "/until", Detail: fmt.Sprintf("is too late: the club lends for %d days at most, which is until %s", rules.LongestLoanDays, t.clock(longest))})
	case l.guestUntil != nil && l.guestUntil.Before(until):
		return l, problem.Invalid(problem.Fault{Pointer: "/until", Detail: fmt.Sprintf("is later than the guest's stay, which ends %s; let the host extend that first", t.clock(*l.guestUntil))})
	case skilled(o.skills.Items, t, until) == nil:
		return l, problem.Invalid(problem.Fault{Pointer: "/until", Detail: fmt.Sprintf("is later than the certificate for %s lasts; renew that first", t.ModelCode)})
	case l.DespiteCalibration == "" && !t.holdsBeyond(until):
		return l, problem.Invalid(problem.Fault{Pointer: "/until", Detail: fmt.Sprintf("is later than the calibration of %s holds, which is until %s; bring it back by then, so that it can be calibrated", t.Number, t.clock(*t.holdsUntil()))})
	}
	collect := o.collectedAt(l)
	place := o.shelf.roads.table.Place(collect)
	if place != nil && !place.TakesBack(until) {
		return l, problem.Invalid(problem.Fault{Pointer: "/until", Detail: place.NotBack(until)})
	}
	behind := o.shelf.roads.behind(t, collect)
	held := lending.Period{From: l.Held.From, Until: later(until.Add(behind), l.Held.Until)}
	if hurt := o.hurt(l, held, behind, place); hurt != nil {
		return l, hurt
	}
	if err := share.Longer(l.ReservationID, l.Line, until); err != nil {
		return l, err
	}
	l.Period.Until, l.Held = until, held
	l.LateAt = nil
	l.own++
	l.Version += 2
	tx.Queue(`update booking set period = tstzrange($4, $5), held = tstzrange($6, $7) where club_id = $1 and reservation_id = $2 and line = $3`,
		tx.Club, l.ReservationID, l.Line, l.Period.From, l.Period.Until, held.From, held.Until).RunAgainOn("no_double_booking")
	changed(tx, l.ReservationID)
	tx.Queue(`update loan set late_at = null, version = version + 1 where club_id = $1 and id = $2`, tx.Club, l.ID)
	touched(tx, []uuid.UUID{l.ToolID})
	tell(tx, actor, "loan.extended", l)
	o.shelf.safe(tx, actor, t, "late")
	return l, nil
}

// collectedAt is the garage where l's tool is brought back.
func (o *Order) collectedAt(l Loan) uuid.UUID {
	for _, b := range o.shelf.held {
		if b.is(l.ReservationID, l.Line) && b.GarageID != nil {
			return *b.GarageID
		}
	}
	return l.tool.GarageID
}

// hurt tells what promised time l would take if it were held as long; nil when
// none.
func (o *Order) hurt(l Loan, held lending.Period, behind time.Duration, place *opening.Place) *Hurt {
	h := &Hurt{}
	var first *time.Time
	for _, b := range o.shelf.held {
		if b.ToolID != l.ToolID || b.is(l.ReservationID, l.Line) || b.State == "returned" || !overlaps(b.held(), held) {
			continue
		}
		h.Promised = append(h.Promised, Stretch{From: b.BookedFrom.UTC(), Until: b.BookedUntil.UTC()})
		if first == nil || b.HeldFrom.Before(*first) {
			first = pointerTo(b.HeldFrom.UTC())
		}
	}
	if first == nil {
		return nil
	}
	h.Detail = fmt.Sprintf("%s is promised from %s on", l.ToolNumber, l.tool.clock(h.Promised[0].From))
	if latest := lastReturn(place, first.Add(-behind)); latest.After(l.Period.Until) {
		h.Latest = &latest
		h.Detail += fmt.Sprintf("; the loan can last until %s.", l.tool.clock(latest))
	} else {
		h.Detail += ", so the loan cannot last longer than it does. Bring the tool back in time."
	}
	return h
}
