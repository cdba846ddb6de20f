package api_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/api"
)

// edge is a service as it stands behind net/http, with its log at hand.
type edge struct {
	*world
	server *api.Server
	url    string
	log    *syncBuffer
}

type syncBuffer struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (b *syncBuffer) Write(p []byte) (int, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.text.Write(p)
}

func (b *syncBuffer) String() string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.text.String()
}

// newEdge serves a world's club over a socket. pool nil is the world's own.
func newEdge(t *testing.T, pool *pgxpool.Pool, o api.Options) *edge {
	t.Helper()
	e := &edge{world: newWorld(t), log: &syncBuffer{}}
	if o.Pool = pool; pool == nil {
		o.Pool = e.db.App
	}
	o.Now = e.clock.now
	o.Log = slog.New(slog.NewJSONHandler(e.log, nil))
	var err error
	if e.server, err = api.New(o); err != nil {
		t.Fatal(err)
	}
	s := httptest.NewServer(e.server.Handler())
	t.Cleanup(s.Close)
	e.url = s.URL
	return e
}

// send sends a request as it is given; header is a list of names and values.
func (e *edge) send(t *testing.T, method, path string, body io.Reader, header ...string) (*http.Response, string) {
	t.Helper()
	r, err := http.NewRequestWithContext(t.Context(), method, e.url+path, body)
	if err != nil {
		t.Fatal(err)
	}
	for i := 0; i < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
	}
	response, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer response.Body.Close() //nolint:errcheck // read to its end below
	text, err := io.ReadAll(response.Body)
	if err != nil {
		t.Fatal(err)
	}
	return response, string(text)
}

// wantDocument holds an answer to a complete problem document (RFC 9457).
func wantDocument(t *testing.T, r *http.Response, body string, status int, code string) {
	t.Helper()
	var doc struct {
		Type, Title, Detail, Instance string
		Status                        int
	}
	if err := json.Unmarshal([]byte(body), &doc); err != nil {
		t.Fatalf("%d %q is no JSON: %v", r.StatusCode, body, err)
	}
	if r.StatusCode != status || doc.Status != status || doc.Type != "/problems/"+code || doc.Title == "" || doc.Detail == "" {
		t.Errorf("%d %s, want %d %s, complete", r.StatusCode, body, status, code)
	}
	if doc.Instance == "" || doc.Instance != r.Header.Get("X-Request-Id") {
		t.Errorf("instance %q is not the request id %q", doc.Instance, r.Header.Get("X-Request-Id"))
	}
	if got := r.Header.Get("Content-Type"); got != "application/problem+json" {
		t.Errorf("Content-Type %q", got)
	}
	if got := r.Header.Get("Cache-Control"); got != "no-store" {
		t.Errorf("a problem may be cached: Cache-Control %q", got)
	}
	if r.Header.Get("X-Content-Type-Options") != "nosniff" {
		t.Error("no X-Content-Type-Options")
	}
}

func bearer(token string) []string { return []string{"Authorization", "Bearer " + token} }

func TestAPanicIsA500ThatGivesNothingAway(t *testing.T) {
	t.Parallel()
	e := newEdge(t, nil, api.Options{Ready: func(context.Context) error { panic("the cat sat on " + "the keyboard") }})
	r, body := e.send(t, "GET", "/readyz", nil)
	wantDocument(t, r, body, 500, "internal")
	if strings.Contains(body, "cat") || strings.Contains(body, "goroutine") {
		t.Errorf("the answer tells of the inside: %s", body)
	}
	if log := e.log.String(); !strings.Contains(log, "the cat sat on the keyboard") || !strings.Contains(log, "edges_test.go") {
		t.Errorf("the log does not tell what happened and where: %s", log)
	}
	if r, _ := e.send(t, "GET", "/healthz", nil); r.StatusCode != 200 {
		t.Error("the service does not live on")
	}
}

func TestWhatIsNowhereIsAProblemDocument(t *testing.T) {
	t.Parallel()
	e := newEdge(t, nil, api.Options{})
	for _, path := range []string{"/v1/nothing", "/v1/clubs/hollow-lane/nothing", "/v1/clubs", "/v1/clubs//garages", "/%00", "/v1/clubs/hollow-lane/garages/a/b"} {
		for _, token := range []string{"", e.officer} {
			r, body := e.send(t, "GET", path, nil, bearer(token)...)
			if r.StatusCode == 404 || r.StatusCode == 401 {
				wantDocument(t, r, body, r.StatusCode, map[int]string{404: "not-found", 401: "unauthenticated"}[r.StatusCode])
			} else {
				t.Errorf("%s: %d %s", path, r.StatusCode, body)
			}
		}
	}
}

func TestAWrongMethodIsA405ThatNamesTheRightOnes(t *testing.T) {
	t.Parallel()
	e := newEdge(t, nil, api.Options{})
	for _, tc := range []struct{ method, path, allow string }{
		{"DELETE", "/v1/clubs/hollow-lane/garages", "GET HEAD POST"},
		{"PUT", "/v1/clubs/hollow-lane/garages/x", "GET HEAD PATCH"},
		{"POST", "/healthz", "GET HEAD"},
		{"GET", "/v1/calc/fit", "POST"},
		{"BREW", "/v1/new-id", "GET HEAD"},
	} {
		r, body := e.send(t, tc.method, tc.path, nil)
		wantDocument(t, r, body, 405, "method-not-allowed")
		for _, m := range strings.Fields(tc.allow) {
			if !strings.Contains(r.Header.Get("Allow"), m) {
				t.Errorf("%s %s: Allow %q lacks %s (RFC 9110, 10.2.1)", tc.method, tc.path, r.Header.Get("Allow"), m)
			}
		}
		if strings.Contains(r.Header.Get("Allow"), tc.method) {
			t.Errorf("%s %s: Allow %q names it", tc.method, tc.path, r.Header.Get("Allow"))
		}
	}
}

func TestABodyOverTheLimitIsA413(t *testing.T) {
	t.Parallel()
	const limit = 10_000
	e := newEdge(t, nil, api.Options{Limits: api.Limits{Body: limit}})
	headers := append(bearer(e.officer), "Content-Type", "application/json", "Idempotency-Key", newID())
	garage := `{"code":"long","name":"Long","time_zone":"UTC","address":"`
	fits := garage + strings.Repeat(" ", limit-len(garage)-2) + `"}`
	for _, tc := range []struct {
		name string
		body io.Reader
	}{
		{"with its length said", strings.NewReader(fits + " ")},
		{"in chunks", io.MultiReader(strings.NewReader(fits), strings.NewReader(" "))},
	} {
		r, body := e.send(t, "POST", "/v1/clubs/hollow-lane/garages", tc.body, headers...)
		t.Log(tc.name)
		wantDocument(t, r, body, 413, "too-large")
	}
	r, body := e.send(t, "POST", "/v1/clubs/hollow-lane/garages", strings.NewReader(fits), headers...)
	if r.StatusCode == 413 {
		t.Errorf("a body of just the limit: %d %s", r.StatusCode, body)
	}
	r, body = e.send(t, "POST", "/v1/calc/fit", strings.NewReader(fits+" "), "Content-Type", "application/json")
	wantDocument(t, r, body, 413, "too-large")
	// Who may not come in is not told of limits.
	r, body = e.send(t, "POST", "/v1/clubs/hollow-lane/garages", strings.NewReader(fits+" "), "Content-Type", "application/json")
	wantDocument(t, r, body, 401, "unauthenticated")
}

func TestHeadIsAnsweredAsGetWithoutTheBody(t *testing.T) {
	t.Parallel()
	e := newEdge(t, nil, api.Options{})
	for _, path := range []string{"/healthz", "/readyz", "/v1/clubs/hollow-lane", "/v1/clubs/hollow-lane/garages?limit=2", "/v1/clubs/hollow-lane/garages/nowhere", "/v1/clubs/hollow-lane/garages?x=1"} {
		headers := append(bearer(e.officer), "X-Request-Id", "the-same-for-both")
		get, text := e.send(t, "GET", path, nil, headers...)
		head, none := e.send(t, "HEAD", path, nil, headers...)
		if head.StatusCode != get.StatusCode || none != "" || text == "" {
			t.Errorf("%s: HEAD %d %q, GET %d", path, head.StatusCode, none, get.StatusCode)
		}
		for _, h := range []*http.Response{get, head} {
			h.Header.Del("Date")
			h.Header.Del("Content-Length")
		}
		if diff := cmp.Diff(get.Header, head.Header); diff != "" {
			t.Errorf("%s: headers (-GET +HEAD):\n%s", path, diff)
		}
	}
}

func TestRequestIDsAreTakenWhenTheyAreSafeToLog(t *testing.T) {
	t.Parallel()
	e := newEdge(t, nil, api.Options{})
	for id, taken := range map[string]bool{
		"phone-42_A":                           true,
		"0192f0c1-2a3b-7c4d-8e5f-60718293a4b5": true,
		"short":                                false,
		strings.Repeat("a", 65):                false,
		"has space inside":                     false,
		`"quoted-"`:                            false,
		"":                                     false,
	} {
		r, _ := e.send(t, "GET", "/healthz", nil, "X-Request-Id", id)
		got := r.Header.Get("X-Request-Id")
		if (got == id) != taken || len(got) < 8 {
			t.Errorf("%q: answered as %q, taken should be %v", id, got, taken)
		}
		if !strings.Contains(e.log.String(), `"request_id":"`+got+`"`) {
			t.Errorf("%q: not in the log", got)
		}
	}
}

func TestReadinessTellsOfDrainingAndOfTheDatabase(t *testing.T) {
	t.Parallel()
	t.Run("ready", func(t *testing.T) {
		t.Parallel()
		e := newEdge(t, nil, api.Options{})
		if r, body := e.send(t, "GET", "/readyz", nil); r.StatusCode != 200 || !strings.Contains(body, `"status":"ok"`) {
			t.Errorf("%d %s", r.StatusCode, body)
		}
	})
	notReady := func(t *testing.T, e *edge, why string) {
		t.Helper()
		r, body := e.send(t, "GET", "/readyz", nil)
		if r.StatusCode != 503 || !strings.Contains(body, why) || r.Header.Get("Retry-After") == "" {
			t.Errorf("not ready: %d %s, want 503 with %q and Retry-After", r.StatusCode, body, why)
		}
		if r, _ := e.send(t, "GET", "/healthz", nil); r.StatusCode != 200 {
			t.Errorf("alive: %d, want 200: a process that is not ready must not be killed for it", r.StatusCode)
		}
	}
	t.Run("draining", func(t *testing.T) {
		t.Parallel()
		e := newEdge(t, nil, api.Options{})
		e.server.Drain()
		notReady(t, e, "shutting down")
		if r, _ := e.send(t, "GET", "/v1/clubs/hollow-lane", nil, bearer(e.officer)...); r.StatusCode != 200 {
			t.Errorf("a request that still comes is answered %d", r.StatusCode)
		}
	})
	t.Run("schema behind", func(t *testing.T) {
		t.Parallel()
		e := newEdge(t, nil, api.Options{Ready: func(context.Context) error { return errors.New("run pinwright migrate up") }})
		notReady(t, e, "migrate up")
	})
	t.Run("database away", func(t *testing.T) {
		t.Parallel()
		pool, err := pgxpool.New(t.Context(), "postgres://pinwright_app@127.0.0.1:1/away?connect_timeout=2")
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(pool.Close)
		e := newEdge(t, pool, api.Options{})
		notReady(t, e, "does not answer")
		for _, method := range []string{"GET", "POST"} {
			r, body := e.send(t, method, "/v1/clubs/hollow-lane/garages", strings.NewReader(`{"code":"a","name":"A","time_zone":"UTC"}`),
				append(bearer(e.officer), "Content-Type", "application/json", "Idempotency-Key", newID())...)
			if method == "GET" {
				r, body = e.send(t, method, "/v1/clubs/hollow-lane/garages", nil, bearer(e.officer)...)
			}
			wantDocument(t, r, body, 503, "unavailable")
			if r.Header.Get("Retry-After") == "" {
				t.Errorf("%s: no Retry-After", method)
			}
		}
	})
}

// A database that goes away while the service runs is a 503, and what comes
// afterwards is served again without a restart.
func TestServiceOutlivesBrokenConnections(t *testing.T) {
	t.Parallel()
	e := newEdge(t, nil, api.Options{})
	admin := e.db.Pool(t, e.db.AdminURL, 1)
	for range 3 {
		if r, _ := e.send(t, "GET", "/v1/clubs/hollow-lane", nil, bearer(e.officer)...); r.StatusCode != 200 {
			t.Fatalf("%d before anything broke", r.StatusCode)
		}
		if _, err := admin.Exec(t.Context(), `select pg_terminate_backend(pid) from pg_stat_activity where datname = current_database() and usename = 'pinwright_app'`); err != nil {
			t.Fatal(err)
		}
		ok := false
		for range 20 {
			r, body := e.send(t, "GET", "/v1/clubs/hollow-lane", nil, bearer(e.officer)...)
			if ok = r.StatusCode == 200; ok {
				break
			}
			wantDocument(t, r, body, 503, "unavailable")
		}
		if !ok {
			t.Fatal("20 requests after the connections broke, none was served")
		}
	}
}

func TestEachRequestIsOneLogEventWithoutSecretsOrNames(t *testing.T) {
	t.Parallel()
	e := newEdge(t, nil, api.Options{Ready: func(context.Context) error { panic("oh") }})
	const person = "Wilhelmina Quince"
	post := append(bearer(e.officer), "Content-Type", "application/json", "Idempotency-Key", newID())
	requests := 0
	send := func(method, path, body string, header ...string) string {
		requests++
		_, text := e.send(t, method, path, strings.NewReader(body), header...)
		return text
	}
	at := "/v1/clubs/hollow-lane"
	send("POST", at+"/members", `{"number":"M7","name":"`+person+`"}`, post...)
	send("POST", at+"/members", `{"number":"M7","name":"`+person+`"}`, post...) // replayed
	post[5] = newID()
	send("POST", at+"/members", `{"number":"M7","name":"`+person+`"}`, post...) // name taken
	send("POST", at+"/members", `{"number":"","name":"`+person+`","x":1}`, post...)
	made := send("POST", at+"/tokens", `{"id":"`+newID()+`","label":"`+person+`"}`, post...)
	var token struct{ Token string }
	if err := json.Unmarshal([]byte(made), &token); err != nil || token.Token == "" {
		t.Fatalf("no token in %s", made)
	}
	send("GET", at+"/members/"+strings.ReplaceAll(person, " ", "%20"), "", bearer(token.Token)...)
	send("GET", at+"/members?cursor=Wilhelmina", "", bearer(token.Token)...)
	send("GET", at+"/me", "", bearer(token.Token[:len(token.Token)-1]+"x")...)
	send("GET", at+"/me?"+token.Token, "")
	send("GET", "/"+token.Token, "")
	send("BREW", at, "")
	send("GET", "/readyz", "")
	lines := strings.Split(strings.TrimSpace(e.log.String()), "\n")
	if len(lines) != requests {
		t.Errorf("%d log events for %d requests:\n%s", len(lines), requests, e.log.String())
	}
	for _, line := range lines {
		var event map[string]any
		if err := json.Unmarshal([]byte(line), &event); err != nil {
			t.Fatalf("%s: %v", line, err)
		}
		for _, field := range []string{"request_id", "method", "route", "status", "duration_seconds", "bytes_in", "bytes_out"} {
			if event[field] == nil {
				t.Errorf("no %s in %s", field, line)
			}
		}
		if event["status"].(float64) >= 400 && event["problem"] == nil {
			t.Errorf("no problem in %s", line)
		}
	}
	for _, secret := range []string{person, "Wilhelmina", "Quince", "Odile", e.officer, token.Token, token.Token[3:40], e.officer[3:40]} {
		if strings.Contains(e.log.String(), secret) {
			t.Errorf("the log holds %q:\n%s", secret, e.log.String())
		}
	}
}

func TestARequestThatTakesTooLongIsGivenUp(t *testing.T) {
	t.Parallel()
	e := newEdge(t, nil, api.Options{Limits: api.Limits{Request: 300 * time.Millisecond}})
	lock, err := e.db.Owner.Begin(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer lock.Rollback(context.WithoutCancel(t.Context())) //nolint:errcheck // only held a lock
	if _, err := lock.Exec(t.Context(), `lock table garage in access exclusive mode`); err != nil {
		t.Fatal(err)
	}
	start := time.Now()
	r, body := e.send(t, "GET", "/v1/clubs/hollow-lane/garages", nil, bearer(e.officer)...)
	wantDocument(t, r, body, 503, "unavailable")
	if took := time.Since(start); took > 5*time.Second {
		t.Errorf("given up only after %s", took)
	}
}
