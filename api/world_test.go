package api_test

import (
	"bytes"
	"encoding/json"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/getkin/kin-openapi/openapi3filter"
	"github.com/getkin/kin-openapi/routers"
	"github.com/getkin/kin-openapi/routers/gorillamux"
	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/api"
	"pinwright/internal/founding"
	"pinwright/internal/pgtest"
	"pinwright/internal/postgres"
	"pinwright/openapi"
)

func TestMain(m *testing.M) { pgtest.Main(m) }

// clock is a clock that stands until it is set.
type clock struct {
	mu sync.Mutex
	at time.Time
}

func (c *clock) now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.at
}

func (c *clock) advance(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.at = c.at.Add(d)
}

// world is one test's service with one founded club, on a database of its own.
// Every answer that passes through it is held against the contract.
type world struct {
	t       testing.TB
	db      *pgtest.DB
	clock   *clock
	handler http.Handler
	router  routers.Router
	club    founding.Club
	slug    string
	feed    string // where a calendar is asked for
	officer string // the first officer's token
	tokens  map[string]string
	log     *testLog
	guests  []string // codes of invitations nobody has accepted yet
	study   string   // id of a gauge study
	waits   []string // addresses of entries of the waiting list
	booked  string   // id of a reservation

	untouched untouched
	countOnce sync.Once
	countSQL  string
}

func init() {
	for _, mediaType := range []string{"image/jpeg", "image/png", "image/svg+xml"} {
		openapi3filter.RegisterBodyDecoder(mediaType, openapi3filter.FileBodyDecoder)
	}
}

// contractRead is the contract, parsed once for all tests.
var contractRead = sync.OnceValues(func() (*openapi3.T, error) { return openapi3.NewLoader().LoadFromData(openapi.YAML) })

// contractRouter finds the operation of an answer.
var contractRouter = sync.OnceValues(func() (routers.Router, error) {
	doc, err := contractRead()
	if err != nil {
		return nil, err
	}
	return gorillamux.NewRouter(doc)
})

func newWorld(t testing.TB, adjust ...func(*api.Options)) *world {
	t.Helper()
	db := pgtest.New(t)
	return newWorldOn(t, db, db.App, adjust...)
}

// newWorldOn serves from the pool given; adjust may change what the server is
// made of.
func newWorldOn(t testing.TB, db *pgtest.DB, pool *pgxpool.Pool, adjust ...func(*api.Options)) *world {
	t.Helper()
	// Near the real time, since clients make UUIDv7 keys by the real clock.
	w := &world{t: t, db: db, clock: &clock{at: time.Now().UTC().Truncate(time.Millisecond)}, tokens: map[string]string{}, log: logOf(t)}
	o := api.Options{Pool: pool, Now: w.clock.now, Log: slog.New(slog.NewJSONHandler(w.log, nil))}
	for _, change := range adjust {
		change(&o)
	}
	server, err := api.New(o)
	if err != nil {
		t.Fatal(err)
	}
	w.handler = server.Handler()
	if w.router, err = contractRouter(); err != nil {
		t.Fatal(err)
	}
	w.club = w.found("hollow-lane")
	w.slug = "hollow-lane"
	w.officer = w.club.Secret.Reveal()
	return w
}

// found makes a club beside the world's own.
func (w *world) found(slug string) founding.Club {
	w.t.Helper()
	c, err := founding.Create(w.t.Context(), &postgres.DB{Pool: w.db.Owner}, founding.Charter{
		Slug: slug, Name: "Hollow Lane Garages", Currency: "EUR", Units: "mm", OfficerNumber: "M1", OfficerName: "Odile Farrow"}, w.clock.now())
	if err != nil {
		w.t.Fatal(err)
	}
	return c
}

// as returns the token of a member who has just that role (or those roles,
// joined by a comma), made on first use.
func (w *world) as(roles string) string {
	w.t.Helper()
	if token, ok := w.tokens[roles]; ok {
		return token
	}
	number := "T-" + strings.ReplaceAll(roles, ",", "-")
	list := strings.Split(roles, ",")
	m := w.do("POST", w.at("members"), w.officer, map[string]any{"number": number, "name": "Member with " + roles, "roles": list}).want(201)
	token := w.do("POST", w.at("tokens"), w.officer, map[string]any{"id": newID(), "label": "test", "member": m.str("id")}).want(201).str("token")
	w.tokens[roles] = token
	return token
}

// at is an address in the world's club.
func (w *world) at(path string) string { return "/v1/clubs/" + w.slug + "/" + path }

func newID() string { return uuid.Must(uuid.NewV7()).String() }

// response is an answer with its body.
type response struct {
	t      testing.TB
	what   string
	status int
	header http.Header
	body   []byte
}

// header is one header of a request, for do.
type header struct{ name, value string }

// raw is a body that is sent as it stands.
type raw string

// do sends a request and holds the answer against the contract. A write gets a
// fresh Idempotency-Key unless headers carry one; an empty one is sent as none.
func (w *world) do(method, path, token string, body any, headers ...header) *response {
	w.t.Helper()
	var text []byte
	switch b := body.(type) {
	case nil:
	case raw:
		text = []byte(b)
	default:
		var err error
		if text, err = json.Marshal(b); err != nil {
			w.t.Fatal(err)
		}
	}
	r := httptest.NewRequest(method, path, bytes.NewReader(text))
	if token != "" {
		r.Header.Set("Authorization", "Bearer "+token)
	}
	switch {
	case method == "PATCH":
		r.Header.Set("Content-Type", "application/merge-patch+json")
	case body != nil:
		r.Header.Set("Content-Type", "application/json")
	}
	if method != "GET" {
		r.Header.Set("Idempotency-Key", newID())
	}
	for _, h := range headers {
		if h.value == "" {
			r.Header.Del(h.name)
		} else {
			r.Header.Set(h.name, h.value)
		}
	}
	rec := httptest.NewRecorder()
	end := w.begin(method)
	w.handler.ServeHTTP(rec, r)
	if left := end(rec.Code); left != "" {
		w.t.Errorf("%s %s: refused with %d, but left behind (-before +after):\n%s", method, path, rec.Code, left)
	}
	out := &response{t: w.t, what: method + " " + path, status: rec.Code, header: rec.Result().Header, body: rec.Body.Bytes()}
	w.holdToContract(r, out)
	return out
}

func (w *world) holdToContract(r *http.Request, out *response) {
	w.t.Helper()
	route, params, err := w.router.FindRoute(r)
	if err != nil {
		if out.status < 400 || out.status >= 500 {
			w.t.Errorf("%s is not in the contract but was answered %d", out.what, out.status)
		}
		return
	}
	in := &openapi3filter.ResponseValidationInput{
		RequestValidationInput: &openapi3filter.RequestValidationInput{Request: r, PathParams: params, Route: route},
		Status:                 out.status, Header: out.header,
		Options: &openapi3filter.Options{IncludeResponseStatus: true, MultiError: true},
	}
	in.SetBodyBytes(out.body)
	if err := openapi3filter.ValidateResponse(w.t.Context(), in); err != nil {
		w.t.Errorf("%s: the answer breaks the contract: %v\n%s", out.what, err, out.body)
	}
	if out.status >= 400 {
		code := strings.TrimPrefix(out.str("type"), "/problems/")
		listed := false
		allowed, _ := route.Operation.Extensions["x-problems"].([]any)
		for _, p := range allowed {
			listed = listed || p == code
		}
		if !listed {
			w.t.Errorf("%s: problem %q is not in the operation's x-problems %v", out.what, code, allowed)
		}
	}
}

func (r *response) want(status int) *response {
	r.t.Helper()
	if r.status != status {
		r.t.Fatalf("%s: status %d, want %d\n%s", r.what, r.status, status, r.body)
	}
	return r
}

// wantProblem holds the answer to a problem of that code.
func (r *response) wantProblem(code string) *response {
	r.t.Helper()
	if got := r.str("type"); got != "/problems/"+code {
		r.t.Fatalf("%s: %d %s, want problem %q\n%s", r.what, r.status, got, code, r.body)
	}
	return r
}

// wantFault holds the answer to a fault at that pointer.
func (r *response) wantFault(pointer string) *response {
	r.t.Helper()
	list, _ := r.json()["errors"].([]any)
	for _, f := range list {
		if f.(map[string]any)["pointer"] == pointer {
			return r
		}
	}
	r.t.Fatalf("%s: no fault at %q\n%s", r.what, pointer, r.body)
	return r
}

func (r *response) json() map[string]any {
	r.t.Helper()
	var out map[string]any
	if err := json.Unmarshal(r.body, &out); err != nil {
		r.t.Fatalf("%s: %d is no JSON object: %v\n%s", r.what, r.status, err, r.body)
	}
	return out
}

// get follows names and indexes into the body; nil where there is nothing.
func (r *response) get(path ...any) any {
	r.t.Helper()
	var at any = r.json()
	for _, step := range path {
		switch s := step.(type) {
		case string:
			object, _ := at.(map[string]any)
			at = object[s]
		case int:
			list, _ := at.([]any)
			if s >= len(list) {
				return nil
			}
			at = list[s]
		}
	}
	return at
}

func (r *response) str(path ...any) string {
	r.t.Helper()
	s, _ := r.get(path...).(string)
	return s
}

func (r *response) num(path ...any) float64 {
	r.t.Helper()
	n, ok := r.get(path...).(float64)
	if !ok {
		r.t.Fatalf("%s: no number at %v\n%s", r.what, path, r.body)
	}
	return n
}

// reachedAt is how httptest reaches the service of a world.
const reachedAt = "http://example.com"

// testLog shows the service's log with a failing test; what is logged after the
// test's end is dropped.
type testLog struct {
	mu   sync.Mutex
	t    testing.TB
	kept bytes.Buffer
}

func logOf(t testing.TB) *testLog {
	l := &testLog{t: t}
	t.Cleanup(func() { l.show(nil) })
	return l
}

// show makes t the test with which the log is shown from now on; nil drops it.
func (l *testLog) show(t testing.TB) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.t = t
}

// tokenText finds the text of a token or a code, whole or cut, true or made up.
var tokenText = regexp.MustCompile(`pw[ip]?_[A-Za-z0-9_-]{12,}|Bearer|eyJ[A-Za-z0-9_-]{12,}`)

func (l *testLog) Write(line []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.kept.Write(line)
	if l.t != nil {
		if found := tokenText.Find(line); found != nil {
			l.t.Errorf("a token's text stands in the log: %s in %s", found, line)
		}
		l.t.Log(strings.TrimSpace(string(line)))
	}
	return len(line), nil
}

// text is all that was logged.
func (l *testLog) text() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.kept.String()
}
