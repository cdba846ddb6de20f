package lending

import (
	"slices"

	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/postgres"
	"pinwright/internal/problem"
)

// Decide keeps one of the lines of r that stand for one another and gives the
// tools of the others free: the line of that number, that of tool, by id or
// number, or that for which both hold. The pointers of faults are those of the contract.
func Decide(tx *postgres.Tx, actor uuid.UUID, r Reservation, line *int, tool string) (Reservation, error) {
	at := -1
	id, number := named(tool)
	for i, l := range r.Lines {
		meant := (line == nil || l.Line == *line) && (tool == "" || id != nil && l.ToolID == *id || number != nil && l.ToolNumber == *number)
		if meant && (at < 0 || l.undecided()) {
			at = i
		}
	}
	pointer := "/line"
	if tool != "" {
		pointer = "/tool"
	}
	switch {
	case at < 0:
		return r, problem.Invalid(problem.Fault{Pointer: pointer, Detail: "is none of its lines; GET the reservation, whose lines with the same `choice` are to be decided between"})
	case !r.Lines[at].undecided():
		return r, problem.New(problem.NotAllowedNow, "Line %d is not to be decided on: it is no choice, or was decided, given up or handed out.", r.Lines[at].Line)
	}
	return decided(tx, actor, r, []int{at}), nil
}

// undecided reports whether another line may still be decided for in b's place.
func (b Booking) undecided() bool { return b.Choice != nil && b.State == "reserved" }

// decided keeps the lines of r at those places, each for its choice.
func decided(tx *postgres.Tx, actor uuid.UUID, r Reservation, keep []int) Reservation {
	r = r.next(tx)
	var kept, released []int
	for _, at := range keep {
		choice := *r.Lines[at].Choice
		for i := range r.Lines {
			if l := &r.Lines[i]; i != at && l.Choice != nil && *l.Choice == choice && l.State == "reserved" {
				l.State = "cancelled"
				released = append(released, l.Line)
			}
		}
		r.Lines[at].Choice, r.Lines[at].DecideBy = nil, nil
		kept = append(kept, r.Lines[at].Line)
	}
	tx.Queue(`
		update booking set state = case when line = any($4::smallint[]) then 'cancelled' else state end,
			choice = case when line = any($3::smallint[]) then null else choice end, decide_by = case when line = any($3::smallint[]) then null else decide_by end
		where club_id = $1 and reservation_id = $2 and line = any($3::smallint[] || $4::smallint[])`, tx.Club, r.ID, kept, released)
	tx.Queue(`update reservation set changed_at = $3, version = $4 where club_id = $1 and id = $2`, tx.Club, r.ID, r.ChangedAt, r.own)
	journal.Append(tx, journal.Event{Type: "reservation.decided", Subject: r.ID, Version: r.Version, Audience: journal.ForClub, Actor: actor}, r)
	return r
}

// overdue are the lines of r that are kept since nobody has decided until now: of
// each choice whose time is over what is out already, else the first that is still reserved.
func (r Reservation) overdue(tx *postgres.Tx) []int {
	var keep []int
	var seen []int
	for i, l := range r.Lines {
		if !l.undecided() || l.DecideBy.After(tx.Now) || slices.Contains(seen, *l.Choice) {
			continue
		}
		seen = append(seen, *l.Choice)
		at := i
		for k, m := range r.Lines {
			if m.Choice != nil && *m.Choice == *l.Choice && (m.State == "out" || m.State == "returned") {
				at = k
				break
			}
		}
		keep = append(keep, at)
	}
	return keep
}
