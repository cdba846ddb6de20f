package calendar_test

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"

	"pinwright/internal/access"
	"pinwright/internal/calendar"
	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
)

// yard is a club of two garages, two members and three reamers, invented as all
// of it is; its rows are put past the API.
type yard struct {
	t                *testing.T
	db               *pgtest.DB
	club             uuid.UUID
	north, south     uuid.UUID
	ada, bo          uuid.UUID
	model            uuid.UUID
	one, two, remote uuid.UUID // tools at north, S-1 at south
}

// today is a Friday, at noon.
var today = time.Date(2026, 5, 1, 12, 0, 0, 0, time.UTC)

func newYard(t *testing.T) *yard {
	t.Helper()
	id := func() uuid.UUID { return uuid.Must(uuid.NewV7()) }
	y := &yard{t: t, db: pgtest.New(t), club: id(), north: id(), south: id(), ada: id(), bo: id(), model: id(), one: id(), two: id(), remote: id()}
	y.exec(`insert into club (club_id, slug, name, currency, created_at) values ($1, 'hollow-lane', 'Hollow Lane Garages', 'EUR', '2026-01-01Z')`)
	y.exec(`insert into garage (club_id, id, code, name, address, time_zone) values ($1, $2, 'north', 'North Yard', '4 Hollow Lane; behind the bakery', 'Europe/Lisbon'), ($1, $3, 'south', 'South Yard', '', 'UTC')`, y.north, y.south)
	y.exec(`insert into member (club_id, id, number, name, roles) values ($1, $2, 'M-71', 'Ada Wren', '{member}'), ($1, $3, 'M-72', 'Bo Alder', '{member}')`, y.ada, y.bo)
	y.exec(`insert into tool_model (club_id, id, code, name, kind, size_nm, caution) values ($1, $2, 'R9', '9 mm reamer', 'reamer', 9000000, 'Wear goggles.')`, y.model)
	y.exec(`insert into tool (club_id, id, number, model_id, garage_id) values ($1, $2, 'R-1', $5, $6), ($1, $3, 'R-2', $5, $6), ($1, $4, 'S-1', $5, $7)`, y.one, y.two, y.remote, y.model, y.north, y.south)
	return y
}

// exec runs sql for the club ($1) as the owner of the schema.
func (y *yard) exec(sql string, args ...any) {
	y.t.Helper()
	if _, err := y.db.Owner.Exec(y.t.Context(), sql, append([]any{y.club}, args...)...); err != nil {
		y.t.Fatalf("%v in\n%s", err, sql)
	}
}

// reserve promises a tool to a member from so many days after today on, for two
// days, and returns the reservation.
func (y *yard) reserve(member, tool uuid.UUID, days int) uuid.UUID {
	y.t.Helper()
	r, from := uuid.Must(uuid.NewV7()), today.AddDate(0, 0, days)
	y.exec(`insert into reservation (club_id, id, member_id, created_at) values ($1, $2, $3, $4)`, r, member, today.Add(-time.Hour))
	y.exec(`insert into booking (club_id, reservation_id, line, tool_id, period, held) values ($1, $2, 0, $3, tstzrange($4, $4::timestamptz + '48h'), tstzrange($4, $4::timestamptz + '50h'))`, r, tool, from)
	return r
}

// handOut makes a loan of a reservation's line to a member at a time.
func (y *yard) handOut(r, tool, member uuid.UUID, at time.Time) uuid.UUID {
	y.t.Helper()
	l := uuid.Must(uuid.NewV7())
	y.exec(`insert into counter_act (club_id, id, kind, by_member, occurred_at, recorded_at) values ($1, $2, 'handout', $3, $4, $4)`, l, member, at)
	y.exec(`insert into loan (club_id, id, reservation_id, line, tool_id, member_id, handout_id, collected_at, held_before, recorded_at)
		select $1, $2, $3, 0, $4, $5, $2, $6, held, $6 from booking where club_id = $1 and reservation_id = $3`, l, r, tool, member, at)
	y.exec(`update booking set state = 'out' where club_id = $1 and reservation_id = $2`, r)
	return l
}

func (y *yard) end(loan, r uuid.UUID, how, state string, at time.Time) {
	y.t.Helper()
	y.exec(`update loan set ended = $3, ended_at = $4, version = version + 1 where club_id = $1 and id = $2`, loan, how, at)
	y.exec(`update booking set state = $3 where club_id = $1 and reservation_id = $2`, r, state)
}

// subscribe makes a calendar and returns its address.
func (y *yard) subscribe(member uuid.UUID, of calendar.Subject, thing *uuid.UUID, names bool) access.Address {
	y.t.Helper()
	a := access.NewAddress(y.club)
	k := calendar.Calendar{ID: uuid.Must(uuid.NewV7()), MemberID: member, Shows: of, Names: names, CreatedAt: today.Add(-2 * time.Hour), Fingerprint: []byte{}}
	switch of {
	case calendar.OfTool:
		k.ToolID = thing
	case calendar.OfGarage:
		k.GarageID = thing
	case calendar.OfMember:
	}
	if err := (&postgres.DB{Pool: y.db.App}).Write(y.t.Context(), y.club, k.CreatedAt, func(*postgres.Batch) {}, func(tx *postgres.Tx) error {
		calendar.Make(tx, k, a)
		return nil
	}); err != nil {
		y.t.Fatal(err)
	}
	return a
}

func (y *yard) look(a access.Address, now time.Time) (calendar.Feed, error) {
	y.t.Helper()
	var found *calendar.Found
	if err := (&postgres.DB{Pool: y.db.App}).Read(y.t.Context(), y.club, func(b *postgres.Batch) { found = calendar.Look(b, a.Hash(), now) }); err != nil {
		y.t.Fatal(err)
	}
	return found.Feed()
}

// shown is the calendar as the rules and both parsers agree to have it.
func (y *yard) shown(a access.Address, now time.Time) (calendar.Feed, string) {
	y.t.Helper()
	f, err := y.look(a, now)
	if err != nil {
		y.t.Fatal(err)
	}
	return f, string(hold(y.t, f))
}

// told is an event in one line.
func told(e calendar.Event) string {
	form := "2 Jan 15:04"
	if e.WholeDays {
		form = "2 Jan"
	}
	busy := ""
	if e.Busy {
		busy = ", busy"
	}
	return fmt.Sprintf("%s until %s: %s (%s, %s%s)", e.From.UTC().Format(form), e.Until.UTC().Format(form), e.Summary, strings.ToLower(string(e.Status)), e.Category, busy)
}

func (y *yard) hold(a access.Address, now time.Time, want ...string) calendar.Feed {
	y.t.Helper()
	f, _ := y.shown(a, now)
	var got []string
	for _, e := range f.Events {
		got = append(got, told(e))
	}
	if diff := cmp.Diff(want, got); diff != "" {
		y.t.Errorf("%s (-want +got):\n%s", f.Name, diff)
	}
	return f
}

func TestWhatOneBorrows(t *testing.T) {
	t.Parallel()
	y := newYard(t)
	mine := y.subscribe(y.ada, calendar.OfMember, nil, false)
	r := y.reserve(y.ada, y.one, 3)
	y.reserve(y.bo, y.two, 3) // somebody else's
	f := y.hold(mine, today, "4 May 12:00 until 6 May 12:00: Reserved: 9 mm reamer, tool R-1 (confirmed, Reservation)")
	e := f.Events[0]
	// Lisbon is an hour ahead of UTC in May.
	if want := "Collect it at North Yard from Mon 4 May 2026, 13:00 (Europe/Lisbon) on, and bring it back by Wed 6 May 2026, 13:00 (Europe/Lisbon). Caution: Wear goggles. The maker's instructions, local codes and licensed practice come first."; e.About != want {
		t.Errorf("%q, want %q", e.About, want)
	}
	if e.Place != "North Yard, 4 Hollow Lane; behind the bakery" {
		t.Errorf("at %q", e.Place)
	}
	for _, c := range []struct{ sql, want, says string }{
		{`update reservation set offer_until = '2026-05-02 12:00Z' where club_id = $1 and id = $2`, "4 May 12:00 until 6 May 12:00: Offered: 9 mm reamer, tool R-1 (tentative, Reservation)", "by Sat 2 May 2026, 13:00"},
		{`update reservation set offer_until = null, approval = 'awaited' where club_id = $1 and id = $2`, "4 May 12:00 until 6 May 12:00: Waits for approval: 9 mm reamer, tool R-1 (tentative, Reservation)", "approve"},
		{`with r as (update reservation set approval = 'given' where club_id = $1 and id = $2) update booking set choice = 1, decide_by = '2026-05-03Z' where club_id = $1 and reservation_id = $2`,
			"4 May 12:00 until 6 May 12:00: To be decided: 9 mm reamer, tool R-1 (tentative, Reservation)", "by Sun 3 May 2026, 01:00"},
		{`update booking set choice = null, decide_by = null, endangered = 'late', endangered_at = '2026-05-01Z' where club_id = $1 and reservation_id = $2`,
			"4 May 12:00 until 6 May 12:00: Reserved, in doubt: 9 mm reamer, tool R-1 (confirmed, Reservation)", "late"},
	} {
		y.exec(c.sql, r)
		if f := y.hold(mine, today, c.want); !strings.Contains(f.Events[0].About, c.says) {
			t.Errorf("%q does not say %q", f.Events[0].About, c.says)
		}
	}
	// Collected two hours early; then late; then back.
	l := y.handOut(r, y.one, y.ada, today.AddDate(0, 0, 3).Add(-2*time.Hour))
	y.hold(mine, today, "4 May 10:00 until 6 May 12:00: Bring back by the end: 9 mm reamer, tool R-1 (confirmed, Loan)")
	y.exec(`update loan set late_at = '2026-05-06 12:05Z', version = version + 1 where club_id = $1 and id = $2`, l)
	y.hold(mine, today, "4 May 10:00 until 6 May 12:00: Late, bring back now: 9 mm reamer, tool R-1 (confirmed, Loan)")
	if _, text := y.shown(mine, today.AddDate(0, 0, 300)); !strings.Contains(text, "Late") {
		t.Error("a loan that is overdue for long is shown no more")
	}
	y.end(l, r, "returned", "returned", today.AddDate(0, 0, 6))
	y.hold(mine, today, "4 May 10:00 until 7 May 12:00: Brought back: 9 mm reamer, tool R-1 (confirmed, Loan)")
	y.hold(mine, today.AddDate(0, 0, 300))
}

func TestALoanThatIsPassedOn(t *testing.T) {
	t.Parallel()
	y := newYard(t)
	adas, bos, tools := y.subscribe(y.ada, calendar.OfMember, nil, false), y.subscribe(y.bo, calendar.OfMember, nil, false), y.subscribe(y.bo, calendar.OfTool, &y.one, true)
	r := y.reserve(y.ada, y.one, 0)
	first := y.handOut(r, y.one, y.ada, today)
	y.end(first, r, "handed_over", "out", today.Add(6*time.Hour))
	y.handOut(r, y.one, y.bo, today.Add(6*time.Hour))
	y.hold(adas, today, "1 May 12:00 until 1 May 18:00: Passed on: 9 mm reamer, tool R-1 (confirmed, Loan)")
	y.hold(bos, today, "1 May 18:00 until 3 May 12:00: Bring back by the end: 9 mm reamer, tool R-1 (confirmed, Loan)")
	y.hold(tools, today, "1 May 12:00 until 3 May 12:00: Out: 9 mm reamer, tool R-1, Bo Alder (M-72) (confirmed, Loan, busy)")
	undone := y.reserve(y.bo, y.two, 1)
	l := y.handOut(undone, y.two, y.bo, today)
	y.end(l, undone, "undone", "reserved", today.Add(time.Minute))
	y.hold(bos, today, "1 May 18:00 until 3 May 12:00: Bring back by the end: 9 mm reamer, tool R-1 (confirmed, Loan)", "2 May 12:00 until 4 May 12:00: Reserved: 9 mm reamer, tool R-2 (confirmed, Reservation)")
}

func TestWhatBecomesOfATool(t *testing.T) {
	t.Parallel()
	y := newYard(t)
	y.reserve(y.ada, y.one, 3)
	offered := y.reserve(y.bo, y.one, 8)
	y.exec(`update reservation set offer_until = '2026-05-02Z' where club_id = $1 and id = $2`, offered)
	lost := y.reserve(y.bo, y.one, -5)
	y.end(y.handOut(lost, y.one, y.bo, today.AddDate(0, 0, -5)), lost, "lost", "lost", today.AddDate(0, 0, -4))
	y.exec(`insert into calibration (club_id, id, tool_id, calibrated_on, due_on, expanded_nm, coverage_factor, member_id, recorded_at)
		values ($1, gen_random_uuid(), $2, '2024-06-01', '2025-06-01', 1000, 2, $3, '2025-06-01Z'), ($1, gen_random_uuid(), $2, '2025-06-01', '2026-06-01', 1000, 2, $3, '2025-06-01Z')`, y.one, y.ada)
	y.exec(`update tool set inspection_due_on = '2026-05-20', version = version + 1 where club_id = $1 and id = $2`, y.one)
	want := []string{
		"26 Apr 12:00 until 27 Apr 12:00: Lost: 9 mm reamer, tool R-1%s (confirmed, Loan)",
		"4 May 12:00 until 6 May 12:00: Reserved: 9 mm reamer, tool R-1%s (confirmed, Reservation, busy)",
		"9 May 12:00 until 11 May 12:00: Offered: 9 mm reamer, tool R-1%s (tentative, Reservation, busy)",
		"20 May until 21 May: Inspection due: 9 mm reamer, tool R-1 (confirmed, Inspection)",
		"1 Jun until 2 Jun: Calibration due: 9 mm reamer, tool R-1 (confirmed, Calibration)",
	}
	filled := func(who ...string) []string {
		out := slices.Clone(want)
		for i, w := range who {
			out[i] = fmt.Sprintf(out[i], w)
		}
		return out
	}
	y.hold(y.subscribe(y.bo, calendar.OfTool, &y.one, true), today, filled(", Bo Alder (M-72)", ", Ada Wren (M-71)", ", Bo Alder (M-72)")...)
	// Unless names were asked for nothing tells who it is.
	nameless := y.subscribe(y.bo, calendar.OfTool, &y.one, false)
	y.hold(nameless, today, filled("", "", "")...)
	_, text := y.shown(nameless, today)
	text = strings.ReplaceAll(text, "\r\n ", "")
	for _, secret := range []string{"Ada", "Wren", "Bo", "Alder", "M-71", "M-72", y.ada.String(), y.bo.String(), offered.String()} {
		if strings.Contains(text, secret) {
			t.Errorf("%s stands in a calendar without names", secret)
		}
	}
}

func TestWhatGoesOverAGaragesCounter(t *testing.T) {
	t.Parallel()
	y := newYard(t)
	here := y.subscribe(y.bo, calendar.OfGarage, &y.north, false)
	y.reserve(y.ada, y.one, 3)
	y.reserve(y.ada, y.remote, 3) // is collected at south
	brought := y.reserve(y.ada, y.remote, 30)
	y.exec(`update booking set garage_id = $3 where club_id = $1 and reservation_id = $2`, brought, y.north)
	sent := y.reserve(y.ada, y.two, 40) // of north, collected at south
	y.exec(`update booking set garage_id = $3 where club_id = $1 and reservation_id = $2`, sent, y.south)
	l := y.reserve(y.bo, y.two, -3)
	loan := y.handOut(l, y.two, y.bo, today.AddDate(0, 0, -3))
	y.exec(`update loan set late_at = '2026-04-30 12:05Z' where club_id = $1 and id = $2`, loan)
	y.exec(`insert into closure (club_id, id, garage_id, first_day, last_day, reason, member_id, recorded_at, withdrawn_at) values
		($1, gen_random_uuid(), $2, '2026-05-14', '2026-05-15', 'The roof is mended', $4, '2026-04-01Z', null),
		($1, gen_random_uuid(), null, '2026-12-24', '2026-12-24', '', $4, '2026-04-01Z', null),
		($1, gen_random_uuid(), $3, '2026-05-16', '2026-05-16', 'South only', $4, '2026-04-01Z', null),
		($1, gen_random_uuid(), $2, '2026-05-17', '2026-05-17', 'Withdrawn', $4, '2026-04-01Z', '2026-04-02Z')`, y.north, y.south, y.ada)
	y.hold(here, today,
		"28 Apr 12:00 until 28 Apr 12:15: Went out: 9 mm reamer, tool R-2 (confirmed, Loan)",
		"30 Apr 12:00 until 30 Apr 12:15: Late, was to come back: 9 mm reamer, tool R-2 (confirmed, Loan)",
		"4 May 12:00 until 4 May 12:15: Goes out: 9 mm reamer, tool R-1 (confirmed, Reservation)",
		"6 May 12:00 until 6 May 12:15: Comes back: 9 mm reamer, tool R-1 (confirmed, Reservation)",
		"14 May until 16 May: Closed: North Yard (confirmed, Closure)",
		"31 May 12:00 until 31 May 12:15: Goes out: 9 mm reamer, tool S-1 (confirmed, Reservation)",
		"2 Jun 12:00 until 2 Jun 12:15: Comes back: 9 mm reamer, tool S-1 (confirmed, Reservation)",
		"24 Dec until 25 Dec: The whole club is closed (confirmed, Closure)")
	if _, text := y.shown(here, today.AddDate(0, 0, 200)); !strings.Contains(strings.ReplaceAll(text, "\r\n ", ""), `Late\, was to come back`) {
		t.Error("what is overdue for long is shown no more")
	}
}

// Who polls gets the same bytes until something changes; each change of a
// reservation changes its event, never goes back (RFC 5545, 3.8.7.4), and leaves its
// UID (3.8.4.7).
func TestNothingButAChangeChangesACalendar(t *testing.T) {
	t.Parallel()
	y := newYard(t)
	mine := y.subscribe(y.ada, calendar.OfMember, nil, false)
	r := y.reserve(y.ada, y.one, 3)
	midnight := today.Truncate(24 * time.Hour)
	var f calendar.Feed
	var text string
	for _, at := range []time.Time{midnight, today, midnight.Add(24*time.Hour - time.Microsecond), midnight.AddDate(0, 0, 30).Add(time.Second)} {
		now, same := y.shown(mine, at)
		if text != "" && same != text {
			t.Fatalf("at %s other bytes without a change:\n%s", at, cmp.Diff(text, same))
		}
		f, text = now, same
	}
	later := today
	change := func(what, sql string, args ...any) {
		t.Helper()
		later = later.Add(time.Minute)
		y.exec(sql, append([]any{r}, args...)...)
		was := f.Events[0]
		var now string
		f, now = y.shown(mine, today)
		e := f.Events[0]
		if now == text || e.Sequence <= was.Sequence || e.Changed.Before(was.Changed) || e.UID != was.UID {
			t.Errorf("%s: sequence %d after %d, changed at %s after %s, UID %s after %s", what, e.Sequence, was.Sequence, e.Changed, was.Changed, e.UID, was.UID)
		}
		text = now
	}
	change("another period", `with b as (update booking set period = tstzrange('2026-05-05Z', '2026-05-06Z'), held = tstzrange('2026-05-05Z', '2026-05-06 02:00Z') where club_id = $1 and reservation_id = $2)
		update reservation set changed_at = $3, version = version + 1 where club_id = $1 and id = $2`, later)
	change("moved to an equal", `with b as (update booking set tool_id = $3 where club_id = $1 and reservation_id = $2) update reservation set changed_at = $4, version = version + 1 where club_id = $1 and id = $2`, y.two, later)
	l := y.handOut(r, y.two, y.ada, later)
	change("handed out", `select $1::uuid, $2::uuid`)
	change("late", `update loan set late_at = $3, version = version + 1 where club_id = $1 and reservation_id = $2`, later)
	y.end(l, r, "returned", "returned", later)
	change("returned", `select $1::uuid, $2::uuid`)

	r = y.reserve(y.bo, y.one, 3)
	mine = y.subscribe(y.bo, calendar.OfMember, nil, false)
	f, text = y.shown(mine, today)
	change("cancelled", `with b as (update booking set state = 'cancelled' where club_id = $1 and reservation_id = $2) update reservation set cancelled_at = $3, changed_at = $3, version = version + 1 where club_id = $1 and id = $2`, later)
}

// What was cancelled is told as such (RFC 5545, 3.8.1.11), for 90 days.
func TestWhatWasCancelledStaysForAWhile(t *testing.T) {
	t.Parallel()
	y := newYard(t)
	r := y.reserve(y.ada, y.one, 200)
	y.exec(`with b as (update booking set state = 'cancelled' where club_id = $1 and reservation_id = $2) update reservation set cancelled_at = $3, changed_at = $3, version = version + 1 where club_id = $1 and id = $2`, r, today)
	for _, c := range []struct {
		of   calendar.Subject
		id   *uuid.UUID
		want []string
	}{
		{calendar.OfMember, nil, []string{"17 Nov 12:00 until 19 Nov 12:00: Cancelled: 9 mm reamer, tool R-1 (cancelled, Reservation)"}},
		{calendar.OfTool, &y.one, []string{"17 Nov 12:00 until 19 Nov 12:00: Cancelled: 9 mm reamer, tool R-1 (cancelled, Reservation)"}},
		{calendar.OfGarage, &y.north, []string{"17 Nov 12:00 until 17 Nov 12:15: Cancelled, does not go out: 9 mm reamer, tool R-1 (cancelled, Reservation)",
			"19 Nov 12:00 until 19 Nov 12:15: Cancelled, does not come back: 9 mm reamer, tool R-1 (cancelled, Reservation)"}},
	} {
		a := y.subscribe(y.ada, c.of, c.id, false)
		y.hold(a, today, c.want...)
		y.hold(a, today.AddDate(0, 0, 90), c.want...)
		y.hold(a, today.AddDate(0, 0, 91))
	}
}

func TestWhatLiesFarOffIsNotShown(t *testing.T) {
	t.Parallel()
	y := newYard(t)
	for _, days := range []int{-94, -91, 399, 402} {
		y.reserve(y.ada, y.one, days)
	}
	want := []string{"30 Jan 12:00 until 1 Feb 12:00", "4 Jun 12:00 until 6 Jun 12:00"}
	for of, id := range map[calendar.Subject]*uuid.UUID{calendar.OfMember: nil, calendar.OfTool: &y.one} {
		f, _ := y.shown(y.subscribe(y.ada, of, id, false), today)
		var got []string
		for _, e := range f.Events {
			got = append(got, strings.SplitN(told(e), ": ", 2)[0])
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("of a %s (-want +got):\n%s", of, diff)
		}
	}
}

// Of more than fits the nearest to today are shown, in one order.
func TestACalendarIsBounded(t *testing.T) {
	t.Parallel()
	y := newYard(t)
	const numbered = `select n, md5(n::text)::uuid as id from generate_series(0, 1199) n`
	y.exec(`insert into reservation (club_id, id, member_id, created_at) select $1, id, $2, '2026-01-01Z' from (`+numbered+`) r`, y.ada)
	y.exec(`insert into booking (club_id, reservation_id, line, tool_id, period, held) select $1, id, 0, $2, tstzrange(at, at + '2h'), tstzrange(at, at + '3h')
		from (select id, $3::timestamptz + (n - 100) * interval '3h' as at from (`+numbered+`) r) n`, y.one, today)
	for of, id := range map[calendar.Subject]*uuid.UUID{calendar.OfMember: nil, calendar.OfTool: &y.one} {
		a := y.subscribe(y.ada, of, id, false)
		f, text := y.shown(a, today)
		if len(f.Events) != calendar.Most {
			t.Fatalf("%d events", len(f.Events))
		}
		if first := f.Events[0].From; !first.Equal(today.Add(-300 * time.Hour)) {
			t.Errorf("of a %s the first begins at %s", of, first)
		}
		if _, again := y.shown(a, today.Add(time.Hour)); again != text {
			t.Errorf("of a %s others are shown an hour later", of)
		}
	}
}

// An address shows nothing any more once it was revoked or whose it is has left,
// and nobody is told why.
func TestAnAddressEnds(t *testing.T) {
	t.Parallel()
	y := newYard(t)
	y.reserve(y.ada, y.one, 3)
	none := func(what string, a access.Address, now time.Time) {
		t.Helper()
		if f, err := y.look(a, now); !errors.Is(err, calendar.ErrNone) || len(f.Events) > 0 {
			t.Errorf("%s: %v %v", what, f, err)
		}
	}
	revoked, other, guests := y.subscribe(y.ada, calendar.OfMember, nil, false), y.subscribe(y.ada, calendar.OfTool, &y.one, false), y.subscribe(y.bo, calendar.OfGarage, &y.north, false)
	for _, a := range []access.Address{revoked, other, guests} {
		y.shown(a, today)
	}
	none("never made", access.NewAddress(y.club), today)
	y.exec(`update calendar set revoked_at = $3 where club_id = $1 and hash = $2`, revoked.Hash(), today)
	none("revoked", revoked, today)
	y.shown(other, today)
	y.exec(`update member set host_id = $2, guest_last_day = '2026-05-01', guest_until = '2026-05-01 23:00Z' where club_id = $1 and id = $3`, y.ada, y.bo)
	y.shown(guests, today)
	none("of a guest whose stay is over", guests, today.Add(12*time.Hour))
	y.exec(`update member set disabled_at = $3 where club_id = $1 and id = $2`, y.ada, today)
	none("of a member who was disabled", other, today)
	none("of a guest whose host was disabled", guests, today)
}
