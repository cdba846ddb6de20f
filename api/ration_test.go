package api_test

import (
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"net/netip"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5/pgxpool"

	"pinwright/api"
)

// rationed is a world whose service takes 2 requests at once and one a second, on
// a pool that tells how often the database was asked.
func rationed(t *testing.T, proxies ...netip.Prefix) *world {
	t.Helper()
	w := newWorld(t)
	cfg, err := pgxpool.ParseConfig(w.db.AppURL)
	if err != nil {
		t.Fatal(err)
	}
	cfg.ConnConfig.Tracer = queryTracer{}
	pool, err := pgxpool.NewWithConfig(t.Context(), cfg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(pool.Close)
	server, err := api.New(api.Options{Pool: pool, Now: w.clock.now, Log: slog.New(slog.NewJSONHandler(logOf(t), nil)), TrustedProxies: proxies, Limits: api.Limits{Rate: 1, Burst: 2}})
	if err != nil {
		t.Fatal(err)
	}
	w.handler = server.Handler()
	return w
}

// from sends a GET from an address and returns how often the database was asked.
func (w *world) from(address, path, token string, forwarded ...string) (*response, int) {
	w.t.Helper()
	ctx, asked := traced(w.t.Context())
	r := httptest.NewRequestWithContext(ctx, "GET", path, nil)
	r.RemoteAddr = address
	if token != "" {
		r.Header.Set("Authorization", "Bearer "+token)
	}
	for _, f := range forwarded {
		r.Header.Add("X-Forwarded-For", f)
	}
	rec := httptest.NewRecorder()
	w.handler.ServeHTTP(rec, r)
	out := &response{t: w.t, what: "GET " + path, status: rec.Code, header: rec.Result().Header, body: rec.Body.Bytes()}
	if path != "/metrics" { // the one that the contract does not list
		w.holdToContract(r, out)
	}
	return out, asked.roundTrips
}

const home, away = "192.0.2.7:4001", "198.51.100.7:4001" // RFC 5737

func TestATokenIsHeldToItsRateWithoutTheDatabase(t *testing.T) {
	t.Parallel()
	w := rationed(t)
	other := w.found("brook-end").Secret.Reveal()
	garages := "/v1/clubs/" + w.slug + "/garages"
	// The first request is charged to the address, since nobody knows the token yet; the next two to the token.
	for i, left := range []string{`"default";r=1;t=1`, `"default";r=1;t=1`, `"default";r=0;t=1`} {
		r, trips := w.from(home, garages, w.officer)
		r.want(200)
		if r.header.Get("RateLimit") != left || r.header.Get("RateLimit-Policy") != `"default";q=2;w=2` || trips != 1 {
			t.Errorf("request %d: %q, %q, %d round trips; want %q", i, r.header.Get("RateLimit"), r.header.Get("RateLimit-Policy"), trips, left)
		}
	}
	for _, spelling := range []string{w.officer, " " + w.officer, w.officer + " "} {
		r, trips := w.from(home, garages, spelling)
		r.want(429).wantProblem("too-many-requests")
		if trips != 0 {
			t.Errorf("a refused request asked the database %d times", trips)
		}
		if r.header.Get("Retry-After") != "1" || r.header.Get("RateLimit") != `"default";r=0;t=1` {
			t.Errorf("Retry-After %q, RateLimit %q: they name the same time (draft-ietf-httpapi-ratelimit-headers)", r.header.Get("Retry-After"), r.header.Get("RateLimit"))
		}
	}
	// Somebody else at the same address has a bucket of their own once they are known.
	r, _ := w.from(home, "/v1/clubs/brook-end/garages", other)
	r.want(200)
	for range 2 {
		r, _ = w.from(home, "/v1/clubs/brook-end/garages", other)
		r.want(200)
	}
	w.clock.advance(time.Second)
	r, _ = w.from(home, garages, w.officer)
	r.want(200)
	r, _ = w.from(home, garages, w.officer)
	r.want(429)
}

func TestMadeUpTokensAndCalculatorsAreChargedToTheAddress(t *testing.T) {
	t.Parallel()
	w := rationed(t)
	for range 3 { // a known token, used up
		w.from(home, "/v1/clubs/"+w.slug+"/garages", w.officer)
	}
	for i, want := range []int{401, 401, 429} {
		r, trips := w.from(away, "/v1/clubs/"+w.slug+"/garages", "pw_made-up-"+strconv.Itoa(i))
		r.want(want)
		if want == 429 && trips != 0 {
			t.Error("asked the database")
		}
	}
	r, _ := w.from(away, "/v1/new-id", "pw_made-up") // public: what is sent along is not looked at
	r.want(429)
	r, _ = w.from(away, "/v1/nothing", "")
	if r.status != 429 {
		t.Errorf("an address that is nowhere is not limited: %d", r.status)
	}
	for range 5 { // what watches the service is exempt
		for _, path := range []string{"/healthz", "/readyz", "/metrics"} {
			r, _ := w.from(away, path, "")
			r.want(200)
			if r.header.Get("RateLimit") != "" {
				t.Errorf("%s tells of a limit", path)
			}
		}
	}
	if r, _ := w.from(away, "/metrics", ""); !strings.Contains(string(r.body), `pinwright_refused_requests_total{why="rate"} 3`) {
		t.Error("the refusals are not counted")
	}
}

func TestOnlyTrustedProxiesAreBelieved(t *testing.T) {
	t.Parallel()
	proxy := netip.MustParsePrefix("10.0.0.0/8")
	for _, tc := range []struct {
		name, peer   string
		first, third []string // X-Forwarded-For of the first two requests, and of the third
		refused      bool
	}{
		{"no proxy is believed that is not listed", home, []string{"203.0.113.1"}, []string{"203.0.113.2"}, true},
		{"a listed one is", "10.0.0.1:80", []string{"203.0.113.1"}, []string{"203.0.113.2"}, false},
		{"the same client again", "10.0.0.1:80", []string{"203.0.113.1"}, []string{"203.0.113.1"}, true},
		{"what the client itself sent is not believed", "10.0.0.1:80", []string{"1.1.1.1, 203.0.113.1"}, []string{"2.2.2.2, 203.0.113.1"}, true},
		{"through two of them", "10.0.0.1:80", []string{"203.0.113.1, 10.0.0.2"}, []string{"203.0.113.2, 10.0.0.2"}, false},
		{"in several fields", "10.0.0.1:80", []string{"1.1.1.1", "203.0.113.1, 10.0.0.2"}, []string{"2.2.2.2", "203.0.113.1, 10.0.0.2"}, true},
		{"with ports", "10.0.0.1:80", []string{"203.0.113.1:1000"}, []string{"203.0.113.1:2000"}, true},
		{"IPv6 with a port", "10.0.0.1:80", []string{"[2001:db8::1]:1000"}, []string{"[2001:db8::2]:2000"}, true},
		{"nonsense is the proxy's own", "10.0.0.1:80", []string{"unknown"}, []string{"nobody"}, true},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			server, err := api.New(api.Options{Pool: newWorldPool(t), TrustedProxies: []netip.Prefix{proxy}, Limits: api.Limits{Rate: 1, Burst: 2}, Log: slog.New(slog.NewJSONHandler(logOf(t), nil)), Now: (&clock{at: time.Now()}).now})
			if err != nil {
				t.Fatal(err)
			}
			send := func(forwarded []string) int {
				r := httptest.NewRequestWithContext(t.Context(), "GET", "/v1/new-id", nil)
				r.RemoteAddr = tc.peer
				r.Header["X-Forwarded-For"] = forwarded
				rec := httptest.NewRecorder()
				server.Handler().ServeHTTP(rec, r)
				return rec.Code
			}
			send(tc.first)
			send(tc.first)
			if got := send(tc.third); (got == 429) != tc.refused {
				t.Errorf("answered %d, refused should be %v", got, tc.refused)
			}
		})
	}
}

// newWorldPool is a pool that is never connected.
func newWorldPool(t *testing.T) *pgxpool.Pool {
	t.Helper()
	pool, err := pgxpool.New(t.Context(), "postgres://nobody@127.0.0.1:1/nothing")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(pool.Close)
	return pool
}

var fiveWait = regexp.MustCompile(`(?m)^db_client_connection_pending_requests\{[^}]*\} 5$`)

// While the pool is held and the queue is full, what comes on top is told at once
// to come back, and what watches the service, the pages and the calculators are
// served; afterwards all is as before.
func TestWhatCannotBeServedIsShedAtOnce(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	pool := w.db.Pool(t, w.db.AppURL, 2)
	e := newEdge(t, pool, api.Options{Limits: api.Limits{Queue: 3, Request: 30 * time.Second}})
	var held []*pgxpool.Conn // both, for as long as the test likes
	for range 2 {
		conn, err := pool.Acquire(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		held = append(held, conn)
	}
	release := sync.OnceFunc(func() {
		for _, conn := range held {
			conn.Release()
		}
	})
	defer release()
	get := func() (int, string, http.Header) {
		r, body := e.send(t, "GET", "/v1/clubs/hollow-lane/garages", nil, bearer(w.officer)...)
		return r.StatusCode, body, r.Header
	}
	var wait sync.WaitGroup
	results := make(chan int, 5)
	for range 5 { // as many as may be inside
		wait.Go(func() {
			status, _, _ := get()
			results <- status
		})
	}
	shed := func() (*http.Response, string) {
		return e.send(t, "GET", "/v1/clubs/hollow-lane/garages", nil, bearer("pw_made-up")...)
	}
	// All five are inside before anybody else knocks, who would else take the place of one.
	deadline := time.Now().Add(20 * time.Second)
	for _, figures := e.send(t, "GET", "/metrics", nil); !fiveWait.MatchString(figures); _, figures = e.send(t, "GET", "/metrics", nil) {
		if time.Now().After(deadline) {
			t.Fatal("five do not wait")
		}
	}
	// A token that is none is refused before the database, but not before the door.
	for r, _ := shed(); r.StatusCode != 503; r, _ = shed() {
		if time.Now().After(deadline) {
			t.Fatal("nothing is shed")
		}
	}
	r, body := shed()
	wantDocument(t, r, body, 503, "unavailable")
	if r.Header.Get("Retry-After") == "" {
		t.Error("no Retry-After")
	}
	for _, path := range []string{"/healthz", "/v1/new-id", "/reference", "/metrics"} {
		r, body := e.send(t, "GET", path, nil)
		if r.StatusCode != 200 {
			t.Errorf("%s is shed too: %d", path, r.StatusCode)
		}
		if path == "/metrics" && !strings.Contains(body, `pinwright_refused_requests_total{why="overload"}`) {
			t.Error("what is shed is not counted")
		}
	}
	release()
	wait.Wait()
	for range 5 {
		if status := <-results; status != 200 {
			t.Errorf("one of those that waited was answered %d", status)
		}
	}
	if status, body, _ := get(); status != 200 {
		t.Errorf("afterwards %d %s", status, body)
	}
	if n := strings.Count(e.log.String(), "more is asked than can be served"); n == 0 {
		t.Error("the log does not tell")
	}
}

func TestARequestWaitsForAConnectionNoLongerThanItMay(t *testing.T) {
	t.Parallel()
	w := newWorld(t)
	pool := w.db.Pool(t, w.db.AppURL, 1)
	held, err := pool.Acquire(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer held.Release()
	e := newEdge(t, pool, api.Options{PoolWait: 50 * time.Millisecond})
	r, body := e.send(t, "GET", "/v1/clubs/hollow-lane", nil, bearer(w.officer)...)
	wantDocument(t, r, body, 503, "unavailable")
	if r.Header.Get("Retry-After") == "" || !strings.Contains(body, "Too much is asked") {
		t.Errorf("%v %s", r.Header, body)
	}
}

// BenchmarkShed tells what part p of the cost of a served read a shed request
// costs, both without the socket. Of a server whose processors are the limit, n
// times the peak then leaves (1 - n×p) / (1 - p) of what it could serve.
func BenchmarkShed(b *testing.B) {
	w := newWorld(b)
	pool := w.db.Pool(b, w.db.AppURL, 1)
	server, err := api.New(api.Options{Pool: pool, Log: slog.New(slog.NewJSONHandler(io.Discard, nil)), Limits: api.Limits{Queue: 1, Request: time.Minute}})
	if err != nil {
		b.Fatal(err)
	}
	r := httptest.NewRequestWithContext(b.Context(), "GET", "/v1/clubs/"+w.slug+"/garages", nil)
	r.Header.Set("Authorization", "Bearer "+w.officer)
	get := func() int {
		rec := httptest.NewRecorder()
		server.Handler().ServeHTTP(rec, r)
		return rec.Code
	}
	each := func(want int) time.Duration {
		begun := time.Now()
		for range b.N {
			if got := get(); got != want {
				b.Fatalf("answered %d, want %d", got, want)
			}
		}
		return time.Since(begun)
	}
	get() // its own use is noted beside it
	b.ResetTimer()
	served := each(200)
	b.StopTimer()
	held, err := pool.Acquire(b.Context())
	if err != nil {
		b.Fatal(err)
	}
	answers := make(chan int, 3)
	for range 3 { // one more than there is room for: only that one is answered
		go func() { answers <- get() }()
	}
	if got := <-answers; got != 503 {
		b.Fatalf("answered %d, want 503", got)
	}
	b.StartTimer()
	shed := each(503)
	b.StopTimer()
	held.Release()
	for range 2 {
		<-answers
	}
	b.ReportMetric(float64(shed)/float64(served), "shed/served")
}
