package api_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"

	"pinwright/internal/access"
	"pinwright/internal/specimen"
)

func TestEveryOperationNeedsAValidToken(t *testing.T) {
	t.Parallel()
	k := newWalk(t)
	now := k.clock.now()
	issue := func(roles []string, expires time.Time, revoked, disabled *time.Time) string {
		secret := access.NewSecret(k.club.ClubID)
		k.issue(secret, roles, []string{"write"}, expires, revoked, disabled)
		return secret.Reveal()
	}
	valid := k.all
	other := access.NewSecret(k.other.ClubID).Reveal()
	tokens := map[string]string{
		"no token":                          "",
		"no token's text":                   "letmein",
		"a text that is like a token's":     "pw_" + strings.Repeat("A", 64) + "_00000000",
		"a token with one letter changed":   valid[:20] + string(valid[20]^1) + valid[21:],
		"a token that was never made":       access.NewSecret(k.club.ClubID).Reveal(),
		"one of another club, never made":   other,
		"one of no club at all":             access.NewSecret(uuid.New()).Reveal(),
		"an expired token":                  issue(allRoles, now, nil, nil),
		"a revoked token":                   issue(allRoles, now.Add(time.Hour), &now, nil),
		"a disabled member's token":         issue(allRoles, now.Add(time.Hour), nil, &now),
		"a token that is cut off":           valid[:len(valid)-1],
		"a valid token with something more": valid + "0",
		"a text like an issuer's token":     "eyJhbGciOiJub25lIn0.eyJzdWIiOiJ4In0.",
	}
	k.state = k.snapshot()
	for _, op := range inClub(t) {
		t.Run(op.id, func(t *testing.T) {
			for what, token := range tokens {
				for _, a := range append([]asked{{}}, op.invalids()...) { // however wrong the rest may be
					a.club, a.token = k.slug, token
					s := k.ask(t, op, a)
					refused(t, what, s, 401, "unauthenticated")
					if !strings.HasPrefix(s.Header.Get("WWW-Authenticate"), "Bearer") {
						t.Errorf("%s: no WWW-Authenticate (RFC 9110, 11.6.1)", what)
					}
				}
			}
			for _, credentials := range []string{valid, "Basic " + valid, "Bearer" + valid, "Bearer " + valid + " x", "Bearer"} {
				refused(t, "as "+credentials[:6], k.ask(t, op, asked{club: k.slug, credentials: credentials}), 401, "unauthenticated")
			}
			k.unchanged(t)
		})
	}
}

// another compares what is asked twice, with something of another club and with
// something that is nowhere: no difference may show, neither in the answer nor
// in what the database was asked.
func (k *walk) another(t *testing.T, what string, op walked, foreign, nowhere asked) {
	t.Helper()
	id := uuid.NewString()
	foreign.id, nowhere.id = id, id
	a, b := k.ask(t, op, foreign), k.ask(t, op, nowhere)
	refused(t, what, a, 404, "not-found")
	if diff := cmp.Diff(b, a); diff != "" {
		t.Errorf("%s: what is another club's is told from what is nowhere (-nowhere +another club's):\n%s", what, diff)
	}
}

func TestEveryOperationHidesWhetherAnotherClubExists(t *testing.T) {
	t.Parallel()
	k := newWalk(t)
	may, mayNot := k.all, k.member([]string{"auditor"}, "read") // the club comes before role and scope
	k.state = k.snapshot()
	for _, op := range inClub(t) {
		t.Run(op.id, func(t *testing.T) {
			mine, theirs := map[string]string{}, map[string]string{}
			for _, name := range op.pathParams() {
				thing := specimenOf(op, name)
				mine[name], theirs[name] = k.mine.ID[thing].String(), k.theirs.ID[thing].String()
			}
			for _, a := range append([]asked{{}}, op.invalids()...) { // an invalid request is no way round
				for what, ids := range map[string]map[string]string{"own things": mine, "their things": theirs} {
					a.ids, a.token = ids, may
					if what == "their things" {
						a.token = mayNot
					}
					byID, bySlug, byNil, nowhere, noSlug := a, a, a, a, a
					byID.club, bySlug.club, byNil.club = k.other.ClubID.String(), "brook-end", uuid.Nil.String()
					nowhere.club, noSlug.club = uuid.NewString(), "nowhere"
					k.another(t, "id of another club, "+what, op, byID, nowhere)
					k.another(t, "slug of another club, "+what, op, bySlug, noSlug)
					k.another(t, "no club, "+what, op, byNil, nowhere)
				}
			}
			k.unchanged(t)
		})
	}
}

func TestEveryOperationHidesThingsOfAnotherClub(t *testing.T) {
	t.Parallel()
	k := newWalk(t)
	for _, op := range inClub(t) {
		t.Run(op.id, func(t *testing.T) {
			for _, name := range op.pathParams() {
				foreign, nowhere := asked{club: k.slug, token: k.all}, asked{club: k.slug, token: k.all}
				foreign.ids, nowhere.ids = map[string]string{name: k.theirs.ID[name].String()}, map[string]string{name: newID()}
				k.another(t, name+" by id", op, foreign, nowhere)
				if op.takesNames(name) {
					if k.theirs.Name[name] == "" {
						t.Fatalf("package specimen gives the %s no name", name)
					}
					foreign.ids, nowhere.ids = map[string]string{name: k.theirs.Name[name]}, map[string]string{name: "nowhere"}
					k.another(t, name+" by name", op, foreign, nowhere)
				}
			}
			k.unchanged(t)
		})
	}
}

func TestEveryOperationAsksForItsRolesAndScope(t *testing.T) {
	t.Parallel()
	k := newWalk(t)
	byRole := map[string]string{}
	for _, role := range allRoles {
		byRole[role] = k.member([]string{role}, "write")
	}
	readOnly, device := k.member(allRoles, "read"), k.member(allRoles, "read", "readings")
	k.state = k.snapshot()
	for _, op := range inClub(t) {
		t.Run(op.id, func(t *testing.T) {
			for _, role := range op.roles {
				if byRole[role] == "" {
					t.Fatalf("the walk does not know the role %q", role)
				}
			}
			short := map[string][]string{"read": nil, "readings": {readOnly}, "write": {readOnly, device}}
			tooLittle, known := short[op.scope]
			if !known {
				t.Fatalf("the walk does not know the scope %q", op.scope)
			}
			for _, a := range append([]asked{{}}, op.invalids()...) { // role before validity
				a.club = k.slug
				for _, role := range allRoles {
					if !slices.Contains(op.roles, role) {
						a.token = byRole[role]
						refused(t, "as "+role, k.ask(t, op, a), 403, "missing-role")
					}
				}
				for _, token := range tooLittle {
					a.token = token
					refused(t, "with too narrow a token", k.ask(t, op, a), 403, "insufficient-scope")
				}
			}
			k.unchanged(t)
		})
	}
}

func TestEveryOperationChecksValidityThenKeyThenVersionThenExistence(t *testing.T) {
	t.Parallel()
	k := newWalk(t)
	for _, op := range inClub(t) {
		t.Run(op.id, func(t *testing.T) {
			nowhere := map[string]string{}
			for _, name := range op.pathParams() {
				nowhere[name] = newID()
			}
			for _, ids := range []map[string]string{nil, nowhere} {
				for _, a := range op.invalids() {
					for _, drop := range []string{"", "Idempotency-Key", "If-Match"} {
						a.club, a.token, a.ids, a.drop = k.slug, k.all, ids, drop
						s := k.ask(t, op, a)
						if s.Status == 400 {
							refused(t, "invalid", s, 400, "malformed-request")
						} else {
							refused(t, "invalid", s, 422, "invalid-request")
						}
					}
				}
				if op.repeat == "key" {
					refused(t, "without a key", k.ask(t, op, asked{club: k.slug, token: k.all, ids: ids, drop: "Idempotency-Key"}), 400, "key-missing")
				}
				if op.ifMatch {
					refused(t, "without a version", k.ask(t, op, asked{club: k.slug, token: k.all, ids: ids, drop: "If-Match"}), 428, "precondition-required")
				}
			}
			if len(nowhere) > 0 {
				refused(t, "nowhere", k.ask(t, op, asked{club: k.slug, token: k.all, ids: nowhere}), 404, "not-found")
			}
			k.unchanged(t)
		})
	}
}

// A reference in a body to another club's thing is answered as one to nothing.
// So that this proves something, one's own thing must be answered otherwise.
func TestEveryBodyHidesThingsOfAnotherClub(t *testing.T) {
	t.Parallel()
	k := newWalk(t)
	first, marks := k.mine, 0
	for _, op := range inClub(t) {
		for media, content := range op.bodies() {
			for _, p := range references(t, content.Schema) {
				t.Run(op.id+" "+media+p.pointer, func(t *testing.T) {
					// More things of its own for every place, since some are used up by being acted on.
					marks++
					var err error
					if k.mine, err = specimen.Fill(t.Context(), k.db.Owner, k.club.ClubID, fmt.Sprintf("mine%d", marks)); err != nil {
						t.Fatal(err)
					}
					nowhere, id := newID(), uuid.NewString()
					b := k.ask(t, op, asked{club: k.slug, token: k.all, id: id, body: p.body(nowhere)})
					for table, theirs := range k.theirs.ID {
						a := k.ask(t, op, asked{club: k.slug, token: k.all, id: id, body: p.body(theirs.String())})
						a.Body = strings.ReplaceAll(a.Body, theirs.String(), nowhere)
						if diff := cmp.Diff(b, a); diff != "" {
							t.Errorf("%s of another club is told from nothing (-nowhere +another club's):\n%s", table, diff)
						}
					}
					told := false
					for table, mine := range k.mine.ID {
						for _, own := range []uuid.UUID{first.ID[table], mine} {
							if !told {
								c := k.ask(t, op, asked{club: k.slug, token: k.all, id: id, body: p.body(own.String())})
								told = strings.ReplaceAll(c.Body, own.String(), nowhere) != b.Body
							}
						}
					}
					if !told {
						t.Errorf("nothing of one's own is answered otherwise than nothing: the reference was never looked up, so this proves nothing\n%s", k.ask(t, op, asked{club: k.slug, token: k.all, body: p.body(newID())}).Body)
					}
				})
			}
		}
	}
}

// openPlace is what may stand in the address of a public operation: a word of the
// contract's own, which tells of nobody, or a hash that no record has (what is told
// of others is held in TestRecordIsWrittenWithTheSignOffAndChainedPerVehicle).
func openPlace(p *openapi3.ParameterRef) string {
	if words := p.Value.Schema.Value.Enum; len(words) > 0 {
		return words[0].(string)
	}
	if p.Value.Name == "record_hash" {
		return strings.Repeat("0", 64)
	}
	return ""
}

func TestEveryOtherOperationIsPublicAndKeepsNothing(t *testing.T) {
	t.Parallel()
	k := newWalk(t)
	for _, op := range everyOperation(t) {
		if op.roles != nil || op.code != "" || op.secret { // walked above, by TestEveryOperationWithACodeRefusesAllOthers or by TestEverySecretAddressAnswersOthersAlike
			continue
		}
		t.Run(op.id, func(t *testing.T) {
			if op.spec.Security == nil || len(*op.spec.Security) > 0 {
				t.Error("has no x-roles but asks for security")
			}
			if strings.Contains(op.path, "{club}") {
				t.Fatal("is public but names a club in its address")
			}
			ids := map[string]string{}
			for _, p := range op.params {
				if p.Value.In != openapi3.ParameterInPath {
					continue
				}
				place := openPlace(p)
				if place == "" {
					t.Fatalf("is public but takes any %s in its address; teach the walk what may be seen there", p.Value.Name)
				}
				ids[p.Value.Name] = place
			}
			for _, token := range []string{"", "letmein", k.all} {
				if s := k.ask(t, op, asked{token: token, ids: ids}); s.Status >= 300 && s.Status != 422 {
					t.Errorf("answered %d %s", s.Status, s.Body)
				}
			}
			if op.spec.RequestBody != nil {
				for _, a := range op.invalids() {
					a.ids = ids
					if s := k.ask(t, op, a); s.Status != 422 && s.Status != 400 {
						t.Errorf("an invalid request was answered %d %s", s.Status, s.Body)
					}
				}
			}
			k.unchanged(t)
		})
	}
}
