package api_test

import (
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
)

// everything is the text of every row of every table.
func (w *world) everything() string {
	w.t.Helper()
	rows, err := w.db.Owner.Query(w.t.Context(), `
		select relname || query_to_xml(format('select to_jsonb(t)::text as x from %I t', relname), true, true, '')::text
		from pg_class where relnamespace = 'public'::regnamespace and relkind in ('r', 'p')`)
	if err != nil {
		w.t.Fatal(err)
	}
	out, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil || len(out) < 20 {
		w.t.Fatalf("%d tables, %v", len(out), err)
	}
	return strings.ToLower(strings.Join(out, "\n"))
}

// Whatever lets somebody in is shown in the one answer that makes it, and stands
// nowhere else: in no table, stored answers included, and in no line of the log.
func TestNothingThatLetsSomebodyInIsKept(t *testing.T) {
	t.Parallel()
	w, i := newVouchedWorld(t)
	key := func() header { return header{"Idempotency-Key", newID()} }
	invitation := w.do("POST", w.at("invitations"), w.officer, row{"id": newID(), "name": "Runa Alderby"}, key()).want(201)
	again := key()
	invited := w.accept(invitation.str("code"), again).want(201)
	w.accept(invitation.str("code"), again).want(201)
	w.accept(invitation.str("code"), key()).want(401)
	pairing := w.do("POST", w.at("pairings"), w.officer, row{"id": newID(), "label": "phone"}, key()).want(201)
	paired := w.accept(pairing.str("code"), key()).want(201)
	w.accept(pairing.str("code"), key()).want(401)
	token := w.do("POST", w.at("tokens"), w.officer, row{"id": newID(), "label": "desk"}, key()).want(201)
	// Misplaced ones, too: a code where a token belongs, and the other way round.
	w.do("GET", w.at("me"), invitation.str("code"), nil).want(401)
	w.accept(token.str("token")).want(401)
	w.do("GET", w.at("me"), paired.str("token", "token"), nil).want(200)

	// A token of the issuer, linked, used and misused.
	person := i.Sign(i.About("person-7", w.clock.now(), nil))
	w.link(w.officer, person, key()).want(201)
	w.do("GET", w.byID("me"), person, nil).want(200)
	w.do("POST", w.byID("garages"), person, row{"code": "west", "name": "West yard", "time_zone": "UTC"}, key()).want(201)
	w.do("GET", w.at("me"), person, nil).want(401)
	stale := i.Sign(i.About("person-7", w.clock.now().Add(-2*time.Hour), nil))
	w.do("GET", w.byID("me"), stale, nil).want(401)
	w.link(w.officer, stale, key()).want(422)

	kept, logged := w.everything(), strings.ToLower(w.log.text())
	if !strings.Contains(kept, "runa alderby") || !strings.Contains(logged, "/v1/clubs/:club/invitations/accept") {
		t.Fatal("this looks at nothing: neither a name in the tables nor a route in the log is found")
	}
	for what, secret := range map[string]string{
		"invitation's code": invitation.str("code"), "pairing's code": pairing.str("code"), "invited member's token": invited.str("token", "token"),
		"phone's token": paired.str("token", "token"), "token": token.str("token"), "first officer's token": w.officer,
	} {
		_, rest, _ := strings.Cut(secret, "_")
		bytes, err := base64.RawURLEncoding.DecodeString(rest[:64])
		if err != nil {
			t.Fatalf("%s: %v", what, err)
		}
		for form, text := range map[string]string{
			"as it is": rest[:64], "as bytes": hex.EncodeToString([]byte(rest[22:64])),
			"its random bytes": hex.EncodeToString(bytes[16:]), "its random bytes in base64": base64.StdEncoding.EncodeToString(bytes[16:]),
		} {
			text = strings.ToLower(text)
			if strings.Contains(kept, text) {
				t.Errorf("the %s stands in a table, %s", what, form)
			}
			if strings.Contains(logged, text) {
				t.Errorf("the %s stands in the log, %s", what, form)
			}
		}
		if !strings.Contains(kept, fmt.Sprintf("%x", sha256Of(secret))) {
			t.Errorf("the hash of the %s is not found, so that this may look in the wrong place", what)
		}
	}
	for what, token := range map[string]string{"issuer's token": person, "expired token of the issuer": stale} {
		for n, part := range strings.Split(token, ".")[1:] {
			if text := strings.ToLower(part); strings.Contains(kept, text) || strings.Contains(logged, text) {
				t.Errorf("the %s stands in a table or the log, part %d", what, n+1)
			}
		}
	}
	// Events name nobody.
	if n := w.tally(`select count(*) from event e where e::text like '%Alderby%' or e::text like '%phone%' or e::text like '%person-7%'`); n > 0 {
		t.Errorf("%d events carry a name", n)
	}
}

func sha256Of(text string) [32]byte { return sha256.Sum256([]byte(text)) }
