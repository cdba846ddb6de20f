package api_test

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"

	"pinwright/internal/access"
)

// codeRow is a code as it is put into the database past the API.
type codeRow struct {
	purpose      access.Purpose
	club, member uuid.UUID // member made it
	expires      time.Time
	withdrawn    *time.Time
	used         bool // by another request, a moment ago
}

// code puts a code into the database and returns its text.
func (k *walk) code(r codeRow) string {
	k.t.Helper()
	code, id := access.NewCode(r.purpose, r.club), uuid.Must(uuid.NewV7())
	salt := access.RandomSalt()
	created := r.expires.Add(-10 * time.Minute)
	var err error
	switch r.purpose {
	case access.Invites:
		_, err = k.db.Owner.Exec(k.t.Context(), `insert into invitation (club_id, id, hash, salt, name, roles, invited_by, created_at, expires_at, withdrawn_at, fingerprint)
			values ($1, $2, $3, $4, 'Guest', '{member}', $5, $6, $7, $8, '')`, r.club, id, code.Hash(), salt, r.member, created, r.expires, r.withdrawn)
	case access.Pairs:
		_, err = k.db.Owner.Exec(k.t.Context(), `insert into pairing (club_id, id, hash, salt, member_id, label, scopes, created_at, expires_at, withdrawn_at, fingerprint)
			values ($1, $2, $3, $4, $5, 'phone', '{read}', $6, $7, $8, '')`, r.club, id, code.Hash(), salt, r.member, created, r.expires, r.withdrawn)
	default:
		k.t.Fatalf("the walk cannot make the code of a %s; teach it", r.purpose)
	}
	if err == nil && r.used {
		column := map[access.Purpose]string{access.Invites: "invitation_id", access.Pairs: "pairing_id"}[r.purpose]
		_, err = k.db.Owner.Exec(k.t.Context(), `insert into token (club_id, hash, id, member_id, label, kind, scopes, created_at, expires_at, fingerprint, `+column+`)
			values ($1, $2, $3, $4, 'used', 'device', '{read}', $5, $6, '\x00', $7)`,
			r.club, access.NewSecret(r.club).Hash(), uuid.Must(uuid.NewV7()), r.member, k.clock.now(), k.clock.now().Add(time.Hour), id)
	}
	if err != nil {
		k.t.Fatal(err)
	}
	return code.Reveal()
}

// memberWith adds a member past the API and returns their id.
func (k *walk) memberWith(roles []string, disabled *time.Time) uuid.UUID {
	k.t.Helper()
	id := uuid.Must(uuid.NewV7())
	if _, err := k.db.Owner.Exec(k.t.Context(), `insert into member (club_id, id, number, name, roles, disabled_at) values ($1, $2, $3, 'Walker', $4, $5)`, k.club.ClubID, id, id.String(), roles, disabled); err != nil {
		k.t.Fatal(err)
	}
	return id
}

// An operation that takes a code in place of a token refuses every other code and
// every token, always with the same words, and in the same order of checks as
// all operations; what is refused leaves nothing behind.
func TestEveryOperationWithACodeRefusesAllOthers(t *testing.T) {
	t.Parallel()
	k := newWalk(t)
	now := k.clock.now()
	officer, leaving := k.club.OfficerID, k.memberWith([]string{"officer"}, &now)
	demoted := k.memberWith([]string{"member"}, nil)
	later := now.Add(5 * time.Minute)
	purposes := []access.Purpose{access.Invites, access.Pairs}
	walkedOps := 0
	for _, op := range everyOperation(t) {
		if op.code == "" {
			continue
		}
		walkedOps++
		purpose := access.Purpose(op.code)
		good := codeRow{purpose: purpose, club: k.club.ClubID, member: officer, expires: later}
		with := func(change func(*codeRow)) string {
			r := good
			change(&r)
			return k.code(r)
		}
		valid := k.code(good)
		bad := map[string]string{
			"no code":                            "",
			"no code's text":                     "letmein",
			"a text that is like a code's":       valid[:4] + strings.Repeat("A", 64) + "_00000000",
			"a code with one letter changed":     valid[:20] + string(valid[20]^1) + valid[21:],
			"a code that is cut off":             valid[:len(valid)-1],
			"a code with something more":         valid + "0",
			"a code that was never made":         access.NewCode(purpose, k.club.ClubID).Reveal(),
			"a code of another club, never made": access.NewCode(purpose, k.other.ClubID).Reveal(),
			"a code of no club at all":           access.NewCode(purpose, uuid.New()).Reveal(),
			"an expired code":                    with(func(r *codeRow) { r.expires = now }),
			"a withdrawn code":                   with(func(r *codeRow) { r.withdrawn = &now }),
			"a used code":                        with(func(r *codeRow) { r.used = true }),
			"a code of a disabled member":        with(func(r *codeRow) { r.member = leaving }),
			"a valid token":                      k.all,
		}
		if purpose == access.Invites {
			bad["a code of somebody who is no officer any more"] = with(func(r *codeRow) { r.member = demoted })
		}
		for _, other := range purposes {
			if other != purpose {
				bad["a valid code for something else"] = k.code(codeRow{purpose: other, club: k.club.ClubID, member: officer, expires: later})
				bad["a valid code for something else, spelt as one for this"] = valid[:4] + bad["a valid code for something else"][4:]
			}
		}
		theirs := k.code(codeRow{purpose: purpose, club: k.other.ClubID, member: k.other.OfficerID, expires: later})
		k.state = k.snapshot()
		t.Run(op.id, func(t *testing.T) {
			var first *seen
			id := uuid.NewString()
			for what, code := range bad {
				for _, a := range append([]asked{{}}, op.invalids()...) { // however wrong the rest may be
					for _, at := range []string{k.slug, k.club.ClubID.String(), "brook-end", uuid.NewString()} {
						a.club, a.token, a.id = at, code, id
						s := k.ask(t, op, a)
						refused(t, what, s, 401, "unauthenticated")
						s.RoundTrips, s.Statements = 0, nil
						if first == nil {
							first = &s
						} else if diff := cmp.Diff(*first, s); diff != "" {
							t.Errorf("%s is answered otherwise than the first refused code:\n%s", what, diff)
						}
					}
				}
			}
			if !strings.HasPrefix(first.Header.Get("WWW-Authenticate"), "Bearer") {
				t.Error("no WWW-Authenticate (RFC 9110, 11.6.1)")
			}
			for _, credentials := range []string{valid, "Basic " + valid, "Bearer" + valid, "Bearer " + valid + " x", "Bearer"} {
				refused(t, "as "+credentials[:6], k.ask(t, op, asked{club: k.slug, credentials: credentials}), 401, "unauthenticated")
			}
			// The club comes before validity, validity before the key.
			for _, a := range append([]asked{{}}, op.invalids()...) {
				a.token = valid
				byID, nowhere, bySlug, noSlug, foreign := a, a, a, a, a
				byID.club, nowhere.club, bySlug.club, noSlug.club = k.other.ClubID.String(), uuid.NewString(), "brook-end", "nowhere"
				k.another(t, "id of another club", op, byID, nowhere)
				k.another(t, "slug of another club", op, bySlug, noSlug)
				foreign.club, foreign.token = k.slug, theirs
				noSlug.token = theirs
				k.another(t, "another club's code", op, foreign, noSlug)
			}
			for _, a := range op.invalids() {
				for _, drop := range []string{"", "Idempotency-Key"} {
					a.club, a.token, a.drop = k.slug, valid, drop
					if s := k.ask(t, op, a); s.Status != 400 && s.Status != 422 || s.problem() == "key-missing" {
						t.Errorf("invalid: %d %s", s.Status, s.problem())
					}
				}
			}
			if op.repeat == "key" {
				refused(t, "without a key", k.ask(t, op, asked{club: k.slug, token: valid, drop: "Idempotency-Key"}), 400, "key-missing")
			}
			k.unchanged(t)
			// So that all this proves something, the code is good.
			if s := k.ask(t, op, asked{club: k.slug, token: valid}); s.Status >= 300 {
				t.Errorf("a valid code: %d %s", s.Status, s.Body)
			}
			if s := k.ask(t, op, asked{club: k.slug, token: valid}); s.Status != 401 {
				t.Errorf("the same code again, with another key: %d %s", s.Status, s.Body)
			}
			k.state = k.snapshot()
		})
	}
	if walkedOps < len(purposes) {
		t.Errorf("only %d operations take a code", walkedOps)
	}
}
