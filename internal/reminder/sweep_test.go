package reminder_test

import (
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"

	"pinwright/internal/reminder"
)

// wants holds what a sweep made, in any order.
func wants(t *testing.T, got []string, want ...string) {
	t.Helper()
	slices.Sort(got)
	slices.Sort(want)
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("made (-want +got):\n%s", diff)
	}
}

func TestWhoHasAToolIsToldBeforeItIsDueAndWhenItIsLate(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	due := at("2026-05-10T17:00:00Z")
	loan := w.lend(w.reserve(at("2026-05-01T08:00:00Z"), due, at("2026-04-01T08:00:00Z"), w.reamer), at("2026-05-01T08:00:00Z"))
	wants(t, w.sweep(due.Add(-24*time.Hour-time.Second)))
	wants(t, w.sweep(due.Add(-24*time.Hour)), "07 due_soon 2026-05-10T17:00:00Z")
	wants(t, w.sweep(due.Add(-24*time.Hour)))
	wants(t, w.sweep(due))
	wants(t, w.sweep(due.Add(time.Second)), "07 late 2026-05-10T17:00:00Z")
	wants(t, w.sweep(due.Add(47*time.Hour)))
	// Two days were missed: the third is told, the second never.
	wants(t, w.sweep(due.Add(5*24*time.Hour)), "07 late 2026-05-14T17:00:00Z")
	wants(t, w.sweep(due.Add(6*24*time.Hour+time.Second)), "07 late 2026-05-16T17:00:00Z")
	wants(t, w.sweep(due.Add(60*24*time.Hour)), "07 late 2026-05-18T17:00:00Z")
	wants(t, w.sweep(due.Add(90*24*time.Hour)))
	turn := w.list(w.kim)[0].Summary()
	if !strings.Contains(turn, "reminder 5 of 5") || !strings.Contains(turn, "R-1 was due back by Sun 10 May 2026 18:00 (Europe/Lisbon)") {
		t.Errorf("the last one reads %q", turn)
	}
	// Extended, it is a new due date.
	longer := at("2026-08-20T17:00:00Z")
	w.exec(`update booking set period = tstzrange(lower(period), $2), held = tstzrange(lower(period), $2) where club_id = $1`, longer)
	wants(t, w.sweep(longer.Add(-time.Hour)), "07 due_soon 2026-08-20T17:00:00Z")
	w.exec(`update loan set ended = 'returned', ended_at = $3 where club_id = $1 and id = $2`, loan, longer)
	wants(t, w.sweep(longer.Add(time.Hour)))
}

// lateMoments is the rule once more, in Go: when it is late, and every second
// day after by the clock of the garage, five times.
func lateMoments(due time.Time, zone *time.Location) []time.Time {
	local := due.In(zone)
	var out []time.Time
	for i := range 5 {
		out = append(out, time.Date(local.Year(), local.Month(), local.Day()+2*i, local.Hour(), local.Minute(), 0, 0, zone))
	}
	return out
}

// Clocks change in Lisbon on 29 March and 25 October 2026, on the Chatham Islands
// on 5 April and 27 September (IANA time zone database).
func TestEverySecondDayIsByTheClockOfTheGarage(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct{ due, zone string }{
		{"2026-03-27T17:00:00Z", "Europe/Lisbon"}, {"2026-10-22T16:30:00Z", "Europe/Lisbon"}, {"2026-10-25T09:00:00Z", "Europe/Lisbon"},
		{"2026-04-03T05:00:00Z", "Pacific/Chatham"}, {"2026-09-24T20:00:00Z", "Pacific/Chatham"},
	} {
		w := newWorld(t)
		due, zone := at(tc.due), zoneNamed(t, tc.zone)
		tool := w.reamer
		if tc.zone != "Europe/Lisbon" {
			tool = w.puller
		}
		w.lend(w.reserve(due.AddDate(0, 0, -9), due, due.AddDate(0, 0, -20), tool), due.AddDate(0, 0, -9))
		w.sweep(due.Add(-time.Hour))
		for i, moment := range lateMoments(due, zone) {
			wants(t, w.sweep(moment))
			wants(t, w.sweep(moment.Add(time.Second)), "07 late "+moment.UTC().Format(time.RFC3339))
			if got, want := w.list(w.kim)[0].Summary(), fmt.Sprintf("reminder %d of 5", i+1); !strings.Contains(got, want) {
				t.Errorf("%s: %q, not %s", moment, got, want)
			}
		}
	}
}

func TestAShortLoanIsToldOfHalfWay(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	from := at("2026-05-10T08:00:00Z")
	w.lend(w.reserve(from, from.Add(8*time.Hour), from, w.reamer), from)
	wants(t, w.sweep(from.Add(4*time.Hour-time.Second)))
	wants(t, w.sweep(from.Add(4*time.Hour)), "07 due_soon 2026-05-10T16:00:00Z")
}

func TestWhoReservedIsToldWhenItBegins(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.save(reminder.Contact{MemberID: w.kim, HoursBefore: 48, Version: 1})
	begins := at("2026-05-10T08:00:00Z")
	w.reserve(begins, begins.Add(24*time.Hour), begins.AddDate(0, 0, -9), w.reamer, w.gauge)
	// Made within those 48 hours: who did that knows.
	w.reserve(begins, begins.Add(24*time.Hour), begins.Add(-47*time.Hour), w.puller)
	wants(t, w.sweep(begins.Add(-48*time.Hour-time.Second)))
	wants(t, w.sweep(begins.Add(-48*time.Hour)), "07 begins_soon 2026-05-10T08:00:00Z")
	if got := w.list(w.kim)[0]; !strings.HasPrefix(got.Summary(), "Your reservation of R-1 and G-2 begins on Sun 10 May 2026 09:00 (Europe/Lisbon).") {
		t.Errorf("it reads %q", got.Summary())
	}
	wants(t, w.sweep(begins))
}

func TestWhatHappensToAReservationIsToldOnce(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	now, begins := at("2026-05-01T08:00:00Z"), at("2026-06-01T08:00:00Z")
	offered := w.reserve(begins, begins.Add(24*time.Hour), now, w.reamer)
	w.exec(`update reservation set offer_until = $3 where club_id = $1 and id = $2`, offered, now.Add(24*time.Hour))
	endangered := w.reserve(begins, begins.Add(24*time.Hour), now, w.gauge)
	w.exec(`update booking set endangered = 'late', endangered_at = $3 where club_id = $1 and reservation_id = $2`, endangered, now)
	decided := w.reserve(begins.AddDate(0, 1, 0), begins.AddDate(0, 1, 1), now, w.gauge)
	w.exec(`update reservation set approval = 'declined', approval_by = $3, approval_at = $4, cancelled_at = $4 where club_id = $1 and id = $2`, decided, w.keeper, now)
	w.exec(`update booking set state = 'cancelled' where club_id = $1 and reservation_id = $2`, decided)
	own := w.reserve(begins.AddDate(0, 2, 0), begins.AddDate(0, 2, 1), now, w.gauge)
	w.exec(`update reservation set approval = 'given', approval_by = member_id, approval_at = $3 where club_id = $1 and id = $2`, own, now)
	moved := w.reserve(begins.AddDate(0, 3, 0), begins.AddDate(0, 3, 1), now, w.gauge)
	w.exec(`insert into event (club_id, seq, at, type, subject, subject_version, audience, digest, hash) values ($1, 1001, $3, 'reservation.moved', $2, 2, 'club', '', '')`, moved, now)
	choice := w.reserve(begins.AddDate(0, 4, 0), begins.AddDate(0, 4, 1), now.AddDate(0, 0, -5), w.reamer, w.gauge)
	w.exec(`update booking set choice = 1, decide_by = $3 where club_id = $1 and reservation_id = $2`, choice, now.Add(20*time.Hour))

	wants(t, w.sweep(now.Add(time.Minute)), "07 offer 2026-05-02T08:00:00Z", "07 endangered 2026-05-01T08:00:00Z late", "07 approval 2026-05-01T08:00:00Z declined",
		"07 moved 2026-05-01T08:00:00Z", "07 choice 2026-05-02T04:00:00Z")
	wants(t, w.sweep(now.Add(2*time.Minute)))
	for _, r := range w.list(w.kim) {
		if r.About() != "reservation" || !strings.Contains(r.Summary(), "(Europe/Lisbon)") || strings.Contains(r.Summary(), "Sallow") || strings.Contains(r.Summary(), "Alder") {
			t.Errorf("%s of a %s reads %q", r.Kind, r.About(), r.Summary())
		}
	}
	// Mended and in danger again is another time.
	w.exec(`update booking set endangered = null, endangered_at = null where club_id = $1 and reservation_id = $2`, endangered)
	wants(t, w.sweep(now.Add(time.Hour)))
	w.exec(`update booking set endangered = 'lost', endangered_at = $3 where club_id = $1 and reservation_id = $2`, endangered, now.Add(2*time.Hour))
	wants(t, w.sweep(now.Add(3*time.Hour)), "07 endangered 2026-05-01T10:00:00Z lost")
	// What happened long ago is not told of by a service that stood still.
	w.exec(`delete from reminder where club_id = $1`)
	wants(t, w.sweep(now.Add(50*time.Hour)), "07 endangered 2026-05-01T10:00:00Z lost")
}

func TestWhoDecidesIsToldOfWhatWaitsForAnApproval(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	now, begins := at("2026-05-01T08:00:00Z"), at("2026-06-01T08:00:00Z")
	awaited := w.reserve(begins, begins.Add(24*time.Hour), now, w.reamer, w.gauge)
	w.exec(`update reservation set approval = 'awaited' where club_id = $1 and id = $2`, awaited)
	own := w.reserve(begins.AddDate(0, 1, 0), begins.AddDate(0, 1, 1), now, w.reamer)
	w.exec(`update reservation set approval = 'awaited', member_id = $3 where club_id = $1 and id = $2`, own, w.keeper)
	wants(t, w.sweep(now.Add(time.Minute)), "02 to_approve 2026-05-01T08:00:00Z") // not of the keeper's own, nor to who asked
	wants(t, w.sweep(now.Add(time.Hour)))
	if got := w.list(w.keeper)[0]; got.About() != "reservation" || got.Summary() != "A reservation of R-1 and G-2, which begins on Mon 1 Jun 2026 09:00 (Europe/Lisbon), waits for an approval. Approve or decline it; until then they are held." {
		t.Errorf("of a %s it reads %q", got.About(), got.Summary())
	}
	w.exec(`update reservation set changed_at = $3 where club_id = $1 and id = $2`, awaited, now.Add(24*time.Hour))
	wants(t, w.sweep(now.Add(25*time.Hour)), "02 to_approve 2026-05-02T08:00:00Z")
	w.exec(`update reservation set changed_at = $3, approval = 'given', approval_by = $4, approval_at = $3 where club_id = $1 and id = $2`, awaited, now.Add(26*time.Hour), w.keeper)
	wants(t, w.sweep(now.Add(27*time.Hour)), "07 approval 2026-05-02T10:00:00Z given")
	// When it would have begun nobody needs to decide any more.
	wants(t, w.sweep(begins.AddDate(0, 2, 0)))
}

func TestKeepersAreToldOfCalibrationsAndInspections(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	for _, due := range []string{"2026-01-20", "2026-06-20"} { // the newest counts
		w.exec(`insert into calibration (club_id, id, tool_id, calibrated_on, due_on, expanded_nm, coverage_factor, member_id, recorded_at)
			values ($1, $2, $3, $4::date - 100, $4::date, 1000, 2, $5, '2026-01-01Z')`, uuid.Must(uuid.NewV7()), w.gauge, due, w.keeper)
	}
	w.exec(`update tool set inspection_due_on = '2026-06-20' where club_id = $1 and id = $2`, w.puller)
	midnight := time.Date(2026, 6, 6, 0, 0, 0, 0, w.lisbonZone)
	far := time.Date(2026, 6, 6, 0, 0, 0, 0, zoneNamed(t, "Pacific/Chatham")) // the day begins there first
	wants(t, w.sweep(far.Add(-time.Second)))
	wants(t, w.sweep(far), "02 inspection "+far.AddDate(0, 0, 14).UTC().Format(time.RFC3339))
	wants(t, w.sweep(midnight), "02 calibration "+midnight.AddDate(0, 0, 14).UTC().Format(time.RFC3339))
	if got := w.list(w.keeper)[0].Summary(); !strings.HasPrefix(got, "The calibration of G-2 falls due on Sat 20 Jun 2026.") {
		t.Errorf("it reads %q", got)
	}
}

func TestWhoIsNotToBeToldIsNot(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	due := at("2026-05-10T17:00:00Z")
	w.lend(w.reserve(due.AddDate(0, 0, -9), due, due.AddDate(0, 0, -9), w.reamer), due.AddDate(0, 0, -9))
	w.save(reminder.Contact{MemberID: w.kim, HoursBefore: 24, Unwanted: []string{"due_soon"}, Version: 1})
	wants(t, w.sweep(due.Add(-time.Hour)))
	w.exec(`update member set disabled_at = $2 where club_id = $1 and number = '07'`, due)
	wants(t, w.sweep(due.Add(time.Hour)))
	w.exec(`update member set disabled_at = null where club_id = $1 and number = '07'`)
	wants(t, w.sweep(due.Add(time.Hour)), "07 late 2026-05-10T17:00:00Z")
}

// Several at once, and more than one transaction takes.
func TestManySweepsAtOnceMakeEachReminderOnce(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	begins := at("2026-05-10T08:00:00Z")
	const many = 230
	w.exec(`insert into tool (club_id, id, number, model_id, garage_id) select $1, gen_random_uuid(), 'T-' || n, $2, $3 from generate_series(1, $4) n`, w.model, w.lisbon, many)
	w.exec(`insert into reservation (club_id, id, member_id, created_at) select $1, id, $2, '2026-01-01Z' from tool where club_id = $1 and number like 'T-%'`, w.kim)
	w.exec(`insert into booking (club_id, reservation_id, line, tool_id, period, held) select $1, id, 0, id, tstzrange($2, $3), tstzrange($2, $3) from tool where club_id = $1 and number like 'T-%'`,
		begins, begins.Add(24*time.Hour))
	var wg sync.WaitGroup
	made := make([]int, 4)
	for i := range made {
		wg.Go(func() {
			n, err := reminder.Sweep(t.Context(), w.db, w.club, begins.Add(-time.Hour))
			if err != nil {
				t.Error(err)
			}
			made[i] = n
		})
	}
	wg.Wait()
	if got := len(w.all()); got != many {
		t.Errorf("%d reminders of %d reservations", got, many)
	}
	total := 0
	for _, n := range made {
		total += n
	}
	if total != many {
		t.Errorf("the sweeps tell of %v reminders, together %d of %d", made, total, many)
	}
	var events, chained int
	if err := w.pg.Owner.QueryRow(t.Context(), `select count(*), (select seq from head where club_id = $1) from event where club_id = $1 and type = 'reminder.due'`, w.club).Scan(&events, &chained); err != nil {
		t.Fatal(err)
	}
	if events != many || chained != many {
		t.Errorf("%d events, the journal's head is at %d", events, chained)
	}
}
