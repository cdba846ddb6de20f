package waiting_test

import (
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/postgres"
	"pinwright/internal/problem"
	"pinwright/internal/waiting"
)

func TestWhoJoinedFirstIsOfferedWhatIsFreed(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	taken := w.mustReserve(0, 10, 200, "A-1")
	first := w.mustJoin(1, 0, 100, 24, "A-1")
	second := w.mustJoin(2, 0, 100, 24, "A-1")
	if n := w.sweep(); n != 0 {
		t.Fatalf("%d entries changed while nothing is free", n)
	}
	w.isWaiting(first, "tool-taken")
	w.must(w.cancel(taken))
	before := w.seq()
	w.sweep()
	// The earliest time: an hour from now, so that there is time to answer.
	e := w.offeredAt(first, 1, 25)
	if !e.Offer.Until.Equal(at(1)) {
		t.Errorf("the offer is good until %s, want until its period begins", e.Offer.Until)
	}
	// The second fits behind it, after the cleaning.
	w.offeredAt(second, 27, 51)
	if got := w.entry(second).Offer.Until; !got.Equal(at(24)) {
		t.Errorf("the second offer is good until %s, want 24 h as the club's rule has it", got)
	}
	w.happened(before, "reservation.offered", "waiting.offered")
	if n := w.sweep(); n != 0 {
		t.Errorf("a second sweep changed %d entries", n)
	}
}

func TestAnOfferThatNobodyAnswersGoesToTheNextInLine(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	taken := w.mustReserve(0, 1, 200, "A-1")
	first := w.mustJoin(1, 10, 40, 24, "A-1")
	second := w.mustJoin(2, 10, 40, 24, "A-1")
	w.must(w.cancel(taken))
	w.sweep()
	w.offeredAt(first, 10, 34)
	w.isWaiting(second, "tool-taken") // nothing is left of the window
	w.now = at(10).Add(-time.Minute)
	if n := w.sweep(); n != 0 {
		t.Fatalf("%d entries changed a minute before the offer lapses", n)
	}
	w.now = at(9)
	rule(t, w, "offer_hours = 2")
	third := w.mustJoin(3, 60, 100, 24, "A-1")
	w.sweep()
	w.offeredAt(third, 60, 84)
	w.now = at(11) // both lapse now; for the first window there is still room until 40
	before := w.seq()
	w.sweep()
	w.happened(before, "reservation.cancelled", "reservation.offer_lapsed", "waiting.resumed")
	w.offeredAt(second, 12, 36)
	// The first had 10 to 34, the third 60 to 84: what is left of their windows beside that is too short.
	w.isWaiting(first, "offered-before")
	w.isWaiting(third, "offered-before")
}

func rule(t *testing.T, w *world, set string) {
	t.Helper()
	if _, err := w.db.Owner.Exec(t.Context(), `insert into lending_rule (club_id) values ($1) on conflict do nothing`, w.club); err != nil {
		t.Fatal(err)
	}
	if _, err := w.db.Owner.Exec(t.Context(), `update lending_rule set `+set+` where club_id = $1`, w.club); err != nil {
		t.Fatal(err)
	}
	w.append(t, "lending_rule.changed")
}

// append adds an event to the journal, as the writer of the change would have.
func (w *world) append(t *testing.T, event string) {
	t.Helper()
	if err := w.write(nil, func(tx *postgres.Tx) error {
		tx.QueueLast(`select append_event($1, $2, null, $3, $1, 1, 'club', '')`, w.club, w.now, event)
		return nil
	}); err != nil {
		t.Fatal(err)
	}
}

func TestTheSecondOfferThatLapsesEndsTheEntry(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	id := w.mustJoin(1, 10, 400, 8, "A-1")
	w.sweep()
	w.offeredAt(id, 10, 18)
	w.now = at(30)
	w.sweep()
	w.offeredAt(id, 31, 39) // again, at another time
	w.now = at(40)
	before := w.seq()
	w.sweep()
	if e := w.entry(id); e.State != waiting.Lapsed || e.Offer.Outcome != "lapsed" {
		t.Errorf("after two offers nobody answered the entry is %s, the offer %s", e.State, e.Offer.Outcome)
	}
	w.happened(before, "waiting.lapsed")
	if _, err := w.reserve(2, 41, 60, "A-1"); err != nil {
		t.Errorf("the tool is not free again: %v", err)
	}
}

func TestAcceptedDeclinedAndLeftOffers(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	id := w.mustJoin(1, 10, 60, 8, "K")
	refusedNow(t, w.accept(id))
	refusedNow(t, w.decline(id, true))
	w.sweep()
	e := w.offeredAt(id, 10, 18)
	w.must(w.accept(id))
	if e := w.entry(id); e.State != waiting.Taken || e.Offer.Outcome != "accepted" {
		t.Errorf("after accepting the entry is %s, the offer %s", e.State, e.Offer.Outcome)
	}
	var until *time.Time
	var lines int
	if err := w.db.Owner.QueryRow(t.Context(), `select offer_until, (select count(*) from booking where reservation_id = r.id and state = 'reserved') from reservation r where id = $1`,
		e.Offer.ReservationID).Scan(&until, &lines); err != nil || until != nil || lines != 2 {
		t.Errorf("the accepted reservation has offer_until %v and %d lines (%v), want none and 2", until, lines, err)
	}
	refusedNow(t, w.accept(id))
	refusedNow(t, w.leave(id))
	w.now = at(9)
	if w.sweep() != 0 {
		t.Error("an accepted offer was touched")
	}

	// Who declines and keeps waiting is offered another time, which does not overlap the first.
	id = w.mustJoin(2, 20, 60, 8, "A-2")
	w.sweep()
	w.offeredAt(id, 20, 28)
	w.must(w.decline(id, true))
	w.sweep()
	e = w.offeredAt(id, 28, 36)
	w.must(w.decline(id, false))
	if e := w.entry(id); e.State != waiting.Declined {
		t.Errorf("after declining the entry is %s", e.State)
	}

	// Who leaves with an offer frees the tools.
	id = w.mustJoin(3, 20, 60, 8, "A-3")
	other := w.mustJoin(4, 20, 30, 8, "A-3")
	w.sweep()
	w.offeredAt(id, 20, 28)
	w.isWaiting(other, "tool-taken")
	w.must(w.leave(id))
	w.sweep()
	w.offeredAt(other, 20, 28)
	if e := w.entry(id); e.State != waiting.Left {
		t.Errorf("after leaving the entry is %s", e.State)
	}

	// An offer that is over and was not swept yet cannot be accepted any more.
	w.now = at(25)
	refusedNow(t, w.accept(other))
}

func refusedNow(t *testing.T, err error) {
	t.Helper()
	if !problem.Is(err, problem.NotAllowedNow) {
		t.Errorf("%v, want not-allowed-now", err)
	}
}

func TestAnOfferThatIsCancelledAsAReservationLeavesTheEntryInLine(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	id := w.mustJoin(1, 10, 60, 8, "A-1")
	w.sweep()
	e := w.offeredAt(id, 10, 18)
	w.must(w.cancel(e.Offer.ReservationID))
	refusedNow(t, w.accept(id))
	w.sweep()
	w.offeredAt(id, 18, 26)
	var outcome string
	if err := w.db.Owner.QueryRow(t.Context(), `select outcome from waiting_offer where reservation_id = $1`, e.Offer.ReservationID).Scan(&outcome); err != nil || outcome != "withdrawn" {
		t.Errorf("the cancelled offer is %s (%v)", outcome, err)
	}
}

func TestWindowsPass(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.mustReserve(0, 0, 200, "A-1")
	id := w.mustJoin(1, 0, 60, 24, "A-1")
	w.sweep()
	w.now = at(35) // the last moment for 24 h, and an hour to answer
	w.sweep()
	w.isWaiting(id, "tool-taken")
	w.now = w.now.Add(time.Second)
	before := w.seq()
	w.sweep()
	if e := w.entry(id); e.State != waiting.Passed {
		t.Errorf("the entry is %s, though nothing fits the window any more", e.State)
	}
	w.happened(before, "waiting.passed")
}

func TestNobodyIsOfferedWhatTheyHaveOrCannotTake(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.mustReserve(1, 12, 20, "A-2")
	own := w.mustJoin(1, 10, 24, 8, "A") // has an A at every time of the window
	later := w.mustJoin(1, 10, 40, 8, "A")
	gone := w.mustJoin(2, 10, 40, 8, "B-1")
	if _, err := w.db.Owner.Exec(t.Context(), `update member set disabled_at = now() where number = 'M2'`); err != nil {
		t.Fatal(err)
	}
	if _, err := w.db.Owner.Exec(t.Context(), `update tool set state = 'quarantine' where number = 'B-2'`); err != nil {
		t.Fatal(err)
	}
	idle := w.mustJoin(3, 10, 40, 8, "B-2")
	// A guest's stay ends within the window.
	if _, err := w.db.Owner.Exec(t.Context(), `update member set host_id = $1, guest_last_day = '2026-06-02', guest_until = $2 where number = 'M4'`, w.members[0], at(18)); err != nil {
		t.Fatal(err)
	}
	guest, leaves := w.mustJoin(4, 10, 40, 8, "B-1"), w.mustJoin(4, 10, 40, 9, "A-3")
	w.sweep()
	w.offeredAt(guest, 10, 18)
	w.isWaiting(leaves, "guest-stay-ends")
	w.isWaiting(own, "has-already")
	w.offeredAt(later, 20, 28)
	w.isWaiting(gone, "member-disabled")
	w.isWaiting(idle, "tool-taken")
	if _, err := w.db.Owner.Exec(t.Context(), `update tool set state = 'in_service' where number = 'B-2'`); err != nil {
		t.Fatal(err)
	}
	w.append(t, "tool.changed")
	w.sweep()
	w.offeredAt(idle, 10, 18)
}

func TestOffersBeginAndEndWhileTheGarageIsOpen(t *testing.T) {
	t.Parallel()
	w := newWorld(t) // begins at six on a Monday
	w.opens(8, 20)
	if _, err := w.db.Owner.Exec(t.Context(), `insert into closure (club_id, id, first_day, last_day, member_id, recorded_at) values ($1, $2, '2026-06-03', '2026-06-03', $3, '2026-01-01Z')`,
		w.club, uuid.Must(uuid.NewV7()), w.members[0]); err != nil {
		t.Fatal(err)
	}
	short, night := w.mustJoin(1, 0, 100, 3, "A-1"), w.mustJoin(2, 0, 100, 10, "A-1")
	day, days, over := w.mustJoin(3, 0, 100, -1, "A-2"), w.mustJoin(4, 20, 130, -2, "A-3"), w.mustJoin(5, 20, 100, -3, "B-1")
	tooFew := w.mustJoin(0, 20, 60, -2, "B-1")
	w.sweep()
	w.offeredAt(short, 2, 5)
	w.offeredAt(night, 7, 26) // ten hours would be over at eleven in the evening
	w.offeredAt(day, 2, 14)
	w.offeredAt(days, 74, 110)        // on Tuesday and Wednesday it is closed on one of two days
	w.offeredAt(over, 26, 86)         // out over the closed day
	w.isWaiting(tooFew, "tool-taken") // nobody takes it back on the second day
	w.must(w.decline(days, true))
	w.must(w.decline(day, true))
	w.sweep()
	w.isWaiting(days, "offered-before")
	w.offeredAt(day, 26, 38)
}

func TestEntriesAreLookedForAgainOnlyOnceSomethingWasFreed(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	taken := w.mustReserve(0, 0, 100, "A-1")
	id := w.mustJoin(1, 0, 60, 24, "A-1")
	w.sweep()
	first := w.isWaiting(id, "tool-taken").LookedAt
	w.now = w.now.Add(10 * time.Minute)
	w.mustReserve(2, 0+10, 20, "B-1")
	w.append(t, "reading.created")
	w.mustJoin(2, 200, 210, 5, "B-1")
	w.sweep()
	if again := w.entry(id).LookedAt; !again.Equal(*first) {
		t.Errorf("looked for again at %s though nothing was freed", again)
	}
	w.append(t, "tool.found")
	w.sweep()
	if again := w.entry(id).LookedAt; !again.Equal(w.now) {
		t.Errorf("not looked for again after something was freed, only at %s", again)
	}
	w.now = w.now.Add(time.Hour) // some rules loosen as time goes by
	w.sweep()
	if again := w.entry(id).LookedAt; !again.Equal(w.now) {
		t.Errorf("not looked for again after an hour, only at %s", again)
	}
	w.now = at(2)
	w.must(w.cancel(taken))
	w.sweep()
	w.offeredAt(id, 3, 27)
}

func TestThePlaceInLineCountsWhoNeedsTheSame(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	for _, tool := range []string{"A-1", "A-2", "A-3", "B-1", "B-2"} {
		w.mustReserve(0, 100, 200, tool)
	}
	w.mustJoin(1, 100, 150, 24, "A-1") // fits nothing
	offered := w.mustJoin(2, 0, 150, 24, "A")
	w.sweep()
	w.offeredAt(offered, 1, 25)
	w.mustJoin(3, 0, 150, 24, "K")     // needs A-1; not tried yet
	w.mustJoin(3, 0, 150, 24, "B-1")   // another tool
	w.mustJoin(3, 150, 190, 24, "A-1") // another time
	mine := w.mustJoin(4, 0, 150, 24, "A-1")
	w.mustJoin(5, 0, 150, 24, "A-1") // behind
	var ahead *postgres.Rows[waiting.Ahead]
	w.must(w.data.Read(t.Context(), w.club, func(b *postgres.Batch) { ahead = waiting.AheadOf(b, mine) }))
	got := map[string]int{}
	for _, a := range ahead.Items {
		got[a.Reason] = a.Count
		if strings.Contains(a.Text(), "M1") || a.Text() == "" {
			t.Errorf("told as %q", a.Text())
		}
	}
	want := map[string]int{waiting.FitsNothing: 1, waiting.HasOffer: 1, waiting.ComesFirst: 1}
	for reason, n := range want {
		if got[reason] != n {
			t.Errorf("%d ahead for %s, want %d: %v", got[reason], reason, n, got)
		}
	}
	if len(got) != len(want) {
		t.Errorf("ahead are %v, want %v", got, want)
	}
}

func TestJoiningIsRefusedWhereNothingCouldBeOffered(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	rule(t, w, "longest_loan_days = 2")
	for name, c := range map[string]struct {
		from, until, hours int
		names              []string
		pointer            string
	}{
		"no such tool":         {0, 60, 8, []string{"A-9"}, "/lines/0/tool"},
		"no such model":        {0, 60, 8, []string{"Z"}, "/lines/0/tool_model"},
		"a tool twice":         {0, 60, 8, []string{"A-1", "A-1"}, "/lines/1/tool"},
		"a window in the past": {-60, -50, 8, []string{"A-1"}, "/window/until"},
		"no room":              {0, 8, 8, []string{"A-1"}, "/window/until"},
		"turned round":         {60, 50, 8, []string{"A-1"}, "/window/until"},
		"too far":              {0, 24 * 401, 8, []string{"A-1"}, "/window/until"},
		"too long":             {0, 100, 49, []string{"A-1"}, "/hours"},
	} {
		_, err := w.join(1, c.from, c.until, c.hours, c.names...)
		p, ok := problem.As(err)
		if !ok || len(p.Faults) != 1 || p.Faults[0].Pointer != c.pointer {
			t.Errorf("%s: %v, want a fault at %s", name, err, c.pointer)
		}
	}
	for range 10 {
		w.mustJoin(1, 0, 60, 8, "A-1")
	}
	_, err := w.join(1, 0, 60, 8, "A-1")
	refusedNow(t, err)
	w.mustJoin(2, 0, 60, 8, "A-1")
}

func TestWhereNobodyWaitsASweepIsOneReading(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	before := w.seq()
	trips := &batches{}
	pool := trips.pool(t, w.db.AppURL)
	for range 2 {
		if n, err := waiting.Sweep(t.Context(), &postgres.DB{Pool: pool}, w.club, w.now); err != nil || n != 0 {
			t.Fatalf("%d changed, %v", n, err)
		}
	}
	if trips.n.Load() != 2 || w.seq() != before {
		t.Errorf("two sweeps took %d round trips, want one each", trips.n.Load())
	}
	if n, err := waiting.Sweep(t.Context(), &postgres.DB{Pool: pool}, uuid.New(), w.now); err != nil || n != 0 {
		t.Errorf("a club that is not there: %d changed, %v", n, err)
	}
}
