package loan

import (
	"time"

	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/lending"
	"pinwright/internal/postgres"
)

// Act is what happened over the counter at once.
type Act struct {
	ID           uuid.UUID
	Kind         string // handout, return or hand_over
	MemberID     *uuid.UUID
	MemberNumber string
	ByMember     uuid.UUID
	GarageID     *uuid.UUID
	OccurredAt   time.Time
	RecordedAt   time.Time
	UndoneAt     *time.Time
	Version      int64
	Loans        []Loan `db:"-"`
}

func addAct(tx *postgres.Tx, a Act) {
	tx.Queue(`insert into counter_act (club_id, id, kind, member_id, by_member, garage_id, occurred_at, recorded_at) values ($1, $2, $3, $4, $5, $6, $7, $8)`,
		tx.Club, a.ID, a.Kind, a.MemberID, a.ByMember, a.GarageID, a.OccurredAt, a.RecordedAt)
}

func newID() uuid.UUID { return uuid.Must(uuid.NewV7()) }

// write queues a handout that was judged good.
func (o *HandoutOrder) write(tx *postgres.Tx, who person, at time.Time, all []going, done *Handed) {
	done.Act = Act{ID: o.h.ID, Kind: "handout", MemberID: &who.ID, MemberNumber: who.Number, ByMember: o.by.ID, OccurredAt: at, RecordedAt: kept(tx.Now), Version: 1}
	addAct(tx, done.Act)
	o.cleanNow(tx, at, all)
	walkIn := lending.Reservation{ID: newID(), MemberID: who.ID, CreatedAt: kept(tx.Now), ChangedAt: kept(tx.Now), WalkIn: true, Approval: "not_needed", Version: 1}
	seen := map[uuid.UUID]bool{}
	for _, g := range all {
		l := Loan{ID: newID(), ToolID: g.tool.ID, ToolNumber: g.tool.Number, ToolModel: g.tool.ModelCode, Caution: g.tool.Caution, MemberID: who.ID, MemberNumber: who.Number,
			MemberName: who.Name, Period: g.period, Held: g.held, HandoutID: o.h.ID, CollectedAt: at, ConditionOut: g.condition(), NoteOut: g.presented.Note, DespiteCalibration: g.despite(),
			DepositMinor: g.presented.Deposit, RecordedAt: kept(tx.Now), own: 1, Version: 1 + g.tool.changes() + 1 + who.Version - 1,
			periodBefore: g.before, heldBefore: g.heldAs, toolZone: g.tool.TimeZone}
		if g.line == nil {
			line := lending.Booking{Line: len(walkIn.Lines), ToolID: g.tool.ID, ToolNumber: g.tool.Number, ToolModel: g.tool.ModelCode, Caution: g.tool.Caution,
				Period: g.period, Held: g.held, State: "out"}
			if place := g.tool.place(); place != g.tool.GarageID {
				line.GarageID = &place
			}
			if len(o.kit.Items) > 0 {
				line.KitID = &o.kit.Items[0].ID
			}
			if o.needsApproval(g.tool) {
				walkIn.Approval = "given"
			}
			walkIn.Version += g.tool.changes() + 1
			walkIn.Lines = append(walkIn.Lines, line)
			l.ReservationID, l.Line, l.WalkIn = walkIn.ID, line.Line, true
		} else {
			l.ReservationID, l.Line, l.WalkIn = g.line.ReservationID, g.line.Line, g.line.WalkIn
			if g.line.Choice != nil {
				tx.Queue(`update booking set state = 'cancelled' where club_id = $1 and reservation_id = $2 and choice = $3 and line <> $4 and state = 'reserved'`,
					tx.Club, l.ReservationID, *g.line.Choice, l.Line)
				done.Decided = append(done.Decided, g.tool.Number)
				journal.Append(tx, journal.Event{Type: "reservation.decided", Subject: l.ReservationID, Version: g.line.Version + 1, Audience: journal.ForClub, Actor: o.by.ID}, l)
			}
			tx.Queue(`update booking set state = 'out', period = tstzrange($4, $5), held = tstzrange($6, $7), choice = null, decide_by = null, endangered = null, endangered_at = null
				where club_id = $1 and reservation_id = $2 and line = $3`, tx.Club, l.ReservationID, l.Line, g.period.From, g.period.Until, g.held.From, g.held.Until).
				RunAgainOn("no_double_booking")
			if !seen[l.ReservationID] {
				seen[l.ReservationID] = true
				changed(tx, l.ReservationID)
			}
		}
		done.Loans = append(done.Loans, l)
	}
	if len(walkIn.Lines) > 0 {
		o.addWalkIn(tx, walkIn)
		done.WalkIn = &walkIn.ID
	}
	for _, l := range done.Loans {
		addLoan(tx, l)
		tell(tx, o.by.ID, "loan.started", l)
	}
	touched(tx, postgres.Column(all, func(g going) uuid.UUID { return g.tool.ID }))
}

func (o *HandoutOrder) needsApproval(t *item) bool {
	from := o.roads.rules().ApprovalFromMinor
	return t.ApprovalNeeded || from != nil && t.ValueMinor != nil && *t.ValueMinor >= *from
}

// cleanNow ends the cleaning after an earlier loan of a tool that goes out again.
func (o *HandoutOrder) cleanNow(tx *postgres.Tx, at time.Time, all []going) {
	for _, g := range all {
		for _, b := range o.held.Items {
			if b.ToolID == g.tool.ID && b.State == "returned" && !b.BookedUntil.After(at) && b.HeldUntil.After(at) {
				tx.Queue(`update booking set held = tstzrange(lower(held), $4) where club_id = $1 and reservation_id = $2 and line = $3`, tx.Club, b.ReservationID, b.Line, at)
			}
		}
	}
}

// changed marks a reservation as changed.
func changed(tx *postgres.Tx, reservation uuid.UUID) {
	tx.Queue(`update reservation set changed_at = $3, version = version + 1 where club_id = $1 and id = $2`, tx.Club, reservation, kept(tx.Now))
}

// addWalkIn writes a reservation that is collected as it is made.
func (o *HandoutOrder) addWalkIn(tx *postgres.Tx, r lending.Reservation) {
	approver := &o.by.ID
	approved := &r.CreatedAt
	if r.Approval != "given" {
		approver, approved = nil, nil
	}
	addReservation(tx, o.by.ID, r, approver, approved)
}

func addReservation(tx *postgres.Tx, actor uuid.UUID, r lending.Reservation, approver *uuid.UUID, approved *time.Time) {
	tx.Queue(`insert into reservation (club_id, id, member_id, purpose, created_at, approval, approval_by, approval_at, walk_in, changed_at) values ($1, $2, $3, '', $4, $5, $6, $7, true, $4)`,
		tx.Club, r.ID, r.MemberID, r.CreatedAt, r.Approval, approver, approved)
	for _, b := range r.Lines {
		tx.Queue(`insert into booking (club_id, reservation_id, line, tool_id, period, held, state, garage_id, kit_id) values ($1, $2, $3, $4, tstzrange($5, $6), tstzrange($7, $8), $9, $10, $11)`,
			tx.Club, r.ID, b.Line, b.ToolID, b.Period.From, b.Period.Until, b.Held.From, b.Held.Until, b.State, b.GarageID, b.KitID).
			RunAgainOn("no_double_booking")
	}
	journal.Append(tx, journal.Event{Type: "reservation.created", Subject: r.ID, Version: r.Version, Audience: journal.ForClub, Actor: actor}, r)
}

func addLoan(tx *postgres.Tx, l Loan) {
	tx.Queue(`insert into loan (club_id, id, reservation_id, line, tool_id, member_id, handout_id, collected_at, condition_out, note_out, despite_calibration, deposit_minor, held_before, period_before, recorded_at)
		values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, tstzrange($13, $14), tstzrange($15, $16), $17)`,
		tx.Club, l.ID, l.ReservationID, l.Line, l.ToolID, l.MemberID, l.HandoutID, l.CollectedAt, l.ConditionOut, l.NoteOut, l.DespiteCalibration, l.DepositMinor,
		l.heldBefore.From, l.heldBefore.Until, l.periodBefore.From, l.periodBefore.Until, l.RecordedAt).
		RunAgainOn("loan_open")
}
