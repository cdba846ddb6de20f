package api_test

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
)

// invite makes an invitation as the first officer.
func (w *world) invite(fields row) *response {
	w.t.Helper()
	return w.do("POST", w.at("invitations"), w.officer, with(row{"id": newID(), "name": "Runa Alderby"}, fields)).want(201)
}

// accept exchanges a code for a token.
func (w *world) accept(code string, headers ...header) *response {
	w.t.Helper()
	kind := "invitations"
	if strings.HasPrefix(code, "pwp_") {
		kind = "pairings"
	}
	return w.do("POST", w.at(kind+"/accept"), code, nil, headers...)
}

func (w *world) tally(sql string, args ...any) (n int) {
	w.t.Helper()
	if err := w.db.Owner.QueryRow(w.t.Context(), sql, args...).Scan(&n); err != nil {
		w.t.Fatal(err)
	}
	return n
}

// eventTypes lists the types of all events, in their order.
func (w *world) eventTypes() []string {
	w.t.Helper()
	rows, err := w.db.Owner.Query(w.t.Context(), `select type from event where club_id = $1 order by seq`, w.club.ClubID)
	if err != nil {
		w.t.Fatal(err)
	}
	out, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		w.t.Fatal(err)
	}
	return out
}

func TestAnInvitationMakesAMemberWithAToken(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	w.do("POST", w.at("garages"), w.officer, row{"code": "north", "name": "North yard", "time_zone": "UTC"}).want(201)
	before := len(w.eventTypes())
	made := w.invite(row{"number": "R7", "roles": []string{"tool_keeper", "member"}, "garage": "north"})
	if !strings.HasPrefix(made.str("code"), "pwi_") || made.header.Get("Cache-Control") != "no-store" || made.header.Get("Location") != w.at("invitations/"+made.str("id")) {
		t.Errorf("%v\n%s", made.header, made.body)
	}
	at := w.at("invitations/" + made.str("id"))
	open := w.do("GET", at, w.officer, nil).want(200)
	if open.str("state") != "open" || open.get("code") != nil || open.str("expires_at") != w.clock.now().Add(7*24*time.Hour).Format(time.RFC3339Nano) {
		t.Errorf("%s", open.body)
	}

	in := w.accept(made.str("code")).want(201)
	token := in.str("token", "token")
	if !strings.HasPrefix(token, "pw_") || in.header.Get("Cache-Control") != "no-store" {
		t.Fatalf("%v\n%s", in.header, in.body)
	}
	if in.str("member", "number") != "R7" || in.str("member", "name") != "Runa Alderby" || fmt.Sprint(in.get("member", "roles")) != "[member tool_keeper]" ||
		in.str("member", "garage_id") == "" || in.str("club", "slug") != w.slug || in.str("token", "kind") != "personal" {
		t.Errorf("%s", in.body)
	}
	me := w.do("GET", w.at("me"), token, nil).want(200)
	if me.str("member", "id") != in.str("member", "id") || me.str("token", "id") != in.str("token", "id") || me.get("token", "token") != nil {
		t.Errorf("%s", me.body)
	}
	done := w.do("GET", at, w.officer, nil).want(200)
	if done.str("state") != "accepted" || done.str("member_id") != in.str("member", "id") || done.str("accepted_at") == "" {
		t.Errorf("%s", done.body)
	}
	if got := w.eventTypes()[before:]; !slices.Equal(got, []string{"invitation.created", "member.created", "invitation.accepted", "token.created"}) {
		t.Errorf("events %v", got)
	}
}

func TestAnInvitationsCodeIsShownOnce(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	body := row{"id": newID(), "name": "Runa Alderby"}
	made := w.do("POST", w.at("invitations"), w.officer, body).want(201)
	again := w.do("POST", w.at("invitations"), w.officer, body).want(200)
	if again.get("code") != nil || again.str("id") != made.str("id") {
		t.Errorf("%s", again.body)
	}
	w.do("POST", w.at("invitations"), w.officer, with(body, row{"name": "Somebody Else"})).want(409).wantProblem("id-used")
	w.do("POST", w.at("invitations"), w.as("officer"), body).want(409).wantProblem("id-used")
	list := w.do("GET", w.at("invitations"), w.officer, nil).want(200)
	if bytes.Contains(list.body, []byte("pwi_")) || list.str("items", 0, "id") != made.str("id") {
		t.Errorf("%s", list.body)
	}
	w.accept(made.str("code")).want(201)
}

func TestInvitationsAreListedByPages(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	var ids, seen []string
	for range 5 {
		ids = append(ids, w.invite(nil).str("id"))
	}
	slices.Sort(ids)
	slices.Reverse(ids)
	for next := "?limit=2"; next != ""; {
		page := w.do("GET", w.at("invitations"+next), w.officer, nil).want(200)
		items, _ := page.get("items").([]any)
		for i := range items {
			seen = append(seen, page.str("items", i, "id"))
		}
		if next = page.str("next"); next != "" {
			next = "?limit=2&cursor=" + next
		}
	}
	if !slices.Equal(seen, ids) {
		t.Errorf("pages hold %v, want %v", seen, ids)
	}
	w.do("GET", w.at("invitations?cursor=eyJ9"), w.officer, nil).want(422).wantFault("?cursor")
}

func TestAnInvitationThatCannotStandIsRefused(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	now := w.clock.now()
	refuse := func(fields row) *response {
		return w.do("POST", w.at("invitations"), w.officer, with(row{"id": newID(), "name": "Runa Alderby"}, fields))
	}
	refuse(row{"expires_at": now.Format(time.RFC3339Nano)}).want(422).wantFault("/expires_at")
	refuse(row{"expires_at": now.Add(30*24*time.Hour + time.Second).Format(time.RFC3339Nano)}).want(422).wantFault("/expires_at")
	refuse(row{"garage": "nowhere"}).want(422).wantFault("/garage")
	refuse(row{"roles": []string{"owner"}}).want(422).wantFault("/roles/0")
	refuse(row{"number": "M1"}).want(409).wantProblem("name-taken")
	refuse(row{"id": "0192f0c1-2a3b-4c4d-8e5f-60718293a4b5"}).want(422).wantFault("/id")
	w.invite(row{"expires_at": now.Add(30 * 24 * time.Hour).Format(time.RFC3339Nano)})
	w.do("POST", w.at("invitations"), w.as("tool_keeper"), row{"id": newID(), "name": "Runa Alderby"}).want(403).wantProblem("missing-role")
}

func TestAnInvitationWithoutAFreeNumberGivesTheNextWholeOne(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	number := func(code string) string { return w.accept(code).want(201).str("member", "number") }
	if got := number(w.invite(nil).str("code")); got != "1" {
		t.Errorf("the first has the number %q", got)
	}
	w.do("POST", w.at("members"), w.officer, row{"number": "41", "name": "Odo Marl"}).want(201)
	if got := number(w.invite(nil).str("code")); got != "42" {
		t.Errorf("behind 41 comes %q", got)
	}
	chosen := w.invite(row{"number": "50"}).str("code")
	w.do("POST", w.at("members"), w.officer, row{"number": "50", "name": "Ina Marl"}).want(201) // meanwhile
	if got := number(chosen); got != "51" {
		t.Errorf("instead of the number that was taken meanwhile comes %q", got)
	}
}

func TestALostAnswerToACodeIsGivenAgain(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	for name, make := range map[string]func() *response{
		"invitation": func() *response { return w.invite(nil) },
		"pairing":    func() *response { return w.pair(w.officer, nil).want(201) },
	} {
		code := make().str("code")
		key := header{"Idempotency-Key", newID()}
		first := w.accept(code, key).want(201)
		state := w.rows()
		again := w.accept(code, key).want(201)
		if !bytes.Equal(first.body, again.body) || again.header.Get("Idempotency-Replayed") != "true" || first.header.Get("Idempotency-Replayed") != "" {
			t.Errorf("%s: the answer again is\n%s\nafter\n%s", name, again.body, first.body)
		}
		if !slices.Equal(state, w.rows()) {
			t.Errorf("%s: the same request again left something behind", name)
		}
		w.accept(code).want(401).wantProblem("unauthenticated")
		if name == "pairing" { // the code itself is over by then
			w.clock.advance(11 * time.Minute)
			w.accept(code, key).want(201)
		}
		w.clock.advance(time.Hour)
		w.accept(code, key).want(401).wantProblem("unauthenticated")
	}
	// Nor for a token that is revoked meanwhile.
	code, key := w.invite(nil).str("code"), header{"Idempotency-Key", newID()}
	token := w.accept(code, key).want(201)
	w.do("DELETE", w.at("tokens/"+token.str("token", "id")), w.officer, nil).want(200)
	w.accept(code, key).want(401).wantProblem("unauthenticated")
}

func TestAWithdrawnInvitationIsWorthNothing(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	made := w.invite(nil)
	at := w.at("invitations/" + made.str("id"))
	gone := w.do("DELETE", at, w.as("officer"), nil).want(200)
	if gone.str("state") != "withdrawn" {
		t.Errorf("%s", gone.body)
	}
	w.accept(made.str("code")).want(401)
	w.clock.advance(time.Minute)
	events := len(w.eventTypes())
	again := w.do("DELETE", at, w.officer, nil).want(200)
	if again.str("withdrawn_at") != gone.str("withdrawn_at") || len(w.eventTypes()) != events {
		t.Errorf("withdrawing again changed something: %s", again.body)
	}
	w.do("DELETE", w.at("invitations/"+newID()), w.officer, nil).want(404)
	w.do("GET", at, w.as("member"), nil).want(403)

	accepted := w.invite(nil)
	w.accept(accepted.str("code")).want(201)
	w.do("DELETE", w.at("invitations/"+accepted.str("id")), w.officer, nil).want(409).wantProblem("not-allowed-now")

	late := w.invite(nil)
	w.clock.advance(7 * 24 * time.Hour)
	w.accept(late.str("code")).want(401)
	if got := w.do("GET", w.at("invitations/"+late.str("id")), w.officer, nil).want(200).str("state"); got != "expired" {
		t.Errorf("a week later it is %s", got)
	}
}

// An invitation stands on the authority of who made it.
func TestAnInvitationEndsWithItsOfficer(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	leaving := w.as("officer")
	made := w.do("POST", w.at("invitations"), leaving, row{"id": newID(), "name": "Runa Alderby", "roles": []string{"officer"}}).want(201)
	w.do("PATCH", w.at("members/T-officer"), w.officer, row{"roles": []string{"member"}}, header{"If-Match", "*"}).want(200)
	w.accept(made.str("code")).want(401)
	w.do("PATCH", w.at("members/T-officer"), w.officer, row{"roles": []string{"officer"}}, header{"If-Match", "*"}).want(200)
	w.accept(made.str("code")).want(201)
}

func TestOneOfManyAcceptsAnInvitation(t *testing.T) {
	t.Parallel()
	w := newWorld(t).patient()
	const racers = 32
	code := w.invite(nil).str("code")
	members, tokens := w.tally(`select count(*) from member`), w.tally(`select count(*) from token`)
	got, _ := race(racers, func(int) *response { return w.accept(code) })
	if got[201] != 1 || got[401] != racers-1 {
		t.Errorf("answers by status: %v, want one 201 and %d times 401", got, racers-1)
	}
	if m, k := w.tally(`select count(*) from member`)-members, w.tally(`select count(*) from token`)-tokens; m != 1 || k != 1 {
		t.Errorf("%d members and %d tokens were made", m, k)
	}
}

func TestManyWhoAcceptAtOnceHaveNumbersOfTheirOwn(t *testing.T) {
	t.Parallel()
	w := newWorld(t).patient()
	const racers = 8
	var codes [racers]string
	for i := range racers {
		codes[i] = w.invite(nil).str("code")
	}
	// Those who lose the race for a number look again, five times at most; who then
	// still has none is asked to come back.
	race(racers, func(i int) *response { return w.accept(codes[i]) })
	for _, code := range codes {
		if r := w.accept(code); r.status != 201 && r.status != 401 {
			t.Errorf("%d %s", r.status, r.body)
		}
	}
	if n := w.tally(`select count(distinct number) from member where number ~ '^[1-8]$'`); n != racers {
		t.Errorf("%d of %d have the numbers 1 to 8", n, racers)
	}
}

// Of accepting and withdrawing at once one wins and the other is refused.
func TestAcceptingAndWithdrawingExcludeEachOther(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	for range 12 {
		made := w.invite(nil)
		var accepted, withdrawn int
		race(2, func(i int) *response {
			var r *response
			if i == 0 {
				r = w.accept(made.str("code"))
				accepted = r.status
			} else {
				r = w.do("DELETE", w.at("invitations/"+made.str("id")), w.officer, nil)
				withdrawn = r.status
			}
			return r
		})
		state := w.do("GET", w.at("invitations/"+made.str("id")), w.officer, nil).want(200).str("state")
		switch {
		case state == "accepted" && accepted == 201 && withdrawn == 409:
		case state == "withdrawn" && accepted == 401 && withdrawn == 200:
		default:
			t.Errorf("accepted with %d, withdrawn with %d, then %s", accepted, withdrawn, state)
		}
	}
}
