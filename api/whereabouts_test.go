package api_test

import (
	"crypto/sha256"
	"encoding/base64"
	"fmt"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
)

// The rows that promises and loans leave are written here past the service: what is
// tested is what is read of them.

func (w *world) sql(sql string, args ...any) {
	w.t.Helper()
	if _, err := w.db.Owner.Exec(w.t.Context(), sql, append([]any{w.club.ClubID}, args...)...); err != nil {
		w.t.Fatalf("%s: %v", sql, err)
	}
}

// noon sets the clock to the next noon in Lisbon, where stock's garage is, and
// returns it.
func (w *world) noon() time.Time {
	w.t.Helper()
	zone, err := time.LoadLocation("Europe/Lisbon")
	if err != nil {
		w.t.Fatal(err)
	}
	now := w.clock.now().In(zone)
	noon := time.Date(now.Year(), now.Month(), now.Day()+1, 12, 0, 0, 0, zone)
	w.clock.advance(noon.Sub(w.clock.now()))
	return noon.UTC()
}

// promise puts a tool aside for a member and returns the reservation's id.
func (w *world) promise(tool, member string, from, until time.Time) uuid.UUID {
	w.t.Helper()
	id := uuid.Must(uuid.NewV7())
	w.sql(`insert into reservation (club_id, id, member_id, created_at) values ($1, $2, (select id from member where club_id = $1 and number = $3), $4)`, id, member, w.clock.now())
	w.sql(`insert into booking (club_id, reservation_id, line, tool_id, period, held) values ($1, $2, 0, (select id from tool where club_id = $1 and number = $3), tstzrange($4, $5), tstzrange($4, $5))`, id, tool, from, until)
	return id
}

// lend hands a tool out to a member and returns the loan's id.
func (w *world) lend(tool, member string, from, due time.Time) uuid.UUID {
	w.t.Helper()
	reservation, act, id := w.promise(tool, member, from, due), uuid.Must(uuid.NewV7()), uuid.Must(uuid.NewV7())
	w.sql(`update booking set state = 'out' where club_id = $1 and reservation_id = $2`, reservation)
	w.sql(`insert into counter_act (club_id, id, kind, by_member, garage_id, occurred_at, recorded_at)
		select $1, $2, 'handout', $3, t.garage_id, $4, $4 from tool t where t.club_id = $1 and t.number = $5`, act, w.club.OfficerID, from, tool)
	w.sql(`insert into loan (club_id, id, reservation_id, line, tool_id, member_id, handout_id, collected_at, held_before, recorded_at)
		select $1, $2, b.reservation_id, 0, b.tool_id, r.member_id, $4, $5, b.held, $5 from booking b join reservation r on r.club_id = b.club_id and r.id = b.reservation_id
		where b.club_id = $1 and b.reservation_id = $3`, id, reservation, act, from)
	return id
}

// giveBack takes a loan's tool back at a garage.
func (w *world) giveBack(loan uuid.UUID, at time.Time, garage, condition string) {
	w.t.Helper()
	act := uuid.Must(uuid.NewV7())
	w.sql(`insert into counter_act (club_id, id, kind, by_member, garage_id, occurred_at, recorded_at)
		values ($1, $2, 'return', $3, (select id from garage where club_id = $1 and code = $4), $5, $5)`, act, w.club.OfficerID, garage, at)
	w.sql(`update booking set state = 'returned' where (club_id, reservation_id) = (select club_id, reservation_id from loan where club_id = $1 and id = $2)`, loan)
	w.sql(`update loan set ended = 'returned', ended_at = $3, return_id = $4, condition_in = $5, note_in = 'a tooth is chipped' where club_id = $1 and id = $2`, loan, at, act, condition)
}

// tools lists the numbers of the tools in a list of a day.
func (r *response) tools(list string) string {
	r.t.Helper()
	var out []string
	items, _ := r.get(list).([]any)
	for i := range items {
		out = append(out, r.str(list, i, "tool_number"))
	}
	return strings.Join(out, " ")
}

func TestTheDayOfAGarage(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.stock([3]string{"reamer-9", "R-1"}, [3]string{"reamer-9", "R-2"}, [3]string{"puller", "P-1"}, [3]string{"puller", "P-2"}, [3]string{"press", "X-1"}, [3]string{"press", "X-2", "quarantine"},
		[3]string{"press", "X-3"}, [3]string{"press", "X-4"}, [3]string{"press", "X-5"}, [3]string{"press", "X-6", "lost"})
	w.stockAt("shed", "Europe/Lisbon", [3]string{"puller", "S-1"}, [3]string{"puller", "S-2", "quarantine"}, [3]string{"puller", "S-3"})
	w.stockAt("yard", "Europe/Lisbon")
	empty := w.do("GET", w.at("garages/yard/today?day=2001-01-01"), w.as("auditor"), nil).want(200)
	if empty.tools("going_out")+empty.tools("back")+empty.tools("late")+empty.tools("out") != "" || !strings.Contains(empty.str("summary"), "nothing goes out") {
		t.Errorf("a day of nothing: %s", empty.body)
	}
	now := w.noon()
	w.guest("G-1", "M1", 20)
	w.as("member")
	hour := func(n int) time.Time { return now.Add(time.Duration(n) * time.Hour) }
	w.lend("R-1", "G-1", hour(-50), hour(-2)) // late
	w.lend("R-2", "T-member", hour(-50), hour(6))
	w.lend("P-1", "M1", hour(-50), hour(100))
	going := w.promise("P-2", "T-member", hour(1), hour(40))
	w.sql(`update booking set endangered = 'late', endangered_at = $3 where club_id = $1 and reservation_id = $2`, going, now)
	w.promise("X-1", "M1", hour(2), hour(5))   // out and back today
	w.promise("X-3", "M1", hour(13), hour(20)) // tomorrow
	w.promise("S-1", "M1", hour(1), hour(2))   // elsewhere
	awaited, offered := w.promise("X-4", "M1", hour(30), hour(40)), w.promise("X-5", "M1", hour(30), hour(40))
	w.sql(`update reservation set approval = 'awaited' where club_id = $1 and id = $2`, awaited)
	w.sql(`update reservation set offer_until = $3 where club_id = $1 and id = $2`, offered, hour(3))
	w.sql(`update tool set inspection_due_on = $2 where club_id = $1 and number = 'X-3'`, now)
	w.sql(`update tool set place_garage_id = (select id from garage where club_id = $1 and code = 'dock') where club_id = $1 and number = 'S-2'`)
	w.sql(`update tool_model set deposit_minor = 2500, parts = 4 where club_id = $1 and code = 'puller'`)
	loanOfShed := w.lend("S-3", "M1", hour(-4), hour(90))
	w.sql(`update booking set garage_id = (select id from garage where club_id = $1 and code = 'dock') where (club_id, reservation_id) = (select club_id, reservation_id from loan where club_id = $1 and id = $2)`, loanOfShed)

	day := w.do("GET", w.at("garages/dock/today"), w.as("auditor"), nil).want(200)
	for list, want := range map[string]string{"going_out": "P-2 X-1", "back": "X-1 R-2", "late": "R-1", "out": "S-3 P-1", "to_inspect": "S-2 X-2 X-3", "offers": "X-5", "approvals": "X-4"} {
		if got := day.tools(list); got != want {
			t.Errorf("%s: %q, want %q", list, got, want)
		}
	}
	for _, want := range []string{"Today, ", "at dock: 2 tools go out, 2 come back, 1 is late, 2 more are out, 3 are to be inspected.", "Of what goes out, 1 may not be there.", "1 tool awaits an approval.", "1 tool is offered"} {
		if !strings.Contains(day.str("summary"), want) {
			t.Errorf("%q is not told in %q", want, day.str("summary"))
		}
	}
	if day.str("going_out", 0, "endangered") != "late" || day.str("going_out", 0, "caution") != "Mind the edges of puller." || day.num("going_out", 0, "deposit", "minor") != 2500 || day.num("going_out", 0, "parts") != 4 {
		t.Errorf("what goes out: %s", day.body)
	}
	if day.str("late", 0, "member", "host", "number") != "M1" || day.get("late", 0, "late") != true || !strings.Contains(day.str("late", 0, "text"), "guest of Odile Farrow (M1), was due") {
		t.Errorf("what is late: %s", day.body)
	}
	if day.str("to_inspect", 2, "why", 0) != "inspection_due" || day.str("to_inspect", 0, "why", 0) != "quarantine" {
		t.Errorf("to inspect: %s", day.body)
	}
	tomorrow := w.do("GET", w.at("garages/dock/today?day="+hour(24).Format(time.DateOnly)), w.officer, nil).want(200)
	if got := tomorrow.tools("going_out"); got != "X-3 X-4" || !strings.HasPrefix(tomorrow.str("summary"), "On ") {
		t.Errorf("tomorrow %q goes out: %s", got, tomorrow.str("summary"))
	}
	w.do("GET", w.at("garages/nowhere/today"), w.officer, nil).want(404)
	w.do("GET", w.at("garages/dock/today?day=tomorrow"), w.officer, nil).want(422).wantFault("?day")
}

// Lisbon put its clocks forward on 2027-03-28 and back on 2027-10-31, at 01:00
// UTC (Directive 2000/84/EC: last Sundays of March and October).
func TestTheDayIsTheGaragesOwn(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.stock([3]string{"reamer-9", "R-1"})
	w.stockAt("far", "Pacific/Kiritimati", [3]string{"puller", "K-1"})
	for day, want := range map[string]struct {
		begins string
		hours  time.Duration
	}{"2027-03-27": {"2027-03-27T00:00:00Z", 24}, "2027-03-28": {"2027-03-28T00:00:00Z", 23}, "2027-03-29": {"2027-03-28T23:00:00Z", 24}, "2027-10-31": {"2027-10-30T23:00:00Z", 25}} {
		begins, err := time.Parse(time.RFC3339, want.begins)
		if err != nil {
			t.Fatal(err)
		}
		ends := begins.Add(want.hours * time.Hour)
		id := w.promise("R-1", "M1", ends.Add(-time.Minute), ends.Add(time.Hour))
		seen := w.do("GET", w.at("garages/dock/today?day="+day), w.officer, nil).want(200).wantTime(begins, "begins").wantTime(ends, "ends")
		if seen.tools("going_out") != "R-1" {
			t.Errorf("%s: a minute before the end %q goes out", day, seen.tools("going_out"))
		}
		w.sql(`update booking set period = tstzrange($3, $4), held = tstzrange($3, $4) where club_id = $1 and reservation_id = $2`, id, ends, ends.Add(time.Hour))
		if seen := w.do("GET", w.at("garages/dock/today?day="+day), w.officer, nil).want(200); seen.tools("going_out") != "" {
			t.Errorf("%s: at the end %q goes out", day, seen.tools("going_out"))
		}
		w.sql(`update booking set state = 'cancelled' where club_id = $1 and reservation_id = $2`, id)
	}
	zone, err := time.LoadLocation("Pacific/Kiritimati")
	if err != nil {
		t.Fatal(err)
	}
	if today := w.do("GET", w.at("garages/far/today"), w.officer, nil).want(200); today.str("day") != w.clock.now().In(zone).Format(time.DateOnly) {
		t.Errorf("on Kiritimati it is %s: %s", w.clock.now().In(zone), today.body)
	}
}

func TestWhereAToolIs(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.stock([3]string{"reamer-9", "R-1"})
	now := w.noon()
	hour := func(n int) time.Time { return now.Add(time.Duration(n) * time.Hour) }
	w.as("member")
	may := func(token string) string {
		t.Helper()
		r := w.do("GET", w.at("tools/R-1"), token, nil).want(200)
		var out []string
		list, _ := r.get("may").([]any)
		for i := range list {
			if may, _ := r.get("may", i, "may").(bool); may {
				out = append(out, r.str("may", i, "act"))
			} else if r.str("may", i, "why_not") == "" {
				t.Errorf("%s is not allowed, and not why: %s", r.str("may", i, "act"), r.body)
			}
		}
		return strings.Join(out, " ")
	}
	in := w.do("GET", w.at("tools/R-1"), w.officer, nil).want(200)
	if in.str("where", "garage") != "dock" || in.str("where", "text") != "At dock." || in.get("next") != nil || in.get("where", "with") != nil {
		t.Errorf("in the house: %s", in.body)
	}
	for token, want := range map[string]string{w.as("tool_keeper"): "reserve hand_out inspect", w.as("member"): "reserve", w.as("auditor"): ""} {
		if got := may(token); got != want {
			t.Errorf("in the house one may %q, want %q", got, want)
		}
	}
	loan := w.lend("R-1", "T-member", hour(-10), hour(20))
	next := w.promise("R-1", "M1", hour(30), hour(40))
	w.promise("R-1", "T-member", hour(50), hour(60))
	out := w.do("GET", w.at("tools/R-1"), w.officer, nil, header{"If-None-Match", in.header.Get("ETag")}).want(200)
	if out.str("where", "with", "number") != "T-member" || out.str("where", "loan_id") != loan.String() || out.get("where", "late") != false ||
		out.str("next", "reservation_id") != next.String() || out.str("next", "member", "number") != "M1" {
		t.Errorf("out: %s", out.body)
	}
	out.wantTime(hour(-10), "where", "since").wantTime(hour(20), "where", "due").wantTime(hour(30), "next", "from").wantTime(hour(40), "next", "until")
	if !strings.Contains(out.str("where", "text"), "With Member with member (T-member) since") || !strings.Contains(out.str("where", "text"), "Next for Odile Farrow (M1)") {
		t.Errorf("in words: %s", out.str("where", "text"))
	}
	w.do("GET", w.at("tools/R-1"), w.officer, nil, header{"If-None-Match", out.header.Get("ETag")}).want(304)
	for token, want := range map[string]string{w.as("tool_keeper"): "reserve take_back extend report_lost inspect", w.as("member"): "reserve extend hand_over", w.as("treasurer"): ""} {
		if got := may(token); got != want {
			t.Errorf("out one may %q, want %q", got, want)
		}
	}
	w.clock.advance(21 * time.Hour)
	if late := w.do("GET", w.at("tools/R-1"), w.officer, nil).want(200); late.get("where", "late") != true || !strings.Contains(late.str("where", "text"), "late since") {
		t.Errorf("late: %s", late.body)
	}
	w.giveBack(loan, hour(21), "dock", "worn")
	// The ETag serves for an edit, whatever happened to the tool meanwhile.
	w.do("PATCH", w.at("tools/R-1"), w.officer, row{"state": "lost"}, header{"If-Match", out.header.Get("ETag")}).want(200)
	if lost := w.do("GET", w.at("tools/R-1"), w.officer, nil).want(200); !strings.HasPrefix(lost.str("where", "text"), "Lost; it was last at dock.") {
		t.Errorf("lost: %s", lost.body)
	}
	if got := may(w.as("tool_keeper")); got != "found" {
		t.Errorf("of a lost tool a keeper may %q", got)
	}
	device := w.do("POST", w.at("tokens"), w.officer, row{"id": newID(), "label": "phone", "kind": "device"}).want(201).str("token")
	if got := may(device); got != "" {
		t.Errorf("a token that only looks may %q", got)
	}
}

func TestHistoryOfATool(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.stock([3]string{"reamer-9", "R-1"}, [3]string{"reamer-9", "R-2"})
	w.stockAt("shed", "Europe/Lisbon")
	now := w.noon()
	w.as("member")
	day := func(n int) time.Time { return now.AddDate(0, 0, n) }
	first := w.lend("R-1", "T-member", day(-20), day(-10))
	w.giveBack(first, day(-9), "shed", "damaged")
	undone := w.lend("R-1", "M1", day(-8), day(-7))
	w.sql(`update booking set state = 'cancelled' where (club_id, reservation_id) = (select club_id, reservation_id from loan where club_id = $1 and id = $2)`, undone)
	w.sql(`update loan set ended = 'undone', ended_at = $3 where club_id = $1 and id = $2`, undone, day(-8))
	w.do("PATCH", w.at("tools/R-1"), w.officer, row{"state": "quarantine"}, header{"If-Match", "*"}).want(200)
	w.clock.advance(time.Hour)
	w.do("PATCH", w.at("tools/R-1"), w.officer, row{"state": "in_service", "garage": "shed"}, header{"If-Match", "*"}).want(200)
	w.do("PATCH", w.at("tools/R-1"), w.officer, row{"note": "oiled"}, header{"If-Match", "*"}).want(200) // moves nothing
	w.sql(`insert into inspection (club_id, id, tool_id, verdict, condition, note, next_due_on, inspected_at, member_id, recorded_at)
		select $1, $2, t.id, 'usable', 'worn', 'for keepers only', '2030-05-01', $3, $4, $3 from tool t where t.club_id = $1 and t.number = 'R-1'`, uuid.New(), now.Add(90*time.Minute), w.club.OfficerID)
	w.clock.advance(time.Hour)
	second := w.lend("R-1", "M1", day(0).Add(2*time.Hour), day(1))
	w.sql(`update booking set state = 'lost' where (club_id, reservation_id) = (select club_id, reservation_id from loan where club_id = $1 and id = $2)`, second)
	w.sql(`update loan set ended = 'lost', ended_at = $3 where club_id = $1 and id = $2`, second, day(2))
	w.lend("R-2", "M1", day(-3), day(3)) // another tool

	all := w.do("GET", w.at("tools/R-1/history"), w.as("auditor"), nil).want(200)
	want := []struct{ what, text string }{{"lost", "Lost while with Odile Farrow (M1)."}, {"went_out", "Went out to Odile Farrow (M1) at shed, good."}, {"inspected", "Inspected, worn; due again 1 May 2030."}, {"changed", "In service again, lives at shed now."},
		{"changed", "In quarantine."}, {"came_back", "Came back from Member with member (T-member) at shed, damaged, late."}, {"went_out", "Went out to Member with member (T-member) at dock, good."}}
	list, _ := all.get("items").([]any)
	if len(list) != len(want) {
		t.Fatalf("%d of %d: %s", len(list), len(want), all.body)
	}
	for i, tc := range want {
		if all.str("items", i, "what") != tc.what || all.str("items", i, "text") != tc.text {
			t.Errorf("%d: %s %q, want %s %q", i, all.str("items", i, "what"), all.str("items", i, "text"), tc.what, tc.text)
		}
	}
	all.wantTime(now.Add(time.Hour), "items", 3, "at").wantTime(now, "items", 4, "at").wantTime(day(-9), "items", 5, "at")
	if all.str("items", 5, "note") != "a tooth is chipped" || all.get("items", 5, "late") != true || all.str("items", 5, "by") != "M1" || all.get("items", 4, "id") != nil || strings.Contains(string(all.body), "keepers only") {
		t.Errorf("what came back: %s", all.body)
	}
	// A page at a time is the same list.
	var paged []string
	at := w.at("tools/R-1/history?limit=1")
	for range want {
		page := w.do("GET", at, w.officer, nil).want(200)
		paged = append(paged, page.str("items", 0, "text"))
		at = w.at("tools/R-1/history?limit=1&cursor=" + page.str("next"))
	}
	for i, tc := range want {
		if paged[i] != tc.text {
			t.Errorf("page %d: %q, want %q", i, paged[i], tc.text)
		}
	}
	sheet := w.do("GET", w.at("tools/R-1/history"), w.officer, nil, header{"Accept", "text/csv"}).want(200)
	rows := strings.Split(strings.TrimSuffix(string(sheet.body), "\r\n"), "\r\n")
	if len(rows) != len(want)+1 || !strings.HasPrefix(rows[0], "at,what,") || !strings.Contains(rows[6], "a tooth is chipped") {
		t.Errorf("as CSV:\n%s", sheet.body)
	}
	w.do("GET", w.at("tools/nothing/history"), w.officer, nil).want(404)
	w.do("GET", w.at("tools/R-1/history?cursor=eyJiIjoiIn0"), w.officer, nil).want(422).wantFault("?cursor")
}

func TestSheetForTheCupboard(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.stock([3]string{"reamer-9", "R-1"}, [3]string{"press", "X-2", "quarantine"}, [3]string{"press", "X-3", "lost"})
	w.stockAt("shed", "Europe/Lisbon", [3]string{"puller", "S-1"})
	w.sql(`update tool_model set name = 'Reamer <9> & co', deposit_minor = 2500, certificate_needed = true where club_id = $1 and code = 'reamer-9'`)
	for paper, size := range map[string]string{"a4": "A4", "letter": "letter"} {
		r := w.do("GET", w.at("garages/dock/cupboard-sheet?page="+paper), w.as("auditor"), nil).want(200)
		page := string(r.body)
		if got := r.header.Get("Content-Type"); got != "text/html; charset=utf-8" {
			t.Errorf("Content-Type %q", got)
		}
		styleIsAllowedByItsHash(t, r)
		for _, want := range []string{"@page{size:" + size + ";", "<!doctype html>", `<html lang="en">`, "R-1", "Reamer &lt;9&gt; &amp; co", "Deposit 25.00 EUR", "Mind the edges of reamer-9.", "In quarantine: not to be taken.", "Only for who holds its certificate.", "Who took it", "thead"} {
			if !strings.Contains(page, want) {
				t.Errorf("%s: %q is missing", paper, want)
			}
		}
		for _, no := range []string{"<script", "X-3", "S-1", " style=", "http-equiv", "<link", "<img"} {
			if strings.Contains(page, no) {
				t.Errorf("%s: holds %q", paper, no)
			}
		}
		if n := strings.Count(page, "<svg"); n != 2 {
			t.Errorf("%s: %d codes for 2 tools", paper, n)
		}
	}
	after := string(w.do("GET", w.at("garages/dock/cupboard-sheet?after=R-1"), w.officer, nil).want(200).body)
	if strings.Contains(after, ">R-1<") || !strings.Contains(after, ">X-2<") {
		t.Error("it does not continue behind R-1")
	}
	w.do("GET", w.at("garages/nowhere/cupboard-sheet"), w.officer, nil).want(404)
	w.do("GET", w.at("garages/dock/cupboard-sheet?page=a5"), w.officer, nil).want(422).wantFault("?page")
}

// styleIsAllowedByItsHash holds a page to a policy that allows its one style and
// nothing else (CSP Level 3, 2.3.1).
func styleIsAllowedByItsHash(t *testing.T, r *response) {
	t.Helper()
	page := string(r.body)
	_, rest, _ := strings.Cut(page, "<style>")
	style, _, found := strings.Cut(rest, "</style>")
	policy := r.header.Get("Content-Security-Policy")
	if !found || strings.Count(page, "<style") != 1 || !strings.Contains(policy, "style-src '"+hashSource(style)+"'") || !strings.Contains(policy, "default-src 'none'") || strings.Contains(policy, "unsafe") || strings.Contains(policy, "script-src") {
		t.Errorf("%s: the style is not allowed by its hash alone: %s", r.what, policy)
	}
	if r.header.Get("Cache-Control") != "no-store" || r.status != http.StatusOK {
		t.Errorf("%s: may be kept: %s", r.what, r.header.Get("Cache-Control"))
	}
}

func TestPictureOfAToolsTime(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.stock([3]string{"reamer-9", "R-1"})
	now := w.noon()
	w.as("member")
	day := func(n int) time.Time { return now.AddDate(0, 0, n) }
	at := w.at("tools/R-1/timeline/picture")
	title, desc := pictureIn(t, w.do("GET", at, w.officer, nil).want(200))
	if title != "R-1, reamer-9" || !strings.Contains(desc, "Nothing happened to it") {
		t.Errorf("of a new tool: %q, %q", title, desc)
	}
	past := w.lend("R-1", "T-member", day(-40), day(-30))
	w.giveBack(past, day(-28), "dock", "good")
	w.do("PATCH", w.at("tools/R-1"), w.officer, row{"state": "quarantine"}, header{"If-Match", "*"}).want(200)
	w.clock.advance(72 * time.Hour)
	w.do("PATCH", w.at("tools/R-1"), w.officer, row{"state": "in_service"}, header{"If-Match", "*"}).want(200)
	w.lend("R-1", "M1", day(3), day(5))
	w.clock.advance(72 * time.Hour) // a day late
	w.promise("R-1", "T-member", day(10), day(12))
	r := w.do("GET", at, w.officer, nil).want(200)
	_, desc = pictureIn(t, r)
	for _, want := range []string{"With Odile Farrow (M1)", "late since", "with T-member, ", "Promised: for T-member", "quarantine, "} {
		if !strings.Contains(desc, want) {
			t.Errorf("%q is not told in %q", want, desc)
		}
	}
	w.do("GET", at, w.officer, nil, header{"If-None-Match", r.header.Get("ETag")}).want(304)
	_, desc = pictureIn(t, w.do("GET", at+"?from="+day(-41).Format(time.DateOnly)+"&until="+day(-20).Format(time.DateOnly)+"&scheme=dark", w.officer, nil).want(200))
	if strings.Contains(desc, "Promised:") || !strings.Contains(desc, "with T-member") {
		t.Errorf("of some weeks it tells %q", desc)
	}
	w.do("GET", at+"?from=2026-05-02&until=2026-05-01", w.officer, nil).want(422).wantFault("?until")
	w.do("GET", at+"?from=2000-05-02", w.officer, nil).want(422).wantFault("?until")
	w.do("GET", w.at("tools/nothing/timeline/picture"), w.officer, nil).want(404)
}

func TestPictureOfTheNextWeeks(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.stock([3]string{"reamer-9", "R-1"}, [3]string{"reamer-9", "R-2"}, [3]string{"press", "X-2", "quarantine"}, [3]string{"press", "X-3", "retired"})
	w.stockAt("shed", "Europe/Lisbon", [3]string{"puller", "S-1"})
	now := w.noon()
	day := func(n int) time.Time { return now.AddDate(0, 0, n) }
	w.lend("R-1", "M1", day(-3), day(-1))
	w.promise("S-1", "M1", day(2), day(4))
	w.sql(`insert into closure (club_id, id, garage_id, first_day, last_day, member_id, recorded_at) values ($1, $2, (select id from garage where club_id = $1 and code = 'shed'), $3, $4, $5, '2026-01-01')`, uuid.New(), day(5), day(6), w.club.OfficerID)
	r := w.do("GET", w.at("wall-chart/picture"), w.officer, nil).want(200)
	title, desc := pictureIn(t, r)
	for _, want := range []string{"0 out, 1 late, 1 promised", "R-1 reamer-9: with M1 since", "late since", "S-1 puller: for M1", "X-2 press: in quarantine", "1 tool free all the time", "Shown are " + now.AddDate(0, 0, -(int(now.Weekday())+6)%7).Format("2 Jan 2006")} {
		if !strings.Contains(desc, want) {
			t.Errorf("%q is not told in %q", want, desc)
		}
	}
	if title != "Tools of the club" || strings.Contains(desc, "X-3") || strings.Contains(desc, "Closed") {
		t.Errorf("%q: %q", title, desc)
	}
	w.do("GET", w.at("wall-chart/picture"), w.officer, nil, header{"If-None-Match", r.header.Get("ETag")}).want(304)
	title, desc = pictureIn(t, w.do("GET", w.at("wall-chart/picture?garage=shed&weeks=2&scheme=dark"), w.officer, nil).want(200))
	if title != "Tools of shed" || strings.Contains(desc, "R-1") || !strings.Contains(desc, fmt.Sprintf("Closed: %s to %s", day(5).Format("2 Jan"), day(6).Format("2 Jan"))) {
		t.Errorf("of the shed: %q, %q", title, desc)
	}
	_, desc = pictureIn(t, w.do("GET", w.at("wall-chart/picture?from="+day(20).Format(time.DateOnly)), w.officer, nil).want(200))
	if !strings.Contains(desc, "0 promised") {
		t.Errorf("later weeks: %q", desc)
	}
	w.do("GET", w.at("wall-chart/picture?garage=nowhere"), w.officer, nil).want(422).wantFault("?garage")
	w.do("GET", w.at("wall-chart/picture?weeks=13"), w.officer, nil).want(422).wantFault("?weeks")
}

// hashSource names a text in a Content-Security-Policy.
func hashSource(text string) string {
	sum := sha256.Sum256([]byte(text))
	return "sha256-" + base64.StdEncoding.EncodeToString(sum[:])
}

// tells reports whether r shows all that made showed of a tool, in the same
// version; with one tool there stands where it is and what may be done besides.
func (r *response) tells(made *response) bool {
	r.t.Helper()
	got := r.json()
	for name, want := range made.json() {
		if !cmp.Equal(want, got[name]) {
			return false
		}
	}
	version := func(r *response) string {
		parts := strings.SplitN(strings.Trim(r.header.Get("ETag"), `"`), ".", 3)
		return strings.Join(parts[:min(2, len(parts))], ".")
	}
	return version(r) == version(made)
}
