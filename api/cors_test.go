package api_test

import (
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"

	"github.com/getkin/kin-openapi/openapi3"

	"pinwright/api"
	"pinwright/internal/access"
)

const (
	listed   = "https://garage.example"
	unlisted = "https://elsewhere.example"
)

// originForms are what a browser or somebody else may send as Origin without
// being a page that the club lists.
var originForms = []string{unlisted, "null", "*", "https://garage.example.elsewhere.example", "https://garage.example:8443", "http://garage.example", "https://Garage.example", listed + " ", listed + ", " + unlisted, ""}

func (k *walk) list(t *testing.T, origins ...string) {
	t.Helper()
	if _, err := k.db.Owner.Exec(t.Context(), `update club set origins = $2 where club_id = $1`, k.club.ClubID, origins); err != nil {
		t.Fatal(err)
	}
	k.state = k.snapshot()
}

// page asks as a page of that origin does.
func (k *walk) page(t *testing.T, op walked, a asked, origin string) seen {
	t.Helper()
	a.origin = origin
	return k.ask(t, op, a)
}

func mayRead(s seen, origin string) bool {
	allow := s.Header.Get("Access-Control-Allow-Origin")
	return allow == origin || allow == "*"
}

// Pages of origins that the club does not list are refused before anything takes
// effect, and can read nothing of a club.
func TestEveryOperationRefusesPagesOfOriginsThatTheClubDoesNotList(t *testing.T) {
	t.Parallel()
	k := newWalk(t)
	k.list(t, listed)
	theirs := access.NewSecret(k.other.ClubID).Reveal()
	for _, op := range inClub(t) {
		t.Run(op.id, func(t *testing.T) {
			for _, origin := range originForms {
				if origin == "" {
					continue
				}
				for _, a := range append([]asked{{}}, op.invalids()...) { // origin before validity
					a.club, a.token = k.slug, k.all
					s := k.page(t, op, a, origin)
					refused(t, "from "+origin, s, 403, "origin-not-allowed")
					if (s.Header.Get("Access-Control-Allow-Origin") != "") != (origin == unlisted || strings.HasPrefix(origin, "https://garage.example.") || origin == "https://garage.example:8443") {
						t.Errorf("from %q: Access-Control-Allow-Origin %q; the refusal may be read by a page of a true origin, and nobody else is ever named", origin, s.Header.Get("Access-Control-Allow-Origin"))
					}
				}
			}
			// Who is not signed in is told so, readably, and nothing else; the club comes before the origin.
			s := k.page(t, op, asked{club: k.slug, token: theirs}, unlisted)
			refused(t, "not signed in", s, 401, "unauthenticated")
			if !mayRead(s, unlisted) {
				t.Error("a page cannot tell that its token has expired")
			}
			s = k.page(t, op, asked{club: "brook-end", token: k.all}, unlisted)
			refused(t, "another club", s, 404, "not-found")
			if mayRead(s, unlisted) {
				t.Error("a page of an origin that is not listed reads what comes after the caller is known")
			}
			k.unchanged(t)
		})
	}
}

func TestEveryOperationServesPagesOfListedOrigins(t *testing.T) {
	t.Parallel()
	k := newWalk(t)
	k.list(t, "https://other.example", listed)
	for _, op := range inClub(t) {
		t.Run(op.id, func(t *testing.T) {
			a := op.invalids()[0]
			a.club, a.token = k.slug, k.all
			for _, origin := range []string{listed, "http://example.com", ""} { // httptest's own host
				s := k.page(t, op, a, origin)
				if s.problem() == "origin-not-allowed" {
					t.Errorf("from %q: %s", origin, s.Body)
				}
				if mayRead(s, listed) != (origin == listed) {
					t.Errorf("from %q: Access-Control-Allow-Origin %q", origin, s.Header.Get("Access-Control-Allow-Origin"))
				}
				if !strings.HasPrefix(s.Header.Get("Vary"), "Origin") {
					t.Errorf("from %q: Vary is %q; a cache must not show one origin's answer to another (Fetch, “CORS protocol and HTTP caches”)", origin, s.Header.Values("Vary"))
				}
				if s.Header.Get("Access-Control-Allow-Credentials") != "" {
					t.Error("credentials are allowed")
				}
				if origin != "" && s.RoundTrips > 1 {
					t.Errorf("from %q: %d round trips", origin, s.RoundTrips)
				}
			}
		})
	}
}

func TestEveryOperationThatIsOpenIsReadByEveryPage(t *testing.T) {
	t.Parallel()
	k := newWalk(t)
	for _, op := range everyOperation(t) {
		if op.roles != nil || op.code != "" || op.secret {
			continue
		}
		ids := map[string]string{}
		for _, p := range op.params {
			if p.Value.In == openapi3.ParameterInPath {
				ids[p.Value.Name] = openPlace(p)
			}
		}
		s := k.page(t, op, asked{ids: ids}, unlisted)
		if s.Header.Get("Access-Control-Allow-Origin") != "*" || s.Status >= 400 && s.Status != 422 {
			t.Errorf("%s: %d, Access-Control-Allow-Origin %q", op, s.Status, s.Header.Get("Access-Control-Allow-Origin"))
		}
	}
}

// A preflight is answered from the contract alone: the same for every club, place,
// and origin, whatever is there.
func TestPreflightsGiveNothingAway(t *testing.T) {
	t.Parallel()
	k := newWalk(t)
	k.list(t, listed)
	preflight := func(path, origin string) (*httptest.ResponseRecorder, int) {
		ctx, asked := traced(t.Context())
		r := httptest.NewRequestWithContext(ctx, http.MethodOptions, path, nil)
		r.Header.Set("Origin", origin)
		r.Header.Set("Access-Control-Request-Method", "PATCH")
		r.Header.Set("Access-Control-Request-Headers", "authorization,if-match")
		r.Header.Set("X-Request-Id", "the-same-for-all")
		rec := httptest.NewRecorder()
		k.handler.ServeHTTP(rec, r)
		return rec, asked.roundTrips
	}
	want, _ := preflight("/v1/clubs/"+k.slug, listed)
	h := want.Header()
	for _, method := range []string{"GET", "HEAD", "POST", "PATCH", "DELETE"} {
		if !slices.Contains(strings.Split(h.Get("Access-Control-Allow-Methods"), ", "), method) {
			t.Errorf("Access-Control-Allow-Methods %q lacks %s", h.Get("Access-Control-Allow-Methods"), method)
		}
	}
	for _, field := range []string{"Authorization", "Content-Type", "Idempotency-Key", "If-Match", "If-None-Match", "X-Request-Id"} {
		if !slices.Contains(strings.Split(h.Get("Access-Control-Allow-Headers"), ", "), field) {
			t.Errorf("Access-Control-Allow-Headers %q lacks %s", h.Get("Access-Control-Allow-Headers"), field)
		}
	}
	if want.Code != 204 || h.Get("Access-Control-Allow-Origin") != listed || h.Get("Access-Control-Max-Age") != "7200" || h.Get("Access-Control-Allow-Credentials") != "" {
		t.Errorf("%d %v", want.Code, h)
	}
	for _, path := range []string{"/v1/clubs/brook-end", "/v1/clubs/nowhere/garages/x", "/v1/calc/fit", "/nothing", "/"} {
		got, trips := preflight(path, listed)
		if got.Code != 204 || trips != 0 || got.Body.Len() > 0 {
			t.Errorf("%s: %d, %d round trips, %q", path, got.Code, trips, got.Body)
		}
		for name := range want.Header() {
			if got.Header().Get(name) != want.Header().Get(name) {
				t.Errorf("%s: %s is %q, elsewhere %q", path, name, got.Header().Get(name), want.Header().Get(name))
			}
		}
	}
	for _, origin := range originForms {
		got, _ := preflight("/v1/clubs/"+k.slug, origin)
		allow := got.Header().Get("Access-Control-Allow-Origin")
		if allow != "" && (allow != origin || strings.ContainsAny(origin, "*, ") || origin == "null") {
			t.Errorf("from %q: Access-Control-Allow-Origin %q", origin, allow)
		}
	}
}

func TestTheOfficerKeepsTheListOfOrigins(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	at := "/v1/clubs/" + w.slug
	club := w.do("GET", at, w.officer, nil).want(200)
	if list, ok := club.get("origins").([]any); !ok || len(list) != 0 {
		t.Errorf("a new club lists %v", club.get("origins"))
	}
	w.do("GET", at, w.officer, nil, header{"Origin", listed}).want(403).wantProblem("origin-not-allowed")
	match := header{"If-Match", club.header.Get("ETag")}
	for pointer, origins := range map[string][]string{
		"/origins/0": {"null"}, "/origins/1": {listed, "http://garage.example"}, "/origins/2": {listed, unlisted, "https://garage.example/"},
	} {
		w.do("PATCH", at, w.officer, map[string]any{"origins": origins}, match).want(422).wantFault(pointer)
	}
	w.do("PATCH", at, w.officer, map[string]any{"origins": []string{listed, listed}}, match).want(422)
	w.do("PATCH", at, w.officer, map[string]any{"origins": []string{"https://garage.example:443"}}, match).want(422).wantFault("/origins/0")
	changed := w.do("PATCH", at, w.officer, map[string]any{"origins": []string{listed}}, match).want(200)
	got := w.do("GET", at, w.officer, nil, header{"Origin", listed}).want(200)
	if got.header.Get("Access-Control-Allow-Origin") != listed || !strings.Contains(got.header.Get("Access-Control-Expose-Headers"), "ETag, Idempotency-Replayed, Link, Location, RateLimit, RateLimit-Policy, Retry-After") {
		t.Errorf("%v", got.header)
	}
	w.do("PATCH", at, w.as("member"), map[string]any{"origins": []string{}}, header{"If-Match", changed.header.Get("ETag")}).want(403)
	w.do("PATCH", at, w.officer, map[string]any{"origins": []string{}}, header{"If-Match", changed.header.Get("ETag")}).want(200)
	w.do("GET", at, w.officer, nil, header{"Origin", listed}).want(403) // takes effect with the next request
}

// With a public URL, only its own pages are the service's own, however it was
// reached: a name that somebody else made point here is not.
func TestOnlyThePublicURLIsTheServicesOwn(t *testing.T) {
	t.Parallel()
	e := newEdge(t, nil, api.Options{PublicURL: "https://pins.example/club"})
	for origin, want := range map[string]int{"https://pins.example": 200, e.url: 403, "https://pins.example/club": 403} {
		if r, body := e.send(t, "GET", "/v1/clubs/hollow-lane", nil, append(bearer(e.officer), "Origin", origin)...); r.StatusCode != want {
			t.Errorf("from %s: %d %s, want %d", origin, r.StatusCode, body, want)
		}
	}
}
