package api_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"pinwright/api"
)

func (w *world) pair(token string, fields row) *response {
	w.t.Helper()
	return w.do("POST", w.at("pairings"), token, with(row{"id": newID(), "label": "phone in the yard"}, fields))
}

func TestAPhoneIsPairedByACode(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	mine := w.as("member")
	before := len(w.eventTypes())
	made := w.pair(mine, nil).want(201)
	if !strings.HasPrefix(made.str("code"), "pwp_") || made.str("url") != reachedAt+"/pair#"+made.str("code") || made.header.Get("Cache-Control") != "no-store" ||
		made.str("expires_at") != w.clock.now().Add(10*time.Minute).Format(time.RFC3339Nano) {
		t.Errorf("%s", made.body)
	}
	at := w.at("pairings/" + made.str("id"))
	if open := w.do("GET", at, mine, nil).want(200); open.str("state") != "open" || open.get("code") != nil || open.get("url") != nil || open.get("qr_svg") != nil {
		t.Errorf("%s", open.body)
	}
	in := w.accept(made.str("code")).want(201)
	if in.str("token", "kind") != "device" || in.str("token", "label") != "phone in the yard" || fmt.Sprint(in.get("token", "scopes")) != "[read readings]" || in.str("member", "number") != "T-member" {
		t.Errorf("%s", in.body)
	}
	phone := in.str("token", "token")
	w.do("GET", w.at("me"), phone, nil).want(200)
	if done := w.do("GET", at, mine, nil).want(200); done.str("state") != "paired" || done.str("token_id") != in.str("token", "id") {
		t.Errorf("%s", done.body)
	}
	w.do("DELETE", at, mine, nil).want(409).wantProblem("not-allowed-now")
	if got := w.eventTypes()[before:]; !slices.Equal(got, []string{"pairing.created", "pairing.accepted", "token.created"}) {
		t.Errorf("events %v", got)
	}

	// A lost phone: its token shows with label, kind and last use; whose it is and an officer revoke it.
	for _, who := range []string{mine, w.officer} {
		var item map[string]any
		for waited := 0; waited < 200 && (item == nil || item["used_on"] == nil); waited++ { // the day of use is noted beside the request
			list, _ := w.do("GET", w.at("tokens"), who, nil).want(200).get("items").([]any)
			for _, i := range list {
				if i.(map[string]any)["id"] == in.str("token", "id") {
					item = i.(map[string]any)
				}
			}
			time.Sleep(5 * time.Millisecond)
		}
		if item["label"] != "phone in the yard" || item["kind"] != "device" || item["used_on"] != w.clock.now().Format(time.DateOnly) {
			t.Errorf("%v", item)
		}
	}
	w.do("DELETE", w.at("tokens/"+in.str("token", "id")), w.officer, nil).want(200)
	w.do("GET", w.at("me"), phone, nil).want(401)
}

func TestAPairingLeadsToThePublicURL(t *testing.T) {
	t.Parallel()
	w := newWorld(t, func(o *api.Options) { o.PublicURL = "https://pinwright.example/club" })
	if made := w.pair(w.officer, nil).want(201); made.str("url") != "https://pinwright.example/club/pair#"+made.str("code") {
		t.Errorf("%s", made.body)
	}
}

func TestAPairingIsRefusedWhereItMayNotBe(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	mine := w.as("member")
	device := w.do("POST", w.at("tokens"), mine, row{"id": newID(), "label": "tablet", "kind": "device", "scopes": []string{"write"}}).want(201).str("token")
	w.pair(device, nil).want(403).wantProblem("insufficient-scope")
	reader := w.do("POST", w.at("tokens"), mine, row{"id": newID(), "label": "reader", "scopes": []string{"read"}}).want(201).str("token")
	w.pair(reader, nil).want(403).wantProblem("insufficient-scope")
	w.pair(mine, row{"scopes": []string{"everything"}}).want(422).wantFault("/scopes/0")
	w.pair(mine, row{"label": ""}).want(422).wantFault("/label")

	body := row{"id": newID(), "label": "phone", "scopes": []string{"read"}}
	first := w.do("POST", w.at("pairings"), mine, body).want(201)
	if again := w.do("POST", w.at("pairings"), mine, body).want(200); again.get("code") != nil || again.get("qr_svg") != nil {
		t.Errorf("%s", again.body)
	}
	w.do("POST", w.at("pairings"), mine, with(body, row{"label": "another"})).want(409).wantProblem("id-used")
	w.do("POST", w.at("pairings"), w.officer, body).want(409).wantProblem("id-used")

	// Others neither see nor call it off; an officer does.
	at := w.at("pairings/" + first.str("id"))
	w.do("GET", at, w.as("auditor"), nil).want(404)
	w.do("DELETE", at, w.as("auditor"), nil).want(404)
	w.do("GET", at, w.officer, nil).want(200)
	gone := w.do("DELETE", at, w.officer, nil).want(200)
	if gone.str("state") != "withdrawn" {
		t.Errorf("%s", gone.body)
	}
	events := len(w.eventTypes())
	w.do("DELETE", at, mine, nil).want(200)
	if len(w.eventTypes()) != events {
		t.Error("calling off again was an event")
	}
	w.accept(first.str("code")).want(401)

	late := w.pair(mine, nil).want(201)
	w.clock.advance(10 * time.Minute)
	w.accept(late.str("code")).want(401)
	if got := w.do("GET", w.at("pairings/"+late.str("id")), mine, nil).want(200).str("state"); got != "expired" {
		t.Errorf("ten minutes later it is %s", got)
	}

	leaving := w.pair(mine, nil).want(201)
	w.do("PATCH", w.at("members/T-member"), w.officer, row{"disabled": true}, header{"If-Match", "*"}).want(200)
	w.accept(leaving.str("code")).want(401)
}

func TestOnePhoneOfManyIsPaired(t *testing.T) {
	t.Parallel()
	w := newWorld(t).patient()
	const racers = 32
	code := w.pair(w.officer, nil).want(201).str("code")
	tokens := w.tally(`select count(*) from token`)
	got, _ := race(racers, func(int) *response { return w.accept(code) })
	if got[201] != 1 || got[401] != racers-1 {
		t.Errorf("answers by status: %v, want one 201 and %d times 401", got, racers-1)
	}
	if n := w.tally(`select count(*) from token`) - tokens; n != 1 {
		t.Errorf("%d tokens were made", n)
	}
}
