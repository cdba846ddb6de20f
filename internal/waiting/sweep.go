package waiting

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/journal"
	"pinwright/internal/lending"
	"pinwright/internal/postgres"
)

const (
	// mostUnanswered is how many offers may lapse before the entry ends.
	mostUnanswered = 2
	// again is after which time an entry is looked for anew though nothing was
	// freed, since some rules loosen as time goes by.
	again = time.Hour
	// rounds and turns bound one sweep; the next one goes on.
	rounds = 20
	turns  = 200
)

// freesNothing are kinds of events after which nobody fits who did not before.
// Whatever is not listed counts as freeing something, so that a kind that comes
// later costs a search rather than an offer.
var freesNothing = struct{ Subjects, Types []string }{
	Subjects: []string{"calendar", "distance", "feature", "form_prior", "gauge_study", "invitation", "joint", "joint_template", "identity", "member_identity",
		"ledger", "nonconformity", "pairing", "parts_order", "photo", "pin_series", "procedure", "reading", "recommendation", "record", "reminder", "repair", "supplier", "token", "tool_check", "tool_renewal", "tool_use", "verification", "vehicle", "waiting", "wear_event"},
	Types: []string{"reservation.created", "reservation.offered", "reservation.offer_accepted", "reservation.approved", "reservation.endangered",
		"loan.started", "loan.extended", "loan.late", "tool.quarantined"},
}

// frees is the condition that the event e may have freed something; it takes two
// parameters.
func frees(subjects, types int) string {
	return fmt.Sprintf(`split_part(e.type, '.', 1) <> all ($%d::text[]) and e.type <> all ($%d::text[])`, subjects, types)
}

// joined is the event of somebody who joined the line.
const joined = "waiting.joined"

// Wakes reports whether a sweep may find something to offer after a write of
// these events, counted by type: something was freed, or somebody joined the line.
func Wakes(events map[string]int) bool {
	for kind := range events {
		subject, _, _ := strings.Cut(kind, ".")
		if kind == joined || !slices.Contains(freesNothing.Subjects, subject) && !slices.Contains(freesNothing.Types, kind) {
			return true
		}
	}
	return false
}

// surveyed is an open entry as a sweep finds it.
type surveyed struct {
	ID          uuid.UUID
	State       string
	WindowUntil time.Time
	Hours       *int
	Days        *int
	LookedAt    *time.Time
	LookedSeq   *int64
	OfferUntil  *time.Time // of its open offer's reservation; nil when that was accepted otherwise
	Cancelled   bool       // that reservation
	GoneOut     bool       // tools of it were handed out
	Seq         int64      // of the journal's head
	Freed       int64      // the newest event that may have freed something, since the longest unlooked-for entry was looked for
}

// survey queues the open entries in the order of joining. Served by
// waiting_entry_open alone where nobody waits.
func survey(b *postgres.Batch) *postgres.Rows[surveyed] {
	return postgres.Query[surveyed](b, `
		select w.id, w.state, w.window_until, w.hours, w.days, w.looked_at, w.looked_seq, r.offer_until, r.cancelled_at is not null as cancelled,
		       exists (select from booking x where x.club_id = o.club_id and x.reservation_id = o.reservation_id and x.state in ('out', 'returned', 'lost')) as gone_out,
		       (select h.seq from head h where h.club_id = $1) as seq,
		       coalesce((select e.seq from event e
		                 where e.club_id = $1 and e.seq > (select min(l.looked_seq) from waiting_entry l where l.club_id = $1 and l.state in ('waiting', 'offered'))
		                 and `+frees(2, 3)+` order by e.seq desc limit 1), 0) as freed
		from waiting_entry w
		left join waiting_offer o on o.club_id = w.club_id and o.entry_id = w.id and o.outcome = 'open'
		left join reservation r on r.club_id = o.club_id and r.id = o.reservation_id
		where w.club_id = $1 and w.state in ('waiting', 'offered') order by w.joined_at, w.id`, b.Club, freesNothing.Subjects, freesNothing.Types)
}

// isSettled reports whether an offer needs nothing done yet.
func (s surveyed) isSettled(now time.Time) bool {
	return !s.Cancelled && !s.GoneOut && s.OfferUntil != nil && s.OfferUntil.After(now)
}

// hasPassed reports whether nothing can be offered in the window any more.
func (s surveyed) hasPassed(now time.Time) bool {
	e := Entry{Hours: s.Hours, Days: s.Days}
	return s.WindowUntil.Add(-e.Duration()).Before(now.Add(answerTime))
}

// isDue reports whether it is worth looking for s.
func (s surveyed) isDue(now time.Time) bool {
	return s.LookedSeq == nil || *s.LookedSeq < s.Freed || !s.LookedAt.After(now.Add(-again))
}

// errMoved means that something was freed since the line was surveyed, so that
// somebody further ahead may fit now.
var errMoved = errors.New("waiting: something was freed meanwhile")

// Sweep ends offers that nobody answered and windows that have passed, then goes
// through the line in the order of joining and offers each entry the first time
// that it can take. It returns how many entries it changed. Several sweeps at
// once do no harm: each step locks its entry and looks again.
func Sweep(ctx context.Context, db *postgres.DB, club uuid.UUID, now time.Time) (int, error) {
	changed, taken := 0, 0
	var failed error // one entry that cannot be served holds up nobody behind it
	for range rounds {
		var line *postgres.Rows[surveyed]
		if err := db.Read(ctx, club, func(b *postgres.Batch) { line = survey(b) }); err != nil {
			return changed, fmt.Errorf("waiting: survey: %w", err)
		}
		ended, err := settle(ctx, db, club, now, line.Items)
		changed += ended
		if err != nil {
			return changed, err
		}
		if ended > 0 {
			continue // what was given up may suit whoever was looked for already
		}
		moved := false
		for _, s := range line.Items {
			if s.State != Waiting || !s.isDue(now) {
				continue
			}
			if taken++; taken > turns {
				return changed, failed
			}
			offered, err := consider(ctx, db, club, now, s)
			if moved = errors.Is(err, errMoved); moved {
				break
			}
			if err != nil {
				failed = errors.Join(failed, fmt.Errorf("waiting: offer to %s: %w", s.ID, err))
			}
			if ctx.Err() != nil {
				return changed, failed
			}
			if offered {
				changed++
			}
		}
		if !moved {
			return changed, failed
		}
	}
	return changed, failed
}

// settle ends what time has ended.
func settle(ctx context.Context, db *postgres.DB, club uuid.UUID, now time.Time, line []surveyed) (int, error) {
	ended := 0
	for _, s := range line {
		var err error
		did := false
		switch {
		case s.State == Offered && !s.isSettled(now):
			did, err = settleOffer(ctx, db, club, now, s.ID)
		case s.State == Waiting && s.hasPassed(now):
			did, err = pass(ctx, db, club, now, s.ID)
		default:
			continue
		}
		if err != nil {
			return ended, fmt.Errorf("waiting: settle %s: %w", s.ID, err)
		}
		if did {
			ended++
		}
		if ended == turns {
			break
		}
	}
	return ended, nil
}

// settleOffer ends an offer that is over; false when another sweep was faster.
func settleOffer(ctx context.Context, db *postgres.DB, club uuid.UUID, now time.Time, id uuid.UUID) (bool, error) {
	did := false
	var found Entries
	var unanswered *postgres.Rows[int]
	err := db.Write(ctx, club, now, func(b *postgres.Batch) {
		found = Lock(b, id)
		unanswered = postgres.Values[int](b, `select count(*) from waiting_offer where club_id = $1 and entry_id = $2 and outcome = 'lapsed'`, b.Club, id)
	}, func(tx *postgres.Tx) error {
		did = false
		e, err := found.One()
		if err != nil || e.State != Offered {
			return err
		}
		r, err := offered(ctx, tx, e)
		if err != nil {
			return err
		}
		out := false
		for _, line := range r.Lines {
			out = out || line.State == "out" || line.State == "returned" || line.State == "lost"
		}
		switch {
		case r.CancelledAt != nil:
			e.end(tx, uuid.Nil, Waiting, withdrawn)
		case r.OfferUntil == nil:
			e.end(tx, uuid.Nil, Taken, accepted)
		case out: // who has collected the tools has said yes
			confirm(tx, uuid.Nil, r)
			e.end(tx, uuid.Nil, Taken, accepted)
		case r.OfferUntil.After(now):
			return nil
		default:
			if r, err = lending.Cancel(tx, uuid.Nil, r, "", tx.Now); err != nil {
				return err
			}
			journal.Append(tx, journal.Event{Type: "reservation.offer_lapsed", Subject: r.ID, Version: r.Version, Audience: journal.ForClub, Actor: uuid.Nil}, r)
			state := Waiting
			if earlier, err := unanswered.One(); err != nil {
				return err
			} else if earlier+1 >= mostUnanswered {
				state = Lapsed
			}
			e.end(tx, uuid.Nil, state, lapsed)
		}
		did = true
		return nil
	})
	return did, err
}

// pass ends an entry whose window has no room any more.
func pass(ctx context.Context, db *postgres.DB, club uuid.UUID, now time.Time, id uuid.UUID) (bool, error) {
	did := false
	var found Entries
	err := db.Write(ctx, club, now, func(b *postgres.Batch) { found = Lock(b, id) }, func(tx *postgres.Tx) error {
		e, err := found.One()
		if did = err == nil && e.State == Waiting; did {
			e.end(tx, uuid.Nil, Passed, "")
		}
		return err
	})
	return did, err
}
