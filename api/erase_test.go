package api_test

import (
	"strings"
	"testing"

	"pinwright/internal/specimen"
)

func TestErasedMemberIsForgottenAndEverythingStays(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	if _, err := specimen.Fill(t.Context(), w.db.Owner, w.club.ClubID, "kept"); err != nil {
		t.Fatal(err)
	}
	const name, words = "Quillon Brakespear", "for the hinges of Quillon"
	made := w.do("POST", w.at("members"), w.officer, map[string]any{"number": "77", "name": name}).want(201)
	id := made.str("id")
	token := w.do("POST", w.at("tokens"), w.officer, map[string]any{"id": newID(), "label": "phone of Quillon", "member": "77"}).want(201).str("token")
	vehicle := w.do("POST", w.at("vehicles"), token, map[string]any{"code": "quillons", "name": "Quillon's coupé", "chassis_number": "QB 1"}).want(201).str("id")
	reading := newID()
	w.do("POST", w.at("readings"), token, map[string]any{"id": reading, "vehicle": "kept-vehicle", "joint": "kept-joint", "gauge": "9 mm", "result": "go"}).want(201)
	w.do("POST", w.at("readings/"+reading+"/void"), token, map[string]any{"reason": words}).want(200)
	reservation := w.do("POST", w.at("reservations"), token, map[string]any{"purpose": words, "lines": []any{map[string]any{"tool": "kept-tool"}}, "next_free_hours": 24}).want(201).str("id")

	// What an officer asked for before, and will ask for again by a late retry.
	early := header{"Idempotency-Key", newID()}
	rename := map[string]any{"name": name + " the elder"}
	w.do("PATCH", w.at("members/77"), w.officer, rename, early, header{"If-Match", "*"}).want(200)

	path, key := w.at("members/77/erase"), header{"Idempotency-Key", newID()}
	w.do("POST", path, w.officer, map[string]any{"reason": "no word of ours"}).want(422).wantFault("/reason")
	w.do("POST", path, token, map[string]any{"reason": "requested"}).want(403).wantProblem("missing-role")
	w.do("POST", w.at("members/M1/erase"), w.officer, map[string]any{"reason": "requested"}).want(409).wantProblem("not-allowed-now")
	w.do("POST", w.at("members/nobody/erase"), w.officer, map[string]any{"reason": "requested"}).want(404)
	gone := w.do("POST", path, w.officer, map[string]any{"reason": "requested"}, key).want(200)
	again := w.do("POST", path, w.officer, map[string]any{"reason": "requested"}, key).want(200)
	if string(gone.body) != string(again.body) || again.header.Get("Idempotency-Replayed") != "true" {
		t.Errorf("repeated: %s, first: %s", again.body, gone.body)
	}
	if gone.str("id") != id || gone.get("erased") != true || gone.get("disabled") != true {
		t.Errorf("erased: %s", gone.body)
	}

	w.do("GET", w.at("me"), token, nil).want(401)
	w.do("GET", w.at("members/77"), w.officer, nil).want(404)
	for _, at := range []string{"members/" + id, "members", "tokens", "vehicles/" + vehicle, "readings/" + reading, "reservations/" + reservation, "reservations", "readings", "search?q=quillon", "search?q=QB+1"} {
		if text := string(w.do("GET", w.at(at), w.officer, nil).want(200).body); strings.Contains(strings.ToLower(text), "quillon") || strings.Contains(text, "QB 1") {
			t.Errorf("%s still tells: %s", at, text)
		}
	}
	now := w.do("GET", w.at("members/"+id), w.officer, nil).want(200)
	if string(now.body) != string(gone.body) {
		t.Errorf("the member is %s, the answer was %s", now.body, gone.body)
	}
	if state := w.do("GET", w.at("reservations/"+reservation), w.officer, nil).str("state"); state != "reserved" {
		t.Errorf("the reservation is %s; what was promised stays until it is cancelled", state)
	}

	// A late retry does not act a second time, and does not tell.
	late := w.do("PATCH", w.at("members/77"), w.officer, rename, early, header{"If-Match", "*"}).want(422).wantProblem("key-too-old")
	if strings.Contains(string(late.body), "Quillon") {
		t.Errorf("the late retry tells: %s", late.body)
	}
	// It cannot be taken back, but the number is free again.
	w.do("PATCH", w.at("members/"+id), w.officer, map[string]any{"disabled": false}, header{"If-Match", "*"}).want(409).wantProblem("not-allowed-now")
	w.do("POST", w.at("members"), w.officer, map[string]any{"number": "77", "name": "Somebody Else"}).want(201)
	w.do("POST", w.at("members/"+id+"/erase"), w.officer, map[string]any{"reason": "left"}).want(200)

	var events int
	if err := w.db.Owner.QueryRow(t.Context(), `select count(*) from event where club_id = $1 and type = 'member.erased' and subject = $2`, w.club.ClubID, id).Scan(&events); err != nil || events != 1 {
		t.Errorf("%d events (%v), want one", events, err)
	}
}
