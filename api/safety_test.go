package api

import (
	"context"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/jackc/pgx/v5/pgxpool"
	"gopkg.in/yaml.v3"

	"pinwright/openapi"
)

// apart is a server without a database: what is told here comes before one is
// asked.
func apart(t *testing.T, o Options, doc *openapi3.T) *Server {
	t.Helper()
	pool, err := pgxpool.New(t.Context(), "postgres://nobody@127.0.0.1:1/nothing?connect_timeout=1")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(pool.Close)
	o.Pool, o.Log = pool, slog.New(slog.NewTextHandler(io.Discard, nil))
	s, err := newServer(o, doc)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func (s *Server) answerTo(ctx context.Context, method, path string, header ...string) *http.Response {
	r := httptest.NewRequestWithContext(ctx, method, path, nil)
	for i := 0; i < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
	}
	rec := httptest.NewRecorder()
	s.Handler().ServeHTTP(rec, r)
	return rec.Result()
}

// Every route is walked as it is registered, and what is none too. The fields are
// those of the OWASP REST Security Cheat Sheet and of headers_add.json of the
// OWASP Secure Headers Project (2024-07-19).
func TestEveryRouteKeepsBrowsersFromMore(t *testing.T) {
	t.Parallel()
	s := apart(t, Options{PublicURL: "https://pins.example"}, read(t, openapi.YAML))
	plain := apart(t, Options{PublicURL: "http://pins.example"}, read(t, openapi.YAML))
	type place struct{ method, path string }
	places := []place{{"GET", "/nothing"}, {"PUT", "/v1/new-id"}, {"OPTIONS", "/v1/new-id"}, {"GET", "/v1/clubs//x"}}
	for _, r := range s.echo.Routes() {
		if r.Method == "echo_route_not_found" {
			continue
		}
		places = append(places, place{r.Method, strings.ReplaceAll(r.Path, ":", "x-")})
	}
	if len(places) < 70 {
		t.Fatalf("only %d routes", len(places))
	}
	for _, p := range places {
		answer := s.answerTo(t.Context(), p.method, p.path)
		h := answer.Header
		for name, want := range map[string]string{
			"X-Content-Type-Options": "nosniff", "X-Frame-Options": "DENY", "Referrer-Policy": "no-referrer", "Cross-Origin-Resource-Policy": "same-origin",
			"Cross-Origin-Opener-Policy": "same-origin", "Cross-Origin-Embedder-Policy": "require-corp", "X-Permitted-Cross-Domain-Policies": "none",
			"Strict-Transport-Security": "max-age=31536000",
		} {
			if h.Get(name) != want || len(h.Values(name)) != 1 {
				t.Errorf("%s %s: %s is %q, want %q", p.method, p.path, name, h.Values(name), want)
			}
		}
		policy := h.Get("Content-Security-Policy")
		page := strings.HasPrefix(h.Get("Content-Type"), "text/html")
		if !strings.Contains(policy, "default-src 'none'") || !strings.Contains(policy, "frame-ancestors 'none'") || strings.Contains(policy, "unsafe") {
			t.Errorf("%s %s: Content-Security-Policy %q", p.method, p.path, policy)
		}
		if still := strings.Contains(h.Get("Cache-Control"), "public"); still && !page && h.Get("ETag") == "" || !still && h.Get("Cache-Control") != "no-store" {
			t.Errorf("%s %s: Cache-Control %q", p.method, p.path, h.Get("Cache-Control"))
		}
		for _, feature := range []string{"camera=()", "microphone=()", "geolocation=()", "payment=()"} {
			if !strings.Contains(h.Get("Permissions-Policy"), feature) {
				t.Errorf("%s %s: Permissions-Policy %q", p.method, p.path, h.Get("Permissions-Policy"))
			}
		}
		if h.Get("Server") != "" || h.Get("X-Powered-By") != "" {
			t.Errorf("%s %s tells what it runs on", p.method, p.path)
		}
		if answer.StatusCode != 204 && h.Get("Content-Type") == "" {
			t.Errorf("%s %s: %d without a Content-Type", p.method, p.path, answer.StatusCode)
		}
	}
	if h := plain.answerTo(t.Context(), "GET", "/").Header; h.Get("Strict-Transport-Security") != "" {
		t.Error("who is not reached by https must not ask for it (RFC 6797, 7.2)")
	}
}

// deprecating is the contract with x-deprecated put where f says.
func deprecating(t *testing.T, f func(operation map[string]any)) *openapi3.T {
	t.Helper()
	var doc map[string]any
	if err := yaml.Unmarshal(openapi.YAML, &doc); err != nil {
		t.Fatal(err)
	}
	f(doc["paths"].(map[string]any)["/v1/clubs/{club}/garages/{garage}"].(map[string]any)["get"].(map[string]any))
	text, err := yaml.Marshal(doc)
	if err != nil {
		t.Fatal(err)
	}
	return read(t, text)
}

func read(t *testing.T, text []byte) *openapi3.T {
	t.Helper()
	doc, err := openapi3.NewLoader().LoadFromData(text)
	if err != nil {
		t.Fatal(err)
	}
	return doc
}

const old = "/v1/clubs/hollow-lane/garages/barn"

// Nothing of the contract is deprecated, so the service is given one in which
// something is. The values follow the examples of RFC 9745, 2.1 (a date as a
// structured field) and RFC 8594, 3 (an HTTP date).
func TestWhatIsDeprecatedIsAnnouncedAndCounted(t *testing.T) {
	t.Parallel()
	s := apart(t, Options{}, deprecating(t, func(op map[string]any) {
		op["x-deprecated"] = map[string]any{"since": "2024-06-30", "sunset": "2025-06-30", "instead": "/v1/clubs/{club}/yards/{garage}"}
	}))
	answer := s.answerTo(t.Context(), "GET", "/v1/clubs/hollow-lane/garages/b%3E%3Carn")
	h := answer.Header
	if got := h.Get("Deprecation"); got != "@1719705600" { // 2024-06-30T00:00:00Z
		t.Errorf("Deprecation: %s", got)
	}
	if got := h.Get("Sunset"); got != "Mon, 30 Jun 2025 00:00:00 GMT" {
		t.Errorf("Sunset: %s", got)
	}
	links := strings.Join(h.Values("Link"), ", ")
	for _, want := range []string{`</reference#op-getGarage>; rel="deprecation"; type="text/html"`, `</v1/clubs/hollow-lane/yards/b%3E%3Carn>; rel="successor-version"`} {
		if !strings.Contains(links, want) {
			t.Errorf("Link: %s; want %s", links, want)
		}
	}
	if answer.StatusCode != 401 {
		t.Errorf("%d: a refusal is announced too", answer.StatusCode)
	}
	for _, path := range []string{"/v1/clubs/hollow-lane/garages", "/v1/new-id", "/nothing"} {
		if h := s.answerTo(t.Context(), "GET", path).Header; h.Get("Deprecation")+h.Get("Sunset")+h.Get("Link") != "" {
			t.Errorf("%s is called deprecated: %v", path, h)
		}
	}
	s.answerTo(t.Context(), "HEAD", old)
	figures, err := io.ReadAll(s.answerTo(t.Context(), "GET", "/metrics").Body)
	if err != nil || !strings.Contains(string(figures), `pinwright_deprecated_uses_total{operation="getGarage",parameter=""} 2`) {
		t.Errorf("not counted, %v", err)
	}
}

func TestADeprecatedParameterIsAnnouncedWhereItIsSent(t *testing.T) {
	t.Parallel()
	s := apart(t, Options{}, deprecating(t, func(op map[string]any) {
		parameter := func(name, in, since, sunset string) map[string]any {
			return map[string]any{"name": name, "in": in, "schema": map[string]any{"type": "string"}, "x-deprecated": map[string]any{"since": since, "sunset": sunset, "instead": "nearby"}}
		}
		op["parameters"] = append(op["parameters"].([]any), parameter("near", "query", "2025-01-01", "2027-01-01"), parameter("X-Near", "header", "2025-02-01", "2026-01-01"))
	}))
	for _, tc := range []struct {
		path, header, deprecation, sunset string
	}{
		{old, "", "", ""},
		{old + "?other=1", "", "", ""},
		{old + "?near=", "", "@1735689600", "Fri, 01 Jan 2027 00:00:00 GMT"},
		{old, "here", "@1738368000", "Thu, 01 Jan 2026 00:00:00 GMT"},
		{old + "?near=here", "here", "@1735689600", "Thu, 01 Jan 2026 00:00:00 GMT"}, // the earliest of both
	} {
		h := s.answerTo(t.Context(), "GET", tc.path, "X-Near", tc.header).Header
		if h.Get("Deprecation") != tc.deprecation || h.Get("Sunset") != tc.sunset || strings.Contains(h.Get("Link"), "successor") {
			t.Errorf("%s %q: %q, %q, %q", tc.path, tc.header, h.Get("Deprecation"), h.Get("Sunset"), h.Values("Link"))
		}
	}
	figures, err := io.ReadAll(s.answerTo(t.Context(), "GET", "/metrics").Body)
	if err != nil || !strings.Contains(string(figures), `pinwright_deprecated_uses_total{operation="getGarage",parameter="near"} 2`) {
		t.Errorf("not counted, %v", err)
	}
}

func TestAContractThatDeprecatesInAnUnreadableWayIsRefused(t *testing.T) {
	t.Parallel()
	for _, x := range []any{"yes", map[string]any{}, map[string]any{"since": "soon"}, map[string]any{"since": "2026-01-01", "sunset": "never"}} {
		if _, err := loadContract(deprecating(t, func(op map[string]any) { op["x-deprecated"] = x })); err == nil {
			t.Errorf("%v accepted", x)
		}
	}
}
