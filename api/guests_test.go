package api_test

import (
	"testing"
	"time"
)

// guest adds one with a host, staying so many days, and returns them with a token.
func (w *world) guest(number, host string, days int) (*response, string) {
	w.t.Helper()
	made := w.do("POST", w.at("guests"), w.as("tool_keeper"), row{"number": number, "name": "Visitor", "host": host, "last_day": w.dayAhead(days)}).want(201)
	token := w.do("POST", w.at("tokens"), w.officer, row{"id": newID(), "label": "visit", "member": number}).want(201).str("token")
	return made, token
}

// dayAhead is the date in so many days, in UTC.
func (w *world) dayAhead(days int) string {
	return w.clock.now().UTC().AddDate(0, 0, days).Format(time.DateOnly)
}

func TestAGuestIsOneUntilTheEndOfTheirLastDay(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	host := w.as("member")
	hostID := w.do("GET", w.at("members/T-member"), w.officer, nil).want(200).str("id")
	made, guest := w.guest("G-1", "T-member", 2)
	until, err := time.Parse(time.RFC3339, made.str("guest", "until"))
	if err != nil || made.str("guest", "host_id") != hostID || made.str("guest", "last_day") != w.dayAhead(2) || until.Format(time.DateOnly) != w.dayAhead(3) || until.Hour() != 0 {
		t.Errorf("made: %v %s", err, made.body)
	}
	if seen := w.do("GET", made.header.Get("Location"), host, nil).want(200); string(seen.body) != string(made.body) {
		t.Errorf("made %s\nseen %s", made.body, seen.body)
	}
	w.do("GET", w.at("me"), guest, nil).want(200)
	w.clock.advance(until.Sub(w.clock.now()) - time.Microsecond)
	w.do("GET", w.at("me"), guest, nil).want(200)
	w.clock.advance(time.Microsecond)
	w.do("GET", w.at("me"), guest, nil).want(401)

	extend := func(token string, days int) *response {
		return w.do("POST", w.at("members/G-1/extend-stay"), token, row{"last_day": w.dayAhead(days)})
	}
	extend(w.as("tool_keeper"), 5).want(403).wantProblem("missing-role")
	extend(host, -1).want(422).wantFault("/last_day")
	extend(host, 93).want(422).wantFault("/last_day")
	longer := extend(host, 5).want(200)
	if longer.str("guest", "last_day") != w.dayAhead(5) || longer.num("version") != 2 {
		t.Errorf("extended: %s", longer.body)
	}
	w.do("GET", w.at("me"), guest, nil).want(200)
	if again := extend(w.officer, 5).want(200); again.num("version") != 2 {
		t.Errorf("the same day again: %s", again.body)
	}
	extend(w.officer, 4).want(422).wantFault("/last_day")
	w.do("POST", w.at("members/T-member/extend-stay"), w.officer, row{"last_day": w.dayAhead(5)}).want(409).wantProblem("not-allowed-now")

	// Nobody answers for a guest whose host is gone.
	w.do("PATCH", w.at("members/T-member"), w.officer, row{"disabled": true}, header{"If-Match", "*"}).want(200)
	w.do("GET", w.at("me"), guest, nil).want(401)
	w.do("PATCH", w.at("members/G-1"), w.officer, row{"guest": row{"host": "M1"}}, header{"If-Match", "*"}).want(200)
	w.do("GET", w.at("me"), guest, nil).want(200)
	w.do("PATCH", w.at("members/G-1"), w.officer, row{"disabled": true}, header{"If-Match", "*"}).want(200)
	extend(w.officer, 6).want(409).wantProblem("not-allowed-now")
}

func TestTheStayEndsByTheClockOfTheGuestsGarage(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.do("POST", w.at("garages"), w.officer, row{"code": "east", "name": "East", "time_zone": "Pacific/Kiritimati"}).want(201) // UTC+14, no daylight saving time
	w.do("POST", w.at("garages"), w.officer, row{"code": "west", "name": "West", "time_zone": "Pacific/Pago_Pago"}).want(201)  // UTC-11
	w.do("PATCH", w.at("members/M1"), w.officer, row{"garage": "west"}, header{"If-Match", "*"}).want(200)
	day := w.dayAhead(3)
	midnight, err := time.Parse(time.DateOnly, w.dayAhead(4))
	if err != nil {
		t.Fatal(err)
	}
	for name, tc := range map[string]struct {
		garage any
		want   time.Time
	}{"own": {"east", midnight.Add(-14 * time.Hour)}, "host": {nil, midnight.Add(11 * time.Hour)}} {
		body := row{"number": name, "name": "Visitor", "host": "M1", "last_day": day}
		if tc.garage != nil {
			body["garage"] = tc.garage
		}
		w.do("POST", w.at("guests"), w.officer, body).want(201).wantTime(tc.want, "guest", "until")
		w.do("POST", w.at("members/"+name+"/extend-stay"), w.officer, row{"last_day": w.dayAhead(4)}).want(200).wantTime(tc.want.AddDate(0, 0, 1), "guest", "until")
	}
}

func TestWhoMayBeAGuestAndWhoAHost(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.guest("G-1", "M1", 2)
	w.as("auditor")
	w.as("member")
	add := func(host string, days int) *response {
		return w.do("POST", w.at("guests"), w.officer, row{"number": "G-2", "name": "Visitor", "host": host, "last_day": w.dayAhead(days)})
	}
	add("G-1", 2).want(422).wantFault("/host")       // a guest themselves
	add("T-auditor", 2).want(422).wantFault("/host") // borrows nothing
	add("nobody", 2).want(422).wantFault("/host")
	add("M1", 93).want(422).wantFault("/last_day")
	add("M1", -2).want(422).wantFault("/last_day")
	w.do("POST", w.at("guests"), w.officer, row{"number": "G-1", "name": "Visitor", "host": "M1", "last_day": w.dayAhead(2)}).want(409).wantProblem("name-taken")
	w.do("POST", w.at("guests"), w.officer, row{"number": "G-9", "name": "Visitor", "host": "M1", "last_day": w.dayAhead(2), "garage": "nowhere"}).want(422).wantFault("/garage")

	patch := func(of string, change row) *response {
		return w.do("PATCH", w.at("members/"+of), w.officer, change, header{"If-Match", "*"})
	}
	patch("G-1", row{"roles": []string{"tool_keeper"}}).want(409).wantProblem("not-allowed-now")
	patch("G-1", row{"roles": []string{"member", "officer"}}).want(409).wantProblem("not-allowed-now")
	patch("G-1", row{"guest": row{"host": "nobody"}}).want(422).wantFault("/guest/host")
	patch("G-1", row{"guest": row{"host": "T-auditor"}}).want(422).wantFault("/guest/host")
	patch("G-1", row{"guest": row{"last_day": w.dayAhead(200)}}).want(422).wantFault("/guest/last_day")
	patch("T-member", row{"guest": row{"last_day": w.dayAhead(2)}}).want(409).wantProblem("not-allowed-now")
	if sooner := patch("G-1", row{"guest": row{"last_day": w.dayAhead(1), "host": "T-member"}}).want(200); sooner.str("guest", "last_day") != w.dayAhead(1) {
		t.Errorf("an officer may shorten a stay: %s", sooner.body)
	}
	if forGood := patch("G-1", row{"guest": nil, "roles": []string{"tool_keeper"}}).want(200); forGood.get("guest") != nil {
		t.Errorf("a member for good: %s", forGood.body)
	}
	erased := w.do("POST", w.at("members/G-1/erase"), w.officer, row{"reason": "left"}).want(200)
	if erased.get("guest") != nil {
		t.Errorf("erased: %s", erased.body)
	}
	w.guest("G-3", "T-member", 2)
	erased = w.do("POST", w.at("members/G-3/erase"), w.officer, row{"reason": "left"}).want(200)
	if seen := w.do("GET", w.at("members/"+erased.str("id")), w.officer, nil).want(200); seen.get("guest") != nil || string(seen.body) != string(erased.body) {
		t.Errorf("erased %s\nseen %s", erased.body, seen.body)
	}
}

// The rule stands in the database, since several ways lead to a booking.
func TestNothingIsLentToAGuestBeyondTheirStay(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.stock([3]string{"reamer-9", "R-1"})
	made, guest := w.guest("G-1", "M1", 1)
	until, err := time.Parse(time.RFC3339, made.str("guest", "until"))
	if err != nil {
		t.Fatal(err)
	}
	left := int(until.Sub(w.clock.now()) / time.Hour)
	from := w.clock.now()
	for w.hour(left).After(until) {
		left--
	}
	if w.hour(left).Before(from) {
		t.Fatal("no hour is left")
	}
	over := w.do("POST", w.at("reservations"), guest, row{"lines": []row{toolLine("R-1")}, "period": row{"from": from, "until": until.Add(time.Second)}}).want(409).wantProblem("not-allowed-now")
	if over.get("detail") == "" {
		t.Error("the refusal does not say how to mend it")
	}
	kept := w.do("POST", w.at("reservations"), guest, row{"lines": []row{toolLine("R-1")}, "period": row{"from": from, "until": until}}).want(201)
	refuse := func(what, sql string, args ...any) {
		t.Helper()
		if _, err := w.db.Owner.Exec(t.Context(), sql, args...); err == nil {
			t.Errorf("%s was not refused", what)
		}
	}
	refuse("a longer period", `update booking set period = tstzrange(lower(period), $2), held = tstzrange(lower(held), $2) where reservation_id = $1`, kept.str("id"), until.Add(time.Hour))
	// Handed over to a guest whose stay ends before the tool is due.
	for range 2 {
		w.do("POST", w.at("members/G-1/extend-stay"), w.officer, row{"last_day": w.dayAhead(9)}).want(200)
	}
	w.do("POST", w.at("guests"), w.officer, row{"number": "G-2", "name": "Visitor", "host": "M1", "last_day": w.dayAhead(0)}).want(201)
	act := newID()
	if _, err := w.db.Owner.Exec(t.Context(), `insert into counter_act (club_id, id, kind, by_member, occurred_at, recorded_at) values ($1, $2, 'handout', $3, $4, $4)`, w.club.ClubID, act, w.club.OfficerID, from); err != nil {
		t.Fatal(err)
	}
	const lend = `insert into loan (club_id, id, reservation_id, line, tool_id, member_id, handout_id, collected_at, held_before, recorded_at)
		select b.club_id, $2, b.reservation_id, b.line, b.tool_id, m.id, $3, $4, b.held, $4 from booking b join member m on m.club_id = b.club_id and m.number = $5 where b.reservation_id = $1`
	refuse("a loan", lend, kept.str("id"), newID(), act, from, "G-2")
	if _, err := w.db.Owner.Exec(t.Context(), lend, kept.str("id"), newID(), act, from, "G-1"); err != nil {
		t.Error(err)
	}
}
