package api_test

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"

	"pinwright/internal/access"
)

// addressRow is a calendar as it is put into the database past the API.
type addressRow struct {
	club, member, tool uuid.UUID
	revoked            bool
}

// address puts a calendar of a tool into the database and returns its secret.
func (k *walk) address(r addressRow) string {
	k.t.Helper()
	a := access.NewAddress(r.club)
	if _, err := k.db.Owner.Exec(k.t.Context(), `insert into calendar (club_id, id, hash, member_id, shows, tool_id, names, created_at, revoked_at, fingerprint)
		values ($1, $2, $3, $4, 'tool', $5, true, $6, case when $7 then $6::timestamptz end, '')`,
		r.club, uuid.Must(uuid.NewV7()), a.Hash(), r.member, r.tool, k.clock.now(), r.revoked); err != nil {
		k.t.Fatal(err)
	}
	return a.Reveal()
}

// What an address shows, it shows to whoever has it, whatever else they send; every
// other address is answered alike, in every byte, and leaves nothing behind.
func TestEverySecretAddressAnswersOthersAlike(t *testing.T) {
	t.Parallel()
	k := newWalk(t)
	now := k.clock.now()
	left := k.memberWith(allRoles, &now)
	mine := addressRow{club: k.club.ClubID, member: k.mine.ID["member"], tool: k.mine.ID["tool"]}
	gone, revoked := mine, mine
	gone.member, revoked.revoked = left, true
	good := k.address(mine)
	theirs := k.address(addressRow{club: k.other.ClubID, member: k.theirs.ID["member"], tool: k.theirs.ID["tool"]})
	bad := map[string]string{
		"no secret":                        "letmein",
		"a text that is like a secret":     "pwa_" + strings.Repeat("A", 64) + "_00000000",
		"one letter changed":               good[:20] + map[bool]string{true: "B", false: "A"}[good[20] == 'A'] + good[21:],
		"cut off":                          good[:len(good)-1],
		"something more":                   good + "0",
		"another suffix":                   good + ".ics.ics",
		"never made":                       access.NewAddress(k.club.ClubID).Reveal(),
		"never made in another club":       access.NewAddress(k.other.ClubID).Reveal(),
		"of no club at all":                access.NewAddress(uuid.New()).Reveal(),
		"revoked":                          k.address(revoked),
		"of a member who left":             k.address(gone),
		"a token":                          k.all,
		"a token, spelt as an address":     "pwa_" + k.all[3:],
		"an invitation's code":             k.code(codeRow{purpose: access.Invites, club: k.club.ClubID, member: k.club.OfficerID, expires: now.AddDate(0, 0, 1)}),
		"longer than any address":          strings.Repeat("a", 201),
		"the id of a calendar":             k.mine.ID["calendar"].String(),
		"another club's, its club changed": "pwa_" + good[4:26] + theirs[26:],
	}
	k.state = k.snapshot()
	walkedOps := 0
	for _, op := range everyOperation(t) {
		if !op.secret {
			continue
		}
		walkedOps++
		if op.spec.Security == nil || len(*op.spec.Security) > 0 {
			t.Error("shows itself by its address but asks for security")
		}
		if len(op.pathParams()) != 1 {
			t.Fatalf("%s has the parameters %v; teach the walk which is the secret", op, op.pathParams())
		}
		name := op.pathParams()[0]
		var first *seen
		id := uuid.NewString()
		for what, text := range bad {
			for _, suffix := range []string{"", ".ics"} {
				for _, a := range []asked{{}, {token: k.all}, {token: k.other.Secret.Reveal()}, {query: "?no_such_parameter=1"}, {origin: "https://page.example"}} {
					a.ids, a.id = map[string]string{name: text + suffix}, id
					s := k.ask(t, op, a)
					refused(t, what, s, 404, "not-found")
					s.RoundTrips, s.Statements = 0, nil
					if first == nil {
						first = &s
					} else if diff := cmp.Diff(*first, s); diff != "" {
						t.Errorf("%s is answered otherwise than the first refused address:\n%s", what, diff)
					}
				}
			}
		}
		k.unchanged(t)
		// So that this proves something, each club's own is shown, to anybody, and nothing of the other.
		for _, own := range []struct {
			secret, shows, hides string
		}{{good, k.mine.Name["tool"], k.theirs.ID["reservation"].String()}, {theirs, k.theirs.Name["tool"], k.mine.Name["tool"]}} {
			for _, token := range []string{"", k.all, k.other.Secret.Reveal(), "letmein"} {
				s := k.ask(t, op, asked{token: token, ids: map[string]string{name: own.secret + ".ics"}})
				if s.Status != 200 || !strings.Contains(strings.ReplaceAll(s.Body, "\r\n ", ""), own.shows) || strings.Contains(s.Body, own.hides) {
					t.Errorf("%d, want %s in\n%s", s.Status, own.shows, s.Body)
				}
				if s.RoundTrips != 1 {
					t.Errorf("%d round trips", s.RoundTrips)
				}
				if s.Header.Get("Access-Control-Allow-Origin") != "" {
					t.Error("pages of any origin may read it")
				}
			}
		}
		refused(t, "invalid", k.ask(t, op, asked{query: "?no_such_parameter=1", ids: map[string]string{name: good}}), 422, "invalid-request")
		k.unchanged(t)
	}
	if walkedOps == 0 {
		t.Error("no operation shows itself by its address")
	}
}
