package loan

import (
	"context"
	"fmt"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Lose ends l because its tool is lost. The later promises of the tool go along.
func (o *Order) Lose(ctx context.Context, tx *postgres.Tx, actor uuid.UUID, l Loan, note string, at time.Time) (Loan, Displaced, error) {
	if err := l.isOpen(); err != nil {
		return l, Displaced{}, err
	}
	at, faults := occurred(at, tx.Now)
	if len(faults) == 0 && at.Before(l.CollectedAt) {
		faults = append(faults, problem.Fault{Pointer: "/occurred_at", Detail: fmt.Sprintf("is before the tool went out, on %s", l.tool.clock(l.CollectedAt))})
	}
	if len(faults) > 0 {
		return l, Displaced{}, problem.Invalid(faults...)
	}
	if err := o.shelf.stock(ctx, tx, tx.Now, nil); err != nil {
		return l, Displaced{}, err
	}
	d := o.shelf.leave(tx, actor, l.tool, "lost")
	l.EndedAt, l.Ended, l.NoteIn, l.PassingTo, l.PassingSince = &at, "lost", note, nil, nil
	l.own++
	l.Version += 2
	withdrawPassing(tx, l.ID)
	tx.Queue(`update booking set state = 'lost' where club_id = $1 and reservation_id = $2 and line = $3`, tx.Club, l.ReservationID, l.Line)
	changed(tx, l.ReservationID)
	tx.Queue(`update loan set ended = 'lost', ended_at = $3, note_in = $4, version = version + 1 where club_id = $1 and id = $2`, tx.Club, l.ID, at, note)
	tx.Queue(`update tool set state = 'lost', version = version + 1 where club_id = $1 and id = $2`, tx.Club, l.ToolID)
	tell(tx, actor, "loan.lost", l)
	return l, d, nil
}

// FoundOrder is a tool that turned up again, locked.
type FoundOrder struct {
	tool    string
	garage  string
	items   *postgres.Rows[item]
	garages *postgres.Rows[garage]
	shelf   shelf
}

// LockFound queues the lookups for a tool that was found at a garage.
func LockFound(b *postgres.Batch, tool, where string) *FoundOrder {
	at := postgres.ParseRef(where)
	return &FoundOrder{tool: tool, garage: where, items: lockItems(b, []asked{{Name: tool}}), shelf: shelf{roads: findRoads(b)},
		garages: postgres.Query[garage](b, `select id, code from garage where club_id = $1 and (id = $2 or code = $3)`, b.Club, at.ID, at.Name)}
}

// Back puts the tool where it was found: into service, or into quarantine to be
// looked at first. It returns the tool's number.
func (o *FoundOrder) Back(ctx context.Context, tx *postgres.Tx, actor uuid.UUID, state string) (number string, d Displaced, err error) {
	o.shelf.items = o.items.Items
	t := itemOf(o.shelf.items, o.tool)
	if t == nil {
		return "", Displaced{}, problem.Absent()
	}
	if len(o.garages.Items) == 0 {
		return "", Displaced{}, problem.Invalid(problem.Fault{Pointer: "/garage", Detail: fmt.Sprintf("there is no garage “%s” in this club; check its code, or GET garages", o.garage)})
	}
	if t.State != "lost" {
		return "", Displaced{}, problem.New(problem.NotAllowedNow, "%s is not recorded as lost. Where it is and how, a return or an inspection tells.", t.Number)
	}
	if err := o.shelf.stock(ctx, tx, tx.Now, nil); err != nil {
		return "", Displaced{}, err
	}
	if state == inService {
		d = o.shelf.safe(tx, actor, t, "lost", "quarantine", "retired")
	} else {
		for i := range o.shelf.held {
			if b := &o.shelf.held[i]; b.ToolID == t.ID && b.State == "reserved" && b.Endangered == "lost" {
				b.endanger(tx, actor, state)
				d.Endangered++
			}
		}
	}
	tx.Queue(`update tool set state = $3, place_garage_id = $4, version = version + 1 where club_id = $1 and id = $2`, tx.Club, t.ID, state, o.garages.Items[0].ID)
	journal.Append(tx, journal.Event{Type: "tool.found", Subject: t.ID, Version: t.changes() + 2, Audience: journal.ForClub, Actor: actor},
		struct{ State string }{state})
	return t.Number, d, nil
}
