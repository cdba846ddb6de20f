package reminder_test

import (
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"pinwright/internal/reminder"
)

// claim is the subjects of the letters that go out at a time.
func (w *world) claim(now time.Time) []reminder.Letter {
	w.t.Helper()
	letters, _, err := reminder.Claim(w.t.Context(), w.db, w.club, now, 100)
	if err != nil {
		w.t.Fatal(err)
	}
	return letters
}

// mailState is how the newest reminder of that kind stands.
func (w *world) mailState(kind string) string {
	w.t.Helper()
	for _, r := range w.list(w.kim) {
		if r.Kind == kind {
			return r.Mail
		}
	}
	return "there is none"
}

// lateTool is a loan of Kim's that became late at due.
func (w *world) lateTool(due time.Time) uuid.UUID {
	w.t.Helper()
	return w.lend(w.reserve(due.AddDate(0, 0, -9), due, due.AddDate(0, 0, -20), w.reamer), due.AddDate(0, 0, -9))
}

func (w *world) quietFor(from, until string) {
	w.t.Helper()
	w.save(reminder.Contact{MemberID: w.kim, MailAddress: ptr("kim@fern-row.example"), HoursBefore: 24, QuietFrom: &from, QuietUntil: &until, Version: 1})
}

// Quiet hours are by the clock in Lisbon, also in the nights in which it changes
// (29 March and 25 October 2026, IANA time zone database): 22:00 to 07:00 are
// eight hours in the first and ten in the second.
func TestMailWaitsUntilQuietHoursEnd(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct{ name, from, until, due, out string }{
		{"over midnight", "22:00", "07:00", "2026-05-10T22:30:00Z", "2026-05-11T06:00:00Z"},
		{"after midnight", "22:00", "07:00", "2026-05-10T02:00:00Z", "2026-05-10T06:00:00Z"},
		{"within a day", "12:00", "14:00", "2026-05-10T11:30:00Z", "2026-05-10T13:00:00Z"},
		{"not at all", "22:00", "07:00", "2026-05-10T12:00:00Z", "2026-05-10T12:00:01Z"},
		{"from the minute on", "22:00", "07:00", "2026-05-10T20:59:59Z", "2026-05-11T06:00:00Z"},
		{"in the short night", "22:00", "07:00", "2026-03-28T23:00:00Z", "2026-03-29T06:00:00Z"},
		{"in the long night", "22:00", "07:00", "2026-10-24T22:00:00Z", "2026-10-25T07:00:00Z"},
		{"until a time that is skipped", "22:00", "01:30", "2026-03-28T23:00:00Z", "2026-03-29T01:00:00Z"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			w := newWorld(t)
			w.quietFor(tc.from, tc.until)
			due, out := at(tc.due), at(tc.out)
			w.lateTool(due)
			w.sweep(due.Add(time.Second))
			if early := w.claim(out.Add(-time.Second)); len(early) != 0 {
				t.Errorf("%v goes out before %s", early, out)
			}
			if letters := w.claim(out); len(letters) != 1 || letters[0].To != "kim@fern-row.example" || !strings.Contains(letters[0].Subject, "R-1 late") {
				t.Errorf("at %s goes out %v", out, letters)
			}
			if again := w.claim(out.Add(time.Hour)); len(again) != 0 {
				t.Errorf("%v goes out again", again)
			}
		})
	}
}

func TestQuietHoursCountWhenItGoesOut(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.quietFor("01:00", "02:00")
	due := at("2026-05-10T22:00:00Z")
	w.lateTool(due)
	w.sweep(due.Add(time.Second))
	w.quietFor("22:00", "07:00") // chosen meanwhile
	if early := w.claim(due.Add(time.Minute)); len(early) != 0 {
		t.Errorf("%v goes out", early)
	}
	if letters := w.claim(at("2026-05-11T06:00:00Z")); len(letters) != 1 {
		t.Errorf("%v goes out in the morning", letters)
	}
}

func TestTheChoiceCountsWhenItIsMadeAndWhenItGoesOut(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	due := at("2026-05-10T12:00:00Z")
	w.lateTool(due)
	kim := reminder.Contact{MemberID: w.kim, MailAddress: ptr("kim@fern-row.example"), HoursBefore: 24, Version: 1}
	onlyEvent := kim
	onlyEvent.Choose("late", reminder.AsEvent)
	w.save(onlyEvent)
	wants(t, w.sweep(due.Add(time.Second)), "07 late 2026-05-10T12:00:00Z")
	if w.mailState("late") != "unwanted" || len(w.claim(due.Add(time.Minute))) != 0 {
		t.Errorf("the mail is %s, though an event was chosen", w.mailState("late"))
	}
	w.save(kim)
	wants(t, w.sweep(due.AddDate(0, 0, 2).Add(time.Second)), "07 late 2026-05-12T12:00:00Z")
	if w.mailState("late") != "waiting" {
		t.Errorf("the mail is %s, though it was chosen", w.mailState("late"))
	}
	w.save(onlyEvent)
	if letters := w.claim(due.AddDate(0, 0, 2).Add(time.Minute)); len(letters) != 0 || w.mailState("late") != "unwanted" {
		t.Errorf("%v goes out after it was chosen away; the mail is %s", letters, w.mailState("late"))
	}
	nothing := kim
	nothing.Choose("late", reminder.NotAtAll)
	w.save(nothing)
	wants(t, w.sweep(due.AddDate(0, 0, 4).Add(time.Second)))
}

func TestWhatIsNotSoAnyMoreIsNotMailed(t *testing.T) {
	t.Parallel()
	due := at("2026-05-10T22:30:00Z")
	morning := at("2026-05-11T06:00:00Z")
	for name, change := range map[string]func(w *world, loan uuid.UUID){
		"it was brought back": func(w *world, loan uuid.UUID) {
			w.exec(`update loan set ended = 'returned', ended_at = $3 where club_id = $1 and id = $2`, loan, due.Add(time.Hour))
		},
		"it was extended": func(w *world, _ uuid.UUID) {
			w.exec(`update booking set period = tstzrange(lower(period), $2), held = tstzrange(lower(period), $2) where club_id = $1`, due.AddDate(0, 0, 3))
		},
	} {
		w := newWorld(t)
		w.quietFor("22:00", "07:00")
		loan := w.lateTool(due)
		w.sweep(due.Add(time.Second))
		change(w, loan)
		if letters := w.claim(morning); len(letters) != 0 || w.mailState("late") != "obsolete" {
			t.Errorf("%s: %v goes out, the mail is %s", name, letters, w.mailState("late"))
		}
	}
	w := newWorld(t)
	w.quietFor("22:00", "07:00")
	w.lateTool(due)
	w.sweep(due.Add(time.Second))
	if letters := w.claim(due.AddDate(0, 0, 4)); len(letters) != 0 || w.mailState("late") != "obsolete" {
		t.Errorf("%v goes out four days later, the mail is %s", letters, w.mailState("late"))
	}
}

// Each kind's mail is held to the rows that it tells of: with them it goes out, without it does not.
func TestEveryKindGoesOutWhileItStandsAndNotAfter(t *testing.T) {
	t.Parallel()
	now, begins := at("2026-05-01T08:00:00Z"), at("2026-06-01T08:00:00Z")
	for kind, tc := range map[string]struct{ made, gone func(w *world, id uuid.UUID) }{
		"offer": {func(w *world, id uuid.UUID) {
			w.exec(`update reservation set offer_until = $3 where club_id = $1 and id = $2`, id, now.Add(24*time.Hour))
		}, func(w *world, id uuid.UUID) {
			w.exec(`update reservation set offer_until = null where club_id = $1 and id = $2`, id)
		}},
		"endangered": {func(w *world, id uuid.UUID) {
			w.exec(`update booking set endangered = 'late', endangered_at = $3 where club_id = $1 and reservation_id = $2`, id, now)
		}, func(w *world, id uuid.UUID) {
			w.exec(`update booking set endangered = null, endangered_at = null where club_id = $1 and reservation_id = $2`, id)
		}},
		"choice": {func(w *world, id uuid.UUID) {
			w.exec(`update booking set choice = 1, decide_by = $3 where club_id = $1 and reservation_id = $2`, id, now.Add(time.Hour))
		}, func(w *world, id uuid.UUID) {
			w.exec(`update booking set choice = null, decide_by = null where club_id = $1 and reservation_id = $2`, id)
		}},
		"moved": {func(w *world, id uuid.UUID) {
			w.exec(`insert into event (club_id, seq, at, type, subject, subject_version, audience, digest, hash) values ($1, 1001, $3, 'reservation.moved', $2, 2, 'club', '', '')`, id, now)
		}, func(w *world, id uuid.UUID) {
			w.exec(`update booking set state = 'cancelled' where club_id = $1 and reservation_id = $2`, id)
		}},
		"begins_soon": {func(w *world, id uuid.UUID) {
			w.exec(`update booking set period = tstzrange($3, $4), held = tstzrange($3, $4) where club_id = $1 and reservation_id = $2`, id, now.Add(time.Hour), now.Add(9*time.Hour))
		}, func(w *world, id uuid.UUID) {
			w.exec(`update booking set state = 'out' where club_id = $1 and reservation_id = $2`, id)
		}},
	} {
		for _, gone := range []bool{false, true} {
			w := newWorld(t)
			w.save(reminder.Contact{MemberID: w.kim, MailAddress: ptr("kim@fern-row.example"), HoursBefore: 24, Version: 1})
			id := w.reserve(begins, begins.Add(24*time.Hour), now.AddDate(0, 0, -9), w.reamer)
			tc.made(w, id)
			w.sweep(now.Add(time.Minute))
			want := "sending"
			if gone {
				tc.gone(w, id)
				want = "obsolete"
			}
			letters := w.claim(now.Add(2 * time.Minute))
			if got := w.mailState(kind); got != want || (len(letters) == 1) == gone {
				t.Errorf("%s, gone %v: the mail is %s, %v goes out", kind, gone, got, letters)
			}
			for _, l := range letters {
				if l.Subject == "" || strings.Contains(l.Subject, "%") || !strings.Contains(l.Text, "(Europe/Lisbon)") || !strings.Contains(l.Text, "member 07 of Fern Row Garages") {
					t.Errorf("%s reads %q: %s", kind, l.Subject, l.Text)
				}
			}
		}
	}
}
