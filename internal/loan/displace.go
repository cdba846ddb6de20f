package loan

import (
	"cmp"
	"context"
	"slices"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/lending"
	"pinwright/internal/postgres"
)

// Displaced counts what became of the later promises of tools that left service.
type Displaced struct {
	Moved      int // to an equal
	Endangered int // there was none
	Safe       int // that were endangered and are no more
}

func (d *Displaced) add(other Displaced) {
	d.Moved += other.Moved
	d.Endangered += other.Endangered
	d.Safe += other.Safe
}

// shelf is tools that are locked, with what they are promised for and to whom
// they are out.
type shelf struct {
	items []item
	held  []promise
	out   []Loan
	roads roads
}

// stock reads, behind the locks, what tools are promised for from some time on.
func (s *shelf) stock(ctx context.Context, tx *postgres.Tx, from time.Time, more func(b *postgres.Batch)) error {
	if err := settle(s.items); err != nil {
		return err
	}
	var held *postgres.Rows[promise]
	var out Loans
	err := tx.Send(ctx, func(b *postgres.Batch) {
		held, out = promises(b, idsOf(s.items), from), openOf(b, idsOf(s.items))
		if more != nil {
			more(b)
		}
	})
	if err != nil {
		return err
	}
	s.held, s.out = held.Items, out.Items()
	return nil
}

// loanOf is the open loan of a tool, nil when it is in the house.
func (s *shelf) loanOf(tool uuid.UUID) *Loan {
	i := slices.IndexFunc(s.out, func(l Loan) bool { return l.ToolID == tool })
	if i < 0 {
		return nil
	}
	return &s.out[i]
}

// leave takes the later promises of t along as it leaves service for that reason:
// each is moved to an equal of the same model that is free for all that it holds,
// or told to be endangered.
func (s *shelf) leave(tx *postgres.Tx, actor uuid.UUID, t *item, reason string) Displaced {
	var d Displaced
	t.State = reason
	for i := range s.held {
		b := &s.held[i]
		if b.ToolID != t.ID || b.State != "reserved" || !b.BookedUntil.After(tx.Now) {
			continue
		}
		collect := t.GarageID
		if b.GarageID != nil {
			collect = *b.GarageID
		}
		if e, held := s.equal(t, *b, collect, tx.Now); e != nil {
			b.ToolID, b.HeldFrom, b.HeldUntil, b.Endangered = e.ID, held.From, held.Until, ""
			var garage *uuid.UUID
			if collect != e.GarageID {
				garage = &collect
			}
			tx.Queue(`update booking set tool_id = $4, held = tstzrange($5, $6), garage_id = $7, endangered = null, endangered_at = null where club_id = $1 and reservation_id = $2 and line = $3`,
				tx.Club, b.ReservationID, b.Line, e.ID, held.From, held.Until, garage).RunAgainOn("no_double_booking")
			b.tell(tx, actor, "reservation.moved")
			d.Moved++
			continue
		}
		if b.Endangered != reason {
			b.endanger(tx, actor, reason)
			d.Endangered++
		}
	}
	return d
}

// equal is the tool that stands in for t, with what it is held for then: the one
// that lives where it is collected, then the first by number.
func (s *shelf) equal(t *item, b promise, collect uuid.UUID, now time.Time) (*item, lending.Period) {
	if b.Exactly {
		return nil, lending.Period{}
	}
	var best *item
	var held lending.Period
	for i := range s.items {
		e := &s.items[i]
		if e.ID == t.ID || e.ModelID != t.ModelID || e.State != inService || e.CalibrationDueOn != nil && e.CalibrationDueOn.Before(e.date(b.BookedUntil)) {
			continue
		}
		stretch := lending.Period{From: kept(b.BookedFrom.Add(-s.roads.table.Travel(e.GarageID, collect))), Until: kept(b.BookedUntil.Add(s.roads.behind(e, collect)))}
		if !s.free(e, stretch, now) {
			continue
		}
		if best == nil || cmp.Or(-cmp.Compare(near(e, collect), near(best, collect)), cmp.Compare(e.Number, best.Number)) < 0 {
			best, held = e, stretch
		}
	}
	return best, held
}

func near(e *item, garage uuid.UUID) int {
	if e.GarageID == garage {
		return 1
	}
	return 0
}

// free reports whether nothing holds e for some of the time. A tool that should
// be back is held until it could be clean if it came now.
func (s *shelf) free(e *item, stretch lending.Period, now time.Time) bool {
	if l := s.loanOf(e.ID); l != nil && l.IsLate(now) && stretch.From.Before(now.Add(s.roads.behind(e, e.place()))) {
		return false
	}
	return !slices.ContainsFunc(s.held, func(b promise) bool { return b.ToolID == e.ID && overlaps(b.held(), stretch) })
}

// safe clears the danger that the later promises of t were in for those reasons.
func (s *shelf) safe(tx *postgres.Tx, actor uuid.UUID, t *item, reasons ...string) Displaced {
	var d Displaced
	for i := range s.held {
		if b := &s.held[i]; b.ToolID == t.ID && b.State == "reserved" && slices.Contains(reasons, b.Endangered) {
			b.Endangered = ""
			tx.Queue(`update booking set endangered = null, endangered_at = null where club_id = $1 and reservation_id = $2 and line = $3`, tx.Club, b.ReservationID, b.Line)
			b.tell(tx, actor, "reservation.safe")
			d.Safe++
		}
	}
	return d
}

// endanger tells that b's tool may not be there.
func (b *promise) endanger(tx *postgres.Tx, actor uuid.UUID, reason string) {
	b.Endangered = reason
	tx.Queue(`update booking set endangered = $4, endangered_at = $5 where club_id = $1 and reservation_id = $2 and line = $3`, tx.Club, b.ReservationID, b.Line, reason, kept(tx.Now))
	b.tell(tx, actor, "reservation.endangered")
}

// tell adds an event of b's reservation and marks it as changed.
func (b *promise) tell(tx *postgres.Tx, actor uuid.UUID, what string) {
	b.Version++
	changed(tx, b.ReservationID)
	journal.Append(tx, journal.Event{Type: what, Subject: b.ReservationID, Version: b.Version, Audience: journal.ForClub, Actor: actor},
		struct {
			Line       int
			ToolID     uuid.UUID
			Endangered string
		}{b.Line, b.ToolID, b.Endangered})
}

// Service is a tool that leaves or enters service, locked with its equals.
type Service struct {
	name  string
	items *postgres.Rows[item]
	shelf shelf
}

// LockService queues the lookups. It goes before other locks of the same tool, so
// that tools are locked in the order of their ids.
func LockService(b *postgres.Batch, name string) *Service {
	return &Service{name: name, items: lockItems(b, []asked{{Name: name, Leaving: true}}), shelf: shelf{roads: findRoads(b)}}
}

// Now takes the later promises of the tool along as its state becomes another,
// which the caller writes. A tool that is not there has none.
func (s *Service) Now(ctx context.Context, tx *postgres.Tx, actor uuid.UUID, state string) (Displaced, error) {
	s.shelf.items = s.items.Items
	t := itemOf(s.shelf.items, s.name)
	if t == nil || t.State == state {
		return Displaced{}, nil
	}
	if err := s.shelf.stock(ctx, tx, tx.Now, nil); err != nil {
		return Displaced{}, err
	}
	if state == inService {
		t.State = state
		return s.shelf.safe(tx, actor, t, "quarantine", "lost", "retired"), nil
	}
	return s.shelf.leave(tx, actor, t, state), nil
}
