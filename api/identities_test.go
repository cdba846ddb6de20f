package api_test

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/golang-jwt/jwt/v5"
	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"

	"pinwright/api"
	"pinwright/internal/issuer"
	"pinwright/internal/issuertest"
)

// vouchedBy sets a service up with that issuer.
func vouchedBy(i *issuertest.Issuer) func(*api.Options) {
	return func(o *api.Options) {
		o.Issuer = issuer.New(issuer.Options{URL: i.URL, Audience: issuertest.Audience, Leeway: time.Minute, Now: o.Now})
	}
}

// newVouchedWorld is a world with an issuer.
func newVouchedWorld(t *testing.T) (*world, *issuertest.Issuer) {
	t.Helper()
	i := issuertest.New(t)
	return newWorld(t, vouchedBy(i)), i
}

// byID is an address in the world's club, named by its id.
func (w *world) byID(path string) string { return "/v1/clubs/" + w.club.ClubID.String() + "/" + path }

// link links subject with whoever holds token.
func (w *world) link(token, jwt string, headers ...header) *response {
	w.t.Helper()
	return w.do("POST", w.byID("identities"), token, row{"identity_token": jwt}, headers...)
}

func TestALinkedIdentitySignsIn(t *testing.T) {
	t.Parallel()
	w, i := newVouchedWorld(t)
	person := i.Sign(i.About("person-7", w.clock.now(), nil))
	w.do("GET", w.byID("me"), person, nil).want(401)

	w.as("tool_keeper")
	before := len(w.eventTypes())
	linked := w.link(w.as("tool_keeper"), person).want(201)
	if linked.str("issuer") != i.URL || linked.str("subject") != "person-7" {
		t.Errorf("%s", linked.body)
	}
	if got := w.eventTypes()[before:]; !slices.Equal(got, []string{"identity.linked"}) {
		t.Errorf("events %v", got)
	}
	if again := w.link(w.as("tool_keeper"), person).want(200); again.str("id") != linked.str("id") {
		t.Errorf("linking again: %s", again.body)
	}

	me := w.do("GET", w.byID("me"), person, nil).want(200)
	if me.str("member", "number") != "T-tool_keeper" || me.str("identity", "id") != linked.str("id") || me.get("token") != nil {
		t.Errorf("%s", me.body)
	}
	// All that the member's roles allow, and nothing more.
	model := row{"code": "R8", "name": "Reamer", "kind": "reamer", "size": "8 mm"}
	key := header{"Idempotency-Key", newID()}
	made := w.do("POST", w.byID("tool-models"), person, model, key).want(201)
	again := w.do("POST", w.byID("tool-models"), person, model, key).want(201)
	if !bytes.Equal(made.body, again.body) || again.header.Get("Idempotency-Replayed") != "true" {
		t.Errorf("the same request again is answered %s", again.body)
	}
	w.do("POST", w.byID("members"), person, row{"number": "x", "name": "X"}).want(403).wantProblem("missing-role")
	// A token of their own, a phone of their own, and only their own in the lists.
	token := w.do("POST", w.byID("tokens"), person, row{"id": newID(), "label": "desk"}).want(201)
	w.accept(w.do("POST", w.byID("pairings"), person, row{"id": newID(), "label": "phone"}).want(201).str("code")).want(201)
	list, _ := w.do("GET", w.byID("tokens"), person, nil).want(200).get("items").([]any)
	if len(list) != 3 { // with that of w.as
		t.Errorf("%d tokens are listed, want 3", len(list))
	}
	if all, _ := w.do("GET", w.byID("identities"), token.str("token"), nil).want(200).get("items").([]any); len(all) != 1 {
		t.Errorf("identities %v", all)
	}
	if none, _ := w.do("GET", w.byID("identities"), w.as("auditor"), nil).want(200).get("items").([]any); len(none) != 0 {
		t.Errorf("somebody else's identities are listed: %v", none)
	}
	for waited := 0; ; waited++ { // the day of use is noted beside the request
		all := w.do("GET", w.byID("identities"), w.officer, nil).want(200)
		if all.str("items", 0, "used_on") == w.clock.now().Format(time.DateOnly) {
			break
		}
		if waited > 200 {
			t.Fatalf("the use is not noted: %s", all.body)
		}
		time.Sleep(5 * time.Millisecond)
	}

	// The club's name is no way in, whether it is this club's or nobody's.
	id := header{"X-Request-Id", "request-of-nobody"}
	first := w.do("GET", w.at("me"), person, nil, id).want(401)
	for _, name := range []string{"nowhere", uuid.NewString(), w.found("brook-end").ClubID.String()} {
		other := w.do("GET", "/v1/clubs/"+name+"/me", person, nil, id).want(401)
		if diff := cmp.Diff(string(first.body), string(other.body)); diff != "" {
			t.Errorf("%s: %s", name, diff)
		}
	}
}

func TestUnlinkingEndsAnIdentityAtOnce(t *testing.T) {
	t.Parallel()
	w, i := newVouchedWorld(t)
	person := i.Sign(i.About("person-7", w.clock.now(), nil))
	linked := w.link(w.as("member"), person).want(201)
	at := w.byID("identities/" + linked.str("id"))
	w.do("DELETE", at, w.as("auditor"), nil).want(404)
	w.do("GET", w.byID("me"), person, nil).want(200)
	w.link(w.as("auditor"), person).want(409).wantProblem("not-allowed-now")
	before := len(w.eventTypes())
	w.do("DELETE", at, w.officer, nil).want(200)
	if got := w.eventTypes()[before:]; !slices.Equal(got, []string{"identity.unlinked"}) {
		t.Errorf("events %v", got)
	}
	w.do("GET", w.byID("me"), person, nil).want(401)
	w.do("DELETE", at, w.officer, nil).want(404)
	// It may then be somebody else's.
	w.link(w.as("auditor"), person).want(201)
	if got := w.do("GET", w.byID("me"), person, nil).want(200).str("member", "number"); got != "T-auditor" {
		t.Errorf("it is %s now", got)
	}
	// Who is disabled is nobody.
	w.do("PATCH", w.at("members/T-auditor"), w.officer, row{"disabled": true}, header{"If-Match", "*"}).want(200)
	w.do("GET", w.byID("me"), person, nil).want(401)
}

func TestLinkingIsRefusedWithoutBothProofs(t *testing.T) {
	t.Parallel()
	w, i := newVouchedWorld(t)
	now := w.clock.now()
	mine := w.as("member")
	good := i.Sign(i.About("person-7", now, nil))
	for what, token := range map[string]string{
		"for another audience": i.Sign(i.About("person-7", now, issuertest.Claims{"aud": "another"})),
		"expired":              i.Sign(i.About("person-7", now.Add(-2*time.Hour), nil)),
		"unsigned":             i.SignWith(jwt.SigningMethodNone, jwt.UnsafeAllowNoneSignatureType, "", i.About("person-7", now, nil)),
		"garbage":              "xxxxx.yyyyy.zzzzz",
		"no token":             "letmein",
	} {
		r := w.link(mine, token).want(422).wantFault("/identity_token")
		if strings.Contains(string(r.body), token) {
			t.Errorf("%s: the answer shows the token", what)
		}
		w.link("", token).want(401) // authentication first
	}
	device := w.do("POST", w.at("tokens"), mine, row{"id": newID(), "label": "tablet", "kind": "device", "scopes": []string{"write"}}).want(201).str("token")
	w.link(device, good).want(403).wantProblem("insufficient-scope")
	w.link(good, good).want(401) // who is not linked links nobody
	w.clock.advance(20 * time.Minute)
	i.Fail(nil)
	i.Rotate()
	if r := w.link(mine, i.Sign(i.About("person-7", w.clock.now(), nil))).want(503).wantProblem("unavailable"); r.header.Get("Retry-After") == "" {
		t.Error("no Retry-After")
	}
	w.link("", "letmein").want(401)

	without := newWorld(t)
	without.do("POST", without.at("identities"), without.officer, row{"identity_token": good}).want(409).wantProblem("not-allowed-now")
	without.do("GET", without.byID("me"), good, nil).want(401)
}

func TestOneOfTwoLinksAnIdentity(t *testing.T) {
	t.Parallel()
	w, i := newVouchedWorld(t)
	both := []string{w.as("member"), w.as("auditor")}
	for n := range 8 {
		person := i.Sign(i.About(fmt.Sprint("person-", n), w.clock.now(), nil))
		got, _ := race(2, func(k int) *response { return w.link(both[k], person) })
		if got[201] != 1 || got[409] != 1 {
			t.Errorf("two at once are answered %v", got)
		}
	}
}

// One person may be in two clubs: two members, linked each for themselves.
func TestAnIdentityIsLinkedClubByClub(t *testing.T) {
	t.Parallel()
	w, i := newVouchedWorld(t)
	other := w.found("brook-end")
	person := i.Sign(i.About("person-7", w.clock.now(), nil))
	w.link(w.officer, person).want(201)
	there := "/v1/clubs/" + other.ClubID.String()
	w.do("GET", there+"/me", person, nil).want(401)
	w.do("POST", there+"/identities", other.Secret.Reveal(), row{"identity_token": person}).want(201)
	w.do("GET", there+"/me", person, nil).want(200)
	if got := w.do("GET", w.byID("me"), person, nil).want(200).str("club", "slug"); got != w.slug {
		t.Errorf("in the first club they are in %s", got)
	}
}

func TestRotatedKeysAndOutagesWhileServing(t *testing.T) {
	t.Parallel()
	i := issuertest.New(t)
	i.Fail(nil) // from before the service starts
	w := newWorld(t, vouchedBy(i))
	person := func() string { return i.Sign(i.About("person-7", w.clock.now(), nil)) }
	down := w.do("GET", w.byID("me"), person(), nil).want(503).wantProblem("unavailable")
	if down.header.Get("Retry-After") == "" || down.header.Get("WWW-Authenticate") != "" {
		t.Errorf("%v", down.header)
	}
	w.do("GET", w.byID("me"), w.officer, nil).want(200)
	w.do("GET", "/readyz", "", nil).want(200)

	i.Mend()
	w.clock.advance(11 * time.Second)
	w.link(w.officer, person()).want(201)
	old := person()
	w.do("GET", w.byID("me"), old, nil).want(200)
	i.Rotate()
	w.clock.advance(11 * time.Second)
	w.do("GET", w.byID("me"), person(), nil).want(200)
	w.do("GET", w.byID("me"), old, nil).want(401)

	kept := person()
	i.Fail(nil)
	w.clock.advance(30 * time.Minute)
	w.do("GET", w.byID("me"), kept, nil).want(200) // the keys are at hand
	i.Rotate()
	w.clock.advance(11 * time.Second)
	w.do("GET", w.byID("me"), person(), nil).want(503)
	w.do("GET", w.byID("me"), w.officer, nil).want(200)
}

// However a token of the issuer is wrong, every operation answers as to no token
// at all, in every byte.
func TestEveryOperationRefusesWrongTokensOfTheIssuerAlike(t *testing.T) {
	t.Parallel()
	i := issuertest.New(t)
	k := newWalk(t, vouchedBy(i))
	now := k.clock.now()
	link := func(subject string, member uuid.UUID) {
		if _, err := k.db.Owner.Exec(t.Context(), `insert into member_identity (club_id, hash, id, member_id, issuer, subject, linked_at, used_on)
			values ($1, sha256(convert_to($2 || ' ' || $3, 'UTF8')), $4, $5, $2, $3, '2026-01-01', '2126-01-01')`,
			k.club.ClubID, i.URL, subject, uuid.Must(uuid.NewV7()), member); err != nil {
			t.Fatal(err)
		}
	}
	link("allowed", k.memberWith(allRoles, nil))
	link("disabled", k.memberWith(allRoles, &now))
	k.state = k.snapshot()
	about := func(subject string, more issuertest.Claims) issuertest.Claims { return i.About(subject, now, more) }
	public, kid := i.Key()
	valid := i.Sign(about("allowed", nil))
	tokens := map[string]string{
		"an unknown subject":       i.Sign(about("nobody", nil)),
		"a disabled member":        i.Sign(about("disabled", nil)),
		"a wrong audience":         i.Sign(about("allowed", issuertest.Claims{"aud": "another"})),
		"expired":                  i.Sign(about("allowed", issuertest.Claims{"exp": now.Add(-time.Hour).Unix()})),
		"not yet valid":            i.Sign(about("allowed", issuertest.Claims{"nbf": now.Add(time.Hour).Unix()})),
		"a wrong issuer":           i.Sign(about("allowed", issuertest.Claims{"iss": "https://else.example"})),
		"alg none":                 i.SignWith(jwt.SigningMethodNone, jwt.UnsafeAllowNoneSignatureType, kid, about("allowed", nil)),
		"HMAC with the public key": i.SignWith(jwt.SigningMethodHS256, []byte(fmt.Sprint(public)), kid, about("allowed", nil)),
		"garbage":                  "xxxxx.yyyyy.zzzzz",
		"a changed payload":        valid[:strings.Index(valid, ".")+5] + "X" + valid[strings.Index(valid, ".")+6:],
	}
	for _, op := range inClub(t) {
		t.Run(op.id, func(t *testing.T) {
			id := uuid.NewString()
			nobody := k.ask(t, op, asked{club: k.slug, id: id})
			refused(t, "no token", nobody, 401, "unauthenticated")
			for what, token := range tokens {
				for _, a := range append([]asked{{}}, op.invalids()...) {
					for _, club := range []string{k.club.ClubID.String(), k.other.ClubID.String(), k.slug} {
						a.club, a.token, a.id = club, token, id
						s := k.ask(t, op, a)
						s.RoundTrips, s.Statements = 0, nil
						if diff := cmp.Diff(nobody, s); diff != "" {
							t.Fatalf("%s is answered otherwise than no token:\n%s", what, diff)
						}
					}
				}
			}
			// So that this proves something: the right one is somebody.
			if s := k.ask(t, op, asked{club: k.club.ClubID.String(), token: valid, query: "?no_such_parameter=1"}); s.problem() != "invalid-request" {
				t.Errorf("a valid token: %d %s", s.Status, s.Body)
			}
			k.unchanged(t)
		})
	}
}
